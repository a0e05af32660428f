package control

import (
	"errors"
	"fmt"
	"time"
)

// Limits of one Core.
const (
	MaxMachines = 64
	MaxGates    = 64
	MaxOutlets  = 32
	MaxCircuits = 32
	MaxStops    = 32
	MaxStarts   = 60 // starts in the budget's window

	MaxIndicators = 32
)

// Defaults of Params. The start budget's are the cautious side of NEMA MG 10
// table 2-3, which is for polyphase motors; take the motor maker's figures
// where there are any.
const (
	DefaultConfirm       = 250 * time.Millisecond
	DefaultUnknownHold   = 10 * time.Minute
	DefaultHoldLongest   = 30 * time.Minute
	DefaultPowerUp       = 10 * time.Second
	DefaultAnswer        = 3 * time.Second
	DefaultFeedback      = 3 * time.Second
	DefaultAllShut       = 3 * time.Second
	DefaultTestLongest   = 2 * time.Minute
	DefaultCircuitSettle = 3 * time.Second // an induction motor has run up by then (0.1 to 1 s, a blower 2 to 6 s: from memory)
	DefaultBreaker       = 500 * time.Millisecond
	DefaultStarts        = 6
	DefaultWindow        = time.Hour
	DefaultMinOn         = 60 * time.Second
	DefaultMinOff        = 90 * time.Second
	DefaultRetries       = 2
	DefaultGap           = 40 * time.Millisecond // two cycles of 50 Hz
	DefaultLate          = 3 * time.Second
	DefaultOffSettle     = time.Second
	DefaultStuck         = 10 * time.Second // somebody holds a button down for a second or two: our own choice
	DefaultShutWindow    = time.Hour
)

// Params describes a shop to a Core. Times are lengths. IDs index the lists
// of this struct. Start from Defaults.
type Params struct {
	Machines   []Machine
	Gates      []Gate
	Outlets    []Outlet
	Circuits   []Circuit
	Stops      []Stop
	Indicators []Indicator
	Collector  Collector

	// RunOn tells how long the collector must go on after machine has
	// stopped while the gates in open are open: coast-down and clear-out. It
	// must be quick, pure and total. Bit i of open is gate i.
	RunOn func(machine ID, open uint64) time.Duration
	// Helper tells which gates to open besides those in open, to keep the
	// air in the mains fast enough. Quick, pure and total; nil means none.
	Helper func(open uint64) uint64
	// Purge tells which gates to open besides those in open while the duct
	// only runs on, so that no hood wants the air, and no fault stands: it clears a
	// main that no helper gate could keep fast enough, or one in which chips lie.
	// Quick and total; it may say something else once they are lifted. nil means none.
	Purge func(open uint64) uint64

	MaxOpen       int  // branches that the air suffices for; 0 no limit
	RefuseRunning bool // a machine that starts beyond MaxOpen is refused unless it outranks a served one
	CloseAtRest   bool // shut the last path once the fan has coasted down
	BinBlocks     bool // a full bin forbids a start at rest
	TopicMayStart bool // a hold asked by topic may start the collector
	StoodDown     bool // stood down from the start: stored, or what was stored is unreadable
	ShopClosed    bool // closed from the start
	ResetButton   bool // there is a wired reset button
	Past          Past // what is known from before the stream began
	MoveIn        bool // somebody matches the rig to the shop: no machine is served, and one that runs is said to be uncollected
	Midway        bool // the stream begins in the middle of a day: every gate is shut, and a machine that runs did not start by itself

	UnknownHold   time.Duration // a lost sensor keeps its running machine served this long
	HoldLongest   time.Duration // longest hold; 0: no gate may be held
	TestLongest   time.Duration // longest test move
	PowerUp       time.Duration // nothing starts and no gate moves this long after the start; 0 none
	Answer        time.Duration // a driver answers a command within this, or it failed
	AllShut       time.Duration // every path shown shut this long while on stops the collector
	CircuitSettle time.Duration // a circuit is over its rating this long before it is said: skips inrush
	Breaker       time.Duration // a stop this close to the end of an overload is probably a breaker
	Retries       int           // further tries to open a gate
	Gap           time.Duration // a gap in a machine's current up to this does not interrupt Collector.Confirm
	Late          time.Duration // a gate that arrives within one travel time after its last try was moved by its drive, not by hand: at most this
	OffSettle     time.Duration // the collector's switch that passes off in less is not in off
	Stuck         time.Duration // a button that is pressed for longer is stuck
	ShutWindow    time.Duration // the third stop within this because every path was shut is latched
}

