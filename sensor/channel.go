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

	noisePeak  = 4.5 // samples of noise reach this many times its RMS once in 150,000
	loudShare  = 0.4 // of the start level in crosstalk: its peaks are near the level
	loudValues = 4   // after which no such sample is in the cycle

	listenEach  = 16       // halves from one look at what a neighbour's current does here to the next
	listenFor   = 8        // such looks before they count
	heardFrom   = 0.1      // of the start level: less crosstalk does not matter
	heardMargin = 1.5      // on what was heard
	heardLeast  = 1.0 / 16 // of the most that is possible: what is heard may be in part undone by a standby load

	lastingShare = 0.6 // of the start level that a half carries in which the machine runs
	keptHalves   = 8
	lastsOver    = 4    // halves in which a start must have shown
	levelShare   = 0.95 // of the start level carries the half that decides

	proveFor  = 24 // values after a start
	proveLast = 8  // of which one of the last must reach the start level, or it was none

	levelUp   = 1.25 // step up of the level of active samples above a standby load
	levelMost = 4    // times the lowest
	levelEase = 4096 // values in which it comes down again by two thirds

	offTimes   = 2 // times the learned idle current, and
	offSpreads = 6 // spreads above it, is more than a machine shows that is off

	rampMargin = 1.3 // on the rise of the resting point
	suddenDrop = 0.7 // of the usual current, within a cycle, is a stop
	usualDrop  = 1.5 // work may add half as much again to the current of a machine
)

// half holds what all channels share at the end of a half.
type half struct {
	at    time.Duration // end of the last sample used
	from  time.Duration // beginning of the first sample used
	index uint64        // number of the half
	cycle time.Duration
	n, pn float64 // samples in this half and in the one before
	inv   float64 // 1 / (n + pn)
	left  float64 // weight of the last sample in the half that follows

	// The two largest currents of the source's channels, and whose the largest
	// is.
	most, second float64
	loudest      *channel
	crosstalk    float64
	evidence     float64 // a weak start needs this much
	alike        bool    // all channels show the same
	unsure       bool    // the cycle may have the wrong length
	heard        *cycle  // with the fundamentals; nil = there is no hearing
}

// kept holds what a half carried by itself.
type kept struct {
	index uint64
	amps  float64
}

// channel is the state of one used channel.
type channel struct {
	col      int     // place in the scan
	s, q     float64 // this half: sum and sum of squares of raw values, weighted
	bad      bool    // a sample of this half was not finite
	carryBad bool    // the sample shared with the next half was not finite
	prevOK   bool    // the half before is complete and good
	ps, pq   float64 // that half
	cs, cq   float64 // the next half's share of the split sample

	scale       float64
	start, stop float64 // A
	hold        time.Duration
	number      int // Channel of the readings

	amps, mean   float64 // last value, A, and its mean, raw
	amps1, amps2 float64 // the two values before
	mean1, mean2 float64 // the means of the two values before, valid if chained
	chained      bool    // this value follows the one before without a gap

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

	// Towards a start; valid while !run. A sample is active if it is at least
	// level away from the resting point.
	sure            float64       // at least the start level, and out of reach of the noise, A
	lowest          float64       // the same, raw
	level           float64       // that of active samples, raw: above the peaks of standby loads
	noise           sequential    // for starts too weak to be sure of at once
	weak            weak          // the same on the fundamental
	ear             *channel      // the neighbour last listened to
	listened        int           // how often
	share           float64       // the share of its current that shows here
	earMost         float64       // with so much of it, A
	loud            int           // values until crosstalk no longer makes active samples
	mid             float64       // the resting point, raw; valid while centred
	centred         bool          // there is a resting point
	above           int           // values in a row at or above start
	recent          int           // values until the last one above is a cycle old
	firstWin        time.Duration // beginning of the first of these
	rest            float64       // a value below this is quiet, A
	quiet           int           // such values in a row
	marked, pmarked bool          // active samples in this half, and in the one before
	active          bool          // there is an episode of active samples
	act1, act2      time.Duration // its first and last one
	actHalf         uint64        // the half of the first
	halves          [keptHalves]kept

	// Towards a stop; valid while run.
	unproved       int           // values until the start level must have been reached again
	below          time.Duration // the first value below stop; never = not below
	holdLo, holdHi float64       // the resting point since, in the later half of the hold, raw
	holdSum, holdN float64       // the values there, A, and how many
	usual          float64       // the current of the last while, A; 0 while idle
	offMost        float64       // more than this is not what was learned of it off, A; 0 = not learned
	atRest         float64       // the most that it has shown for long while idle, A
	restNow        float64       // what it shows while idle, smoothed, A

	faults
	tone tone

	// What shows of a loud neighbour, see hearing.
	index     int     // place among the used channels
	z, pz, cz phasor  // this half, the one before, and the next one's share of the split sample
	pairs     []fit   // what is known of each channel's crosstalk here, by index
	session   session // in which that is learned

	// While calm, a value in [calmLo, calmHi) no less than the usual one by usualDrop
	// changes nothing but the resting point and the usual value.
	calm           bool
	calmLo, calmHi float64
}

