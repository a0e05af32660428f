package sensor

import (
	"math"
	"time"
)

// Figures of the faults. They are common practice and measured on made
// signals; no source.
const (
	biasEdge    = 0.25                   // the resting point must stay this share of the range off the rails
	biasSlack   = 0.02                   // a bias fault ends this much further in
	biasHold    = 100 * time.Millisecond // an offset inrush may move it for less
	clipPower   = 0.8                    // mean square as a share of the square of half the range: a sine of 2.3 times the range
	clipSine    = 0.7                    // RMS as a share of half the range: no sine inside the range has more
	clipHold    = 5 * time.Second        // an inrush may clip for less
	wanderShare = 0.01                   // of the range: more than that between two cycles, a transformer cannot pass on
	wanderOfRMS = 0.1                    // and more than this share of the RMS: a heavy current is not sampled evenly
	wanderMost  = 50                     // so many such values more than others
	seenNoise   = 0.25                   // an idle level of so many raw units is noise that may show in every value
	sureNoise   = 0.53                   // one of so many does: noise astride two codes shows at most 0.5
	seemsNoise  = 0.485                  // and one of so many, if
	seemsSpread = 0.6                    // of the spread that noise has shows among the values
	flatMost    = 240                    // values without any noise where it shows in every one
	flatStop    = 12                     // such values are enough where a machine seems to have stopped
	flatUnsure  = 3600                   // where it may hide between two codes for a while
	flatSample  = 0.25                   // of a sample that is one code off: less shows only by rounding
	flatRound   = 4e-15                  // of the square of the mean: what rounding leaves of it
	alikeShare  = 0.95                   // the least value of all channels over the greatest
	alikeLeast  = 3                      // channels that can be compared
	alikeHold   = 2 * time.Second
	noiseShare  = 0.1  // of its power in the fundamental has a noise at most, over noiseBlock halves
	noiseBlock  = 16   // halves
	noiseWatch  = 128  // halves after a start in which noise is looked for, and each
	noiseEach   = 1024 // halves again
	noiseMost   = 96   // so many more halves like noise than others
	noiseStart  = 0.1  // of the power in the fundamental, over noiseFirst halves, is no start
	noiseSure   = 9    // over the samples, is what one noise in a hundred has
	noiseLong   = 15   // the same at one of toneSlips frequencies
	noiseShort  = 0.2  // at most: a short window shows less of the current of another mains
	noiseFirst  = 6    // or fewer, down to 2; more where more have been above the level
	whiteShare  = 0.05 // in the first idle values shows that they are the converter's own noise

	driftShare = 0.03 // of the range that the resting point moves in driftOver
	driftOver  = 8    // looks, each listenEach halves
	driftNow   = 2    // looks in which it goes on
	driftLeast = 0.1  // by that share at least: a step is no drift
	driftMost  = 8    // looks at which it did
	restOver   = 64   // idle values that make a habit

	lostShare = 0.02 // of the range that it moves in the later half of a stop's hold

	flapShare = 0.05                   // of the range that the resting point jumps
	flapOwn   = 0.5                    // and of the current: half a cycle of a sine more or less moves it by 0.45
	flapLong  = 150 * time.Millisecond // and is back before
	flapBack  = 3                      // values after, a clean cycle has passed
	flapRush  = 500 * time.Millisecond // after an inrush, it is the inrush
	flapMost  = 5                      // times
	flapOver  = 10 * time.Second

	// VerdictWait is how much longer than the hold a stop may take that might
	// be a lost sensor.
	VerdictWait = 300 * time.Millisecond
	faultHealed = 250 * time.Millisecond // free of the fault for this long
)

