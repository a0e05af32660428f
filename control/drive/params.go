package drive

import (
	"errors"
	"fmt"
	"time"

	"kerfwind/control"
)

// Params describes what is wired. Gates and Outlets are indexed by the IDs of
// control.Params; times are lengths.
type Params struct {
	Collector *Relay // the contactor's; nil: none
	Outlets   []Outlet
	Gates     []Gate
	Lamps     []*Relay // of indicators, by ID
	Contacts  []Contact
	Chips     []Chip // servo chips that have something to say beside bus and address
	Heartbeat *Heartbeat

	Publish Publisher // tells outlets and gates over topics; nil: they cannot be told

	// Now is the instant on the stream's clock: what reports are stamped with.
	Now func() time.Duration
}

// Times of our own choice.
const (
	// Stagger is the least time between the starts of two servos on one bus: a
	// hobby servo draws its stall current for about a tenth of a second when it
	// starts (common practice, no source).
	Stagger = 200 * time.Millisecond
	// Answer is how long a command may take before it counts as failed, from its
	// turn on: see Params.Within. The rest of control.DefaultAnswer is for the
	// way back.
	Answer = control.DefaultAnswer - wayBack
	// DeadTime is from one way of a motor off to the other way on. A relay needs
	// some ten milliseconds to let go; the motor must come to rest (common
	// practice, no source).
	DeadTime = 150 * time.Millisecond

	wayBack = 500 * time.Millisecond
)

// Within is how long a command may take before it counts as failed: Answer, and
// for a servo the turns of all servos on its bus before that.
func (p *Params) Within(c control.Command) time.Duration {
	if targetOf(c).class != 'g' || int(c.ID) >= len(p.Gates) || p.Gates[c.ID].Servo == nil {
		return Answer
	}
	n := 0
	for i := range p.Gates {
		if s := p.Gates[i].Servo; s != nil && s.Bus == p.Gates[c.ID].Servo.Bus {
			n++
		}
	}
	return Answer + time.Duration(n)*Stagger
}

// GateAnswer is how long control has to wait for the answer to a command for a
// gate: Within, and the way back.
func (p *Params) GateAnswer(id control.ID) time.Duration {
	return p.Within(control.Command{Kind: control.GateOpen, ID: id}) + wayBack
}

// Line is one line of a GPIO chip. Chip is the chip's label
// ("pinctrl-bcm2835") or its device ("gpiochip0", "/dev/gpiochip0").
type Line struct {
	Chip   string
	Offset int
}

func (l Line) String() string { return fmt.Sprintf("line %d of %q", l.Offset, l.Chip) }

// Relay is one line that switches something.
type Relay struct {
	Name      string // for error messages and the kernel's list of users
	Line      Line
	ActiveLow bool // the relay pulls in when the line is low
}

// Motor is a DC gear motor with one line for each way.
type Motor struct {
	Name       string
	Open, Shut Line
	ActiveLow  bool
	Longest    time.Duration // run-time limit: off after this, whatever the end switches show
}

// Servo is a hobby servo on one output of a PCA9685.
type Servo struct {
	Name       string
	Bus        string // device file, "/dev/i2c-1"
	Address    int    // 7 bit
	Output     int    // 0 to 15
	Open, Shut time.Duration
	Travel     time.Duration // the servo has arrived after this
	Slow       time.Duration // the pulse takes this long from end to end; 0: at once
	Release    time.Duration // no pulse this long after it has arrived; 0: it keeps its pulse
}

// Limits of a servo's pulse. Most take 0.9 to 2.1 ms; some go as far
// as these (common practice, no source).
const (
	MinPulse = 500 * time.Microsecond
	MaxPulse = 2500 * time.Microsecond
)

// Gate is how a gate is moved: by exactly one of these, or by hand if none is
// set. A gate on a relay is open while the relay is on, or shut where Shuts says so;
// it cannot be stopped half-way, and Halt lets it go where it goes without power. Nor can a gate that is told over a topic be
// stopped; Halt leaves it where it is.
type Gate struct {
	Relay *Relay
	Shuts bool // the relay shuts it while it is on
	Motor *Motor
	Servo *Servo
	Topic *Topic
}

// Topic is something that is told over a broker what to do.
type Topic struct {
	Name    string
	On, Off string // what is published: on or open, off or shut
}

// Outlet is how an outlet is switched: by a relay or over a topic.
type Outlet struct {
	Relay *Relay
	Topic *Topic
}

// Publisher publishes to a broker.
type Publisher interface {
	// Publish returns once the message has been handed over, or why it cannot
	// be. It may wait, but less than the two seconds that Halt has.
	Publish(topic, payload string) error
}

// Chip is a PCA9685.
type Chip struct {
	Bus     string
	Address int
	Enable  *Relay // its output-enable pin on a line: pulses only while this is on; nil: tied
}

// Heartbeat is a line that toggles while the loop does.
type Heartbeat struct {
	Line  Line
	Every time.Duration // shortest time between two edges
}

// Contact is a dry contact between a line and ground; the line has a pull-up.
// So a broken wire looks like an open contact.
type Contact struct {
	Name     string
	Line     Line
	Debounce time.Duration
	Closed   bool // true: a closed contact means yes, that it tells what Means says; false: an open one does
	Means    Means
	ID       control.ID
	Hold     time.Duration
}

// validate returns what is wrong in itself, all at once.
func (p *Params) validate() error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if p.Now == nil {
		bad("drive: no clock")
	}
	for i := range p.Gates {
		g := &p.Gates[i]
		n := 0
		if g.Relay != nil {
			n++
		}
		if m := g.Motor; m != nil {
			n++
			if m.Open == m.Shut {
				bad("motor %q: both ways are on %v", m.Name, m.Open)
			}
			if m.Longest <= 0 {
				bad("motor %q: no run-time limit", m.Name)
			}
		}
		if s := g.Servo; s != nil {
			n++
			for _, d := range []time.Duration{s.Open, s.Shut} {
				if d < MinPulse || d > MaxPulse {
					bad("servo %q: a pulse of %v: give %v to %v", s.Name, d, MinPulse, MaxPulse)
				}
			}
			if s.Output < 0 || s.Output >= outputs {
				bad("servo %q: no output %d: a PCA9685 has 0 to %d", s.Name, s.Output, outputs-1)
			}
			if s.Address < 1 || s.Address > 127 {
				bad("servo %q: no address 0x%02x: give 0x01 to 0x7f", s.Name, s.Address)
			}
		}
		if g.Topic != nil {
			n++
		}
		if n > 1 {
			bad("gate %d: %d actuators: give one", i, n)
		}
	}
	for i := range p.Contacts {
		c := &p.Contacts[i]
		switch {
		case c.Means == 0 || c.Means >= meansEnd:
			bad("contact %q: it tells nothing known (%d)", c.Name, c.Means)
		case c.Means.Subject() == control.AGate && int(c.ID) >= len(p.Gates):
			bad("contact %q: no gate %d", c.Name, c.ID)
		}
	}
	return errors.Join(errs...)
}
