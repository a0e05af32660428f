package draw

import (
	"math"
	"time"

	"kerfwind/sensor"
)

// Bins hold the smallest and largest current of equal stretches of time. When
// the last one is used up, neighbours merge in pairs and every bin covers
// twice as long, so that memory stays the same however long the recording is.
const (
	binCount   = 4096
	firstShift = 22 // bins of 2^22 ns = 4.2 ms: finer than a half cycle
)

// seen is a set of verdicts.
type seen uint8

const (
	sawIdle seen = 1 << iota
	sawRunning
	sawUnknown
)

// bin is one stretch of time. An empty bin has saw 0; one without a current
// that can be trusted has min > max.
type bin struct {
	min, max  float32
	saw, last seen // verdicts in it; the last of them
}

// bins is the current of one channel over time.
type bins struct {
	shift uint
	used  int // bins up to here may hold something
	b     [binCount]bin
}

func newBins() *bins { return &bins{shift: firstShift} }

// width is the time that one bin covers.
func (s *bins) width() time.Duration { return 1 << s.shift }

// add takes a reading. Those before the start are left out; those of an
// unknown verdict leave a mark and no current.
func (s *bins) add(r *sensor.Reading) {
	if r.At < 0 {
		return
	}
	for r.At>>s.shift >= binCount {
		s.merge()
	}
	i := int(r.At >> s.shift)
	if i >= s.used {
		s.used = i + 1
	}
	b := &s.b[i]
	if b.saw == 0 {
		b.min, b.max = math.MaxFloat32, -1
	}
	var saw seen
	switch r.Verdict {
	case sensor.Idle:
		saw = sawIdle
	case sensor.Running:
		saw = sawRunning
	default:
		saw = sawUnknown
	}
	b.saw |= saw
	b.last = saw
	if saw != sawUnknown && r.Amps >= 0 && r.Amps < math.MaxFloat32 { // false for NaN
		b.min = min(b.min, r.Amps)
		b.max = max(b.max, r.Amps)
	}
}

// merge joins neighbours in pairs.
func (s *bins) merge() {
	half := (s.used + 1) / 2
	for i := range half {
		s.b[i] = join(s.b[2*i], s.b[2*i+1])
	}
	clear(s.b[half:s.used])
	s.used = half
	s.shift++
}

// join is the bin that covers a and then b.
func join(a, b bin) bin {
	switch {
	case a.saw == 0:
		return b
	case b.saw == 0:
		return a
	}
	return bin{min: min(a.min, b.min), max: max(a.max, b.max), saw: a.saw | b.saw, last: b.last}
}

// column holds what one pixel column of a lane shows.
type column struct {
	x   float64 // where, 0 to 1 of the recording
	bin         // of all bins in it
}

// columns joins the bins into at most n columns over the time to end, in
// order of time and without empty ones. Its second result is the largest
// current.
func (s *bins) columns(end time.Duration, n int) ([]column, float32) {
	var out []column
	var most float32
	last := -1
	for i := range s.used {
		b := s.b[i]
		if b.saw == 0 {
			continue
		}
		at := min((time.Duration(i)<<s.shift)+s.width()/2, end)
		x := float64(at) / float64(end)
		most = max(most, b.max)
		if c := int(x * float64(n)); c == last {
			k := &out[len(out)-1]
			k.bin = join(k.bin, b)
		} else {
			out = append(out, column{x, b})
			last = c
		}
	}
	return out, most
}

// settled is the largest current of runs, without their first moments in which
// a motor starts; 0 if no run lasted longer.
func (s *bins) settled(start time.Duration) float32 {
	var most float32
	running := false
	var since time.Duration // end of the bin in which the run began
	for i := range s.used {
		b := &s.b[i]
		if b.saw == 0 {
			continue
		}
		from := time.Duration(i) << s.shift
		switch {
		case b.saw&sawRunning == 0:
			running = false
		case !running:
			running, since = true, from+s.width()
		case b.saw&sawIdle == 0 && from >= since+start:
			most = max(most, b.max)
		}
		if b.last != sawRunning {
			running = false
		}
	}
	return most
}

// span is a stretch of a lane, from and to as parts of the recording.
type span struct{ from, to float64 }

// spans are the stretches in which the channel was as in what: a bin with it
// counts, and so do empty bins after one that ended with it, since a verdict
// holds until the next.
func (s *bins) spans(end time.Duration, what seen) []span {
	var out []span
	on := false
	part := func(i int) float64 { return min(1, float64(time.Duration(i)<<s.shift)/float64(end)) }
	for i := range s.used {
		b := &s.b[i]
		if b.saw == 0 {
			continue
		}
		has := b.saw&what != 0
		switch {
		case has && !on:
			out = append(out, span{part(i), 1})
		case !has && on:
			out[len(out)-1].to = part(i)
		}
		on = has
		if has && b.last != what { // it ended in this bin
			out[len(out)-1].to = part(i + 1)
			on = false
		}
	}
	return out
}
