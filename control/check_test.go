package control

import (
	"fmt"
	"math/bits"
	"slices"
	"time"
)

// checker holds every transition and state against the sentences of "What must
// always hold" and of the fault table. It works from Params and from what was
// reported and commanded, in its own words: it asks none of the functions that
// decide. The number or name before each check says which sentence it holds.
type checker struct {
	p *Params
}

func (x *checker) path(m int) (mask uint64) {
	for _, h := range x.p.Machines[m].Hoods {
		mask |= set(h.Gates)
	}
	return mask
}

func (x *checker) holdPath(g int) uint64 { return 1<<g | set(x.p.Gates[g].Downstream) }

// ends are the gates that no other gate or hood lies upstream of.
func (x *checker) ends() uint64 {
	var mains uint64
	for i := range x.p.Gates {
		mains |= set(x.p.Gates[i].Downstream)
	}
	for i := range x.p.Machines {
		for _, h := range x.p.Machines[i].Hoods {
			for k, g := range h.Gates {
				if k > 0 {
					mains |= 1 << g
				}
			}
		}
	}
	return (1<<len(x.p.Gates) - 1) &^ mains
}

func (x *checker) everyPath(f func(mask uint64)) {
	for i := range x.p.Machines {
		for _, h := range x.p.Machines[i].Hoods {
			f(set(h.Gates))
		}
	}
	for e := x.ends(); e != 0; e &= e - 1 {
		f(x.holdPath(bits.TrailingZeros64(e)))
	}
}

// confirmed: by its switch where the gate has one, by travel time only where it
// has none; and not on its way to shut, nor set aside.
func (x *checker) confirmed(c *Core, i int) bool {
	g, p := &c.gates[i], &x.p.Gates[i]
	switch {
	case c.aside>>i&1 != 0, g.target == toShut && g.motion != still:
		return false
	case p.OpenSwitch:
		return g.shown == ShownOpen
	case p.ShutSwitch && g.shown != ShownBetween:
		return false
	}
	return g.target == toOpen && g.elapsed
}

func (x *checker) allConfirmed(c *Core, mask uint64) bool {
	for ; mask != 0; mask &= mask - 1 {
		if !x.confirmed(c, bits.TrailingZeros64(mask)) {
			return false
		}
	}
	return true
}

// somePath reports whether a whole path is confirmed open.
func (x *checker) somePath(c *Core) (ok bool) {
	x.everyPath(func(mask uint64) { ok = ok || x.allConfirmed(c, mask) })
	return ok
}

// moving reports whether air moves, as far as anybody can know.
func (x *checker) moving(c *Core) bool {
	return c.col.on || c.col.coast != never || c.col.sensed == Running || c.col.selector == Hand
}

// runs reports whether a machine runs or ran when its sensor was lost, within the hold.
func (x *checker) runs(m *machine) bool {
	return m.run == starting || m.run == running || m.run == lost
}

// demand is the set of gates on the path of a running machine or a held gate
// that the owner lets have air.
func (x *checker) demand(c *Core) (machines, held uint64) {
	for i := range c.machines {
		if m := &c.machines[i]; x.runs(m) && m.left == 0 && !(x.p.RefuseRunning && m.refused) {
			machines |= x.path(i)
		}
	}
	for i := range c.gates {
		if c.gates[i].held != never {
			held |= x.holdPath(i)
		}
	}
	return machines, held
}

// resets: a local act: the console asks, or the wired button is let go after a
// short press that began with every stop input closed.
func resets(a *Core, in Input) bool {
	return in.Kind == Ask && AskKind(in.State) == AskReset && (in.Origin == Wired || in.Origin == Console) ||
		in.Kind == ResetIs && Press(in.State) == Released && a.reset.armed && a.reset.stuck > a.now
}

// stopLatched: a stop input has acted and nobody has reset it.
func stopLatched(c *Core) bool { return c.faults[StopLatched] != 0 || c.faults[StopStored] != 0 }

// stopped: a stop input has acted or cannot be read.
func stopped(c *Core) bool { return stopLatched(c) || slices.Contains(c.stops, Broken) }

// offLatched: what keeps the collector off until a reset.
func offLatched(c *Core) bool {
	return c.faults[CollectorNoCurrent]|c.faults[CollectorOutput]|c.faults[ShutTooOften] != 0
}

func blockedState(c *Core) bool {
	return c.down || stopped(c) || c.boot != never || slices.Contains(c.stops, 0)
}

func (x *checker) startsLeft(c *Core) int {
	n := x.p.Collector.Starts
	for _, s := range c.col.starts[:x.p.Collector.Starts] {
		if s != never && s > c.now {
			n--
		}
	}
	return n
}

