package sensor

import "math"

// Below follows a channel that may stay below its start level. The zero value is
// ready.
type Below struct {
	last  [belowFor]float64
	n     int     // readings in a row
	floor float64 // the least current that it had for a while, A
	peak  float64 // the greatest
	ran   bool
	seen  bool
}

const (
	belowFor   = 12  // readings: a tenth of a second of 60 Hz mains
	belowRatio = 1.5 // of the greatest to the least: less is noise
)

// Take takes a reading.
func (b *Below) Take(r Reading) {
	if r.Verdict != Idle {
		b.ran = b.ran || r.Verdict == Running
		b.n = 0
		return
	}
	b.last[b.n%belowFor] = float64(r.Amps)
	if b.n++; b.n < belowFor {
		return
	}
	least, most := b.last[0], b.last[0]
	for _, v := range b.last {
		least, most = min(least, v), max(most, v)
	}
	if !b.seen {
		b.seen, b.floor = true, most
	}
	b.floor, b.peak = min(b.floor, most), max(b.peak, least)
}

// Missed reports whether the channel carried a current that stayed below its start
// level and never reached it: how much that was, and which level would see it,
// equally far from it and from what the channel showed otherwise, in amperes.
func (b *Below) Missed(start float64) (peak, level float64, ok bool) {
	floor := max(b.floor, 1e-3)
	if b.ran || !b.seen || b.peak >= start || b.peak < belowRatio*floor {
		return 0, 0, false
	}
	return b.peak, math.Sqrt(floor * b.peak), true
}
