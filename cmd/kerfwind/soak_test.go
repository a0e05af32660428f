package main

import (
	"context"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/demo"
	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/metrics"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/simrig"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// loopLength is the length of the soak's recording.
const loopLength = 10 * time.Minute

// sawAndRouter are two machines on the demo's channels, at the lowest rate that
// the detector takes well.
const sawAndRouter = `rate 400 Hz
mains 60 Hz
converter 12 bits, 3.3 V
channel c0: 30 A : 1 V, noise 1 counts
channel c1: 30 A : 1 V, noise 1 counts
channel c2: 30 A : 1 V, noise 1 counts
channel c3: 30 A : 1 V, 2 turns, noise 1 counts
channel c4: 30 A : 1 V, noise 1 counts
machine "band saw" on c0: induction motor, full load 9 A, run-up 900ms
machine router on c3: universal motor, 1440 W, 120 V
`

// soakScript has a run of the saw and one of the router in ten minutes.
const soakScript = "length 10m\n" + sawAndRouter + `at 60s "band saw" runs 30s
at 75s router runs 40s
`

// tape repeats a recording without making it again.
type tape struct {
	frames []sensor.Frame // of one round
	scans  uint64         // of one round
	next   int
	round  uint64
	now    func() time.Duration
	closed chan struct{}
}

func (p *tape) Next(f *sensor.Frame) error {
	x := &p.frames[p.next]
	*f = sensor.Frame{Channels: x.Channels, Index: x.Index + p.round*p.scans, Rate: x.Rate, Raw: append(f.Raw[:0], x.Raw...)}
	f.At = trace.Instant(f.Index, f.Rate)
	if p.next++; p.next == len(p.frames) {
		p.next = 0
		p.round++
	}
	wait := time.NewTimer(trace.Instant(f.Index+uint64(f.Scans()), f.Rate) - p.now())
	defer wait.Stop()
	select {
	case <-wait.C:
		return nil
	case <-p.closed:
		return os.ErrClosed
	}
}

func (p *tape) Close() error { close(p.closed); return nil }

// makeTape renders the script in frames of 100 ms.
func makeTape(t *testing.T) *tape {
	t.Helper()
	s, err := trace.ParseScript("soak", strings.NewReader(soakScript))
	if err != nil {
		t.Fatal(err)
	}
	return tapeOf(trace.NewMaker(s, false), 10)
}

// tapeOf renders all of a script in frames, so many a second.
func tapeOf(m *trace.Maker, frames int) *tape {
	p := &tape{scans: uint64(m.Scans()), closed: make(chan struct{})}
	var f sensor.Frame
	for m.Next(&f) == nil {
		n := max(1, int(f.Rate)/frames)
		for i := 0; i < f.Scans(); i += n {
			end := min(i+n, f.Scans())
			p.frames = append(p.frames, sensor.Frame{Channels: f.Channels, Index: f.Index + uint64(i), Rate: f.Rate,
				Raw: append([]float32(nil), f.Raw[i*f.Channels:end*f.Channels]...)})
		}
	}
	return p
}

// use is what the process holds.
type use struct{ heap, goroutines, files int }

func uses(t *testing.T) use {
	t.Helper()
	debug.FreeOSMemory()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	fds, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return use{int(m.HeapAlloc >> 10), runtime.NumGoroutine(), len(fds)}
}

// TestSoak runs the daemon with history and metrics for simulated hours, or for
// as many days as KERFWIND_LONG says (1: thirty), and holds memory, goroutines
// and descriptors to what they were after the first part.
func TestSoak(t *testing.T) {
	whole, step := 30*time.Minute, 15*time.Minute
	if v := os.Getenv("KERFWIND_LONG"); v != "" {
		days, err := strconv.Atoi(v)
		if err != nil || days < 2 {
			days = 30
		}
		whole, step = time.Duration(days)*24*time.Hour, 24*time.Hour
	} else if testing.Short() {
		t.Skip("not in short mode")
	}
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shop, err := demo.Files()
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		recording := makeTape(t)
		starts := 0
		var j *journal.Journal
		d := daemon.New(daemon.Options{
			State: dir, Simulated: true, Say: func(s string) { t.Log(s) }, Notice: func(err error) { t.Error(err) },
			Rig: rig.Options{
				Sources: func(_ *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
					recording.now = now
					return []sensor.Source{recording}, nil
				},
				Outputs: func(s *config.Shop, p *control.Params) (rig.Outputs, error) {
					return simrig.NewWorld(s, nil, nil).Outputs(s, p), nil
				},
			},
			Parts: []daemon.Part{
				{Name: "counter", Start: func(*daemon.Host) (daemon.Watcher, error) {
					return daemon.Watcher{Observer: counter{&starts}}, nil
				}},
				{Name: "metrics", Start: func(s *daemon.Host) (daemon.Watcher, error) {
					m := metrics.New(s.Shop, "test")
					return daemon.Watcher{Observer: m, Frame: m.Frame, Reading: m.Reading, Late: m.Late, Second: m.Snapshot}, nil
				}},
				{Name: "history", Start: func(s *daemon.Host) (daemon.Watcher, error) {
					j = journal.Start(journal.Options{Dir: dir, Zone: time.UTC, Shop: s.Name, NameOf: s.NameOf, Budget: 6,
						Clock: func() journal.Stamp {
							return journal.Stamp{Boot: "soak", Mono: time.Since(began), Wall: time.Now(), Trusted: true}
						}})
					return daemon.Watcher{Observer: j, Close: j.Close}, nil
				}},
			},
		})
		ctx, cancel := context.WithCancel(t.Context())
		end := make(chan error, 1)
		go func() { end <- d.Run(ctx, shop, daemon.Choice{}) }()
		time.Sleep(step)
		first := uses(t)
		t.Logf("after %v: %d kB of heap, %d goroutines, %d descriptors", step, first.heap, first.goroutines, first.files)
		for now := 2 * step; now <= whole; now += step {
			time.Sleep(step)
			x := uses(t)
			if now == whole || now == 2*step {
				t.Logf("after %v: %d kB of heap, %d goroutines, %d descriptors, %d runs, %+v", now, x.heap, x.goroutines, x.files, starts, j.Counts())
			}
			// A tenth and two megabytes: the history's page cache breathes.
			if x.heap > first.heap+first.heap/10+2048 || x.goroutines > first.goroutines || x.files > first.files+1 {
				t.Errorf("after %v: %+v, after %v it was %+v", now, x, step, first)
			}
		}
		// Two machines a round. The collector starts less often: at six rounds an
		// hour it stays on over some, to keep a start in its budget.
		if want := 2 * int(whole/loopLength); starts != want {
			t.Errorf("%d runs, want %d", starts, want)
		}
		if n := j.Counts().Dropped; n != 0 {
			t.Errorf("%d events were dropped", n)
		}
		cancel()
		if err := <-end; err != nil {
			t.Error(err)
		}
	})
	if st, err := os.Stat(filepath.Join(dir, "history.db")); err != nil {
		t.Error(err)
	} else {
		t.Logf("the history has %d kB", st.Size()>>10)
	}
}

// counter counts starts of machines.
type counter struct{ n *int }

func (c counter) Observe(_ *control.Snapshot, events []control.Event) {
	for _, e := range events {
		if e.Kind == control.MachineStarted {
			*c.n++
		}
	}
}
