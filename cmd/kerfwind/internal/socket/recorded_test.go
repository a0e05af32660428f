package socket

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/seam/seamtest"
	"kerfwind/control"
	"kerfwind/sensor"
)

var rewrite = flag.Bool("rewrite", false, "record the conversation anew")

// recording is a conversation over the socket: each line of the client's begins with
// "> ", each of the daemon's with "< ".
const recording = "../../../../testdata/socket/conversation.txt"

// The values of the recorded conversation: something of everything.
var (
	recordedHello = seam.Hello{Program: "v1.2.3", PID: 4711, Unit: "barn", Boot: "B1", Simulated: true,
		Clock: seam.Clock{Now: 90 * time.Second, Speed: 3, Wall: time.Date(2026, 12, 1, 8, 0, 0, 0, time.UTC), Trusted: true}}
	recordedSnapshot = control.Snapshot{At: 89 * time.Second, Machines: []control.MachineView{{Sensed: control.Running, Run: true}},
		Gates: []control.GateView{{Position: control.PositionOpen, Wanted: true}}, Collector: control.CollectorView{Commanded: true, StartsLeft: -1},
		Circuits: []control.Load{control.Fits, control.Over}, Stops: []control.Contact{control.Closed}, Faults: []control.FaultView{{Fault: control.SensorLost, ID: 1}}}
	recordedState = seam.State{Seq: 12, Now: 90 * time.Second, Ready: true, Begun: true, Snapshot: recordedSnapshot,
		Shop:  seam.InForce{Revision: 2, Name: "the barn", File: "/etc/kerfwind/shops/barn.toml", Why: "chosen", Chosen: true, Waiting: "shed.toml waits until the shop is at rest", Next: "/shed.toml"},
		Names: seam.Names{Machines: []string{"planer"}, Gates: []string{"planer"}}, Channels: []string{"c0"}, Parts: []seam.Part{{Name: "history", Down: "no disk"}},
		Missing: []seam.Missing{{Name: "servo chip 0x40 on /dev/i2c-1", Why: "no answer", For: []string{"gate planer"}}}, Nodes: []seam.Part{{Name: "far end"}}, Memory: seam.Span{From: time.Second, To: time.Minute}, Sources: 1, Mains: seam.Mains{Hertz: 59.9, Measured: true},
		Air: seam.Air{Open: 1, Known: true, Total: 0.4, Flow: []float64{0.4}}}
	recordedItems = []seam.Item{
		{Kind: seam.AnEvent, Seq: 13, Revision: 2, Missed: 4, At: time.Second, Event: control.Event{At: time.Second, Kind: control.MachineStarted, ID: 1}},
		{Kind: seam.ASnapshot, Seq: 13, Revision: 2, At: time.Second, Snapshot: recordedSnapshot},
		{Kind: seam.AReading, Seq: 13, Revision: 2, At: time.Second, Reading: sensor.Reading{Channel: 3, At: time.Second, Verdict: sensor.Running, Amps: 4.5, Health: sensor.Healthy}},
		{Kind: seam.AFrame, Seq: 13, Revision: 2, At: time.Second, Frame: seam.Frame{Channels: 1, Index: 7, At: time.Second, Rate: 1000, Raw: seam.Samples{1, -2.5, float32(math.Inf(1))}}},
		{Kind: seam.ACommand, Seq: 13, Revision: 2, At: time.Second, Command: control.Command{Seq: 9, Kind: control.CollectorOn}},
		{Kind: seam.AnAnswer, Seq: 13, Revision: 2, At: time.Second, Answer: control.Input{Kind: control.OutputIs, State: uint8(control.Done), Seq: 9}},
		{Kind: seam.ADelay, Seq: 13, Revision: 2, At: time.Second, Delay: 3 * time.Millisecond},
	}
)

// talk goes through every method of a shop and returns what it was answered.
func talk(t *testing.T, s seam.Shop, ready func()) []any {
	t.Helper()
	ctx := t.Context()
	var all []any
	got := func(x any, err error) {
		if err != nil {
			var no *seam.Refused
			if errors.As(err, &no) {
				all = append(all, *no)
			} else {
				all = append(all, err.Error())
			}
			return
		}
		all = append(all, x)
	}
	stream := func(x seam.Stream, err error, n int) {
		if err != nil {
			t.Fatal(err)
		}
		ready()
		for range n {
			got(x.Next(ctx))
		}
		if err := x.Close(); err != nil {
			t.Error(err)
		}
	}
	do := func(f func() error) { got("done", f()) }
	h, err := s.Hello(ctx)
	got(h, err)
	st, err := s.State(ctx)
	got(st, err)
	a, err := s.Ask(ctx, seam.Request{ID: 7, Kind: control.AskHold, Target: "planer", For: time.Minute, Revision: 2})
	got(a, err)
	a, err = s.Ask(ctx, seam.Request{ID: 8, Kind: control.AskReset})
	got(a, err)
	c, err := s.Check(ctx, seam.File{Text: []byte("format = 1\n")})
	got(c, err)
	k, err := s.Adopt(ctx, seam.Adoption{File: seam.File{Text: []byte("format = 1\n")}, Name: "barn", Before: 2})
	got(k, err)
	k, err = s.Await(ctx, 5)
	got(k, err)
	k, err = s.Reload(ctx)
	got(k, err)
	b, err := s.Bench(ctx, seam.BenchWish{Text: []byte("format = 1\n"), For: time.Minute})
	got(b, err)
	do(func() error { return s.Listen(ctx, 3*time.Second) })
	do(func() error {
		return s.Tell(ctx, seam.Word{Machine: "planer", Verdict: sensor.Running, Lease: 5 * time.Second})
	})
	do(func() error { return s.Cleared(ctx, "T3") })
	x, err := s.Follow(ctx, seam.Want{From: 9, Events: true, Snapshots: true, Readings: true, Frames: true, Outcomes: true})
	stream(x, err, len(recordedItems))
	x, err = s.Last(ctx, seam.Span{From: time.Second, To: time.Minute})
	stream(x, err, 2)
	return all
}

