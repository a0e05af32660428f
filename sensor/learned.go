package sensor

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Margin says how far the currents of a machine that runs are from those of
// one that does not. The zero value is invalid.
type Margin uint8

// The margins, by the ratio of the least running value to the greatest idle
// one.
const (
	NoMargin Margin = iota + 1 // below narrowRatio: no level tells them apart
	Narrow                     // below fairRatio
	Fair                       // below wideRatio
	Wide
)

// Ratios at which the words change: our own choice.
const (
	narrowRatio = 1.3
	fairRatio   = 2.0
	wideRatio   = 4.0
)

// String is the margin in one word.
func (m Margin) String() string {
	switch m {
	case NoMargin:
		return "none"
	case Narrow:
		return "narrow"
	case Fair:
		return "fair"
	case Wide:
		return "wide"
	}
	return "invalid"
}

// MarginOf is the margin of that name, 0 if there is none.
func MarginOf(word string) Margin {
	for m := NoMargin; m <= Wide; m++ {
		if m.String() == word {
			return m
		}
	}
	return 0
}

// Proposal is a pair of levels for a machine.
type Proposal struct {
	Start, Stop float64 // A
	Margin      Margin
	Ratio       float64 // of the least running to the greatest idle value
	Spreads     float64 // where that says little: from idle to running, in spreads of the values
	False       float64 // starts that noise makes in a year
	Missed      float64 // starts that are missed in a year, of ten a day
	Remedy      string  // what would widen the margin; empty for a wide one
}

// Propose works out levels for a machine from the figures of its channels, of
// which any running is enough. step is the amperes of one raw unit, 0 if that
// is not known.
//
// The start level is half of what the machine shows at least, as long as that
// is twice the greatest idle value; with less room it is the geometric mean of
// the two, equally far from both. The stop level is two thirds of it or, with
// less room, half-way down to idle in the same sense. Where single values do not tell
// running from idle but their mean does, the levels divide the way between the means.
func Propose(step float64, figures ...Figures) Proposal {
	var idle, run, lower float64
	var off, on Level
	for i := range figures {
		f := &figures[i]
		idle, off = max(idle, f.Top), Level{max(off.Mean, f.Idle.Mean), max(off.Spread, f.Idle.Spread)}
		if f.Least >= run {
			run, lower = f.Least, f.Lower
		}
		if f.Run.Mean > on.Mean {
			on = f.Run
		}
	}
	mean := off.Mean
	// Below one unit nothing can be told, and a level is never 0.
	idle = max(idle, step, 1e-3)
	p := Proposal{Ratio: run / idle}
	switch {
	case p.Ratio >= wideRatio:
		p.Margin = Wide
	case p.Ratio >= fairRatio:
		p.Margin = Fair
	case p.Ratio >= narrowRatio:
		p.Margin = Narrow
	default:
		p.Margin = NoMargin
	}
	switch {
	case p.Margin == Wide || p.Margin == Fair:
		// Wide needs no remedy. Fair works; the remedy is for who wants more.
	case step > 0 && mean > float64(4*step):
		p.Remedy = fmt.Sprintf("it draws %.3g A while it is off: put the clamp behind the machine's own switch, or sense it by a contact", mean)
	default:
		p.Remedy = "add a turn through the clamp, or fit a transformer for smaller currents"
	}
	if p.Margin == Fair {
		p.Remedy = "a further turn through the clamp would widen it"
	}
	if p.Margin == NoMargin {
		p.weakly(off, on)
		p.odds(off, on, run, lower)
		return p
	}
	p.Start = max(run/2, math.Sqrt(float64(idle*run)))
	p.Stop = max(p.Start*2/3, math.Sqrt(float64(idle*p.Start)))
	p.odds(off, on, run, lower)
	return p
}

// Words say what the margin is and what would widen it.
func (p *Proposal) Words() string {
	if p.Remedy == "" {
		return p.Margin.String()
	}
	return p.Margin.String() + ": " + p.Remedy
}

// Learned holds all that was learned of a rig and the machines that it has met.
// Times in the file are seconds.
type Learned struct {
	Channels []LearnedChannel
	Machines []LearnedMachine
	Pairs    []LearnedPair
}

