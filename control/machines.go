package control

import (
	"cmp"
	"math/bits"
	"time"
)

// run is how far a machine is in its run.
//
//	idle -> starting          a reading: running
//	starting -> running       its current has lasted confirm
//	starting, running -> lost a reading: unknown
//	lost -> starting          a reading: running again
//	any of these -> runOn     a reading: idle, or the unknown hold is over, and air moves
//	any of these -> idle      the same, and no air moves
//	runOn -> idle             the run-on is over
//	runOn -> starting         a reading: running
type run uint8

const (
	idle run = iota
	starting
	running
	lost
	runOn
)

// machine is the state of a machine.
type machine struct {
	path  uint64        // fixed: gates of all its hoods
	hoods []uint64      // fixed: gates of each hood
	bound time.Duration // fixed: a start takes no longer, with all tries of all gates

	run     run
	left    left          // runs, or its sensor is lost since: left alone until it is started again
	sensed  Verdict       // what its sensor says; 0 before the first reading
	due     time.Duration // starting: confirmed, never while its current is gone; lost: end of the hold; runOn: its end
	gap     time.Duration // starting: its current is gone; confirm begins again if it is still gone then
	serve   time.Duration // runs: its start may take until then; uncollected is said from then on
	late    time.Duration // runs: no way to it opens any more; it is left from then on
	settle  time.Duration // starting, running: its inrush on the collector's circuit is over
	refused bool          // starting, running, lost: the air does not suffice for it
	changed time.Duration // for people: when the run last began or ended
}

// left says how far a machine is left alone until it is started again.
type left uint8

const (
	served  left = iota
	leftFan      // no fan and no gate by it
	leftAll      // and no outlet: a stop input acted or somebody stood down while it ran
)

// runs reports whether a run is on, as far as is known.
func (m *machine) runs() bool { return m.run == starting || m.run == running || m.run == lost }

// demands reports whether a machine's path must be open.
func (c *Core) demands(m *machine) bool {
	return m.runs() && !m.refused && m.left == served && !c.p.MoveIn
}

// machineIs takes in a reading.
func (c *Core) machineIs(i int, v Verdict, onset time.Duration, out *Out) {
	m := &c.machines[i]
	was := m.sensed
	m.sensed = v
	switch v {
	case Unknown:
		if was == Unknown {
			return
		}
		until := never
		if m.run == starting || m.run == running {
			m.run = lost
			m.settle, m.gap = never, never
			m.due = c.now + c.p.UnknownHold
			until = m.due
		}
		c.event(MachineUnknown, BySensor, i, until, out)
		c.raise(SensorLost, BySensor, i, until, out)
		if c.allUnknown() {
			c.raise(AllSensingLost, BySensor, 0, never, out)
		}
		return
	case Running:
		c.sensorBack(i, out)
		switch m.run {
		case idle, runOn:
			c.startRun(i, was, onset, out)
		case lost:
			m.run, m.due = starting, c.now+c.p.Collector.Confirm
		case starting, running:
		}
	case Idle:
		c.sensorBack(i, out)
		if m.runs() {
			c.endRun(i, BySensor, onset, out)
		}
		m.left = served
	}
}

// currentIs takes in whether the current of a machine that starts is there. A
// gap begins confirm again unless it is short.
func (c *Core) currentIs(i int, f Flow) {
	m := &c.machines[i]
	switch {
	case m.run != starting:
	case f == Gone && m.gap == never && m.due != never:
		m.gap = c.now + c.p.Gap + 1 // longer than that
	case f == Flows:
		m.gap = never
		if m.due == never {
			m.due = c.now + c.p.Collector.Confirm
		}
	}
}

func (c *Core) sensorBack(i int, out *Out) {
	c.clear(AllSensingLost, BySensor, 0, out)
	c.clear(SensorLost, BySensor, i, out)
}

func (c *Core) allUnknown() bool {
	for i := range c.machines {
		if c.machines[i].sensed != Unknown {
			return false
		}
	}
	return true
}

func (c *Core) startRun(i int, was Verdict, onset time.Duration, out *Out) {
	m := &c.machines[i]
	m.run, m.due, m.gap, m.changed = starting, c.now+c.p.Collector.Confirm, never, c.now
	m.serve = c.now + m.bound
	cause := BySensor
	if was == 0 && !c.p.Midway && !c.p.Past.Powered {
		cause = ByFoundRunning
	}
	out.Events = append(out.Events, Event{At: c.now, Onset: onset, Kind: MachineStarted, Cause: cause, ID: ID(i)})
	c.clear(ProbablyBreaker, ByMachine, i, out)
	if p := &c.p.Machines[i]; p.Circuit != NoID && p.Circuit == c.p.Collector.Circuit {
		m.settle = c.now + p.Inrush
	}
	if c.closed {
		c.event(ClosedShopRun, ByShopClosed, i, never, out)
	}
	if c.p.MoveIn { // a test move goes on
		return
	}
	c.endTest(ByMachine, out)
	m.refused = c.outranked(i)
	if m.left == served && !c.down && !c.stopped() { // under either it is no demand
		c.quiet = false
		if !m.refused {
			c.wake(m.path)
		}
	}
}

