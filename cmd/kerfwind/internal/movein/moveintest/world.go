// Package moveintest is a made-up shop, for tests of the move-in: what
// really is round which conductor, and which output really moves which gate.
// The detectors and the state machine are the real ones, with the move-in's
// bench shop; currents and gates are made.
package moveintest

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/loop"
	"kerfwind/control/sim"
	"kerfwind/sensor"
	"kerfwind/testdata"
)

// Target takes what the rig says: a session, or a guide.
type Target interface {
	Read(sensor.Reading)
	Event(e control.Event, why string)
}

// World is such a shop. Time passes by Pass only.
type World struct {
	Rig    *config.Rig
	Hz     float64
	Sensor map[string][]int // of a machine: channels of the rig
	Amps   map[string]float64
	Gate   map[string]string // of an output: the gate that it really moves
	Stuck  map[string]bool   // outputs that move nothing
	Dead   map[string]bool   // machines whose clamp is round both conductors
	To     Target
	Moved  string // the gate that really moved last
	Rng    *rand.Rand

	mu    sync.Mutex // of all below but asks
	bench string
	gates []string // outputs, by gate of the bench
	loop  *loop.Loop
	index uint64
	on    map[string]time.Duration
	now   atomic.Int64

	asked sync.Mutex
	asks  []movein.Request
}

const rate = 1000 // scans a second

// Barn is the demo's rig after a move from 240 V 60 Hz to 230 V 50 Hz, with every
// sensor and every output somewhere else than before, and the text of the old
// shop. Of its motors some are marked for both supplies.
func Barn(seed uint64) (*World, []byte, error) {
	rigText, err := testdata.Demo.ReadFile("demo/rig.toml")
	if err != nil {
		return nil, nil, err
	}
	rig, err := config.ParseRig("rig.toml", rigText)
	if err != nil {
		return nil, nil, err
	}
	shop, err := testdata.Demo.ReadFile("demo/shops/barn.toml")
	if err != nil {
		return nil, nil, err
	}
	old := strings.NewReplacer(
		`channels  = ["c0"]`, "channels  = [\"c0\"]\nrated = [\"240 V 60 Hz\", \"230 V 50 Hz\"]",
		`channels  = ["c1"]`, "channels  = [\"c1\"]\nrated = [\"240 V 60 Hz\"]",
	).Replace(string(shop))
	return &World{Rig: rig, Hz: 50, on: map[string]time.Duration{}, Rng: rand.New(rand.NewPCG(seed, 7)),
		Sensor: map[string][]int{"band saw": {3}, "planer": {0, 1}, "drum sander": {4}, "router": {2}},
		Amps:   map[string]float64{"band saw": 4.4, "planer": 7, "drum sander": 3.9, "router": 5.2},
		Gate:   map[string]string{"g0": "router", "g1": "far end", "g2": "floor sweep", "g3": "planer", "g4": "drum sander", "g5": "band saw"},
		Stuck:  map[string]bool{}, Dead: map[string]bool{},
	}, []byte(old), nil
}

// Observe passes the bench's events on.
func (w *World) Observe(_ *control.Snapshot, events []control.Event) {
	for _, e := range events {
		if e.Kind == control.GateOpening {
			if a := w.gates[e.ID]; !w.Stuck[a] {
				w.Moved = w.Gate[a]
			}
		}
		w.To.Event(e, "refused: "+e.Cause.String())
	}
}

// Now is the time of the bench.
func (w *World) Now() time.Duration { return time.Duration(w.now.Load()) }