// runOns is the set of gates in run-on.
func (x *checker) runOns(c *Core) (mask uint64) {
	for i := range c.machines {
		if c.machines[i].run == runOn {
			mask |= x.path(i)
		}
	}
	for i := range c.gates {
		if c.gates[i].runOn != never {
			mask |= x.holdPath(i)
		}
	}
	return mask
}

// room reports whether the air suffices for all that is wanted and for path.
func (x *checker) room(c *Core, path uint64) bool {
	machines, held := x.demand(c)
	return x.p.MaxOpen == 0 || bits.OnesCount64((machines|held|x.runOns(c)|path)&x.ends()) <= x.p.MaxOpen
}

// state checks what must hold in every state.
func (x *checker) state(c *Core) error {
	machines, held := x.demand(c)
	// Nothing more is decided when the same facts are looked at again, and no
	// deadline is left behind.
	var again Out
	before := save(c, nil)
	c.decide(&again)
	if len(again.Commands)+len(again.Events) > 0 || string(before) != string(save(c, nil)) {
		return fmt.Errorf("deciding again is not the same: %+v", again)
	}
	if at, ok := c.Next(); ok && at <= c.now {
		return fmt.Errorf("a deadline at %v is left behind at %v", at, c.now)
	}
	c.Step(c.now, Input{Kind: Tick}, &again)
	if len(again.Commands) > 0 {
		return fmt.Errorf("a second tick at the same instant commands something: %+v", again)
	}
	if !blockedState(c) {
		// 2. The path of every demand is commanded open.
		for g := machines & c.actuated &^ x.untouched(c); g != 0; g &= g - 1 {
			if i := bits.TrailingZeros64(g); c.gates[i].target != toOpen {
				return fmt.Errorf("2: gate %d of a running machine is not commanded open", i)
			}
		}
		for g := held & c.actuated &^ x.untouched(c); x.room(c, 0) && g != 0; g &= g - 1 {
			if i := bits.TrailingZeros64(g); c.gates[i].target != toOpen {
				return fmt.Errorf("2: gate %d of a hold is not commanded open although there is air", i)
			}
		}
		// 5. A start that a running machine needs is never delayed by minimum-off
		// time or budget; 7. no fault stops others from being served.
		if err := x.startsAtOnce(c); err != nil {
			return err
		}
		if x.p.MaxOpen > 0 && bits.OnesCount64(machines&x.ends()) > x.p.MaxOpen && !c.weak {
			return fmt.Errorf("2: weak air is not said")
		}
	}
	if blockedState(c) && c.col.on {
		return fmt.Errorf("6: the collector is on while nothing may start")
	}
	for i := range c.gates {
		if (c.down || stopped(c)) && c.gates[i].motion != still && c.p.Gates[i].Actuated {
			return fmt.Errorf("6: gate %d moves while nothing may move", i)
		}
		if int(c.gates[i].tries) > x.p.Retries {
			return fmt.Errorf("gate not confirmed open: more than %d retries", x.p.Retries)
		}
	}
	// Off at once, latched: an open stop input is always latched.
	for i, s := range c.stops {
		if s == Open && !c.has(StopLatched, i) {
			return fmt.Errorf("stop input %d is open and not latched", i)
		}
		if (s == Broken) != c.has(StopUnread, i) {
			return fmt.Errorf("stop input %d: cannot be read, or can, and that is not said", i)
		}
	}
	if (c.wire == Open || c.wire == Broken) && !c.down {
		return fmt.Errorf("6: the stand-down switch is open and nothing is stood down")
	}
	k := &c.col
	if offLatched(c) && k.on {
		return fmt.Errorf("latched and on")
	}
	// Commanded off, current persists: never shown as off.
	if x.p.Collector.Feedback != NoFeedback && !k.on && k.sensed == Running && k.selector != Hand && k.check == never && !c.has(CollectorStillOn, 0) {
		return fmt.Errorf("commanded off, current persists, and nothing will say so")
	}
	if x.p.Collector.Feedback != NoFeedback && k.on && k.sensed == Idle && k.check == never {
		return fmt.Errorf("commanded on, no current, and nothing will say so")
	}
	if c.has(CollectorStillOn, 0) && (k.sensed == Idle || k.on) {
		return fmt.Errorf("still on, but its current is gone or wanted")
	}
	if k.allShut != never && !x.shownShut(c) || k.allShut == never && k.on && x.shownShut(c) {
		return fmt.Errorf("every path shown shut is not counted: %v", k.allShut)
	}
	// "Still running", or the switch in hand: one path is kept open, where any
	// can be opened and somebody may move a gate.
	if !blockedState(c) && !k.on && (k.selector == Hand || c.has(CollectorStillOn, 0)) && !x.somePath(c) && x.canOpen(c) && !x.opening(c) {
		return fmt.Errorf("the collector runs uncommanded and no path is open or opening")
	}
	for i := range c.machines {
		m := &c.machines[i]
		if err := x.uncollected(c, i); err != nil {
			return err
		}
		if m.sensed == Running && !x.runs(m) || m.sensed == Idle && x.runs(m) || m.sensed == Unknown && (m.run == starting || m.run == running) {
			return fmt.Errorf("machine %d: sensed %s, run %d", i, m.sensed, m.run)
		}
		if (m.sensed == Unknown) != c.has(SensorLost, i) {
			return fmt.Errorf("machine %d: sensed %s and sensor-lost is %v", i, m.sensed, c.has(SensorLost, i))
		}
	}
	return nil
}

