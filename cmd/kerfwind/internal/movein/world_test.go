package movein_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/loop"
	"kerfwind/control/sim"
	"kerfwind/sensor"
)

// world is a shop with a rig in it: what really is round which conductor, which
// output really moves which gate. The session runs against the real detectors
// and the real state machine with the Bench shop; gates and currents are made.
type world struct {
	t      *testing.T
	rig    *config.Rig
	hz     float64
	sensor map[string][]int // of a machine, by channel of the rig
	amps   map[string]float64
	gate   map[string]string // of an output: the gate that it really moves
	stuck  map[string]bool   // outputs that move nothing
	dead   map[string]bool   // machines whose clamp is round both conductors

	s       *movein.Session
	bench   string
	loop    *loop.Loop
	index   uint64
	now     time.Duration // of the stream of this bench
	on      map[string]time.Duration
	rng     *rand.Rand
	moved   string // gate that really moved last
	kept    []movein.Request
	plant   *sim.Plant
	answers int
	restart bool // the session is rebuilt from its file before every answer
	checked func(*config.Shop) (bool, []string)
	final   []byte
}

const worldRate = 1000

// observe passes the bench's events on.
func (w *world) Observe(_ *control.Snapshot, events []control.Event) {
	for _, e := range events {
		if e.Kind == control.GateOpening && w.gate[w.output(e.ID)] != "" && !w.stuck[w.output(e.ID)] {
			w.moved = w.gate[w.output(e.ID)]
		}
		w.s.Event(e, "refused: "+e.Cause.String())
	}
}

func (w *world) output(id control.ID) string {
	d, err := config.ParseDraft("bench", []byte(w.bench))
	if err != nil {
		w.t.Fatal(err)
	}
	return *d.Gate[id].Actuator
}

// open puts the bench in force.
func (w *world) open() {
	text := string(w.s.Bench())
	if text == w.bench {
		return
	}
	shop, err := config.ParseShop("bench", []byte(text), w.rig)
	if err != nil {
		w.t.Fatalf("%v\n%s", err, text)
	}
	p := shop.Control()
	p.PowerUp, p.Midway = 0, true
	core, err := control.New(p)
	if err != nil {
		w.t.Fatal(err)
	}
	lp := loop.Params{Machines: len(p.Machines), Circuits: p.Circuits, Reading: func(r sensor.Reading) { w.s.Read(r) }}
	for _, sp := range shop.SensorAmps() {
		d, err := sensor.New(sp)
		if err != nil {
			w.t.Fatal(err)
		}
		lp.Detectors = append(lp.Detectors, d)
	}
	for _, use := range shop.Channels() {
		lp.Channels = append(lp.Channels, loop.Channel{Machine: use.Machine, Collector: control.NoID, Circuits: use.Circuits})
	}
	w.plant = sim.New(sim.Default(p))
	if w.loop, err = loop.New(core, lp, w.plant, w); err != nil {
		w.t.Fatal(err)
	}
	w.bench, w.index, w.now = text, 0, 0
	clear(w.on)
	w.loop.Post(0, control.Input{Kind: control.BinIs, State: uint8(control.Room)})
	w.loop.Post(0, control.Input{Kind: control.StandDownIs, State: uint8(control.Closed)})
	for i := range p.Stops {
		w.loop.Post(0, control.Input{Kind: control.StopIs, ID: control.ID(i), State: uint8(control.Closed)})
	}
	if p.Collector.Switch {
		w.loop.Post(0, control.Input{Kind: control.SwitchIs, State: uint8(control.Auto)})
	}
}

// rms is what a channel shows now: its machines, crosstalk of its neighbours.
func (w *world) rms(ch int) float64 {
	own := func(ch int) float64 {
		sum := 0.0
		for m, since := range w.on {
			if slices.Contains(w.sensor[m], ch) && !w.dead[m] {
				a := w.amps[m]
				if w.now-since < 300*time.Millisecond {
					a *= 5 // inrush
				}
				sum += a
			}
		}
		return sum
	}
	a := own(ch)
	for _, next := range []int{ch - 1, ch + 1} {
		a += 0.06 * own(next)
	}
	return a
}

