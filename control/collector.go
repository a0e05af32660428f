package control

import (
	"slices"
	"time"
)

// collector is the state of the collector.
//
//	off -> on   a machine has run for confirm and a whole path to it is open,
//	            or a gate is held and its path is open; nothing holds it back
//	on -> off   no demand, no run-on, nothing owed, a further start left
//	on -> off   at once: stop input, stand-down, its switch in off, every path
//	            shown shut (the third time latched), no current (latched), output
//	            failed (latched)
type collector struct {
	on       bool
	seen     bool     // on: its feedback has said running since
	faulted  bool     // off: a fault has stopped it; the next start is within the budget, whatever wants it
	sensed   Verdict  // its feedback; 0 before the first report
	selector Selector // its hand/off/auto switch; Auto before the first report

	stayUntil time.Duration            // on: the longest run-on pending, with what is owed
	minOn     time.Duration            // on: end of the minimum time on
	minOff    time.Duration            // off: end of the minimum time off
	owed      time.Duration            // on: what the last start took from the minimum time off; a length, never a deadline
	coast     time.Duration            // off: the fan is still from then on
	check     time.Duration            // the feedback contradicts the command; a fault from then on
	allShut   time.Duration            // on: every path is shown shut; off from then on
	offAt     time.Duration            // its switch passes off; it is at off from then on
	shuts     [2]time.Duration         // ends of the window of the latest stops because every path was shut, oldest first; never: unused
	answer    time.Duration            // the driver's answer is overdue from then on
	starts    [MaxStarts]time.Duration // ends of the budget window of the latest starts, oldest first; never: unused
	bin       Level                    // the last that was known; 0 before the first
	heldBack  Cause                    // off: what a wanted start waits for
	seq       uint32                   // of the last command; not in the key
	changed   time.Duration            // for people: when it was last switched
	need      Cause                    // for people: on: what has kept it on
}

func (k *collector) init() {
	k.selector = Auto
	k.stayUntil, k.minOn, k.minOff, k.coast, k.check, k.allShut, k.answer = never, never, never, never, never, never, never
	k.offAt, k.shuts = never, [...]time.Duration{never, never}
	for i := range k.starts {
		k.starts[i] = never
	}
}

// remember takes in what is known from before the first step.
func (k *collector) remember(now time.Duration, p *Params) {
	ago := slices.Sorted(slices.Values(p.Past.Starts))
	ago = ago[:min(len(ago), p.Collector.Starts)] // the latest
	n := 0
	for _, a := range slices.Backward(ago) {
		if a < p.Collector.Window {
			k.starts[n] = now + p.Collector.Window - a
			n++
		}
	}
	k.faulted = p.Past.Kept.Failed != 0
	if p.Past.MinOff > 0 {
		k.minOff = now + p.Past.MinOff
	}
}

// next is the collector's earliest deadline.
func (k *collector) next() time.Duration {
	return min(k.stayUntil, k.minOn, k.minOff, k.coast, k.check, k.allShut, k.answer, k.offAt, k.shuts[0], k.starts[0])
}

// locked reports whether the collector's switch is at off, not only passes it.
func (k *collector) locked() bool { return k.selector == Off && k.offAt == never }

// still reports whether the collector is known to stand still although it is on.
func (k *collector) still() bool { return k.on && k.seen && k.sensed == Idle }

// bar returns what keeps the collector off until somebody acts; 0 nothing.
func (c *Core) bar() Cause {
	k := &c.col
	switch {
	case c.stopped():
		return ByStop
	case c.down:
		return ByStandDown
	case c.failed() != 0:
		return ByFault
	case k.locked():
		return BySwitch
	case !k.on && k.bin == Full && c.p.BinBlocks:
		return ByBin
	}
	return 0
}

// air reports whether air moves or must be taken to move.
func (c *Core) air() bool {
	k := &c.col
	return k.on || k.coast != never || k.sensed == Running || k.selector == Hand || c.has(CollectorStillOn, 0)
}

