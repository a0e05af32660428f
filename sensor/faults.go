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
	sameMost    = 500                    // values alike to the last bit
	seenNoise   = 0.25                   // a learned idle level of so many raw units is noise that shows in every value
	alikeShare  = 0.95                   // the least value of all channels over the greatest
	alikeLeast  = 3                      // channels that can be compared
	alikeHold   = 2 * time.Second
	noiseRatio  = 1.2  // of the mean square successive difference to the variance: 2 for noise, below 0.6 for mains currents
	noiseCycle  = 32   // samples in a cycle, at least, for that
	noiseWatch  = 1000 // values after a start in which noise is looked for
	noiseHold   = 5 * time.Second
	faultHealed = 250 * time.Millisecond // free of the fault for this long
)

// faults is what is kept of the faults that the values of a channel themselves
// show. Without the converter's limits there are none: a recording in amperes
// may hold anything.
type faults struct {
	railed         bool    // the converter's limits are known
	noisy          bool    // idle shows noise, as has been learned
	biasLo, biasHi float64 // limits of the resting point, raw
	centre, half   float64 // of the converter's range, raw
	clipFrom       float64 // a value above it is of a current beyond the range, A
	wander         float64 // the resting point does not move more than this in a cycle, raw
	wanders        int     // values that did more than others of late
	same, sameMost int     // values alike to the last bit

	// Noise in the place of a mains current, looked for after a start.
	looking bool    // it is
	watch   int     // values for which it still will be
	follows bool    // before is the sample before
	before  float64 // raw
	steps   float64 // sum of squared differences of successive samples in this half
	nsteps  int
	ratio   float64 // its mean to the variance, smoothed

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
	if p.Idle.Mean >= seenNoise*p.Scale {
		f.noisy = true
		f.sameMost = sameMost
	}
	return f
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
	if rise := math.Abs(c.mean - c.mean2); rise > c.wander && rise > float64(wanderOfRMS*c.amps)/c.scale {
		c.wanders = min(c.wanders+1, 2*wanderMost)
	} else {
		c.wanders = max(c.wanders-1, 0)
	}
	if c.looking {
		c.watch = max(c.watch-1, 0)
		rms := c.amps / c.scale
		if n := float64(c.nsteps); n > 0 && rms > 0 {
			c.ratio += (c.steps/n/float64(rms*rms) - c.ratio) / 16
		}
	}
	switch {
	case c.mean < c.biasLo+slack:
		return BiasLow, biasHold
	case c.mean > c.biasHi-slack:
		return BiasHigh, biasHold
	case c.wanders > wanderMost:
		return Floating, 0
	case c.same >= c.sameMost && c.amps == 0:
		return Flat, 0
	case c.same >= c.sameMost:
		return Frozen, 0
	case g.alike:
		return AllAlike, alikeHold
	case c.looking && c.amps >= c.stop && c.ratio > noiseRatio && noiseCycle*g.inv <= 1:
		return Noisy, noiseHold
	case c.power() > float64(clipPower*c.half*c.half):
		return Clipped, clipHold
	}
	return 0, 0
}

// step adds up the squared differences of successive samples, for the ratio of
// J. von Neumann, Annals of Mathematical Statistics 12, 1941.
func (c *channel) step(raw []float32, stride uint) {
	for j := uint(0); j < uint(len(raw)); j += stride {
		x := float64(raw[j])
		if x-x != 0 {
			c.follows = false
			continue
		}
		if c.follows {
			d := x - c.before
			c.steps += float64(d * d)
			c.nsteps++
		}
		c.before, c.follows = x, true
	}
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
