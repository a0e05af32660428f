package sensor

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// DefaultStale is how long a channel may go without a full window of good
// samples before it is unknown.
const DefaultStale = 300 * time.Millisecond

// minScale and maxScale bound the amperes per raw unit that make sense.
const minScale, maxScale = 1e-9, 1e6

// DefaultCrosstalk is more than clamps side by side have shown, and cables laid
// together: common practice, no source.
const DefaultCrosstalk = 0.08

// DefaultFalseStarts is a year.
const DefaultFalseStarts = 365 * 24 * time.Hour

// minStale is a few mains cycles: a healthy stream has a full window each half.
const minStale = 100 * time.Millisecond

// Level is a learned current: mean and standard deviation of the one-cycle
// values, in amperes.
type Level struct {
	Mean, Spread float64
}

// Params describes one source to a Detector.
type Params struct {
	Source    int             // the Frame.Source it takes; frames of others are ignored
	Channels  []ChannelParams // one for each channel of a scan, in order
	Mains     float64         // nominal mains frequency in Hz; 0 = find out whether 50 or 60
	HoldMains bool            // Mains is exact: do not follow the frequency of the current
	Stale     time.Duration   // unknown after this long without a full window; 0 = DefaultStale

	// Crosstalk is the most that a channel can show of the current of another
	// one of the same source, as a share; 0 = DefaultCrosstalk, negative = none. While another
	// channel carries a heavy current, a start needs that much more, until it is known how
	// much of it the channel shows.
	Crosstalk float64

	// Shares holds what is known of the crosstalk of single pairs, see
	// [Detector.Shares]. Pairs of other channels are passed over.
	Shares []Share

	// FalseStarts is the mean time between false starts of one channel that
	// noise may cause, for channels with learned idle figures; 0 =
	// DefaultFalseStarts. A longer time makes weak starts slower to find.
	FalseStarts time.Duration
}

// ChannelParams describes one channel of a source.
type ChannelParams struct {
	Used    bool    // false: the samples are skipped and no reading is made
	Channel int     // number in the rig; goes into Reading.Channel
	Scale   float64 // amperes per raw unit

	// Min and Max are the converter's lowest and highest raw values. Both 0
	// mean that there are none: the samples are amperes.
	Min, Max float64

	// Start and Stop are levels of the one-cycle true RMS in amperes. At or
	// above Start for long enough is running; below Stop for StopHold is idle;
	// between them nothing changes.
	Start, Stop float64
	StopHold    time.Duration

	// Idle holds what the channel was learned to show while its machine is
	// off. The zero value means not learned: then only the levels count.
	Idle Level
}

// validate reports everything that is wrong with p.
func (p *Params) validate() error {
	var errs []error
	bad := func(format string, a ...any) { errs = append(errs, fmt.Errorf("sensor: "+format, a...)) }
	if len(p.Channels) == 0 {
		bad("no channels")
	}
	if p.Mains != 0 && !(p.Mains >= minMains && p.Mains <= maxMains) {
		bad("mains frequency %g Hz: want %g to %g, or 0 to find out", p.Mains, minMains, maxMains)
	}
	if p.HoldMains && p.Mains == 0 {
		bad("a held mains frequency needs a figure")
	}
	if p.Stale != 0 && p.Stale < minStale {
		bad("stale time %v: want at least %v, or 0 for %v", p.Stale, minStale, DefaultStale)
	}
	if !(p.Crosstalk < 1) {
		bad("crosstalk %g: want a share below 1", p.Crosstalk)
	}
	if p.FalseStarts != 0 && p.FalseStarts < time.Second {
		bad("time between false starts %v: want at least a second, or 0 for a year", p.FalseStarts)
	}
	seen := map[int]int{}
	finite := func(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
	for i := range p.Channels {
		c := &p.Channels[i]
		if !c.Used {
			continue
		}
		if j, twice := seen[c.Channel]; twice {
			bad("channels %d and %d both have number %d", j, i, c.Channel)
		}
		seen[c.Channel] = i
		if !(c.Scale >= minScale && c.Scale <= maxScale) {
			bad("channel %d: scale %g: want %g to %g amperes per raw unit", i, c.Scale, minScale, maxScale)
		}
		if !finite(c.Min) || !finite(c.Max) || (c.Min != 0 || c.Max != 0) && c.Min >= c.Max {
			bad("channel %d: raw limits %g to %g: want the lower first", i, c.Min, c.Max)
		}
		if !finite(c.Start) || !finite(c.Stop) || c.Stop <= 0 || c.Start < c.Stop {
			bad("channel %d: start %g A and stop %g A: want 0 < stop <= start", i, c.Start, c.Stop)
		}
		if !finite(c.Idle.Mean) || c.Idle.Mean < 0 || !finite(c.Idle.Spread) || c.Idle.Spread < 0 {
			bad("channel %d: learned idle level %g A, spread %g A: want no negative figures", i, c.Idle.Mean, c.Idle.Spread)
		}
		if c.Idle.Mean >= c.Start && c.Idle.Mean > 0 {
			bad("channel %d: start level %g A is not above the learned idle level of %g A", i, c.Start, c.Idle.Mean)
		}
		if c.StopHold < 0 {
			bad("channel %d: stop hold %v is negative", i, c.StopHold)
		}
	}
	return errors.Join(errs...)
}
