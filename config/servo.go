package config

import (
	"fmt"
	"slices"
	"time"
)

// What is particular to servos: how they move, and the chips that they hang on.

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

// defRelease is after how long a servo gets no more pulses: a gate stays by
// its friction, and a servo that is not driven neither hums nor heats (common
// practice, no source).
const defRelease = 500 * time.Millisecond

// servoChips reads the chips, after the actuators.
func (raw *rawRig) servoChips(f *file, r *Rig, lines users) {
	for i := range raw.ServoChip {
		c := &raw.ServoChip[i]
		lines.take(f, c.key("line"), line(c.Chip, c.Line), oneLine)
		lines.take(f, c.key("bus"), fmt.Sprintf("servo chip 0x%02x on %s", c.Address, c.Bus), "one table describes one chip")
		if !slices.ContainsFunc(r.Actuators, func(a Actuator) bool { return a.Kind == "servo" && a.Bus == c.Bus && a.Address == c.Address }) {
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
