package panel

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"kerfwind/cmd/kerfwind/internal/scene"
	"kerfwind/control"
	"kerfwind/sensor"
)

const sec = time.Second

// The demo's barn by numbers.
const (
	bandSaw = iota
	planer
	sander
	router
)

const floorSweep, farEnd = 4, 5

// barnIn is the barn at 100 s, at rest and well.
func barnIn(t testing.TB) nowIn {
	s := demoShop(t)
	snap := &control.Snapshot{At: 100 * sec, Machines: make([]control.MachineView, len(s.Machines)), Gates: make([]control.GateView, len(s.Gates)),
		Collector: control.CollectorView{Sensed: control.Idle, Switch: control.Auto, StartsLeft: 6, Why: control.Why{Cause: control.ByNoDemand, Machine: control.NoID}},
		Outlets:   make([]control.OutletView, len(s.Outlets)), Circuits: make([]control.Load, len(s.Circuits))}
	for i := range snap.Machines {
		snap.Machines[i] = control.MachineView{Sensed: control.Idle, Why: control.Why{Machine: control.ID(i)}}
	}
	for i := range snap.Gates {
		snap.Gates[i] = control.GateView{Position: control.PositionShut, Why: control.Why{Machine: control.NoID}}
	}
	for i := range snap.Circuits {
		snap.Circuits[i] = control.Fits
	}
	in := nowIn{Now: 100 * sec, Spoke: 100 * sec, Speed: 1, Snap: snap, Shop: s, Names: onPage(s, 0).Names, Plan: scene.NewLayout(s), Amps: make([]sensor.Reading, len(s.Rig.Channels))}
	for i := range in.Amps {
		in.Amps[i] = sensor.Reading{Channel: i, Verdict: sensor.Idle}
	}
	return in
}

// Commanded is not running, and what still draws current is never off.
func TestCollectorWords(t *testing.T) {
	blind, seen := control.NoFeedback, control.ByCurrent
	for _, tt := range []struct {
		name     string
		feedback control.Feedback
		c        control.CollectorView
		state    string
		word     string
	}{
		{"off and seen", seen, control.CollectorView{Sensed: control.Idle}, "off", "off"},
		{"off, no sensor", blind, control.CollectorView{}, "off", "commanded off"},
		{"off, sensor lost", seen, control.CollectorView{Sensed: control.Unknown}, "lost", "commanded off, cannot be seen"},
		{"off, sensor silent yet", seen, control.CollectorView{}, "lost", "commanded off, cannot be seen"},
		{"on, no sensor", blind, control.CollectorView{Commanded: true}, "on", "commanded on"},
		{"on and seen", seen, control.CollectorView{Commanded: true, Sensed: control.Running}, "run", "running"},
		{"on, sensor lost", seen, control.CollectorView{Commanded: true, Sensed: control.Unknown}, "lost", "commanded on, cannot be seen"},
		{"on, running up", seen, control.CollectorView{Commanded: true, Sensed: control.Idle, Since: 99 * sec}, "on", "commanded on"},
		{"on, no current in time", seen, control.CollectorView{Commanded: true, Sensed: control.Idle, Since: 90 * sec}, "warn", "commanded on, no current"},
		{"welded, not yet a fault", seen, control.CollectorView{Sensed: control.Running}, "warn", "commanded off, still runs"},
		{"welded", seen, control.CollectorView{Sensed: control.Running, Fault: control.CollectorStillOn}, "warn", "STILL RUNNING, commanded off"},
		{"welded, sensor lost since", seen, control.CollectorView{Sensed: control.Unknown, Fault: control.CollectorStillOn}, "warn", "STILL RUNNING, commanded off"},
		{"in hand and seen", seen, control.CollectorView{Sensed: control.Running, Switch: control.Hand}, "run", "running by its own switch"},
		{"in hand, no sensor", blind, control.CollectorView{Switch: control.Hand}, "lost", "its switch is at hand"},
	} {
		in := barnIn(t)
		if in.Snap.Collector = tt.c; tt.feedback == blind {
			in.Plan = nil
		}
		if v := makeNow(in).Collectors[0]; v.State != tt.state || v.Word != tt.word {
			t.Errorf("%s: %q, %q, want %q, %q", tt.name, v.State, v.Word, tt.state, tt.word)
		}
	}
}

