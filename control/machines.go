package control

import (
	"math/bits"
	"time"
)

// run is where a machine stands in its run.
//
//	idle -> starting          a reading: running
//	starting -> running       the run has lasted confirm
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
	path  uint64   // fixed: gates of all its hoods
	hoods []uint64 // fixed: gates of each hood

	run     run
	sensed  Verdict       // what its sensor says; 0 before the first reading
	due     time.Duration // starting: confirmed; lost: end of the hold; runOn: its end
	settle  time.Duration // starting, running: its inrush on the collector's circuit is over
	refused bool          // starting, running, lost: the air does not suffice for it
	changed time.Duration // for people: when the run last began or ended
}

// runs tells whether a run is on, as far as is known.
func (m *machine) runs() bool { return m.run == starting || m.run == running || m.run == lost }

// demands tells whether a machine's path must be open.
func (c *Core) demands(m *machine) bool { return m.runs() && !m.refused && !c.quiet }

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
			m.settle = never
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
	m.run, m.due, m.changed = starting, c.now+c.p.Collector.Confirm, c.now
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
	if b := c.blocked(); b == ByStop || b == ByStandDown {
		c.event(MachineRefused, b, i, never, out)
	}
	c.endTest(ByMachine, out)
	c.wake(m.path)
	m.refused = c.outranked(i)
	if m.refused {
		c.event(MachineRefused, ByLimit, i, never, out)
	}
}

// wake marks that someone has just started something: what was left alone when
// a latch or stand-down was lifted is served again, and gates on path that had
// failed are tried again.
func (c *Core) wake(path uint64) {
	c.quiet = false
	c.tryAgain(path)
}

// endRun ends a run. The gates of a machine that was served stay open for its
// own run-on.
func (c *Core) endRun(i int, cause Cause, onset time.Duration, out *Out) {
	m := &c.machines[i]
	served := c.demands(m) && c.blocked() == 0
	m.refused = false
	m.settle, m.changed = never, c.now
	m.run, m.due = idle, never
	if served && c.air() {
		m.run = runOn
		m.due = c.now + min(max(c.p.RunOn(ID(i), c.open), 0), longest)
		c.stay(m.due)
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
	if m.due > c.now {
		return
	}
	switch m.run {
	case starting:
		m.run, m.due = running, never
	case lost:
		c.endRun(i, ByUnknownHold, 0, out)
	case runOn:
		m.run, m.due = idle, never
	case idle, running:
		m.due = never
	}
}

// leaveAll leaves everything as it is until something is started anew: lifting
// a latch or a stand-down starts nothing.
func (c *Core) leaveAll(cause Cause, out *Out) {
	c.quiet = true
	for i := range c.machines {
		if c.machines[i].runs() {
			c.event(MachineRefused, cause, i, never, out)
		}
	}
}

// outranked tells whether machine i, which has just started, must be refused:
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
	c.demand, c.busy = 0, 0
	c.dropHeld, c.dropRunOn, c.dropGate = 0, 0, 0
	for i := range c.machines {
		m := &c.machines[i]
		if c.demands(m) {
			c.demand |= m.path
		}
		if m.runs() || m.sensed != Idle {
			c.busy |= m.path
		}
	}
	c.want = c.wanted()
	var helpers uint64
	if c.p.Helper != nil && c.want != 0 {
		helpers = c.p.Helper(c.want) & c.ends & c.actuated &^ c.want
	}
	if c.p.Purge != nil && c.runsOnOnly() {
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

// wanted is the union of all paths that are not dropped.
func (c *Core) wanted() uint64 {
	w := c.demand
	for i := range c.machines {
		if m := &c.machines[i]; m.run == runOn && c.dropRunOn>>i&1 == 0 {
			w |= m.path
		}
	}
	for i := range c.gates {
		g := &c.gates[i]
		if g.held != never && c.dropHeld>>i&1 == 0 || g.runOn != never && c.dropGate>>i&1 == 0 {
			w |= g.path
		}
	}
	return w
}

// dropOne leaves out one more path: held gates before gates in run-on, the one
// that ends first before the others; in run-on the lowest rank goes first.
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
		if g := &c.gates[i]; g.runOn != never && c.dropGate>>i&1 == 0 && g.path&c.ends&^c.demand != 0 && (best < 0 || g.runOn < c.gates[best].runOn) {
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
		if m := &c.machines[i]; m.run == runOn && c.dropRunOn>>i&1 == 0 && m.path&c.ends&^c.demand != 0 && (best < 0 || before(i, best)) {
			best = i
		}
	}
	if best >= 0 {
		c.dropRunOn |= 1 << best
		return true
	}
	return false
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
		c.tryAgain(c.machines[best].path)
	}
}
