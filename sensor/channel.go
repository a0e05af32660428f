package sensor

import (
	"math"
	"time"
)

const (
	// sureValues is how many one-cycle values in a row at or above Start make
	// a start, whatever else happens. An event shorter than a cycle touches at
	// most three halves, hence at most four values.
	sureValues = 5

	// recoverValues is how many values a lost channel needs before it is
	// trusted again.
	recoverValues = 5

	biasEdge    = 0.25                   // the resting point must stay this share of the range off the rails
	biasHold    = 100 * time.Millisecond // an offset inrush may move it for less
	biasSlack   = 0.02                   // a bias fault ends this much further in
	clipShare   = 0.75                   // share of samples at the rails: a sine of 2.6 times the range
	clipHold    = 5 * time.Second        // an inrush may clip for less
	faultHealed = 250 * time.Millisecond // free of the fault for this long

	none = ^uint(0)
)

// half is what all channels share at the end of a half.
type half struct {
	at    time.Duration // end of the last sample used
	from  time.Duration // beginning of the first sample used
	cycle time.Duration
	n, pn float64 // samples in this half and in the one before
	inv   float64 // 1 / (n + pn)
}

// channel is the state of one used channel.
type channel struct {
	col      int     // place in the scan
	s, q     float64 // this half: sum and sum of squares of raw values, weighted
	lo, hi   float64 // raw; a sample at or beyond one is active (idle) or at a rail (running)
	min, max float64 // rails, raw; infinite where there are none
	clip     int     // samples at a rail in this half
	bad      bool    // a sample of this half was not finite
	carryBad bool    // the sample shared with the next half was not finite
	prevOK   bool    // the half before is complete and good
	ps, pq   float64 // that half
	cs, cq   float64 // the next half's share of the split sample
	pclip    int

	scale       float64
	start, stop float64 // A
	hold        time.Duration
	number      int // Channel of the readings

	amps, mean float64 // last value, A, and its mean, raw

	// The verdict. known is false until there is something to say; run is kept
	// while the channel is lost.
	known    bool
	run      bool
	good     int // values since the channel was lost; up to recoverValues
	verdict  Verdict
	health   Health
	onset    time.Duration
	lastGood time.Duration // end of the last full window
	stale    bool          // lost for want of samples, and said so

	// Towards a start; valid while !run.
	above           int           // values in a row at or above start
	recent          int           // values until the last one above is a cycle old
	firstWin        time.Duration // beginning of the first of these
	quiet           int           // values in a row below half the start level
	centred         bool          // lo and hi lie round the resting point
	marked, pmarked bool          // active samples in this half, and in the one before
	act1, act2      time.Duration // first and last active sample of the episode
	active          bool          // there is an episode

	// Towards a stop; valid while run. never = not below.
	below time.Duration

	// Faults of the values themselves.
	railed         bool // min and max are known
	biasLo, biasHi float64
	fault          Health // 0 = none
	suspect        Health // 0 = none
	suspectAt      time.Duration
	healing        bool
	healedAt       time.Duration
}

func newChannel(col int, p *ChannelParams) channel {
	c := channel{
		col: col, number: p.Channel, scale: p.Scale,
		start: p.Start, stop: p.Stop, hold: p.StopHold,
		min: math.Inf(-1), max: math.Inf(1),
		below: never,
	}
	if p.Min < p.Max {
		c.railed = true
		c.min, c.max = p.Min, p.Max
		c.biasLo = c.min + float64(biasEdge*(c.max-c.min))
		c.biasHi = c.max - float64(biasEdge*(c.max-c.min))
	}
	c.lo, c.hi = c.min, c.max
	return c
}

// add takes the samples of the channel in raw, which begins with one of them
// and holds one in every stride. It returns the places of the first and last
// active one, or none. ok is false if a sample was not finite; the half is
// then void.
func (c *channel) add(raw []float32, stride uint) (first, last uint, ok bool) {
	s, q, lo, hi := c.s, c.q, c.lo, c.hi
	first = none
	for j := uint(0); j < uint(len(raw)); j += stride {
		x := float64(raw[j])
		s += x
		q += float64(x * x)
		if x >= hi || x <= lo {
			if x-x != 0 {
				continue
			}
			if x >= c.max || x <= c.min {
				c.clip++
			}
			if first == none {
				first = j
			}
			last = j
		}
	}
	c.s, c.q = s, q
	if q-q != 0 {
		c.bad = true
		return first, last, false
	}
	return first, last, true
}

// split takes a sample that straddles the end of the half: the weight w of it
// belongs to this half, the rest to the next.
func (c *channel) split(x, w float64) {
	c.s += float64(w * x)
	c.q += float64(w * x * x)
	c.cs = float64((1 - w) * x)
	c.cq = float64((1 - w) * x * x)
	if x >= c.max || x <= c.min {
		c.clip++
	}
}

// clear empties the half.
func (c *channel) clear() {
	c.s, c.q, c.cs, c.cq, c.clip = 0, 0, 0, 0, 0
	c.bad, c.carryBad, c.marked = false, false, false
}

// roll makes this half the one before.
func (c *channel) roll() {
	c.ps, c.pq, c.pclip, c.pmarked = c.s, c.q, c.clip, c.marked
	c.prevOK = !c.bad
	c.s, c.q, c.clip, c.marked = c.cs, c.cq, 0, false
	c.cs, c.cq = 0, 0
	c.bad, c.carryBad = c.carryBad, false
}

// mark notes active samples from the instant a to the instant b. A cycle
// without any ends an episode.
func (c *channel) mark(a, b, cycle time.Duration) {
	if c.run || !c.centred {
		return
	}
	c.marked = true
	if !c.active || a-c.act2 > cycle {
		c.active, c.act1 = true, a
	}
	c.act2 = max(c.act2, b)
}
