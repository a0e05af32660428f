package control

import (
	"math/bits"
	"time"
)

// Snapshot is the whole state for people to look at. It is a copy: nobody
// changes it after Core.Snapshot has returned it.
type Snapshot struct {
	At         time.Duration
	StoodDown  bool
	ShopClosed bool
	MoveIn     bool // no machine is served
	Quiet      bool // a latch or stand-down was lifted: nothing starts or moves until something is started again
	Kept       Kept // what must be stored whenever it changes: see the package comment
	BinFull    bool
	Machines   []MachineView
	Gates      []GateView
	Collector  CollectorView
	Outlets    []OutletView
	Circuits   []Load
	Stops      []Contact
	Indicators []bool      // commanded on
	Faults     []FaultView // the gravest first
}

// Latched reports whether the collector is kept off until a reset at the shop.
func (s *Snapshot) Latched() bool { return s.Kept.Stopped || s.Kept.Failed != 0 }

// Uncollected reports whether there is the fault that a machine runs and its dust is
// not collected, and why that is so now.
func (s *Snapshot) Uncollected(machine ID) (why Cause, yes bool) {
	for i := range s.Faults {
		if f := &s.Faults[i]; f.Fault == Uncollected && f.ID == machine {
			return f.Cause, true
		}
	}
	return 0, false
}

// Why is the reason for a state: "router stopped, duct clear in 6 s" is
// {ByRunOn, router, 6 s from At}.
type Why struct {
	Cause   Cause
	Machine ID            // the machine that causes it; NoID none
	Until   time.Duration // when this reason ends by itself; 0 open-ended
}

// MachineView is the state of a machine.
type MachineView struct {
	Sensed Verdict       // what the sensor says
	Run    bool          // a run is on (also while its sensor is lost, until the hold ends)
	Since  time.Duration // since when Run has its value
	RunOn  time.Duration // end of the run-on; 0 none
	Served bool          // its dust is collected: the path of each of its hoods is open, the collector is on and not known to be still
	Left   bool          // it is left alone until it is started again
	Why    Why
}

// GateView is the state of a gate.
type GateView struct {
	Position Position
	Shown    Shown         // what its switches show; 0 nothing yet
	Wanted   bool          // to be open
	Aside    bool          // set aside, since hands are in it
	Held     time.Duration // end of the hold; 0 none
	NoHold   Cause         // why a request to hold it would be refused now; 0: it would be granted
	Fault    FaultKind     // the gravest it has
	Why      Why
}

// Position says where a gate is believed to be.
type Position uint8

// The positions.
const (
	PositionUnknown Position = iota
	PositionOpen
	PositionShut
	PositionOpening
	PositionShutting
)

var positionNames = [...]string{PositionUnknown: "unknown", PositionOpen: "open", PositionShut: "shut", PositionOpening: "opening", PositionShutting: "closing"}

// String names the position in one word.
func (p Position) String() string { return name(positionNames[:], int(p)) }

// CollectorView is the state of a collector.
type CollectorView struct {
	Commanded  bool          // on
	Sensed     Verdict       // its feedback; 0 it has none
	Since      time.Duration // since when Commanded has its value
	Switch     Selector
	StartsLeft int           // in the budget's window; -1 no budget
	NextStart  time.Duration // when StartsLeft next grows; 0 it is full
	Fault      FaultKind     // the gravest it has
	Why        Why
}

// OutletView is the state of an outlet.
type OutletView struct {
	Commanded bool
	RunOn     time.Duration // end of the run-on; 0 none
}

// FaultView is a present fault.
type FaultView struct {
	Fault FaultKind
	Cause Cause // Uncollected: why, as it is now
	ID    ID
	Since time.Duration
}

// Snapshot copies the state for observers.
func (c *Core) Snapshot() *Snapshot {
	k := &c.col
	s := &Snapshot{
		At: c.now, StoodDown: c.down, ShopClosed: c.closed, MoveIn: c.p.MoveIn, Quiet: c.quiet, Kept: c.kept(), BinFull: k.bin == Full,
		Machines: make([]MachineView, len(c.machines)), Gates: make([]GateView, len(c.gates)), Outlets: make([]OutletView, len(c.outlets)),
		Circuits: make([]Load, len(c.circuits)), Stops: append([]Contact(nil), c.stops...),
	}
	for i := range c.machines {
		s.Machines[i] = c.machineView(i)
	}
	for i := range c.gates {
		s.Gates[i] = c.gateView(i)
	}
	s.Collector = c.collectorView()
	for i := range c.outlets {
		o := &c.outlets[i]
		s.Outlets[i] = OutletView{Commanded: o.on, RunOn: set0(o.runOn)}
	}
	for i := range c.circuits {
		s.Circuits[i] = c.circuits[i].load
	}
	for i := range c.lamps {
		s.Indicators = append(s.Indicators, c.lamps[i].on)
	}
	for f := FaultKind(1); f < faultKinds; f++ {
		for set := c.faults[f]; set != 0; set &= set - 1 {
			id := bits.TrailingZeros64(set)
			v := FaultView{Fault: f, ID: faultID(f, id), Since: c.since[f][id]}
			if f == Uncollected {
				v.Cause, _ = c.lacks(id)
			}
			s.Faults = append(s.Faults, v)
		}
	}
	return s
}

