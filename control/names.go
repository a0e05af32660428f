package control

// EventKind says what happened. The zero value is invalid.
type EventKind uint8

// The events. Their names are those of the event lines.
const (
	MachineStarted  EventKind = iota + 1 // a run began
	MachineStopped                       // a run ended; Until is the end of its run-on
	MachineUnknown                       // its sensor cannot be trusted; Until is the end of the hold
	MachineLeft                          // it runs and is left alone from now on: only a new start of its own serves it
	GateOpening                          // commanded open
	GateIsOpen                           // confirmed open
	GateClosing                          // commanded shut
	GateIsClosed                         // confirmed shut
	GateStopped                          // motion ended half-way on purpose
	GateHeld                             // held by hand; Until is its limit
	GateAside                            // set aside, since hands are in it: it is not moved and makes no path
	GateReturned                         // taken back, which moves and starts nothing
	GateRestarted                        // its output has reset itself: its position is not known; Until is when it may be homed
	GateReleased                         // no longer held; Until is the end of its run-on
	CollectorIsOn                        // commanded on
	CollectorIsOff                       // commanded off; a cause such as ByRunOn or ByMinOn means that this is over
	CollectorHand                        // its switch is at hand: it runs whatever is commanded
	CollectorLocked                      // its switch is at off: it cannot run
	CollectorAuto                        // its switch is at auto
	OutletIsOn                           // commanded on
	OutletIsOff                          // commanded off
	WeakAir                              // too many gates are open for the air
	BudgetExceeded                       // a start beyond the start budget
	StartHeldBack                        // a wanted start waits; Cause says for what, Until how long
	CircuitNear                          // close to the breaker's rating
	CircuitOver                          // above the breaker's rating: it may trip
	CircuitFits                          // back within the breaker's rating
	BinIsFull                            // the bin is full
	BinHasRoom                           // the bin has room again
	StoodDown                            // nothing is commanded until it is lifted
	StandDownLifted                      // lifted, which starts nothing
	StopOpened                           // a stop input acts
	StopClosed                           // a stop input is closed again; the latch stays
	LatchLifted                          // a local act lifted the latch
	TestBegan                            // a test move; Until is its end
	TestEnded                            // the test move is over
	RequestRefused                       // Cause says why; ID is the gate, if any
	ShopIsClosed                         // out of hours
	ShopIsOpen                           // in hours
	ClosedShopRun                        // a machine runs while the shop is closed
	FaultRaised                          // Fault says which
	FaultCleared                         // Fault says which
	eventKinds
)

var eventNames = [eventKinds]string{
	MachineStarted: "machine-started", MachineStopped: "machine-stopped", MachineUnknown: "machine-unknown", MachineLeft: "machine-left",
	GateOpening: "gate-opening", GateIsOpen: "gate-open", GateClosing: "gate-closing", GateIsClosed: "gate-closed", GateStopped: "gate-stopped",
	GateHeld: "gate-held", GateReleased: "gate-released", GateAside: "gate-aside", GateReturned: "gate-returned", GateRestarted: "gate-restarted",
	CollectorIsOn: "collector-on", CollectorIsOff: "collector-off", CollectorHand: "collector-hand", CollectorLocked: "collector-locked", CollectorAuto: "collector-auto",
	OutletIsOn: "outlet-on", OutletIsOff: "outlet-off",
	WeakAir: "weak-air", BudgetExceeded: "budget-exceeded", StartHeldBack: "start-held-back",
	CircuitNear: "circuit-near", CircuitOver: "circuit-over", CircuitFits: "circuit-fits",
	BinIsFull: "bin-full", BinHasRoom: "bin-has-room",
	StoodDown: "stood-down", StandDownLifted: "stand-down-lifted",
	StopOpened: "stop-opened", StopClosed: "stop-closed", LatchLifted: "latch-lifted",
	TestBegan: "test-began", TestEnded: "test-ended", RequestRefused: "request-refused",
	ShopIsClosed: "shop-closed", ShopIsOpen: "shop-open", ClosedShopRun: "closed-shop-run",
	FaultRaised: "fault-raised", FaultCleared: "fault-cleared",
}

