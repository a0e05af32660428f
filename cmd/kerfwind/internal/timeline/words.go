package timeline

import (
	"fmt"
	"time"

	"kerfwind/control"
)

// Names gives the owner's names for the IDs in events.
type Names struct {
	Machines, Gates, Collectors, Outlets, Circuits, Stops, Indicators []string
}

// of returns the JSON member and the name of what an event concerns.
func (n *Names) of(s control.Subject, id control.ID) (member, name string) {
	var list []string
	switch s {
	case control.NoSubject:
		return "", ""
	case control.AnIndicator:
		member, list = "indicator", n.Indicators
	case control.AMachine:
		member, list = "machine", n.Machines
	case control.AGate:
		member, list = "gate", n.Gates
	case control.ACollector:
		member, list = "collector", n.Collectors
	case control.AnOutlet:
		member, list = "outlet", n.Outlets
	case control.ACircuit:
		member, list = "circuit", n.Circuits
	case control.AStop:
		member, list = "stop", n.Stops
	}
	if id == control.NoID {
		return "", ""
	}
	if int(id) < len(list) {
		return member, list[id]
	}
	return member, fmt.Sprintf("%s %d", member, id)
}

// FromEvent makes an event's line.
func FromEvent(e control.Event, n *Names) Line {
	l := Line{T: e.At, Event: e.Kind.String()}
	l.Of, l.Name = n.of(e.Subject(), e.ID)
	if e.Cause != 0 {
		l.Cause = e.Cause.String()
	}
	if e.Kind == control.FaultRaised || e.Kind == control.FaultCleared {
		l.Fault = e.Fault.String()
	}
	if e.Onset != 0 {
		l.Onset = &e.Onset
	}
	if e.Until != 0 {
		l.Until = &e.Until
	}
	return l
}

// Sentence puts an event in words, without its time.
func Sentence(e control.Event, n *Names) string {
	_, name := n.of(e.Subject(), e.ID)
	if e.Kind == control.FaultRaised || e.Kind == control.FaultCleared {
		s := faultWords(e)
		if name != "" {
			s = name + ": " + s
		}
		if e.Kind == control.FaultCleared {
			return "cleared: " + s
		}
		return "FAULT " + s
	}
	s := kindWords(e)
	if name != "" {
		s = name + " " + s
	}
	why := causeWords(e.Cause)
	switch {
	case e.Kind == control.CollectorIsOff:
		why = offWords(e.Cause)
	case (e.Kind == control.MachineStopped || e.Kind == control.GateReleased) && e.Cause == control.ByLimit:
		why = "its gates close at once: there is not enough air for more"
	}
	if why != "" {
		s += ", " + why
	}
	if e.Until > e.At {
		s += ", " + untilWords(e.Kind) + " " + Clock(e.Until)
	}
	return s
}

// offWords says why the collector goes off: a time that kept it on is over.
func offWords(c control.Cause) string {
	switch c {
	case control.ByRunOn:
		return "the run-on is over"
	case control.ByMinOn:
		return "its minimum time on is over"
	case control.ByMinOff:
		return "it ran longer to make up for a short pause"
	case control.ByBudget:
		return "another start is allowed now"
	default:
		return causeWords(c)
	}
}

// kindWords says what happened, to follow the name of its subject.
func kindWords(e control.Event) string {
	switch e.Kind {
	case control.MachineStarted:
		return "started"
	case control.MachineStopped:
		return "stopped"
	case control.MachineUnknown:
		return "cannot be sensed: its sensor cannot be trusted"
	case control.MachineLeft:
		return "is left alone until it is switched off and on again"
	case control.GateOpening:
		return "gate opening"
	case control.GateIsOpen:
		return "gate open"
	case control.GateClosing:
		return "gate closing"
	case control.GateIsClosed:
		return "gate closed"
	case control.GateStopped:
		return "gate stopped half-way"
	case control.GateHeld:
		return "gate held by hand"
	case control.GateReleased:
		return "gate no longer held"
	case control.GateAside:
		return "gate set aside: it does not move and nothing is collected there"
	case control.GateReturned:
		return "gate taken back; it moves once a machine there is started"
	case control.GateRestarted:
		return "gate's output has restarted: the gate's position is not known"
	case control.CollectorIsOn:
		return "ON"
	case control.CollectorIsOff:
		return "OFF"
	case control.CollectorHand:
		return "switch is in hand: it runs whatever is commanded"
	case control.CollectorLocked:
		return "switch is in off: it cannot run"
	case control.CollectorAuto:
		return "switch is in auto"
	case control.OutletIsOn:
		return "outlet on"
	case control.OutletIsOff:
		return "outlet off"
	case control.WeakAir:
		return "weak air: too many gates are open"
	case control.BudgetExceeded:
		return "started beyond its start budget"
	case control.StartHeldBack:
		return "start held back"
	case control.CircuitNear:
		return "circuit close to its breaker's rating"
	case control.CircuitOver:
		return "circuit ABOVE its breaker's rating: the breaker may trip"
	case control.CircuitFits:
		return "circuit within its breaker's rating"
	case control.BinIsFull:
		return "bin full: empty it"
	case control.BinHasRoom:
		return "bin has room again"
	case control.StoodDown:
		return "stood down: nothing is commanded. Not a lockout; machines are not stopped"
	case control.StandDownLifted:
		return "stand-down lifted; nothing starts by itself"
	case control.StopOpened:
		return "stop input acts"
	case control.StopClosed:
		return "stop input closed again; it still holds until it is reset"
	case control.LatchLifted:
		return "reset; nothing starts by itself"
	case control.TestBegan:
		return "test move began"
	case control.TestEnded:
		return "test move ended"
	case control.RequestRefused:
		return "request refused"
	case control.ShopIsClosed:
		return "shop closed"
	case control.ShopIsOpen:
		return "shop open"
	case control.ClosedShopRun:
		return "runs while the shop is closed"
	default: // faults have words of their own
	}
	return e.Kind.String()
}