// untouched: gates that nobody may move: hands are in them, or were.
func (x *checker) untouched(c *Core) uint64 {
	mask := c.aside
	for i := range c.gates {
		if c.gates[i].hands {
			mask |= 1 << i
		}
	}
	return mask
}

// uncollected: 10. A machine that runs has whole confirmed paths and a collector
// that is commanded on and not known to be still, or its start is still under way
// within the time that it may take, or uncollected stands.
func (x *checker) uncollected(c *Core, i int) error {
	m, stands := &c.machines[i], c.has(Uncollected, i)
	collected := c.col.on && x.allConfirmed(c, x.path(i)) && !(c.col.seen && c.col.sensed == Idle)
	switch {
	case !x.runs(m) && stands:
		return fmt.Errorf("10: machine %d does not run and uncollected stands", i)
	case !x.runs(m) || collected && !stands:
	case collected && !x.reversing(c, x.path(i)):
		return fmt.Errorf("10: machine %d is collected and uncollected stands", i)
	case stands || collected:
	case m.serve == never || m.serve <= c.now || m.serve-c.now > x.startTakes(i):
		return fmt.Errorf("10: machine %d runs uncollected, its start is over, and nothing says so", i)
	case m.left != 0 || c.down || stopped(c) || offLatched(c) || m.refused:
		return fmt.Errorf("10: machine %d is left or refused, and uncollected does not stand", i)
	}
	return nil
}

// reversing: a gate on the path has been called back and may not yet have turned.
func (x *checker) reversing(c *Core, mask uint64) bool {
	for ; mask != 0; mask &= mask - 1 {
		if c.gates[bits.TrailingZeros64(mask)].back {
			return true
		}
	}
	return false
}

// startTakes is how long a start may take: all tries of all gates together.
func (x *checker) startTakes(m int) time.Duration {
	most := max(x.p.Collector.Confirm, x.p.Machines[m].Inrush)
	for mask := x.path(m); mask != 0; mask &= mask - 1 {
		g := &x.p.Gates[bits.TrailingZeros64(mask)]
		one := g.Travel + x.p.Answer
		if g.Answer != 0 {
			one = g.Travel + g.Answer
		}
		most = max(most, time.Duration(1+x.p.Retries)*one)
	}
	return most
}

// startsAtOnce: with a machine that has run for confirm, a whole path to one of
// its hoods and none of the reasons that the design names, the collector is on.
func (x *checker) startsAtOnce(c *Core) error {
	k := &c.col
	if k.faulted && x.p.Collector.Starts > 0 && x.startsLeft(c) == 0 { // a fault never widens the budget
		return nil
	}
	if k.on || offLatched(c) || k.selector == Off || k.bin == Full && x.p.BinBlocks {
		return nil
	}
	for i := range c.machines {
		if c.machines[i].settle != never {
			return nil
		}
	}
	for i := range c.machines {
		m := &c.machines[i]
		if m.run != running || m.refused || m.left != 0 {
			continue
		}
		for _, h := range x.p.Machines[i].Hoods {
			mask := set(h.Gates)
			ready := x.allConfirmed(c, mask)
			for ; mask != 0; mask &= mask - 1 {
				ready = ready && !c.gates[bits.TrailingZeros64(mask)].back
			}
			if ready {
				return fmt.Errorf("5: machine %d runs, its path is open, and the collector is off", i)
			}
		}
	}
	return nil
}

