package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"kerfwind/testdata"
	"kerfwind/testdata/peers"
)

// A browser and a shop to look at with it: the program as it is run, on a
// simulated rig.

// browserWait bounds each wait for the browser or the shop.
const browserWait = 20 * time.Second

const pagePassword = "sawdust and hide glue"

// simulatedBarn is the demo's barn, run by another process.
type simulatedBarn struct {
	t    testing.TB
	dir  string
	addr string // of the page
	cmd  *exec.Cmd
	said bytes.Buffer
}

// startBarn runs the barn with a script for its converters. The page's
// passwords are set: one to set up, one to look.
func startBarn(t testing.TB, script string, speed int) *simulatedBarn {
	t.Helper()
	dir, err := os.MkdirTemp("", "kw") // short: a socket's path has a limit
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	b := &simulatedBarn{t: t, dir: dir, addr: freePort(t)}
	demo := func(name string) string {
		text, err := testdata.Demo.ReadFile("demo/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	for name, text := range map[string]string{
		"rig.toml": demo("rig.toml") + fmt.Sprintf("\n[page]\nlisten = %q\n", b.addr), "barn.toml": demo("shops/barn.toml"), "script.txt": script,
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, role := range []string{"setup", "look"} {
		b.command(pagePassword+" "+role+"\n", "password", role, "--state", dir)
	}
	b.cmd = exec.Command("kerfwind", "run", "--simulate", "--speed", strconv.Itoa(speed), "--rig", filepath.Join(dir, "rig.toml"),
		"--shop", filepath.Join(dir, "barn.toml"), "--script", filepath.Join(dir, "script.txt"), "--state", dir, "--runtime", dir)
	b.cmd.Stdout, b.cmd.Stderr = &b.said, &b.said
	if err := b.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.stop)
	if err := awaitReady(dir); err != nil {
		b.stop()
		t.Fatalf("the shop does not begin: %v\n%s", err, b.said.String())
	}
	return b
}

// stop ends the shop in order.
func (b *simulatedBarn) stop() {
	if b.cmd.ProcessState != nil {
		return
	}
	_ = b.cmd.Process.Signal(syscall.SIGTERM) // it may be gone
	_ = b.cmd.Wait()
	if b.t.Failed() {
		b.t.Logf("the shop said:\n%s", b.said.String())
	}
}

// command runs kerfwind.
func (b *simulatedBarn) command(stdin string, args ...string) {
	b.t.Helper()
	cmd := exec.Command("kerfwind", args...)
	cmd.Stdin = strings.NewReader(stdin)
	if out, err := cmd.CombinedOutput(); err != nil {
		b.t.Fatalf("kerfwind %s: %v\n%s", strings.Join(args, " "), err, out)
	}
}

// freePort is an address at which nobody listens just now.
func freePort(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }() // nothing was said over it
	return l.Addr().String()
}

// wire is a way to the page that can be cut, and can fall silent.
type wire struct {
	net.Listener
	to string

	mu    sync.Mutex
	dead  bool // nothing passes, and nobody is told
	conns []net.Conn
}

func openLine(t testing.TB, to string) *wire {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	x := &wire{Listener: l, to: to}
	t.Cleanup(func() { _ = l.Close(); x.cut() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			up, err := net.Dial("tcp", to)
			if err != nil {
				_ = c.Close()
				continue
			}
			x.mu.Lock()
			x.conns = append(x.conns, c, up)
			x.mu.Unlock()
			go x.pass(c, up)
			go x.pass(up, c)
		}
	}()
	return x
}