// The reason of the collector, when it ends, and the starts that are left.
func TestCollectorWhy(t *testing.T) {
	in := barnIn(t)
	c := &in.Snap.Collector
	*c = control.CollectorView{Commanded: true, Sensed: control.Running, Since: 40 * sec, StartsLeft: 5, NextStart: 3640 * sec,
		Why: control.Why{Cause: control.ByRunOn, Machine: planer, Until: 108 * sec}}
	got := makeNow(in).Collectors[0]
	want := nowCollector{Key: "k0", Name: "collector", State: "run", Word: "running", Note: "duct clearing", Clock: clock{40 * sec, countUp},
		Ends: clock{108 * sec, countDown}, Starts: "5 of 6 starts left this hour", More: clock{3640 * sec, countDown}}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	c.Why.Cause = control.ByMinOff
	for on, want := range map[bool]string{true: "makes up for a short pause", false: "minimum time off"} {
		c.Commanded = on
		if got := makeNow(in).Collectors[0].Note; got != want {
			t.Errorf("commanded %v: %q", on, got)
		}
	}
	if c.StartsLeft = -1; makeNow(in).Collectors[0].Starts != "" {
		t.Error("without a budget there are starts left to count")
	}
}

// A machine that cannot be seen is not idle; one that is not served says so.
func TestMachineWords(t *testing.T) {
	why := func(c control.Cause, until time.Duration) control.Why {
		return control.Why{Cause: c, Machine: planer, Until: until}
	}
	for _, tt := range []struct {
		name             string
		m                control.MachineView
		state, word, amp string
		note, time       string
	}{
		{"idle", control.MachineView{Sensed: control.Idle}, "idle", "idle", "8.3 A", "", ""},
		{"not heard of", control.MachineView{}, "lost", "its sensor has not reported yet", "8.3 A", "", ""},
		{"running", control.MachineView{Sensed: control.Running, Run: true, Served: true, Since: 35 * sec, Why: why(control.ByMachine, 0)}, "run", "runs", "8.3 A", "", "1:05"},
		{"a moment", control.MachineView{Sensed: control.Running, Run: true, Since: 100 * sec, Why: why(control.ByConfirm, 101*sec)}, "run", "runs", "8.3 A", "run too short yet", "0:00"},
		{"its gate still moves", control.MachineView{Sensed: control.Running, Run: true, Since: 98 * sec, Why: why(control.ByPath, 0)}, "run", "runs", "8.3 A", "waits for a path", "0:02"},
		{"the collector is not on", control.MachineView{Sensed: control.Running, Run: true, Since: 98 * sec, Why: why(control.ByMachine, 0)}, "run", "runs", "8.3 A", "waits for the collector", "0:02"},
		{"refused", control.MachineView{Sensed: control.Running, Run: true, Since: 40 * sec, Why: why(control.ByLimit, 0)}, "warn", "runs", "8.3 A", "NOT collected: not enough air", "1:00"},
		{"stood down", control.MachineView{Sensed: control.Running, Run: true, Since: 40 * sec, Why: why(control.ByStandDown, 0)}, "warn", "runs", "8.3 A", "NOT collected: stood down", "1:00"},
		{"left after a lift", control.MachineView{Sensed: control.Running, Run: true, Since: 40 * sec, Why: why(control.ByRequest, 0)}, "warn", "runs", "8.3 A", "NOT collected: asked for", "1:00"},
		{"clearing", control.MachineView{Sensed: control.Idle, RunOn: 106500 * time.Millisecond, Why: why(control.ByRunOn, 106500*time.Millisecond)}, "clear", "stopped", "8.3 A", "the duct is being cleared", "0:07"},
		{"cleared", control.MachineView{Sensed: control.Idle, RunOn: 100 * sec, Why: why(control.ByRunOn, 100*sec)}, "idle", "idle", "8.3 A", "", ""},
		{"lost while it ran", control.MachineView{Sensed: control.Unknown, Run: true, Why: why(control.ByUnknownHold, 640*sec)}, "lost", "cannot be seen", "8.3 A", "served as if it ran", "9:00"},
		{"lost at rest", control.MachineView{Sensed: control.Unknown, Why: why(control.ByUnknown, 0)}, "lost", "cannot be seen", "8.3 A", "it may be running: hold its gate to start the collector", ""},
	} {
		in := barnIn(t)
		in.Amps[in.Shop.Machines[planer].Channels[0]].Amps = 8.26
		in.Snap.Machines[planer] = tt.m
		if tt.m.Served || tt.m.Why.Cause == control.ByUnknownHold {
			in.Snap.Machines[planer].Served = true
			in.Snap.Gates[planer].Position = control.PositionOpen
			in.Snap.Collector.Commanded, in.Snap.Collector.Sensed = true, control.Running
		}
		v := makeNow(in).Machines[planer]
		got := []string{v.State, v.Word, v.Amps, v.Note, v.Clock.Text(in.Now)}
		if d := cmp.Diff([]string{tt.state, tt.word, tt.amp, tt.note, tt.time}, got); d != "" {
			t.Errorf("%s: %s", tt.name, d)
		}
	}
	in := barnIn(t)
	in.Amps[in.Shop.Machines[planer].Channels[0]].Verdict = sensor.Unknown
	if got := in.amps(in.Shop.Machines[planer].Channels); got != "? A" {
		t.Errorf("a sensor that cannot be trusted says %s", got)
	}
	if got := in.amps(nil); got != "" {
		t.Errorf("a machine without a transformer draws %s", got)
	}
}