// stay keeps the collector on until a run-on ends, and longer by what is owed.
func (c *Core) stay(until time.Duration) {
	k := &c.col
	if k.on && (k.stayUntil == never || k.stayUntil < until+k.owed) {
		k.stayUntil = until + k.owed
	}
}

// startsLeft is the number of starts left in the budget's window.
func (c *Core) startsLeft() int {
	n := 0
	for _, s := range c.col.starts[:c.starts] {
		if s == never {
			n++
		}
	}
	return n
}

// wantsStart says what wants the collector on, by a path that is whole: a
// machine whose run has lasted, or a held gate. The zero cause is nothing.
func (c *Core) wantsStart() Cause {
	for i := range c.machines {
		m := &c.machines[i]
		if m.run != running || !c.demands(m) {
			continue
		}
		for _, h := range m.hoods {
			if h&^c.open == 0 {
				return ByMachine
			}
		}
	}
	for i := range c.gates {
		if g := &c.gates[i]; g.held != never && c.dropHeld>>i&1 == 0 && g.path&^c.open == 0 {
			return ByHold
		}
	}
	return 0
}

// holdsBack says what a wanted start must wait for, and until when if that is
// known. What bars it until somebody acts has left what wants it: see leaveBarred. Minimum time off never holds back a machine's start, and the budget only
// one after a fault.
func (c *Core) holdsBack(wants Cause) (Cause, time.Duration) {
	k := &c.col
	if b := c.blocked(); b != 0 {
		return b, c.boot
	}
	if k.selector == Off { // or passes it
		return BySwitch, never
	}
	until := time.Duration(0)
	for i := range c.machines {
		if s := c.machines[i].settle; s != never {
			until = max(until, s)
		}
	}
	if until > 0 {
		return ByInrush, until
	}
	if wants == ByHold && k.minOff != never {
		return ByMinOff, k.minOff
	}
	if (wants == ByHold || k.faulted) && c.starts > 0 && c.startsLeft() == 0 {
		return ByBudget, k.starts[0]
	}
	return 0, never
}

// needed says why a running collector stays on. The zero cause is nothing.
func (c *Core) needed() (Cause, time.Duration) {
	k := &c.col
	var why Cause
	until := time.Duration(0)
	for i := range c.machines {
		switch m := &c.machines[i]; {
		case c.demands(m) && m.run == lost:
			why = ByUnknown
		case c.demands(m):
			return ByMachine, never
		case m.run == runOn:
			until = max(until, m.due)
		}
	}
	if why != 0 {
		return why, never
	}
	for i := range c.gates {
		g := &c.gates[i]
		if g.held != never && c.dropHeld>>i&1 == 0 {
			return ByHold, g.held
		}
		if g.runOn != never {
			until = max(until, g.runOn)
		}
	}
	switch {
	case until > 0:
		return ByRunOn, until
	case k.stayUntil != never:
		return ByMinOff, k.stayUntil
	case k.minOn != never:
		return ByMinOn, k.minOn
	case c.starts > 0 && c.startsLeft() == 0:
		return ByBudget, k.starts[0]
	}
	return 0, never
}

// lapsed is the cause of off when nothing keeps the collector on any more: the
// time that did so last, if one did.
func (k *collector) lapsed() Cause {
	switch k.need {
	case ByRunOn, ByMinOff, ByMinOn, ByBudget:
		return k.need
	default:
		return ByNoDemand
	}
}

