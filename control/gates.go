package control

import (
	"cmp"
	"math/bits"
	"time"
)

// target is the end that a gate was last commanded to.
type target uint8

const (
	nowhere target = iota // not commanded since the start or since it was stopped half-way
	toOpen
	toShut
)

// motion is where a gate stands in its motion.
//
//	still -> ordered       a command
//	ordered -> travelling  the driver's answer: done
//	ordered -> pausing     failed, or no answer in time: a try to open is left
//	travelling -> still    the switch shows the end, or the travel time is over
//	travelling -> ordered  not open after the travel time: a try is left
//	pausing -> ordered     the next try
//	any -> still           stopped half-way
type motion uint8

const (
	still motion = iota
	ordered
	travelling
	pausing
)

// gate is the state of a gate.
type gate struct {
	path uint64 // fixed: the gate and those downstream of it

	target  target
	motion  motion
	shown   Shown         // what its switches show; 0 before the first report
	due     time.Duration // ordered: answer overdue; travelling: travel over; pausing: next try
	elapsed bool          // target set, still: the travel time has passed
	reached bool          // target set: it was seen to arrive, and still is there; by hand: it was seen open
	back    bool          // called back on its way: the switch at its target may still be made from before; until the driver's answer or another report
	tries   uint8         // toOpen, not still: further tries already made
	held    time.Duration // end of a hold
	runOn   time.Duration // end of the run-on after a hold
	seq     uint32        // of the last command; not in the key
}

// begin puts a gate where it is known to stand: shut, and seen to.
func (g *gate) begin(p *Gate) {
	switch {
	case p.ShutSwitch:
		g.shown = ShownShut
	case p.OpenSwitch:
		g.shown = ShownBetween
	}
	if p.Actuated {
		g.target, g.elapsed, g.reached = toShut, true, true
	}
}

// gateIs takes in what a gate's end switches show.
func (c *Core) gateIs(i int, s Shown, out *Out) {
	g := &c.gates[i]
	g.back = g.back && s == g.shown
	g.shown = s
	if s == ShownBoth {
		c.raise(GateSwitches, BySensor, i, never, out)
	} else {
		c.clear(GateSwitches, BySensor, i, out)
	}
}

// isOpen tells whether a gate is confirmed open: by its switch where it has
// one, by travel time only where it has none.
func (c *Core) isOpen(i int) bool {
	g, p := &c.gates[i], &c.p.Gates[i]
	if p.OpenSwitch {
		return g.shown == ShownOpen && g.target != toShut && !g.back
	}
	return g.target == toOpen && g.elapsed && (!p.ShutSwitch || g.shown == ShownBetween)
}

// isShut tells whether a gate is shown shut: by its switch where it has one;
// where it has none, by travel time and an open switch that is not made.
func (c *Core) isShut(i int) bool {
	g, p := &c.gates[i], &c.p.Gates[i]
	if p.ShutSwitch {
		return g.shown == ShownShut && !g.back
	}
	return g.target == toShut && g.elapsed && (!p.OpenSwitch || g.shown == ShownBetween)
}

// survey works out which gates are open and which are shut.
func (c *Core) survey() {
	c.open, c.shut = 0, 0
	for i := range c.gates {
		if c.isOpen(i) {
			c.open |= 1 << i
		}
		if c.isShut(i) {
			c.shut |= 1 << i
		}
	}
}

// settleGates notes which gates have arrived and which have lost their place.
func (c *Core) settleGates(out *Out) {
	c.survey()
	for i := range c.gates {
		g := &c.gates[i]
		isOpen, isShut := c.open>>i&1 != 0, c.shut>>i&1 != 0
		switch {
		case g.target == toShut && isShut && !g.reached,
			isOpen && !g.reached && (g.target == toOpen || !c.p.Gates[i].Actuated || c.has(GateLost, i)):
			c.arrive(i, out)
		case g.target == toShut:
			g.reached = g.reached && isShut
		case !isOpen && g.reached:
			g.reached = false
			if !c.p.Gates[i].Actuated {
				c.event(GateIsClosed, BySensor, i, never, out)
			}
			if (c.want|c.rest)>>i&1 != 0 && c.air() {
				c.raise(GateLost, BySensor, i, never, out)
			}
		}
	}
}