func TestGateWords(t *testing.T) {
	none := control.Why{Machine: control.NoID}
	for _, tt := range []struct {
		name              string
		g                 control.GateView
		state, word, note string
		time              string
	}{
		{"shut", control.GateView{Position: control.PositionShut, Why: none}, "shut", "shut", "", ""},
		{"not known", control.GateView{Why: none}, "unknown", "not known", "", ""},
		{"opening for a machine", control.GateView{Position: control.PositionOpening, Why: control.Why{Cause: control.ByMachine, Machine: planer}}, "opening", "opening", "planer runs", ""},
		{"closing", control.GateView{Position: control.PositionShutting, Why: none}, "shutting", "closing", "", ""},
		{"in run-on", control.GateView{Position: control.PositionOpen, Why: control.Why{Cause: control.ByRunOn, Machine: planer, Until: 130 * sec}}, "open", "open", "duct clearing", "0:30"},
		{"held", control.GateView{Position: control.PositionOpen, Held: 160 * sec, Why: control.Why{Cause: control.ByHold, Machine: control.NoID, Until: 160 * sec}}, "open held", "open", "held by hand", "1:00"},
		{"held, and its machine runs", control.GateView{Position: control.PositionOpen, Held: 160 * sec, Why: control.Why{Cause: control.ByMachine, Machine: planer}}, "open held", "open", "planer runs, held by hand", "1:00"},
		{"stuck", control.GateView{Position: control.PositionOpening, Fault: control.GateNotOpen, Why: control.Why{Cause: control.ByMachine, Machine: planer}}, "stuck fault", "STUCK", "the gate does not open", ""},
	} {
		in := barnIn(t)
		in.Snap.Gates[planer] = tt.g
		v := makeNow(in).Gates[planer]
		got := []string{v.State, v.Word, v.Note, v.Clock.Text(in.Now)}
		if d := cmp.Diff([]string{tt.state, tt.word, tt.note, tt.time}, got); d != "" {
			t.Errorf("%s: %s", tt.name, d)
		}
	}
}

// While a move-in is open no machine is served, and the page says so.
func TestNoMachineServed(t *testing.T) {
	in := barnIn(t)
	if v := makeNow(in); v.Note != "" {
		t.Errorf("%q", v.Note)
	}
	in.Snap.MoveIn = true
	if v := makeNow(in); !strings.Contains(v.Note, "No machine is served while a move-in is open.") || !v.Bare {
		t.Errorf("%q", v.Note)
	}
	in.Snap.MoveIn, in.Snap.Machines = false, nil
	if v := makeNow(in); !strings.Contains(v.Note, "the shop has none") || !v.Bare {
		t.Errorf("%q", v.Note)
	}
}