// wake marks that somebody has just started something: the gates on its path are
// commanded again, also those that have failed, and those that were taken back.
func (c *Core) wake(path uint64) {
	c.quiet = false
	c.fresh |= path
	c.freed &^= path
	for i := range c.gates { // a closing that no driver took is tried again at rest
		if g := &c.gates[i]; c.has(GateOutput, i) && g.target == toShut && g.motion == still {
			g.target, g.elapsed, g.reached = nowhere, false, false
		}
	}
	for p := path &^ c.aside; p != 0; p &= p - 1 {
		c.gates[bits.TrailingZeros64(p)].hands = false
	}
}

// endRun ends a run. The gates of a machine that was served stay open for its
// own run-on, and so do those of one that was left and whose dust is collected
// all the same.
func (c *Core) endRun(i int, cause Cause, onset time.Duration, out *Out) {
	m := &c.machines[i]
	served := (c.demands(m) || c.collected(i)) && c.blocked() == 0
	m.refused = false
	m.settle, m.changed = never, c.now
	m.run, m.due, m.gap = idle, never, never
	if served && c.air() {
		m.run = runOn
		m.due = c.now + min(max(c.p.RunOn(ID(i), c.open), 0), longest)
		if c.wants(out); c.dropRunOn>>i&1 != 0 {
			m.run, m.due, cause = idle, never, ByLimit // the air does not suffice for its run-on
		} else {
			c.stay(m.due)
		}
	}
	e := Event{At: c.now, Onset: onset, Kind: MachineStopped, Cause: cause, ID: ID(i)}
	if m.due != never {
		e.Until = m.due
	}
	out.Events = append(out.Events, e)
	c.breakerCheck(i, onset, out)
}

// machineDue lets a machine's deadlines pass.
func (c *Core) machineDue(i int, out *Out) {
	m := &c.machines[i]
	if m.settle <= c.now {
		m.settle = never
	}
	if m.serve <= c.now {
		m.serve = never
	}
	if m.late <= c.now {
		c.leave(i, leftFan, ByGate, out)
	}
	if m.gap <= c.now {
		m.gap, m.due = never, never
	}
	if m.due > c.now {
		return
	}
	switch m.run {
	case starting:
		if m.due = m.gap; m.gap == never {
			m.run = running
		}
	case lost:
		c.endRun(i, ByUnknownHold, 0, out)
	case runOn:
		m.run, m.due = idle, never
	case idle, running:
		m.due = never
	}
}

// leave leaves a machine that runs alone until it is started again.
func (c *Core) leave(i int, how left, cause Cause, out *Out) {
	m := &c.machines[i]
	m.late = never
	if !m.runs() || m.left >= how {
		return
	}
	if m.left == served {
		c.event(MachineLeft, cause, i, never, out)
	}
	m.left = how
}

// leaveBarred leaves what runs or is held while the collector is kept off until
// somebody acts: what he does then must start nothing by itself.
func (c *Core) leaveBarred(out *Out) {
	b := c.bar()
	if b == 0 {
		return
	}
	how := leftFan
	if b == ByStop || b == ByStandDown {
		how = leftAll
	}
	for i := range c.machines {
		c.leave(i, how, b, out)
	}
	for i := range c.gates {
		c.drop(i, b, out)
	}
}

// watchArrivals gives a gate that has failed one travel time more to arrive. Where
// none does, somebody's hand is at it: what wanted it is left, so that the hand
// starts no fan.
func (c *Core) watchArrivals() {
	calm := c.blocked() == 0 && !c.col.on
	for i := range c.machines {
		m := &c.machines[i]
		if !calm || !c.demands(m) {
			m.late = never
			continue
		}
		wait := time.Duration(0)
		for _, h := range m.hoods {
			wait = max(wait, c.patience(h))
		}
		m.late = count(m.late, wait, c.now)
	}
	for i := range c.gates {
		g := &c.gates[i]
		if !calm || g.held == never || c.dropHeld>>i&1 != 0 {
			g.late = never
			continue
		}
		g.late = count(g.late, c.patience(g.path), c.now)
	}
}

// count is a deadline that begins when wait is set and ends when it is not.
func count(deadline, wait, now time.Duration) time.Duration {
	switch {
	case wait == never:
		return never
	case deadline == never:
		return now + wait
	}
	return deadline
}