// arrive notes that a gate stands where it should, which ends its faults.
func (c *Core) arrive(i int, out *Out) {
	g := &c.gates[i]
	g.reached, g.tries = true, 0
	g.motion, g.due = still, never
	if g.target == toShut {
		c.event(GateIsClosed, 0, i, never, out)
	} else {
		c.event(GateIsOpen, 0, i, never, out)
		c.clear(GateNotOpen, BySensor, i, out)
	}
	for _, f := range [...]FaultKind{GateLost, GateNotShut, GateOutput} {
		c.clear(f, BySensor, i, out)
	}
}

// whole tells whether a whole path within the set is confirmed open.
func (c *Core) whole(within uint64) bool {
	within &= c.open
	for _, p := range c.paths {
		if p&^within == 0 {
			return true
		}
	}
	return false
}

// allShut tells whether every path is shown shut.
func (c *Core) allShut() bool {
	for _, p := range c.paths {
		if p&c.shut == 0 {
			return false
		}
	}
	return len(c.paths) > 0
}

// chooseRest chooses the path that stays open at rest, the last one that was
// wanted, and works out which gates must not be shut.
func (c *Core) chooseRest() {
	if c.want != 0 && (c.rest == 0 || c.rest&^(c.want&c.open) != 0) {
		for _, p := range c.paths {
			if p != 0 && p&^(c.want&c.open) == 0 {
				c.rest = p
				break
			}
		}
	}
	c.keep = c.want
	if c.want == 0 && (c.air() || !c.p.CloseAtRest) {
		if c.drawn() && !c.whole(c.rest) && c.blocked() == 0 {
			c.rest = c.spare()
		}
		c.keep = c.rest
	}
}

// drawn tells whether the collector runs although it is not commanded on: one
// path must be open.
func (c *Core) drawn() bool {
	return !c.col.on && (c.col.selector == Hand || c.has(CollectorStillOn, 0))
}

// spare is the path to have open while the collector runs uncommanded: one
// that is open, or else the last path, or else the first that can be opened.
func (c *Core) spare() uint64 {
	for _, p := range c.paths {
		if p&^c.open == 0 {
			return p
		}
	}
	failed := c.faults[GateNotOpen] | c.faults[GateLost] | c.faults[GateOutput]
	usable := func(p uint64) bool { return p != 0 && p&^c.open&(failed|^c.actuated) == 0 }
	if usable(c.rest) {
		return c.rest
	}
	for _, p := range c.paths {
		if usable(p) {
			return p
		}
	}
	return c.rest
}

// openGates commands open what is wanted and not commanded open yet, and one
// path while the collector runs uncommanded.
func (c *Core) openGates(out *Out) {
	if c.blocked() != 0 || c.quiet && !c.drawn() {
		return
	}
	must := c.want | c.testing()
	if c.want == 0 && c.drawn() && !c.whole(c.keep) {
		must |= c.keep
	}
	for ; must != 0; must &= must - 1 {
		i := bits.TrailingZeros64(must)
		g := &c.gates[i]
		switch {
		case g.target != toOpen:
			c.move(i, toOpen, c.openCause(i), out)
		case g.motion == still && c.open>>i&1 == 0 && c.want>>i&1 != 0 && !c.air() && !c.has(GateNotOpen, i) && !c.has(GateOutput, i):
			// Its place was lost, and no air moves.
			c.move(i, toOpen, ByRetry, out)
		}
	}
}

// anyMoves tells whether a gate is in motion.
func (c *Core) anyMoves() bool {
	for i := range c.gates {
		if c.gates[i].motion != still && c.p.Gates[i].Actuated {
			return true
		}
	}
	return false
}

// opening tells whether a wanted gate is still on its way.
func (c *Core) opening() bool {
	for w := c.want & c.actuated; w != 0; w &= w - 1 {
		if c.gates[bits.TrailingZeros64(w)].motion != still {
			return true
		}
	}
	return false
}

