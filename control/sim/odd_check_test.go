package sim_test

import (
	"fmt"
	"math/bits"
	"time"

	"kerfwind/control"
)

// longAgo is before everything.
const longAgo = -1000 * time.Hour

type machineNote struct {
	v        control.Verdict // what the sensor says; 0: it was not heard of yet
	from     time.Duration   // since when the current has lasted
	goneAt   time.Duration   // since when it is away while the verdict still says running; -1: it is there
	idleAt   time.Duration   // when it went away
	lasted   bool            // the current has lasted confirm in this run
	run      bool            // it runs, or ran when its sensor was lost
	start    time.Duration   // of the run
	holdEnd  time.Duration   // of a run whose sensor is lost
	runOn    time.Duration   // its own run-on lasts at least until then
	told     time.Duration   // until then, as it was told
	left     bool            // a person's act has left it behind: only a new start counts
	alone    bool            // the program says that it is left
	served   bool            // it had a path and a fan in this run
	trouble  time.Duration   // last act since which it may wait for something that the checker does not follow
	ready    time.Duration   // since when nothing keeps the fan from it
	refused  bool
	wellFrom time.Duration // since when it is collected beyond doubt; -1: it is not
}

type gateNote struct {
	shown    control.Shown
	cmd      control.CommandKind // the last one; 0: none since the start
	seq      uint32
	cmdAt    time.Duration
	doneAt   time.Duration // when it was answered; -1: not
	failed   bool
	button   button
	sure     bool          // without an open switch: it has been opened and nothing has moved it since
	tries    int           // openings without a new reason
	opens    int           // openings since anything else
	ready    time.Duration // since when nothing keeps the fan from its hold
	held     time.Duration // as the snapshot says
	heldFrom time.Duration
	heldNew  time.Duration // when it was asked anew
	starter  bool          // the hold may start the fan
	left     bool          // the hold has been left behind
	homing   bool          // its last command is to find out where it is
	movedAt  time.Duration // when its switches last changed
	known    bool          // it has been said to have arrived since it was last lost
	reached  bool          // it has shown the end that it was told to go to
	byTest   bool          // a test move gave it
	returned bool          // it was taken back, and has had no command since: uncollected alone tells of it
	lostAt   time.Duration // when its output was lost while the program ran; -1: it was not, or it has been moved since
	relTold  time.Duration // the run-on of its hold, as it was told
}

type outletNote struct{ on bool }

// A checker judges a brain by what goes in and what comes out. It knows
// nothing of how the brain decides.
type checker struct {
	s      *oddShop
	p      control.Params
	broken *violation
	trips  map[string]bool // set: note what is broken and go on

	began  time.Duration
	first  bool // the next step is the first after a start
	before *control.Snapshot
	m      []machineNote
	g      []gateNote
	o      []outletNote

	on             bool
	onAt, offAt    time.Duration
	onSeq          uint32
	onDone         time.Duration // when the on was answered; -1: not yet
	outTrouble     bool          // the fan's output failed or was silent
	quietFrom      time.Duration // when the fan was first commanded off
	fb             control.Verdict
	fbAt           time.Duration
	fbIdleAll      bool // the feedback has said idle ever since the fan was commanded on
	sel            control.Selector
	selAt          time.Duration
	offFrom        time.Duration // since when the switch stands in off
	stops          []control.Contact
	standing       control.Contact
	bin            control.Level
	starts, forced []time.Duration
	troubleAt      time.Duration   // when something last happened that the checker does not follow to its end
	owed           time.Duration   // what starts took from the minimum time off
	shutStops      []time.Duration // stops because every path was shown shut
	shutSince      time.Duration   // since when every path is shown shut with the fan on; -1: it is not
	maybeShutSince time.Duration
	test           bool
	resetButton    button
	otherMains     bool
	lamp           []bool
	lampAt         []time.Duration
	loads          []control.Load
	overFrom       []time.Duration
	overEnd        []time.Duration
	closed         bool
	weakSaid       bool

	// In one step.
	aside    uint64 // gates that are set aside
	lastOpen uint64 // the gates that were open when the fan was last on
	tripped  bool   // a machine stopped as if its breaker had tripped
	lost     uint64 // gates whose output was lost in this step
	hand     string // what a person did that may start and move nothing
	limited  uint64 // gates closed by the limit
	asked    bool
}

// newChecker makes a checker that stops at the first rule that is broken, or
// else collects the names of all.
func newChecker(s *oddShop, collect bool) *checker {
	c := &checker{s: s}
	if collect {
		c.trips = map[string]bool{}
	}
	return c
}

// fail notes that a rule is broken.
func (c *checker) fail(name string, now time.Duration, format string, args ...any) {
	if c.trips != nil {
		c.trips[name] = true
		return
	}
	if c.broken == nil {
		if checkOf(name) == nil {
			panic("no such check: " + name)
		}
		c.broken = &violation{name, now, fmt.Sprintf(format, args...)}
	}
}

// begin is a start of the program.
func (c *checker) begin(now time.Duration, p control.Params, snap *control.Snapshot) {
	c.p, c.began, c.first, c.before = p, now, true, snap
	if p.StoodDown && !snap.StoodDown {
		c.fail("stored-forbids", now, "a stored stand-down does not hold at the start")
	}
	old := c.m
	c.m = make([]machineNote, len(p.Machines))
	for i := range c.m {
		c.m[i] = machineNote{idleAt: longAgo, trouble: now, ready: -1, runOn: longAgo, wellFrom: -1, goneAt: -1}
		c.m[i].left = old != nil && old[i].left && old[i].run || p.Past.Kept.Left&(1<<i) != 0 && p.Past.Kept == control.Unreadable
	}
	c.g = make([]gateNote, len(p.Gates))
	for i := range c.g {
		c.g[i].doneAt, c.g[i].lostAt, c.g[i].ready = -1, -1, -1
	}
	c.o = make([]outletNote, len(p.Outlets))
	c.on, c.onDone, c.outTrouble = false, -1, false
	c.quietFrom, c.owed = now, 0
	c.fb, c.fbAt, c.fbIdleAll, c.sel, c.selAt, c.offFrom = 0, now, false, 0, now, -1
	c.stops = make([]control.Contact, len(p.Stops))
	c.standing, c.bin = 0, 0
	c.offAt = now - p.Collector.MinOff + p.Past.MinOff
	c.starts = c.starts[:0]
	for _, ago := range p.Past.Starts {
		c.starts = append(c.starts, now-ago)
	}
	if c.shutStops = nil; p.Past.Kept.Failed == 0 {
		c.forced = append(c.forced, now)
	}
	c.shutSince, c.maybeShutSince = -1, -1
	c.lastOpen, c.aside, c.troubleAt = 0, 0, now
	c.test, c.resetButton, c.otherMains = false, button{}, false
	c.lamp, c.lampAt = make([]bool, len(p.Indicators)), make([]time.Duration, len(p.Indicators))
	c.loads = make([]control.Load, len(p.Circuits))
	c.overFrom = make([]time.Duration, len(p.Circuits))
	c.overEnd = make([]time.Duration, len(p.Circuits))
	for i := range c.overEnd {
		c.overEnd[i], c.overFrom[i] = longAgo, longAgo
	}
	c.closed = p.ShopClosed
}

// stored is what the program finds when it starts again after a power cut.
func (c *checker) stored(now time.Duration, snap *control.Snapshot, readable bool) control.Params {
	p := c.s.p
	p.Midway = false
	p.StoodDown, p.ShopClosed = snap.StoodDown, snap.ShopClosed
	for _, at := range c.starts {
		if now-at < p.Collector.Window {
			p.Past.Starts = append(p.Past.Starts, now-at)
		}
	}
	p.Past.Kept = snap.Kept
	if !readable {
		p.Past.Kept, p.StoodDown = control.Unreadable, true
	}
	off := c.offAt
	if c.on {
		off = now
	}
	p.Past.MinOff = max(0, p.Collector.MinOff-(now-off))
	return p
}

// --- facts ---------------------------------------------------------------

func within(path, of uint64) bool { return path&^of == 0 }

// open is the set of the gates that are open for certain.
func (c *checker) open(now time.Duration) (sure uint64) {
	for i := range c.g {
		g := &c.g[i]
		if c.p.Gates[i].OpenSwitch {
			if g.shown == control.ShownOpen {
				sure |= 1 << i
			}
			continue
		}
		c.travelled(i, now)
		if g.sure && g.shown != control.ShownShut && g.shown != control.ShownBoth {
			sure |= 1 << i
		}
	}
	return sure
}

// travelled notes that a gate without an open switch has had its travel time.
func (c *checker) travelled(i int, now time.Duration) {
	g := &c.g[i]
	if g.cmd == control.GateOpen && g.doneAt >= 0 && !g.failed && now >= g.doneAt+c.p.Gates[i].Travel && !g.sure {
		g.sure, g.tries = true, 0
	}
}

// beyondDoubt is the part of sure of which nobody can say that it is not: a
// gate without an open switch counts by its last command alone, answered in time.
func (c *checker) beyondDoubt(sure uint64) uint64 {
	for i := range c.g {
		g := &c.g[i]
		if !c.p.Gates[i].OpenSwitch && (g.cmd != control.GateOpen || g.failed || g.doneAt < 0 || g.doneAt > g.cmdAt+c.s.answer(i) ||
			g.shown == control.ShownUnknown || g.shown == 0 && c.p.Gates[i].ShutSwitch) {
			sure &^= 1 << i
		}
	}
	return sure
}

// usable leaves out what is set aside.
func (c *checker) usable(sure uint64) uint64 { return sure &^ c.aside }