// untilWords introduces an event's Until.
func untilWords(k control.EventKind) string {
	switch k {
	case control.MachineStopped, control.GateReleased:
		return "gates stay open until"
	case control.MachineUnknown:
		return "served until"
	case control.StartHeldBack:
		return "at most until"
	case control.GateRestarted:
		return "at rest it may move from"
	default:
		return "until"
	}
}

// causeWords is why it happened, to follow a comma.
func causeWords(c control.Cause) string {
	switch c {
	case 0, control.BySensor:
		return ""
	case control.ByFoundRunning:
		return "it started by itself when power returned: it needs a no-volt release"
	case control.ByUnknownHold:
		return "its sensor stayed lost for too long"
	case control.ByMachine:
		return "a machine runs"
	case control.ByUnknown:
		return "a machine's sensor is lost"
	case control.ByHold:
		return "held by hand"
	case control.ByRunOn:
		return "the duct is not clear yet"
	case control.ByHelper:
		return "to keep the air in the main fast enough"
	case control.ByHand:
		return "its switch is in hand"
	case control.ByStillOn:
		return "the collector still runs"
	case control.ByRest:
		return "at rest"
	case control.ByCoast:
		return "the fan coasts down"
	case control.ByHoming:
		return "to find its position"
	case control.ByTest:
		return "test move"
	case control.ByRetry:
		return "another try"
	case control.ByLimit:
		return "there is not enough air for more"
	case control.ByNoDemand:
		return "nothing needs it"
	case control.ByBudget:
		return "its start budget is used up"
	case control.ByMinOn:
		return "minimum time on"
	case control.ByMinOff:
		return "minimum time off"
	case control.ByInrush:
		return "a motor on its circuit is still starting"
	case control.ByConfirm:
		return "the run is too short yet"
	case control.ByPath:
		return "no path is open yet"
	case control.ByPowerUp:
		return "the power has just returned"
	case control.ByStop:
		return "a stop input acted"
	case control.ByStandDown:
		return "stood down"
	case control.ByBin:
		return "the bin is full"
	case control.BySwitch:
		return "the collector's switch is in off"
	case control.ByFault:
		return "a fault prevents it"
	case control.ByRequest:
		return "asked for"
	case control.ByExpiry:
		return "its time is over"
	case control.ByOrigin:
		return "not allowed from there"
	case control.ByBusy:
		return "not at rest, or another test move is under way"
	case control.ByShopClosed:
		return "the shop is closed"
	case control.ByStale:
		return "it came too late"
	case control.ByBadRequest:
		return "there is no such thing"
	case control.ByMain:
		return "a gate in a main makes no path of its own"
	case control.ByNotActuated:
		return "it is moved by hand"
	case control.ByStart:
		return "the program has just started"
	case control.ByNoHolds:
		return "no gate may be held in this shop"
	case control.ByAside:
		return "a gate on its way is set aside"
	case control.ByGate:
		return "a gate on its way is not open"
	case control.ByUnconfirmed:
		return "perhaps: a gate on its way is not confirmed open"
	case control.ByLeft:
		return "it must be switched off and on again"
	case control.ByNoCurrent:
		return "the collector takes no current"
	case control.ByReset:
		return "by the reset button"
	case control.ByButton:
		return "by its own button"
	case control.ByMoveIn:
		return "no machine is served while a move-in is open"
	}
	return c.String()
}

// trouble holds the words of a fault, each part to follow the name of what it
// concerns: what is wrong, what to do about it, and that it is over.
type trouble struct{ wrong, remedy, over string }