// openCause says for whom a gate opens.
func (c *Core) openCause(i int) Cause {
	bit := uint64(1) << i
	switch {
	case c.demand&bit != 0:
		return ByMachine
	case c.helper&bit != 0:
		return ByHelper
	case c.want&bit != 0:
		return ByHold
	case c.testing()&bit != 0:
		return ByTest
	case c.col.selector == Hand:
		return ByHand
	}
	return ByStillOn
}

// shutGates commands shut what nothing needs, once no wanted gate is still
// opening and a whole path that stays is open, or when no air moves and nothing
// is wanted.
func (c *Core) shutGates(out *Out) {
	if c.blocked() != 0 || c.quiet {
		return
	}
	may := c.whole(c.keep) && !c.opening() || c.want == 0 && !c.air()
	for i := range c.gates {
		g, bit := &c.gates[i], uint64(1)<<i
		if !c.p.Gates[i].Actuated {
			c.leave(i, out)
			continue
		}
		if c.test.gate == ID(i) && !c.test.open && g.target != toShut && c.busy&bit == 0 {
			c.move(i, toShut, ByTest, out)
			continue
		}
		if may && g.target == toOpen && (c.keep|c.busy|c.testing())&bit == 0 {
			c.move(i, toShut, c.shutCause(bit), out)
		}
	}
	if c.test.gate == NoID {
		c.home(may, out)
	}
}

// home moves gates that do not stand where they should at rest, one by one: of
// the last path, those that a test move has shut or that were stopped half-way,
// and then, unless the shop is closed, those whose position is not known.
func (c *Core) home(mayShut bool, out *Out) {
	if c.want == 0 && !c.air() {
		for k := c.keep & c.actuated &^ c.open; k != 0; k &= k - 1 {
			i := bits.TrailingZeros64(k)
			if t := c.gates[i].target; (t == toShut || t == nowhere && !c.closed) && !c.anyMoves() {
				c.move(i, toOpen, ByRest, out)
			}
		}
	}
	for i := range c.gates {
		if g := &c.gates[i]; mayShut && !c.closed && g.target == nowhere && (c.keep|c.busy|c.shut|^c.actuated)>>i&1 == 0 && !c.anyMoves() {
			c.move(i, toShut, ByHoming, out)
		}
	}
}

// shutCause says why a gate shuts, and ends the run-ons that the limit cuts short.
func (c *Core) shutCause(bit uint64) Cause {
	cause := ByNoDemand
	for i := range c.machines {
		if m := &c.machines[i]; c.dropRunOn>>i&1 != 0 && m.path&bit != 0 {
			m.run, m.due = idle, never
			cause = ByLimit
		}
	}
	for i := range c.gates {
		if g := &c.gates[i]; c.dropGate>>i&1 != 0 && g.path&bit != 0 {
			g.runOn = never
			cause = ByLimit
		} else if c.dropHeld>>i&1 != 0 && g.path&bit != 0 {
			cause = ByLimit
		}
	}
	return cause
}

// testing is the gate of a test move that opens it.
func (c *Core) testing() uint64 {
	if c.test.gate == NoID || !c.test.open {
		return 0
	}
	return 1 << c.test.gate
}

// move commands a gate. A gate that is moved by hand is only waited for.
func (c *Core) move(i int, to target, cause Cause, out *Out) {
	g, p := &c.gates[i], &c.p.Gates[i]
	g.back = (g.back || g.target != nowhere) && (to == toOpen && g.shown == ShownOpen || to == toShut && g.shown == ShownShut)
	was := g.reached
	g.target, g.reached, g.elapsed, g.tries = to, false, false, 0
	c.clear(GateLost, cause, i, out)
	switch {
	case p.Actuated:
		c.order(i, cause, out)
	case was:
		g.reached = true // by hand, already
	default:
		g.motion, g.due, g.tries = travelling, c.now+p.Travel, uint8(c.p.Retries)
	}
	c.open &^= 1 << i
	c.shut &^= 1 << i
	if c.isOpen(i) {
		c.open |= 1 << i
	}
	if c.isShut(i) {
		c.shut |= 1 << i
	}
	if p.Actuated && (to == toOpen && c.isOpen(i) || to == toShut && c.isShut(i)) {
		c.arrive(i, out)
	}
}

