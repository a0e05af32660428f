package control

import (
	"cmp"
	"math"
	"math/bits"
	"time"
)

// never is a deadline that is not set.
const never = time.Duration(math.MaxInt64)

// Core decides. It is a plain value machine: no I/O, no clock, no goroutine,
// no lock. See the package comment for the caller's duties.
type Core struct {
	p Params

	// Fixed by New.
	paths    []uint64 // every whole path, as gate masks: each hood's, each end gate's
	ends     uint64   // gates that make a path of their own: branches
	actuated uint64
	starts   int // length of the budget's ring

	// State. Every deadline is never unless its note says otherwise; every
	// field is in AppendKey unless it is marked "for people".
	now      time.Duration // time of the last step; not in the key: deadlines are relative to it
	begun    bool          // the first step has switched the outputs off
	seq      uint32        // of the last command; not in the key: only equality matters
	boot     time.Duration // until then nothing starts and nothing moves
	machines []machine
	gates    []gate
	outlets  []outlet
	lamps    []indicator
	circuits []circuit
	stops    []Contact // 0 before the first report
	col      collector
	rest     uint64 // the path that stays open at rest; 0 none yet
	weak     bool   // more branches are demanded than the air suffices for
	test     test
	wire     Contact // the wired stand-down switch; 0 before the first report
	down     bool    // stood down
	quiet    bool    // a stop latch or stand-down was lifted and nothing has been started since: no gate moves
	closed   bool    // out of hours
	aside    uint64  // gates that are set aside
	freed    uint64  // gates that had failed and were opened by hand at rest: as a path they let no other gate shut
	reset    button  // the wired reset button
	faults   [faultKinds]uint64
	since    [faultKinds][MaxGates]time.Duration // for people

	// Gates of machines started, and holds asked, since the last decision: each
	// that is not confirmed is commanded again. Empty between steps.
	fresh uint64

	// Worked out afresh by every decision, from the state alone.
	open, shut   uint64 // confirmed open; shut, by its switch or by time
	demand, want uint64 // gates of demands; with run-on, holds and helpers
	helper       uint64 // gates wanted as helpers only
	keep         uint64 // gates that must not be shut now
	busy         uint64 // gates of running and unknown machines
	cut          uint64 // gates of running machines
	dropHeld     uint64 // held gates that the limit closes
	dropRunOn    uint64 // machines whose run-on the limit ends
	dropGate     uint64 // gates whose run-on after a hold the limit ends
}

// New returns a Core for the shop, or every error in its description. It
// starts as after a power cut: outputs off with the first step, nothing starts
// for Params.PowerUp, gate positions unknown (but see Params.Midway).
func New(p Params) (*Core, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	c := &Core{p: p, starts: p.Collector.Starts, boot: never, down: p.StoodDown, closed: p.ShopClosed, test: test{gate: NoID, until: never}, reset: button{stuck: never}}
	c.machines = make([]machine, len(p.Machines))
	for i := range p.Machines {
		m := &c.machines[i]
		m.due, m.settle, m.gap, m.serve, m.late = never, never, never, never, never
		for _, h := range p.Machines[i].Hoods {
			mask := set(h.Gates)
			m.path |= mask
			m.hoods = append(m.hoods, mask)
			if !p.MoveIn {
				c.addPath(mask)
			}
		}
	}
	c.gates = make([]gate, len(p.Gates))
	for i := range p.Gates {
		g := &c.gates[i]
		g.due, g.held, g.runOn, g.limit, g.late, g.wait, g.button.stuck = never, never, never, never, never, never, never
		g.path = 1<<i | set(p.Gates[i].Downstream)
		if p.Gates[i].Actuated {
			c.actuated |= 1 << i
		}
		if p.Midway {
			g.begin(&p.Gates[i])
		}
	}
	c.ends = (1<<len(p.Gates) - 1) &^ p.Mains()
	for e := c.ends; e != 0; e &= e - 1 {
		c.addPath(c.gates[bits.TrailingZeros64(e)].path)
	}
	c.outlets = make([]outlet, len(p.Outlets))
	for i := range c.outlets {
		c.outlets[i].runOn, c.outlets[i].answer = never, never
	}
	c.lamps = make([]indicator, len(p.Indicators))
	for i := range c.lamps {
		c.lamps[i].due, c.lamps[i].answer = never, never
	}
	c.circuits = make([]circuit, len(p.Circuits))
	for i := range c.circuits {
		c.circuits[i].due, c.circuits[i].forget = never, never
	}
	c.stops = make([]Contact, len(p.Stops))
	c.col.init()
	c.restore(&p.Past.Kept)
	c.survey()
	return c, nil
}

