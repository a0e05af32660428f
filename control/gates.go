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

// motion is how far a gate is in its motion.
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
	reached bool          // target set: it has arrived, and still is there; by hand: it was seen open
	back    bool          // called back on its way: the switch at its target may still be made from before; until the driver's answer or another report
	tries   uint8         // toOpen, not still: further tries already made
	held    time.Duration // end of a hold
	limit   time.Duration // held: no hold of it lasts longer, whoever prolongs it
	late    time.Duration // held: its path has not opened; the hold is given up from then on
	runOn   time.Duration // end of the run-on after a hold
	wait    time.Duration // its output has reset itself; it may be homed from then on
	reset   bool          // that was since it was last commanded: it is homed only where no air moves
	hands   bool          // it was taken back: hands were in it, and it does not move before something is started there
	button  button        // its own wired button
	seq     uint32        // of the last command; not in the key
}

// begin puts a gate where it is known to be: shut, with no fault.
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
	if s == ShownOpen && c.want == 0 && g.motion == still && (c.has(GateNotOpen, i) || c.has(GateOutput, i)) {
		c.freed |= 1 << i // by hand, at rest: no other gate shuts because of it
	}
	g.shown = s
	if p := &c.p.Gates[i]; p.Actuated && p.ShutSwitch && !p.OpenSwitch && g.target == toOpen && g.motion == still && (s == ShownShut || s == ShownBoth) {
		g.elapsed = false // somebody has pushed it: once its switch lets go, nobody knows how far it is open
	}
	if s == ShownBoth {
		c.raise(GateSwitches, BySensor, i, never, out)
	} else {
		c.clear(GateSwitches, BySensor, i, out)
	}
}

// isOpen reports whether a gate is confirmed open: by its switch where it has
// one, whatever was commanded, unless it is on its way to shut; by travel time only
// where it has none. One that is set aside is not.
func (c *Core) isOpen(i int) bool {
	g, p := &c.gates[i], &c.p.Gates[i]
	switch {
	case c.aside>>i&1 != 0:
		return false
	case p.OpenSwitch:
		return g.shown == ShownOpen && (g.target != toShut || g.motion == still) && !g.back
	}
	return g.target == toOpen && g.elapsed && (!p.ShutSwitch || g.shown == ShownBetween)
}

// isShut reports whether a gate has shut: by its switch where it has one; where
// it has none, by travel time and an open switch that is not made.
func (c *Core) isShut(i int) bool {
	g, p := &c.gates[i], &c.p.Gates[i]
	if p.ShutSwitch {
		return g.shown == ShownShut && !g.back
	}
	return g.target == toShut && g.elapsed && (!p.OpenSwitch || g.shown == ShownBetween)
}

// isDead reports whether a gate lets no air through, as far as the all-shut rule
// goes: its shut switch says so, whatever was commanded or answered. One with an
// open switch only never is: a broken wire is likelier than a shut gate.
func (c *Core) isDead(i int) bool {
	g, p := &c.gates[i], &c.p.Gates[i]
	switch {
	case p.ShutSwitch:
		return g.shown == ShownShut
	case p.OpenSwitch:
		return false
	}
	return g.target == toShut && g.elapsed
}

// survey works out which gates are open and which are shut.
func (c *Core) survey() {
	var open, shut uint64
	for i := range c.gates {
		bit := uint64(1) << i
		if c.isOpen(i) {
			open |= bit
		}
		if c.isShut(i) {
			shut |= bit
		}
	}
	c.open, c.shut = open, shut
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
			if (c.want|c.rest)&^c.aside>>i&1 != 0 && c.air() {
				c.raise(GateLost, BySensor, i, never, out)
			}
		}
	}
}

// seen takes what a gate's switch shows for where it was last commanded: it needs no
// homing, and what somebody does to it from now on moves it no more.
func (c *Core) seen(i int, at target, out *Out) {
	g := &c.gates[i]
	g.target, g.reached = at, true
	if (c.faults[GateLost]|c.faults[GateNotShut]|c.faults[GateOutput])>>i&1 != 0 || at == toOpen && c.has(GateNotOpen, i) {
		c.arrive(i, out)
	}
}

// arrive notes that a gate is where it should be, which ends its faults.
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