// runCollector switches the collector as the state demands.
func (c *Core) runCollector(out *Out) {
	k := &c.col
	if k.on {
		k.heldBack = 0
		if k.locked() {
			c.switchOff(BySwitch, out)
		} else if why, _ := c.needed(); why != 0 {
			k.need = why
		} else {
			c.switchOff(k.lapsed(), out)
		}
	} else {
		wants := c.wantsStart()
		var back Cause
		until := never
		if wants != 0 {
			back, until = c.holdsBack(wants)
		}
		if back != 0 && back != k.heldBack {
			c.event(StartHeldBack, back, 0, until, out)
		}
		k.heldBack = back
		if wants != 0 && back == 0 {
			c.switchOn(wants, out)
		}
	}
	switch {
	case !k.on || !c.allShut():
		k.allShut = never
	case k.allShut == never:
		k.allShut = c.now + c.p.AllShut
	}
	k.seen = k.on && (k.seen || k.sensed == Running)
	switch {
	case !c.has(EveryPathShut, 0):
	case c.whole(^uint64(0)):
		c.clear(EveryPathShut, BySensor, 0, out)
	case c.p.CloseAtRest && c.want == 0 && !c.air(): // at rest, shut as it should be
		c.clear(EveryPathShut, ByNoDemand, 0, out)
	}
	c.checkFeedback(out)
}

// checkFeedback starts or ends the time within which the feedback must follow.
func (c *Core) checkFeedback(out *Out) {
	k := &c.col
	if k.on || k.sensed == Idle || k.selector == Hand {
		c.clear(CollectorStillOn, BySensor, 0, out)
	}
	against := k.on && k.sensed == Idle || !k.on && k.sensed == Running && k.selector != Hand
	rises := k.on && !k.seen && k.sensed != Running // also while its sensor says nothing
	switch {
	case !against && !rises || c.p.Collector.Feedback == NoFeedback:
		k.check = never
	case k.check == never && !c.has(CollectorStillOn, 0):
		k.check = c.now + c.p.Collector.Within
	}
}

func (c *Core) switchOn(cause Cause, out *Out) {
	k := &c.col
	if c.starts > 0 {
		if c.startsLeft() == 0 {
			c.event(BudgetExceeded, ByBudget, 0, k.starts[0], out)
			c.dropStart()
		}
		k.starts[c.starts-c.startsLeft()] = c.now + c.p.Collector.Window
	}
	k.on, k.seen, k.changed, k.need = true, false, c.now, 0
	if k.minOff != never {
		k.owed = k.minOff - c.now
	}
	k.minOff, k.coast, k.check = never, never, never
	k.minOn = c.now + c.p.Collector.MinOn
	k.seq = c.command(CollectorOn, 0, out)
	k.answer = c.now + c.p.Answer
	c.event(CollectorIsOn, cause, 0, never, out)
}

// dropStart forgets the oldest start.
func (c *Core) dropStart() {
	s := c.col.starts[:c.starts]
	copy(s, s[1:])
	s[len(s)-1] = never
}

// switchOff commands off. With the first step it does so whatever is known. An
// off that is repeated prolongs nothing: the feedback must follow the first.
func (c *Core) switchOff(cause Cause, out *Out) {
	k := &c.col
	if k.on {
		k.minOff = c.now + c.p.Collector.MinOff
		k.coast = c.now + c.p.Collector.Coast
		k.changed = c.now
		k.check = never
		k.faulted = cause == ByFault
		c.event(CollectorIsOff, cause, 0, never, out)
	}
	k.on, k.seen, k.owed = false, false, 0
	k.stayUntil, k.minOn, k.allShut = never, never, never
	k.seq = c.command(CollectorOff, 0, out)
	k.answer = c.now + c.p.Answer
}

// collectorDue lets the collector's deadlines pass.
func (c *Core) collectorDue(out *Out) {
	k := &c.col
	for _, d := range [...]*time.Duration{&k.stayUntil, &k.minOn, &k.minOff, &k.coast} {
		if *d <= c.now {
			*d = never
		}
	}
	for c.starts > 0 && k.starts[0] <= c.now {
		c.dropStart()
	}
	if k.shuts[0] <= c.now {
		k.shuts = [...]time.Duration{k.shuts[1], never}
	}
	if k.offAt <= c.now {
		k.offAt = never
		c.event(CollectorLocked, BySwitch, 0, never, out)
	}
	if k.allShut <= c.now {
		c.shutOut(out)
	}
	if k.check <= c.now {
		k.check = never
		switch {
		case !k.on:
			c.raise(CollectorStillOn, BySensor, 0, never, out)
		case k.sensed == Idle:
			c.fail(CollectorNoCurrent, out)
		default: // nobody knows; from now on idle is still
			k.seen = true
		}
	}
	if k.answer <= c.now {
		k.answer = never
		c.unswitched(out)
	}
}