func newChannel(col int, p *ChannelParams, evidence float64) channel {
	c := channel{
		col: col, number: p.Channel, scale: p.Scale,
		start: p.Start, stop: p.Stop, hold: p.StopHold,
		below: never, faults: newFaults(p),
	}
	c.noise, c.sure = newSequential(p, evidence)
	c.weak = newWeak(p, &c.noise, evidence)
	c.rest = min(max(p.Start/2, p.Idle.Mean+float64(3*p.Idle.Spread)), p.Start)
	if p.Idle != (Level{}) {
		c.offMost = max(float64(offTimes*p.Idle.Mean), p.Idle.Mean+float64(offSpreads*p.Idle.Spread), p.Idle.Mean+p.Scale)
	}
	c.lowest = max(c.sure, float64(noisePeak*p.Idle.Mean)) / p.Scale
	c.level = c.lowest
	return c
}

// addPair adds the samples of two channels to the sums of their halves. Each
// slice begins with a sample of its channel and holds one in every stride. Two
// at a time keep the processor's adders busy; the order of the additions of
// each channel is that of its samples.
func addPair(a, b *channel, ra, rb []float32, stride uint) {
	as, aq, bs, bq := a.s, a.q, b.s, b.q
	ra = ra[:len(rb)]
	for j := uint(0); j < uint(len(rb)); j += stride {
		x, y := float64(ra[j]), float64(rb[j])
		as += x
		bs += y
		aq += float64(x * x)
		bq += float64(y * y)
	}
	a.s, a.q, b.s, b.q = as, aq, bs, bq
}

// addOne is addPair for a channel without a partner.
func addOne(c *channel, raw []float32, stride uint) {
	s, q := c.s, c.q
	for j := uint(0); j < uint(len(raw)); j += stride {
		x := float64(raw[j])
		s += x
		q += float64(x * x)
	}
	c.s, c.q = s, q
}

// mayBeActive reports whether there can be an active sample among some scans
// that brought the sums of the half from s and q to what they are now. One
// alone would bring the sum of squares about the resting point to the square
// of the level; half of that allows for rounding.
func (c *channel) mayBeActive(s, q float64, scans int) bool {
	if !c.centred {
		return false
	}
	power := c.q - q + float64(c.mid*(float64(c.mid*float64(scans))-float64(2*(c.s-s))))
	need := float64(c.level * c.level)
	return !(power < need/2) || need < float64(1e-9*c.q)
}

// isActive reports whether x, a raw sample, is active.
func (c *channel) isActive(x float64) bool {
	d := math.Abs(x - c.mid)
	return d >= c.level && d <= math.MaxFloat64
}

// activeIn returns the places of the first and last active sample in raw, which
// is laid out as for add.
func (c *channel) activeIn(raw []float32, stride uint) (first, last uint, ok bool) {
	for j := uint(0); j < uint(len(raw)); j += stride {
		if c.isActive(float64(raw[j])) {
			if !ok {
				first, ok = j/stride, true
			}
			last = j / stride
		}
	}
	return first, last, ok
}

// split takes a sample that straddles the end of the half: the weight w of it
// belongs to this half, the rest to the next.
func (c *channel) split(x, w float64) {
	q := float64(x * x)
	a, b := float64(w*x), float64(w*q)
	c.s += a
	c.q += b
	c.cs = x - a
	c.cq = q - b
}

// clear empties the half.
func (c *channel) clear() {
	c.s, c.q, c.cs, c.cq = 0, 0, 0, 0
	c.bad, c.carryBad, c.marked, c.tone.on = false, false, false, false
}

// roll makes this half the one before.
func (c *channel) roll() {
	c.ps, c.pq, c.pmarked = c.s, c.q, c.marked
	c.prevOK = !c.bad
	c.s, c.q, c.marked = c.cs, c.cq, false
	c.cs, c.cq = 0, 0
	c.bad, c.carryBad = c.carryBad, false
}

// mark notes active samples from the instant a to the instant b. Four fifths of a
// cycle without any end an episode: a half-wave load rests for less. Two spikes
// closer than that are its first two pulses, for all that they tell.
func (c *channel) mark(a, b, cycle time.Duration, half uint64) {
	c.marked = true
	if !c.active || a-c.act2 > cycle*4/5 {
		c.active, c.act1, c.actHalf = true, a, half
	}
	c.act2 = max(c.act2, b)
}