// order sends the command for a gate's target.
func (c *Core) order(i int, cause Cause, out *Out) {
	g := &c.gates[i]
	k, e := GateOpen, GateOpening
	if g.target == toShut {
		k, e = GateShut, GateClosing
	}
	g.motion, g.due = ordered, c.now+cmp.Or(c.p.Gates[i].Answer, c.p.Answer)
	g.seq = c.command(k, i, out)
	c.event(e, cause, i, never, out)
}

// gateAnswer takes the driver's answer.
func (c *Core) gateAnswer(i int, o Outcome, out *Out) {
	g := &c.gates[i]
	if g.motion != ordered {
		return
	}
	if o == Failed {
		c.unmoved(i, out)
		return
	}
	g.motion, g.due, g.back = travelling, c.now+c.p.Gates[i].Travel, false
}

// unmoved handles a gate command that did not reach the gate.
func (c *Core) unmoved(i int, out *Out) {
	g := &c.gates[i]
	if g.target == toOpen && int(g.tries) < c.p.Retries {
		g.motion, g.due = pausing, c.now+c.p.Gates[i].Travel
		return
	}
	g.motion, g.due = still, never
	c.raise(GateOutput, ByFault, i, never, out)
}

// gateDue lets a gate's deadlines pass.
func (c *Core) gateDue(i int, out *Out) {
	g := &c.gates[i]
	if g.held <= c.now {
		c.endHold(i, ByExpiry, out)
	}
	if g.runOn <= c.now {
		g.runOn = never
	}
	if g.due > c.now {
		return
	}
	switch g.motion {
	case ordered:
		c.unmoved(i, out)
	case pausing:
		g.tries++
		c.order(i, ByRetry, out)
	case travelling:
		g.motion, g.due, g.elapsed = still, never, true
		c.arrived(i, out)
	case still:
		g.due = never
	}
}

// arrived looks where a gate is once its travel time is over. Where it is at
// its target settleGates says so.
func (c *Core) arrived(i int, out *Out) {
	g := &c.gates[i]
	switch {
	case g.target == toOpen && c.isOpen(i), g.target == toShut && c.isShut(i):
	case g.target == toShut:
		c.raise(GateNotShut, ByFault, i, never, out)
		if c.air() {
			c.event(WeakAir, ByFault, 0, never, out)
		}
	case int(g.tries) < c.p.Retries:
		g.tries++
		g.elapsed = false
		c.order(i, ByRetry, out)
	default:
		c.raise(GateNotOpen, ByFault, i, never, out)
	}
}

// leave forgets that a gate which is moved by hand was waited for.
func (c *Core) leave(i int, out *Out) {
	g := &c.gates[i]
	if c.want>>i&1 != 0 {
		return
	}
	if g.target == toOpen {
		g.target, g.motion, g.due, g.elapsed, g.tries = nowhere, still, never, false, 0
		c.clear(GateNotOpen, ByNoDemand, i, out)
	}
	if !c.air() {
		c.clear(GateLost, ByNoDemand, i, out)
	}
}

// tryAgain lets failed gates on path be tried again: somebody has just
// started something there, or lifted a latch.
func (c *Core) tryAgain(path uint64) {
	for p := path & (c.faults[GateNotOpen] | c.faults[GateOutput]); p != 0; p &= p - 1 {
		if g := &c.gates[bits.TrailingZeros64(p)]; g.target == toOpen && g.motion == still {
			g.target, g.elapsed, g.reached = nowhere, false, false
		}
	}
}

// stopGates ends every motion where it is.
func (c *Core) stopGates(cause Cause, out *Out) {
	for i := range c.gates {
		g := &c.gates[i]
		if g.motion == still {
			continue
		}
		if c.p.Gates[i].Actuated {
			g.seq = c.command(GateStop, i, out)
			c.event(GateStopped, cause, i, never, out)
		}
		g.target, g.motion, g.due, g.elapsed, g.reached, g.tries = nowhere, still, never, false, false, 0
	}
}