// shownShut reports whether every path is shown shut.
func (x *checker) shownShut(c *Core) bool {
	all, n := true, 0
	x.everyPath(func(mask uint64) {
		n++
		shut := false
		for ; mask != 0; mask &= mask - 1 {
			i := bits.TrailingZeros64(mask)
			g, p := &c.gates[i], &x.p.Gates[i]
			switch {
			case p.ShutSwitch:
				shut = shut || g.shown == ShownShut
			case p.OpenSwitch: // a broken wire is likelier
			default:
				shut = shut || g.target == toShut && g.elapsed
			}
		}
		all = all && shut
	})
	return all && n > 0
}

func (x *checker) canOpen(c *Core) (ok bool) {
	failed := c.faults[GateNotOpen] | c.faults[GateLost] | c.faults[GateOutput] | x.untouched(c)
	x.everyPath(func(mask uint64) {
		can := mask != 0
		for ; mask != 0; mask &= mask - 1 {
			i := bits.TrailingZeros64(mask)
			can = can && (x.confirmed(c, i) || x.p.Gates[i].Actuated && failed>>i&1 == 0)
		}
		ok = ok || can
	})
	return ok
}

// opening reports whether a whole path is open or commanded open.
func (x *checker) opening(c *Core) (ok bool) {
	x.everyPath(func(mask uint64) {
		all := true
		for ; mask != 0; mask &= mask - 1 {
			all = all && c.gates[bits.TrailingZeros64(mask)].target == toOpen
		}
		ok = ok || all
	})
	return ok
}

// step checks what must hold between two states: a before, b after in, and out
// in between. In a tick exactly one unit of time passes.
func (x *checker) step(a *Core, in Input, out *Out, b *Core) error {
	machines, held := x.demand(b)
	for _, k := range out.Commands {
		i := int(k.ID)
		var err error
		switch k.Kind {
		case CollectorOn:
			err = x.on(a, b)
		case CollectorOff:
			err = x.off(a, in, b)
		case GateShut:
			err = x.gateShut(a, b, i, machines, held)
		case GateOpen:
			if blockedState(b) {
				err = fmt.Errorf("6: gate %d is opened while nothing may move", i)
			}
			// Confirmation lost while collecting: no move.
			if a.col.on && b.col.on && a.has(GateLost, i) && b.has(GateLost, i) && b.gates[i].target == toOpen && a.gates[i].target == toOpen {
				err = fmt.Errorf("gate %d has lost its confirmation while collecting and is moved", i)
			}
		case OutletOn:
			if blockedState(b) || !x.followed(b, i) {
				err = fmt.Errorf("outlet %d is on for nothing", i)
			}
		case OutletOff, GateStop, IndicatorOn, IndicatorOff:
		}
		if err != nil {
			return fmt.Errorf("%s: %w", inputText(in), err)
		}
	}
	for _, f := range []func(*Core, Input, *Out, *Core) error{x.hands, x.standDown, x.faultEvents, x.runStep, x.gateStep, x.collectorStep, x.requests} {
		if err := f(a, in, out, b); err != nil {
			return fmt.Errorf("%s: %w", inputText(in), err)
		}
	}
	return nil
}

// on: 1. only when a whole path is open, and only for a demand that has it.
func (x *checker) on(a, b *Core) error {
	if !x.somePath(b) {
		return fmt.Errorf("1: on, and no whole path is open")
	}
	if blockedState(b) || b.quiet {
		return fmt.Errorf("6: on while nothing may start")
	}
	if offLatched(b) {
		return fmt.Errorf("on although latched: no automatic retry")
	}
	if b.col.selector == Off {
		return fmt.Errorf("on although its switch stands in off")
	}
	if x.p.BinBlocks && b.col.bin == Full {
		return fmt.Errorf("bin level: a new start at rest")
	}
	byMachine, byHold := false, false
	for i := range b.machines {
		m := &b.machines[i]
		// Sensor lost at rest: not started by it. The hold-back: no machine on
		// the collector's circuit is still starting.
		if m.settle != never {
			return fmt.Errorf("on while machine %d starts on the same circuit", i)
		}
		for _, h := range x.p.Machines[i].Hoods {
			byMachine = byMachine || m.left == 0 && m.sensed == Running && m.run == running && x.allConfirmed(b, set(h.Gates))
		}
	}
	for i := range b.gates {
		byHold = byHold || b.gates[i].held != never && x.allConfirmed(b, x.holdPath(i))
	}
	spent := x.p.Collector.Starts > 0 && x.startsLeft(a) == 0 && a.col.starts[0] != b.now
	switch {
	case byMachine && a.col.faulted && spent:
		return fmt.Errorf("5: on beyond the budget after a stop by a fault")
	case byMachine:
	case !byHold:
		return fmt.Errorf("on for nothing: no running machine and no held gate has a whole path")
	case b.col.owed != 0:
		return fmt.Errorf("5: on for a hold within the minimum-off time")
	case spent:
		return fmt.Errorf("5: on for a hold beyond the budget")
	}
	// The start is in the budget, and a minimum time on begins.
	if n := x.p.Collector.Starts; n > 0 && !x.counted(b) {
		return fmt.Errorf("5: a start is not in the budget")
	}
	if b.col.minOn != b.now+x.p.Collector.MinOn && x.p.Collector.MinOn > 0 {
		return fmt.Errorf("5: no minimum time on")
	}
	return nil
}

