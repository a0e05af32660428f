package config

import "fmt"

// A relay board on one GPIO line: an outlet, the contactor, or a gate with a
// spring or an air cylinder.
var relay = actuatorFacts{
	name: "relay", need: []string{"chip", "line"}, may: []string{"active"}, defaults: map[string]string{"active": `"high"`},
	serves: []Use{ForGate, ForOutlet, ForContactor, ForIndicator},
	check:  func(*rawActuator, *file, *Actuator, *wires) {},
	describe: func(a *Actuator) string {
		return fmt.Sprintf("Relay %s: line %d of %s, active %s", a.Name, a.Line, a.Chip, a.level())
	},
	end:     func(a *Actuator, line func(string, int) string) string { return line(a.Chip, a.Line) },
	reverse: func(a *Actuator) { a.Shuts = !a.Shuts }, // without current it stays as halt and a power cut leave it
	falls:   true,

	wired: true,
	lines: func(a *Actuator) []OutputLine { return []OutputLine{{"line", a.Line, "relay " + a.Name}} },
	parts: func(a *Actuator) []Part {
		return []Part{{1, "relay board, 3.3 V input, active " + a.level(), ""}, {1, "resistor 10 kohm", a.pull()}}
	},
	notes: []string{"A relay board whose contact switches mains voltage belongs in a listed enclosure, fused, with its creepage distances kept, and is an electrician's work. Switch a coil at a safe low voltage instead where you can."},
	hang:  "relays stay as they are",
	halt:  "is switched off; a gate on it goes where its spring or air takes it",
}

// level is the level of an output line that is on.
func (a *Actuator) level() string {
	if a.ActiveLow {
		return "low"
	}
	return "high"
}

// pull says what the resistor at an output line is.
func (a *Actuator) pull() string {
	if a.ActiveLow {
		return "pull-up of an output line"
	}
	return "pull-down of an output line"
}
