package sensor

import "math"

// Learner gathers the one-cycle values of one state of one channel: its
// machine off, or running without work.
type Learner struct {
	n          int
	mean, sum2 float64 // Welford's running mean and sum of squares about it
	low, high  float64
}

// Add takes a reading. Those that are unknown do not count.
func (l *Learner) Add(r Reading) {
	if r.Verdict == Unknown {
		return
	}
	v := float64(r.Amps)
	if l.n == 0 {
		l.low, l.high = v, v
	}
	l.n++
	d := v - l.mean
	l.mean += d / float64(l.n)
	l.sum2 += float64(d * (v - l.mean))
	l.low, l.high = min(l.low, v), max(l.high, v)
}

// Values is how many readings counted.
func (l *Learner) Values() int { return l.n }

// Level is what has been learned.
func (l *Learner) Level() Level {
	if l.n < 2 {
		return Level{Mean: l.mean}
	}
	return Level{Mean: l.mean, Spread: math.Sqrt(l.sum2 / float64(l.n-1))}
}

// Range is the least and the greatest value.
func (l *Learner) Range() (low, high float64) { return l.low, l.high }

// Margin says how well two states of a channel can be told apart. The zero
// value is invalid.
type Margin uint8

// The margins.
const (
	NoMargin Margin = iota + 1 // they overlap
	Narrow                     // the running machine shows less than twice what the idle one may
	Fair                       // less than four times
	Wide                       // more
)

// String says the margin in words, with what to do about it.
func (m Margin) String() string {
	switch m {
	case NoMargin:
		return "none: running looks like idle; look whether the clamp is round one conductor only, then add turns"
	case Narrow:
		return "narrow: add a turn through the clamp"
	case Fair:
		return "fair"
	case Wide:
		return "wide"
	}
	return "invalid"
}

// Proposal is a pair of levels, in amperes, that tells a machine that runs from
// one that does not.
type Proposal struct {
	Start, Stop float64
	Margin      Margin
}

const (
	// spreads is how far either state is taken to stray from its mean, in standard
	// deviations: values of a normal distribution do once in 15,000.
	spreads = 4
	// A running machine is taken to show at least this share of its mean, and an
	// idle channel not to be quieter than this share of that: levels need not be
	// lower than makes sense.
	leastShare = 0.25
	quietShare = 0.1
)

// Propose puts the start level in the geometric middle between what the idle
// channel shows at most and the running one at least, and the stop level a third
// lower, but not into the idle range. Without a margin both levels are in the
// middle all the same.
func Propose(idle, run Level) Proposal {
	least := max(run.Mean-float64(spreads*run.Spread), float64(leastShare*run.Mean))
	most := max(idle.Mean+float64(spreads*idle.Spread), float64(quietShare*least))
	if !(least > most) {
		middle := (least + most) / 2
		return Proposal{middle, middle, NoMargin}
	}
	p := Proposal{Start: math.Sqrt(float64(most * least)), Margin: Wide}
	p.Stop = max(p.Start*2/3, math.Sqrt(float64(most*p.Start)))
	if least < 2*most {
		p.Margin = Narrow
	} else if least < 4*most {
		p.Margin = Fair
	}
	return p
}