func (x *checker) counted(c *Core) bool {
	for _, s := range c.col.starts[:x.p.Collector.Starts] {
		if s == c.now+x.p.Collector.Window {
			return true
		}
	}
	return false
}

// off: 3 and 5. Without a reason to stop at once, only when no demand and no
// run-on is left, and only while a further start is left.
func (x *checker) off(a *Core, in Input, b *Core) error {
	if !a.col.on {
		return nil // off again: harmless
	}
	switch {
	case b.down || stopped(b) || offLatched(b) || b.col.selector == Off:
		return nil
	case b.has(EveryPathShut, 0) && !a.has(EveryPathShut, 0):
		if a.col.allShut-a.now != b.now-a.now || !x.shownShut(b) {
			return fmt.Errorf("off because every path is shut, too early")
		}
		return nil
	}
	machines, held := x.demand(b)
	if machines != 0 || held != 0 && x.p.MaxOpen == 0 {
		return fmt.Errorf("2: off in mid-demand")
	}
	for i := range b.machines {
		if b.machines[i].run == runOn {
			return fmt.Errorf("3: off during the run-on of machine %d", i)
		}
	}
	if x.p.Collector.Starts > 0 && x.startsLeft(b) == 0 {
		return fmt.Errorf("5: off with no further start left")
	}
	if a.col.minOn != never && a.col.minOn > b.now || a.col.stayUntil != never && a.col.stayUntil > b.now {
		return fmt.Errorf("5: off within the minimum time on or the prolonged run-on")
	}
	if in.Kind != Tick && a.col.minOn == never && len(b.machines) == 0 {
		return fmt.Errorf("off without a machine ever")
	}
	if b.col.minOff != b.now+x.p.Collector.MinOff && x.p.Collector.MinOff > 0 {
		return fmt.Errorf("5: no minimum time off")
	}
	return nil
}

// gateShut: 2, 3 and 4 for a gate that is commanded shut.
func (x *checker) gateShut(a, b *Core, i int, machines, held uint64) error {
	bit := uint64(1) << i
	if blockedState(b) {
		return fmt.Errorf("6: gate %d is shut while nothing may move", i)
	}
	for m := range b.machines {
		if q := &b.machines[m]; x.path(m)&bit != 0 && (q.sensed != Idle || x.runs(q)) {
			return fmt.Errorf("2: gate %d of machine %d, which runs or is unknown, is commanded shut", i, m)
		}
	}
	over := func(gates uint64) bool {
		return x.p.MaxOpen > 0 && bits.OnesCount64(gates&x.ends()) > x.p.MaxOpen
	}
	all := machines | held | x.runOns(a) | x.runOns(b)
	inRunOn := false
	for m := range a.machines {
		if q := &a.machines[m]; q.run == runOn && q.due > b.now {
			if x.path(m)&bit != 0 {
				inRunOn = true
			}
			all |= x.path(m)
		}
	}
	switch {
	case machines&bit != 0:
		return fmt.Errorf("2: gate %d of a demand is commanded shut", i)
	case held&bit != 0 && !over(all):
		return fmt.Errorf("2: held gate %d is commanded shut although the air suffices", i)
	case inRunOn && !over(all):
		return fmt.Errorf("3: gate %d is commanded shut within a run-on", i)
	case inRunOn && held&^machines&^bit&x.ends() != 0 && x.anyHeldOpen(b):
		return fmt.Errorf("2: gate %d in run-on is shut before a held gate", i)
	}
	// A gate in run-on after a hold.
	if r := a.gates[i].runOn; r != never && r > b.now && !over(all|bit) {
		return fmt.Errorf("3: gate %d is commanded shut within its run-on", i)
	}
	if x.moving(b) && !x.somePath(b) {
		return fmt.Errorf("4: gate %d is commanded shut and no whole path is left", i)
	}
	if machines|held != 0 && !x.somePath(b) {
		return fmt.Errorf("4: gate %d is commanded shut before a new path is open", i)
	}
	for k := range b.gates {
		if k != i && (machines>>k)&1 != 0 && x.p.Gates[k].Actuated && b.gates[k].motion != still {
			return fmt.Errorf("4: gate %d is commanded shut while gate %d of a demand still opens", i, k)
		}
	}
	if a.gates[i].target == nowhere {
		if b.closed {
			return fmt.Errorf("shop closed: gate %d is homed", i)
		}
		for k := range b.gates {
			if k != i && b.gates[k].motion != still && a.gates[k].target == nowhere {
				return fmt.Errorf("gates %d and %d are homed at once", i, k)
			}
		}
	}
	// At rest the last path stays open.
	if machines|held == 0 && !inRunOn && !x.p.CloseAtRest && b.rest&bit != 0 && b.test.gate != ID(i) {
		return fmt.Errorf("4: gate %d of the last path is commanded shut at rest", i)
	}
	if x.p.CloseAtRest && machines|held == 0 && b.rest&bit != 0 && b.test.gate != ID(i) && x.moving(b) && a.rest == b.rest {
		return fmt.Errorf("4: gate %d of the last path is shut before the fan has coasted down", i)
	}
	return nil
}