// shut is the set of the gates that a switch shows shut; perhaps adds those
// that no switch can show and that were last told to shut.
func (c *checker) shut() (shown, perhaps uint64) {
	for i := range c.g {
		switch has := c.p.Gates[i]; {
		case has.ShutSwitch && c.g[i].shown == control.ShownShut:
			shown |= 1 << i
		case !has.ShutSwitch && !has.OpenSwitch && (c.g[i].cmd == control.GateShut || c.g[i].cmd == 0 && c.p.Midway):
			perhaps |= 1 << i
		}
	}
	return shown, shown | perhaps
}

func (c *checker) anyPath(of uint64) bool {
	for _, path := range c.s.paths {
		if within(path, of) {
			return true
		}
	}
	return false
}

// everyPathHas reports whether each path has one of the gates.
func (c *checker) everyPathHas(of uint64) bool {
	for _, path := range c.s.paths {
		if path&of == 0 {
			return false
		}
	}
	return len(c.s.paths) > 0
}

func (c *checker) hoodOpen(m int, sure uint64) (one, all bool) {
	all = true
	for _, h := range c.s.hoods[m] {
		if within(h, sure) {
			one = true
		} else {
			all = false
		}
	}
	return one, all
}

// stopped reports whether a stop input forbids, told or not.
func (c *checker) stopped() bool {
	for _, s := range c.stops {
		if s != control.Closed {
			return true
		}
	}
	return false
}

// off reports whether the fan's switch stands in off, and has for long enough.
func (c *checker) off(now time.Duration) bool {
	return c.sel == control.Off && now >= c.offFrom+c.p.OffSettle
}

func (c *checker) waits(now time.Duration) bool { return now < c.began+c.p.PowerUp }

// blocked reports whether nothing may start or move.
func (c *checker) blocked(now time.Duration) bool {
	return c.stopped() || c.before.StoodDown || c.before.Latched() || c.waits(now) || c.standing == control.Open || c.standing == control.Broken
}

// startsIn counts the starts in the budget's window.
func (c *checker) startsIn(now time.Duration, times []time.Duration) (n int) {
	for _, t := range times {
		if now-t < c.p.Collector.Window {
			n++
		}
	}
	return n
}

func has(s *control.Snapshot, f control.FaultKind, id control.ID) bool {
	for _, v := range s.Faults {
		if v.Fault == f && (v.ID == id || id == control.NoID) {
			return true
		}
	}
	return false
}

func (c *checker) lasted(m *machineNote, now time.Duration) bool {
	if m.lasted {
		return true
	}
	there := m.v == control.Running && (m.goneAt < 0 || now-m.goneAt <= c.p.Gap)
	return there && now-m.from >= c.p.Collector.Confirm
}

// leave marks all demand as left behind by a person's act. What the fan serves
// goes on.
func (c *checker) leave(now time.Duration, which func(gates uint64) bool) {
	if c.on {
		return
	}
	for i := range c.m {
		if c.m[i].run && which(c.s.gatesOf(i)) {
			c.m[i].left = true
		}
	}
	for i := range c.g {
		if c.g[i].held > 0 && which(c.s.gateRuns[i]) {
			c.g[i].left = true
		}
	}
	_ = now
}

func any64(uint64) bool { return true }

// trouble notes that the machines may from now on wait for something.
func (c *checker) trouble(now time.Duration) {
	c.troubleAt = now
	for i := range c.m {
		c.m[i].trouble = now
	}
}

// --- a step --------------------------------------------------------------

func (c *checker) step(now time.Duration, in control.Input, out *control.Out, snap *control.Snapshot) {
	c.hand, c.limited, c.asked, c.tripped, c.lost = "", 0, false, false, 0
	for i := range c.m { // what time alone changes
		m := &c.m[i]
		if m.run && m.v == control.Unknown && now >= m.holdEnd {
			c.endRun(i, m.holdEnd)
		}
		m.lasted = m.run && c.lasted(m, now)
	}
	for i := range c.g {
		c.travelled(i, now)
	}
	sureBefore := c.open(now)
	underWay := false // the gate that the input is about
	if in.Kind == control.GateIs && int(in.ID) < len(c.g) {
		g := &c.g[in.ID]
		underWay = g.cmd == control.GateShut || g.cmd == control.GateOpen && now < g.cmdAt+c.s.answer(int(in.ID))+c.p.Gates[in.ID].Travel
	}
	c.input(now, in, snap)
	for _, e := range out.Events {
		if e.Cause == control.ByLimit && (e.Kind == control.GateClosing || e.Kind == control.GateReleased) {
			c.limited |= 1 << e.ID
		}
	}
	for _, e := range out.Events { // what a stop says of the limit
		if e.Kind == control.MachineStopped && e.Cause == control.ByLimit {
			c.m[e.ID].runOn = longAgo
			if c.p.MaxOpen == 0 || !c.othersWant(now, int(e.ID)) {
				c.fail("limit-needs-another", now, "the limit (%d) ends the run-on of m%d, and nothing else wants air", c.p.MaxOpen, e.ID)
			}
		}
	}
	for i := range c.m { // the limit has ended its run-on
		if c.s.gatesOf(i)&c.limited == 0 || c.m[i].run {
			continue
		}
		for _, e := range out.Events {
			if e.Kind == control.MachineStopped && e.ID == control.ID(i) && e.Until > now && e.Cause != control.ByLimit && c.s.gatesOf(i)&c.limited != 0 {
				c.fail("limit-is-said", now, "m%d has stopped, its run-on is told until %v, and the limit ends it at once", i, e.Until)
			}
		}
		c.m[i].runOn = longAgo
	}
	c.events(now, in, out, snap)
	for i := range c.m {
		c.m[i].refused, c.m[i].alone = false, snap.Machines[i].Left || snap.Kept.Left&(1<<i) != 0
	}
	for _, f := range snap.Faults {
		if f.Fault == control.Uncollected && f.Cause == control.ByLimit {
			c.m[f.ID].refused = true
			if !c.p.RefuseRunning || c.p.MaxOpen == 0 {
				c.fail("refusing-is-an-option", now, "m%d is refused by the limit", f.ID)
			}
		}
	}
	c.asides(now, in, out, snap)
	for i := range snap.Gates {
		g := &c.g[i]
		held := snap.Gates[i].Held
		c.holds(now, in, i, g.held, held)
		g.held = held
	}
	for _, cmd := range out.Commands {
		c.command(now, in, cmd, out, snap)
	}
	if c.first {
		c.firstStep(now, out)
		c.restored(now, snap)
	}
	c.state(now, in, out, snap, sureBefore, underWay)
	c.before = snap
	c.first = false
}

// othersWant reports whether something else than machine i wants air: a demand or
// a run-on.
func (c *checker) othersWant(now time.Duration, i int) bool {
	for j := range c.m {
		if m := &c.m[j]; j != i && (m.run || now < max(m.runOn, m.told)) {
			return true
		}
	}
	for j := range c.g {
		if c.g[j].held > 0 || now < c.g[j].relTold {
			return true
		}
	}
	return false
}

func (c *checker) endRun(i int, at time.Duration) {
	m := &c.m[i]
	m.runOn = longAgo
	if c.on && (!m.refused && !m.alone && m.served || m.wellFrom >= 0) {
		m.runOn = at + c.s.runOn[i]
	}
	m.run, m.lasted, m.served, m.refused, m.ready = false, false, false, false, -1
	m.left = m.left && m.v == control.Unknown // it may have run on unseen
}