// restore takes in what was stored. What it latches is said with the first step.
func (c *Core) restore(k *Kept) {
	c.aside = k.Aside & (1<<len(c.gates) - 1)
	for i := range c.machines {
		if k.Left>>i&1 != 0 {
			c.machines[i].left = leftAll
		}
		m, p := &c.machines[i], &c.p
		m.bound = max(p.Collector.Confirm, p.Machines[i].Inrush)
		for path := m.path; path != 0; path &= path - 1 {
			g := &p.Gates[bits.TrailingZeros64(path)]
			if g.Actuated {
				m.bound = max(m.bound, time.Duration(p.Retries+1)*(cmp.Or(g.Answer, p.Answer)+g.Travel))
			} else {
				m.bound = max(m.bound, g.Travel)
			}
		}
	}
}

func (c *Core) addPath(mask uint64) {
	for _, p := range c.paths {
		if p == mask {
			return
		}
	}
	c.paths = append(c.paths, mask)
}

func set(ids []ID) uint64 {
	var m uint64
	for _, i := range ids {
		m |= 1 << i
	}
	return m
}

// Step fires every deadline up to now, each at its own instant and in order,
// then applies in at now. It appends what to do and what happened to out. A
// now before that of the last step counts as the last step's: time does not
// run backwards. Input that names nothing in Params, or an invalid state, is
// ignored; a request of that sort is refused with an event. Step does not
// allocate once out's buffers have grown.
func (c *Core) Step(now time.Duration, in Input, out *Out) {
	if now < c.now {
		now = c.now
	}
	if !c.begun {
		c.now = now
		c.begin(out)
	}
	c.fire(now, out)
	c.now = now
	c.apply(in, out)
	c.decide(out)
	c.fire(now, out)
}

// Next is the earliest deadline, if there is one. Call Step with a Tick then.
func (c *Core) Next() (at time.Duration, ok bool) {
	at = c.due()
	return at, at != never
}

// begin makes the outputs what this state says they are: off.
func (c *Core) begin(out *Out) {
	c.begun = true
	c.boot = c.now + c.p.PowerUp
	c.col.coast = c.now + c.p.Collector.Coast // it may have run a moment ago
	c.col.remember(c.now, &c.p)
	c.switchOff(ByStart, out)
	for i := range c.outlets {
		c.outletOff(i, ByStart, out)
	}
	for i := range c.lamps {
		c.light(i, false, out)
	}
	if k := &c.p.Past.Kept; k.Stopped {
		c.raise(StopStored, ByStart, 0, never, out)
	}
	if f := c.p.Past.Kept.Failed; f != 0 {
		c.raise(f, ByStart, 0, never, out)
	}
	for a := c.aside; a != 0; a &= a - 1 {
		c.event(GateAside, ByStart, bits.TrailingZeros64(a), never, out)
	}
}

// fire lets every deadline up to now pass at its own instant. Deadlines of one
// instant pass together: machines, gates, collector, outlets, circuits, each
// in order of ID.
func (c *Core) fire(now time.Duration, out *Out) {
	for at := c.due(); at <= now; at = c.due() {
		if at > c.now {
			c.now = at
		}
		if c.boot <= c.now {
			c.boot = never
		}
		if c.test.until <= c.now {
			c.endTest(ByExpiry, out)
		}
		for i := range c.machines {
			c.machineDue(i, out)
		}
		for i := range c.gates {
			c.gateDue(i, out)
		}
		c.collectorDue(out)
		for i := range c.outlets {
			c.outletDue(i, out)
		}
		for i := range c.lamps {
			c.lampDue(i, out)
		}
		if c.reset.due(c.now) {
			c.raise(ResetStuck, BySensor, 0, never, out)
		}
		for i := range c.circuits {
			c.circuitDue(i, out)
		}
		c.decide(out)
	}
}

