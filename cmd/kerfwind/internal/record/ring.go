// Package record takes what the converters deliver, for all who only look: from
// converters at the pace of the real clock, from a running kerfwind, or from a
// recording. It keeps the last minutes in memory, writes recordings to disk
// within a limit, and shows what each current sensor reads.
package record

import (
	"fmt"
	"math"
	"sync"
	"time"

	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// Ring keeps the last scans of one converter in a fixed piece of memory: 2
// bytes a sample, so 1.9 MB for two minutes of 8 channels at 1 kHz. It is safe
// for several goroutines. Add only copies; it waits at most for a copy of one
// piece.
type Ring struct {
	mu       sync.Mutex
	channels int
	rate     float64 // of the newest frame; the nominal one before the first
	raw      []int16 // scan i is at i % scans; lowest is missing
	scans    uint64
	first    uint64        // the oldest scan that is kept
	next     uint64        // the scan after the newest; first == next: empty
	at       time.Duration // instant of scan next
}

// lowest marks a missing sample. No converter that is known here delivers
// it but at the very end of its range.
const lowest = math.MinInt16

// mostRing bounds the memory of a ring, in samples.
const mostRing = 64 << 20

// NewRing makes a ring for so many channels at a rate in scans a second. Its
// counts are whole numbers of 16 bits.
func NewRing(channels int, rate float64, keep time.Duration) (*Ring, error) {
	n := math.Ceil(rate * keep.Seconds())
	if channels < 1 || !(n >= 1) || n*float64(channels) > mostRing {
		return nil, fmt.Errorf("record: %d channels at %g scans a second for %v: want at most %d samples", channels, rate, keep, mostRing)
	}
	return &Ring{channels: channels, rate: rate, scans: uint64(n), raw: make([]int16, int(n)*channels)}, nil
}

// Add takes the scans of a frame. One of another shape is left out; one whose
// index goes back begins again.
func (r *Ring) Add(f *sensor.Frame) {
	n := uint64(f.Scans())
	if f.Channels != r.channels || n == 0 {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.first == r.next || f.Index < r.next || f.Index-r.next >= r.scans {
		r.first, r.next = f.Index, f.Index
	}
	for ; r.next < f.Index; r.next++ { // the gap before it
		row := r.row(r.next)
		for i := range row {
			row[i] = lowest
		}
	}
	skip := uint64(0)
	if n > r.scans {
		skip = n - r.scans
	}
	for i := skip; i < n; i++ {
		row := r.row(f.Index + i)
		for c, v := range f.Raw[int(i)*r.channels:][:r.channels] {
			row[c] = toInt16(v)
		}
	}
	r.next = f.Index + n
	if f.Rate > 0 {
		r.rate = f.Rate
	}
	r.at = f.At + trace.Instant(n, r.rate)
	if r.next-r.first > r.scans {
		r.first = r.next - r.scans
	}
}

// toInt16 rounds to the nearest count. What is none is missing.
func toInt16(v float32) int16 {
	switch {
	case v != v || v < -math.MaxInt16 || v > math.MaxInt16:
		return lowest
	case v < 0:
		return int16(v - 0.5)
	default:
		return int16(v + 0.5)
	}
}

// row is the place of scan i.
func (r *Ring) row(i uint64) []int16 {
	at := int(i%r.scans) * r.channels
	return r.raw[at : at+r.channels]
}

// Span is the scans that are kept, from the first to the one after the last.
// They are the same where nothing is kept.
func (r *Ring) Span() (first, next uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.first, r.next
}

// instant is when scan i was taken, reckoned from the newest; r.mu is held.
func (r *Ring) instant(i uint64) time.Duration {
	return max(0, r.at-time.Duration(float64(int64(r.next-i))/r.rate*1e9))
}

// Rate is that of the newest frame, or the nominal one before the first.
func (r *Ring) Rate() float64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.rate
}

// Instant is when scan i was or will be taken, reckoned from the newest.
func (r *Ring) Instant(i uint64) time.Duration {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.instant(i)
}

// Scan is the first scan that is kept and was taken at an instant or later; the
// one after the last where none was.
func (r *Ring) Scan(at time.Duration) uint64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	back := math.Floor((r.at - at).Seconds() * r.rate * (1 + 1e-12))
	switch {
	case back <= 0:
		return r.next
	case back >= float64(r.next-r.first):
		return r.first
	default:
		return r.next - uint64(back)
	}
}

// Read copies scans into f, from scan i on and at most so many; fewer, where
// fewer are kept, and from a later one, where it has been overwritten. A sample
// that is missing is NaN.
func (r *Ring) Read(i uint64, most int, f *sensor.Frame) {
	r.mu.Lock()
	defer r.mu.Unlock()
	i = min(max(i, r.first), r.next)
	n := min(uint64(max(most, 0)), r.next-i)
	*f = sensor.Frame{Channels: r.channels, Index: i, At: r.instant(i), Rate: r.rate, Raw: f.Raw[:0]}
	for ; n > 0; n-- {
		for _, v := range r.row(i) {
			x := float32(v)
			if v == lowest {
				x = float32(math.NaN())
			}
			f.Raw = append(f.Raw, x)
		}
		i++
	}
}

// writeWhole writes the scans of a frame; those without one good sample become
// gaps.
func writeWhole(w trace.Writer, f *sensor.Frame) error {
	lost := func(i int) bool {
		for _, v := range f.Raw[i*f.Channels : (i+1)*f.Channels] {
			if v == v {
				return false
			}
		}
		return true
	}
	n := f.Scans()
	for i := 0; i < n; {
		if lost(i) {
			i++
			continue
		}
		end := i + 1
		for end < n && !lost(end) {
			end++
		}
		part := *f
		part.Index = f.Index + uint64(i)
		part.At = f.At + trace.Instant(uint64(i), f.Rate)
		part.Raw = f.Raw[i*f.Channels : end*f.Channels]
		if err := w.Write(&part); err != nil {
			return err
		}
		i = end
	}
	return nil
}
