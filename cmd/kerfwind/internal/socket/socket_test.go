package socket

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/seam/seamtest"
	"kerfwind/sensor"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestParseRequest(t *testing.T) {
	for line, want := range map[string]string{
		`{"v":2,"do":"state"}`:                                         "",
		`{"v":2,"do":"follow","want":{"events":true,"from":7}}`:        "",
		`{"v":2,"do":"follow","want":{"frames":true,"source":1}}`:      "",
		`{"v":2,"do":"ask","ask":{"id":1,"kind":1,"target":"planer"}}`: "",
		`{"v":2,"do":"ask","ask":{"id":1,"kind":6}}`:                   "",
		`{"v":2,"do":"adopt","adopt":{}}`:                              "",
		`{"v":2,"do":"bench","bench":{"lease":1}}`:                     "",
		`{"v":2,"do":"last","span":{"from":1,"to":2}}`:                 "",
		``:                                     "not a request",
		`[]`:                                   "not a request",
		`{"v":2,"do":"state"} {}`:              "more than one",
		`{"v":1,"do":"state"}`:                 "version 1",
		`{"do":"state"}`:                       "version 0",
		`{"v":2,"do":"fly"}`:                   `cannot do "fly"`,
		`{"v":2,"do":"state","colour":1}`:      "unknown field",
		`{"v":2,"do":"state","ticket":1}`:      "does not take",
		`{"v":2,"do":"hello","want":{}}`:       "does not take",
		`{"v":2,"do":"follow"}`:                "needs its argument",
		`{"v":2,"do":"cleared","duct":"T3"}`:   "",
		`{"v":2,"do":"cleared"}`:               "needs its argument",
		`{"v":2,"do":"listen"}`:                "needs its argument",
		`{"v":2,"do":"listen","lease":-1}`:     "not negative",
		`{"v":2,"do":"ask","ask":{}}`:          "nobody can ask",
		`{"v":2,"do":"ask","ask":{"kind":11}}`: "nobody can ask",
		`{"v":2,"do":"ask","ask":{"kind":1}}`:  "name a gate",
		`{"v":2,"do":"ask","ask":{"kind":7,"target":"planer"}}`:             "name a gate",
		`{"v":2,"do":"ask","ask":{"kind":1,"target":"planer","for":-1}}`:    "not negative",
		`{"v":2,"do":"ask","ask":{"kind":1,"target":"a","for":1e300}}`:      "not a request",
		`{"v":2,"do":"ask","ask":{"kind":300}}`:                             "not a request",
		`{"v":2,"do":"follow","want":{"frames":true,"source":-2}}`:          "number of a converter",
		`{"v":2,"do":"follow","want":{"source":1}}`:                         "number of a converter",
		`{"v":2,"do":"bench","bench":{"for":-1}}`:                           "not negative",
		`{"v":2,"do":"tell","word":{"machine":"planer","verdict":4}}`:       "a sensor says",
		`{"v":2,"do":"tell","word":{"machine":"p","verdict":3,"lease":-1}}`: "not negative",
		`{"v":2,"do":"last","span":{"from":2,"to":1}}`:                      "a span",
	} {
		r, err := ParseRequest([]byte(line))
		switch {
		case want == "" && (err != nil || r.Version != Version):
			t.Errorf("%s: %v", line, err)
		case want != "" && (err == nil || !strings.Contains(err.Error(), want)):
			t.Errorf("%s: %v, want %q", line, err, want)
		}
	}
}