func (c *Core) due() time.Duration {
	at := min(c.boot, c.test.until, c.reset.stuck)
	for i := range c.machines {
		m := &c.machines[i]
		at = min(at, m.due, m.settle, m.gap, m.serve, m.late)
	}
	for i := range c.gates {
		g := &c.gates[i]
		at = min(at, g.due, g.held, g.runOn, g.late, g.wait, g.button.stuck)
	}
	at = min(at, c.col.next())
	for i := range c.outlets {
		at = min(at, c.outlets[i].runOn, c.outlets[i].answer)
	}
	for i := range c.lamps {
		at = min(at, c.lamps[i].due, c.lamps[i].answer)
	}
	for i := range c.circuits {
		at = min(at, c.circuits[i].due, c.circuits[i].forget)
	}
	return at
}

// apply takes in one fact or request.
func (c *Core) apply(in Input, out *Out) {
	id := int(in.ID)
	switch in.Kind {
	case Tick:
	case MachineIs:
		if v := Verdict(in.State); id < len(c.machines) && v >= Unknown && v <= Running {
			c.machineIs(id, v, in.Onset, out)
		}
	case CircuitIs:
		if l := Load(in.State); id < len(c.circuits) && l >= LoadUnknown && l <= Over {
			c.circuitIs(id, l)
		}
	case GateIs:
		if s := Shown(in.State); id < len(c.gates) && s >= ShownUnknown && s <= ShownBoth {
			c.gateIs(id, s, out)
		}
	case OutputIs:
		switch o := Outcome(in.State); o {
		case Done, Failed:
			c.outputIs(in, o, out)
		case Lost:
			c.outputLost(in, out)
		}
	case CollectorIs:
		if v := Verdict(in.State); id == 0 && v >= Unknown && v <= Running {
			c.collectorIs(v, out)
		}
	case SwitchIs:
		if s := Selector(in.State); id == 0 && s >= Auto && s <= Off {
			c.switchIs(s, out)
		}
	case StopIs:
		if s := Contact(in.State); id < len(c.stops) && s >= Closed && s <= Broken {
			c.stopIs(id, s, out)
		}
	case BinIs:
		if l := Level(in.State); id == 0 && l >= LevelUnknown && l <= Full {
			c.binIs(l, out)
		}
	case StandDownIs:
		if s := Contact(in.State); s >= Closed && s <= Broken {
			c.standDownIs(s, out)
		}
	case ShopIs:
		if h := Hours(in.State); h == ShopOpen || h == ShopClosed {
			c.shopIs(h == ShopClosed, out)
		}
	case CurrentIs:
		if f := Flow(in.State); id < len(c.machines) && (f == Flows || f == Gone) {
			c.currentIs(id, f)
		}
	case ResetIs:
		if p := Press(in.State); c.p.ResetButton && p >= Released && p <= Unpressed {
			c.resetIs(p, out)
		}
	case AsideIs:
		if p := Press(in.State); id < len(c.gates) && c.p.Gates[id].Button && p >= Released && p <= Unpressed {
			c.asideIs(id, p, out)
		}
	case MainsIs:
		switch Supply(in.State) {
		case AsFiled:
			c.clear(OtherMains, BySensor, 0, out)
		case OtherThanFiled:
			c.raise(OtherMains, BySensor, 0, never, out)
		}
	case Ask:
		c.ask(in, out)
	}
}

// outputIs takes what became of a command. Only the last command to a target
// counts: what an older one came to no longer matters.
func (c *Core) outputIs(in Input, o Outcome, out *Out) {
	id := int(in.ID)
	switch in.What {
	case CollectorOn, CollectorOff:
		if id == 0 && in.Seq == c.col.seq {
			c.collectorAnswer(o, out)
		}
	case OutletOn, OutletOff:
		if id < len(c.outlets) && in.Seq == c.outlets[id].seq {
			c.outletAnswer(id, o, out)
		}
	case GateOpen, GateShut:
		if id < len(c.gates) && in.Seq == c.gates[id].seq {
			c.gateAnswer(id, o, out)
		}
	case IndicatorOn, IndicatorOff:
		if id < len(c.lamps) && in.Seq == c.lamps[id].seq {
			c.lampAnswer(id, o, out)
		}
	case GateStop: // nothing waits for it
	}
}

