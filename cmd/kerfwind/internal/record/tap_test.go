package record_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/replay"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/seam/seamtest"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
	barnfiles "kerfwind/testdata/barn"
)

// TestOpenTrace: a recording is looked at as it is; one that is missing or does
// not fit is refused.
func TestOpenTrace(t *testing.T) {
	path := filepath.Join(t.TempDir(), "in.csv")
	if err := os.WriteFile(path, []byte("t,c0,c1\n0,1,2\n0.001,1,2\n0.002,1,2\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	tap, err := record.OpenTrace([]string{path}, false, replay.Options{Amperes: true})
	if err != nil {
		t.Fatal(err)
	}
	defer tap.Close()
	scans := 0
	end, err := tap.RunOf(t.Context(), []int{0}, record.Sink{Frame: func(f *sensor.Frame) { scans += f.Scans() }, Reading: func(r sensor.Reading) { t.Errorf("a reading of 3 ms: %+v", r) }})
	if err != nil || scans != 3 || end != 3*time.Millisecond || tap.Unit != trace.Amperes || tap.Rate != 1000 || len(tap.Channels) != 2 {
		t.Errorf("%d scans to %v of %+v: %v", scans, end, tap, err)
	}
	stopped, stop := context.WithCancel(t.Context())
	stop()
	if _, err := tap.Run(stopped, record.Sink{}); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	bad := filepath.Join(t.TempDir(), "bad.csv")
	if err := os.WriteFile(bad, []byte("t,c0\n0,1\n0.001,1\n0.002,many\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	broken, err := record.OpenTrace([]string{bad}, false, replay.Options{Amperes: true})
	if err != nil {
		t.Fatal(err)
	}
	defer broken.Close()
	if _, err := broken.Run(t.Context(), record.Sink{}); err == nil || !strings.Contains(err.Error(), "bad.csv") {
		t.Error(err)
	}
	if _, err := record.OpenTrace([]string{path + ".gone"}, false, replay.Options{Amperes: true}); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
	if _, err := record.OpenTrace([]string{path}, false, replay.Options{Rig: barn(t).Rig}); err == nil {
		t.Error("a recording that lacks channels of the rig was taken")
	}
}

// barn is the demo's shop.
var barn = barnfiles.Shop

// folder is a runtime folder in which h answers; nil: nobody does.
func folder(t *testing.T, h seam.Shop) string {
	t.Helper()
	path, err := os.MkdirTemp("", "kw") // a socket's path is short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(path); err != nil {
			t.Error(err)
		}
	})
	if h == nil {
		return path
	}
	l, err := socket.Listen(path)
	if err != nil {
		t.Fatal(err)
	}
	ctx, end := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		socket.Serve(ctx, l, func(socket.Peer) seam.Shop { return h }, func(err error) { t.Error(err) })
	}()
	t.Cleanup(func() { end(); <-done })
	return path
}

// TestOpenRig: the samples come from the converters, or from the kerfwind that
// has them.
func TestOpenRig(t *testing.T) {
	s := barn(t)
	at := folder(t, nil)
	s.Rig.ADCs[0].Port = filepath.Join(at, "no such device")
	if _, err := record.OpenRig(s, at, nil); err == nil || errors.As(err, new(*rig.Held)) {
		t.Errorf("without the converter: %v", err)
	}
	lock, err := rig.TakeLock(at)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := lock.Free(); err != nil {
			t.Error(err)
		}
	}()
	if _, err := record.OpenRig(s, at, nil); !errors.As(err, new(*rig.Held)) {
		t.Errorf("another program has the rig: %v", err)
	}
}

// frameOf is a frame of so many channels from a scan on.
func frameOf(index uint64, channels int) seam.Item {
	return seam.Item{Kind: seam.AFrame, Frame: seam.FrameOf(&sensor.Frame{Channels: channels, Index: index, At: trace.Instant(index, 1000), Rate: 1000, Raw: make([]float32, channels)})}
}

// teller tells these items, as a running kerfwind would.
func teller(t *testing.T, items ...seam.Item) seam.Shop {
	f := seamtest.New(t)
	f.Tells(items...)
	return f
}

// TestThroughDaemon: frames of the running kerfwind arrive; what does not fit, or
// ends, is said.
func TestThroughDaemon(t *testing.T) {
	wide := len(barn(t).Rig.Of(0))
	for _, x := range []struct {
		name  string
		lines []seam.Item
		want  string
	}{
		{"ends", []seam.Item{frameOf(0, wide), {Kind: seam.AFrame, Frame: seam.Frame{Channels: wide, Error: "no answer"}}, frameOf(1, wide)}, "has ended"},
		{"another rig", []seam.Item{frameOf(0, wide+1)}, "the rig file has"},
		{"began again", []seam.Item{frameOf(9, wide), frameOf(0, wide)}, "start again"},
	} {
		t.Run(x.name, func(t *testing.T) {
			at := folder(t, teller(t, x.lines...))
			lock, err := rig.TakeLock(at)
			if err != nil {
				t.Fatal(err)
			}
			defer func() {
				if err := lock.Free(); err != nil {
					t.Error(err)
				}
			}()
			var said error
			tap, err := record.OpenRig(barn(t), at, func(err error) { said = errors.Join(said, err) })
			if err != nil {
				t.Fatal(err)
			}
			defer tap.Close()
			if tap.Runtime != at || tap.Rate == 0 {
				t.Errorf("%+v", tap)
			}
			_, err = tap.Run(t.Context(), record.Sink{})
			if err = errors.Join(err, said); err == nil || !strings.Contains(err.Error(), x.want) {
				t.Errorf("%v, want %q", err, x.want)
			}
		})
	}
}

