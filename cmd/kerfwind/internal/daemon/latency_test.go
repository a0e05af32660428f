package daemon

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/control/loop"
	"kerfwind/sensor"
)

const relayRig = `format = 1
adc = [{ name = "a", chip = "mcp3208", port = "/dev/spidev0.0", rate = "1 kHz" }]
channel = [{ name = "c0", adc = "a", input = 0, ratio = "30 A : 1 V" }]
actuator = [
  { name = "g0", kind = "relay", chip = "pins", line = 5 },
  { name = "k0", kind = "relay", chip = "pins", line = 17 },
]
`

// A run shorter than confirm moves the gate and starts nothing else.
const relayShop = `format = 1
units = "metric"
mains = { frequency = "60 Hz", voltage = "240 V" }
machine = [{ name = "planer", channels = ["c0"], gates = ["planer"], start = "2 A", stop = "1 A", stop_hold = "0 s", run_on = "100 ms" }]
gate = [{ name = "planer", actuator = "g0", travel = "100 ms" }]
collector = { actuator = "k0", coast = "100 ms", clear_out = "100 ms", confirm = "10 s", starts_per_hour = 6, min_on = "1 s", min_off = "1 s" }
limits = { power_up = "0 s", close_at_rest = true }
`

// board is fake outputs that tell when one is switched.
type board struct{ set func(l drive.Line, on bool) }

type pin struct {
	b board
	l drive.Line
}

func (p pin) Set(on bool) error { p.b.set(p.l, on); return nil }
func (p pin) Close() error      { return nil }

func (b board) Output(l drive.Line, _ bool, _ string) (drive.Output, error) { return pin{b, l}, nil }
func (b board) Input(drive.Line, time.Duration, string) (drive.Input, error) {
	return nil, errors.New("no inputs")
}
func (b board) Bus(string) (drive.Bus, error) { return nil, errors.New("no bus") }

// lockstep is a converter whose next frame comes when the loop is through with
// the one before. Its machine runs a third of every two seconds.
type lockstep struct {
	index  uint64
	now    *atomic.Int64
	handed *atomic.Int64 // real time at which the newest frame was handed over
	done   chan struct{} // the loop's
	closed chan struct{}
	once   sync.Once
	zero   time.Time
}

func (s *lockstep) Next(f *sensor.Frame) error {
	if s.index > 0 {
		select {
		case <-s.done:
		case <-s.closed:
			return io.EOF
		}
	}
	*f = sensor.Frame{Channels: 1, Index: s.index, At: time.Duration(s.index) * time.Millisecond, Rate: 1000, Raw: f.Raw[:0]}
	high := 2.0
	if s.index%2000 < 660 && s.index > 2000 {
		high = 400
	}
	for range 10 {
		f.Raw = append(f.Raw, float32(2048+math.Round(high*math.Sin(2*math.Pi*60*float64(s.index)/1000))))
		s.index++
	}
	s.now.Store(int64(time.Duration(s.index) * time.Millisecond))
	s.handed.Store(int64(time.Since(s.zero)))
	return nil
}

func (s *lockstep) Close() error { s.once.Do(func() { close(s.closed) }); return nil }

// BenchmarkCommand measures from the hand-over of the frame in which the
// detector finds a start to the level on the gate's line, through the real
// drivers on fake lines, with the history and every other observer stalled. The
// goal is 1 ms at the 99th percentile.
func BenchmarkCommand(b *testing.B) { benchmarkCommand(b, nil) }

// benchmarkCommand measures that with one more observer, where around makes
// one.
func benchmarkCommand(b *testing.B, around func(*config.Shop) loop.Observer) {
	r, err := config.ParseRig("rig.toml", []byte(relayRig))
	if err != nil {
		b.Fatal(err)
	}
	shop, err := config.ParseShop("shop.toml", []byte(relayShop), r)
	if err != nil {
		b.Fatal(err)
	}
	var now, handed atomic.Int64
	zero := time.Now()
	src := &lockstep{now: &now, handed: &handed, done: make(chan struct{}), closed: make(chan struct{}), zero: zero}
	// No further frame is handed over before the line is switched.
	var took []time.Duration
	opening := false
	switched := make(chan struct{}, 1)
	enough := make(chan struct{})
	hw := board{func(l drive.Line, on bool) {
		if l.Offset != 5 || !on || len(took) == b.N {
			return
		}
		if took = append(took, time.Since(zero)-time.Duration(handed.Load())); len(took) == b.N {
			close(enough)
		}
		switched <- struct{}{}
	}}
	release := make(chan struct{})
	stalled := observe(func() { <-release })
	live, err := rig.Open(rig.Options{
		Shop: shop, Hardware: hw, Now: func() time.Duration { return time.Duration(now.Load()) }, Notice: func(err error) { b.Error(err) },
		Sources: func(*config.Rig, func() time.Duration) ([]sensor.Source, error) { return []sensor.Source{src}, nil },
		After: func(_ time.Duration, source int) {
			if opening {
				opening = false
				select {
				case <-switched:
				case <-enough:
				case <-time.After(time.Second): //clock:ok a command that moves no line is a fault of the benchmark
					b.Error("no line was switched")
				}
			}
			if source >= 0 {
				select {
				case src.done <- struct{}{}:
				case <-src.closed:
				}
			}
		},
	})
	if err != nil {
		b.Fatal(err)
	}
	j := journal.Start(journal.Options{Dir: b.TempDir(), Shop: "barn", NameOf: shop.NameOf, Queue: 16, Clock: func() journal.Stamp {
		<-release
		return journal.Stamp{}
	}})
	var watchers observers
	var parts parts
	watchers = append(watchers, j, tell(func(events []control.Event) {
		for _, e := range events {
			opening = opening || e.Kind == control.GateOpening
		}
	}))
	if around != nil {
		watchers = append(watchers, around(shop))
	}
	var h hub // parts that take nothing
	watchers = append(watchers, &h)
	for range 3 {
		p := &part{notice: func(error) {}, stream: h.follow(meanwhile), ready: make(chan struct{}), over: make(chan struct{})}
		parts = append(parts, p)
		go p.run(nil, func() (Watcher, error) { return Watcher{Observer: stalled}, nil })
	}
	ctx, cancel := context.WithCancel(b.Context())
	end := make(chan error)
	b.ResetTimer()
	go func() { end <- live.Run(ctx, watchers) }()
	<-enough
	b.StopTimer()
	cancel()
	if err := <-end; err != nil {
		b.Error(err)
	}
	close(release)
	parts.leave()
	parts.wait()
	_ = j.Close() // it never had a clock
	slices.Sort(took)
	us := func(q float64) float64 {
		return float64(took[min(len(took)-1, int(q*float64(len(took))))].Nanoseconds()) / 1e3
	}
	b.ReportMetric(us(0.5), "µs-median")
	b.ReportMetric(us(0.99), "µs-p99")
	b.ReportMetric(us(1), "µs-worst")
}

type tell func([]control.Event)

func (f tell) Observe(_ *control.Snapshot, events []control.Event) { f(events) }

// observers is observers one after the other, as parts are.
type observers []interface {
	Observe(*control.Snapshot, []control.Event)
}

// Observe passes events on.
func (ps observers) Observe(s *control.Snapshot, events []control.Event) {
	for _, p := range ps {
		p.Observe(s, events)
	}
}