// faults keeps track of the faults that the values of a channel themselves
// show. Without the converter's limits there are none: a recording in amperes
// may hold anything.
type faults struct {
	railed         bool    // the converter's limits are known
	noisy          bool    // idle shows noise, as has been learned or seen
	sureNoisy      bool    // in every cycle
	biasLo, biasHi float64 // limits of the resting point, raw
	centre, half   float64 // of the converter's range, raw
	clipFrom       float64 // a value above it is of a current beyond the range, A
	wander         float64 // the resting point does not move more than this in a cycle, raw
	wanders        int     // values that did more than others of late
	same, sameMost int     // values without any noise in a row
	repeats        probe

	// Noise in the place of a mains current.
	looking bool // for it
	watch   int  // values for which it still will be
	noises  int  // halves like noise more than others of late

	// The converter's own noise, looked for in the first idle values.
	ownFor         int // blocks to come
	ownSum, ownRMS float64
	idle           Level // as learned, raw

	// The resting point over a second, and its jumps.
	base     float64 // where it usually is, raw
	based    bool
	off      int // looks since it left the base
	means    [driftOver]float64
	nmeans   uint
	moves    int // looks at which it moved more than others of late
	away     bool
	awayAt   time.Duration
	awayFrom float64                 // what it carried before, A
	rushed   time.Duration           // when it last came back with another current
	back     int                     // values until it is known what it carries after
	flaps    [flapMost]time.Duration // the last times that it came back at once
	nflaps   int
	flapped  int // the next of them

	fault     Health // 0 = none
	suspect   Health // 0 = none
	suspectAt time.Duration
	healing   bool
	healedAt  time.Duration
}

func newFaults(p *ChannelParams) faults {
	f := faults{
		biasLo: math.Inf(-1), biasHi: math.Inf(1), half: math.Inf(1),
		clipFrom: math.Inf(1), wander: math.Inf(1), sameMost: math.MaxInt,
	}
	if p.Min == p.Max {
		return f
	}
	f.railed = true
	f.half = (p.Max - p.Min) / 2
	f.centre = p.Min + f.half
	edge := float64(biasEdge * (p.Max - p.Min))
	f.biasLo, f.biasHi = p.Min+edge, p.Max-edge
	f.clipFrom = float64(clipSine * f.half * p.Scale)
	f.wander = float64(wanderShare * (p.Max - p.Min))
	f.ownFor = noiseWatch / noiseBlock
	f.hasNoise(Level{p.Idle.Mean / p.Scale, p.Idle.Spread / p.Scale})
	return f
}

// hasNoise notes that an idle channel shows so much noise, raw.
func (f *faults) hasNoise(l Level) {
	if l.Mean >= seenNoise {
		f.noisy, f.idle, f.ownFor = true, l, 0
		f.gauge(0)
	}
}

// gauge works out in how many values noise shows. Noise astride two codes has at
// most an RMS of half a code, and then next to no spread among values of n
// samples, while true noise has its RMS over the root of twice n.
func (f *faults) gauge(n float64) {
	m := f.idle.Mean
	f.sureNoisy = m >= sureNoise || m >= seemsNoise && f.idle.Spread*math.Sqrt(2*n) >= float64(seemsSpread*m)
	f.sameMost = flatUnsure
	if f.sureNoisy {
		f.sameMost = flatMost
	}
}

// inspect looks for faults. One must last a while to count, and be gone for a
// while to be forgotten.
func (c *channel) inspect(g *half) {
	h, hold := c.symptom(g)
	if h == 0 {
		c.suspect = 0
		if c.fault != 0 {
			if !c.healing {
				c.healing, c.healedAt = true, g.at
			}
			if g.at-c.healedAt >= faultHealed {
				c.fault, c.healing = 0, false
			}
		}
		return
	}
	c.healing = false
	if h != c.suspect {
		c.suspect, c.suspectAt = h, g.at
	}
	if !c.known && (h == BiasLow || h == BiasHigh) {
		hold = 0 // nothing better is known
	}
	if h != c.fault && g.at-c.suspectAt >= hold {
		c.fault = h
		c.distrust(h, c.suspectAt)
	}
}