// anyHeldOpen reports whether a held gate is still commanded open.
func (x *checker) anyHeldOpen(c *Core) bool {
	machines, _ := x.demand(c)
	for i := range c.gates {
		if c.gates[i].held != never && c.gates[i].target == toOpen && (machines|x.runOns(c))>>i&1 == 0 {
			return true
		}
	}
	return false
}

func (x *checker) followed(c *Core, i int) bool {
	for _, m := range x.p.Outlets[i].Follows {
		if c.machines[m].run == running {
			return true
		}
	}
	return false
}

// standDown: 6. Stand-down and stop inputs take effect within one step; then
// nothing but off is commanded; lifting starts nothing.
func (x *checker) standDown(a *Core, in Input, out *Out, b *Core) error {
	begins := in.Kind == Ask && AskKind(in.State) == AskStandDown && in.Origin != 0 || in.Kind == StandDownIs && Contact(in.State) != Closed
	if begins && !b.down {
		return fmt.Errorf("6: not stood down within one step")
	}
	if a.down && !b.down {
		local := in.Kind == Ask && AskKind(in.State) == AskLift && (in.Origin == Wired || in.Origin == Console) && b.wire != Open && b.wire != Broken
		if !local && !(in.Kind == StandDownIs && a.wire == Open) {
			return fmt.Errorf("6: lifted by something else than a wired switch or the console")
		}
	}
	stops := in.Kind == StopIs && Contact(in.State) != Closed
	if stops && (!stopped(b) || b.col.on) {
		return fmt.Errorf("stop input: not off at once")
	}
	if !stopLatched(a) && stopLatched(b) && a.begun && !(stops && Contact(in.State) == Open) {
		return fmt.Errorf("stop input: latched, and none was told open")
	}
	if stopLatched(a) && !stopLatched(b) && !resets(a, in) {
		return fmt.Errorf("stop input: lifted without a local act")
	}
	if stopLatched(a) && !stopLatched(b) {
		for i, s := range b.stops {
			if s != Closed && s != 0 {
				return fmt.Errorf("stop input %d: lifted while open", i)
			}
		}
	}
	lifted := a.down && !b.down || stopped(a) && !stopped(b)
	uncommanded := !b.col.on && (b.col.selector == Hand || b.has(CollectorStillOn, 0))
	for _, k := range out.Commands {
		if k.Kind == CollectorOff || k.Kind == OutletOff || k.Kind == GateStop || k.Kind == IndicatorOn || k.Kind == IndicatorOff {
			continue
		}
		if a.down && b.down || stopped(a) && stopped(b) || begins || stops {
			return fmt.Errorf("6: %s %d is commanded under stand-down or stop", k.Kind, k.ID)
		}
		if lifted && !(uncommanded && k.Kind == GateOpen) {
			return fmt.Errorf("6: lifting commands %s %d", k.Kind, k.ID)
		}
		// A path is opened for a collector that runs uncommanded; what was begun
		// for it is finished.
		finishes := k.Kind == GateOpen && a.gates[k.ID].target == toOpen && a.gates[k.ID].motion != still
		if a.quiet && b.quiet && !(uncommanded && k.Kind == GateOpen) && !finishes {
			return fmt.Errorf("6: %s %d is commanded after lifting, and nothing was started anew", k.Kind, k.ID)
		}
	}
	if a.quiet && !b.quiet && !b.down && !stopped(b) {
		started := in.Kind == MachineIs && Verdict(in.State) == Running
		asked := in.Kind == Ask && (AskKind(in.State) == AskHold || AskKind(in.State) == AskTestOpen || AskKind(in.State) == AskTestShut)
		if !started && !asked {
			return fmt.Errorf("6: served again after lifting although nothing was started")
		}
	}
	if lifted && !b.quiet {
		return fmt.Errorf("6: lifting lets things start by themselves")
	}
	return nil
}

