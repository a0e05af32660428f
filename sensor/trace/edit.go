package trace

import (
	"io"
	"math"
	"time"

	"kerfwind/sensor"
)

// Cut passes on the scans of a source whose instants are at or after from and
// before to. A negative to means the end. Indexes and instants stay as they
// were. It reads no further than to.
func Cut(src sensor.Source, from, to time.Duration) sensor.Source {
	return &cutter{src, from, to}
}

type cutter struct {
	src      sensor.Source
	from, to time.Duration
}

func (c *cutter) Next(f *sensor.Frame) error {
	for {
		if err := c.src.Next(f); err != nil {
			return err
		}
		n := f.Scans()
		first := c.find(f, c.from)
		last := n
		if c.to >= 0 {
			if last = c.find(f, c.to); last == 0 {
				f.Raw = f.Raw[:0]
				return io.EOF
			}
		}
		if first >= last {
			continue
		}
		f.Raw = f.Raw[:copy(f.Raw, f.Raw[first*f.Channels:last*f.Channels])]
		f.Index += uint64(first)
		f.At = Instant(f.Index, f.Rate)
		return nil
	}
}

// find is the first scan of a frame at or after an instant, or its length.
func (c *cutter) find(f *sensor.Frame, at time.Duration) int {
	n := f.Scans()
	guess := math.Floor((at.Seconds() - f.At.Seconds()) * f.Rate)
	i := int(max(0, min(guess-1, float64(n))))
	for i < n && Instant(f.Index+uint64(i), f.Rate) < at {
		i++
	}
	return i
}

// Scale multiplies all samples of a source: amperes a count, or its inverse.
func Scale(src sensor.Source, by float64) sensor.Source { return &scaler{src, by} }

type scaler struct {
	src sensor.Source
	by  float64
}

func (s *scaler) Next(f *sensor.Frame) error {
	if err := s.src.Next(f); err != nil {
		return err
	}
	for i, v := range f.Raw {
		f.Raw[i] = float32(float64(v) * s.by)
	}
	return nil
}
