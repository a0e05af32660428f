package socket

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"kerfwind/control"
	"kerfwind/sensor"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestParseRequest(t *testing.T) {
	for line, want := range map[string]string{
		`{"v":1,"do":"status"}`:                                        "",
		`{"v":1,"do":"events"}`:                                        "",
		`{"v":1,"do":"frames","source":1}`:                             "",
		`{"v":1,"do":"ask","ask":"hold","gate":"planer","for":3}`:      "",
		`{"v":1,"do":"ask","ask":"test-shut","gate":"planer"}`:         "",
		`{"v":1,"do":"ask","ask":"stand-down"}`:                        "",
		``:                                                             "not a request",
		`[]`:                                                           "not a request",
		`{"v":1,"do":"status"} {}`:                                     "more than one",
		`{"v":2,"do":"status"}`:                                        "version 2",
		`{"do":"status"}`:                                              "version 0",
		`{"v":1,"do":"fly"}`:                                           `cannot do "fly"`,
		`{"v":1,"do":"status","colour":1}`:                             "unknown field",
		`{"v":1,"do":"status","gate":"planer"}`:                        "takes neither",
		`{"v":1,"do":"events","source":1}`:                             "takes no",
		`{"v":1,"do":"frames","source":-1}`:                            "number of a converter",
		`{"v":1,"do":"ask","ask":"invalid"}`:                           "nobody can ask",
		`{"v":1,"do":"ask"}`:                                           "nobody can ask",
		`{"v":1,"do":"use","shop":"shops/barn.2.toml"}`:                "",
		`{"v":1,"do":"use"}`:                                           "",
		`{"v":1,"do":"status","shop":"a"}`:                             "takes no",
		`{"v":1,"do":"ask","ask":"hold"}`:                              "a gate is wanted",
		`{"v":1,"do":"ask","ask":"lift","gate":"planer"}`:              "a gate is wanted",
		`{"v":1,"do":"ask","ask":"hold","gate":"planer","for":-1}`:     "seconds from 0",
		`{"v":1,"do":"ask","ask":"hold","gate":"planer","for":1e300}`:  "seconds from 0",
		`{"v":1,"do":"ask","ask":"hold","gate":"planer","for":"long"}`: "not a request",
	} {
		r, err := ParseRequest([]byte(line))
		switch {
		case want == "" && (err != nil || r.Version != 1):
			t.Errorf("%s: %v", line, err)
		case want != "" && (err == nil || !strings.Contains(err.Error(), want)):
			t.Errorf("%s: %v, want %q", line, err, want)
		}
	}
}

func TestRequestInput(t *testing.T) {
	gate := func(name string) (control.ID, bool) { return 3, name == "planer" }
	r := Request{Version: 1, Do: DoAsk, Ask: "hold", Gate: "planer", For: 2.5}
	in, err := r.Input(gate)
	if want := (control.Input{Kind: control.Ask, State: uint8(control.AskHold), ID: 3, For: 2500 * time.Millisecond}); err != nil || in != want {
		t.Errorf("%+v, %v", in, err)
	}
	if r.Gate = "lathe"; true {
		if _, err := r.Input(gate); err == nil || !strings.Contains(err.Error(), `no gate "lathe"`) {
			t.Error(err)
		}
	}
}

func FuzzParseRequest(f *testing.F) {
	f.Add([]byte(`{"v":1,"do":"ask","ask":"hold","gate":"planer","for":3}`))
	f.Add([]byte(`{"v":1,"do":"frames","source":1}`))
	f.Add([]byte(`{"v":1,"do":"status"}{`))
	f.Fuzz(func(t *testing.T, line []byte) {
		r, err := ParseRequest(line)
		if err != nil {
			return
		}
		// What was taken is taken again, as the same.
		b, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		again, err := ParseRequest(b)
		if err != nil || again != r {
			t.Fatalf("%s: %+v, then %+v, %v", line, r, again, err)
		}
		in, err := r.Input(func(string) (control.ID, bool) { return 1, true })
		if err != nil || in.For < 0 || r.Do == DoAsk && (in.State == 0 || in.ID == 1 != (r.Gate != "")) {
			t.Fatalf("%s: %+v, %v", line, in, err)
		}
	})
}

// house answers like a daemon.
type house struct {
	asked  []Request
	peers  []Peer
	stream chan Answer
	fault  bool

	reloads int
}

func (h *house) Reload() { h.reloads++ }

func (h *house) Status() *Status {
	if h.fault {
		panic("a fault in status")
	}
	return &Status{Shop: "barn", Ready: true}
}

func (h *house) Ask(_ context.Context, r Request, p Peer) Answer {
	h.asked, h.peers = append(h.asked, r), append(h.peers, p)
	return Answer{Refused: "a machine runs"}
}