func (c *checker) input(now time.Duration, in control.Input, snap *control.Snapshot) {
	switch in.Kind {
	case control.MachineIs:
		if int(in.ID) < len(c.m) && in.State >= 1 && in.State <= 3 {
			c.machineIs(now, int(in.ID), control.Verdict(in.State))
		}
	case control.CurrentIs:
		if int(in.ID) < len(c.m) && c.m[in.ID].v == control.Running {
			m := &c.m[in.ID]
			m.trouble = now
			switch control.Flow(in.State) {
			case control.Gone:
				if m.goneAt < 0 {
					m.goneAt = now
				}
			case control.Flows:
				if m.goneAt >= 0 && now-m.goneAt > c.p.Gap {
					m.from = now
				}
				m.goneAt = -1
			}
		}
	case control.ResetIs:
		if c.resetButton.press(now, in.State) && now-c.resetButton.since <= c.p.Stuck && c.p.ResetButton {
			c.hand = "reset"
			c.trouble(now)
			for i := range c.g {
				c.g[i].tries = 0
			}
		}
	case control.AsideIs:
		if int(in.ID) < len(c.g) {
			b := &c.g[in.ID].button
			if b.press(now, in.State) && now-b.since <= c.p.Stuck && c.p.Gates[in.ID].Button && c.before.Gates[in.ID].Aside {
				c.handAtGate(now, int(in.ID))
			}
			c.trouble(now)
		}
	case control.GateIs:
		if int(in.ID) < len(c.g) && in.State >= 1 && in.State <= 5 {
			c.gateIs(now, int(in.ID), control.Shown(in.State))
		}
	case control.OutputIs:
		c.outputIs(now, in)
	case control.CollectorIs:
		if in.ID == 0 && in.State >= 1 && in.State <= 3 && c.p.Collector.Feedback != control.NoFeedback {
			v := control.Verdict(in.State)
			if v != c.fb {
				c.fbAt = now
			}
			c.fb = v
			c.fbIdleAll = c.fbIdleAll && v == control.Idle
		}
	case control.SwitchIs:
		if in.ID == 0 && in.State >= 1 && in.State <= 3 && c.p.Collector.Switch {
			old, sel := c.sel, control.Selector(in.State)
			if sel == old {
				return
			}
			c.sel, c.selAt = sel, now
			switch {
			case sel == control.Off:
				c.offFrom = now
			case old == control.Off:
				if now-c.offFrom >= c.p.OffSettle {
					if sel == control.Auto {
						c.hand = "the switch was turned from off to auto"
					}
					c.leave(now, any64)
				}
				c.offFrom = -1
			}
			c.trouble(now)
		}
	case control.StopIs:
		if int(in.ID) < len(c.stops) && in.State >= 1 && in.State <= 3 {
			old := c.stops[in.ID]
			c.stops[in.ID] = control.Contact(in.State)
			if old != control.Contact(in.State) {
				c.trouble(now)
			}
			if old > control.Closed && c.stops[in.ID] == control.Closed {
				c.hand = "a stop was closed again"
				c.leave(now, any64)
			}
		}
	case control.StandDownIs:
		if in.State >= 1 && in.State <= 3 {
			c.standing = control.Contact(in.State)
			c.trouble(now)
			if c.before.StoodDown && c.standing == control.Closed {
				c.hand = "the stand-down's switch was turned back"
			}
		}
	case control.BinIs:
		if in.ID == 0 && in.State >= 1 && in.State <= 3 {
			old := c.bin
			c.bin = control.Level(in.State)
			if old != c.bin {
				c.trouble(now)
			}
			if c.p.BinBlocks && old == control.Full && c.bin == control.Room {
				c.hand = "the bin was put back"
				c.leave(now, any64)
			}
		}
	case control.CircuitIs:
		if int(in.ID) < len(c.loads) && in.State >= 1 && in.State <= 4 {
			old, l := c.loads[in.ID], control.Load(in.State)
			if old == control.Over && l != control.Over {
				c.overEnd[in.ID] = now
			}
			if old != control.Over && l == control.Over {
				c.overFrom[in.ID] = now
			}
			c.loads[in.ID] = l
		}
	case control.ShopIs:
		if in.State == uint8(control.ShopOpen) || in.State == uint8(control.ShopClosed) {
			c.closed = in.State == uint8(control.ShopClosed)
			c.trouble(now)
		}
	case control.MainsIs:
		if in.State == uint8(control.AsFiled) || in.State == uint8(control.OtherThanFiled) {
			c.otherMains = in.State == uint8(control.OtherThanFiled)
		}
	case control.Ask:
		c.ask(now, in, snap)
	default:
	}
}

// A button is a wired push button.
type button struct {
	state control.Press
	since time.Duration // when it was pressed
}

// press notes what a button is and reports whether it was pressed and is now
// released.
func (b *button) press(now time.Duration, state uint8) bool {
	was := b.state
	if state < 1 || state > 3 {
		return false
	}
	b.state = control.Press(state)
	if b.state == control.Pressed && was != control.Pressed {
		b.since = now
	}
	return was == control.Pressed && b.state == control.Released
}

// handAtGate is a gate that is taken back.
func (c *checker) handAtGate(now time.Duration, i int) {
	c.hand = "a gate was taken back"
	c.g[i].returned = true
	c.leave(now, func(gates uint64) bool { return gates&(1<<i) != 0 })
}

func (c *checker) machineIs(now time.Duration, i int, v control.Verdict) {
	m := &c.m[i]
	old := m.v
	m.v = v
	switch v {
	case control.Running:
		if old != control.Running {
			m.goneAt = -1
			if now-m.idleAt > c.p.Gap || old == 0 || m.from == 0 {
				m.from = now
			}
		}
		if !m.run {
			m.run, m.start, m.served, m.lasted, m.ready = true, now, false, false, -1
			m.left = m.left && (old == 0 || old == control.Unknown) // it may have run on unseen
			m.trouble = longAgo
			for g := range c.g { // a new reason to try again
				if c.s.gatesOf(i)&(1<<g) != 0 {
					c.g[g].tries = 0
				}
			}
			for j := range c.m {
				if j != i && c.m[j].run {
					c.m[j].trouble = now
				}
			}
		}
	case control.Idle:
		if old == control.Running {
			m.idleAt = now
			c.breaker(now, i)
		}
		m.left = false
		if m.run {
			c.endRun(i, now)
		}
	case control.Unknown:
		if old == control.Running {
			m.idleAt = now
		}
		if m.run && old != control.Unknown {
			m.holdEnd = now + c.p.UnknownHold
		}
	}
}

func (c *checker) gateIs(now time.Duration, i int, shown control.Shown) {
	g := &c.g[i]
	old := g.shown
	if g.shown != shown {
		g.movedAt = now
		for m := range c.m {
			if c.s.gatesOf(m)&(1<<i) != 0 {
				c.m[m].ready = -1
			}
		}
	}
	g.shown = shown
	if shown == control.ShownOpen {
		g.tries, g.opens = 0, 0
	}
	if c.shows(i) { // it has arrived
		g.homing, g.reached = false, true
	}
	if shown == control.ShownShut || shown == control.ShownBoth {
		g.sure = false
		if g.cmd == control.GateOpen && g.doneAt >= 0 && now >= g.doneAt+c.p.Gates[i].Travel {
			g.failed = true // somebody has pushed it: only a new command opens it for certain
		}
	}
	if shown == control.ShownOpen && old != control.ShownOpen && c.p.Gates[i].Actuated {
		travel := c.p.Gates[i].Travel
		tryEnds := g.cmdAt + c.s.answer(i) + travel
		if (g.cmd != control.GateOpen || now > tryEnds+min(travel, c.p.Late)) &&
			(has(c.before, control.GateNotOpen, control.ID(i)) || has(c.before, control.GateOutput, control.ID(i))) && !c.on {
			c.hand = "a gate was freed by hand"
			c.leave(now, func(gates uint64) bool { return gates&(1<<i) != 0 })
		}
	}
}

func (c *checker) outputIs(now time.Duration, in control.Input) {
	if in.State == uint8(control.Lost) {
		switch in.What {
		case control.CollectorOn, control.CollectorOff:
			if in.ID == 0 {
				c.outTrouble = true
				c.trouble(now)
			}
		case control.GateOpen, control.GateShut, control.GateStop:
			if int(in.ID) < len(c.g) {
				g := &c.g[in.ID]
				if p := c.before.Gates[in.ID].Position; g.known && (p == control.PositionOpen || p == control.PositionShut) {
					c.lost = 1 << in.ID
				}
				g.sure, g.cmd, g.doneAt, g.tries, g.opens, g.lostAt, g.known = false, 0, -1, 0, 0, now, false
				c.trouble(now)
			}
		case control.OutletOn, control.OutletOff:
			if int(in.ID) < len(c.o) {
				c.o[in.ID].on = false
			}
		default:
		}
		return
	}
	switch in.What {
	case control.CollectorOn:
		if in.ID == 0 && in.Seq == c.onSeq && c.on && c.onDone < 0 {
			if in.State == uint8(control.Done) {
				c.onDone = now
			} else {
				c.outTrouble = true
			}
		}
	case control.GateOpen, control.GateShut, control.GateStop:
		if int(in.ID) < len(c.g) {
			g := &c.g[in.ID]
			if in.Seq == g.seq && in.What == g.cmd && g.doneAt < 0 {
				g.failed = in.State != uint8(control.Done)
				g.doneAt = now
			}
		}
	default:
	}
}

func (c *checker) ask(now time.Duration, in control.Input, snap *control.Snapshot) {
	kind := control.AskKind(in.State)
	stale := in.Expires != 0 && now > in.Expires
	local := in.Origin == control.Wired || in.Origin == control.Console
	valid := in.Origin >= control.Wired && in.Origin <= control.Topic
	switch kind {
	case control.AskHold:
		c.asked = valid && !stale && int(in.ID) < len(c.g)
		if c.asked {
			for i := range c.g {
				if c.s.gateRuns[in.ID]&(1<<i) != 0 {
					c.g[i].tries = 0
				}
			}
		}
		if c.asked && snap.Gates[in.ID].Held > 0 {
			g := &c.g[in.ID]
			if g.held == 0 || in.Origin != control.Topic || c.p.TopicMayStart {
				g.starter = g.starter && g.held > 0 || in.Origin != control.Topic || c.p.TopicMayStart
				g.left, g.heldNew = false, now
			}
		}
	case control.AskTestOpen, control.AskTestShut:
		if int(in.ID) < len(c.g) {
			c.g[in.ID].tries = 0
		}
	case control.AskLift:
		if c.before.StoodDown && !snap.StoodDown {
			c.hand = "the stand-down was lifted"
			if !local {
				c.fail("stand-down-lifted-at-shop", now, "%v lifted the stand-down", in.Origin)
			}
		}
		c.trouble(now)
	case control.AskReset:
		if local && !stale {
			c.hand = "reset"
		}
		for i := range c.g {
			c.g[i].tries = 0
		}
		c.trouble(now)
	case control.AskReturn:
		if int(in.ID) < len(c.g) && c.before.Gates[in.ID].Aside && !snap.Gates[in.ID].Aside {
			c.handAtGate(now, int(in.ID))
		}
		c.trouble(now)
	case control.AskStandDown, control.AskAside:
		c.trouble(now)
	default:
	}
}