func (x *wire) pass(from, to net.Conn) {
	defer func() { _ = to.Close() }()
	b := make([]byte, 32<<10)
	for {
		n, err := from.Read(b)
		x.mu.Lock()
		dead := x.dead
		x.mu.Unlock()
		if !dead && n > 0 {
			if _, err := to.Write(b[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

// silence keeps everything back, or no longer.
func (x *wire) silence(on bool) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.dead = on
}

// cut ends every connection.
func (x *wire) cut() {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, c := range x.conns {
		_ = c.Close()
	}
	x.conns = nil
}

// browser starts Chromium. The name evil.example leads to this computer there.
func browser(t testing.TB) context.Context {
	t.Helper()
	path := peers.Require(t, "chromium", "Debian package chromium")
	all, end := chromedp.NewExecAllocator(context.Background(), append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path),
		chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("host-resolver-rules", "MAP evil.example 127.0.0.1"))...)
	ctx, cancel := chromedp.NewContext(all)
	t.Cleanup(func() {
		if err := chromedp.Cancel(ctx); err != nil {
			t.Log(err)
		}
		cancel()
		end()
	})
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	return ctx
}

// tab is one phone: its cookies are its own.
type tab struct {
	t   testing.TB
	ctx context.Context

	mu    sync.Mutex
	wrong []string // what the console has complained of
	asked []string // addresses
}

// newTab opens a tab of a browser.
func newTab(t testing.TB, b context.Context) *tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(b, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	x := &tab{t: t, ctx: ctx}
	if err := chromedp.Listen(ctx, x.hear); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, log.Enable, cdp.Empty{}); err != nil {
		t.Fatal(err)
	}
	return x
}

func (x *tab) hear(ev any) {
	x.mu.Lock()
	defer x.mu.Unlock()
	switch e := ev.(type) {
	case *runtime.EventExceptionThrown:
		x.wrong = append(x.wrong, "exception: "+e.ExceptionDetails.Text)
	case *runtime.EventConsoleAPICalled:
		x.wrong = append(x.wrong, fmt.Sprintf("console.%s", e.Type))
	case *log.EventEntryAdded:
		if e.Entry.Level != "verbose" { // advice
			x.wrong = append(x.wrong, fmt.Sprintf("%s: %s %s", e.Entry.Level, e.Entry.Text, e.Entry.URL))
		}
	case *network.EventRequestWillBeSent:
		x.asked = append(x.asked, e.Request.URL)
	}
}

// clean fails where the console has complained or a request has left for
// elsewhere.
func (x *tab) clean(origin string) {
	x.t.Helper()
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, w := range x.wrong {
		x.t.Errorf("console: %s", w)
	}
	for _, u := range x.asked {
		if !strings.HasPrefix(u, origin+"/") && !strings.HasPrefix(u, "data:") { // the browser's own icon of a field
			x.t.Errorf("a request to elsewhere: %s", u)
		}
	}
	x.wrong, x.asked = nil, nil
}

// do carries out steps, within browserWait.
func (x *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	x.t.Helper()
	ctx, cancel := context.WithTimeout(x.ctx, browserWait)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		x.t.Fatal(err)
	}
}

// open goes to an address.
func (x *tab) open(url string) { x.t.Helper(); x.do(chromedp.Navigate(url)) }

// value is that of a JavaScript expression, which may be a promise.
func value[T any](x *tab, expression string) T {
	x.t.Helper()
	ctx, cancel := context.WithTimeout(x.ctx, browserWait)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		x.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// until waits for an expression to become true, over any change of the page.
func (x *tab) until(what, expression string) {
	x.t.Helper()
	ctx, cancel := context.WithTimeout(x.ctx, browserWait)
	defer cancel()
	var last error
	for ctx.Err() == nil {
		ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool](expression))
		if ok {
			return
		}
		if err != nil && !errors.Is(err, context.DeadlineExceeded) {
			last = err
		}
		select {
		case <-time.After(20 * time.Millisecond): //clock:ok another program's page
		case <-ctx.Done():
		}
	}
	text, _ := chromedp.Run(x.ctx, chromedp.Evaluate[string]("document.body ? document.body.innerText : ''"))
	x.t.Fatalf("never: %s (%s): %v\n%s", what, expression, last, text)
}

// tap presses what a selector finds, as a finger does, once the page is there: one that
// still comes would take the thing away before it is pressed.
func (x *tab) tap(selector string) {
	x.t.Helper()
	x.until("the page is there", `document.readyState === 'complete'`)
	value[any](x, fmt.Sprintf(`document.querySelector(%q).scrollIntoView({block: 'center'})`, selector)) // clear of what stays in place
	x.do(chromedp.Click(chromedp.CSS(selector)))
}

// screen sets width, height and light.
func (x *tab) screen(width, height int64, light string) {
	x.t.Helper()
	x.do(chromedp.EmulateViewport(width, height))
	if _, err := chromedp.Call(x.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{
		{Name: "prefers-color-scheme", Value: light}, {Name: "prefers-reduced-motion", Value: "reduce"}}}); err != nil {
		x.t.Fatal(err)
	}
}

// signIn signs in and comes to the part Now.
func (x *tab) signIn(origin, role string) {
	x.t.Helper()
	x.open(origin + "/sign-in")
	x.do(chromedp.SetValue(chromedp.CSS("[name=role]"), role), chromedp.SendKeys(chromedp.CSS("[name=password]"), pagePassword+" "+role),
		chromedp.Submit(chromedp.CSS("[name=password]")))
	x.until("signed in", "location.pathname === '/' && !!document.querySelector('[action=\"/sign-out\"]')")
}

// axe is the source of the accessibility checker.
func axe(t testing.TB) string {
	t.Helper()
	f, err := os.Open(peers.Axe(t))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }() // only read
	b, err := io.ReadAll(f)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