func (h *house) Use(file string) (bool, error) {
	if file == "bad.toml" {
		return false, errors.New("bad.toml:3: no such thing")
	}
	return file == "shed.toml", nil
}

func (h *house) Stream(ctx context.Context, r Request) (<-chan Answer, error) {
	if r.Do == DoReadings {
		return nil, errors.New("no shop")
	}
	return h.stream, nil
}

// serve runs a server on a real socket.
func serve(t *testing.T, h Handler) (folder string, notices chan error) {
	t.Helper()
	folder, err := os.MkdirTemp("", "kw") // a socket's path is short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(folder); err != nil {
			t.Error(err)
		}
	})
	// One that was left by a daemon that was killed is no hindrance.
	if err := os.WriteFile(filepath.Join(folder, Name), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := Listen(folder)
	if err != nil {
		t.Fatal(err)
	}
	if st, err := os.Stat(filepath.Join(folder, Name)); err != nil || st.Mode().Perm() != 0o660 {
		t.Errorf("%v, %v", st.Mode(), err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	notices = make(chan error, 10)
	go func() {
		defer close(done)
		Serve(ctx, l, h, func(err error) { notices <- err })
	}()
	t.Cleanup(func() { cancel(); <-done })
	return folder, notices
}

func dial(t *testing.T, folder string) *Client {
	t.Helper()
	c, err := Dial(folder)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return c
}

func TestConversation(t *testing.T) {
	h := &house{stream: make(chan Answer, 10)}
	folder, notices := serve(t, h)
	c := dial(t, folder)
	for range 2 { // one conversation may have several requests
		a, err := c.Do(t.Context(), Request{Do: DoStatus})
		if err != nil || a.Status == nil || a.Status.Shop != "barn" {
			t.Fatalf("%+v, %v", a, err)
		}
	}
	a, err := c.Do(t.Context(), Request{Do: DoAsk, Ask: "stand-down"})
	if err != nil || a.Refused != "a machine runs" {
		t.Fatalf("%+v, %v", a, err)
	}
	if want := (Peer{UID: os.Geteuid(), PID: os.Getpid()}); len(h.peers) != 1 || h.peers[0] != want || !want.Owner() {
		t.Errorf("%+v", h.peers)
	}
	for _, file := range []string{"shed.toml", ""} {
		if a, err := c.Do(t.Context(), Request{Do: DoUse, Shop: file}); err != nil || a.Waits != (file != "") {
			t.Errorf("%q: %+v, %v", file, a, err)
		}
	}
	if _, err := c.Do(t.Context(), Request{Do: DoUse, Shop: "bad.toml"}); err == nil || err.Error() != "bad.toml:3: no such thing" {
		t.Error(err)
	}
	if a := use(h, Request{Do: DoUse, Shop: "shed.toml"}, Peer{UID: os.Geteuid() + 1}); a.Error == "" || a.Waits {
		t.Errorf("%+v: anybody may choose the shop", a)
	}
	if a, err := c.Do(t.Context(), Request{Do: DoReload}); err != nil || a.Error != "" || h.reloads != 1 {
		t.Errorf("%+v, %v, %d", a, err, h.reloads)
	}
	if a := reload(h, Peer{UID: os.Geteuid() + 1}); a.Error == "" || h.reloads != 1 {
		t.Errorf("%+v: anybody may have the files read again", a)
	}
	if _, err := c.Do(t.Context(), Request{Do: "fly"}); err == nil || !strings.Contains(err.Error(), `cannot do "fly"`) {
		t.Error(err)
	}
	if err := dial(t, folder).Start(Request{Do: DoReadings}); err == nil || err.Error() != "no shop" {
		t.Error(err)
	}
	// A fault ends its own conversation only.
	h.fault = true
	if _, err := dial(t, folder).Do(t.Context(), Request{Do: DoStatus}); err == nil {
		t.Error("no error")
	}
	if err := <-notices; !strings.Contains(err.Error(), "a fault in status") {
		t.Error(err)
	}
	if _, err := c.Do(t.Context(), Request{Do: DoAsk, Ask: "reset"}); err != nil {
		t.Error(err)
	}
}

func TestNobody(t *testing.T) {
	dir := t.TempDir()
	if _, err := Dial(dir); !errors.Is(err, ErrNobody) {
		t.Error(err)
	}
	// A socket without a daemon behind it.
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: filepath.Join(dir, Name), Net: "unix"})
	if err != nil {
		t.Fatal(err)
	}
	l.SetUnlinkOnClose(false)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := Dial(dir); !errors.Is(err, ErrNobody) {
		t.Error(err)
	}
}

func TestPeerOwner(t *testing.T) {
	for uid, want := range map[int]bool{0: true, os.Geteuid(): true, -1: false, 4711: false} {
		if got := (Peer{UID: uid}).Owner(); got != want {
			t.Errorf("%d: %v", uid, got)
		}
	}
}