// restored judges the first step after a start: what was stored still holds.
func (c *checker) restored(now time.Duration, snap *control.Snapshot) {
	k := c.p.Past.Kept
	if (k.Stopped || k.Failed != 0) && !snap.Latched() {
		c.fail("stored-forbids", now, "a stored latch does not hold at the start: %+v", k)
	}
	for i := range snap.Gates {
		if k.Aside&(1<<i) != 0 && !snap.Gates[i].Aside {
			c.fail("stored-forbids", now, "g%d was set aside, and is not at the start", i)
		}
	}
	for i := range snap.Machines {
		if k.Left&(1<<i) != 0 && snap.Kept.Left&(1<<i) == 0 {
			c.fail("stored-forbids", now, "m%d was left, and is not at the start", i)
		}
	}
}

// asides judges how gates are set aside and taken back.
func (c *checker) asides(now time.Duration, in control.Input, out *control.Out, snap *control.Snapshot) {
	c.aside = 0
	for i := range snap.Gates {
		was, is := c.before.Gates[i].Aside, snap.Gates[i].Aside
		if is {
			c.aside |= 1 << i
		}
		g := &c.g[i]
		mine := in.ID == control.ID(i)
		pressed := in.Kind == control.AsideIs && mine && c.p.Gates[i].Button && now-g.button.since <= c.p.Stuck
		asked := in.Kind == control.Ask && mine && in.State == uint8(control.AskAside) && (in.Origin == control.Wired || in.Origin == control.Console || in.Origin == control.Page)
		back := in.Kind == control.Ask && mine && in.State == uint8(control.AskReturn) && (in.Origin == control.Wired || in.Origin == control.Console)
		switch {
		case asked && !is:
			c.fail("aside-at-once", now, "g%d is to be set aside (expires %v) and is not", i, in.Expires)
		case is && !was && !asked && !(pressed && in.State != uint8(control.Unpressed)):
			c.fail("aside-is-asked", now, "g%d is set aside by %v of %v", i, in.Kind, in.Origin)
		case was && !is && !back && !(pressed && in.State == uint8(control.Released)):
			c.fail("aside-taken-back-at-shop", now, "g%d is taken back by %v of %v", i, in.Kind, in.Origin)
		}
		if is && !was {
			defer func() { g.sure, g.cmd = false, 0 }() // hands may move it
		}
		if is && !was && (g.cmd == control.GateOpen || g.cmd == control.GateShut) && g.doneAt >= 0 && !g.failed && now < g.doneAt+c.p.Gates[i].Travel &&
			!g.reached {
			stops := false
			for _, cmd := range out.Commands {
				stops = stops || cmd.Kind == control.GateStop && cmd.ID == control.ID(i)
			}
			if !stops {
				c.fail("aside-is-not-moved", now, "g%d is set aside on its way, and goes on", i)
			}
		}
	}
}

// shows reports whether a gate shows the end that it was last told to go to;
// one with an open switch only is shut when that has released.
func (c *checker) shows(i int) bool {
	g, is := &c.g[i], c.p.Gates[i]
	switch g.cmd {
	case control.GateOpen:
		return is.OpenSwitch && g.shown == control.ShownOpen
	case control.GateShut:
		return is.ShutSwitch && g.shown == control.ShownShut || is.OpenSwitch && !is.ShutSwitch && g.shown == control.ShownBetween
	default:
		return false
	}
}

// kept judges what is given out to be stored.
func (c *checker) kept(now time.Duration, snap *control.Snapshot) {
	k := snap.Kept
	if snap.Latched() != (k.Stopped || k.Failed != 0) {
		c.fail("kept-says-all", now, "latched %v, to be stored %+v", snap.Latched(), k)
	}
	if k.Aside != c.aside {
		c.fail("kept-says-all", now, "aside %s, to be stored %s", set(c.aside), set(k.Aside))
	}
	for i := range snap.Machines {
		if snap.Machines[i].Left && k.Left&(1<<i) == 0 {
			c.fail("kept-says-all", now, "m%d left %v, to be stored %b", i, snap.Machines[i].Left, k.Left)
		}
	}
	if c.otherMains != has(snap, control.OtherMains, control.NoID) {
		c.fail("other-mains-is-said", now, "the mains is another than the shop file says: %v", c.otherMains)
	}
	b := c.resetButton
	if c.p.ResetButton && (b.state == control.Unpressed || b.state == control.Pressed && now > b.since+c.p.Stuck) && !has(snap, control.ResetStuck, control.NoID) {
		c.fail("stuck-button-is-said", now, "the reset button is pressed since %v, or cannot be read", b.since)
	}
	for i := range c.g {
		b := c.g[i].button
		if c.p.Gates[i].Button && (b.state == control.Unpressed || b.state == control.Pressed && now > b.since+c.p.Stuck) && !has(snap, control.AsideStuck, control.ID(i)) {
			c.fail("stuck-button-is-said", now, "the button of g%d is pressed since %v, or cannot be read", i, b.since)
		}
	}
}

// lamps judges the indicators.
func (c *checker) lamps(now time.Duration, snap *control.Snapshot) {
	for i, l := range c.p.Indicators {
		must, may := false, false
		switch l.Shows {
		case control.Collecting:
			may = c.on
			must = c.on && (c.p.Collector.Feedback == control.NoFeedback || c.fb == control.Running)
		case control.AnyUncollected:
			must = has(snap, control.Uncollected, control.NoID)
			may = must
		case control.AnyFault:
			must = len(snap.Faults) > 0
			may = must
		case control.AnyLatch:
			must = snap.Latched()
			may = must
		}
		switch {
		case c.lamp[i] && !may:
			c.fail("lamps-follow", now, "indicator %d is on, and what it follows is not so", i)
		case must && l.Half == 0 && !c.lamp[i]:
			c.fail("lamps-follow", now, "indicator %d is off, and what it follows is so", i)
		case must && may && l.Half > 0 && now > c.lampAt[i]+l.Half+time.Millisecond && c.lampAt[i] > c.began:
			c.fail("lamps-follow", now, "indicator %d is to blink each %v and has not changed since %v", i, l.Half, c.lampAt[i])
		}
	}
}

// holds judges how a hold has changed.
func (c *checker) holds(now time.Duration, in control.Input, i int, was, is time.Duration) {
	g := &c.g[i]
	mine := in.Kind == control.Ask && in.ID == control.ID(i) && in.State == uint8(control.AskHold)
	switch {
	case is > was:
		if !mine || !c.asked {
			c.fail("hold-is-asked", now, "the hold of g%d went from %v to %v without a request that may", i, was, is)
		}
		if was == 0 {
			g.heldFrom = now
			if in.Origin == control.Topic && !c.p.TopicMayStart && !c.on {
				// It may stand, but it starts nothing: see start-by-topic.
				g.starter = false
			}
		}
		if is > g.heldFrom+c.p.HoldLongest {
			c.fail("hold-has-an-end", now, "g%d held until %v, %v after the hold began; longest %v", i, is, is-g.heldFrom, c.p.HoldLongest)
		}
		if mine && in.For > 0 && is > max(was, now+in.For) {
			c.fail("hold-has-an-end", now, "g%d asked for %v, held until %v", i, in.For, is)
		}
	case is == 0 && was > 0:
		g.starter, g.left = false, false
	}
	if is > 0 && is < now {
		c.fail("hold-has-an-end", now, "g%d is still held after its end %v", i, is)
	}
}

// breaker notes that a stop of machine i looks like a tripped breaker.
func (c *checker) breaker(now time.Duration, i int) {
	l := c.p.Machines[i].Circuit
	if l == control.NoID || !c.m[i].run {
		return
	}
	c.tripped = c.loads[l] == control.Fits && now-c.overEnd[l] <= c.p.Breaker && c.overEnd[l]-c.overFrom[l] >= c.p.CircuitSettle
}

// --- commands ------------------------------------------------------------

func (c *checker) command(now time.Duration, in control.Input, cmd control.Command, out *control.Out, snap *control.Snapshot) {
	starts := cmd.Kind == control.CollectorOn || cmd.Kind == control.OutletOn
	moves := cmd.Kind == control.GateOpen || cmd.Kind == control.GateShut
	if starts || moves {
		switch {
		case snap.StoodDown || c.standing == control.Open || c.standing == control.Broken:
			c.fail("stood-down-commands-nothing", now, "%v %d while stood down", cmd.Kind, cmd.ID)
		case c.stopped() || snap.Latched():
			if cmd.Kind == control.CollectorOn || cmd.Kind == control.OutletOn && (c.stopped() || has(snap, control.StopLatched, control.NoID)) {
				c.fail("stop-forbids-starts", now, "%v %d with a stop not closed, or latched", cmd.Kind, cmd.ID)
			} else if moves && c.stopped() {
				c.fail("stop-moves-no-gate", now, "%v %d with a stop not closed", cmd.Kind, cmd.ID)
			}
		case c.waits(now):
			c.fail("power-up-waits", now, "%v %d %v after the start", cmd.Kind, cmd.ID, now-c.began)
		case c.hand != "" && cmd.Kind != control.OutletOn && (starts || c.on || c.fb <= control.Idle && c.fb != control.Unknown && c.sel != control.Hand):
			c.fail("a-hand-starts-nothing", now, "%v %d as %s", cmd.Kind, cmd.ID, c.hand)
		}
	}
	switch cmd.Kind {
	case control.CollectorOn:
		if !c.on {
			c.starting(now, in, out)
			c.owed += max(0, c.offAt+c.p.Collector.MinOff-now)
			c.on, c.onAt, c.onSeq, c.onDone, c.outTrouble = true, now, cmd.Seq, -1, false
			c.fbIdleAll = c.fb == control.Idle
			c.starts = append(c.starts, now)
			c.shutSince, c.maybeShutSince = -1, -1
		}
		c.onSeq = cmd.Seq
	case control.CollectorOff:
		if c.on {
			c.stopping(now, in, snap)
			c.on, c.offAt, c.quietFrom, c.owed = false, now, now, 0
		}
	case control.OutletOn:
		o := &c.o[cmd.ID]
		run := false
		for _, m := range c.p.Outlets[cmd.ID].Follows {
			run = run || c.m[m].run
		}
		if !run && !o.on {
			c.fail("outlet-follows", now, "outlet %d on, and no machine that it follows runs", cmd.ID)
		}
		o.on = true
	case control.OutletOff:
		o := &c.o[cmd.ID]
		if o.on && !snap.StoodDown && !c.stopped() && !snap.Latched() {
			for _, m := range c.p.Outlets[cmd.ID].Follows {
				if c.m[m].run && !c.m[m].alone {
					c.fail("outlet-follows", now, "outlet %d off while m%d runs", cmd.ID, m)
				}
			}
		}
		o.on = false
	case control.IndicatorOn, control.IndicatorOff:
		if on := cmd.Kind == control.IndicatorOn; c.lamp[cmd.ID] != on {
			c.lamp[cmd.ID], c.lampAt[cmd.ID] = on, now
		}
	case control.GateOpen, control.GateShut, control.GateStop:
		c.gate(now, in, cmd, out, snap)
	}
}