// Begin puts a bench in force.
func (w *World) Begin(_ context.Context, bench []byte) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if string(bench) == w.bench {
		return nil
	}
	shop, err := config.ParseBench(bench, w.Rig)
	if err != nil {
		return err
	}
	p := shop.Control()
	p.PowerUp, p.Midway = 0, true
	core, err := control.New(p)
	if err != nil {
		return err
	}
	lp := loop.Params{Machines: len(p.Machines), Circuits: p.Circuits, Reading: func(r sensor.Reading) { w.To.Read(r) }}
	for _, sp := range shop.SensorAmps() {
		d, err := sensor.New(sp)
		if err != nil {
			return err
		}
		lp.Detectors = append(lp.Detectors, d)
	}
	for _, use := range shop.Channels() {
		lp.Channels = append(lp.Channels, loop.Channel{Machine: use.Machine, Collector: control.NoID, Circuits: use.Circuits})
	}
	if w.loop, err = loop.New(core, lp, sim.New(sim.Default(p)), w); err != nil {
		return err
	}
	w.gates = nil
	for i := range shop.Gates {
		w.gates = append(w.gates, w.Rig.Actuators[shop.Gates[i].Actuator].Name)
	}
	w.bench, w.index = string(bench), 0
	w.now.Store(0)
	clear(w.on)
	w.loop.Post(0, control.InBin(control.Room))
	w.loop.Post(0, control.InStandDown(control.Closed))
	for i := range p.Stops {
		w.loop.Post(0, control.InStop(control.ID(i), control.Closed))
	}
	if p.Collector.Switch {
		w.loop.Post(0, control.InSwitch(control.Auto))
	}
	return nil
}

// LetGo is a rig that is no longer open.
func (w *World) LetGo() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.bench, w.loop = "", nil
}

// Ask takes a request for a test move; it is carried out when time passes.
func (w *World) Ask(r movein.Request) error {
	if r.Kind != movein.Move && r.Kind != movein.EndMove {
		return errors.New("no test move")
	}
	w.asked.Lock()
	defer w.asked.Unlock()
	w.asks = append(w.asks, r)
	return nil
}

// post carries requests out.
func (w *World) post() {
	w.asked.Lock()
	list := w.asks
	w.asks = nil
	w.asked.Unlock()
	for _, r := range list {
		in := control.InAsk(control.AskTestEnd, control.Console, control.NoID)
		if r.Kind == movein.Move {
			in.State, in.ID, in.For = uint8(control.AskTestOpen), control.ID(slices.Index(w.gates, r.Actuator)), r.For
			w.Moved = ""
		}
		w.loop.Post(w.Now(), in)
	}
}

// rms returns what a channel shows now: its machines, and crosstalk of its
// neighbours.
func (w *World) rms(ch int) float64 {
	own := func(ch int) float64 {
		sum := 0.0
		for m, since := range w.on {
			if slices.Contains(w.Sensor[m], ch) && !w.Dead[m] {
				a := w.Amps[m]
				if w.Now()-since < 300*time.Millisecond {
					a *= 5 // inrush
				}
				sum += a
			}
		}
		return sum
	}
	return own(ch) + 0.06*own(ch-1) + 0.06*own(ch+1)
}

// Pass lets time pass. Without an open rig it does not.
func (w *World) Pass(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.loop == nil {
		return
	}
	n := len(w.Rig.Channels)
	scans := 10
	for end := w.Now() + d; w.Now() < end; {
		f := sensor.Frame{Channels: n, Index: w.index, Rate: rate, At: time.Duration(w.index) * time.Second / rate}
		rms := make([]float64, n)
		for ch := range rms {
			rms[ch] = w.rms(ch)
		}
		for i := range scans {
			s := math.Sin(2 * math.Pi * w.Hz * float64(w.index+uint64(i)) / rate)
			for ch := range n {
				f.Raw = append(f.Raw, float32(math.Sqrt2*rms[ch]*s+0.02*w.Rng.NormFloat64()))
			}
		}
		w.loop.Feed(&f)
		w.index += uint64(scans)
		w.now.Store(int64(w.index) * int64(time.Second) / rate)
		w.loop.Advance(w.Now())
		w.post()
	}
}

// Switch switches a machine on or off.
func (w *World) Switch(m string, on bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if on {
		w.on[m] = w.Now()
	} else {
		delete(w.on, m)
	}
}

// Run switches a machine on for a while.
func (w *World) Run(m string, d time.Duration) {
	w.Switch(m, true)
	w.Pass(d)
	w.Switch(m, false)
}