// String is the event's name in event lines.
func (k EventKind) String() string { return name(eventNames[:], int(k)) }

// Subject says which list the ID of an event of this kind indexes. Faults say
// it themselves: see FaultKind.Subject.
func (k EventKind) Subject() Subject {
	switch k {
	case MachineStarted, MachineStopped, MachineUnknown, MachineLeft, ClosedShopRun:
		return AMachine
	case GateOpening, GateIsOpen, GateClosing, GateIsClosed, GateStopped, GateHeld, GateReleased, GateAside, GateReturned, GateRestarted, TestBegan, TestEnded, RequestRefused:
		return AGate
	case CollectorIsOn, CollectorIsOff, CollectorHand, CollectorLocked, CollectorAuto, BudgetExceeded, StartHeldBack, BinIsFull, BinHasRoom, WeakAir:
		return ACollector
	case OutletIsOn, OutletIsOff:
		return AnOutlet
	case CircuitNear, CircuitOver, CircuitFits:
		return ACircuit
	case StopOpened, StopClosed:
		return AStop
	default: // the shop as a whole, or said by the fault
		return NoSubject
	}
}

// Cause says why something happened or why it is as it is. The zero value
// means that the kind says it all.
type Cause uint8

// The causes.
const (
	BySensor       Cause = iota + 1 // a reading
	ByFoundRunning                  // it ran when the power returned: it needs a no-volt release
	ByUnknownHold                   // its sensor stayed lost for the whole hold
	ByMachine                       // a machine runs
	ByUnknown                       // a machine's sensor is lost
	ByHold                          // a gate is held by hand
	ByRunOn                         // a machine has stopped and the duct is not clear yet
	ByHelper                        // it keeps the air in a main fast enough
	ByHand                          // the collector's switch is at hand
	ByStillOn                       // the collector runs although commanded off
	ByRest                          // the last path stays open at rest
	ByCoast                         // the fan coasts down
	ByHoming                        // its position is not known
	ByTest                          // a test move
	ByRetry                         // another try
	ByLimit                         // the air does not suffice for more
	ByNoDemand                      // nothing needs it
	ByBudget                        // stopping now would use up the start budget
	ByMinOn                         // minimum time on
	ByMinOff                        // minimum time off
	ByInrush                        // a motor on the same circuit is still starting
	ByConfirm                       // the run is too short yet
	ByPath                          // no path is open yet
	ByPowerUp                       // the power has just returned
	ByStop                          // a stop input acted
	ByStandDown                     // stood down
	ByBin                           // the bin is full
	BySwitch                        // the collector's switch is at off
	ByFault                         // a fault prevents it
	ByRequest                       // somebody asked
	ByExpiry                        // its time is over
	ByOrigin                        // not allowed from there
	ByBusy                          // not at rest, or another test move is under way
	ByShopClosed                    // the shop is closed
	ByStale                         // the request came too late
	ByBadRequest                    // it names no such thing
	ByMain                          // a gate in a main makes no path of its own
	ByNotActuated                   // it is moved by hand
	ByStart                         // the program has just started
	ByNoHolds                       // no gate may be held in this shop
	ByAside                         // a gate on the way is set aside
	ByGate                          // a gate on the way is not open
	ByUnconfirmed                   // a gate on the way may be open: nothing confirms it
	ByLeft                          // it was left alone: it must be switched off and on again
	ByNoCurrent                     // the collector takes no current
	ByReset                         // the wired reset button
	ByButton                        // the gate's own wired button
	ByMoveIn                        // a move-in is open: no machine is served
	causes
)