// starting judges a start of the fan.
func (c *checker) starting(now time.Duration, in control.Input, out *control.Out) {
	sure := c.usable(c.open(now))
	demand, lasted, fresh, path := false, false, false, false // each holds only with those before it
	machine, leftPath := false, false
	for i := range c.m {
		m := &c.m[i]
		if !m.run {
			continue
		}
		demand = true
		if !c.lasted(m, now) {
			continue
		}
		lasted = true
		one, _ := c.hoodOpen(i, sure)
		if m.left {
			leftPath = leftPath || one
			continue
		}
		fresh = true
		if one {
			path, machine = true, true
		}
	}
	topic := false
	for i := range c.g {
		g := &c.g[i]
		if g.held == 0 {
			continue
		}
		if !g.starter {
			topic = true
			continue
		}
		demand, lasted = true, true
		if g.left {
			continue
		}
		fresh = true
		path = path || within(c.s.gateRuns[i], sure)
	}
	if c.sel == control.Auto && now == c.selAt && in.Kind == control.SwitchIs { // hand to auto keeps a fan that has demand
		fresh = fresh || demand
	}
	switch {
	case !demand && topic:
		c.fail("topic-starts-nothing", now, "the fan starts by a hold that only a topic asked for")
	case !demand:
		c.fail("start-has-demand", now, "the fan starts and no machine runs, no gate is held")
	case !lasted:
		c.fail("current-lasts-confirm", now, "the fan starts before a current has lasted %v", c.p.Collector.Confirm)
	case !fresh || !path && leftPath:
		c.fail("left-stays-left", now, "the fan starts by a demand that a person's act has left behind")
	case !path:
		c.fail("start-has-path", now, "the fan starts; open for certain is %s, and no fresh demand has its path in it", set(sure))
	}
	k := &c.p.Collector
	if c.p.Collector.Switch && c.off(now) {
		c.fail("off-switch-locks", now, "the fan is commanded on with its switch in off")
	}
	if c.p.BinBlocks && c.bin == control.Full {
		c.fail("full-bin-blocks", now, "the fan starts with the bin full")
	}
	if k.Starts > 0 {
		n := c.startsIn(now, c.starts)
		if n >= k.Starts {
			if !machine {
				c.fail("budget", now, "start %d in %v by a hold; the budget is %d", n+1, k.Window, k.Starts)
			}
			if n >= k.Starts+c.startsIn(now, c.forced) {
				c.fail("budget", now, "start %d in %v, budget %d, forced stops %d", n+1, k.Window, k.Starts, c.startsIn(now, c.forced))
			}
			said := false
			for _, e := range out.Events {
				said = said || e.Kind == control.BudgetExceeded
			}
			if !said {
				c.fail("budget-is-said", now, "start %d in %v, budget %d, and no event says so", n+1, k.Window, k.Starts)
			}
		}
	}
	if !machine && now < c.offAt+k.MinOff && len(c.starts) > 0 {
		c.fail("hold-waits-min-off", now, "a hold starts the fan %v after it was off; least %v", now-c.offAt, k.MinOff)
	}
	if k.Circuit != control.NoID {
		for i := range c.m {
			m := &c.m[i]
			if c.p.Machines[i].Circuit == k.Circuit && m.run && now < m.start+c.p.Machines[i].Inrush && now-m.start > 0 && m.v == control.Running {
				c.fail("inrush", now, "the fan starts %v after m%d on the same circuit; inrush %v", now-m.start, i, c.p.Machines[i].Inrush)
			}
		}
	}
}

// stopping judges a stop of the fan.
func (c *checker) stopping(now time.Duration, in control.Input, snap *control.Snapshot) {
	k := &c.p.Collector
	forced := c.stopped() || snap.StoodDown || c.off(now)
	if forced {
		c.forced = append(c.forced, now)
		return
	}
	if c.shutSince >= 0 && now >= c.shutSince+c.p.AllShut {
		c.shutStops = append(c.shutStops, now)
		c.leaveAll()
		return
	}
	if c.maybeShutSince >= 0 && now >= c.maybeShutSince+c.p.AllShut {
		c.shutStops = append(c.shutStops, now)
		c.leaveAll()
		return
	}
	if has(snap, control.EveryPathShut, control.NoID) && !has(c.before, control.EveryPathShut, control.NoID) {
		c.fail("shown-shut-only", now, "off because every path were shut, and not every path has been so for %v", c.p.AllShut)
		return
	}
	if c.outTrouble || c.onDone < 0 && now >= c.onAt+c.p.Answer {
		return
	}
	if has(snap, control.CollectorNoCurrent, control.NoID) {
		if c.fb == control.Running {
			c.fail("no-current", now, "off for want of current, and its feedback says running")
		}
		return
	}
	for i := range c.m {
		m := &c.m[i]
		if m.run && !m.left && !m.alone && !m.refused && m.served {
			c.fail("off-in-demand", now, "the fan stops while m%d runs (%v)", i, verdict(m.v))
		}
		if now < m.runOn {
			c.fail("run-on-lasts", now, "the fan stops at %v, the run-on of m%d lasts until %v", now, i, m.runOn)
		}
	}
	for i := range c.g {
		if c.g[i].held > now && !c.g[i].left && snap.Gates[i].Held > 0 && within(c.s.gateRuns[i], c.open(now)) && c.p.MaxOpen == 0 {
			c.fail("off-in-demand", now, "the fan stops while g%d is held until %v", i, c.g[i].held)
		}
		if now < c.g[i].relTold {
			c.fail("run-on-lasts", now, "the fan stops at %v, the run-on after g%d was held lasts until %v", now, i, c.g[i].relTold)
		}
	}
	if now < c.onAt+k.MinOn {
		c.fail("min-on", now, "the fan stops %v after its start; least %v", now-c.onAt, k.MinOn)
	}
	if k.Starts > 0 && c.startsIn(now, c.starts) >= k.Starts {
		c.fail("a-start-is-left", now, "the fan stops after %d starts in %v; budget %d", c.startsIn(now, c.starts), k.Window, k.Starts)
	}
}

func (c *checker) leaveAll() {
	on := c.on
	c.on = false
	c.leave(0, any64)
	c.on = on
}

func verdict(v control.Verdict) string {
	if v == 0 {
		return "not heard of"
	}
	return v.String()
}

