package lesson

import (
	"context"
	"errors"
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/feed"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
	"kerfwind/testdata"
)

// farTeller streams readings as a running kerfwind would.
type farTeller struct {
	socket.Handler
	lines []socket.Answer
}

func (h *farTeller) Stream(_ context.Context, r socket.Request) (<-chan socket.Answer, error) {
	if r.Do != socket.DoReadings {
		return nil, errors.New("not of readings")
	}
	out := make(chan socket.Answer, len(h.lines))
	for _, a := range h.lines {
		out <- a
	}
	close(out)
	return out, nil
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

// A machine that another computer senses is learned from the readings of the
// kerfwind that runs here; without one, and where readings were lost, nothing is.
func TestLearnFar(t *testing.T) {
	rigText, err := testdata.Demo.ReadFile("demo/rig.toml")
	if err != nil {
		t.Fatal(err)
	}
	r, err := config.ParseRig("demo/rig.toml", rigText)
	if err != nil {
		t.Fatal(err)
	}
	r.Channels[0].Node = 1
	shopText, err := testdata.Demo.ReadFile("demo/shops/barn.toml")
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.ParseShop("demo/shops/barn.toml", shopText, r)
	if err != nil {
		t.Fatal(err)
	}
	// 5 s off, 6 s on, 2 s off, a half cycle of 50 Hz a reading.
	var lines []socket.Answer
	for n := range 1300 {
		amps, verdict := float32(0.05), "idle"
		if n >= 500 && n < 1100 {
			amps, verdict = 8.5, "running"
		}
		amps += 0.002 * float32(n%7)
		for _, c := range []struct {
			name string
			amps float32
		}{{r.Channels[0].Name, amps}, {r.Channels[1].Name, 0.01}} {
			lines = append(lines, socket.Answer{Reading: &socket.Reading{Channel: c.name, T: 7 + float64(n)/100, Verdict: verdict, Amps: c.amps, Health: "healthy"}})
		}
	}
	for _, x := range []struct {
		name  string
		lines []socket.Answer
		wrong string
	}{
		{name: "all", lines: lines},
		{name: "lost on the way", lines: append(append([]socket.Answer{}, lines[:800]...), lines[900:]...), wrong: "lost on their way"},
		{name: "dropped here", lines: append([]socket.Answer{{Missed: 3}}, lines...), wrong: "lost on their way"},
		{name: "of another rig", lines: []socket.Answer{{Reading: &socket.Reading{Channel: "nobody's"}}}, wrong: "nobody's"},
		{name: "no kerfwind", wrong: "start kerfwind here"},
	} {
		t.Run(x.name, func(t *testing.T) {
			tap := &feed.Tap{Shop: s}
			tap.Now = func() time.Duration { return 0 }
			if x.lines != nil {
				tap.Runtime = shortFolder(t)
				l, err := socket.Listen(tap.Runtime)
				if err != nil {
					t.Fatal(err)
				}
				ctx, end := context.WithCancel(t.Context())
				done := make(chan struct{})
				go func() {
					defer close(done)
					socket.Serve(ctx, l, &farTeller{lines: x.lines}, func(err error) { t.Error(err) })
				}()
				defer func() { end(); <-done }()
			}
			got := New(s, Subject{Name: "band saw", Channels: []int{0}, collector: true}, Options{Idle: 3 * time.Second, Run: 3 * time.Second})
			err = (&Terminal{Out: io.Discard}).Attend(t.Context(), tap, got)
			if x.wrong != "" {
				if err == nil || !strings.Contains(err.Error(), x.wrong) {
					t.Fatalf("%v, want %q", err, x.wrong)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			res, err := got.Result()
			if err != nil || res.Figures[0].Run.Mean < 8 || res.Figures[0].Run.Mean > 9 || res.Figures[0].Idle.Mean > 0.1 || res.Proposal.Start < 0.1 {
				t.Errorf("%+v %v", res, err)
			}
		})
	}
}
