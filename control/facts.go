package control

// FaultKind says what is wrong. The zero value means no fault. The order is the
// rank: of two faults the first is the graver, and is said first.
type FaultKind uint8

// The faults, the gravest first.
const (
	Uncollected        FaultKind = iota + 1 // a machine runs and its dust is not collected; the cause says why
	CollectorStillOn                        // commanded off and current persists: use the disconnect
	CollectorNotOff                         // its output does not take an off; it is repeated
	StopLatched                             // a stop input acted
	StopStored                              // a stop input acted before the program started, or what was stored cannot be read
	StopUnread                              // a stop input cannot be read: nothing starts until it can
	CollectorNoCurrent                      // commanded on and no current
	CollectorOutput                         // its output did not take an on, or has reset itself while on
	ShutTooOften                            // stopped for the third time in Params.ShutWindow because every path was shut
	EveryPathShut                           // stopped because every path was shown shut
	AllSensingLost                          // no machine's sensor can be trusted
	SensorLost                              // a machine's sensor cannot be trusted
	GateNotOpen                             // commanded open and not confirmed after all tries
	GateLost                                // confirmation lost while collecting
	GateOutput                              // the gate's output could not be set
	GateNotShut                             // will not close
	GateSwitches                            // both end switches are made
	CollectorSensor                         // the collector's own feedback cannot be trusted
	OtherMains                              // the mains has another frequency than the shop file says
	ProbablyBreaker                         // current went from over the breaker's rating to zero
	OutletOutput                            // an outlet's output could not be set
	ResetStuck                              // the wired reset button is held down, or cannot be read: it resets nothing
	AsideStuck                              // the same of the button that takes a gate back
	IndicatorOutput                         // an indicator's output could not be set
	faultKinds
)

// FaultKinds is the length of an array that is indexed by FaultKind.
const FaultKinds = int(faultKinds)

// Lift is a set of what can end a fault.
type Lift uint8

// What ends a fault.
const (
	LiftItself Lift = 1 << iota // it goes with what it reports
	LiftStart                   // a machine there that is started again, or a new hold: what failed is tried again
	LiftReset                   // a reset at the shop, and nothing else
)

// Facts say what is fixed about a kind of fault. Where it is found, and what is
// done then, is in the machine that it concerns; words and injections are kept by
// those who speak and simulate, in arrays of FaultKinds.
type Facts struct {
	Name    string  // in event lines
	Subject Subject // which list the ID of such a fault indexes
	Grave   bool    // somebody may be hurt, or dust goes nowhere: an alarm, not a notice
	Latches bool    // it keeps the collector off until a reset; stored over a restart
	Lift    Lift
}

var facts = [faultKinds]Facts{
	0:                  {Name: "none"},
	Uncollected:        {"uncollected", AMachine, true, false, LiftItself | LiftStart},
	CollectorStillOn:   {"collector-still-on", ACollector, true, false, LiftItself},
	CollectorNotOff:    {"collector-not-off", ACollector, true, false, LiftItself},
	StopLatched:        {"stop-latched", AStop, true, true, LiftReset},
	StopStored:         {"stop-stored", NoSubject, true, true, LiftReset},
	StopUnread:         {"stop-unread", AStop, true, false, LiftItself},
	CollectorNoCurrent: {"collector-no-current", ACollector, true, true, LiftReset},
	CollectorOutput:    {"collector-output", ACollector, true, true, LiftReset},
	ShutTooOften:       {"shut-too-often", ACollector, true, true, LiftReset},
	EveryPathShut:      {"every-path-shut", ACollector, true, false, LiftItself},
	AllSensingLost:     {"all-sensing-lost", NoSubject, false, false, LiftItself},
	SensorLost:         {"sensor-lost", AMachine, false, false, LiftItself},
	GateNotOpen:        {"gate-not-open", AGate, false, false, LiftItself | LiftStart},
	GateLost:           {"gate-lost", AGate, false, false, LiftItself | LiftStart},
	GateOutput:         {"gate-output", AGate, false, false, LiftItself | LiftStart},
	GateNotShut:        {"gate-not-shut", AGate, false, false, LiftItself | LiftStart},
	GateSwitches:       {"gate-switches", AGate, false, false, LiftItself},
	CollectorSensor:    {"collector-sensor", ACollector, false, false, LiftItself},
	OtherMains:         {"other-mains", NoSubject, false, false, LiftItself},
	ProbablyBreaker:    {"probably-breaker", AMachine, false, false, LiftStart},
	OutletOutput:       {"outlet-output", AnOutlet, false, false, LiftItself},
	ResetStuck:         {"reset-stuck", NoSubject, false, false, LiftItself},
	AsideStuck:         {"aside-stuck", AGate, false, false, LiftItself},
	IndicatorOutput:    {"indicator-output", AnIndicator, false, false, LiftItself},
}

// Facts are the facts of a fault; those of no fault where there is no such kind.
func (f FaultKind) Facts() Facts {
	if f < faultKinds {
		return facts[f]
	}
	return Facts{Name: "invalid"}
}

// String is the fault's name in event lines.
func (f FaultKind) String() string { return f.Facts().Name }

// Subject says which list the ID of a fault of this kind indexes.
func (f FaultKind) Subject() Subject { return f.Facts().Subject }

// latching are the faults that keep the collector off until a reset, but for the
// stop inputs, which forbid everything.
var latching = [...]FaultKind{CollectorNoCurrent, CollectorOutput, ShutTooOften}