var causeNames = [causes]string{
	0: "none", BySensor: "sensor", ByFoundRunning: "found-running", ByUnknownHold: "unknown-hold", ByMachine: "machine", ByUnknown: "unknown", ByHold: "hold",
	ByRunOn: "run-on", ByHelper: "helper", ByHand: "hand", ByStillOn: "still-on", ByRest: "rest", ByCoast: "coast", ByHoming: "homing", ByTest: "test",
	ByRetry: "retry", ByLimit: "limit", ByNoDemand: "no-demand", ByBudget: "budget", ByMinOn: "min-on", ByMinOff: "min-off", ByInrush: "inrush",
	ByConfirm: "confirm", ByPath: "path", ByPowerUp: "power-up", ByStop: "stop", ByStandDown: "stand-down", ByBin: "bin", BySwitch: "switch",
	ByFault: "fault", ByRequest: "request", ByExpiry: "expiry", ByOrigin: "origin", ByBusy: "busy", ByShopClosed: "shop-closed", ByStale: "stale",
	ByBadRequest: "bad-request", ByMain: "main", ByNotActuated: "not-actuated", ByStart: "start", ByNoHolds: "no-holds",
	ByAside: "aside", ByGate: "gate", ByUnconfirmed: "unconfirmed", ByLeft: "left", ByNoCurrent: "no-current", ByReset: "reset", ByButton: "button",
	ByMoveIn: "move-in",
}

// String is the cause's name in event lines.
func (c Cause) String() string { return name(causeNames[:], int(c)) }

func name(names []string, i int) string {
	if i < len(names) && names[i] != "" {
		return names[i]
	}
	return "invalid"
}

var commandNames = [...]string{
	CollectorOn: "collector-on", CollectorOff: "collector-off", OutletOn: "outlet-on", OutletOff: "outlet-off",
	GateOpen: "gate-open", GateShut: "gate-shut", GateStop: "gate-stop", IndicatorOn: "indicator-on", IndicatorOff: "indicator-off",
}

// String names the command in lower case.
func (k CommandKind) String() string { return name(commandNames[:], int(k)) }

var verdictNames = [...]string{Unknown: "unknown", Idle: "idle", Running: "running"}

// String names the verdict in one word.
func (v Verdict) String() string { return name(verdictNames[:], int(v)) }

var originNames = [...]string{Wired: "wired", Console: "console", Page: "page", Topic: "topic"}

// String names the origin in one word.
func (o Origin) String() string { return name(originNames[:], int(o)) }

var loadNames = [...]string{LoadUnknown: "unknown", Fits: "fits", Near: "near", Over: "over"}

// String names the load in one word.
func (l Load) String() string { return name(loadNames[:], int(l)) }

var shownNames = [...]string{ShownUnknown: "unknown", ShownOpen: "open", ShownShut: "shut", ShownBetween: "between", ShownBoth: "both"}

// String names what the switches show in one word.
func (s Shown) String() string { return name(shownNames[:], int(s)) }

var selectorNames = [...]string{Auto: "auto", Hand: "hand", Off: "off"}

// String names the position in one word.
func (s Selector) String() string { return name(selectorNames[:], int(s)) }

var askNames = [askKinds]string{AskHold: "hold", AskRelease: "release", AskTestOpen: "test-open", AskTestShut: "test-shut", AskTestEnd: "test-end",
	AskStandDown: "stand-down", AskLift: "lift", AskReset: "reset", AskAside: "aside", AskReturn: "return"}

// String names the request.
func (a AskKind) String() string { return name(askNames[:], int(a)) }

var inputNames = [inputKinds]string{Tick: "tick", MachineIs: "machine", CircuitIs: "circuit", GateIs: "gate", OutputIs: "output", CollectorIs: "collector",
	SwitchIs: "switch", StopIs: "stop", BinIs: "bin", StandDownIs: "stand-down", ShopIs: "shop", Ask: "ask",
	CurrentIs: "current", ResetIs: "reset", AsideIs: "aside", MainsIs: "mains"}

// String names the kind of input.
func (k InputKind) String() string { return name(inputNames[:], int(k)) }
