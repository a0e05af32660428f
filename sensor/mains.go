package sensor

const (
	assumedMains = 50.0 // until it is found out
	mainsSpan    = 0.05 // the frequency is looked for this share about a nominal one
	blockTime    = 0.2  // seconds of current in a measurement: 10 cycles of 50 Hz, 12 of 60
	maxSpread    = 0.08 // of the single periods in a block, as a share of their mean
	pause        = 64   // halves between measurements: the mains drifts slowly
	smoothing    = 0.25 // share of a new measurement in the running figure
	crossLevel   = 0.5  // of the RMS: crossings are taken at this level, armed at its opposite
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

	col     int     // channel of the block's current in a scan; -1 = no block
	lo, hi  float64 // raw levels
	armed   bool    // has been below lo since the last crossing
	crossed bool    // back and n are valid
	back    float64 // how far the last crossing was before the sample behind it, in samples
	n       int     // samples since that one
	prev    float64 // the last sample

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
	if m.held {
		return false
	}
	if m.wait > 0 {
		m.wait--
		return false
	}
	m.col = col
	m.count, m.sum = 0, 0
	m.gap()
	m.level(mean, rms)
	return true
}

// level sets the levels from the raw mean and RMS of the last cycle.
func (m *mains) level(mean, rms float64) {
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
	if m.most-m.least > maxSpread*mean || !m.plausible(rate/mean) {
		m.col = -1
		return false
	}
	if m.sum+mean/2 < blockTime*rate {
		return true
	}
	f := rate / mean
	if m.measured {
		f = m.hz + float64(smoothing*(f-m.hz))
	}
	m.hz, m.measured = f, true
	m.wait = pause
	m.col = -1
	return false
}

// plausible reports whether f can be the mains frequency.
func (m *mains) plausible(f float64) bool {
	near := func(nominal float64) bool {
		return f >= nominal*(1-mainsSpan) && f <= nominal*(1+mainsSpan)
	}
	if m.nominal != 0 {
		return near(m.nominal)
	}
	return near(50) || near(60)
}
