package config

import (
	"fmt"
	"slices"
	"strconv"
	"time"
)

// A hobby servo on one output of a PCA9685, and the chips themselves.
var servo = actuatorFacts{
	name: "servo", need: []string{"bus", "output"}, may: []string{"address", "pulse_open", "pulse_shut", "slow", "release"},
	defaults: map[string]string{"address": "0x40", "pulse_open": `"2 ms"`, "pulse_shut": `"1 ms"`, "release": strconv.Quote(FormatDuration(defRelease))},
	serves:   []Use{ForGate},
	check:    checkServo,
	describe: func(a *Actuator) string {
		return fmt.Sprintf("Servo %s: output %d of chip 0x%02x on %s, open at %s, shut at %s%s", a.Name, a.Output, a.Address, a.Bus, FormatDuration(a.PulseOpen), FormatDuration(a.PulseShut), a.ways())
	},
	end: func(a *Actuator, _ func(string, int) string) string {
		return fmt.Sprintf("servo board 0x%02x, output %d", a.Address, a.Output)
	},
	reverse: func(a *Actuator) { a.PulseOpen, a.PulseShut = a.PulseShut, a.PulseOpen },

	wired: true, onChip: true,
	parts: func(*Actuator) []Part { return []Part{{1, "servo", ""}} },
	supply: &Supply{For: "servos", Volts: "5 to 6 V", Load: func(n int) (float64, string) {
		at := min(n, servosAtOnce)
		load := float64(at)*servoStalls + float64(n-at)*servoHolds
		return load, fmt.Sprintf("assumed of each: %g A moving, %g A against a stop, %g A holding; at most %d start together, so %d of %d against a stop and the rest holding: %.1f A",
			servoMoves, servoStalls, servoHolds, servosAtOnce, at, n, load)
	}},
	steps: [][2]string{{"Servo supply on, servos unplugged. Measure V+.", "5 to 6 V; the computer does not restart"},
		{"Plug in one servo after the other, linkage off.", "none moves on plugging in"}},
	hang: "servos hold their last pulse",
	halt: "gets no more pulses: the gate stays where it is",
}

// What a servo draws, A: assumptions, stated on the sheet.
const (
	servoMoves   = 0.5 // a hobby servo that moves a gate
	servoStalls  = 2.5 // the same against a stop
	servoHolds   = 0.1 // at rest under its pulse
	servosAtOnce = 2   // starts are spread over time; two may overlap
)

// Defaults of a servo.
const (
	defAddress   = 0x40 // PCA9685 with no address jumper set
	defPulseOpen = 2000 * time.Microsecond
	defPulseShut = 1000 * time.Microsecond
	// defRelease is after how long a servo gets no more pulses: a gate stays by
	// its friction, and a servo that is not driven neither hums nor heats (common
	// practice, no source).
	defRelease = 500 * time.Millisecond
)

func checkServo(a *rawActuator, f *file, out *Actuator, lines *wires) {
	if a.Bus == nil || a.Output == nil {
		return
	}
	f.isPort(a.key("bus"), f.tableName(a.path), i2cBus, *a.Bus)
	lines.take(f, a.key("output"), fmt.Sprintf("output %d of chip 0x%02x on %s", out.Output, out.Address, out.Bus), "one output drives one servo")
	if d := out.PulseOpen - out.PulseShut; out.PulseOpen > 0 && out.PulseShut > 0 && d > -200*time.Microsecond && d < 200*time.Microsecond {
		f.add(a.path, f.tableName(a.path)+": pulse_open and pulse_shut are almost the same", "the servo would hardly move: write its two ends")
	}
}

type rawServoChip struct {
	at
	Bus     string `toml:"bus" need:"1" eg:"\"/dev/i2c-1\""`
	Address int    `toml:"address" def:"64" min:"1" max:"127"`
	Chip    string `toml:"chip" need:"1" eg:"\"pinctrl-bcm2835\""`
	Line    int    `toml:"line" need:"1" min:"0" max:"1023" eg:"4"`
}

// ServoChip is a PCA9685 whose output-enable pin is on a line.
type ServoChip struct {
	Bus     string
	Address int
	Chip    string // of the line
	Line    int    // low lets pulses out
}

// servoChips reads the chips, after the actuators.
func (raw *rawRig) servoChips(f *file, r *Rig, lines *wires) {
	for i := range raw.ServoChip {
		c := &raw.ServoChip[i]
		lines.line(f, c.key("line"), c.Chip, c.Line)
		lines.take(f, c.key("bus"), fmt.Sprintf("servo chip 0x%02x on %s", c.Address, c.Bus), "one table describes one chip")
		if !slices.ContainsFunc(r.Actuators, func(a Actuator) bool { return a.Kind.OnChip() && a.Bus == c.Bus && a.Address == c.Address }) {
			f.add(c.path, fmt.Sprintf("%s: no servo hangs on chip 0x%02x on %s", f.tableName(c.path), c.Address, c.Bus), "mend bus or address, or take it out")
		}
		r.ServoChips = append(r.ServoChips, ServoChip{c.Bus, c.Address, c.Chip, c.Line})
	}
}

// ways says how a servo moves.
func (a *Actuator) ways() string {
	s := ""
	if a.Slow > 0 {
		s += ", " + FormatDuration(a.Slow) + " from end to end"
	}
	if a.Release > 0 {
		return s + ", released " + FormatDuration(a.Release) + " after it has arrived"
	}
	return s + ", never released"
}

func (c *ServoChip) line() string {
	return fmt.Sprintf("Servo chip 0x%02x on %s: pulses only while line %d of %s is low; a pull-up must hold that high until kerfwind runs", c.Address, c.Bus, c.Line, c.Chip)
}