// Machine is a powered tool.
type Machine struct {
	Name    string // for error messages only
	Hoods   []Hood
	Rank    int           // with MaxOpen: a higher rank keeps its gates first
	Circuit ID            // NoID: not known
	Inrush  time.Duration // the collector does not start on the same circuit before this
}

// Hood is one place where a machine gives off dust.
type Hood struct {
	Gates []ID // on the way from the hood to the collector, in that order; none: always open
}

// Gate is a blast gate.
type Gate struct {
	Name       string        // for error messages only
	Travel     time.Duration // longest time from the driver's answer to the other end
	OpenSwitch bool          // it has an end switch at open
	ShutSwitch bool          // it has an end switch at shut
	Actuated   bool          // false: moved by hand, and only seen
	Downstream []ID          // gates between this one and the collector
	RunOn      time.Duration // collection goes on this long after a hold ends
	Answer     time.Duration // its driver answers within this; 0: within Params.Answer
	Button     bool          // it has a wired button of its own that sets it aside and takes it back
}

// Feedback says how the collector's motor is seen. The zero value is none.
type Feedback uint8

// The kinds of feedback.
const (
	NoFeedback Feedback = iota // "commanded", never "running"
	ByCurrent                  // its own current
	ByContact                  // an auxiliary contact of the contactor
)

// Collector is the ducted dust collector.
type Collector struct {
	Name     string        // for error messages only
	Confirm  time.Duration // a run lasts this long before it starts the collector
	Coast    time.Duration // the fan's coast-down
	Starts   int           // start budget: starts in any Window; 0 no budget
	Window   time.Duration // an hour
	MinOn    time.Duration // minimum time on
	MinOff   time.Duration // minimum time off; what a start takes from it is added to the next run-on
	Feedback Feedback
	Within   time.Duration // the feedback follows a command within this
	Circuit  ID            // NoID: not known
	Switch   bool          // it has a hand/off/auto switch that is seen
}

// Past is the knowledge that a program has from before, when it takes up the
// work of another, or its own after new files or a power cut. It can only forbid: it starts
// nothing. The zero value knows nothing.
type Past struct {
	Kept    Kept            // what holds over a restart until somebody acts
	Starts  []time.Duration // how long before the first step the collector was started, in any order
	MinOff  time.Duration   // what is left then of the minimum time off
	Powered bool            // the power was on: a machine that runs was started by somebody
}

// Kept holds all that must hold over a restart and a power cut: Snapshot gives it out,
// Past takes it in. It is comparable, so that a change is easily seen. On the
// first start of all it is zero. What was stored and cannot be read is Unreadable.
type Kept struct {
	Stopped bool      // a stop input acted, and nobody has reset it
	Failed  FaultKind // what keeps the collector off until a reset: a fault whose facts say that it latches; 0 none
	Aside   uint64    // gates that are set aside, gate 0 in bit 0
	Left    uint64    // machines that are left alone until they are started again, machine 0 in bit 0
}

// Unreadable replaces what was stored and cannot be read: latched, and
// every gate set aside.
var Unreadable = Kept{Stopped: true, Aside: ^uint64(0), Left: ^uint64(0)}

// Follow says what an indicator shows. The zero value is invalid.
type Follow uint8

// What an indicator can follow.
const (
	Collecting     Follow = iota + 1 // the collector is commanded on and not known to be still
	AnyUncollected                   // a machine runs and its dust is not collected
	AnyFault                         // there is any fault
	AnyLatch                         // the collector is kept off until a reset
	follows
)