// A gate in a main makes no path of its own and cannot be held; the lengths
// stay within what the shop allows.
func TestHolds(t *testing.T) {
	v := makeNow(barnIn(t))
	if d := cmp.Diff([]time.Duration{3 * time.Minute, 10 * time.Minute, 30 * time.Minute}, v.Gates[floorSweep].Holds); d != "" {
		t.Error(d)
	}
	if h := v.Gates[farEnd].Holds; h != nil {
		t.Errorf("the gate in the main may be held for %v", h)
	}
	for _, tt := range []struct{ button, longest time.Duration }{{0, 30 * time.Minute}, {0, time.Minute}, {20 * time.Minute, 25 * time.Minute}, {time.Hour, 10 * time.Minute}} {
		list := holdLengths(tt.button, tt.longest)
		for i, d := range list {
			if d <= 0 || d > tt.longest || i > 0 && d <= list[i-1] {
				t.Errorf("button %v, longest %v: %v", tt.button, tt.longest, list)
			}
		}
	}
}

// A circuit carries what the loop reckons for it: the sum of its channels.
func TestCircuits(t *testing.T) {
	in := barnIn(t)
	in.Amps[0].Amps, in.Amps[2].Amps = 10.5, 6.25 // band saw and sander: saw wall, 20 A
	in.Amps[1].Verdict = sensor.Unknown           // planer: planer, 30 A
	in.Amps[3].Amps, in.Amps[4].Amps = 15, 9      // router and bench: bench, 20 A
	in.Snap.Circuits[0], in.Snap.Circuits[1], in.Snap.Circuits[2] = control.Near, control.LoadUnknown, control.Over
	want := []nowCircuit{
		{Key: "c0", Name: "saw wall", State: "near", Word: "nearly full", Amps: "16.8 A", Breaker: "20 A breaker", Part: 84},
		{Key: "c1", Name: "planer", State: "lost", Word: "not known", Amps: "? A", Breaker: "30 A breaker"},
		{Key: "c2", Name: "bench", State: "over", Word: "TOO MUCH", Amps: "24.0 A", Breaker: "20 A breaker", Part: 100},
		{Key: "c3", Name: "collector", State: "none", Word: "not measured", Breaker: "20 A breaker"},
	}
	in.Over = 1 << 2
	if d := cmp.Diff(want, in.circuits()); d != "" {
		t.Error(d)
	}
	in.Over = 0 // a motor starts
	if c := in.circuits()[2]; c.State != "near" || c.Word != "above its breaker for a moment" || len(makeNow(in).Troubles) != 0 {
		t.Errorf("while a motor starts: %+v", c)
	}
	in.Amps[2].Verdict = sensor.Unknown // one of two
	if c := in.circuits()[0]; c.Amps != "at least 10.5 A" {
		t.Errorf("the band saw alone: %s", c.Amps)
	}
}

// A machine behind a gate that sticks looks healthy nowhere; while its gates still
// have time it only waits.
func TestUncollected(t *testing.T) {
	in := barnIn(t)
	in.Snap.Machines[planer] = control.MachineView{Sensed: control.Running, Run: true, Since: 40 * sec, Why: control.Why{Cause: control.ByPath, Machine: planer}}
	if m := makeNow(in).Machines[planer]; m.State != "run" || m.Note != "waits for a path" {
		t.Errorf("in time: %+v", m)
	}
	in.Snap.Faults = []control.FaultView{{Fault: control.Uncollected, Cause: control.ByGate, ID: planer, Since: 50 * sec}, {Fault: control.GateNotOpen, ID: planer}}
	v := makeNow(in)
	if m := v.Machines[planer]; m.State != "warn" || m.Note != "NOT collected: gate not open" {
		t.Errorf("%+v", m)
	}
	if x := v.Troubles[0]; x.What != "Planer: its dust is not collected: a gate on its way is not open." || makeHead(v).State != "alarm" {
		t.Errorf("%+v, %+v", x, makeHead(v))
	}
	in.Snap.Machines[planer].Sensed = control.Unknown
	if m := makeNow(in).Machines[planer]; m.State != "warn" || m.Word != "cannot be seen" || !strings.HasPrefix(m.Note, "NOT collected") {
		t.Errorf("its sensor lost: %+v", m)
	}
	in.Snap.Gates[planer].Aside = true
	if g := makeNow(in).Gates[planer]; g.State != "aside" || !strings.Contains(g.Note, `kerfwind ask return "planer"`) {
		t.Errorf("aside: %+v", g)
	}
}

