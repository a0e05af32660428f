package scene

import (
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
	"kerfwind/control/duct"
	barnfiles "kerfwind/testdata/barn"
)

const sec = time.Second

// The demo's barn by numbers: machines and gates, ducts.
const (
	bandSaw, planer, sander, router, sweep, farEnd = 0, 1, 2, 3, 4, 5
	ductPlaner, ductSander, ductFar, ductLast      = 1, 2, 5, 7
)

// barnAtRest is the barn at 100 s, at rest and well.
func barnAtRest(t testing.TB) *In {
	s := barnfiles.Shop(t)
	x := &control.Snapshot{At: 100 * sec, Machines: make([]control.MachineView, len(s.Machines)), Gates: make([]control.GateView, len(s.Gates)),
		Circuits: make([]control.Load, len(s.Circuits)), Collector: control.CollectorView{Sensed: control.Idle, Switch: control.Auto}}
	n := &timeline.Names{Collectors: []string{"collector"}}
	for i := range x.Machines {
		x.Machines[i].Sensed = control.Idle
		n.Machines = append(n.Machines, s.Machines[i].Name)
	}
	for i := range x.Gates {
		x.Gates[i].Position = control.PositionShut
		n.Gates = append(n.Gates, s.Gates[i].Name)
	}
	for i := range s.Circuits {
		n.Circuits = append(n.Circuits, s.Circuits[i].Name)
	}
	return &In{Now: 100 * sec, Snap: x, Names: n, Layout: NewLayout(s)}
}

func (in *In) run(cause control.Cause, machines ...int) {
	for _, m := range machines {
		in.Snap.Machines[m] = control.MachineView{Sensed: control.Running, Run: true, Served: cause == control.ByMachine, Why: control.Why{Cause: cause, Machine: control.ID(m)}}
	}
}

func (in *In) open(gates ...int) {
	for _, g := range gates {
		in.Snap.Gates[g].Position = control.PositionOpen
	}
}

func (in *In) fanOn() { in.Snap.Collector.Commanded, in.Snap.Collector.Sensed = true, control.Running }

func (in *In) fail(f control.FaultKind, id control.ID, cause control.Cause) {
	in.Snap.Faults = append(in.Snap.Faults, control.FaultView{Fault: f, ID: id, Cause: cause})
	if f.Subject() == control.AGate {
		in.Snap.Gates[id].Fault = f
	}
}

