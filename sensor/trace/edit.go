package trace

import (
	"context"
	"errors"
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

// notEmpty is a source that fails where it would end without one scan.
type notEmpty struct {
	sensor.Source
	why error
	any bool
}

// NotEmpty fails with why where src would end without one scan.
func NotEmpty(src sensor.Source, why error) sensor.Source { return &notEmpty{Source: src, why: why} }

func (n *notEmpty) Next(f *sensor.Frame) error {
	err := n.Source.Next(f)
	if errors.Is(err, io.EOF) && !n.any {
		return n.why
	}
	n.any = n.any || err == nil && f.Scans() > 0
	return err
}

// reported is a source that says how far it is.
type reported struct {
	sensor.Source
	report func(done, total int64)
	total  int64
}

// Reported lets report know how many of total scans src has delivered.
func Reported(src sensor.Source, report func(done, total int64), total int64) sensor.Source {
	return &reported{src, report, total}
}

func (r *reported) Next(f *sensor.Frame) error {
	err := r.Source.Next(f)
	r.report(int64(f.Index), r.total)
	return err
}

// until is a source that fails once its context is done.
type until struct {
	sensor.Source
	ctx context.Context
}

// Until fails once ctx is done.
func Until(ctx context.Context, src sensor.Source) sensor.Source { return &until{src, ctx} }

func (u *until) Next(f *sensor.Frame) error {
	if u.ctx.Err() != nil {
		return errors.New("interrupted: nothing has been written")
	}
	return u.Source.Next(f)
}
