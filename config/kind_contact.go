package config

import "kerfwind/control"

// ContactKind says what a contact reports. The zero value is none.
type ContactKind uint8

// The contacts.
const (
	MachineContact   ContactKind = iota + 1
	GateOpenSwitch               // the gate is at its open end
	GateShutSwitch               // the gate is at its shut end
	CollectorContact             // the contactor has pulled in
	StopContact
	BinContact
	HandContact // the collector's switch is at hand
	OffContact  // the collector's switch is at off
	ButtonContact
	StandDownContact
	ResetContact // the button that lifts the latches
	AsideContact // the button that sets one gate aside and takes it back
)

// pressed are the words of a push button.
var pressed = [2]string{"pressed", "released"}

// Parts of more than one kind.
const (
	endSwitch  = "end switch with a lever, for dust"
	pushButton = "push button, normally open"
)

var contacts = [...]contactFacts{
	MachineContact:   {name: "machine", words: [2]string{"running", "idle"}, about: control.MachineIs},
	GateOpenSwitch:   {name: "gate-open", words: [2]string{"there", "away"}, about: control.GateIs, part: endSwitch},
	GateShutSwitch:   {name: "gate-shut", words: [2]string{"there", "away"}, about: control.GateIs, part: endSwitch},
	CollectorContact: {name: "collector", words: [2]string{"on", "off"}, about: control.CollectorIs},
	StopContact: {name: "stop", words: [2]string{"act", "ok"}, about: control.StopIs, rule: closedWhileWell, series: true, part: "stop button with two normally closed contacts",
		acts: "open = collector off, held until a local act", note: stopNote},
	BinContact:    {name: "bin", words: [2]string{"full", "ok"}, about: control.BinIs, acts: "bin level", part: "level switch for the bin"},
	HandContact:   {name: "hand", words: [2]string{"hand", "auto"}, about: control.SwitchIs, part: "hand/off/auto switch with a spare contact"},
	OffContact:    {name: "off", words: [2]string{"off", "auto"}, about: control.SwitchIs},
	ButtonContact: {name: "button", words: pressed, about: control.Ask, part: pushButton},
	StandDownContact: {name: "stand-down", words: [2]string{"down", "lifted"}, about: control.StandDownIs, acts: "nothing is commanded", part: "switch that stays as it is turned",
		decider: "a stand-down is lifted by a switch at the computer that decides, not over the broker"},
	ResetContact: {name: "reset", words: pressed, about: control.ResetIs, part: pushButton, acts: "pressed and released: lifts what is locked off",
		decider: "a reset is a button at the computer that decides, not over the broker"},
	AsideContact: {name: "aside", words: pressed, about: control.AsideIs, part: pushButton, acts: "sets its gate aside; pressed again: takes it back",
		decider: "a gate is taken back by a button at the computer that decides, not over the broker"},
}

// closedWhileWell: the broken wire of a stop must act.
func closedWhileWell(c *rawContact, f *file) {
	if c.Closed == "act" {
		f.add(c.key("closed"), f.tableName(c.path)+": a stop contact must be closed while all is well, or a broken wire stops nothing",
			`use its normally closed side and write closed = "ok"`)
	}
}

func stopNote(c *Contact) string {
	if c.Series {
		return "two contacts: this one, and one in the coil circuit"
	}
	return "through the program only: put a second contact in the coil circuit"
}