// The one sentence, what to do, and the tone.
func TestSay(t *testing.T) {
	for _, tt := range []struct {
		name    string
		set     func(*In)
		say, do string // do: how it begins
		tone    Tone
	}{
		{"at rest", func(*In) {}, "Nothing runs. kerfwind is ready.", "", Fine},
		{"nothing yet", func(in *In) { in.Snap = nil }, "kerfwind is starting. Nothing is known yet.", "", Wait},
		{"one runs", func(in *In) { in.run(control.ByMachine, planer); in.open(planer); in.fanOn() }, "Planer runs; its dust is collected.", "", Fine},
		{"two run", func(in *In) { in.run(control.ByMachine, planer, router); in.open(planer, router); in.fanOn() },
			"Planer and router run; their dust is collected.", "", Fine},
		{"the fan runs up", func(in *In) {
			in.run(control.ByMachine, planer)
			in.open(planer)
			in.Snap.Collector.Commanded, in.Snap.Collector.Since = true, 99*sec
		}, "Planer starts: the collector is next.", "", Wait},
		{"its gate opens", func(in *In) { in.run(control.ByPath, planer); in.Snap.Gates[planer].Position = control.PositionOpening },
			"Planer starts: waits for a path.", "", Wait},
		{"stuck", func(in *In) {
			in.run(control.ByGate, sander)
			in.open(farEnd)
			in.fail(control.Uncollected, sander, control.ByGate)
			in.fail(control.GateNotOpen, sander, 0)
		}, "Drum sander is NOT collected: its gate is stuck.", "Stop the cut. Use the collector's disconnect, then look for packed chips", Bad},
		{"a main's gate is stuck", func(in *In) {
			in.run(control.ByGate, sander)
			in.open(sander)
			in.fail(control.Uncollected, sander, control.ByGate)
			in.fail(control.GateNotOpen, farEnd, 0)
		}, "Drum sander is NOT collected: gate far end is stuck.", "Stop the cut.", Bad},
		{"aside", func(in *In) {
			in.run(control.ByAside, planer)
			in.Snap.Gates[planer].Aside = true
			in.fail(control.Uncollected, planer, control.ByAside)
		}, "Planer is NOT collected: its gate is set aside.", "Stop the cut. When no hand is in it, take it back at the shop", Bad},
		{"stood down", func(in *In) {
			in.run(control.ByStandDown, planer)
			in.Snap.StoodDown = true
			in.fail(control.Uncollected, planer, control.ByStandDown)
		}, "Planer is NOT collected: the shop is stood down.", "Stop the cut. Lift it at the shop", Bad},
		{"stood down at rest", func(in *In) { in.Snap.StoodDown = true }, "Stood down: nothing is commanded. Machines are not stopped.", "Lift it at the shop", Warn},
		{"no current", func(in *In) {
			in.run(control.ByNoCurrent, planer)
			in.open(planer)
			in.Snap.Collector.Commanded, in.Snap.Collector.Fault = true, control.CollectorNoCurrent
			in.fail(control.Uncollected, planer, control.ByNoCurrent)
			in.fail(control.CollectorNoCurrent, 0, 0)
		}, "Planer is NOT collected: the collector: commanded on and no current.", "Stop the cut. Open its disconnect", Bad},
		{"another gate will not close", func(in *In) {
			in.run(control.ByMachine, planer)
			in.open(planer, router)
			in.fanOn()
			in.fail(control.GateNotShut, router, 0)
		}, "Planer runs; its dust is collected. Router: the gate does not close, which weakens the air elsewhere.", "Use the collector's disconnect", Warn},
		{"sensor lost while it ran", func(in *In) {
			in.run(control.ByMachine, router)
			in.Snap.Machines[router].Sensed = control.Unknown
			in.open(router)
			in.fanOn()
			in.fail(control.SensorLost, router, 0)
		}, "Router cannot be seen, and is collected as if it ran.", "Check the sensor's plug and cable.", Warn},
		{"sensor lost at rest", func(in *In) {
			in.Snap.Machines[router].Sensed = control.Unknown
			in.fail(control.SensorLost, router, 0)
		},
			"Router: its sensor is lost.", "Check its plug and cable.", Warn},
		{"welded", func(in *In) {
			in.Snap.Collector.Sensed, in.Snap.Collector.Fault = control.Running, control.CollectorStillOn
			in.fail(control.CollectorStillOn, 0, 0)
		}, "Collector: still running although it is commanded off.", "Use the disconnect.", Bad},
		{"latched", func(in *In) { in.Snap.Kept.Stopped = true }, "Nothing starts until it is reset at the shop.", "Find the cause", Bad},
		{"silent", func(in *In) { in.Around.Silent = true }, "No news from the control program: what is shown is old.", "Go and look.", Bad},
		{"current and no shop", func(in *In) { in.Snap.Machines, in.Around.Bare = nil, []string{"c1"} },
			"No dust is collected: current flows at c1, and no machine is served.", "Stop the cut.", Bad},
		{"no machine", func(in *In) { in.Snap.Machines = nil }, "No machine is served.", "If a move-in is open", Warn},
		{"a machine in a move-in", func(in *In) { in.Snap.MoveIn = true; in.run(control.ByMoveIn, planer) },
			"Planer is NOT collected: no machine is served while a move-in is open.", "Stop the cut. Finish the move-in or leave it.", Bad},
		{"a move-in", func(in *In) { in.Snap.MoveIn = true }, "No machine is served.", "If a move-in is open", Warn},
		{"a stop that cannot be read", func(in *In) { in.run(control.ByStop, planer); in.fail(control.StopUnread, 0, control.BySensor) },
			"Planer is NOT collected: a stop input cannot be read.", "Stop the cut. Check its wire", Bad},
		{"no start left", func(in *In) { in.run(control.ByBudget, planer); in.fail(control.Uncollected, planer, control.ByBudget) },
			"Planer is NOT collected: the collector has no start left.", "Stop the cut. Once one is left it starts by itself.", Bad},
		{"held", func(in *In) { in.open(sweep, farEnd); in.fanOn(); in.Snap.Gates[sweep].Held = 160 * sec },
			"No machine runs. floor sweep is held open and the collector runs.", "", Fine},
		{"clearing", func(in *In) { in.Snap.Machines[planer].RunOn = 110 * sec; in.open(planer); in.fanOn() },
			"Planer stopped: the duct is being cleared.", "", Fine},
		{"not homed", func(in *In) { in.Snap.Gates[sander].Position = control.PositionUnknown },
			"Nothing runs. The position of gate drum sander is not known yet.", "", Wait},
		{"four", func(in *In) {
			in.run(control.ByStop, bandSaw, planer, sander, router)
			in.Snap.Kept.Stopped = true
		}, "Band saw, planer and 2 more are NOT collected: a stop input acted.", "Stop the cut. Remove the cause", Bad},
		{"bin", func(in *In) { in.run(control.ByMachine, planer); in.open(planer); in.fanOn(); in.Snap.BinFull = true },
			"Planer runs; its dust is collected. The bin is full.", "Lock the collector's disconnect", Warn},
		{"circuit", func(in *In) { in.Around.Over = 1 }, "Saw wall: more than its breaker carries.", "Switch something off", Warn},
		{"a part of the program", func(in *In) { in.Around.Down = []string{"history"} }, "A part of the program does not work: history.", "Run kerfwind doctor", Warn},
	} {
		in := barnAtRest(t)
		tt.set(in)
		s := Make(*in)
		if s.Say != tt.say || !strings.HasPrefix(s.Do, tt.do) || s.Tone != tt.tone || (s.Do == "") != (tt.do == "") {
			t.Errorf("%s: %q %q %v\nwant %q %q %v", tt.name, s.Say, s.Do, s.Tone, tt.say, tt.do, tt.tone)
		}
	}
}

