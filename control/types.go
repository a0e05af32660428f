package control

import "time"

// ID is the index of a thing in its list in Params: a machine, gate, outlet,
// circuit or stop input. A collector has an ID too; it is 0 while Params
// describes one collector.
type ID uint8

// NoID means "none": no circuit, no subject.
const NoID ID = 255

// InputKind says what an Input reports or asks. The zero value is invalid.
type InputKind uint8

// The kinds of input.
const (
	Tick        InputKind = iota + 1 // nothing but time passes
	MachineIs                        // ID machine, State a Verdict
	CircuitIs                        // ID circuit, State a Load
	GateIs                           // ID gate, State a Shown: what its end switches show
	OutputIs                         // What and Seq name the command, ID its target, State an Outcome
	CollectorIs                      // ID collector, State a Verdict: its current or auxiliary contact
	SwitchIs                         // ID collector, State a Selector: its hand/off/auto switch
	StopIs                           // ID stop input, State a Contact
	BinIs                            // ID collector, State a Level
	StandDownIs                      // State a Contact of the wired stand-down switch: open = stand down
	ShopIs                           // State a Hours: open or closed
	Ask                              // a request: State an AskKind, ID a gate or NoID, Origin who asks
	CurrentIs                        // ID machine, State a Flow: whether its current or contact is there now
	ResetIs                          // State a Press: the wired reset button
	AsideIs                          // ID gate, State a Press: the wired button that takes this gate back
	MainsIs                          // State a Supply: whether the mains has the frequency that the shop file says
	inputKinds
)

// Verdict says whether a sensor finds a motor running. The zero value is invalid. The
// numbers are those of the sensing package's verdicts.
type Verdict uint8

// The verdicts.
const (
	Unknown Verdict = iota + 1 // cannot be trusted; not the same as idle
	Idle
	Running
)

// Load classes the current of a circuit. The zero value is invalid.
type Load uint8

// The loads.
const (
	LoadUnknown Load = iota + 1
	Fits             // within what the breaker carries all day
	Near             // close to the breaker's rating
	Over             // above the breaker's rating
)

// Shown says what a gate's end switches show, as far as it has them. The zero
// value is invalid.
type Shown uint8

// What end switches can show.
const (
	ShownUnknown Shown = iota + 1 // cannot be read
	ShownOpen                     // the open switch is made (and not the shut switch)
	ShownShut                     // the shut switch is made (and not the open switch)
	ShownBetween                  // no switch that it has is made
	ShownBoth                     // both are made: one is faulty
)

// Shows returns what end switches show, of which each is made or not; read is false where
// one of them cannot be read.
func Shows(open, shut, read bool) Shown {
	switch {
	case !read:
		return ShownUnknown
	case open && shut:
		return ShownBoth
	case open:
		return ShownOpen
	case shut:
		return ShownShut
	}
	return ShownBetween
}

// Outcome says what became of a command. The driver answers each command once;
// one that a later command to the same target overtook need not be answered.
// The zero value is invalid.
type Outcome uint8

// The outcomes.
const (
	Done   Outcome = iota + 1 // the output has its new state; a gate's travel begins
	Failed                    // it could not be set
	Lost                      // unasked, whatever Seq: the output has reset itself and is off; a gate's position is not known
)

// Selector is the position of a hand/off/auto switch. The zero value is invalid.
type Selector uint8

// The positions.
const (
	Auto Selector = iota + 1
	Hand          // the collector runs whatever is commanded
	Off           // the collector cannot run
)

// Contact is the state of a normally closed contact. The zero value is
// invalid; a contact that cannot be read counts as open.
type Contact uint8

// The states of a contact.
const (
	Closed Contact = iota + 1 // all is well
	Open                      // act
	Broken                    // cannot be read: acts like Open, but a stop input is not latched by it
)

// Level is the bin's. The zero value is invalid.
type Level uint8

// The levels.
const (
	LevelUnknown Level = iota + 1
	Room
	Full
)

// Hours says whether the shop is open. The zero value is invalid.
type Hours uint8

// The hours.
const (
	ShopOpen   Hours = iota + 1
	ShopClosed       // machines are served with a notice; no homing, no test moves
)

// Flow says whether the current of a running machine is there at this moment: a
// verdict outlasts a gap. A machine of which it is never said has its current
// for as long as it runs. The zero value is invalid.
type Flow uint8

// The flows.
const (
	Flows Flow = iota + 1
	Gone       // below the level of a running machine, while the verdict still says that it runs
)

// Press is the state of a wired push button. The zero value is invalid. What
// counts is that a button is pressed and released, so that one that is stuck or
// short-circuited does nothing.
type Press uint8

// The states of a button.
const (
	Released  Press = iota + 1
	Pressed         // held down
	Unpressed       // it cannot be read
)

// Supply says whether the mains has the frequency that the shop file says. Until it
// is said, it has. The zero value is invalid.
type Supply uint8

// The supplies.
const (
	AsFiled Supply = iota + 1
	OtherThanFiled
)

// AskKind names what a request asks for. The zero value is invalid.
type AskKind uint8

// The requests.
const (
	AskHold      AskKind = iota + 1 // hold gate ID open and collect there for For
	AskRelease                      // end the hold of gate ID
	AskTestOpen                     // move gate ID open for For, at rest only
	AskTestShut                     // move gate ID shut for For, at rest only
	AskTestEnd                      // end the test move
	AskStandDown                    // command nothing from now on
	AskLift                         // lift the stand-down: wired switch or console only
	AskReset                        // lift the latches: local origins only, once every stop input is closed
	AskAside                        // set gate ID aside, since hands are in it: not from a topic
	AskReturn                       // take gate ID back: local origins only
	askKinds
)