// LearnedPair is how much one channel shows of the current of another. It holds
// as long as both calibrations stay; where a clamp or a cable has been moved, the
// next start of the other tells again.
type LearnedPair struct {
	Channel, Of string  // "channel: calibration", see SensorKey
	Re, Im      float64 // see Share
	Amps        float64
	Learned     string // when, for people
}

// Size is the share without its phase.
func (p *LearnedPair) Size() float64 { return Share{Re: p.Re, Im: p.Im}.Size() }

// Words say what a channel hears of another, with the remedy where it is much.
func (s Share) Words(channel, of string) string {
	size := s.Size()
	if size < HeardMuch {
		return fmt.Sprintf("%s hears %.2g %% of %s", channel, float64(100*size), of)
	}
	return fmt.Sprintf("%s hears %.2g %% of %s: move the clamp or the cable", channel, float64(100*size), of)
}

// HeardMuch is the share from which a clamp or a cable should be moved: our own
// choice. A start beside a running machine is then seen later.
const HeardMuch = 0.02

// LearnedChannel is how a channel idles. It holds as long as the calibration
// stays.
type LearnedChannel struct {
	Channel     string
	Calibration string
	Idle        Level
	Top         float64 // see Figures
	Learned     string  // when, for people
}

// LearnedMachine holds what a machine shows on its sensors. It holds for these
// and for that supply.
type LearnedMachine struct {
	Machine      string
	Sensors      []string // "channel: calibration" for each, in the machine's order
	Volts, Hertz float64
	Run          Level // of the sensor with the most current
	Least        float64
	Inrush       float64
	Settle       time.Duration
	Coast        time.Duration // 0: not marked
	Start, Stop  float64       // A; 0: no level tells running from idle
	Margin       Margin
	Learned      string // when, for people
}

// Limits of what a Learned may hold.
const (
	mostLearned = 500
	mostPairs   = 4000
	mostAmps    = 1e4
	mostCoast   = time.Hour
)

// Validate reports the first thing in l that cannot have been learned. It
// guards against a file that was damaged or written by hand.
func (l *Learned) Validate() error {
	if len(l.Channels) > mostLearned || len(l.Machines) > mostLearned || len(l.Pairs) > mostPairs {
		return fmt.Errorf("more than %d entries, or %d pairs", mostLearned, mostPairs)
	}
	ok := func(values ...float64) bool {
		return !slices.ContainsFunc(values, func(v float64) bool { return !(v >= 0 && v <= mostAmps) })
	}
	for i := range l.Channels {
		c := &l.Channels[i]
		if c.Channel == "" || c.Calibration == "" || !ok(c.Idle.Mean, c.Idle.Spread, c.Top) {
			return fmt.Errorf("channel %q: want a name, a calibration and figures from 0 to %g A", c.Channel, mostAmps)
		}
	}
	for i := range l.Pairs {
		p := &l.Pairs[i]
		if p.Channel == "" || p.Of == "" || p.Channel == p.Of || !(p.Size() < 1) || !(p.Amps > 0 && p.Amps <= mostAmps) {
			return fmt.Errorf("pair %q and %q: want two sensors, a share below 1 and the amperes with which it was heard", p.Channel, p.Of)
		}
	}
	for i := range l.Machines {
		m := &l.Machines[i]
		switch {
		case m.Machine == "" || len(m.Sensors) == 0 || !ok(m.Run.Mean, m.Run.Spread, m.Least, m.Inrush, m.Start, m.Stop, m.Volts, m.Hertz):
			return fmt.Errorf("machine %q: want a name, sensors and figures from 0 to %g", m.Machine, mostAmps)
		case m.Margin < NoMargin || m.Margin > Wide:
			return fmt.Errorf("machine %q: unknown margin", m.Machine)
		case m.Settle < 0 || m.Settle > mostCoast || m.Coast < 0 || m.Coast > mostCoast:
			return fmt.Errorf("machine %q: want times from 0 to an hour", m.Machine)
		case m.Margin != NoMargin && !(m.Stop > 0 && m.Start > m.Stop):
			return fmt.Errorf("machine %q: start %g A and stop %g A: want 0 < stop < start", m.Machine, m.Start, m.Stop)
		}
	}
	return nil
}