// gate judges a command to a gate.
func (c *checker) gate(now time.Duration, in control.Input, cmd control.Command, out *control.Out, snap *control.Snapshot) {
	i := int(cmd.ID)
	bit := uint64(1) << i
	g := &c.g[i]
	if !c.p.Gates[i].Actuated {
		c.fail("by-hand-is-by-hand", now, "%v to g%d, which has no actuator", cmd.Kind, i)
	}
	if c.aside&bit != 0 && cmd.Kind != control.GateStop {
		c.fail("aside-is-not-moved", now, "%v to g%d, which is set aside", cmd.Kind, i)
	}
	homing, testing := false, c.test
	for _, e := range out.Events {
		if e.Kind == control.TestBegan || e.Kind == control.TestEnded {
			testing = true
		}
		if (e.Kind == control.GateOpening || e.Kind == control.GateClosing) && e.ID == cmd.ID && e.Cause == control.ByHoming {
			homing = true
		}
	}
	sure := c.open(now)
	if homing {
		if c.closed {
			c.fail("closed-shop-rests", now, "g%d is homed out of hours", i)
		}
		for j := range c.g {
			o := &c.g[j]
			end := o.cmdAt + c.s.answer(j)
			if o.doneAt >= 0 {
				end = o.doneAt + c.p.Gates[j].Travel
			}
			if o.failed && o.doneAt >= 0 || o.doneAt > o.cmdAt+c.s.answer(j) { // an answer that comes too late is none
				end = min(o.doneAt, o.cmdAt+c.s.answer(j))
			}
			if j != i && o.homing && now < end {
				c.fail("homed-one-by-one", now, "g%d is homed while g%d still is, until %v", i, j, end)
			}
		}
		if c.on && g.lostAt >= 0 {
			c.fail("homed-at-rest", now, "g%d is homed while the fan is on", i)
		}
	}
	switch cmd.Kind {
	case control.GateOpen:
		g.opens++
		g.tries++
		if g.tries > 1+c.p.Retries && !homing {
			c.fail("tries", now, "g%d is told to open for the %d. time without a new reason; retries %d", i, g.tries, c.p.Retries)
		}
	case control.GateShut:
		for m := range c.m {
			n := &c.m[m]
			if c.s.gatesOf(m)&bit == 0 {
				continue
			}
			if n.v != control.Idle && !(c.p.RefuseRunning && c.p.MaxOpen > 0 && n.v == control.Running) {
				c.fail("no-shutting-on-a-machine", now, "g%d of m%d is told to shut, m%d: %s", i, m, m, verdict(n.v))
			}
			if now < n.runOn && c.on && c.limited&bit == 0 {
				c.fail("own-run-on", now, "g%d of m%d is told to shut, its run-on lasts until %v", i, m, n.runOn)
			}
		}
		for j := range c.g {
			if c.s.gateRuns[j]&bit != 0 && snap.Gates[j].Held > now && c.p.MaxOpen == 0 {
				c.fail("held-stays-open", now, "g%d is told to shut, g%d is held until %v", i, j, snap.Gates[j].Held)
			}
		}
		left := sure &^ bit
		for j := range c.g {
			if c.moving(j, control.GateShut, now) {
				left &^= 1 << j
			}
		}
		if c.on && !c.anyPath(left) {
			c.fail("new-before-old", now, "g%d is told to shut with the fan on; then no path is open for certain", i)
		}
		if !c.on && (c.fb == control.Running || c.sel == control.Hand) && c.anyPath(sure) && !c.anyPath(left) {
			c.fail("one-path-for-a-running-fan", now, "g%d is told to shut and the fan runs uncommanded; then no path is open", i)
		}
		for m := range c.m {
			n := &c.m[m]
			if !n.run || n.left || n.alone || n.refused || c.p.RefuseRunning && c.p.MaxOpen > 0 {
				continue
			}
			for j := range c.g {
				if c.s.gatesOf(m)&(1<<j) != 0 && j != i && sure&(1<<j) == 0 && c.moving(j, control.GateOpen, now) && !homing {
					c.fail("new-before-old", now, "g%d is told to shut while g%d still opens for m%d", i, j, m)
				}
			}
		}
		if !c.on && !homing && !testing && !c.p.CloseAtRest {
			wanted := uint64(0)
			for j := range c.g {
				if j != i && (sure&(1<<j) != 0 && !c.moving(j, control.GateShut, now) || c.g[j].cmd == control.GateOpen) {
					wanted |= 1 << j
				}
			}
			if c.anyPath(c.lastOpen&sure) && !c.anyPath(wanted) && !g.byTest {
				c.fail("rest-keeps-a-path", now, "g%d is told to shut at rest; then no path is open", i)
			}
		}
		if !c.on && c.p.CloseAtRest && !homing && !testing && c.anyPath(sure) && !c.anyPath(left) && len(c.starts) > 0 && now < c.offAt+c.p.Collector.Coast {
			c.fail("coasts-before-closing", now, "the last path closes %v after the fan was off; it coasts %v", now-c.offAt, c.p.Collector.Coast)
		}
	default: // stop
	}
	if cmd.Kind != control.GateOpen {
		g.tries, g.opens = 0, 0
		g.sure = g.sure && cmd.Kind == control.GateStop
		g.known = g.known && cmd.Kind == control.GateShut // stopped half-way, nobody knows where
	}
	if homing && g.lostAt >= 0 && now < g.lostAt+c.p.PowerUp {
		c.fail("homed-after-a-wait", now, "g%d is homed %v after its output was lost", i, now-g.lostAt)
	}
	g.lostAt, g.returned = -1, false
	g.cmd, g.seq, g.cmdAt, g.doneAt, g.failed, g.homing, g.byTest = cmd.Kind, cmd.Seq, now, -1, false, homing, testing
	g.reached = c.shows(i)
}

// moving reports whether a gate has been told to go to an end and may be on its
// way. One that was seen to arrive there and is pushed away is not.
func (c *checker) moving(i int, to control.CommandKind, now time.Duration) bool {
	g := &c.g[i]
	switch {
	case g.cmd != to || g.failed || g.reached || g.doneAt > g.cmdAt+c.s.answer(i): // an answer that comes too late is none
		return false
	case g.doneAt < 0:
		return now < g.cmdAt+c.s.answer(i)
	}
	return now < g.doneAt+c.p.Gates[i].Travel
}

func (c *checker) firstStep(now time.Duration, out *control.Out) {
	need := 1 + len(c.p.Outlets) + len(c.p.Indicators)
	for _, cmd := range out.Commands {
		if cmd.Kind == control.CollectorOff || cmd.Kind == control.OutletOff || cmd.Kind == control.IndicatorOn || cmd.Kind == control.IndicatorOff {
			need--
		}
	}
	if need > 0 {
		c.fail("power-up-off", now, "%d outputs are not commanded off at the start", need)
	}
}

// --- events --------------------------------------------------------------

func (c *checker) events(now time.Duration, in control.Input, out *control.Out, snap *control.Snapshot) {
	type fault struct {
		k  control.FaultKind
		id control.ID
	}
	var stand []fault
	for _, f := range c.before.Faults {
		stand = append(stand, fault{f.Fault, f.ID})
	}
	for _, e := range out.Events {
		switch e.Kind {
		case control.FaultRaised:
			stand = append(stand, fault{e.Fault, e.ID})
			if e.Fault == control.GateNotOpen && c.p.Gates[e.ID].Actuated && c.g[e.ID].cmd == control.GateOpen && c.g[e.ID].opens < 1+c.p.Retries {
				c.fail("all-tries", now, "g%d is given up after %d tries of %d", e.ID, c.g[e.ID].opens, 1+c.p.Retries)
			}
		case control.FaultCleared:
			for i, f := range stand {
				if f.k == e.Fault && f.id == e.ID {
					stand = append(stand[:i], stand[i+1:]...)
					break
				}
			}
		case control.GateIsOpen:
			c.g[e.ID].tries, c.g[e.ID].known = 0, c.g[e.ID].cmd == control.GateOpen
		case control.GateIsClosed:
			c.g[e.ID].known = c.g[e.ID].cmd == control.GateShut
		case control.GateAside:
			c.g[e.ID].known = false
		case control.MachineStopped:
			c.stoppedRun(now, e)
		case control.GateReleased:
			c.g[e.ID].relTold = 0
			if e.Until > 0 && c.on && e.Cause != control.ByLimit {
				c.g[e.ID].relTold = e.Until
			}
		case control.WeakAir:
			c.weakSaid = true
		case control.TestBegan:
			busy := c.test || c.on || c.before.StoodDown || c.stopped() || c.waits(now) || c.closed
			for i := range c.m {
				busy = busy || c.m[i].run
			}
			if busy {
				c.fail("tests-at-rest", now, "a test move of g%d begins and the shop is not at rest", e.ID)
			}
			if e.Until > now+c.p.TestLongest {
				c.fail("tests-at-rest", now, "a test move lasts until %v; longest %v", e.Until, c.p.TestLongest)
			}
			if in.Expires != 0 && now > in.Expires {
				c.fail("too-old-is-refused", now, "a test move begins that was asked too long ago")
			}
			c.test = true
		case control.TestEnded:
			c.test = false
		case control.MachineStarted:
			if in.Kind == control.MachineIs && in.ID == e.ID && c.foundRunning(int(e.ID)) && e.Cause != control.ByFoundRunning {
				c.fail("found-running-is-said", now, "m%d ran when it was first heard of; the event says %v", e.ID, e.Cause)
			}
		default:
		}
	}
	for i := range c.g {
		said := c.lost&(1<<i) == 0
		for _, e := range out.Events {
			said = said || e.Kind == control.GateRestarted && e.ID == control.ID(i)
		}
		if !said && c.p.Gates[i].Actuated {
			c.fail("lost-output-is-said", now, "the output of g%d, believed %v, has reset itself", i, c.before.Gates[i].Position)
		}
	}
	// The list of faults and the events say the same.
	if len(stand) != len(snap.Faults) {
		c.fail("each-fault-is-said", now, "faults before and events give %v, the list says %v", stand, snap.Faults)
		return
	}
	for _, f := range stand {
		if !has(snap, f.k, f.id) {
			c.fail("each-fault-is-said", now, "fault %v %d has gone without an event", f.k, f.id)
		}
	}
}

// foundRunning reports whether a machine is heard of for the first time in this step.
func (c *checker) foundRunning(m int) bool {
	return !c.p.Midway && !c.p.Past.Powered && c.before.Machines[m].Sensed == 0
}

// stoppedRun judges the run-on that is told when a machine stops.
func (c *checker) stoppedRun(now time.Duration, e control.Event) {
	m := &c.m[e.ID]
	m.told = max(m.told, e.Until)
	if !c.on {
		return
	}
	if least := m.runOn; e.Until < least && least > e.At && e.Cause != control.ByLimit {
		c.fail("own-run-on", now, "m%d has stopped, its run-on is told until %v; it needs until %v", e.ID, e.Until, least)
	}
	if most := e.At + c.s.maxRunOn + c.p.Collector.MinOff; e.Until > most {
		c.fail("no-longer-than-needed", now, "m%d has stopped, its run-on is told until %v; at most %v", e.ID, e.Until, most)
	}
}

// --- the state after a step ----------------------------------------------

