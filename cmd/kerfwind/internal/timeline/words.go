package timeline

import (
	"fmt"
	"time"

	"kerfwind/control"
)

// Names gives the owner's names for the IDs in events.
type Names struct {
	Machines, Gates, Collectors, Outlets, Circuits, Stops []string
}

// of returns the JSON member and the name of what an event concerns.
func (n *Names) of(s control.Subject, id control.ID) (member, name string) {
	var list []string
	switch s {
	case control.NoSubject:
		return "", ""
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
		s := faultWords(e.Fault)
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
	if e.Kind == control.CollectorIsOff {
		why = offWords(e.Cause)
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
		return "it has made up for the minimum time off that its start cut short"
	case control.ByBudget:
		return "a further start is left again"
	default:
		return causeWords(c)
	}
}

// kindWords is what happened, to follow the name of its subject.
func kindWords(e control.Event) string {
	switch e.Kind {
	case control.MachineStarted:
		return "started"
	case control.MachineStopped:
		return "stopped"
	case control.MachineUnknown:
		return "cannot be seen: its sensor is not to be trusted"
	case control.MachineRefused:
		return "runs and is NOT served"
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
	case control.CollectorIsOn:
		return "ON"
	case control.CollectorIsOff:
		return "OFF"
	case control.CollectorHand:
		return "switch stands in hand: it runs whatever is commanded"
	case control.CollectorLocked:
		return "switch stands in off: it cannot run"
	case control.CollectorAuto:
		return "switch stands in auto"
	case control.OutletIsOn:
		return "outlet on"
	case control.OutletIsOff:
		return "outlet off"
	case control.WeakAir:
		return "weak air: more is open than the air suffices for"
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
		return "stand-down lifted; nothing starts by that"
	case control.StopOpened:
		return "stop input acts"
	case control.StopClosed:
		return "stop input closed again; it stays latched"
	case control.LatchLifted:
		return "latch lifted by hand"
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
		return "its sensor stayed lost"
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
		return "its switch stands in hand"
	case control.ByStillOn:
		return "the collector still runs"
	case control.ByRest:
		return "at rest"
	case control.ByCoast:
		return "the fan coasts down"
	case control.ByHoming:
		return "to learn where it stands"
	case control.ByTest:
		return "test move"
	case control.ByRetry:
		return "another try"
	case control.ByLimit:
		return "the air does not suffice for more"
	case control.ByNoDemand:
		return "nothing needs it"
	case control.ByBudget:
		return "no further start would be left"
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
		return "its switch stands in off"
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
		return "it names no such thing"
	case control.ByMain:
		return "a gate in a main makes no path of its own"
	case control.ByNotActuated:
		return "it is moved by hand"
	case control.ByStart:
		return "the program has just started"
	case control.ByNoHolds:
		return "no gate may be held in this shop"
	}
	return c.String()
}

// faultWords says what is wrong and what to do.
func faultWords(f control.FaultKind) string {
	wrong, remedy := Trouble(f)
	switch {
	case remedy == "":
		return wrong
	case f == control.CollectorStillOn:
		return wrong + ": " + remedy
	}
	return wrong + "; " + remedy
}

// Trouble says of a fault what is wrong and what to do about it, to follow
// the name of what it concerns.
func Trouble(f control.FaultKind) (wrong, remedy string) {
	switch f {
	case control.SensorLost:
		return "its sensor is lost", "look at its plug and cable"
	case control.AllSensingLost:
		return "no machine can be seen", "look at the converter and its cable"
	case control.ProbablyBreaker:
		return "it stopped out of an overload: probably a breaker", "switch the machine off before you reset the breaker"
	case control.GateNotOpen:
		return "the gate does not open", "open it by hand and look for packed chips"
	case control.GateLost:
		return "the gate no longer shows open while the collector runs", "look at the gate and its switch"
	case control.GateNotShut:
		return "the gate does not close: weak air", "look for packed chips"
	case control.GateSwitches:
		return "both end switches of the gate are made: one of them lies", "look at both switches and their wires"
	case control.GateOutput:
		return "the gate's output cannot be set", "look at its cable and supply"
	case control.CollectorNoCurrent:
		return "commanded on and no current", "look at its disconnect, overload and contactor, then reset at the shop"
	case control.CollectorStillOn:
		return "still running", "use the disconnect"
	case control.CollectorSensor:
		return "its own current or contact cannot be trusted", "look at its plug and cable"
	case control.CollectorOutput:
		return "its output cannot be set", "look at its cable and supply"
	case control.EveryPathShut:
		return "stopped because every path is shut", "look at the gates and their switches, then reset at the shop"
	case control.StopLatched:
		return "a stop input acted", "reset it at the shop once it is closed again"
	case control.OutletOutput:
		return "the outlet's output cannot be set", "look at its cable and supply"
	}
	return f.String(), ""
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
