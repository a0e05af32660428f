// Package sensor turns samples of mains current into readings: is the machine
// on this channel idle, running, or unknown. It is pure: no I/O, no goroutines
// and no clock. Time is an offset from the start of the stream.
//
// # What the caller does
//
// One [Detector] serves one source. Give it every [Frame] in order with
// [Detector.Feed]. When the time that [Detector.Next] names has come without
// a frame, call [Detector.Expire]: that is how a dead converter becomes
// unknown. Feed handles such deadlines inside a frame by itself, each at its own
// instant. Both append to the caller's slice and keep nothing of it. A frame may
// be cut anywhere; the readings are the same to the bit, on every processor.
//
// # Values
//
// A boundary of half cycles comes every rate/(2 f) samples, where f is the
// mains frequency, followed on the strongest running channel, held while all
// are idle, or given. It may fall inside a sample, which is then split by
// weight. At each boundary a channel's value is the true RMS of the last two
// halves without their mean: one cycle, refreshed each half, in the manner of
// IEC 61000-4-30.
//
// # Starts
//
// A value at or above the start level is not enough: an event shorter than a
// cycle starts nothing. It touches at most three halves, hence four values in a
// row, so five make a start in any case. Most starts are found sooner. A sample
// is active if it is as far from the resting point as the start level; every
// current whose RMS reaches the level has such samples in each cycle, and those
// of an event shorter than a cycle span less than one. So a start is also made
// when the active samples span a cycle and the halves at either end of it carry
// current, which is the case 1 to 1.5 cycles after the current begins. While
// another channel of the source is so loud that its crosstalk may make active
// samples, only the five values count, and they must rise above the crosstalk.
//
// The most crosstalk that is possible, 8 %, would hide weak starts for as long as
// a neighbour runs. So in the first second of a loud current, and later where a
// channel shows something, the fundamental of each channel is fitted too. It tells
// how much of that neighbour's current the channel shows, as a share with its
// phase, and that is taken off. While the neighbour's current changes, a current
// of the channel's own does not change with it. A share that has been
// found while the channel was idle is kept, see [Detector.Shares]; it holds for
// this neighbour only, for no much heavier current than was heard, and for a start
// only once the channel has agreed with it since the neighbour became loud. Until
// then, an eighth of a second at least, a current that a share of 8 % would explain
// starts nothing.
//
// A start must reach the level and not only its inrush: where a load falls back
// below the level within a fifth of a second, it was no run.
//
// With learned idle figures, levels may lie within the noise. Then two tests add up
// evidence: one of the values, and one of the fundamental, whose halves add up with
// their phase where those of noise do not. One setting, the mean time between false
// starts, says how much is enough.
//
// # Stops
//
// A machine stops when its values have been below the stop level for the
// hold. An event that would make no start does not interrupt the hold, nor does
// crosstalk.
//
// A lost sensor looks like a stop at first. So at the end of the hold the channel
// must look as a healthy one does at rest: with its noise, its resting point where
// it was, and no more current than it has been learned to show. Otherwise the
// channel has [VerdictWait] longer to do so, then it is unknown instead. What no
// signal tells from a stop is called one: a clamp that is lifted, or opened so far
// that less than twice the learned idle current is left; and a value that sticks,
// where the converter's noise is too small to show in every cycle (below 0.43 of a
// code) or has never been seen.
//
// # Unknown
//
//	                 window full
//	(beginning) ──────────────────────▶ idle ◀────▶ running
//	     │                               │             │
//	     │ nothing for Stale             │ no full window for Stale,
//	     ▼                               ▼ or a fault for its hold
//	  unknown ◀──────────────────────────┴─────────────┘
//	     │
//	     └── five good values ──▶ idle or running
//
// A gap restarts the windows and holds the verdict until [Params].Stale has
// passed without a full one. Faults that the values show make a channel unknown
// too, see [Health]; they need the converter's limits. That a channel sticks or
// repeats itself shows only where it has noise, as has been learned of it or seen
// in its first idle seconds; that a machine is neither off nor running, only where
// its idle current has been learned. Unknown is not idle.
package sensor