// symptom is the fault that this value shows, or 0, and how long it must last.
func (c *channel) symptom(g *half) (h Health, hold time.Duration) {
	slack := 0.0
	if c.fault != 0 {
		slack = float64(2 * biasSlack * c.half)
	}
	if rise := math.Abs(c.mean - c.mean2); g.unsure {
		c.wanders, c.noises = 0, 0 // the mean of what is no cycle wanders
	} else if rise > c.wander && rise > float64(wanderOfRMS*c.amps)/c.scale {
		c.wanders = min(c.wanders+1, 2*wanderMost)
	} else {
		c.wanders = max(c.wanders-1, 0)
	}
	c.jump(g)
	c.compare()
	switch {
	case c.nflaps == flapMost && g.at-c.flaps[c.flapped] <= flapOver:
		return Flapping, 0
	case c.mean < c.biasLo+slack:
		return BiasLow, biasHold
	case c.mean > c.biasHi-slack:
		return BiasHigh, biasHold
	case c.wanders > wanderMost:
		return Floating, 0
	case c.moves >= driftMost:
		return Drifting, 0
	case c.same >= c.sameMost:
		return Flat, 0
	case c.repeats.found:
		return Frozen, 0
	case g.alike:
		return AllAlike, alikeHold
	case c.noises >= noiseMost:
		return Noisy, 0
	case c.power() > float64(clipPower*c.half*c.half):
		return Clipped, clipHold
	case c.fault == Between && c.between(g, c.amps):
		return Between, 0
	}
	return 0, 0
}

// jump notes that the resting point is away, and that it is back with the same current as
// before: a current that begins or ends moves it too, and inrush goes on doing so for a while.
func (c *channel) jump(g *half) {
	far := float64(2*flapShare*c.half) + float64(flapOwn*c.usual)/c.scale
	away := c.based && c.amps <= c.clipFrom && math.Abs(c.mean-c.base) > far
	switch {
	case away && !c.away:
		if c.back == 0 { // else it is the same one
			c.awayAt, c.awayFrom = g.at, c.amps2
		}
		c.back = 0
	case !away && c.away && g.at-c.awayAt <= flapLong && c.wanders <= wanderMost/2:
		c.back = flapBack
	case !away && c.back > 0:
		switch c.back--; {
		case c.back > 0:
		case max(c.amps, c.awayFrom) > max(c.rest, float64(usualDrop*min(c.amps, c.awayFrom))):
			c.rushed = g.at
		case g.at-c.rushed > flapRush:
			c.flaps[c.flapped] = g.at
			c.flapped = (c.flapped + 1) % flapMost
			c.nflaps = min(c.nflaps+1, flapMost)
		}
	}
	c.away = away
}

// compare weighs the fundamental against the whole.
func (c *channel) compare() {
	if !c.looking {
		return
	}
	c.watch = max(c.watch-1, 0)
	if c.tone.n == 0 || c.tone.n%noiseBlock != 0 {
		return
	}
	sum, _ := c.tone.last(noiseBlock)
	rms := math.Sqrt(sum.power / sum.n)
	if c.tone.atAny() < noiseShare && float64(rms*c.scale) >= max(c.stop, c.offMost) {
		c.noises = min(c.noises+noiseBlock, 2*noiseMost)
	} else {
		c.noises = max(c.noises-noiseBlock, 0)
	}
	if c.ownFor > 0 && !c.run && float64(rms*c.scale) < c.rest {
		c.ownSum += sum.share()
		c.ownRMS += rms
		c.ownFor--
		const blocks = noiseWatch / noiseBlock
		if c.ownFor == 0 && c.ownSum < float64(whiteShare*blocks) && c.ownRMS > float64(sureNoise*blocks) {
			c.hasNoise(Level{Mean: c.ownRMS / blocks})
		}
	}
}

// noiseLike reports whether the value of a start looks like noise. The longer it
// lasts the surer that is.
func (c *channel) noiseLike() bool {
	sum, n := c.tone.last(uint64(min(max(noiseFirst, c.above), toneKept)))
	if n == toneKept {
		return c.looking && c.tone.atAny() < max(noiseStart, noiseLong/sum.n)
	}
	return c.looking && n >= 2 && sum.share() < max(noiseStart, min(noiseSure/sum.n, noiseShort))
}

