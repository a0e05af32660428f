// Package record keeps and writes what the converters deliver: the last minutes
// in memory, and recordings on disk with a limit, in turns. It has no clock.
package record

import (
	"fmt"
	"math"
	"sync"
	"time"

	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// Ring keeps the last scans of one stream in a fixed piece of memory: 4 bytes
// a sample, so 3.8 MB for two minutes of 8 channels at 1 kHz. It is safe for
// several goroutines. Add only copies; it waits at most for a copy of the whole
// ring.
type Ring struct {
	mu       sync.Mutex
	channels int
	rate     float64
	raw      []float32 // scan i is at i % scans
	scans    uint64
	first    uint64 // the oldest scan that is kept
	next     uint64 // the scan after the newest; first == next: empty
}

// mostRing bounds the memory of a ring, in samples.
const mostRing = 64 << 20

// NewRing makes a ring for so many channels at a rate in scans a second.
func NewRing(channels int, rate float64, keep time.Duration) (*Ring, error) {
	n := math.Ceil(rate * keep.Seconds())
	if channels < 1 || !(n >= 1) || n*float64(channels) > mostRing {
		return nil, fmt.Errorf("record: %d channels at %g scans a second for %v: want at most %d samples", channels, rate, keep, mostRing)
	}
	return &Ring{channels: channels, rate: rate, scans: uint64(n), raw: make([]float32, int(n)*channels)}, nil
}

// Add takes the scans of a frame. One of another shape is left out; one whose
// index goes back begins anew.
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
			row[i] = float32(math.NaN())
		}
	}
	skip := uint64(0)
	if n > r.scans {
		skip = n - r.scans
	}
	for i := skip; i < n; i++ {
		copy(r.row(f.Index+i), f.Raw[int(i)*r.channels:])
	}
	r.next = f.Index + n
	if r.next-r.first > r.scans {
		r.first = r.next - r.scans
	}
}

// row is the place of scan i.
func (r *Ring) row(i uint64) []float32 {
	at := int(i%r.scans) * r.channels
	return r.raw[at : at+r.channels]
}

// Last copies the scans of the last while, or of all that is kept if that is
// less, into one frame. A scan that is missing is NaN.
func (r *Ring) Last(long time.Duration) sensor.Frame {
	r.mu.Lock()
	defer r.mu.Unlock()
	from := r.first
	if want := math.Ceil(long.Seconds() * r.rate); want >= 0 && want < float64(r.next-r.first) {
		from = r.next - uint64(want)
	}
	f := sensor.Frame{Channels: r.channels, Index: from, At: trace.Instant(from, r.rate), Rate: r.rate, Raw: make([]float32, 0, int(r.next-from)*r.channels)}
	for i := from; i < r.next; i++ {
		f.Raw = append(f.Raw, r.row(i)...)
	}
	return f
}

// WriteLast writes the last while as a recording. The caller closes w.
func (r *Ring) WriteLast(w trace.Writer, long time.Duration) error {
	f := r.Last(long)
	return writeWhole(w, &f)
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