// Each piece of duct has one state; air moves only while the fan does.
func TestPipes(t *testing.T) {
	carry := make([]duct.Carrying, 8)
	carry[ductSander], carry[ductFar], carry[ductLast] = duct.Carries, duct.Settles, duct.Carries
	for _, tt := range []struct {
		name                     string
		set                      func(*In)
		planer, sander, far, end string
	}{
		{"at rest", func(*In) {}, "shut", "shut", "shut", "shut"},
		{"open, the fan off", func(in *In) { in.open(sander, farEnd) }, "shut", "would", "would", "would"},
		{"open, the fan on", func(in *In) { in.open(sander, farEnd); in.fanOn() }, "shut", "flows", "settles", "flows"},
		{"the main shut", func(in *In) { in.open(sander, planer); in.fanOn() }, "flows", "shut", "shut", "flows"},
		{"another set is solved", func(in *In) { in.open(sander, planer, farEnd); in.fanOn() }, "flows", "flows", "flows", "flows"},
		{"the main stuck", func(in *In) {
			in.open(sander)
			in.fail(control.GateNotOpen, farEnd, 0)
			in.fanOn()
		}, "shut", "unsure", "unsure", "unsure"},
		{"beside one that is certain", func(in *In) { in.open(planer); in.Snap.Gates[sander].Aside = true; in.open(farEnd); in.fanOn() },
			"flows", "unsure", "unsure", "flows"},
		{"chips lie there", func(in *In) { in.open(sander, farEnd); in.fanOn(); in.Lies = []int{ductSander, ductFar} }, "shut", "lies", "settles", "flows"},
		{"the fan cannot be seen", func(in *In) {
			in.open(planer)
			in.Snap.Collector.Commanded, in.Snap.Collector.Sensed = true, control.Unknown
		}, "unsure", "shut", "shut", "unsure"},
	} {
		in := barnAtRest(t)
		tt.set(in)
		in.Air = &Air{Open: 1<<sander | 1<<farEnd, Total: 0.3, Carry: carry}
		s := Make(*in)
		got := [4]string{s.Pipes[ductPlaner].Class(), s.Pipes[ductSander].Class(), s.Pipes[ductFar].Class(), s.Pipes[ductLast].Class()}
		if want := [4]string{tt.planer, tt.sander, tt.far, tt.end}; got != want {
			t.Errorf("%s: %v, want %v", tt.name, got, want)
		}
		if moves := s.Flow == Moves && in.Snap.Open() == in.Air.Open; (s.Total > 0) != moves {
			t.Errorf("%s: %v m3/s", tt.name, s.Total)
		}
	}
}
