package config

import "fmt"

// A DC gear motor with a GPIO line for each way.
var motor = actuatorFacts{
	name: "motor", need: []string{"chip", "open_line", "shut_line"}, may: []string{"active"}, defaults: map[string]string{"active": `"high"`},
	serves: []Use{ForGate},
	check:  func(*rawActuator, *file, *Actuator, *wires) {},
	describe: func(a *Actuator) string {
		return fmt.Sprintf("Motor %s: line %d opens, line %d shuts, of %s, active %s", a.Name, a.OpenLine, a.ShutLine, a.Chip, a.level())
	},
	end: func(a *Actuator, line func(string, int) string) string {
		return fmt.Sprintf("%s opens, %s shuts", line(a.Chip, a.OpenLine), line(a.Chip, a.ShutLine))
	},
	reverse: func(a *Actuator) { a.OpenLine, a.ShutLine = a.ShutLine, a.OpenLine },

	wired: true,
	lines: func(a *Actuator) []OutputLine {
		return []OutputLine{{"open_line", a.OpenLine, "motor " + a.Name + ", open"}, {"shut_line", a.ShutLine, "motor " + a.Name + ", shut"}}
	},
	parts: func(a *Actuator) []Part {
		return []Part{{1, "gear motor with a two-way driver, active " + a.level(), ""}, {2, "resistor 10 kohm", a.pull()}}
	},
	supply: &Supply{For: "gear motors", Volts: "the motors' voltage", Load: func(n int) (float64, string) {
		load := float64(n) * motorStalls
		return load, fmt.Sprintf("assumed of each: %g A running, %g A against a stop: %.1f A; look at the motor's plate", motorRuns, motorStalls, load)
	}},
	steps: [][2]string{{"Motor supply on.", "no motor moves; both lines of each are off"}},
	notes: []string{"A motor has both of its lines off except while it moves. End switches that also cut the motor's current are best; the program has a time limit besides."},
	hang:  "a motor that is moving goes on until its own end switches cut its current",
	halt:  "stops where it is: both its lines go off",
}

// What a motor draws, A: assumptions, stated on the sheet.
const (
	motorStalls = 4.0 // a small gear motor against a stop
	motorRuns   = 1.0
)