func (c *checker) state(now time.Duration, in control.Input, out *control.Out, snap *control.Snapshot, sureBefore uint64, underWay bool) {
	sure := c.usable(c.open(now))
	if c.on {
		c.lastOpen = c.beyondDoubt(sure)
	}
	c.latches(now, in, snap)
	c.kept(now, snap)
	c.lamps(now, snap)
	c.shownFaults(now, snap)
	c.shutRule(now, snap, sure)
	c.feedback(now, snap)
	c.idleFan(now, snap)
	c.runs(now, in, snap, sure)
	c.lostConfirmation(now, in, out, snap, sureBefore, underWay)
	if snap.Collector.Commanded != c.on && !c.outTrouble {
		c.fail("the-screen-says-it", now, "the snapshot says commanded %v, the commands say %v", snap.Collector.Commanded, c.on)
	}
	if c.fb != 0 && c.p.Collector.Feedback != control.NoFeedback && snap.Collector.Sensed != c.fb {
		c.fail("the-screen-says-it", now, "the snapshot says %s of the fan, its feedback %s", verdict(snap.Collector.Sensed), verdict(c.fb))
	}
	if c.test && in.Kind == control.MachineIs && int(in.ID) < len(c.m) && c.m[in.ID].v == control.Running {
		c.fail("tests-at-rest", now, "a test move goes on though m%d runs", in.ID)
	}
	if c.tripped && !has(snap, control.ProbablyBreaker, control.NoID) {
		c.fail("breaker-is-said", now, "m%d stopped while its circuit was over its breaker's rating", in.ID)
	}
	if c.test && snap.StoodDown {
		c.fail("tests-at-rest", now, "a test move goes on while stood down")
	}
}

func (c *checker) latches(now time.Duration, in control.Input, snap *control.Snapshot) {
	standing := c.standing == control.Open || c.standing == control.Broken
	if (in.Kind == control.StandDownIs && standing || in.Kind == control.Ask && in.State == uint8(control.AskStandDown) && in.Origin >= control.Wired && in.Origin <= control.Topic) && !snap.StoodDown {
		c.fail("stand-down-in-one-step", now, "asked for by %v (expires %v), and it does not stand", in.Origin, in.Expires)
	}
	if c.before.StoodDown && !snap.StoodDown {
		ok := in.Kind == control.StandDownIs && c.standing == control.Closed ||
			in.Kind == control.Ask && in.State == uint8(control.AskLift) && (in.Origin == control.Wired || in.Origin == control.Console) && !standing
		if !ok {
			c.fail("stand-down-lifted-at-shop", now, "it was lifted by %v of %v", in.Kind, in.Origin)
		}
		c.leave(now, any64)
		c.trouble(now)
	}
	if in.Kind == control.StopIs && int(in.ID) < len(c.stops) && c.stops[in.ID] == control.Open && !snap.Kept.Stopped {
		c.fail("stop-latches", now, "stop %d is open and nothing is latched", in.ID)
	}
	if !c.before.Kept.Stopped && snap.Kept.Stopped && !c.first && !(in.Kind == control.StopIs && in.State == uint8(control.Open)) {
		c.fail("latches-only-if-told-open", now, "latched by %v, state %d, of %d", in.Kind, in.State, in.ID)
	}
	if c.before.Latched() && !snap.Latched() {
		ok := in.Kind == control.Ask && in.State == uint8(control.AskReset) && (in.Origin == control.Wired || in.Origin == control.Console) && !c.stopped() &&
			(in.Expires == 0 || now <= in.Expires) ||
			in.Kind == control.ResetIs && in.State == uint8(control.Released) && c.hand == "reset" && !c.stopped()
		if !ok {
			c.fail("latch-lifted-at-shop", now, "it was lifted by %v of %v, stops %v", in.Kind, in.Origin, c.stops)
		}
		c.leave(now, any64)
		c.trouble(now)
	}
	if (snap.StoodDown || c.stopped()) && c.on {
		name := "stop-at-once"
		if snap.StoodDown {
			name = "stand-down-in-one-step"
		}
		c.fail(name, now, "the fan is still commanded on")
	}
	if c.off(now) && c.on {
		c.fail("off-switch-locks", now, "the fan is still commanded on with its switch in off")
	}
	for i := range c.o {
		if c.o[i].on && (snap.StoodDown || c.stopped() || snap.Latched() && has(snap, control.StopLatched, control.NoID)) {
			c.fail("stops-outlets-too", now, "outlet %d is still commanded on", i)
		}
		if c.o[i].on {
			need := false
			for _, m := range c.p.Outlets[i].Follows {
				need = need || c.m[m].run
			}
			if !need && snap.Outlets[i].RunOn == 0 {
				c.fail("outlet-follows", now, "outlet %d stays on without a run or a run-on", i)
			}
			if snap.Outlets[i].RunOn > now+c.p.Outlets[i].RunOn {
				c.fail("outlet-follows", now, "outlet %d runs on until %v; run-on %v", i, snap.Outlets[i].RunOn, c.p.Outlets[i].RunOn)
			}
		}
	}
}

// shownFaults judges the faults that stand by a single fact.
func (c *checker) shownFaults(now time.Duration, snap *control.Snapshot) {
	unknown := 0
	for i := range c.m {
		lost := c.m[i].v == control.Unknown
		if lost {
			unknown++
		}
		if has(snap, control.SensorLost, control.ID(i)) != lost {
			c.fail("sensor-lost-is-said", now, "m%d is %s, the fault stands: %v", i, verdict(c.m[i].v), !lost)
		}
	}
	if all := unknown == len(c.m) && unknown > 1; all && !has(snap, control.AllSensingLost, control.NoID) {
		c.fail("all-sensing-lost-is-said", now, "all %d sensors are lost", unknown)
	}
	if unknown < len(c.m) && has(snap, control.AllSensingLost, control.NoID) {
		known := false
		for i := range c.m {
			known = known || c.m[i].v > control.Unknown
		}
		if known {
			c.fail("all-sensing-lost-is-said", now, "it stands though a machine's sensor is well")
		}
	}
	for i := range c.g {
		both := c.g[i].shown == control.ShownBoth && c.p.Gates[i].OpenSwitch && c.p.Gates[i].ShutSwitch
		if both && !has(snap, control.GateSwitches, control.ID(i)) {
			c.fail("lying-switches-are-said", now, "g%d shows both ends", i)
		}
	}
	for i := range c.g {
		c.endOfMotion(now, i, snap)
	}
	for i := range c.stops {
		if (c.stops[i] == control.Broken) != has(snap, control.StopUnread, control.ID(i)) {
			c.fail("unread-stop-is-said", now, "stop %d cannot be read: %v", i, c.stops[i] == control.Broken)
		}
	}
	if c.bin == control.Full && !snap.BinFull {
		c.fail("full-bin-is-said", now, "the bin is full")
	}
	if c.p.Collector.Feedback != control.NoFeedback && c.fb == control.Unknown && !has(snap, control.CollectorSensor, control.NoID) {
		c.fail("fan-sensor-is-said", now, "the fan's feedback cannot be trusted")
	}
	if len(c.stops) > 0 && snap.Latched() {
		for i := range c.stops {
			if c.stops[i] == control.Open && !has(snap, control.StopLatched, control.NoID) {
				c.fail("stop-latches", now, "stop %d is open and no fault says so", i)
			}
		}
	}
}

// endOfMotion judges what is said of a gate that has had its time and did not
// arrive.
func (c *checker) endOfMotion(now time.Duration, i int, snap *control.Snapshot) {
	g, is, id := &c.g[i], c.p.Gates[i], control.ID(i)
	end := g.cmdAt + c.s.answer(i)
	if g.doneAt >= 0 && !g.failed && g.doneAt <= end {
		end = g.doneAt + is.Travel
	}
	if now <= end || c.aside&(1<<i) != 0 || snap.StoodDown || c.stopped() {
		return
	}
	if has(snap, control.GateNotOpen, id) || has(snap, control.GateNotShut, id) || has(snap, control.GateOutput, id) || has(snap, control.GateSwitches, id) || has(snap, control.GateLost, id) {
		return
	}
	answered := g.doneAt >= 0 && !g.failed && g.doneAt <= g.cmdAt+c.s.answer(i)
	if g.cmd == control.GateShut && answered && (is.ShutSwitch && g.shown >= control.ShownOpen && g.shown != control.ShownShut || is.OpenSwitch && g.shown == control.ShownOpen) && g.movedAt < g.doneAt && !g.reached {
		c.fail("gate-not-shut-is-said", now, "g%d was told to shut at %v, answered at %v, and does not show it", i, g.cmdAt, g.doneAt)
	}
	if g.cmd == control.GateOpen && g.opens > c.p.Retries && answered && is.OpenSwitch && g.shown != control.ShownOpen && g.movedAt < g.doneAt && snap.Gates[i].Wanted && is.Actuated {
		c.fail("gate-not-open-is-said", now, "g%d was told to open %d times, the last at %v, and does not show it", i, g.opens, g.cmdAt)
	}
}

// collected judges what is said of a machine's dust.
func (c *checker) collected(now time.Duration, i int, sure uint64, snap *control.Snapshot) {
	m := &c.m[i]
	if !m.run {
		m.wellFrom = -1
		return
	}
	k := &c.p.Collector
	grace := k.Confirm + c.p.Gap
	wait := c.p.Answer + c.p.Late
	for g := range c.g {
		if c.s.gatesOf(i)&(1<<g) != 0 {
			grace = max(grace, c.s.tries(g)+k.Confirm)
		}
	}
	grace += wait
	still := k.Feedback != control.NoFeedback && c.fb == control.Idle && now >= c.onAt+k.Within
	_, all := c.hoodOpen(i, sure)
	_, beyond := c.hoodOpen(i, c.beyondDoubt(sure))
	says := has(snap, control.Uncollected, control.ID(i))
	if !(all && c.on && !still) && !says && now > m.start+grace {
		c.fail("uncollected-is-said", now, "m%d runs since %v; its paths are open: %v, the fan is commanded on: %v, known to be still: %v", i, m.start, all, c.on, still)
	}
	if !(beyond && c.on) || k.Feedback != control.NoFeedback && c.fb != control.Running || c.outTrouble || c.onDone < 0 || m.refused {
		m.wellFrom = -1
	} else if m.wellFrom < 0 {
		m.wellFrom = now
	}
	if says && m.wellFrom >= 0 && now > m.wellFrom+grace {
		c.fail("collected-is-not-said-uncollected", now, "m%d has its paths and a running fan since %v", i, m.wellFrom)
	}
}