// Half periods of an indicator that blinks. The rates lie within those that IEC
// 60073 gives for slow and for normal flashing, 0.4 to 0.8 and 1.4 to 2.8 a
// second (from memory).
const (
	SlowHalf = time.Second
	FastHalf = 250 * time.Millisecond
)

// Indicator is a plain output that shows a state: a lamp or a horn. Nothing is
// protected by it.
type Indicator struct {
	Name  string // for error messages only
	Shows Follow
	Half  time.Duration // on and off for this long in turn: SlowHalf, FastHalf; 0 steady
}

// Outlet is a switched socket that follows machines.
type Outlet struct {
	Name    string // for error messages only
	Follows []ID   // machines
	RunOn   time.Duration
}

// Circuit is one leg or phase behind one breaker.
type Circuit struct {
	Name   string  // for error messages only
	Rating float64 // the breaker's, A
}

// Stop is a stop input: a normally closed contact.
type Stop struct {
	Name string // for error messages only
}

// Defaults returns Params with every default of this package and no shop.
func Defaults() Params {
	return Params{
		Collector: Collector{Confirm: DefaultConfirm, Starts: DefaultStarts, Window: DefaultWindow, MinOn: DefaultMinOn, MinOff: DefaultMinOff,
			Within: DefaultFeedback, Circuit: NoID},
		UnknownHold: DefaultUnknownHold, HoldLongest: DefaultHoldLongest, TestLongest: DefaultTestLongest, PowerUp: DefaultPowerUp, Answer: DefaultAnswer,
		AllShut: DefaultAllShut, CircuitSettle: DefaultCircuitSettle, Breaker: DefaultBreaker, Retries: DefaultRetries,
		Gap: DefaultGap, Late: DefaultLate, OffSettle: DefaultOffSettle, Stuck: DefaultStuck, ShutWindow: DefaultShutWindow,
	}
}

// Mains are the gates that others lead through, gate 0 in bit 0: they make no path of
// their own.
func (p *Params) Mains() (mains uint64) {
	for i := range p.Gates {
		mains |= set(p.Gates[i].Downstream)
	}
	for _, m := range p.Machines {
		for _, h := range m.Hoods {
			if len(h.Gates) > 1 {
				mains |= set(h.Gates[1:])
			}
		}
	}
	return mains
}

