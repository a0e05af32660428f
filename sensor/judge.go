package sensor

import "time"

// judge draws the conclusions from the value of the cycle that ends with this
// half.
func (c *channel) judge(g *half) {
	if c.railed {
		c.inspect(g)
	}
	switch {
	case c.fault != 0: // stays unknown
	case c.good < recoverValues:
		c.recover(g)
	case c.suspect == BiasHigh || c.suspect == BiasLow:
		c.forgetStart() // the value means nothing
	case c.run:
		c.towardsStop(g)
	default:
		c.towardsStart(g)
	}
	c.calm = c.fault == 0 && c.suspect == 0 && c.good == recoverValues
	if c.run {
		c.calm = c.calm && c.below == never
		c.calmLo, c.calmHi = c.stop, c.scale*c.half/2 // below this inspect cannot find clipping
	} else {
		c.calm = c.calm && c.recent == 0 && c.quiet == sureValues
		c.calmLo, c.calmHi = 0, c.start/2
	}
}

func (c *channel) reading(at time.Duration) Reading {
	return Reading{
		Channel: c.number, At: at, Onset: c.onset,
		Verdict: c.verdict, Amps: float32(c.amps), Health: c.health,
	}
}

// towardsStart looks for a start. A value must be at or above the level, and
// the event must have lasted a whole cycle. Either its active samples span one
// (a value from up to a cycle ago then serves, since inrush may fall below the
// level by the time the cycle is full), or enough values in a row are above.
// Active samples from long before the first such value are noise or a slow
// ramp; then only the values count.
func (c *channel) towardsStart(g *half) {
	if c.amps >= c.start {
		c.above++
		if c.recent == 0 {
			c.firstWin = g.from
		}
		c.recent = 3 // this value and the next two: a cycle
	} else {
		c.above = 0
	}
	recent := c.recent > 0
	c.recent = max(c.recent-1, 0)
	fresh := c.active && c.act1 >= c.firstWin-g.cycle
	if recent && fresh && c.act2-c.act1 >= g.cycle {
		c.setRunning(c.act1)
		return
	}
	if c.above >= sureValues {
		onset := c.firstWin + g.cycle/2
		if fresh {
			onset = c.act1
		}
		c.setRunning(onset)
		return
	}
	if c.amps < c.start/2 {
		c.quiet = min(c.quiet+1, sureValues)
	} else {
		c.quiet = 0
	}
	// The resting point is taken from cycles without active samples. After
	// sureValues quiet ones no short event can be in the last.
	if c.quiet >= sureValues || c.centred && !c.marked && !c.pmarked {
		c.centred = true
		c.mid = c.mean
	}
}

// towardsStop looks for a stop: every value of the last hold below the level.
func (c *channel) towardsStop(g *half) {
	if c.amps >= c.stop {
		c.below = never
		return
	}
	if c.below == never {
		c.below = g.at
	}
	if g.at-c.below >= c.hold {
		c.setIdle(c.below - g.cycle)
	}
}

// recover handles the first values after the stream began or the channel was
// lost.
func (c *channel) recover(g *half) {
	c.good++
	if c.good == 1 {
		c.above = 0
		c.firstWin = g.from
	}
	if c.amps >= c.start {
		c.above++
	}
	first := c.firstWin
	switch {
	case !c.known:
		// At the beginning of the stream the first value decides, so that a
		// machine found running is seen at once. Both halves must carry
		// current; half-wave loads take the usual way.
		c.good = recoverValues
		if c.above > 0 && c.bothHalves(g) {
			c.setRunning(first)
		} else {
			c.setIdle(first)
			c.towardsStart(g)
		}
	case c.good < recoverValues:
		c.health = Starting
	case c.run && c.amps >= c.stop || c.above >= sureValues:
		c.setRunning(first)
	default:
		c.setIdle(first)
	}
}

// bothHalves reports whether each half of the cycle swings by itself. The half
// cycle of a sine does so by at least 0.43 of the RMS of the whole.
func (c *channel) bothHalves(g *half) bool {
	need := c.start / 4 / c.scale
	need = float64(need * need)
	power := func(s, q, n float64) float64 { return q/n - float64(s/n*(s/n)) }
	return power(c.ps, c.pq, g.pn) >= need && power(c.s, c.q, g.n) >= need
}

func (c *channel) setRunning(onset time.Duration) {
	c.known = true
	c.run = true
	c.verdict, c.health, c.onset = Running, Healthy, onset
	c.below = never
	c.forgetStart()
}

func (c *channel) setIdle(onset time.Duration) {
	c.known = true
	c.run = false
	c.verdict, c.health, c.onset = Idle, Healthy, onset
	c.below = never
	c.forgetStart()
}

// forgetStart drops all progress towards a start.
func (c *channel) forgetStart() {
	c.above, c.recent, c.quiet = 0, 0, 0
	c.centred, c.marked, c.pmarked, c.active = false, false, false, false
}

// distrust makes the channel unknown since the given instant.
func (c *channel) distrust(h Health, since time.Duration) {
	c.known = true
	if c.verdict != Unknown {
		c.onset = since
	}
	c.verdict, c.health = Unknown, h
	c.good = 0
	c.calm = false
	c.below = never
	c.forgetStart()
}

// lose makes the channel unknown for want of samples.
func (c *channel) lose(at time.Duration, h Health) Reading {
	c.stale = true
	c.amps = 0
	c.distrust(h, c.lastGood)
	return c.reading(at)
}

// power is the mean square of the last cycle about the middle of the
// converter's range, in raw units.
func (c *channel) power() float64 {
	rms, off := c.amps/c.scale, c.mean-c.centre
	return float64(rms*rms) + float64(off*off)
}

// inspect looks for faults that the values themselves show. A fault must last
// a while to count, and be gone for a while to be forgotten.
func (c *channel) inspect(g *half) {
	slack := 0.0
	if c.fault != 0 {
		slack = float64(2 * biasSlack * c.half)
	}
	h := Health(0)
	hold := biasHold
	switch {
	case c.mean < c.biasLo+slack:
		h = BiasLow
	case c.mean > c.biasHi-slack:
		h = BiasHigh
	case c.power() > float64(clipPower*c.half*c.half):
		h = Clipped
		hold = clipHold
	}
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
	if !c.known && h != Clipped {
		hold = 0 // nothing better is known
	}
	if h != c.fault && g.at-c.suspectAt >= hold {
		c.fault = h
		c.distrust(h, c.suspectAt)
	}
}