// Origin is where a request comes from. The zero value is invalid and refused.
type Origin uint8

// The origins. Wired and Console are local: someone is in the shop.
const (
	Wired   Origin = iota + 1 // a button or switch wired to the rig
	Console                   // the computer's own console
	Page                      // the web page
	Topic                     // a message from a broker
	origins
)

// Input is one fact or one request. It is comparable.
type Input struct {
	Kind    InputKind
	State   uint8         // by Kind, see InMachine and its kin, which set it
	Origin  Origin        // Ask: who asks
	What    CommandKind   // OutputIs: the command that was carried out
	ID      ID            // what it is about
	Seq     uint32        // OutputIs: Seq of the command; Ask: for the asker, who finds it in the event of a refusal
	For     time.Duration // Ask: how long a hold or a test move lasts; 0 takes the longest allowed
	Expires time.Duration // Ask: refused when it arrives later than this; 0 never expires
	Onset   time.Duration // MachineIs: estimated instant at which the state became true; 0 not known
}

// InMachine says what the sensor of a machine says; onset is the estimated instant
// of the change, 0 not known.
func InMachine(id ID, v Verdict, onset time.Duration) Input {
	return Input{Kind: MachineIs, ID: id, State: uint8(v), Onset: onset}
}

// InCurrent says whether the current of a running machine is there now.
func InCurrent(id ID, f Flow) Input { return Input{Kind: CurrentIs, ID: id, State: uint8(f)} }

// InCircuit says how loaded a circuit is.
func InCircuit(id ID, l Load) Input { return Input{Kind: CircuitIs, ID: id, State: uint8(l)} }

// InGate says what the end switches of a gate show.
func InGate(id ID, s Shown) Input { return Input{Kind: GateIs, ID: id, State: uint8(s)} }

// InOutput says what became of a command.
func InOutput(c Command, o Outcome) Input {
	return Input{Kind: OutputIs, What: c.Kind, ID: c.ID, Seq: c.Seq, State: uint8(o)}
}

// InCollector says what the collector's own current or contact shows.
func InCollector(v Verdict) Input { return Input{Kind: CollectorIs, State: uint8(v)} }

// InSwitch says how the collector's hand/off/auto switch is set.
func InSwitch(s Selector) Input { return Input{Kind: SwitchIs, State: uint8(s)} }

// InStop says how a stop input is.
func InStop(id ID, c Contact) Input { return Input{Kind: StopIs, ID: id, State: uint8(c)} }

// InStandDown says how the wired stand-down switch is.
func InStandDown(c Contact) Input { return Input{Kind: StandDownIs, State: uint8(c)} }

// InBin says how full the bin is.
func InBin(l Level) Input { return Input{Kind: BinIs, State: uint8(l)} }

// InShop says whether the shop is open.
func InShop(h Hours) Input { return Input{Kind: ShopIs, State: uint8(h)} }

// InReset says how the wired reset button is.
func InReset(p Press) Input { return Input{Kind: ResetIs, State: uint8(p)} }

// InAside says how the wired button is that takes a gate back.
func InAside(id ID, p Press) Input { return Input{Kind: AsideIs, ID: id, State: uint8(p)} }

// InMains says whether the mains has the frequency that the shop file says.
func InMains(s Supply) Input { return Input{Kind: MainsIs, State: uint8(s)} }

// InAsk is a request. Set its Seq, For and Expires where they matter.
func InAsk(k AskKind, by Origin, id ID) Input {
	return Input{Kind: Ask, State: uint8(k), Origin: by, ID: id}
}

// CommandKind names what a Command does. The zero value is invalid.
type CommandKind uint8

// The commands.
const (
	CollectorOn CommandKind = iota + 1
	CollectorOff
	OutletOn
	OutletOff
	GateOpen
	GateShut
	GateStop // no further motion; the gate stays where it is
	IndicatorOn
	IndicatorOff
	commandKinds
)

// Command is one order to an output. Seq rises by one with each command.
type Command struct {
	Seq  uint32
	Kind CommandKind
	ID   ID
}

// Subject says which list of Params an event's ID indexes.
type Subject uint8

// The subjects.
const (
	NoSubject Subject = iota
	AMachine
	AGate
	ACollector
	AnOutlet
	ACircuit
	AStop
	AnIndicator
)

// Event is one thing that happened, for people and records. It never has to
// be acted on.
type Event struct {
	At    time.Duration // when the decision was taken
	Onset time.Duration // machine-started, machine-stopped: estimated instant of the change; 0 not known
	Until time.Duration // when what began ends by itself; 0 open-ended
	Kind  EventKind
	Cause Cause
	Fault FaultKind // fault-raised and fault-cleared
	ID    ID        // indexes the list that Subject names
	Seq   uint32    // request-refused: Seq of the request
}

// Subject says which list the event's ID indexes.
func (e Event) Subject() Subject {
	if e.Kind == FaultRaised || e.Kind == FaultCleared {
		return e.Fault.Subject()
	}
	return e.Kind.Subject()
}

// Out holds the commands and events of one or more steps, each in order. Step
// appends to both; the caller empties them. Commands come first: carry them
// out before anything is done with the events.
type Out struct {
	Commands []Command
	Events   []Event
}

// Reset empties o and keeps its buffers.
func (o *Out) Reset() {
	o.Commands = o.Commands[:0]
	o.Events = o.Events[:0]
}