// Frames arrive as they were sent, missing samples too.
func TestFrames(t *testing.T) {
	h := &house{stream: make(chan Answer, 10)}
	folder, _ := serve(t, h)
	src, err := Frames(folder, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = src.Close() }()
	want := sensor.Frame{Source: 1, Channels: 2, Index: 77, At: 77 * time.Millisecond, Rate: 1000, Raw: []float32{1, -2.5, float32(math.Inf(1)), 4}}
	h.stream <- Answer{}
	h.stream <- Answer{Frame: NewFrame(&want)}
	h.stream <- Answer{Frame: NewFrame(&sensor.Frame{Source: 1, Err: errors.New("bus: no answer")})}
	h.stream <- Answer{Frame: &Frame{Channels: 2, Rate: 1000, Raw: make([]byte, 12)}}
	var got sensor.Frame
	if err := src.Next(&got); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if now := src.Now(); now < 79*time.Millisecond {
		t.Error(now)
	}
	if err := src.Next(&got); err != nil || got.Err == nil || got.Err.Error() != "bus: no answer" || len(got.Raw) != 0 {
		t.Errorf("%+v, %v", got, err)
	}
	if err := src.Next(&got); err == nil || !strings.Contains(err.Error(), "makes no sense") {
		t.Error(err)
	}
}

// pipes is a listener whose clients are pipes, for the bubble.
type pipes struct {
	ends chan net.Conn
	done chan struct{}
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.ends:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}
func (p *pipes) Close() error   { close(p.done); return nil }
func (p *pipes) Addr() net.Addr { return &net.UnixAddr{} }

func (p *pipes) dial() net.Conn {
	a, b := net.Pipe()
	p.ends <- b
	return a
}

// A client that says nothing, says too much, or takes nothing is cut off, and
// there is a bound to their number.
func TestStuckClients(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := &house{stream: make(chan Answer, 10)}
		p := &pipes{make(chan net.Conn), make(chan struct{})}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			Serve(ctx, p, h, func(err error) { t.Error(err) })
		}()
		began := time.Now()
		quiet := p.dial()
		if _, err := quiet.Read(make([]byte, 1)); err == nil || time.Since(began) != patience {
			t.Errorf("cut off after %v, %v", time.Since(began), err)
		}

		long := p.dial()
		go func() { _, _ = long.Write(bytes.Repeat([]byte("x"), maxRequest)) }()
		if line, _, err := bufio.NewReader(long).ReadLine(); err != nil || !bytes.Contains(line, []byte("at most 4096 bytes")) {
			t.Errorf("%s, %v", line, err)
		}
		_ = long.Close()

		// A stream that nobody takes is given up.
		deaf := NewClient(p.dial())
		if err := deaf.Start(Request{Do: DoEvents}); err != nil {
			t.Fatal(err)
		}
		h.stream <- Answer{Text: "one"}
		time.Sleep(2 * patience)
		if _, err := deaf.Next(); err == nil {
			t.Error("it was not given up")
		}

		// A stream with nothing to say shows that it lives.
		alive := NewClient(p.dial())
		if err := alive.Start(Request{Do: DoEvents}); err != nil {
			t.Fatal(err)
		}
		began = time.Now()
		if a, err := alive.Next(); err != nil || a.Text != "" || time.Since(began) != streamGap {
			t.Errorf("%+v, %v after %v", a, err, time.Since(began))
		}
		_ = alive.Close()
		synctest.Wait()

		var all []net.Conn
		for range clients {
			all = append(all, p.dial())
		}
		synctest.Wait()
		if line, _, err := bufio.NewReader(p.dial()).ReadLine(); err != nil || !bytes.Contains(line, []byte("try again")) {
			t.Errorf("%s, %v", line, err)
		}
		cancel()
		<-done
		for _, c := range all {
			if _, err := c.Read(make([]byte, 1)); err == nil {
				t.Error("a conversation goes on after the end")
			}
		}
	})
}

// faulty is a listener whose first wait is a fault of the program.
type faulty struct {
	net.Listener
	once sync.Once
}

func (f *faulty) Accept() (net.Conn, error) {
	f.once.Do(func() { panic("a fault in accept") })
	return f.Listener.Accept()
}

// A fault while it waits for clients does not end the program, nor the socket.
func TestAcceptFault(t *testing.T) {
	folder := t.TempDir()
	l, err := Listen(folder)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	notices, done := make(chan error, 1), make(chan struct{})
	go func() {
		defer close(done)
		Serve(ctx, &faulty{Listener: l}, &house{}, func(err error) { notices <- err })
	}()
	if err := <-notices; !strings.Contains(err.Error(), "a fault in accept") {
		t.Error(err)
	}
	if a, err := dial(t, folder).Do(t.Context(), Request{Do: DoStatus}); err != nil || a.Status == nil {
		t.Errorf("%+v, %v", a, err)
	}
	cancel()
	<-done
}