// whole reports whether a whole path within the set is confirmed open.
func (c *Core) whole(within uint64) bool {
	within &= c.open
	for _, p := range c.paths {
		if p&^within == 0 {
			return true
		}
	}
	return false
}

// allShut reports whether every path is shown shut.
func (c *Core) allShut() bool {
	for _, p := range c.paths {
		for p != 0 && !c.isDead(bits.TrailingZeros64(p)) {
			p &= p - 1
		}
		if p == 0 {
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
	if c.want == 0 && c.rest&c.aside != 0 { // no path, as long as hands are in it
		for _, p := range c.paths {
			if p != 0 && p&^c.open == 0 {
				c.rest = p
				break
			}
		}
	}
	if c.want == 0 && (c.air() || !c.p.CloseAtRest) {
		if c.drawn() && !c.whole(c.rest) && c.blocked() == 0 {
			c.rest = c.spare()
		}
		c.keep = c.rest
	}
}

// drawn reports whether the collector runs although it is not commanded on: one
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
	not := c.faults[GateNotOpen] | c.faults[GateLost] | c.faults[GateOutput] | c.aside | c.touched() | ^c.actuated
	usable := func(p uint64) bool { return p != 0 && p&^c.open&not == 0 }
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
// path while the collector runs uncommanded. What somebody has just started
// something for is commanded again unless it is confirmed, with all tries, also
// where it has failed or lost its place.
func (c *Core) openGates(out *Out) {
	fresh := c.fresh
	c.fresh = 0
	if c.blocked() != 0 || c.quiet && !c.drawn() {
		return
	}
	must := c.want | c.testing() | fresh
	if c.want == 0 && c.drawn() && !c.whole(c.keep) {
		must |= c.keep
	}
	for must &^= c.aside; must != 0; must &= must - 1 {
		i := bits.TrailingZeros64(must)
		g := &c.gates[i]
		switch {
		case g.hands:
		case g.target != toOpen:
			c.move(i, toOpen, c.openCause(i, fresh), out)
		case (fresh&^c.open)>>i&1 == 0:
		case g.motion == still:
			c.move(i, toOpen, ByRetry, out)
		case c.p.Gates[i].Actuated: // one that is moved by hand is waited for once
			g.tries = 0
		}
	}
}

// touched are the gates that were taken back and in which hands may have been.
func (c *Core) touched() (set uint64) {
	for i := range c.gates {
		if c.gates[i].hands {
			set |= 1 << i
		}
	}
	return set
}

// anyMoves reports whether a gate is in motion.
func (c *Core) anyMoves() bool {
	for i := range c.gates {
		if c.gates[i].motion != still && c.p.Gates[i].Actuated {
			return true
		}
	}
	return false
}

// opening reports whether a wanted gate is still on its way.
func (c *Core) opening() bool {
	for w := c.want & c.actuated; w != 0; w &= w - 1 {
		if c.gates[bits.TrailingZeros64(w)].motion != still {
			return true
		}
	}
	return false
}

// openCause says for whom a gate opens.
func (c *Core) openCause(i int, fresh uint64) Cause {
	bit := uint64(1) << i
	switch {
	case (c.demand|fresh&c.cut)&bit != 0:
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
	may := c.whole(c.keep&^(c.freed|c.touched())) && !c.opening() || c.want == 0 && !c.air()
	var needless, test uint64
	if may {
		needless = c.actuated &^ (c.keep | c.busy | c.testing())
	}
	if c.test.gate != NoID && !c.test.open {
		test = 1 << c.test.gate &^ c.busy
	}
	byHand := (1<<len(c.gates) - 1) &^ c.actuated
	for p := byHand | needless | test; p != 0; p &= p - 1 {
		i := bits.TrailingZeros64(p)
		switch g, bit := &c.gates[i], p&-p; {
		case byHand&bit != 0:
			c.forget(i, out)
		case test&bit != 0:
			if g.target != toShut {
				c.move(i, toShut, ByTest, out)
			}
		case g.target == toOpen:
			c.move(i, toShut, c.cutShort(bit), out)
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
		for k := c.keep & c.actuated &^ c.aside; k != 0; k &= k - 1 {
			i := bits.TrailingZeros64(k)
			g := &c.gates[i]
			if c.open>>i&1 != 0 {
				if g.target == nowhere && !g.hands {
					c.seen(i, toOpen, out)
				}
			} else if (g.target == toShut || g.target == nowhere && !c.closed) && g.wait == never && !g.hands && !c.anyMoves() {
				c.move(i, toOpen, ByRest, out)
			}
		}
	}
	for i := range c.gates {
		g := &c.gates[i]
		switch {
		case !mayShut || g.target != nowhere || g.hands || g.wait != never || (c.keep|c.busy|c.aside|^c.actuated)>>i&1 != 0:
		case c.shut>>i&1 != 0:
			c.seen(i, toShut, out)
		case !c.closed && !(g.reset && c.air()) && !c.anyMoves():
			c.move(i, toShut, ByHoming, out)
		}
	}
}

// cutShort says why a gate shuts, and ends the run-ons there that the limit has
// left out.
func (c *Core) cutShort(bit uint64) Cause {
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
	g.back = (g.back || g.motion != still) && (to == toOpen && g.shown == ShownOpen || to == toShut && g.shown == ShownShut)
	was := g.reached
	c.freed &^= 1 << i
	g.target, g.reached, g.elapsed, g.reset, g.tries = to, false, false, false, 0
	c.clear(GateLost, cause, i, out)
	switch {
	case p.Actuated:
		c.order(i, cause, out)
	case was:
		g.reached = true // by hand, already
	default:
		g.motion, g.due, g.tries = travelling, c.now+p.Travel, uint8(c.p.Retries)
	}
	c.survey()
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
	g.back = false
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
	if g.late <= c.now {
		c.drop(i, ByGate, out)
	}
	if g.wait <= c.now {
		g.wait = never
	}
	if g.button.due(c.now) {
		c.raise(AsideStuck, BySensor, i, never, out)
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

// forget forgets that a gate which is moved by hand was waited for.
func (c *Core) forget(i int, out *Out) {
	g := &c.gates[i]
	if (c.want|c.cut)>>i&1 != 0 {
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

// stopGates ends every motion where it is.
func (c *Core) stopGates(cause Cause, out *Out) {
	for i := range c.gates {
		c.stopGate(i, cause, out)
	}
}

// stopGate ends a gate's motion where it is.
func (c *Core) stopGate(i int, cause Cause, out *Out) {
	g := &c.gates[i]
	if g.motion == still {
		return
	}
	if c.p.Gates[i].Actuated {
		g.seq = c.command(GateStop, i, out)
		c.event(GateStopped, cause, i, never, out)
	}
	g.lose()
}

// lose forgets where a gate is.
func (g *gate) lose() {
	g.target, g.motion, g.due, g.elapsed, g.back, g.tries = nowhere, still, never, false, false, 0
}

// gateRestarted takes that a gate's output has reset itself: the gate is at an
// unknown end, whatever else is wrong.
func (c *Core) gateRestarted(i int, out *Out) {
	g := &c.gates[i]
	known := g.target != nowhere || (c.open|c.shut)>>i&1 != 0
	g.lose()
	g.reset, g.wait = true, c.now+c.p.PowerUp
	if known {
		c.event(GateRestarted, ByFault, i, g.wait, out)
	}
}

// setAside takes a gate out of use, since hands are in it. It ends the gate's
// motion and stops no fan.
func (c *Core) setAside(i int, cause Cause, out *Out) {
	g := &c.gates[i]
	if c.aside>>i&1 != 0 {
		return
	}
	c.aside |= 1 << i
	if g.target != nowhere && !g.reached && g.motion == still {
		g.motion = ordered // its driver may have carried out what it did not answer in time
	}
	c.stopGate(i, cause, out)
	g.lose()
	g.hands, g.reached = false, false
	c.event(GateAside, cause, i, never, out)
	if c.test.gate == ID(i) {
		c.endTest(ByAside, out)
	}
}

// takeBack takes a gate into use again. That moves nothing and starts nothing:
// what runs there meanwhile is left until it is started again.
func (c *Core) takeBack(i int, cause Cause, out *Out) {
	c.aside &^= 1 << i
	c.gates[i].hands = true
	c.event(GateReturned, cause, i, never, out)
	if c.col.on {
		return
	}
	for k := range c.machines {
		if c.machines[k].path>>i&1 != 0 {
			c.leave(k, leftFan, ByAside, out)
		}
	}
}
