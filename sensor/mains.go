package sensor

import (
	"fmt"
	"math"
)

const (
	assumedMains = 50.0  // until it is found out
	mainsSpan    = 0.05  // the frequency is looked for this share about a nominal one
	blockTime    = 0.2   // seconds of current in a measurement: 10 cycles of 50 Hz, 12 of 60
	maxSpread    = 0.08  // of the single periods in a block, as a share of their mean
	edgeSpread   = 2.1   // samples, since an edge falls between two
	pause        = 64    // halves between measurements: the mains drifts slowly
	smoothing    = 0.25  // share of a new measurement in the running figure
	leastHz      = 44.0  // no mains is slower
	mostHz       = 66.5  // nor faster
	few          = 4     // periods that say something
	levelOver    = 8     // halves
	tries        = 3     // blocks on the strongest channel that come to nothing, before others are tried
	agree        = 0.015 // of two measurements off the nominal frequency, before they count
	crossLevel   = 0.5   // of the RMS: crossings are taken at this level, armed at its opposite
)

// mains follows the mains frequency on the current of one channel. A crossing
// is the instant at which the current rises through a level after having been
// below the opposite one; it is interpolated between two samples. The level is
// off zero because many loads rest near zero for part of the cycle. Periods
// are added up over a block; a gap costs only the period it falls into, so
// bursts of two cycles or more can be followed too.
type mains struct {
	nominal  float64 // 0 = 50 or 60, to be found out
	hz       float64
	held     bool // given exactly
	measured bool
	seen     float64 // a measurement off the nominal frequency that waits for another; 0 = none
	checked  bool    // held, and it has been seen that it holds
	failed   int     // blocks in a row that came to nothing

	col          int     // channel of the block's current in a scan; -1 = no block
	lo, hi       float64 // raw levels
	mean, square float64 // of the current of late, raw
	armed        bool    // has been below lo since the last crossing
	crossed      bool    // back and n are valid
	back         float64 // how far the last crossing was before the sample behind it, in samples
	n            int     // samples since that one
	prev         float64 // the last sample

	wait             int // halves until the next block
	count            int // periods in the block
	sum, least, most float64
}

func newMains(nominal float64, held bool) mains {
	m := mains{nominal: nominal, hz: nominal, held: held, col: -1}
	if nominal == 0 {
		m.hz = assumedMains
	}
	return m
}

// begin starts a block on the channel at the given place in a scan, unless it
// is too early for one. It is called each half.
func (m *mains) begin(col int, mean, rms float64) bool {
	if m.held && m.checked {
		return false
	}
	if m.wait > 0 {
		m.wait--
		return false
	}
	m.col = col
	m.failed++ // until it comes to something
	m.count, m.sum = 0, 0
	m.gap()
	m.mean, m.square = mean, float64(rms*rms)
	m.level(mean, rms)
	return true
}

// level sets the levels from the raw mean and RMS of the last cycles: where the
// cycle has the wrong length, each alone says little.
func (m *mains) level(mean, rms float64) {
	m.mean += (mean - m.mean) / levelOver
	m.square += (float64(rms*rms) - m.square) / levelOver
	mean, rms = m.mean, math.Sqrt(m.square)
	m.lo = mean - float64(crossLevel*rms)
	m.hi = mean + float64(crossLevel*rms)
}

// rest ends the block: the channel no longer carries enough current.
func (m *mains) rest() { m.col = -1 }

// gap forgets the last crossing.
func (m *mains) gap() { m.crossed, m.armed = false, false }

// follow takes the samples of some scans.
func (m *mains) follow(raw []float32, stride uint, rate float64) {
	n, armed, lo, hi := m.n, m.armed, m.lo, m.hi
	for j := uint(m.col); j < uint(len(raw)); j += stride {
		x := float64(raw[j])
		n++
		if !armed {
			armed = x <= lo
			continue
		}
		if x < hi {
			continue
		}
		armed = false
		prev := m.prev
		if j >= stride {
			prev = float64(raw[j-stride])
		}
		back := 0.0
		if d := x - prev; d > 0 && prev <= hi {
			back = (x - hi) / d
		}
		if m.crossed && !m.add(float64(n)+m.back-back, rate) {
			return
		}
		m.crossed, m.back, n = true, back, 0
	}
	m.n, m.armed = n, armed
	if len(raw) > 0 {
		m.prev = float64(raw[uint(len(raw))-stride+uint(m.col)])
	}
}

// add takes one period, in samples, and ends the block when it is full or
// cannot be mains. It reports whether the block goes on.
func (m *mains) add(period, rate float64) bool {
	if m.count == 0 {
		m.least, m.most = period, period
	}
	m.count++
	m.sum += period
	m.least, m.most = min(m.least, period), max(m.most, period)
	mean := m.sum / float64(m.count)
	if m.most-m.least > max(float64(maxSpread*mean), edgeSpread) || !plausible(rate/mean) {
		m.col = -1
		return false
	}
	if m.sum+mean/2 < blockTime*rate {
		return true
	}
	m.col = -1
	m.take(rate / mean)
	return false
}

// take takes the frequency that a block shows. Twice the same off the nominal one
// is another mains than the file says.
func (m *mains) take(f float64) {
	m.failed = 0
	if !m.expected(f) && (m.seen == 0 || math.Abs(f-m.seen) > agree*f) && !(m.measured && math.Abs(f-m.hz) <= agree*f) {
		m.seen = f
		return
	}
	m.seen, m.checked, m.wait = 0, m.expected(f), pause
	switch {
	case m.held && m.expected(f):
		return
	case m.measured && math.Abs(f-m.hz) <= mainsSpan*m.hz:
		f = m.hz + float64(smoothing*(f-m.hz))
	}
	m.hz, m.measured = f, true
}

// unsure reports whether the current seems to be of another frequency than is in
// force, as far as the block at hand has got.
func (m *mains) unsure(rate float64) bool {
	if m.seen != 0 {
		return true
	}
	return m.col >= 0 && m.count >= few && math.Abs(rate*float64(m.count)/m.sum-m.hz) > mainsSpan*m.hz
}

// expected reports whether f is near what was given or, if nothing was, near 50
// or 60.
func (m *mains) expected(f float64) bool {
	near := func(nominal float64) bool {
		return f >= nominal*(1-mainsSpan) && f <= nominal*(1+mainsSpan)
	}
	if m.nominal != 0 {
		return near(m.nominal)
	}
	return near(50) || near(60)
}

// other is the frequency that was measured, where another was given; else 0.
func (m *mains) other() float32 {
	if m.measured && differs(m.hz, m.nominal) {
		return float32(m.hz)
	}
	return 0
}

func differs(measured, given float64) bool {
	return given != 0 && math.Abs(measured-given) > mainsSpan*given
}

// plausible reports whether f can be a mains frequency at all.
func plausible(f float64) bool { return f >= leastHz && f <= mostHz }

// MainsDoubt says in a sentence that the mains is another than the shop file says.
// It is empty where it is not, or where nothing is given.
func MainsDoubt(measured, given float64) string {
	if !differs(measured, given) {
		return ""
	}
	return fmt.Sprintf("The mains seems to be %.3g Hz; the shop file says %.4g Hz: correct mains there.", measured, given)
}