// faultEvents: 7. Each fault that comes or goes is said, once.
func (x *checker) faultEvents(a *Core, _ Input, out *Out, b *Core) error {
	var raised, cleared [faultKinds]uint64
	for _, e := range out.Events {
		id := e.ID
		if id == NoID {
			id = 0
		}
		switch e.Kind { //nolint:exhaustive // only faults matter here
		case FaultRaised:
			raised[e.Fault] |= 1 << id
		case FaultCleared:
			cleared[e.Fault] |= 1 << id
		}
	}
	for f := FaultKind(1); f < faultKinds; f++ {
		if came := b.faults[f] &^ a.faults[f]; came&^raised[f] != 0 {
			return fmt.Errorf("7: %s came and was not said", f)
		}
		if went := a.faults[f] &^ b.faults[f]; went&^cleared[f] != 0 {
			return fmt.Errorf("7: %s went and was not said", f)
		}
	}
	return nil
}

// runStep: runs, run-ons and lost sensors.
func (x *checker) runStep(a *Core, in Input, out *Out, b *Core) error {
	for i := range b.machines {
		p, q := &a.machines[i], &b.machines[i]
		left := func(m *machine, c *Core) time.Duration { return m.due - c.now }
		told := in.Kind == MachineIs && int(in.ID) == i
		v := Verdict(in.State)
		switch {
		case told && v == Unknown && (p.run == starting || p.run == running):
			if q.run != lost || left(q, b) != x.p.UnknownHold {
				return fmt.Errorf("sensor lost while machine %d ran: not held for the unknown hold", i)
			}
			if a.col.on && !b.col.on {
				return fmt.Errorf("sensor lost while machine %d ran: the collector stops", i)
			}
		case told && v == Unknown:
			if len(out.Commands) != 0 && p.sensed != 0 {
				return fmt.Errorf("sensor of machine %d lost at rest: something is commanded", i)
			}
		case told && v == Idle && x.runs(p):
			served := x.due(a, p, i) && x.moving(a) && (x.room(b, x.path(i)) || x.alone(b, i))
			if served && (q.run != runOn || left(q, b) != x.p.RunOn(ID(i), a.open)) && x.p.RunOn(ID(i), a.open) > 0 {
				return fmt.Errorf("3: machine %d has stopped and its own run-on does not begin", i)
			}
			// Minimum-off time prolongs the run-on by what the start took from it.
			if served && b.col.on && a.col.owed > 0 && b.col.stayUntil-b.now < a.col.owed+x.p.RunOn(ID(i), a.open) {
				return fmt.Errorf("5: what the start took from the minimum-off time is not owed")
			}
		case in.Kind == Tick && p.run == lost && q.run != lost && left(p, a) != 1:
			return fmt.Errorf("the unknown hold of machine %d ends too early", i)
		case in.Kind == Tick && p.run == lost && left(p, a) == 1 && (q.run == lost || x.moving(a) && x.due(a, p, i) && q.left == p.left && (x.room(b, x.path(i)) || x.alone(b, i)) && x.p.RunOn(ID(i), a.open) > 0 && q.run != runOn):
			return fmt.Errorf("the unknown hold of machine %d is over and no run-on begins", i)
		case in.Kind == Tick && p.run == starting && q.run == running && left(p, a) != 1:
			return fmt.Errorf("machine %d is confirmed too early", i)
		case p.run == runOn && q.run == idle && !(in.Kind == Tick && left(p, a) == 1) && x.p.MaxOpen == 0 && !b.down && !stopped(b):
			return fmt.Errorf("3: the run-on of machine %d ends too early", i)
		}
		if told && v == Running && !x.runs(p) && x.p.Machines[i].Circuit != NoID && x.p.Machines[i].Circuit == x.p.Collector.Circuit && x.p.Machines[i].Inrush > 0 && q.settle-b.now != x.p.Machines[i].Inrush {
			return fmt.Errorf("machine %d starts on the collector's circuit and nothing waits for its inrush", i)
		}
		// A machine found running is said to be.
		if told && v == Running && p.sensed == 0 {
			said := false
			for _, e := range out.Events {
				said = said || e.Kind == MachineStarted && e.Cause == ByFoundRunning && int(e.ID) == i
			}
			if !said {
				return fmt.Errorf("power returns: machine %d is found running and nothing says so", i)
			}
		}
		if q.refused && !p.refused && (!x.p.RefuseRunning || x.p.MaxOpen == 0) {
			return fmt.Errorf("2: machine %d is refused although that is not the owner's choice", i)
		}
		// All sensing lost: said.
		if allLost := b.faults[SensorLost] == 1<<len(b.machines)-1; allLost != b.has(AllSensingLost, 0) {
			return fmt.Errorf("all sensing lost is %v and not said so", allLost)
		}
	}
	return nil
}