// Validate returns every error at once (errors.Join), or nil.
func (p *Params) Validate() error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	count := func(what string, n, most int) {
		if n > most {
			bad("%d %s: at most %d", n, what, most)
		}
	}
	count("machines", len(p.Machines), MaxMachines)
	count("gates", len(p.Gates), MaxGates)
	count("outlets", len(p.Outlets), MaxOutlets)
	count("circuits", len(p.Circuits), MaxCircuits)
	count("stop inputs", len(p.Stops), MaxStops)
	count("indicators", len(p.Indicators), MaxIndicators)
	gates := func(who string, ids []ID) {
		var seen uint64
		for _, g := range ids {
			switch {
			case int(g) >= len(p.Gates):
				bad("%s: no gate %d", who, g)
			case seen&(1<<g) != 0:
				bad("%s: gate %q twice on one way", who, p.Gates[g].Name)
			default:
				seen |= 1 << g
			}
		}
	}
	circuit := func(who string, id ID) {
		if id != NoID && int(id) >= len(p.Circuits) {
			bad("%s: no circuit %d", who, id)
		}
	}
	length := func(who, what string, d time.Duration) {
		if d < 0 || d > longest {
			bad("%s: %s %v: give between 0 and %v", who, what, d, longest)
		}
	}
	for i := range p.Machines {
		m := &p.Machines[i]
		who := fmt.Sprintf("machine %q", m.Name)
		if len(m.Hoods) == 0 {
			bad("%s: no hood", who)
		}
		for _, h := range m.Hoods {
			gates(who, h.Gates)
		}
		circuit(who, m.Circuit)
		length(who, "inrush", m.Inrush)
	}
	for i := range p.Gates {
		g := &p.Gates[i]
		who := fmt.Sprintf("gate %q", g.Name)
		gates(who, g.Downstream)
		length(who, "answer time", g.Answer)
		for _, d := range g.Downstream {
			if int(d) == i {
				bad("%s: downstream of itself", who)
			}
		}
		length(who, "travel", g.Travel)
		length(who, "run-on", g.RunOn)
		if !g.Actuated && !g.OpenSwitch {
			bad("%s: neither actuator nor open switch: nothing can be known of it, leave it out", who)
		}
	}
	for i := range p.Outlets {
		o := &p.Outlets[i]
		who := fmt.Sprintf("outlet %q", o.Name)
		for _, m := range o.Follows {
			if int(m) >= len(p.Machines) {
				bad("%s: no machine %d", who, m)
			}
		}
		length(who, "run-on", o.RunOn)
	}
	for i := range p.Indicators {
		n := &p.Indicators[i]
		if n.Shows == 0 || n.Shows >= follows {
			bad("indicator %q: shows nothing: say what it follows", n.Name)
		}
		length(fmt.Sprintf("indicator %q", n.Name), "half period", n.Half)
	}
	for i := range p.Circuits {
		if r := p.Circuits[i].Rating; !(r > 0 && r < 1e6) {
			bad("circuit %q: breaker rating %v A: give more than 0", p.Circuits[i].Name, r)
		}
	}
	c := &p.Collector
	who := fmt.Sprintf("collector %q", c.Name)
	circuit(who, c.Circuit)
	length(who, "confirm", c.Confirm)
	length(who, "coast", c.Coast)
	length(who, "minimum time on", c.MinOn)
	length(who, "minimum time off", c.MinOff)
	length(who, "feedback time", c.Within)
	length(who, "budget window", c.Window)
	switch {
	case c.Starts < 0 || c.Starts > MaxStarts:
		bad("%s: %d starts: give 0 (no budget) to %d", who, c.Starts, MaxStarts)
	case c.Starts == 1:
		bad("%s: one start would never leave a further one: give at least 2", who)
	case c.Starts > 0 && c.Window == 0:
		bad("%s: a start budget needs a window", who)
	}
	if c.Feedback > ByContact {
		bad("%s: no feedback kind %d", who, c.Feedback)
	}
	for _, ago := range p.Past.Starts {
		length(who, "time since a start", ago)
	}
	length(who, "rest of the minimum time off", p.Past.MinOff)
	if f := p.Past.Kept.Failed; f >= faultKinds || f != 0 && (!f.Facts().Latches || f.Subject() != ACollector) {
		bad("%s: fault %s keeps nothing off", who, f)
	}
	if p.RunOn == nil {
		bad("no run-on function")
	}
	if p.Answer == 0 {
		bad("shop: answer time 0: an unanswered off is repeated each time it is over, give more")
	}
	if p.MaxOpen < 0 {
		bad("%d open branches: give 0 (no limit) or more", p.MaxOpen)
	}
	if p.Retries < 0 || p.Retries > 9 {
		bad("%d retries: give 0 to 9", p.Retries)
	}
	length("shop", "unknown hold", p.UnknownHold)
	length("shop", "longest hold", p.HoldLongest)
	length("shop", "longest test move", p.TestLongest)
	length("shop", "power-up wait", p.PowerUp)
	length("shop", "answer time", p.Answer)
	length("shop", "all-shut time", p.AllShut)
	length("shop", "circuit settling", p.CircuitSettle)
	length("shop", "breaker window", p.Breaker)
	length("shop", "gap", p.Gap)
	length("shop", "late arrival", p.Late)
	length("shop", "settling of the switch", p.OffSettle)
	length("shop", "stuck button", p.Stuck)
	length("shop", "shut window", p.ShutWindow)
	return errors.Join(errs...)
}

// longest is the longest length of time in Params: sums of a few stay far
// from overflow.
const longest = 10000 * time.Hour
