package control

import (
	"fmt"
	"slices"
)

// gateStep: travel times and the rows on gates.
func (x *checker) gateStep(a *Core, in Input, out *Out, b *Core) error {
	for i := range b.gates {
		p, q := &a.gates[i], &b.gates[i]
		par := &x.p.Gates[i]
		if q.motion == travelling && p.motion != travelling && par.Actuated && q.due-b.now != par.Travel {
			return fmt.Errorf("gate %d travels for %v", i, q.due-b.now)
		}
		if q.elapsed && !p.elapsed && par.Travel > 0 && (p.motion != travelling || p.due-b.now > 0) {
			return fmt.Errorf("1: gate %d is taken to have arrived before its travel time", i)
		}
		if q.held != never && (p.held == never || p.held < q.held) && q.held-b.now > x.p.HoldLongest {
			return fmt.Errorf("8: gate %d is held longer than allowed", i)
		}
		if p.held != never && p.held <= b.now && q.held != never {
			return fmt.Errorf("8: the hold of gate %d does not end", i)
		}
		// Losing a confirmation while on is a fault, not a stop.
		machines, held := x.demand(b)
		wanted := (machines|held)>>i&1 != 0
		if in.Kind == GateIs && int(in.ID) == i && a.col.on && p.reached && p.target == toOpen && !x.confirmed(b, i) && wanted {
			if !b.has(GateLost, i) {
				return fmt.Errorf("confirmation of gate %d lost while collecting and not said", i)
			}
			if !b.col.on || len(out.Commands) > 0 {
				return fmt.Errorf("1: confirmation of gate %d lost while collecting: stays on, no move", i)
			}
		}
		// Not confirmed open after the travel time and two retries: a fault.
		// Will not close: left, with a notice, and not commanded again by itself.
		over := in.Kind == Tick && p.motion == travelling && p.due == b.now
		if over && p.target == toShut && q.target == toShut && q.motion == still && !x.isShutOwn(b, i) && !b.has(GateNotShut, i) {
			return fmt.Errorf("gate %d will not close and nothing says so", i)
		}
		if over && p.target == toOpen && q.target == toOpen && q.motion == still && !x.confirmed(b, i) && !b.has(GateNotOpen, i) {
			return fmt.Errorf("gate %d is not confirmed open and nothing says so", i)
		}
		if over && p.target == toOpen && q.target == toOpen && q.motion == ordered && q.tries != p.tries+1 {
			return fmt.Errorf("gate %d is tried again and not counted", i)
		}
		if over && p.target == toOpen && q.target == toOpen && b.has(GateNotOpen, i) && !a.has(GateNotOpen, i) && par.Actuated && int(p.tries) != x.p.Retries {
			return fmt.Errorf("gate %d is given up after %d retries", i, p.tries)
		}
		if p.target == toShut && p.motion == still && a.has(GateNotShut, i) && b.has(GateNotShut, i) && q.motion != still && q.target == toShut {
			return fmt.Errorf("gate %d will not close and is not left", i)
		}
		if (q.shown == ShownBoth) != b.has(GateSwitches, i) {
			return fmt.Errorf("gate %d: both switches made and not said", i)
		}
	}
	return nil
}

func (x *checker) isShutOwn(c *Core, i int) bool {
	g, p := &c.gates[i], &x.p.Gates[i]
	if p.ShutSwitch {
		return g.shown == ShownShut && !g.back
	}
	return !p.OpenSwitch || g.shown == ShownBetween
}

