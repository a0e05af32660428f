package timeline

import "kerfwind/control"

// Name is the owner's name of what an ID means, or the kind and the number
// where there is no name. It is empty for control.NoID.
func (n *Names) Name(s control.Subject, id control.ID) string {
	_, name := n.of(s, id)
	return name
}

// What gives a thing's sort and its name: "gate planer". It is empty for what has none.
func (n *Names) What(s control.Subject, id control.ID) string {
	member, name := n.of(s, id)
	if member == "" || member == name {
		return name
	}
	return member + " " + name
}

// Reason puts the reason of a state in a few words that fit into a bar of a
// picture: "planer runs", "duct clearing". It is empty where there is none to
// give.
func (n *Names) Reason(w control.Why) string {
	switch w.Cause {
	case 0:
		return ""
	case control.ByMachine:
		return n.whose(w, "a machine", " runs")
	case control.ByUnknown:
		return n.whose(w, "a machine", " not seen")
	case control.ByFoundRunning:
		return n.whose(w, "a machine", " found running")
	case control.ByRunOn:
		return "duct clearing"
	case control.ByHold:
		return "held by hand"
	case control.ByHelper:
		return "helps the main"
	case control.ByHand:
		return "switch in hand"
	case control.BySwitch:
		return "switch off"
	case control.ByStillOn:
		return "still running"
	case control.ByRest:
		return "at rest"
	case control.ByCoast:
		return "fan coasts down"
	case control.ByHoming:
		return "finding its place"
	case control.ByTest:
		return "test move"
	case control.ByRetry:
		return "another try"
	case control.ByLimit:
		return "not enough air"
	case control.ByNoDemand:
		return "nothing needs it"
	case control.ByBudget:
		return "no start left"
	case control.ByMinOn:
		return "minimum time on"
	case control.ByMinOff:
		return "minimum time off"
	case control.ByInrush:
		return "waits for a motor"
	case control.ByConfirm:
		return "run too short yet"
	case control.ByPath:
		return "waits for a path"
	case control.ByPowerUp:
		return "power just back"
	case control.ByStop:
		return "stop input"
	case control.ByStandDown:
		return "stood down"
	case control.ByBin:
		return "bin full"
	case control.ByBusy:
		return "not at rest"
	case control.ByFault:
		return "fault"
	case control.ByAside:
		return "gate set aside"
	case control.ByGate:
		return "gate not open"
	case control.ByUnconfirmed:
		return "gate not confirmed"
	case control.ByLeft:
		return "switch it off and on"
	case control.ByNoCurrent:
		return "no current"
	case control.ByMoveIn:
		return "move-in open"
	default:
		return causeWords(w.Cause)
	}
}

// CollectorReason is Reason for a collector: one that is on for the pause that
// its start cut short does not wait for anything.
func (n *Names) CollectorReason(w control.Why, on bool) string {
	if on && w.Cause == control.ByMinOff {
		return "makes up for a short pause"
	}
	return n.Reason(w)
}

// whose names the machine of a reason, or something in its place.
func (n *Names) whose(w control.Why, something, does string) string {
	if name := n.Name(control.AMachine, w.Machine); name != "" {
		return name + does
	}
	return something + does
}

// Loud reports whether an event must not be overlooked: lines for people carry
// a mark then.
func Loud(e control.Event) bool {
	switch e.Kind {
	case control.FaultRaised, control.WeakAir, control.CircuitOver, control.MachineLeft, control.GateAside, control.BudgetExceeded, control.ClosedShopRun, control.StopOpened:
		return true
	default:
		return false
	}
}