// expect tells a fake shop what talk asks.
func expect(f *seamtest.Fake) {
	f.Now(recordedHello, recordedState)
	f.Keeps(recordedItems[3])
	f.Will("Ask", seam.Request{Kind: control.AskHold, Target: "planer", For: time.Minute, Revision: 2}, seam.Answer{Note: "for 30 min"}, nil)
	f.Will("Ask", seam.Request{Kind: control.AskReset}, nil, &seam.Refused{ID: 8, Cause: control.ByBusy, Why: "a machine runs"})
	f.Will("Check", seam.File{Text: []byte("format = 1\n")}, nil, errors.New("the new shop:1: no name"))
	f.Will("Adopt", seam.Adoption{File: seam.File{Text: []byte("format = 1\n")}, Name: "barn", Before: 2}, seam.Ticket{ID: 5, Outcome: seam.Waits, File: "/s/barn.1.toml", For: "waits"}, nil)
	f.Will("Await", uint64(5), seam.Ticket{ID: 5, Outcome: seam.TookEffect, File: "/s/barn.1.toml", Revision: 3}, nil)
	f.Will("Reload", nil, nil, seam.ErrNoShop)
	f.Will("Bench", seam.BenchWish{Text: []byte("format = 1\n"), For: time.Minute}, seam.Bench{Lease: 1, Outcome: seam.Waits, For: "waits"}, nil)
	f.Will("Listen", 3*time.Second, nil, nil)
	f.Will("Tell", seam.Word{Machine: "planer", Verdict: sensor.Running, Lease: 5 * time.Second}, nil, nil)
	f.Will("Cleared", "T3", nil, nil)
}

// tape writes down what goes over a connection.
type tape struct {
	net.Conn
	mu    *sync.Mutex
	lines *bytes.Buffer
}

func (c tape) note(mark string, b []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	fmt.Fprintf(c.lines, "%s %s", mark, b)
}

func (c tape) Write(b []byte) (int, error) { c.note("<", b); return c.Conn.Write(b) }

func (c tape) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	if n > 0 {
		c.note(">", b[:n])
	}
	return n, err
}

type taping struct {
	net.Listener
	mu    sync.Mutex
	lines bytes.Buffer
}

func (l *taping) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return tape{c, &l.mu, &l.lines}, nil
}

// What a shop says in one process, it says over the socket too, in the words that are
// recorded.
func TestConversation(t *testing.T) {
	near := seamtest.New(t)
	expect(near)
	want := talk(t, near, func() { near.Send(recordedItems...) })

	far := seamtest.New(t)
	expect(far)
	folder := t.TempDir()
	l, err := Listen(folder)
	if err != nil {
		t.Fatal(err)
	}
	taped := &taping{Listener: l}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		Serve(ctx, taped, only(far), func(err error) { t.Error(err) })
	}()
	got := talk(t, At(folder), func() { far.Send(recordedItems...) })
	cancel()
	<-done
	if d := cmp.Diff(want, got, cmpopts.EquateEmpty()); d != "" {
		t.Error(d)
	}
	text := taped.lines.Bytes()
	if *rewrite {
		if err := os.MkdirAll(filepath.Dir(recording), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(recording, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	kept, err := os.ReadFile(recording)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(strings.Split(string(kept), "\n"), strings.Split(string(text), "\n")); d != "" {
		t.Errorf("it is not the recorded conversation (-rewrite records it anew):\n%s", d)
	}
}

// The recorded conversation replays: a daemon that says what was recorded, line by
// line, is understood.
func TestReplayConversation(t *testing.T) {
	kept, err := os.ReadFile(recording)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.SplitAfter(strings.TrimSpace(string(kept))+"\n", "\n")
	folder := t.TempDir()
	l, err := Listen(folder)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for len(lines) > 1 {
			c, err := l.Accept()
			if err != nil {
				return
			}
			in := bufio.NewReader(c)
			asked, err := in.ReadString('\n')
			if err != nil || "> "+asked != lines[0] {
				t.Errorf("asked %q, recorded was %q, %v", asked, lines[0], err)
			}
			for lines = lines[1:]; strings.HasPrefix(lines[0], "< "); lines = lines[1:] {
				if _, err := io.WriteString(c, lines[0][2:]); err != nil {
					break
				}
			}
			_ = c.Close()
		}
	}()
	got := talk(t, At(folder), func() {})
	_ = l.Close()
	<-done
	near := seamtest.New(t)
	expect(near)
	if d := cmp.Diff(talk(t, near, func() { near.Send(recordedItems...) }), got, cmpopts.EquateEmpty()); d != "" {
		t.Error(d)
	}
}