// due: a machine that stops was served, or its dust was collected all the same.
func (x *checker) due(c *Core, m *machine, i int) bool {
	served := m.left == 0 && !(x.p.RefuseRunning && m.refused)
	return !blockedState(c) && (served || c.col.on && !(c.col.seen && c.col.sensed == Idle) && x.allConfirmed(c, x.path(i)) && !x.reversing(c, x.path(i)))
}

// alone: nothing but machine i wants air.
func (x *checker) alone(c *Core, i int) bool {
	machines, held := x.demand(c)
	for m := range c.machines {
		if m != i && c.machines[m].run == runOn {
			return false
		}
	}
	for g := range c.gates {
		if c.gates[g].runOn != never {
			return false
		}
	}
	return machines|held == 0
}

// hands: 12 to 15. What a person does at a gate, a switch, the bin or a button
// starts no fan and moves no gate; what is set aside is not moved; a machine that is
// left is served again only once it has stopped; a new start commands its whole
// path again.
func (x *checker) hands(a *Core, in Input, out *Out, b *Core) error {
	lifts := in.Kind == Ask && slices.Contains([]AskKind{AskLift, AskReset, AskReturn}, AskKind(in.State))
	first := in.Kind == StopIs && a.stops[in.ID] == 0
	person := !first && (lifts || slices.Contains([]InputKind{SwitchIs, StopIs, BinIs, StandDownIs, ResetIs, AsideIs}, in.Kind))
	byHand := in.Kind == GateIs && a.gates[in.ID].motion == still && !x.waits(a)
	uncommanded := !b.col.on && (b.col.selector == Hand || b.has(CollectorStillOn, 0))
	for _, k := range out.Commands {
		switch {
		case k.Kind == CollectorOn && (person || byHand):
			return fmt.Errorf("13: a hand starts the collector")
		case (k.Kind == GateOpen || k.Kind == GateShut) && b.aside>>k.ID&1 != 0:
			return fmt.Errorf("14: gate %d is set aside and is moved", k.ID)
		case (k.Kind == GateOpen || k.Kind == GateShut) && b.gates[k.ID].hands:
			return fmt.Errorf("13: gate %d was taken back and is moved", k.ID)
		case k.Kind == GateOpen && person && !uncommanded && in.Kind != SwitchIs:
			return fmt.Errorf("13: a hand opens gate %d", k.ID)
		}
	}
	if back := a.aside &^ b.aside; back != 0 {
		local := in.Kind == Ask && AskKind(in.State) == AskReturn && (in.Origin == Wired || in.Origin == Console) ||
			in.Kind == AsideIs && Press(in.State) == Released && a.gates[in.ID].button.armed
		if !local || back != 1<<in.ID {
			return fmt.Errorf("14: gates %b are taken back by something else than their own button or the console", back)
		}
	}
	if came := b.aside &^ a.aside; came != 0 && (a.col.on && !b.col.on || came != 1<<in.ID) {
		return fmt.Errorf("14: setting aside stops the collector, or sets more than one gate aside")
	}
	for i := range b.machines {
		told := in.Kind == MachineIs && int(in.ID) == i
		if a.machines[i].left != 0 && b.machines[i].left == 0 && !(told && Verdict(in.State) == Idle) {
			return fmt.Errorf("13: machine %d was left and is served again although it has not stopped", i)
		}
		if !told || Verdict(in.State) != Running || x.runs(&a.machines[i]) || blockedState(b) || b.machines[i].refused || a.machines[i].left != 0 {
			continue
		}
		for path := x.path(i) & b.actuated &^ b.aside; path != 0; path &= path - 1 {
			g := bits.TrailingZeros64(path)
			if !x.confirmed(a, g) && !x.confirmed(b, g) && (b.gates[g].target != toOpen || b.gates[g].motion == still || b.gates[g].tries != 0) {
				return fmt.Errorf("12: machine %d starts, and gate %d is not commanded anew with all tries", i, g)
			}
		}
	}
	return nil
}

// waits reports whether a gate that has failed may still arrive by itself.
func (x *checker) waits(c *Core) bool {
	for i := range c.machines {
		if c.machines[i].late != never {
			return true
		}
	}
	for i := range c.gates {
		if c.gates[i].late != never {
			return true
		}
	}
	return false
}