// While a move-in has the rig no machine is served: the head says so, and current
// that flows anywhere stands first.
func TestCurrentWithoutShop(t *testing.T) {
	in := barnIn(t)
	in.Snap.Machines = nil
	if h := makeHead(makeNow(in)); h.State != "alarm" || h.Word != "no machine is served" {
		t.Errorf("%+v", h)
	}
	in.Snap.Faults = []control.FaultView{{Fault: control.CollectorStillOn}}
	in.Amps[1].Verdict = sensor.Running
	v := makeNow(in)
	if x := v.Troubles[0]; !strings.HasPrefix(x.What, "Current flows at c1, and no dust is collected") || makeHead(v).Word != "2 things are wrong" {
		t.Errorf("%+v, %+v", v.Troubles, makeHead(v))
	}
}

// What stands is told with what to do; the gravest comes first, and each has a
// key of its own.
func TestTroubles(t *testing.T) {
	in := barnIn(t)
	if v := makeNow(in); len(v.Troubles) != 0 || makeHead(v).Word != "no fault" {
		t.Errorf("at rest: %v", v.Troubles)
	}
	s := in.Snap
	for f := control.FaultKind(1); f.String() != "invalid"; f++ {
		s.Faults = append(s.Faults, control.FaultView{Fault: f, ID: 0, Since: 90 * sec})
	}
	s.Kept.Stopped, s.BinFull = true, true
	in.Down = []partDown{{"history", "the disk is full"}}
	s.Machines[planer] = control.MachineView{Sensed: control.Running, Run: true, Why: control.Why{Cause: control.ByLimit, Machine: planer}}
	s.Circuits[2], in.Over = control.Over, 1<<2
	v := makeNow(in)
	keys := map[string]bool{}
	for _, x := range v.Troubles {
		if keys[x.Key] || x.Do == "" || !strings.HasSuffix(x.What, ".") {
			t.Errorf("%+v", x)
		}
		keys[x.Key] = true
	}
	if n := len(s.Faults) + 4; len(v.Troubles) != n {
		t.Errorf("%d troubles, want %d", len(v.Troubles), n)
	}
	if got, want := v.Troubles[0].What, "Band saw: its dust is not collected."; got != want {
		t.Errorf("first stands %q, want %q", got, want)
	}
	if h := makeHead(v); h.State != "alarm" {
		t.Errorf("head: %+v", h)
	}
	s.StoodDown = true
	if h := makeHead(makeNow(in)); h.State != "down" || !h.Down {
		t.Errorf("head when stood down: %+v", h)
	}
}

func TestClock(t *testing.T) {
	for _, tt := range []struct {
		c          clock
		now        time.Duration
		text, code string
	}{
		{clock{}, 5 * sec, "", ""},
		{since(5 * sec), 5 * sec, "0:00", "+5.0"},
		{since(5 * sec), 4 * sec, "0:00", "+5.0"},
		{since(0), 3725 * sec, "1:02:05", "+0.0"},
		{until(0), 5 * sec, "", ""},
		{until(65500 * time.Millisecond), 5 * sec, "1:01", "-65.5"},
		{until(65 * sec), 5 * sec, "1:00", "-65.0"},
		{until(65 * sec), 65 * sec, "", "-65.0"},
		{until(65 * sec), 64999 * time.Millisecond, "0:01", "-65.0"},
	} {
		if text, code := tt.c.Text(tt.now), tt.c.Code(); text != tt.text || code != tt.code {
			t.Errorf("%+v at %v: %q, %q, want %q, %q", tt.c, tt.now, text, code, tt.text, tt.code)
		}
	}
}