// outputLost takes that an output has reset itself: the computer that drives it
// has started again. A contactor that was on is a command that did not last, and
// is latched; an outlet follows its machines again, an indicator its state. A gate
// is at an unknown end, whatever else is wrong: opened again if it is wanted, else
// homed at rest after the wait.
func (c *Core) outputLost(in Input, out *Out) {
	id := int(in.ID)
	switch in.What {
	case CollectorOn, CollectorOff:
		if id == 0 && c.col.on {
			c.fail(CollectorOutput, out)
		}
	case OutletOn, OutletOff:
		if id < len(c.outlets) && c.outlets[id].on {
			c.outletOff(id, ByFault, out)
		}
	case IndicatorOn, IndicatorOff:
		if id < len(c.lamps) && c.lamps[id].on {
			c.light(id, false, out)
		}
	case GateOpen, GateShut, GateStop:
		if id < len(c.gates) && c.p.Gates[id].Actuated {
			c.gateRestarted(id, out)
		}
	}
}

// decide compares what should be with what has been commanded and commands the
// difference. It depends on the state alone: deciding twice commands nothing
// the second time.
func (c *Core) decide(out *Out) {
	c.leaveBarred(out)
	c.wants(out)
	if c.air() {
		c.endTest(ByStillOn, out) // else it would shut what a path that must be open needs
	}
	c.settleGates(out)
	c.chooseRest()
	c.openGates(out)
	c.watchArrivals()
	c.runCollector(out)
	c.runOutlets(out)
	c.shutGates(out)
	c.sayUncollected(out)
	c.runLamps(out)
}

// blocked says what forbids every start and every motion: the stop inputs,
// also one that has not reported yet, the stand-down and the wait after power-up.
func (c *Core) blocked() Cause {
	for _, s := range c.stops {
		if s == 0 {
			return ByStop
		}
	}
	switch {
	case c.stopped():
		return ByStop
	case c.down:
		return ByStandDown
	case c.boot != never:
		return ByPowerUp
	}
	return 0
}

func (c *Core) command(k CommandKind, id int, out *Out) uint32 {
	c.seq++
	out.Commands = append(out.Commands, Command{Seq: c.seq, Kind: k, ID: ID(id)})
	return c.seq
}

func (c *Core) event(k EventKind, cause Cause, id int, until time.Duration, out *Out) {
	if until == never {
		until = 0
	}
	out.Events = append(out.Events, Event{At: c.now, Kind: k, Cause: cause, ID: ID(id), Until: until})
}

// latched reports whether a stop input has acted and nobody has reset it.
func (c *Core) latched() bool { return c.faults[StopLatched]|c.faults[StopStored] != 0 }

// stopped reports whether a stop input forbids everything: it has acted, or cannot
// be read.
func (c *Core) stopped() bool { return c.latched() || c.faults[StopUnread] != 0 }

// failed returns what keeps the collector off until a reset; 0 nothing.
func (c *Core) failed() FaultKind {
	for _, f := range latching {
		if c.faults[f] != 0 {
			return f
		}
	}
	return 0
}

// has reports whether there is such a fault.
func (c *Core) has(f FaultKind, id int) bool { return c.faults[f]>>id&1 != 0 }

// raise raises a fault unless it is raised already.
func (c *Core) raise(f FaultKind, cause Cause, id int, until time.Duration, out *Out) {
	if c.has(f, id) {
		return
	}
	c.faults[f] |= 1 << id
	c.since[f][id] = c.now
	if until == never {
		until = 0
	}
	out.Events = append(out.Events, Event{At: c.now, Kind: FaultRaised, Cause: cause, Fault: f, ID: faultID(f, id), Until: until})
}

// clear clears a fault if it is raised.
func (c *Core) clear(f FaultKind, cause Cause, id int, out *Out) {
	if !c.has(f, id) {
		return
	}
	c.faults[f] &^= 1 << id
	out.Events = append(out.Events, Event{At: c.now, Kind: FaultCleared, Cause: cause, Fault: f, ID: faultID(f, id)})
}

func faultID(f FaultKind, id int) ID {
	if f.Subject() == NoSubject {
		return NoID
	}
	return ID(id)
}