// fail latches the collector off. There is no automatic retry.
func (c *Core) fail(f FaultKind, out *Out) {
	c.raise(f, ByFault, 0, never, out)
	c.switchOff(ByFault, out)
}

// shutOut stops the collector because every path is shown shut. What wants it is
// left until it is started again; the third time within the window is latched.
func (c *Core) shutOut(out *Out) {
	k := &c.col
	c.raise(EveryPathShut, BySensor, 0, never, out)
	switch end := c.now + c.p.ShutWindow; {
	case k.shuts[0] == never:
		k.shuts[0] = end
	case k.shuts[1] == never:
		k.shuts[1] = end
	default:
		k.shuts = [...]time.Duration{k.shuts[1], end}
		c.raise(ShutTooOften, ByFault, 0, never, out)
	}
	c.switchOff(ByFault, out)
	for i := range c.machines {
		c.leave(i, leftFan, ByFault, out)
	}
	for i := range c.gates {
		c.drop(i, ByFault, out)
	}
}

// collectorAnswer takes the driver's answer.
func (c *Core) collectorAnswer(o Outcome, out *Out) {
	k := &c.col
	if k.answer == never {
		return
	}
	switch {
	case o == Done:
		k.answer = never
		c.clear(CollectorNotOff, BySensor, 0, out)
	case k.on:
		k.answer = never
		c.unswitched(out)
	default:
		c.raise(CollectorNotOff, ByFault, 0, never, out) // and off again when the answer is due
	}
}

// unswitched handles a command that did not reach the contactor. On is given
// up and latched; off is repeated until it is carried out.
func (c *Core) unswitched(out *Out) {
	if c.col.on {
		c.fail(CollectorOutput, out)
		return
	}
	c.raise(CollectorNotOff, ByFault, 0, never, out)
	c.switchOff(ByFault, out)
}

// collectorIs takes in the collector's own current or contact.
func (c *Core) collectorIs(v Verdict, out *Out) {
	k := &c.col
	if c.p.Collector.Feedback == NoFeedback {
		return
	}
	was := k.sensed
	k.sensed = v
	if v == Unknown {
		c.raise(CollectorSensor, BySensor, 0, never, out)
	} else {
		c.clear(CollectorSensor, BySensor, 0, out)
	}
	if !k.on && v == Idle && (was == Running || c.has(CollectorStillOn, 0)) {
		k.coast = c.now + c.p.Collector.Coast
	}
}

// switchIs takes in the collector's hand/off/auto switch.
func (c *Core) switchIs(s Selector, out *Out) {
	k := &c.col
	if s == k.selector || !c.p.Collector.Switch {
		return
	}
	if k.selector == Hand && !k.on {
		k.coast = c.now + c.p.Collector.Coast
	}
	k.selector, k.offAt = s, never
	switch s {
	case Hand:
		c.event(CollectorHand, BySwitch, 0, never, out)
		c.endTest(ByHand, out)
	case Off:
		k.offAt = c.now + c.p.OffSettle // a switch from hand to auto passes off
	case Auto:
		c.event(CollectorAuto, BySwitch, 0, never, out)
	}
}

// binIs takes in the bin's level. Unknown changes nothing: the last level that
// was known holds.
func (c *Core) binIs(l Level, out *Out) {
	if l == LevelUnknown {
		return
	}
	k := &c.col
	was := k.bin
	k.bin = l
	switch {
	case l == Full && was != Full:
		c.event(BinIsFull, BySensor, 0, never, out)
	case l == Room && was == Full:
		c.event(BinHasRoom, BySensor, 0, never, out)
	}
}