func FuzzParseRequest(f *testing.F) {
	f.Add([]byte(`{"v":2,"do":"ask","ask":{"id":1,"kind":1,"target":"planer","for":3000}}`))
	f.Add([]byte(`{"v":2,"do":"follow","want":{"frames":true,"source":-1}}`))
	f.Add([]byte(`{"v":2,"do":"adopt","adopt":{"text":"Zm9ybWF0","name":"barn","before":3}}`))
	f.Add([]byte(`{"v":2,"do":"tell","word":{"machine":"planer","verdict":3,"lease":5}}`))
	f.Add([]byte(`{"v":2,"do":"state"}{`))
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
		if err != nil {
			t.Fatalf("%s: %v", b, err)
		}
		twice, err := json.Marshal(again)
		if err != nil || !bytes.Equal(b, twice) {
			t.Fatalf("%s: %s, then %s, %v", line, b, twice, err)
		}
		if k := r.Ask; k != nil && (k.Kind == 0 || k.For < 0) || r.Lease < 0 || r.Bench != nil && r.Bench.For < 0 {
			t.Fatalf("%s", line)
		}
	})
}

// only shows everybody the same shop.
func only(s seam.Shop) func(Peer) seam.Shop { return func(Peer) seam.Shop { return s } }

// serve runs a server on a real socket.
func serve(t *testing.T, door func(Peer) seam.Shop) (folder string, notices chan error) {
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
		Serve(ctx, l, door, func(err error) { notices <- err })
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

// faulty is a shop whose state is a fault of the program.
type faultyShop struct{ seam.Shop }

func (faultyShop) State(context.Context) (seam.State, error) { panic("a fault in state") }

// A fault ends its own conversation only. Each peer has its own door.
func TestFaultInConversation(t *testing.T) {
	f := seamtest.New(t)
	f.Now(seam.Hello{Program: "v1"}, seam.State{})
	opened := make(chan Peer, 2) // this conversation and the one that fails
	folder, notices := serve(t, func(p Peer) seam.Shop { opened <- p; return faultyShop{f} })
	c := dial(t, folder)
	for range 2 { // one conversation may have several requests
		if a, err := c.do(t.Context(), Request{Do: doHello}); err != nil || a.Hello == nil || a.Hello.Program != "v1" {
			t.Fatalf("%+v, %v", a, err)
		}
	}
	if got, want := <-opened, (Peer{UID: os.Geteuid(), PID: os.Getpid()}); len(opened) != 0 || got != want || want.Door() != seam.Console || (Peer{UID: os.Geteuid() + 1}).Door() != seam.Local {
		t.Errorf("%+v, %d more", got, len(opened))
	}
	if _, err := At(folder).State(t.Context()); err == nil {
		t.Error("no error")
	}
	if err := <-notices; !strings.Contains(err.Error(), "a fault in state") {
		t.Error(err)
	}
	if _, err := c.do(t.Context(), Request{Do: "fly"}); err == nil || !strings.Contains(err.Error(), `cannot do "fly"`) {
		t.Error(err)
	}
	if _, err := c.do(t.Context(), Request{Do: doHello}); err != nil {
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
	f := seamtest.New(t)
	folder, _ := serve(t, only(f))
	src, err := Frames(folder, 1)
	if err != nil {
		t.Fatal(err)
	}
	want := sensor.Frame{Source: 1, Channels: 2, Index: 77, At: 77 * time.Millisecond, Rate: 1000, Raw: []float32{1, -2.5, float32(math.Inf(1)), 4}}
	frame := func(f *sensor.Frame) seam.Item { return seam.Item{Kind: seam.AFrame, Frame: seam.FrameOf(f)} }
	f.Send(frame(&sensor.Frame{Source: 0}), frame(&want), frame(&sensor.Frame{Source: 1, Err: errors.New("bus: no answer")}),
		frame(&sensor.Frame{Source: 1, Channels: 2, Rate: 1000, Raw: make([]float32, 3)}))
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
	if err := src.Close(); err != nil {
		t.Error(err)
	}
	for f.Followers() > 0 {
		runtime.Gosched()
	}
}

// What is in memory arrives whole, and a stream that breaks off does not pass for the
// whole.
func TestLast(t *testing.T) {
	frame := seam.Item{Kind: seam.AFrame, Frame: seam.FrameOf(&sensor.Frame{Channels: 2, Index: 7, At: 7 * time.Millisecond, Rate: 1000, Raw: []float32{1, 2, 3, 4}})}
	ctx, cancel := context.WithCancel(t.Context())
	full := errors.New("the disk is full")
	for _, c := range []struct {
		name string
		ctx  context.Context
		take func() error
		want error
		got  int
	}{
		{"whole", t.Context(), func() error { return nil }, nil, 2},
		{"disk full", t.Context(), func() error { return full }, full, 1},
		{"enough", ctx, func() error { cancel(); return nil }, context.Canceled, 1},
	} {
		f := seamtest.New(t)
		f.Now(seam.Hello{}, seam.State{Memory: seam.Span{From: 0, To: time.Hour}})
		f.Keeps(frame, frame)
		folder, _ := serve(t, only(f))
		got := 0
		err := Last(c.ctx, folder, 2*time.Minute, func(f *sensor.Frame) error {
			if f.Index != 7 || f.Scans() != 2 || f.Raw[3] != 4 {
				t.Errorf("%+v", f)
			}
			got++
			return c.take()
		})
		if !errors.Is(err, c.want) || got != c.got {
			t.Errorf("%s: %d frames, %v", c.name, got, err)
		}
	}
	if err := Last(t.Context(), t.TempDir(), 0, func(*sensor.Frame) error { return nil }); !errors.Is(err, ErrNobody) {
		t.Error(err)
	}
}

// A stream that breaks off does not pass for a whole one, and a wait that is given up
// loses nothing.
func TestBrokenOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		s := &items{NewClient(near)}
		line := func(text string) {
			if _, err := far.Write([]byte(text)); err != nil {
				t.Error(err)
			}
		}
		go func() {
			line(`{"v":2,"item":{"kind":1,`)
			time.Sleep(time.Minute)
			line(`"seq":7}}` + "\n")
			_ = far.Close()
		}()
		short, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if _, err := s.Next(short); !errors.Is(err, context.DeadlineExceeded) {
			t.Error(err)
		}
		if x, err := s.Next(t.Context()); err != nil || x.Seq != 7 {
			t.Errorf("%+v, %v", x, err)
		}
		if _, err := s.Next(t.Context()); !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Error(err)
		}
	})
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
		f := seamtest.New(t)
		p := &pipes{make(chan net.Conn), make(chan struct{})}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			Serve(ctx, p, only(f), func(err error) { t.Error(err) })
		}()
		began := time.Now()
		quiet := p.dial()
		if _, err := quiet.Read(make([]byte, 1)); err == nil || time.Since(began) != patience {
			t.Errorf("cut off after %v, %v", time.Since(began), err)
		}

		long := p.dial()
		go func() { _, _ = long.Write(bytes.Repeat([]byte("x"), maxRequest+1)) }()
		if line, _, err := bufio.NewReader(long).ReadLine(); err != nil || !bytes.Contains(line, []byte("at most 262144 bytes")) {
			t.Errorf("%s, %v", line, err)
		}
		_ = long.Close()

		// A stream that nobody takes is given up.
		deaf := NewClient(p.dial())
		follow := Request{Do: doFollow, Want: &seam.Want{Events: true}}
		if err := deaf.start(follow); err != nil {
			t.Fatal(err)
		}
		f.Send(seam.Item{Kind: seam.AnEvent})
		time.Sleep(2 * patience)
		if _, err := deaf.next(); err == nil {
			t.Error("it was not given up")
		}

		// A stream with nothing to say shows that it lives.
		alive := NewClient(p.dial())
		if err := alive.start(follow); err != nil {
			t.Fatal(err)
		}
		began = time.Now()
		if a, err := alive.next(); err != nil || a.Item != nil || time.Since(began) != streamGap {
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
		Serve(ctx, &faulty{Listener: l}, only(seamtest.New(t)), func(err error) { notices <- err })
	}()
	if err := <-notices; !strings.Contains(err.Error(), "a fault in accept") {
		t.Error(err)
	}
	if _, err := At(folder).State(t.Context()); err != nil {
		t.Error(err)
	}
	cancel()
	<-done
}
