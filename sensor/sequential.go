package sensor

import (
	"math"
	"time"
)

// sequential is Page's cumulative sum test (E. S. Page, Biometrika 41, 1954)
// on the one-cycle values of a channel whose idle level is known: it adds up
// how much likelier each value is under the start level than under the idle
// level, never below zero. It is for channels whose start level lies within
// the noise; where it is far above, each value alone is sure.
//
// Values overlap by half, so each says only half as much as an independent one
// would, and counts by half. For independent values the mean time between
// false alarms is at least exp(threshold) of them (G. Lorden, Annals of
// Mathematical Statistics 42, 1971), hence [evidenceFor].
type sequential struct {
	on    bool
	mean  float64       // idle, A
	scale float64       // 1 / spread, 1/A
	step  float64       // from the idle to the start level, in spreads
	top   float64       // values further from idle, in spreads, are no noise: they do not count here
	sum   float64       // log of the likelihood ratio
	since time.Duration // when sum last left zero
}

// newSequential makes the test for a channel, and the level from which a
// value is no noise.
func newSequential(p *ChannelParams, evidence float64) (s sequential, sure float64) {
	if p.Idle == (Level{}) || p.Idle.Spread == 0 {
		return s, p.Start
	}
	// Noise alone reaches the top about as seldom as it may make a false start:
	// the tail of a normal distribution beyond z is below exp(-z*z/2).
	s.top = math.Sqrt(2 * evidence)
	s.mean, s.scale = p.Idle.Mean, 1/p.Idle.Spread
	s.step = float64((p.Start - p.Idle.Mean) * s.scale)
	s.on = s.step < s.top
	return s, max(p.Start, p.Idle.Mean+float64(s.top*p.Idle.Spread))
}

// add takes a value and reports whether it completes the evidence of a start.
func (s *sequential) add(amps float64, at time.Duration, evidence float64) bool {
	if !s.on {
		return false
	}
	z := float64((amps - s.mean) * s.scale)
	if z > s.top {
		return false
	}
	if s.sum == 0 {
		s.since = at
	}
	// An event shorter than a cycle is in four values at most.
	s.sum = max(0, s.sum+min(float64(s.step*(z-s.step/2)/2), evidence/(sureValues-0.5)))
	return s.sum >= evidence
}

// evidenceFor is the threshold that gives the mean time between false starts
// at 120 values a second.
func evidenceFor(t time.Duration) float64 {
	return math.Ceil(16*math.Log(120*t.Seconds()+1)) / 16 //fma:ok rounded up to a sixteenth
}