// TestFarWatch: a second of readings passes before they count, and a gap is told.
func TestFarWatch(t *testing.T) {
	r := barn(t).Rig
	if w := record.NewFarWatch(r, []int{0}); w != nil {
		t.Fatal("this computer reads the channel")
	}
	if use, err := (*record.FarWatch)(nil).Take(sensor.Reading{}); !use || err != nil {
		t.Error("a reading of this computer is not used")
	}
	r.Channels[0].Node = 1
	w := record.NewFarWatch(r, []int{0, 1})
	for _, x := range []struct {
		channel int
		at      time.Duration
		use     bool
		lost    bool
	}{
		{0, 5 * time.Second, false, false}, {0, 5900 * time.Millisecond, false, false}, {0, 6 * time.Second, true, false}, {1, 6 * time.Second, true, false},
		{0, 6200 * time.Millisecond, true, false}, {1, 8 * time.Second, true, false}, {0, 6401 * time.Millisecond, false, true},
	} {
		if use, err := w.Take(sensor.Reading{Channel: x.channel, At: x.at}); use != x.use || (err != nil) != x.lost {
			t.Errorf("channel %d at %v: %v, %v", x.channel, x.at, use, err)
		}
	}
	if got := record.Names(r, []int{0, 1}); got != "c0 and c1" {
		t.Error(got)
	}
}

// listened lets others listen as often as they like.
type listened struct{ seam.Shop }

func (listened) Listen(context.Context, time.Duration) error { return nil }

// TestRunOfFar: readings of another computer come through the kerfwind that runs
// here.
func TestRunOfFar(t *testing.T) {
	reading := seam.Item{Kind: seam.AReading, Reading: sensor.Reading{At: 1500 * time.Millisecond, Verdict: sensor.Running, Amps: 3, Health: sensor.Healthy}}
	runs := func(first string, items ...seam.Item) seam.Shop {
		f := seamtest.New(t)
		f.Now(seam.Hello{}, seam.State{Channels: []string{first}})
		f.Tells(items...)
		return listened{f}
	}
	enough := errors.New("enough of it")
	for _, x := range []struct {
		name  string
		lines []seam.Item
		each  error
		want  string
	}{
		{"ends", []seam.Item{reading, {}}, nil, "EOF"},
		{"enough", []seam.Item{reading}, enough, "enough of it"},
		{"stopped", []seam.Item{reading}, record.ErrStop, ""},
		{"missed", []seam.Item{{Missed: 1}}, nil, "lost on their way"},
		{"another rig", []seam.Item{reading}, nil, "that the rig file does not have"},
	} {
		t.Run(x.name, func(t *testing.T) {
			s := barn(t)
			s.Rig.Channels[0].Node = 1
			first := "c0"
			if x.name == "another rig" {
				first = "c77"
			}
			tap := &record.Tap{Shop: s, Runtime: folder(t, runs(first, x.lines...))}
			tap.Now = func() time.Duration { return 0 }
			end, err := tap.RunOf(t.Context(), []int{0}, record.Sink{
				Reading: func(r sensor.Reading) {
					if r.Channel != 0 || r.Verdict != sensor.Running || r.Health != sensor.Healthy || r.Amps != 3 {
						t.Errorf("%+v", r)
					}
				},
				Each: func(time.Duration) error { return x.each },
			})
			if x.want == "" && (err != nil || end != 1500*time.Millisecond) || x.want != "" && (err == nil || !strings.Contains(err.Error(), x.want)) {
				t.Errorf("%v, %v, want %q", end, err, x.want)
			}
		})
	}
	s := barn(t)
	s.Rig.Channels[0].Node = 1
	tap := &record.Tap{Shop: s}
	tap.Now = func() time.Duration { return 0 }
	if _, err := tap.RunOf(t.Context(), []int{0}, record.Sink{}); err == nil || !strings.Contains(err.Error(), "start kerfwind here") {
		t.Error(err)
	}
	ctx, end := context.WithCancel(t.Context())
	tap.Runtime = folder(t, runs("c0", reading, reading))
	if _, err := tap.RunOf(ctx, []int{0}, record.Sink{Each: func(time.Duration) error { end(); return nil }}); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	tap.Runtime = folder(t, nil)
	if _, err := tap.RunOf(t.Context(), []int{0}, record.Sink{}); !errors.Is(err, socket.ErrNobody) {
		t.Error(err)
	}
}