// shutRule judges the rule of the fan against shut gates.
func (c *checker) shutRule(now time.Duration, snap *control.Snapshot, sure uint64) {
	shown, perhaps := c.shut()
	since := func(old time.Duration, is bool) time.Duration {
		switch {
		case !is || !c.on:
			return -1
		case old < 0:
			return now
		}
		return old
	}
	c.shutSince = since(c.shutSince, c.everyPathHas(shown))
	c.maybeShutSince = since(c.maybeShutSince, c.everyPathHas(perhaps) && !c.anyPath(c.open(now)))
	if c.shutSince >= 0 && now >= c.shutSince+c.p.AllShut {
		c.fail("every-path-shut", now, "every path has been shown shut since %v, the fan is still commanded on", c.shutSince)
	}
	n := 0
	for _, t := range c.shutStops {
		if now-t < c.p.ShutWindow {
			n++
		}
	}
	if n >= 3 && len(c.shutStops) > 0 && c.shutStops[len(c.shutStops)-1] == now && !snap.Latched() {
		c.fail("third-shut-stop-latches", now, "the fan was stopped %d times in an hour against shut gates, and nothing is latched", n)
	}
}

func (c *checker) feedback(now time.Duration, snap *control.Snapshot) {
	k := &c.p.Collector
	if k.Feedback == control.NoFeedback {
		return
	}
	if c.on && c.fbIdleAll && c.fb == control.Idle && c.onDone >= 0 && now >= max(c.onDone, c.selAt)+k.Within && c.sel != control.Off {
		c.fail("no-current", now, "on since %v, answered at %v, no current, and still commanded on", c.onAt, c.onDone)
	}
	for _, f := range snap.Faults {
		if f.Fault == control.CollectorNoCurrent && !snap.Latched() {
			c.fail("no-current-latches", now, "no current is said and nothing is latched")
		}
	}
	if !c.on && c.fb == control.Running && c.sel != control.Hand && now >= max(c.quietFrom, c.fbAt, c.selAt)+k.Within && !has(snap, control.CollectorStillOn, control.NoID) {
		c.fail("still-on-is-said", now, "commanded off since %v, current since %v, and no fault says so", c.quietFrom, c.fbAt)
	}
}

// idleFan judges that the fan stops when nothing needs it.
func (c *checker) idleFan(now time.Duration, snap *control.Snapshot) {
	k := &c.p.Collector
	if !c.on || c.sel == control.Hand || now < c.onAt+k.MinOn || k.Starts > 0 && c.startsIn(now, c.starts) >= k.Starts {
		return
	}
	for i := range c.m {
		if c.m[i].run || now < max(c.m[i].runOn, c.m[i].told)+c.owed {
			return
		}
	}
	for i := range c.g {
		if snap.Gates[i].Held > 0 || now < c.g[i].relTold+c.owed {
			return
		}
	}
	c.fail("no-longer-than-needed", now, "nothing needs the fan, it may stop, and it is commanded on")
}

// runs judges what becomes of running machines.
func (c *checker) runs(now time.Duration, in control.Input, snap *control.Snapshot, sure uint64) {
	k := &c.p.Collector
	blocked := c.blocked(now) || snap.StoodDown || snap.Latched()
	fullBin := c.p.BinBlocks && c.bin != control.Room
	refusing := c.p.RefuseRunning && c.p.MaxOpen > 0
	for i := range c.m {
		m := &c.m[i]
		one, _ := c.hoodOpen(i, sure)
		_, all := c.hoodOpen(i, c.beyondDoubt(sure))
		if m.run && c.on && one {
			m.served = true
		}
		c.collected(now, i, sure, snap)
		if !m.run || m.v != control.Running {
			m.ready = -1
			continue
		}
		// 2: its path is commanded open at its start.
		if m.start == now && in.Kind == control.MachineIs && int(in.ID) == i && !blocked && !refusing && c.sel != control.Off && !fullBin && !m.alone && !m.left {
			for j := range c.g {
				g := &c.g[j]
				if c.s.gatesOf(i)&(1<<j) == 0 || (sure|c.aside)&(1<<j) != 0 || !c.p.Gates[j].Actuated {
					continue
				}
				under := g.cmd == control.GateOpen && now < g.cmdAt+c.s.answer(j)+c.p.Gates[j].Travel
				if !under {
					c.fail("path-is-commanded", now, "m%d has started, g%d is not open for certain and not told to open", i, j)
				}
			}
		}
		// 5 and 7: what it needs is there, so the fan starts.
		if !all || c.on || blocked || m.left || m.alone || refusing || fullBin || c.sel == control.Hand || c.off(now) || !c.lasted(m, now) ||
			m.trouble > longAgo || has(snap, control.CollectorOutput, control.NoID) || c.p.Collector.Switch && c.sel == 0 {
			m.ready = -1
			continue
		}
		if k.Starts > 0 && c.startsIn(now, c.starts) >= k.Starts {
			m.ready = -1
			continue
		}
		if m.ready < 0 {
			m.ready = now
		}
		wait := k.Confirm
		for j := range c.g {
			if c.s.gatesOf(i)&(1<<j) != 0 {
				wait = max(wait, c.s.answer(j)+c.p.Gates[j].Travel)
			}
		}
		if k.Circuit != control.NoID {
			for j := range c.m {
				if c.p.Machines[j].Circuit == k.Circuit {
					wait = max(wait, c.p.Machines[j].Inrush)
				}
			}
		}
		if now > m.ready+wait {
			c.fail("served-at-once", now, "m%d runs since %v, its path is open since %v, nothing keeps the fan off, and it is off", i, m.start, m.ready)
		}
	}
	c.heldServed(now, blocked || fullBin, snap, sure)
	c.weakAir(now)
}

// heldServed judges that a hold gets the fan when nothing forbids.
func (c *checker) heldServed(now time.Duration, forbidden bool, snap *control.Snapshot, sure uint64) {
	k := &c.p.Collector
	for i := range c.g {
		g := &c.g[i]
		if g.held == 0 || !g.starter || g.left || forbidden || c.on || c.troubleAt >= g.heldNew || c.p.MaxOpen > 0 || c.sel != control.Auto && k.Switch ||
			has(snap, control.CollectorOutput, control.NoID) || !within(c.s.gateRuns[i], c.beyondDoubt(sure)) ||
			k.Starts > 0 && c.startsIn(now, c.starts) >= k.Starts || now < c.offAt+k.MinOff {
			g.ready = -1
			continue
		}
		if g.ready < 0 {
			g.ready = now
		}
		wait := c.s.answer(i) + c.p.Gates[i].Travel
		for j := range c.m {
			wait = max(wait, c.p.Machines[j].Inrush)
		}
		if now > g.ready+wait {
			c.fail("hold-is-served", now, "g%d is held since %v, its path is open since %v, nothing keeps the fan off, and it is off", i, g.heldNew, g.ready)
		}
	}
}

func (c *checker) weakAir(now time.Duration) {
	if c.p.MaxOpen == 0 || c.p.RefuseRunning {
		return
	}
	branches := uint64(0)
	for i := range c.m {
		if c.m[i].run && c.m[i].v == control.Running && !c.m[i].left && !c.m[i].alone {
			branches |= c.s.gatesOf(i) &^ c.s.mains
		}
	}
	if branches == 0 {
		c.weakSaid = false
	}
	if bits.OnesCount64(branches) > c.p.MaxOpen && !c.blocked(now) && !c.weakSaid {
		c.fail("weak-air-is-said", now, "running machines want %s, the air suffices for %d", set(branches), c.p.MaxOpen)
	}
}

// lostConfirmation judges the step in which a path loses its confirmation.
func (c *checker) lostConfirmation(now time.Duration, in control.Input, out *control.Out, snap *control.Snapshot, sureBefore uint64, underWay bool) {
	if in.Kind != control.GateIs || int(in.ID) >= len(c.g) || !c.on {
		return
	}
	i := int(in.ID)
	if !c.p.Gates[i].OpenSwitch || sureBefore&(1<<i) == 0 || c.g[i].shown == control.ShownOpen || underWay || c.aside&(1<<i) != 0 {
		return
	}
	for _, cmd := range out.Commands {
		if (cmd.Kind == control.GateOpen || cmd.Kind == control.GateShut) && cmd.ID == in.ID {
			c.fail("lost-confirmation-moves-nothing", now, "g%d has lost its confirmation and is told: %v", i, cmd.Kind)
		}
	}
	for m := range c.m {
		if c.s.gatesOf(m)&(1<<i) != 0 && c.m[m].run && c.m[m].served && !c.m[m].refused && !c.m[m].left && !c.m[m].alone &&
			!c.g[i].returned && !has(snap, control.GateLost, in.ID) && !has(snap, control.GateSwitches, in.ID) {
			c.fail("lost-confirmation-is-said", now, "g%d of m%d has lost its confirmation while collecting, and no fault says so", i, m)
		}
	}
}