// Add puts what was learned again in the place of what was known of the same
// channel and calibration, or machine, sensors and supply.
func (l *Learned) Add(channels []LearnedChannel, machines []LearnedMachine) {
	for _, c := range channels {
		if i := slices.IndexFunc(l.Channels, func(o LearnedChannel) bool { return o.Channel == c.Channel && o.Calibration == c.Calibration }); i >= 0 {
			l.Channels[i] = c
		} else {
			l.Channels = append(l.Channels, c)
		}
	}
	for _, m := range machines {
		same := func(o LearnedMachine) bool {
			return o.Machine == m.Machine && slices.Equal(o.Sensors, m.Sensors) && o.SameSupply(m.Volts, m.Hertz)
		}
		if i := slices.IndexFunc(l.Machines, same); i >= 0 {
			l.Machines[i] = m
		} else {
			l.Machines = append(l.Machines, m)
		}
	}
	// The oldest go first; nobody has that many.
	l.Channels = l.Channels[max(0, len(l.Channels)-mostLearned):]
	l.Machines = l.Machines[max(0, len(l.Machines)-mostLearned):]
}

// AddPairs puts shares in the place of what was known of the same pairs.
func (l *Learned) AddPairs(pairs []LearnedPair) {
	for _, p := range pairs {
		if i := slices.IndexFunc(l.Pairs, func(o LearnedPair) bool { return o.Channel == p.Channel && o.Of == p.Of }); i >= 0 {
			l.Pairs[i] = p
		} else {
			l.Pairs = append(l.Pairs, p)
		}
	}
	l.Pairs = l.Pairs[max(0, len(l.Pairs)-mostPairs):]
}

// Channel finds how a channel idles, nil if that is not known.
func (l *Learned) Channel(name, calibration string) *LearnedChannel {
	for i := range l.Channels {
		if c := &l.Channels[i]; c.Channel == name && c.Calibration == calibration {
			return c
		}
	}
	return nil
}

// Machine finds what is known of a machine on these sensors: here, as learned
// on this supply; if there is none, other, as learned last on
// another supply or with other sensors. Both may be nil.
func (l *Learned) Machine(name string, sensors []string, volts, hertz float64) (here, other *LearnedMachine) {
	for i := range l.Machines {
		m := &l.Machines[i]
		switch {
		case m.Machine != name:
		case slices.Equal(m.Sensors, sensors) && m.SameSupply(volts, hertz):
			here = m
		default:
			other = m
		}
	}
	if here != nil {
		other = nil
	}
	return here, other
}

// SameSupply reports whether the supply on which m was learned is one of these
// volts and hertz: within a tenth and half a hertz. A figure of 0 is not known
// and differs from none.
func (m *LearnedMachine) SameSupply(volts, hertz float64) bool {
	near := func(a, b, within float64) bool { return a == 0 || b == 0 || math.Abs(a-b) <= within }
	return near(m.Volts, volts, float64(0.1*m.Volts)) && near(m.Hertz, hertz, 0.5)
}

// Scaled is a doubtful proposal for another voltage: the same power at it
// takes a current in the inverse ratio. Magnetising currents follow other laws.
func (m *LearnedMachine) Scaled(volts float64) (start, stop float64) {
	by := 1.0
	if m.Volts > 0 && volts > 0 {
		by = m.Volts / volts
	}
	return float64(m.Start * by), float64(m.Stop * by)
}

// SensorKey names a sensor with its calibration, as in LearnedMachine.Sensors.
func SensorKey(channel, calibration string) string { return channel + ": " + calibration }

// Channel names in m's sensors.
func (m *LearnedMachine) channels() string {
	var out []string
	for _, s := range m.Sensors {
		name, _, _ := strings.Cut(s, ": ")
		out = append(out, name)
	}
	return strings.Join(out, ", ")
}

// Doubt says in which way what was learned is not about these sensors and this
// supply. It is empty where all fits.
func (m *LearnedMachine) Doubt(sensors []string, volts, hertz float64) string {
	switch {
	case !m.SameSupply(volts, hertz):
		return fmt.Sprintf("learned at %.4g V and %.4g Hz, the supply here is %.4g V and %.4g Hz", m.Volts, m.Hertz, volts, hertz)
	case !slices.Equal(m.Sensors, sensors):
		return fmt.Sprintf("learned on %s with another calibration, or on other channels", m.channels())
	}
	return ""
}
