package guide

import (
	"context"
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/seam/seamtest"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
	"kerfwind/sensor"
	"kerfwind/testdata"
)

// farTeller tells readings as a running kerfwind would.
func farTeller(t *testing.T, channels []string, items []seam.Item) seam.Shop {
	f := seamtest.New(t)
	f.Now(seam.Hello{}, seam.State{Channels: channels})
	f.Tells(items...)
	return listened{f}
}

// listened lets others listen as often as they like.
type listened struct{ seam.Shop }

func (listened) Listen(context.Context, time.Duration) error { return nil }

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
	var lines []seam.Item
	var names []string
	for i := range r.Channels {
		names = append(names, r.Channels[i].Name)
	}
	for n := range 1300 {
		amps, verdict := float32(0.05), sensor.Idle
		if n >= 500 && n < 1100 {
			amps, verdict = 8.5, sensor.Running
		}
		amps += 0.002 * float32(n%7)
		for ch, amps := range []float32{amps, 0.01} {
			at := 7*time.Second + time.Duration(n)*10*time.Millisecond
			lines = append(lines, seam.Item{Kind: seam.AReading, Reading: sensor.Reading{Channel: ch, At: at, Onset: at, Verdict: verdict, Amps: amps, Health: sensor.Healthy}})
		}
	}
	for _, x := range []struct {
		name  string
		lines []seam.Item
		wrong string
	}{
		{name: "all", lines: lines},
		{name: "lost on the way", lines: append(append([]seam.Item{}, lines[:800]...), lines[900:]...), wrong: "lost on their way"},
		{name: "dropped here", lines: append([]seam.Item{{Kind: seam.AReading, Missed: 3}}, lines...), wrong: "lost on their way"},
		{name: "of another rig", lines: lines, wrong: "nobody's"},
		{name: "no kerfwind", wrong: "start kerfwind here"},
	} {
		t.Run(x.name, func(t *testing.T) {
			tap := &record.Tap{Shop: s}
			tap.Now = func() time.Duration { return 0 }
			if x.lines != nil {
				tap.Runtime = shortFolder(t)
				told := names
				if x.name == "of another rig" {
					told = []string{"nobody's"}
				}
				shop := farTeller(t, told, x.lines)
				l, err := socket.Listen(tap.Runtime)
				if err != nil {
					t.Fatal(err)
				}
				ctx, end := context.WithCancel(t.Context())
				done := make(chan struct{})
				go func() {
					defer close(done)
					socket.Serve(ctx, l, func(socket.Peer) seam.Shop { return shop }, func(err error) { t.Error(err) })
				}()
				defer func() { end(); <-done }()
			}
			got := NewLesson(s, Subject{Name: "band saw", Channels: []int{0}, collector: true}, LessonOptions{Idle: 3 * time.Second, Run: 3 * time.Second})
			err = (&LessonTerminal{Out: io.Discard}).Attend(t.Context(), tap, got)
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