// look follows the resting point. It is called each listenEach halves.
func (c *channel) look(g *half) {
	if !c.railed || !c.chained {
		return
	}
	if c.noisy {
		c.gauge(1 / g.inv)
	}
	if c.fault != 0 && c.fault != Drifting {
		c.nmeans, c.moves = 0, 0 // where it comes back to is no drift
		return
	}
	last := &c.means[c.nmeans%driftOver]
	all, now := c.mean-*last, c.mean-c.means[(c.nmeans+driftOver-driftNow)%driftOver]
	if c.nmeans >= driftOver && math.Abs(all) > float64(2*driftShare*c.half) && float64(now*all) > float64(driftLeast*all*all) {
		c.moves = min(c.moves+1, 2*driftMost)
	} else {
		c.moves = max(c.moves-1, 0)
	}
	*last = c.mean
	c.nmeans++
	switch near := math.Abs(c.mean-c.base) <= float64(2*lostShare*c.half); {
	case !c.based:
		c.base, c.based = c.mean, true
	case near:
		c.base += (c.mean - c.base) / 4
		c.off = 0
	case c.off == driftOver:
		c.base, c.off = c.mean, 0
	default:
		c.off++
	}
	if c.run && c.nmeans%(noiseEach/listenEach) == 0 {
		c.watch = noiseWatch
		c.calm = false
	}
	if c.moves > 0 || c.same >= c.sameMost {
		c.calm = false
	}
}

// between reports whether a current is that of a machine neither off nor running:
// more than the channel shows at rest, as learned and as seen since.
func (c *channel) between(g *half, amps float64) bool {
	return c.offMost > 0 && amps-c.heard(g) > max(c.offMost, float64(usualDrop*c.atRest))
}

// resting follows what the channel shows while it is idle.
func (c *channel) resting(amps float64) {
	c.restNow += (amps - c.restNow) / restOver
	c.atRest = max(c.atRest, c.restNow)
}

// lost says what a stop may be instead, at the end of its hold; 0 = a stop. The
// resting point and the noise of a healthy channel stay when its machine stops,
// and its current falls to what was learned.
func (c *channel) lost() Health {
	switch {
	case !c.railed:
		return 0
	case c.sureNoisy && c.same >= flatStop:
		return Flat
	case c.suspect != 0:
		return c.suspect
	case c.holdHi-c.holdLo > float64(2*lostShare*c.half):
		return Drifting
	case c.offMost > 0 && c.holdSum/c.holdN > max(c.offMost, float64(usualDrop*c.atRest)):
		if c.noiseLike() {
			return Noisy
		}
		return Between
	}
	return 0
}

// power is the mean square of the last cycle about the middle of the
// converter's range, in raw units.
func (c *channel) power() float64 {
	rms, off := c.amps/c.scale, c.mean-c.centre
	return float64(rms*rms) + float64(off*off)
}

// unclip estimates the RMS of a sine, in amperes, from what the converter shows
// of it beyond its range, on the high side. With x = 1 minus the shown mean
// square over the square of half the range, a sine of k times the range gives
// x = 0.50, 0.30, 0.22, 0.14 and 0.09 for k = 1, 1.5, 2, 3 and 5: k is about
// 0.43/x, hence an RMS of 0.30/x; a fifth more is allowed for.
func (c *channel) unclip() float64 {
	full := float64(c.half * c.scale)
	x := 1 - float64(c.amps/full*(c.amps/full))
	return max(c.amps, 0.36*full/max(x, 0.03))
}

// full is the last value, in amperes, or what unclip takes it for.
func (c *channel) full() float64 {
	if c.amps > c.clipFrom {
		return c.unclip()
	}
	return c.amps
}

// sine is the RMS of a sine, in amperes, of which the converter shows what it
// does beyond its range: 0.424/x + 0.26x times the range, with x as in unclip, is
// within 2 % of k from 1 to 5.
func (c *channel) sine() float64 {
	full := float64(c.half * c.scale)
	x := max(0.03, 1-float64(c.amps/full*(c.amps/full)))
	return float64(full * (0.3/x + float64(0.184*x)))
}

// canCompare reports whether the channels are many enough and learned, so that
// alike can tell.
func canCompare(ch []channel) bool {
	for k := range ch {
		if !ch[k].noisy {
			return false
		}
	}
	return len(ch) >= alikeLeast
}

// alike reports whether every channel shows the same current of a running
// machine, as when the converter no longer selects its channels.
func alike(ch []channel) bool {
	least, most := math.Inf(1), 0.0
	for k := range ch {
		c := &ch[k]
		if !c.chained || c.amps < c.start {
			return false
		}
		least, most = min(least, c.amps), max(most, c.amps)
	}
	return least >= alikeShare*most
}
