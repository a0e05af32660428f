package control

import (
	"slices"
	"testing"
)

// TestOutputLost: an output that has reset itself. A gate of a running machine
// is opened again; a contactor that was on is latched off and not switched on
// again until a local act; an outlet follows its machine again; at rest a gate
// is homed.
func TestOutputLost(t *testing.T) {
	p := barn(1, func(p *Params) { p.Outlets = []Outlet{{Name: "o", Follows: []ID{0}, RunOn: 5}} })
	c, err := New(p)
	if err != nil {
		t.Fatal(err)
	}
	var out Out
	step := func(in Input) {
		t.Helper()
		out.Reset()
		c.Step(c.now+1, in, &out)
		commands, events := slices.Clone(out.Commands), slices.Clone(out.Events)
		if err := answerAll(c, &out); err != nil {
			t.Fatal(err)
		}
		out.Commands, out.Events = commands, append(events, out.Events...)
	}
	lost := func(k CommandKind) Input { return Input{Kind: OutputIs, What: k, State: uint8(Lost)} }
	told := func(k CommandKind) bool {
		return slices.ContainsFunc(out.Commands, func(c Command) bool { return c.Kind == k })
	}
	said := func(k EventKind, f FaultKind) bool {
		return slices.ContainsFunc(out.Events, func(e Event) bool { return e.Kind == k && e.Fault == f })
	}
	for range 3 {
		step(Input{Kind: Tick})
	}
	step(lost(CollectorOn))
	if len(out.Events) > 0 || len(out.Commands) > 0 {
		t.Errorf("a contactor that was off: %+v", out)
	}
	step(Input{Kind: MachineIs, State: uint8(Running)})
	for range 4 {
		step(Input{Kind: Tick})
	}
	if !c.col.on || !c.outlets[0].on || c.open&1 == 0 {
		t.Fatal("the shop does not run")
	}
	step(lost(GateOpen))
	if !c.col.on || !told(GateOpen) || !said(FaultRaised, GateLost) {
		t.Errorf("a gate, while collecting: %+v", out)
	}
	for range 3 {
		step(Input{Kind: Tick})
	}
	if c.open&1 == 0 || c.has(GateLost, 0) {
		t.Error("the gate is not open again")
	}
	step(lost(OutletOff))
	if !said(OutletIsOff, 0) || !told(OutletOn) || !c.outlets[0].on {
		t.Errorf("an outlet: %+v", out)
	}
	step(lost(CollectorOff))
	if c.col.on || !said(FaultRaised, CollectorOutput) || told(CollectorOn) {
		t.Errorf("the contactor: %+v", out)
	}
	for range 20 {
		step(Input{Kind: Tick})
		if told(CollectorOn) {
			t.Fatal("on again by itself")
		}
	}
	step(Input{Kind: MachineIs, State: uint8(Idle)})
	for range 20 {
		step(Input{Kind: Tick})
	}
	step(Input{Kind: OutputIs, What: GateOpen, State: uint8(Lost)})
	homed := told(GateOpen) || told(GateShut)
	for range 3 {
		step(Input{Kind: Tick})
		homed = homed || told(GateOpen) || told(GateShut)
	}
	if !homed {
		t.Error("at rest the gate is not homed")
	}
	// What names nothing is ignored.
	for k := CollectorOn; k <= GateStop; k++ {
		step(Input{Kind: OutputIs, What: k, State: uint8(Lost), ID: 200})
	}
}
