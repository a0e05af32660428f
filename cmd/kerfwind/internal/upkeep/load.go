package upkeep

import (
	"math"
	"time"
)

// Loads adds up what the channels of a rig draw. It belongs to one goroutine.
type Loads []wire

// wire is one channel.
type wire struct {
	amps  float64
	at    time.Duration
	known bool
}

// longestGap between two readings still counts as drawn through. Our own choice.
const longestGap = 2 * time.Second

// Feed takes over what a channel draws at an instant, in amperes; trusted is false
// where its sensor cannot be. It returns the ampere-seconds drawn since the reading
// before; a gap of more than two seconds, and what is not known, counts for nothing.
// A channel that is not in the rig is ignored.
func (l Loads) Feed(channel int, at time.Duration, amps float64, trusted bool) (drawn float64) {
	if channel < 0 || channel >= len(l) {
		return 0
	}
	w := &l[channel]
	if gap := at - w.at; w.known && gap > 0 && gap <= longestGap {
		drawn = w.amps * gap.Seconds()
	}
	*w = wire{amps, at, trusted && amps >= 0 && !math.IsInf(amps, 0)}
	return drawn
}

// Amps returns what channels draw together. known is false while one of them is not.
func (l Loads) Amps(channels []int) (amps float64, known bool) {
	for _, c := range channels {
		if !l[c].known {
			return 0, false
		}
		amps += l[c].amps
	}
	return amps, len(channels) > 0
}
