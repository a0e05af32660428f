package main

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/socket"
)

// output is what a program says, while it runs.
type output struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) { o.mu.Lock(); defer o.mu.Unlock(); return o.b.Write(p) }
func (o *output) String() string              { o.mu.Lock(); defer o.mu.Unlock(); return o.b.String() }

// everyReading reads a channel's readings until 200 of them have come a half
// cycle apart.
func everyReading(folder, channel string) error {
	ctx := context.Background()
	shop := socket.At(folder)
	st, err := shop.State(ctx)
	if err != nil {
		return err
	}
	items, err := shop.Follow(ctx, seam.Want{Readings: true})
	if err != nil {
		return err
	}
	defer func() { _ = items.Close() }() // only read
	last, row := time.Duration(0), 0
	for n := 0; row < 200; n++ {
		if n%50 == 0 {
			if err := shop.Listen(ctx, 3*time.Second); err != nil {
				return err
			}
		}
		x, err := items.Next(ctx)
		if err != nil {
			return err
		}
		if n == 5000 {
			return fmt.Errorf("of %d readings not 200 of %s in a row came a half cycle apart", n, channel)
		}
		if ch := x.Reading.Channel; x.Kind != seam.AReading || ch >= len(st.Channels) || st.Channels[ch] != channel {
			continue
		}
		if row++; x.Reading.At-last > 50*time.Millisecond || x.Reading.At < last {
			row = 0
		}
		last = x.Reading.At
	}
	return nil
}