// patience is how long a path may still become whole by itself once nothing on it
// is on its way: never while something is, or while it is whole.
func (c *Core) patience(path uint64) (wait time.Duration) {
	moves := true
	for p := path &^ c.open; p != 0; p &= p - 1 {
		i := bits.TrailingZeros64(p)
		g := &c.gates[i]
		switch {
		case c.aside>>i&1 != 0, g.hands:
			return 0
		case g.target == toOpen && g.motion != still:
		case !c.p.Gates[i].Actuated && c.has(GateNotOpen, i): // nobody opened it within its waiting time
			return 0
		default:
			moves = false
			wait = max(wait, min(c.p.Gates[i].Travel, c.p.Late))
		}
	}
	if moves {
		return never
	}
	return wait
}

// collected reports whether the dust of a machine is collected, if it runs.
func (c *Core) collected(i int) bool {
	return c.col.on && !c.col.still() && c.machines[i].path&^c.open == 0
}

// lacks says why the dust of a machine that runs is not collected, and whether its
// start may still bring that about. The zero cause is: it is collected.
func (c *Core) lacks(i int) (why Cause, waits bool) {
	m, k := &c.machines[i], &c.col
	if c.collected(i) {
		return 0, false
	}
	switch b := c.blocked(); {
	case c.p.MoveIn:
		return ByMoveIn, false
	case c.bar() != 0:
		return c.bar(), false
	case m.refused:
		return ByLimit, false
	case b != 0: // it has just begun, or a stop input has not reported yet
		return b, m.left == served
	}
	if g, moves := c.missing(m.path); g != 0 {
		return g, moves && m.left == served
	}
	switch {
	case k.on:
		return ByNoCurrent, false
	case m.left != served:
		return ByLeft, false
	case m.run == lost:
		return ByUnknown, false
	case m.run == starting:
		return ByConfirm, true
	}
	b, _ := c.holdsBack(ByMachine)
	return cmp.Or(b, ByPath), true
}

// missing says what keeps a path from being whole: a gate that is set aside before
// one that is not open, one that may be open, and one that is on its way.
func (c *Core) missing(path uint64) (why Cause, moves bool) {
	for p := path &^ c.open; p != 0; p &= p - 1 {
		i := bits.TrailingZeros64(p)
		g, par := &c.gates[i], &c.p.Gates[i]
		switch {
		case c.aside>>i&1 != 0:
			return ByAside, false
		case g.target == toOpen && g.motion != still:
			if why == 0 {
				why, moves = ByPath, true
			}
		case g.shown == ShownShut || g.shown == ShownBetween && par.ShutSwitch || c.has(GateNotOpen, i) && g.shown != ShownUnknown:
			why, moves = ByGate, false
		case why != ByGate:
			why, moves = ByUnconfirmed, false
		}
	}
	return why, moves
}

// sayUncollected raises and clears the fault that dust goes nowhere.
func (c *Core) sayUncollected(out *Out) {
	for i := range c.machines {
		m := &c.machines[i]
		if !m.runs() {
			m.serve = never
			c.clear(Uncollected, ByNoDemand, i, out)
			continue
		}
		if c.collected(i) {
			m.serve = never
			c.clear(Uncollected, BySensor, i, out)
			continue
		}
		if c.has(Uncollected, i) {
			continue
		}
		if why, waits := c.lacks(i); !waits || m.serve == never {
			m.serve = never
			c.raise(Uncollected, why, i, never, out)
		}
	}
}

// outranked reports whether machine i, which has just started, must be refused:
// only by the owner's choice, only beyond the limit, and only in favour of
// machines that it does not outrank.
func (c *Core) outranked(i int) bool {
	if !c.p.RefuseRunning || c.p.MaxOpen == 0 {
		return false
	}
	var served uint64
	for k := range c.machines {
		if m := &c.machines[k]; k != i && c.demands(m) {
			if c.p.Machines[i].Rank > c.p.Machines[k].Rank {
				return false
			}
			served |= m.path
		}
	}
	path := c.machines[i].path
	return served != 0 && path&c.ends&^served != 0 && c.branches(served|path) > c.p.MaxOpen
}

func (c *Core) branches(gates uint64) int { return bits.OnesCount64(gates & c.ends) }