// pass lets time pass.
func (w *world) pass(d time.Duration) {
	w.open()
	n := len(w.rig.Channels)
	scans := 10
	for end := w.now + d; w.now < end; {
		f := sensor.Frame{Channels: n, Index: w.index, Rate: worldRate, At: time.Duration(w.index) * time.Second / worldRate}
		for i := range scans {
			t := float64(w.index+uint64(i)) / worldRate
			for ch := range n {
				f.Raw = append(f.Raw, float32(math.Sqrt2*w.rms(ch)*math.Sin(2*math.Pi*w.hz*t)+0.02*w.rng.NormFloat64()))
			}
		}
		w.loop.Feed(&f)
		w.index += uint64(scans)
		w.now = time.Duration(w.index) * time.Second / worldRate
		w.loop.Advance(w.now)
		w.requests()
	}
}

// requests does what the session asks for.
func (w *world) requests() {
	for _, r := range w.s.Requests() {
		switch r.Kind {
		case movein.Move:
			d, err := config.ParseDraft("bench", []byte(w.bench))
			if err != nil {
				w.t.Fatal(err)
			}
			i := slices.IndexFunc(d.Gate, func(g config.DraftGate) bool { return *g.Actuator == r.Actuator })
			w.moved = ""
			w.loop.Post(w.now, control.Input{Kind: control.Ask, State: uint8(control.AskTestOpen), Origin: control.Console, ID: control.ID(i), For: r.For})
		case movein.EndMove:
			w.loop.Post(w.now, control.Input{Kind: control.Ask, State: uint8(control.AskTestEnd), Origin: control.Console, ID: control.NoID})
		case movein.Keep:
			w.kept = append(w.kept, r)
		case movein.Air, movein.DryRun:
			shop, err := config.ParseShop(r.Name, r.Data, w.rig)
			if err != nil {
				w.s.Report(r.Kind, false, []string{err.Error()})
				continue
			}
			good, lines := w.checked(shop)
			w.s.Report(r.Kind, good, lines)
		case movein.Activate:
			w.final = r.Data
			w.s.Report(r.Kind, true, []string{"shops/garage.1.toml"})
		}
	}
}

// run switches a machine on and off.
func (w *world) run(m string, d time.Duration) {
	w.on[m] = w.now
	w.pass(d)
	delete(w.on, m)
}

// rebuild breaks the session off and goes on with what was kept.
func (w *world) rebuild() {
	data, err := w.s.Encode()
	if err != nil {
		w.t.Fatal(err)
	}
	was := w.s.View(w.now)
	l := sensor.Learned{}
	for _, k := range w.kept {
		l.Add(k.Channels, []sensor.LearnedMachine{k.Machine})
	}
	s, err := movein.Restore(w.rig, &l, data)
	if err != nil {
		w.t.Fatalf("%v\n%s", err, data)
	}
	w.s = s
	w.requests()
	if now := s.View(w.now); now.Step != was.Step || now.Of != was.Of || now.Revision <= was.Revision {
		w.t.Fatalf("after a restart at %s (%d of %d, revision %d): %s (%d of %d, revision %d)", was.Step, was.Number, was.Of, was.Revision, now.Step, now.Number, now.Of, now.Revision)
	}
}

// answer gives an answer to the question as it is shown now.
func (w *world) answer(text string) error {
	w.answers++
	err := w.s.Answer(w.now, w.s.View(w.now).Revision, text)
	w.requests()
	return err
}

func (w *world) must(text string) {
	w.t.Helper()
	if err := w.answer(text); err != nil {
		w.t.Fatalf("%s", w.screen(text, err))
	}
}

func (w *world) screen(text string, err error) string {
	v := w.s.View(w.now)
	return fmt.Sprintf("answer %q: %v\n%s: %s\n%s\n%v keep %q", text, err, v.Step, v.Title, strings.Join(v.Text, "\n"), v.Choices, v.Keep)
}

func (w *world) step() (what, of string) {
	what, of, _ = strings.Cut(w.s.View(w.now).Step, "/")
	return what, of
}