// TestRunWithNode runs the whole program twice, as a node and as the computer
// that decides, which senses nothing itself and has the broker within: machines
// at the node are served, both end with all off.
func TestRunWithNode(t *testing.T) {
	if testing.Short() {
		t.Skip("not in short mode")
	}
	t.Parallel() // it mostly waits
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	_ = l.Close() // the broker takes it
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	folder := func() string { return shortFolder(t) }
	mqtt := fmt.Sprintf("mqtt = { broker = \"tcp://%s\" }\n", addr)
	contactor := `  { name = "k0", kind = "relay", chip = "pins", line = 17 },` + "\n"
	annex := file("annex.toml", strings.Replace(strings.Replace(fileRig, contactor, "", 1), "format = 1\n", "format = 1\nname = \"annex\"\nrole = \"node\"\n"+mqtt, 1))
	barn := file("rig.toml", "format = 1\nactuator = [\n"+contactor+"]\n"+mqtt+fmt.Sprintf("broker = { listen = %q }\nnode = [{ rig = \"annex.toml\" }]\n", addr))
	shop := fileShop
	for _, name := range []string{"c0", "c1", "g0", "g1", "k1"} {
		shop = strings.ReplaceAll(shop, fmt.Sprintf("%q", name), fmt.Sprintf("%q", "annex/"+name))
	}
	barnShop := file("shop.toml", shop)
	lines := map[string]string{"node": file("lines-node", strings.Repeat(" ", lineCount)), "barn": file("lines-barn", strings.Repeat(" ", lineCount))}
	program := func(which string, args ...string) (*exec.Cmd, *output) {
		cmd, said := exec.Command("kerfwind-on-file", args...), &output{}
		cmd.Env = append(os.Environ(), linesFile+"="+lines[which])
		cmd.Stdout, cmd.Stderr = said, said
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = cmd.Process.Kill() }) // it has ended where all is well
		return cmd, said
	}
	runtime := folder()
	nodeRuntime := folder()
	node, nodeSaid := program("node", "run", "--rig", annex, "--runtime", nodeRuntime)
	dec, decSaid := program("barn", "run", "--rig", barn, "--shop", barnShop, "--runtime", runtime, "--state", folder())
	until := func(what string, ok func() bool) {
		t.Helper()
		for tick, end := time.NewTicker(10*time.Millisecond), time.Now().Add(30*time.Second); !ok(); <-tick.C { //clock:ok two other programs
			if time.Now().After(end) {
				t.Fatalf("waited in vain: %s\nthe node:\n%s\nthe other:\n%s", what, nodeSaid, decSaid)
			}
		}
	}
	if err := awaitStatus(runtime, func(s *socket.Status) bool { return s.Ready && s.PID == dec.Process.Pid }); err != nil {
		t.Errorf("not ready: %v", err)
	}
	level := func(which string, line int) byte {
		b, err := os.ReadFile(lines[which])
		if err != nil {
			t.Fatal(err)
		}
		return b[line]
	}
	until("the collector runs for a machine at the node", func() bool {
		return level("barn", 17) == '1' && level("node", 18) == '1' && (level("node", 5) == '1' || level("node", 6) == '1')
	})
	if s := decSaid.String(); !strings.Contains(s, "saw") && !strings.Contains(s, "planer") {
		t.Errorf("the events do not tell: %s", decSaid)
	}
	if s := decSaid.String(); strings.Contains(s, "control goes on without it") {
		t.Errorf("its own broker begins later than its connection to the nodes: %s", s)
	}
	// The node tells of itself, decides nothing, and reads its file again.
	about := func(args ...string) string {
		out, err := exec.Command("kerfwind", append(args, "--runtime", nodeRuntime)...).CombinedOutput()
		return fmt.Sprintf("%s%v", out, err)
	}
	until("the node's status", func() bool {
		s := about("status")
		return strings.Contains(s, "node annex: at work") && strings.Contains(s, "c1 ") && strings.Contains(s, "g0 ") && strings.Contains(s, "s ago")
	})
	if s := about("ask", "stand-down"); !strings.Contains(s, "ask on the computer that decides") {
		t.Errorf("a node takes a request: %s", s)
	}
	// Who listens to readings has every one of the node's.
	if err := everyReading(runtime, "annex/c0"); err != nil {
		t.Error(err)
	}
	annexText, err := os.ReadFile(annex)
	if err != nil {
		t.Fatal(err)
	}
	hup := func(rigText, says string) {
		t.Helper()
		file("annex.toml", rigText)
		if err := node.Process.Signal(syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
		until(says, func() bool { return strings.Contains(nodeSaid.String(), says) })
	}
	hup("format = 2\n", "the earlier rig file stays in use")
	hup(strings.Replace(string(annexText), `port = "/dev/spidev0.0"`, `port = "/dev/spidev0.1"`, 1), "the rig file has taken effect; node annex")
	until("the node is back with its new file", func() bool {
		return strings.Contains(decSaid.String(), "node annex is back after a restart") && strings.Contains(decSaid.String(), "its rig file differs from the copy here")
	})
	if s := decSaid.String(); strings.Contains(s, "latch") {
		t.Errorf("the reload of a node has latched the shop: %s", s)
	}
	until("the collector runs again", func() bool { return level("barn", 17) == '1' })
	if err := dec.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := dec.Wait(); err != nil {
		t.Errorf("%v\n%s", err, decSaid)
	}
	until("the node's outputs are off", func() bool { return level("node", 5) == '0' && level("node", 6) == '0' && level("node", 18) == '0' })
	if level("barn", 17) != '0' {
		t.Error("the contactor is on at the end")
	}
	if err := node.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := node.Wait(); err != nil {
		t.Errorf("%v\n%s", err, nodeSaid)
	}
	if s := nodeSaid.String(); !strings.Contains(s, "kerfwind runs as node annex") || !strings.Contains(s, "at work for the computer that decides") || !strings.Contains(s, "collector off, nothing moves") {
		t.Errorf("the node says:\n%s", s)
	}
	// A node takes no shop.
	out, err := exec.Command("kerfwind-on-file", "run", "--rig", annex, "--shop", barnShop, "--runtime", folder()).CombinedOutput()
	if err == nil || !strings.Contains(string(out), "the shop file belongs to the computer that decides") {
		t.Errorf("a node with a shop: %v\n%s", err, out)
	}
	var text bytes.Buffer
	if err := check(&text, annex, filepath.Join(dir, "none.toml"), "", false); err != nil || !strings.Contains(text.String(), "A node: it senses and drives for the computer that decides, below kerfwind/node/annex") {
		t.Errorf("check of a node, as the unit does: %v\n%s", err, &text)
	}
	if err := check(&text, annex, barnShop, "", false); err == nil || !strings.Contains(err.Error(), "this computer is a node") {
		t.Errorf("check of a node with a shop: %v", err)
	}
}

// shortFolder is a temporary folder: a socket's path is short.
func shortFolder(t *testing.T) string {
	t.Helper()
	path, err := os.MkdirTemp("", "kw")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(path); err != nil {
			t.Error(err)
		}
	})
	return path
}
