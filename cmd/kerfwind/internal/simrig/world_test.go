package simrig

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/loop"
	"kerfwind/sensor"
	"kerfwind/testdata"
)

// barn is the demo's shop.
func barn(t testing.TB) *config.Shop {
	t.Helper()
	read := func(name string) string {
		b, err := testdata.Demo.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	r, err := config.ParseRig("rig.toml", []byte(read("demo/rig.toml")))
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.ParseShop("barn.toml", []byte(read("demo/shops/barn.toml")), r)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// stage is a world behind a state machine, whose sensors say what clamps are round.
type stage struct {
	t    *testing.T
	w    *World
	shop *config.Shop
	p    *Plant
	lp   *loop.Loop
	core *control.Core
	now  time.Duration
	ran  map[int]bool
	was  map[control.FaultKind]bool // faults that were raised
}

func (x *stage) Observe(_ *control.Snapshot, events []control.Event) {
	for _, e := range events {
		if e.Kind == control.FaultRaised {
			x.was[e.Fault] = true
		}
	}
}

// plays puts a shop before a world.
func plays(t *testing.T, w *World, s *config.Shop) *stage {
	t.Helper()
	x := &stage{t: t, w: w, shop: s, ran: map[int]bool{}, was: map[control.FaultKind]bool{}}
	p := s.Control()
	x.p = w.Outputs(s, &p)
	var err error
	if x.core, err = control.New(p); err != nil {
		t.Fatal(err)
	}
	lp := loop.Params{Machines: len(p.Machines), Circuits: p.Circuits}
	for _, u := range s.Channels() {
		lp.Channels = append(lp.Channels, loop.Channel{Machine: u.Machine, Collector: control.NoID, Circuits: u.Circuits})
	}
	if x.lp, err = loop.New(x.core, lp, x.p, x); err != nil {
		t.Fatal(err)
	}
	for i := range lp.Channels {
		x.lp.Read(sensor.Reading{Channel: i, Verdict: sensor.Idle, Health: sensor.Healthy})
	}
	x.wait(30 * time.Second)
	return x
}

// wait lets time pass.
func (x *stage) wait(long time.Duration) {
	for end := x.now + long; x.now < end; {
		x.now += 50 * time.Millisecond
		h := x.w.hand.Load()
		for i := range x.shop.Rig.Channels {
			name := x.shop.Rig.Channels[i].Name
			on := false
			for k := range x.w.truth.Machines {
				m := &x.w.truth.Machines[k]
				on = on || h.Work[m.Name].On && !h.Dead && slices.ContainsFunc(m.Channels, func(c int) bool { return x.w.truth.Rig.Channels[c].Name == h.Clamps[name] })
			}
			if on != x.ran[i] {
				x.ran[i] = on
				v := sensor.Idle
				if on {
					v = sensor.Running
				}
				x.lp.Read(sensor.Reading{Channel: i, At: x.now, Onset: x.now, Verdict: v, Amps: 9, Health: sensor.Healthy})
			}
		}
		for _, r := range x.p.Take(nil) {
			x.lp.Post(x.now, r.Input)
		}
		x.lp.Advance(x.now)
	}
}

// do does lines of hands, one after the other; "wait" gives the shop time.
func (x *stage) do(lines string) {
	x.t.Helper()
	for _, line := range strings.Split(lines, "; ") {
		if line == "wait" {
			x.wait(6 * time.Second)
			continue
		}
		if err := x.w.Do(line); err != nil {
			x.t.Fatalf("%s: %v", line, err)
		}
	}
	x.wait(30 * time.Second)
}

// drills say how hands make each fault happen in the barn.
var drills = [control.FaultKinds]string{
	0:                          "",
	control.Uncollected:        "jam planer; planer on",
	control.CollectorStillOn:   "planer on; wait; weld the contactor; planer off; wait; wait; wait; wait; wait; wait; wait; wait; wait; wait; wait",
	control.CollectorNotOff:    "planer on; wait; cut the outputs; planer off; wait; wait; wait; wait; wait; wait; wait; wait; wait; wait; wait",
	control.StopLatched:        "open bin door",
	control.StopStored:         "", // what was stored: the daemon's tests
	control.CollectorNoCurrent: "trip the collector; planer on",
	control.CollectorOutput:    "planer on; wait; planer off; wait; wait; wait; wait; wait; wait; wait; wait; wait; wait; wait; wait; wait; wait; wait; wait; break the outputs; planer on",
	control.ShutTooOften:       "", // a gate of the barn has no switch, so that these two never see every path shut
	control.EveryPathShut:      "",
	control.AllSensingLost:     "", // the readings of these four are the detectors', which the test leaves out
	control.SensorLost:         "",
	control.OtherMains:         "",
	control.ProbablyBreaker:    "",
	control.GateNotOpen:        "jam planer; planer on",
	control.GateLost:           "planer on; wait; cut the open switch of planer",
	control.GateOutput:         "break the outputs; planer on",
	control.GateNotShut:        "planer on; wait; jam planer; planer off; wait; wait; router on",
	control.GateSwitches:       "short the open switch of planer; short the shut switch of planer",
	control.CollectorSensor:    "cut the collector's sensor",
	control.OutletOutput:       "", // an outlet's output is answered for with the others: "break the outputs" while the air cleaner is to start
	control.ResetStuck:         "hold reset; wait; wait; wait; wait; wait; wait; wait; wait; wait; wait; wait",
	control.AsideStuck:         "", // the barn has no such button
	control.IndicatorOutput:    "", // nor a lamp
}

// TestDrills: each fault that hands can cause is raised by a state machine that sees
// nothing but what the world shows it.
func TestDrills(t *testing.T) {
	s := barn(t)
	for f, lines := range drills {
		if lines == "" {
			continue
		}
		t.Run(control.FaultKind(f).String(), func(t *testing.T) {
			x := plays(t, NewWorld(s, nil, nil), s)
			x.do(lines)
			if !x.was[control.FaultKind(f)] {
				t.Errorf("%q raised %v", lines, x.was)
			}
		})
	}
}

// TestWords: every word can be done in the barn with the names that it has there, and
// what is misspelled is not.
func TestWords(t *testing.T) {
	w := NewWorld(barn(t), nil, rand.New(rand.NewPCG(1, 2)))
	for _, h := range hands {
		line := strings.NewReplacer("%m", "band saw", "%c", "c1", "%g", "floor sweep", "%s", "bin door", "%b", "reset", "%n", "60").Replace(h.text)
		p := barn(t).Control()
		w.Outputs(barn(t), &p)
		if err := w.Do("band saw on"); err != nil {
			t.Fatal(err)
		}
		if err := w.Do(line); err != nil {
			t.Errorf("%s: %v", line, err)
		}
		if err := w.Do(line + "x"); err == nil {
			t.Errorf("%sx is done", line)
		}
	}
	if got := len(w.Words()); got != len(hands) {
		t.Errorf("%d words for the barn, of %d", got, len(hands))
	}
	for _, line := range []string{"band saw cuts at 5000 %", "planer cuts", "mains 500 Hz", "", "planer", "planer on on"} {
		if err := w.Do(line); err == nil {
			t.Errorf("%q is done", line)
		}
	}
}

// FuzzDo: no line breaks the workshop.
func FuzzDo(f *testing.F) {
	for _, h := range hands {
		f.Add(h.text)
	}
	f.Add("planer cuts at 70%")
	s := barn(f)
	f.Fuzz(func(t *testing.T, line string) {
		w := NewWorld(s, nil, rand.New(rand.NewPCG(1, 2)))
		p := s.Control()
		plant := w.Outputs(s, &p)
		_ = w.Do(line)
		plant.Advance(time.Minute, nil)
		w.Look()
	})
}

// TestSwapped: where sensors, gates and plugs are swapped in the world, the shop's file
// is wrong, and a file with the same swap is right again.
func TestSwapped(t *testing.T) {
	s := barn(t)
	open := func(w *World, gate string) bool {
		for i := range s.Gates {
			if s.Gates[i].Name == gate {
				return w.plant.Open(i)
			}
		}
		return false
	}
	for line, opens := range map[string]string{
		"look":                           "planer", // nothing is swapped
		"swap sensors c1 and c2":         "drum sander",
		"swap gates planer and router":   "router",
		"swap plugs planer and band saw": "band saw",
	} {
		w := NewWorld(s, nil, nil)
		if line != "look" {
			if err := w.Do(line); err != nil {
				t.Fatal(err)
			}
		}
		x := plays(t, w, s)
		x.do("planer on")
		if !open(w, opens) {
			t.Errorf("%s: the planer's start did not open %s: %v", line, opens, w.plant)
		}
	}
}