// gravest returns the gravest fault of a thing; 0 none.
func (c *Core) gravest(of Subject, id int) FaultKind {
	for f := FaultKind(1); f < faultKinds; f++ {
		if f.Subject() == of && c.has(f, id) {
			return f
		}
	}
	return 0
}

// kept returns all that must hold over a restart.
func (c *Core) kept() Kept {
	k := Kept{Stopped: c.latched(), Failed: c.failed(), Aside: c.aside}
	for i := range c.machines {
		if c.machines[i].left != 0 {
			k.Left |= 1 << i
		}
	}
	return k
}

// Open is the set of the gates that are believed open, gate 0 in bit 0.
func (s *Snapshot) Open() uint64 {
	var open uint64
	for i := range s.Gates {
		if s.Gates[i].Position == PositionOpen {
			open |= 1 << i
		}
	}
	return open
}

// set0 is a deadline for people: 0 when it is not set.
func set0(d time.Duration) time.Duration {
	if d == never {
		return 0
	}
	return d
}

func (c *Core) machineView(i int) MachineView {
	m := &c.machines[i]
	v := MachineView{Sensed: m.sensed, Run: m.runs(), Since: m.changed, Why: Why{Machine: ID(i)}}
	v.Left = m.left != served && m.runs()
	switch {
	case m.runs():
		why, _ := c.lacks(i)
		v.Served = why == 0
		switch {
		case why != 0:
			v.Why.Cause = why
		case m.run == lost:
			v.Why.Cause = ByUnknownHold
		default:
			v.Why.Cause = ByMachine
		}
		if v.Why.Cause == ByConfirm || v.Why.Cause == ByUnknownHold {
			v.Why.Until = set0(m.due)
		}
	case m.run == runOn:
		v.RunOn = m.due
		v.Why.Cause, v.Why.Until = ByRunOn, m.due
	case m.sensed != Idle:
		v.Why.Cause = ByUnknown
	}
	return v
}

func (c *Core) gateView(i int) GateView {
	g, bit := &c.gates[i], uint64(1)<<i
	v := GateView{Shown: g.shown, Wanted: c.want&bit != 0, Held: set0(g.held), NoHold: c.noHold(i), Why: Why{Machine: NoID}}
	switch {
	case c.open&bit != 0:
		v.Position = PositionOpen
	case c.shut&bit != 0:
		v.Position = PositionShut
	case g.motion == still:
	case g.target == toOpen:
		v.Position = PositionOpening
	case g.target == toShut:
		v.Position = PositionShutting
	}
	v.Fault, v.Aside = c.gravest(AGate, i), c.aside&bit != 0
	if v.Aside {
		v.Why.Cause = ByAside
		return v
	}
	for k := range c.machines {
		m := &c.machines[k]
		if m.path&bit == 0 {
			continue
		}
		switch {
		case c.demands(m):
			v.Why = Why{Cause: ByMachine, Machine: ID(k)}
			return v
		case m.run == runOn && m.due > v.Why.Until:
			v.Why = Why{Cause: ByRunOn, Machine: ID(k), Until: m.due}
		}
	}
	switch {
	case v.Why.Cause != 0:
	case g.held != never:
		v.Why = Why{Cause: ByHold, Machine: NoID, Until: g.held}
	case c.want&bit != 0:
		v.Why.Cause = ByHold // downstream of a held gate, or its run-on
		if c.helper&bit != 0 {
			v.Why.Cause = ByHelper
		}
	case c.test.gate == ID(i):
		v.Why = Why{Cause: ByTest, Machine: NoID, Until: c.test.until}
	case c.keep&bit != 0:
		v.Why.Cause = ByRest
	case c.busy&bit != 0:
		v.Why.Cause = ByUnknown
	}
	return v
}

func (c *Core) collectorView() CollectorView {
	k := &c.col
	v := CollectorView{Commanded: k.on, Since: k.changed, Switch: k.selector, StartsLeft: -1, Why: Why{Machine: NoID}}
	if c.p.Collector.Feedback != NoFeedback {
		v.Sensed = k.sensed
	}
	if c.starts > 0 {
		v.StartsLeft, v.NextStart = c.startsLeft(), set0(k.starts[0])
	}
	v.Fault = c.gravest(ACollector, 0)
	until := never
	switch wants := c.wantsStart(); {
	case k.on:
		v.Why.Cause, until = c.needed()
	case k.selector == Hand:
		v.Why.Cause = ByHand
	case c.has(CollectorStillOn, 0):
		v.Why.Cause = ByStillOn
	case wants != 0:
		v.Why.Cause, until = c.holdsBack(wants)
	case c.blocked() != 0:
		v.Why.Cause, until = c.blocked(), c.boot
	case c.failed() != 0:
		v.Why.Cause = ByFault
	case k.coast != never:
		v.Why.Cause, until = ByCoast, k.coast
	default:
		v.Why.Cause = ByNoDemand
	}
	v.Why.Until = set0(until)
	for i := range c.machines {
		if m := &c.machines[i]; k.on && (c.demands(m) && v.Why.Cause != ByRunOn || m.run == runOn && v.Why.Cause == ByRunOn && m.due == until) {
			v.Why.Machine = ID(i)
			break
		}
	}
	return v
}