// troubles are the words of every fault. A remedy that sends a hand to something
// that moves names the disconnect first, and speaks of a reset exactly where only
// that ends the fault.
var troubles = [control.FaultKinds]trouble{
	control.Uncollected:        {"its dust is not collected", "stop the cut and remove the cause; then switch it off, wait 3 s and switch it on", "its dust is collected again, or it has stopped"},
	control.CollectorStillOn:   {"still running although it is commanded off", "use the disconnect", "no longer runs uncommanded"},
	control.CollectorNotOff:    {"its output does not take the command off, so it may still run", "use the disconnect, then check the output's cable and supply", "its output takes commands again"},
	control.StopLatched:        {"a stop input acted", "remove the cause, then reset at the shop", "the stop is reset"},
	control.StopStored:         {"a stop from before the program started still holds, or the record of it cannot be read", "check the shop, then reset it there", "the stop is reset"},
	control.StopUnread:         {"the stop input cannot be read, so nothing starts", "check its wire, or the computer that reads it", "the stop input can be read again; nothing starts by itself"},
	control.CollectorNoCurrent: {"commanded on and no current", "open its disconnect, check its overload relay and contactor, close it, then reset at the shop", "it is reset"},
	control.CollectorOutput:    {"its output did not take the command on, or lost it", "check the output's cable and supply, then reset at the shop", "it is reset"},
	control.ShutTooOften:       {"every path was shut too often", "open the disconnect, check the gates and their switches, close it, then reset at the shop", "it is reset"},
	control.EveryPathShut:      {"stopped because every path is shut", "open the disconnect before you check the gates and their switches; then start the machine again", "a path is open again"},
	control.AllSensingLost:     {"no machine can be sensed", "check the converter and its cable", "machines can be sensed again"},
	control.SensorLost:         {"its sensor is lost", "check its plug and cable", "its sensor works again"},
	control.GateNotOpen:        {"the gate does not open", "use the collector's disconnect, then look for packed chips; then start the machine again", "the gate is open"},
	control.GateLost:           {"the gate no longer shows open while the collector runs", "use the collector's disconnect before you check the gate and its switch", "the gate is where it should be"},
	control.GateOutput:         {"the gate's output does not take commands", "check the output's cable and supply; then start the machine again", "the gate has moved"},
	control.GateNotShut:        {"the gate does not close, which weakens the air elsewhere", "use the collector's disconnect, then look for packed chips", "the gate has moved"},
	control.GateSwitches:       {"both end switches of the gate report at once: one is faulty", "check both switches and their wires", "its end switches agree again"},
	control.CollectorSensor:    {"its own current or contact cannot be trusted", "check its plug and cable", "its own current or contact can be trusted again"},
	control.OtherMains:         {"the mains has another frequency than the shop file says; sensing goes on with what is measured", "look at Signals for what is measured, then correct mains in the shop file", "the mains has the frequency that the shop file says"},
	control.ProbablyBreaker:    {"it stopped while overloaded: a breaker may have tripped", "switch the machine off before you switch the breaker on", "it runs again"},
	control.OutletOutput:       {"the outlet's output does not take commands", "check its cable and supply", "the outlet's output works again"},
	control.ResetStuck:         {"the reset button is held down or cannot be read: it does nothing", "release it, or check its wire", "the reset button works again"},
	control.AsideStuck:         {"the gate's own button is held down or cannot be read: it does nothing", "release it, or check its wire", "the gate's own button works again"},
	control.IndicatorOutput:    {"the indicator does not take commands", "check its cable and supply", "the indicator works again"},
}

// Trouble says of a fault what is wrong and what to do about it, to follow
// the name of what it concerns.
func Trouble(f control.FaultKind) (wrong, remedy string) {
	t := troubleOf(f)
	return t.wrong, t.remedy
}

// Trouble says of a present fault what is wrong and with what, and what to do
// about it.
func (n *Names) Trouble(f control.FaultView) (wrong, remedy string) {
	wrong, _ = Trouble(f.Fault)
	if why := causeWords(f.Cause); f.Fault == control.Uncollected && why != "" {
		wrong += ": " + why
	}
	if name := n.Name(f.Fault.Subject(), f.ID); name != "" {
		wrong = name + ": " + wrong
	}
	return wrong, remedyFor(f.Fault, f.Cause)
}

// remedyFor says what to do about a fault that has a cause.
func remedyFor(f control.FaultKind, why control.Cause) string {
	if f == control.Uncollected && why == control.ByMoveIn {
		return "stop the cut; then finish the move-in or leave it"
	}
	return troubleOf(f).remedy
}

func troubleOf(f control.FaultKind) trouble {
	if int(f) < len(troubles) {
		return troubles[f]
	}
	return trouble{wrong: f.String()}
}

// faultWords puts a fault that came or went in words. One that is over repeats no
// remedy.
func faultWords(e control.Event) string {
	t := troubleOf(e.Fault)
	if e.Kind == control.FaultCleared {
		return t.over
	}
	wrong := t.wrong
	if why := causeWords(e.Cause); e.Fault == control.Uncollected && why != "" {
		wrong += ": " + why
	}
	return wrong + "; " + remedyFor(e.Fault, e.Cause)
}

// AppendText appends the event as a line for people, without a line break.
func AppendText(b []byte, e control.Event, n *Names) []byte {
	mark := " "
	if Loud(e) {
		mark = "!"
	}
	b = fmt.Appendf(b, "%s %s ", Clock(e.At), mark)
	b = append(b, Sentence(e, n)...)
	if e.Onset != 0 && e.Kind == control.MachineStarted && e.At-e.Onset > time.Millisecond {
		b = fmt.Appendf(b, " (%d ms after its onset)", (e.At - e.Onset).Milliseconds())
	}
	return b
}
