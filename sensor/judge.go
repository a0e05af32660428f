package sensor

import (
	"math"
	"time"
)

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
	c.looking = c.weak.on && !c.run && c.fault == 0 || c.railed && (c.watch > 0 || c.noises > 0 || c.fault == Noisy || c.below != never ||
		!c.run && (c.ownFor > 0 || c.marked || c.pmarked || c.above > 0 || c.recent > 0))
	if c.looking && !c.tone.on {
		c.tone.tune(c.mean, c.cs, g.left)
	} else if !c.looking {
		c.tone.on = false
	}
	c.calm = c.fault == 0 && c.suspect == 0 && c.wanders == 0 && c.moves == 0 && !c.away && c.back == 0 && c.good == recoverValues && !c.looking
	if c.run {
		c.calm = c.calm && c.below == never && c.unproved == 0
		c.calmLo, c.calmHi = c.stop, c.scale*c.half/2 // below this inspect cannot find clipping
	} else {
		c.calm = c.calm && c.recent == 0 && c.loud == 0 && c.quiet == sureValues && !c.noise.on
		c.calmLo, c.calmHi = 0, c.rest
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
// and the last half carries current, or enough values in a row are above. In
// the first case a value from up to a cycle ago serves: inrush may fall below
// the level by the time the cycle is full. Active samples from long before the
// first such value are noise or a slow ramp; then only the values count, and so
// they do while another channel is so loud that its crosstalk could make active
// samples. A start too weak for all that is found by the sequential test.
func (c *channel) towardsStart(g *half) {
	own, extra := c.own(g)
	peaks := c.heard(g)
	c.note(g)
	if peaks > c.start*loudShare {
		c.loud = loudValues
	}
	v := c.steady(own)
	if v >= c.sure+extra {
		c.above++
		if c.recent == 0 {
			c.firstWin = g.from
		}
		c.recent = 3 // this value and the next two: a cycle
	} else {
		c.above = 0
	}
	fresh := c.active && c.act1 >= c.firstWin-g.cycle
	switch {
	case c.above >= sureValues && c.noiseLike(): // it waits for the verdict on noise
	case c.recent > 0 && c.loud == 0 && fresh && v >= c.start && c.lasts(g, peaks) && !c.noiseLike():
		c.setRunning(c.act1)
		return
	case c.above >= sureValues && (g.heard == nil || g.loudest == c) && !c.goesOn(g): // spikes; crosstalk may hide what the halves carry
	case c.above >= sureValues && fresh:
		c.setRunning(c.act1)
		return
	case c.above >= sureValues:
		c.setRunning(c.firstWin + g.cycle/2)
		return
	case c.noise.add(own-extra, g.at, g.evidence):
		c.setRunning(c.noise.since)
		return
	}
	if since, ok := c.faint(g); ok {
		c.setRunning(since)
		return
	}
	c.recent = max(c.recent-1, 0)
	c.loud = max(c.loud-1, 0)
	if c.amps < c.rest {
		c.quiet = min(c.quiet+1, sureValues)
		if c.marked {
			// The peaks of a standby load, which would lengthen a spike.
			c.level = min(float64(levelUp*c.level), float64(levelMost*c.lowest))
		}
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

// note keeps the RMS of this half alone about the resting point, in amperes.
func (c *channel) note(g *half) {
	power := c.q/g.n - float64(c.mid*(2*c.s/g.n-c.mid))
	c.halves[g.index%keptHalves] = kept{g.index, float64(c.scale * math.Sqrt(max(0, power)))}
}

// carried returns what note kept of the half so many before this one.
func (c *channel) carried(g *half, before uint64) float64 {
	if k := c.halves[(g.index-before)%keptHalves]; k.index == g.index-before {
		return k.amps
	}
	return 0
}

// lasts reports whether the event has lasted a cycle: the active samples span
// one, this half carries current, and so does the half in which they began, or
// the one after that if it is no later than two before this one. So a spike
// shorter than a half that meets the peaks of a standby load does not last.
// Beside a neighbour whose crosstalk adds to such peaks, the half three before
// must carry current, which excludes all that is shorter than a cycle.
func (c *channel) lasts(g *half, extra float64) bool {
	need := float64(lastingShare*c.start) + extra
	if c.act2-c.act1 < g.cycle || c.carried(g, 0) < max(need, float64(levelShare*c.start)) {
		return false // the inrush of a load below the level may be all there was
	}
	age := g.index - c.actHalf
	if age > lastsOver {
		return false
	}
	if extra > float64(heardFrom*c.start) {
		return age >= 3 && c.carried(g, 3) >= need
	}
	return age >= 2 && age < lastsOver && c.carried(g, age) >= need || age >= 3 && c.carried(g, age-1) >= need
}

// goesOn reports whether every second half carries current, this one among them,
// and those between all do or none.
// Two spikes a few halves apart can bring as many values above the level as a run.
func (c *channel) goesOn(g *half) bool {
	need := float64(lastingShare * c.start)
	every := c.carried(g, 0) >= need && c.carried(g, 2) >= need && c.carried(g, 4) >= need
	return every && (c.carried(g, 1) >= need) == (c.carried(g, 3) >= need)
}

// heard is the current of this value that may be another channel's.
func (c *channel) heard(g *half) float64 {
	if g.loudest == c {
		return float64(g.crosstalk * g.second)
	}
	share := g.crosstalk
	if c.ear == g.loudest && c.listened >= listenFor && g.most <= float64(knownUp*c.earMost) {
		share = min(share, max(float64(heardMargin*c.share), float64(heardLeast*share)))
	}
	return float64(share * g.most)
}

// listen finds out how much of the loudest neighbour's current the channel
// shows while it is idle, since the most that is possible would hide weak starts
// for as long as that neighbour runs.
func (c *channel) listen(g *half) {
	if c.run || !c.chained || g.loudest == nil || g.loudest == c || c.amps >= c.rest ||
		float64(g.crosstalk*g.most) < float64(heardFrom*c.start) {
		return
	}
	if c.ear != g.loudest {
		c.ear, c.listened, c.share, c.earMost = g.loudest, 0, 0, 0
	}
	c.listened = min(c.listened+1, listenFor)
	c.earMost = max(g.most, float64(0.9*c.earMost))
	c.share = max(c.amps/g.most, float64(0.9*c.share))
}

// steady is the value without what a drift of the resting point adds to it, as
// when a divider is connected and its capacitor charges: a ramp has the RMS of
// its rise over the cycle divided by the square root of 12. The means of two
// cycles tell the rise well enough, with a margin for its beginning.
func (c *channel) steady(amps float64) float64 {
	rise := float64(rampMargin * c.scale * (c.mean - c.mean2))
	ramp := float64(rise * rise / 12)
	v := float64(amps * amps)
	if v <= ramp {
		return 0
	}
	return math.Sqrt(v - ramp)
}

// towardsStop looks for a stop: the value falls below the level and stays
// there for the hold. An event that would not make a start does not interrupt
// the hold, nor does crosstalk; but the hold does not end within one. While a
// neighbour is loud, a value that crosstalk can explain begins the hold if the
// machine's usual current cannot be in it, or if most of that has gone within
// a cycle.
func (c *channel) towardsStop(g *half) {
	own, extra := c.own(g)
	if c.unproved > 0 {
		if c.unproved--; own >= c.weak.start && c.unproved < proveLast {
			c.unproved = 0
		} else if c.unproved == 0 && own >= c.stop {
			c.setIdle(g.at) // an inrush that reached the level, of a load that does not
			return
		}
	}
	if c.below == never {
		gone := float64(usualDrop*(own+extra)) < c.usual || c.dropped() > float64(suddenDrop*c.usual)
		if own >= c.stop && (own >= c.stop+extra || !gone) {
			c.settle(own)
			return
		}
		c.below = g.at
		c.above = 0
		c.holdLo, c.holdHi, c.holdSum, c.holdN = math.Inf(1), math.Inf(-1), 0, 0
	}
	if own >= c.stop+extra {
		// In its first cycle a neighbour's current is larger than its value says.
		if g.heard != nil || extra < c.start*loudShare {
			c.above++
		}
		if c.above >= sureValues {
			c.below = never
			c.usual = own
		}
		return
	}
	c.above = 0
	if g.at-c.below >= c.hold/2 {
		c.holdLo, c.holdHi = min(c.holdLo, c.mean), max(c.holdHi, c.mean)
		c.holdSum, c.holdN = c.holdSum+max(0, own-extra), c.holdN+1
	}
	if g.at-c.below < c.hold {
		return
	}
	switch h := c.lost(); {
	case h == 0:
		c.setIdle(c.below - g.cycle)
	case g.at-c.below >= c.hold+VerdictWait:
		c.fault = h
		c.distrust(h, c.below-g.cycle)
	}
}

// dropped is the current that has gone within a cycle, in amperes, taken as out
// of phase with what is left.
func (c *channel) dropped() float64 {
	return math.Sqrt(max(0, float64(c.amps2*c.amps2)-float64(c.amps*c.amps)))
}

// ease lets the level of active samples down again.
func (c *channel) ease() { c.level -= (c.level - c.lowest) / levelEase }

// settle follows the usual current: slowly up, since work adds to it, and in a
// few cycles down, so that it still holds when the current falls.
func (c *channel) settle(amps float64) {
	up, down := c.usual+c.usual/64, c.usual-c.usual/8
	c.usual = max(down, min(up, amps))
}

// recover handles the first values after the stream began or the channel was
// lost.
func (c *channel) recover(g *half) {
	c.good++
	if c.good == 1 {
		c.above = 0
		c.firstWin = g.from
	}
	if c.amps >= c.sure+c.heard(g) {
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
			c.unproved = 0
		} else {
			c.setIdle(first)
			c.towardsStart(g)
		}
	case c.good < recoverValues:
		c.health = Starting
	case c.run && c.amps >= c.stop || c.above >= sureValues:
		c.setRunning(first)
		c.unproved = 0
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
	c.usual = c.amps
	c.session.void = true
	c.unproved = proveFor
	c.watch = noiseWatch
	c.below = never
	c.forgetStart()
}

func (c *channel) setIdle(onset time.Duration) {
	c.known = true
	c.run = false
	c.verdict, c.health, c.onset = Idle, Healthy, onset
	c.usual = 0
	c.below = never
	c.forgetStart()
}

// forgetStart drops all progress towards a start.
func (c *channel) forgetStart() {
	c.above, c.recent, c.quiet, c.loud = 0, 0, 0, 0
	c.noise.sum = 0
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