// wants works out which gates are wanted open: the paths of demands, of holds
// and of run-ons, and helper gates. When the air does not suffice it leaves
// out, in order, helper gates, held gates and gates in run-on.
func (c *Core) wants(out *Out) {
	c.readmit()
	c.demand, c.busy, c.cut = 0, 0, 0
	c.dropHeld, c.dropRunOn, c.dropGate = 0, 0, 0
	for i := range c.machines {
		m := &c.machines[i]
		if c.demands(m) {
			c.demand |= m.path
		}
		if m.runs() {
			c.cut |= m.path
		} else if m.sensed != Idle {
			c.busy |= m.path
		}
	}
	c.busy |= c.cut
	c.want = c.wanted()
	var helpers uint64
	if c.p.Helper != nil && c.want != 0 {
		helpers = c.p.Helper(c.want) & c.ends & c.actuated &^ c.want
	}
	if c.p.Purge != nil && c.runsOnOnly() && c.faults == [faultKinds]uint64{} {
		helpers |= c.p.Purge(c.want) & c.ends & c.actuated &^ c.want
	}
	for most := c.p.MaxOpen; most > 0 && c.branches(c.want|helpers) > most; c.want = c.wanted() {
		if helpers != 0 {
			helpers &^= 1 << (63 - bits.LeadingZeros64(helpers))
		} else if !c.dropOne() {
			break
		}
	}
	c.helper = 0
	for h := helpers; h != 0; h &= h - 1 {
		c.helper |= c.gates[bits.TrailingZeros64(h)].path
	}
	c.helper &^= c.want
	c.want |= c.helper
	weak := c.p.MaxOpen > 0 && c.branches(c.demand) > c.p.MaxOpen
	if weak && !c.weak {
		c.event(WeakAir, ByLimit, 0, never, out)
	}
	c.weak = weak
}

// runsOnOnly reports whether gates are wanted open for run-ons alone: no machine
// and no hold asks for air.
func (c *Core) runsOnOnly() bool {
	if c.demand != 0 || c.want == 0 {
		return false
	}
	for i := range c.gates {
		if c.gates[i].held != never {
			return false
		}
	}
	return true
}

// runsOn reports whether a machine's run-on is on.
func (c *Core) runsOn(m *machine) bool { return m.run == runOn && m.due > c.now }

// airs reports whether the run-on after a hold of a gate is on.
func (c *Core) airs(g *gate) bool { return g.runOn != never && g.runOn > c.now }

// wanted is the union of all paths that are not dropped.
func (c *Core) wanted() uint64 {
	w := c.demand
	for i := range c.machines {
		if m := &c.machines[i]; c.runsOn(m) && c.dropRunOn>>i&1 == 0 {
			w |= m.path
		}
	}
	for i := range c.gates {
		g := &c.gates[i]
		if g.held != never && c.dropHeld>>i&1 == 0 || c.airs(g) && c.dropGate>>i&1 == 0 {
			w |= g.path
		}
	}
	return w
}

// dropOne leaves out one more path: held gates before gates in run-on, the one
// that ends first before the others; in run-on the lowest rank goes first. The last that
// wants air keeps it.
func (c *Core) dropOne() bool {
	best := -1
	for i := range c.gates {
		if g := &c.gates[i]; g.held != never && c.dropHeld>>i&1 == 0 && g.path&c.ends&^c.demand != 0 && (best < 0 || g.held < c.gates[best].held) {
			best = i
		}
	}
	if best >= 0 {
		c.dropHeld |= 1 << best
		return true
	}
	for i := range c.gates {
		if g := &c.gates[i]; c.airs(g) && c.dropGate>>i&1 == 0 && g.path&c.ends&^c.demand != 0 && (best < 0 || g.runOn < c.gates[best].runOn) {
			best = i
		}
	}
	if best >= 0 {
		c.dropGate |= 1 << best
		return true
	}
	before := func(a, b int) bool {
		if ra, rb := c.p.Machines[a].Rank, c.p.Machines[b].Rank; ra != rb {
			return ra < rb
		}
		return c.machines[a].due < c.machines[b].due
	}
	for i := range c.machines {
		if m := &c.machines[i]; c.runsOn(m) && c.dropRunOn>>i&1 == 0 && m.path&c.ends&^c.demand != 0 && (best < 0 || before(i, best)) {
			best = i
		}
	}
	if best < 0 {
		return false
	}
	c.dropRunOn |= 1 << best
	if c.wanted() == 0 { // nothing else wants the air
		c.dropRunOn &^= 1 << best
		return false
	}
	return true
}

// readmit serves refused machines for which the air suffices again, the
// highest rank first.
func (c *Core) readmit() {
	for {
		best := -1
		for i := range c.machines {
			if m := &c.machines[i]; m.refused && !c.outranked(i) && (best < 0 || c.p.Machines[i].Rank > c.p.Machines[best].Rank) {
				best = i
			}
		}
		if best < 0 {
			return
		}
		c.machines[best].refused = false
		c.wake(c.machines[best].path)
	}
}