// collectorStep: the rows on the collector.
func (x *checker) collectorStep(a *Core, in Input, out *Out, b *Core) error {
	k, q := &a.col, &b.col
	if in.Kind == Tick && k.check != never && k.check == b.now && k.allShut != b.now {
		switch {
		case k.on && k.sensed == Idle && (!b.has(CollectorNoCurrent, 0) || q.on):
			return fmt.Errorf("commanded on, no current: not latched off")
		case !k.on && k.sensed == Running && k.selector != Hand && !q.on && !b.has(CollectorStillOn, 0):
			return fmt.Errorf("commanded off, current persists: not said")
		}
	}
	if b.has(CollectorNoCurrent, 0) && !a.has(CollectorNoCurrent, 0) && (k.check == never || k.check > b.now) {
		return fmt.Errorf("no current: said too early")
	}
	if q.check != never && k.check == never && q.check-b.now != x.p.Collector.Within {
		return fmt.Errorf("the feedback is given %v", q.check-b.now)
	}
	if q.allShut != never && k.allShut == never && q.allShut-b.now != x.p.AllShut {
		return fmt.Errorf("every path shown shut is given %v", q.allShut-b.now)
	}
	if in.Kind == Tick && k.on && k.allShut != never && k.allShut == b.now && q.on && x.shownShut(a) {
		return fmt.Errorf("every path is shown shut and the collector stays on")
	}
	// A gate that opens may be shut again within the step.
	opened := in.Kind == GateIs && Shown(in.State) == ShownOpen || slices.ContainsFunc(out.Events, func(e Event) bool { return e.Kind == GateIsOpen })
	if a.has(EveryPathShut, 0) && !b.has(EveryPathShut, 0) && !x.somePath(b) && !opened {
		if machines, held := x.demand(b); !x.p.CloseAtRest || x.moving(b) || !blockedState(b) && machines|held != 0 {
			return fmt.Errorf("every path shut: over although none is open, and this is not the rest of a shop that shuts all")
		}
	}
	if offLatched(a) && !offLatched(b) && !resets(a, in) {
		return fmt.Errorf("the latch is lifted without a local act")
	}
	if !k.on && q.on && k.minOff != never && k.minOff > b.now && q.owed != k.minOff-b.now {
		return fmt.Errorf("5: what the start takes from the minimum-off time is not owed")
	}
	if k.on && !q.on && q.coast-b.now != x.p.Collector.Coast && x.p.Collector.Coast > 0 {
		return fmt.Errorf("the coast-down is not counted")
	}
	if in.Kind == BinIs && k.on && !q.on {
		return fmt.Errorf("bin level: a stop in mid-cut")
	}
	// What is commanded is what is believed.
	for _, c := range out.Commands {
		switch {
		case c.Kind == CollectorOn && !k.on, c.Kind == CollectorOff:
		case c.Kind == CollectorOn:
			return fmt.Errorf("commanded on twice")
		}
	}
	if k.on != q.on {
		last := CommandKind(0)
		for _, c := range out.Commands {
			if c.Kind == CollectorOn || c.Kind == CollectorOff {
				last = c.Kind
			}
		}
		if last != onOff(q.on) {
			return fmt.Errorf("the collector is believed on=%v and was not commanded so", q.on)
		}
	}
	return nil
}

// requests: 8. What is refused changes nothing; from a topic a hold may only
// prolong or end.
func (x *checker) requests(a *Core, in Input, out *Out, b *Core) error {
	if in.Kind != Ask {
		return nil
	}
	refused := false
	for _, e := range out.Events {
		refused = refused || e.Kind == RequestRefused
	}
	if refused && (len(out.Commands) > 0 || string(save(a, nil)) != string(save(b, nil))) {
		return fmt.Errorf("8: a refused request does something")
	}
	switch AskKind(in.State) {
	case AskHold:
		i := int(in.ID)
		switch {
		case !refused && in.Origin == Topic && a.gates[i].held == never && !x.p.TopicMayStart:
			return fmt.Errorf("8: a topic starts a hold")
		case !refused && blockedState(a):
			return fmt.Errorf("8: a hold under stand-down, stop or power-up")
		}
	case AskTestOpen, AskTestShut:
		if !refused && (x.moving(a) || a.test.gate != NoID || a.closed || blockedState(a) || x.anyRun(a)) {
			return fmt.Errorf("8: a test move while not at rest")
		}
	case AskLift, AskReset, AskReturn:
		if !refused && in.Origin != Wired && in.Origin != Console {
			return fmt.Errorf("8: lifted from afar")
		}
	case AskAside:
		if !refused && in.Origin == Topic {
			return fmt.Errorf("14: set aside by a topic")
		}
	case AskRelease, AskTestEnd, AskStandDown:
	}
	return nil
}

func (x *checker) anyRun(c *Core) bool {
	for i := range c.machines {
		if x.runs(&c.machines[i]) {
			return true
		}
	}
	return false
}
