// Package adc reads current transformers through real converters: MCP3208 and
// MCP3008 on SPI, ADS1115 on I2C. A Source delivers frames of raw codes with
// monotonic time stamps. Errors are values on the stream: a frame with Err set,
// after which the bus is opened again with growing pauses.
package adc

import (
	"errors"
	"fmt"
	"io"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/sensor"
)

// chip is a converter on an open bus.
type chip interface {
	// read fills raw with whole scans, one directly after the other.
	read(raw []float32) error
	io.Closer
}

// Timing says when scans are taken.
type Timing struct {
	// Rate paces the scans by the clock, each at its own instant, in scans per
	// second. A scan that is more than one period late is missed. 0 = as fast
	// as the bus goes, in bursts.
	Rate float64
	// Scans in a frame.
	Scans int
	// Every is the time from one burst to the next; 0 = without a pause. For
	// boards on which reading costs too much. Without meaning beside Rate.
	Every time.Duration
}

// Stats counts what a Source has done.
type Stats struct {
	Frames uint64 // delivered with samples
	Missed uint64 // scans missing between them, beyond the pauses of bursts
	Errors uint64 // failed reads and failed attempts to open
	Opens  uint64 // successful ones
}

// Pauses before the bus is opened again.
const (
	firstPause = 100 * time.Millisecond
	lastPause  = 5 * time.Second
)

// smooth is the share of a new measurement in the running scan period.
const smooth = 1.0 / 16

// Source is a converter as a [sensor.Source]. One goroutine may call Next
// while others call Close and Stats.
type Source struct {
	number   int
	channels int
	timing   Timing
	open     func() (chip, error)

	now  func() time.Duration
	wait func(time.Duration) bool // until an instant; false = closed

	chip    chip
	pause   time.Duration
	retryAt time.Duration

	index uint64 // of the next scan

	// Bursts.
	period float64       // measured seconds from scan to scan; 0 = not yet
	seen   bool          // there was a burst; last is valid
	steady bool          // the last one was read from this open bus
	last   time.Duration // when it began
	next   time.Duration // when the next one shall begin
	slow   int           // bursts in a row that were held up

	// Paced scans.
	ticking bool
	tick    time.Duration // instant of scan 0

	closed chan struct{}
	once   sync.Once

	frames, missed, errors, opens atomic.Uint64
}

// errStopped ends a wait or a read after Close.
var errStopped = errors.New("stopped")

// errClosed is returned by Next after Close.
var errClosed = fmt.Errorf("adc: closed: %w", io.EOF)

func newSource(number, channels int, t Timing, now func() time.Duration, open func() (chip, error)) (*Source, error) {
	switch {
	case channels < 1:
		return nil, errors.New("adc: no channels")
	case t.Scans < 1:
		return nil, fmt.Errorf("adc: %d scans in a frame: want at least 1", t.Scans)
	case t.Rate < 0 || t.Rate > 1e6 || math.IsNaN(t.Rate):
		return nil, fmt.Errorf("adc: %g scans a second", t.Rate)
	case t.Every < 0:
		return nil, fmt.Errorf("adc: a burst every %v", t.Every)
	}
	s := &Source{number: number, channels: channels, timing: t, open: open, now: now, closed: make(chan struct{})}
	s.wait = s.sleep
	return s, nil
}

// sleep waits until an instant of the source's clock.
func (s *Source) sleep(until time.Duration) bool {
	d := until - s.now()
	if d <= 0 {
		select {
		case <-s.closed:
			return false
		default:
			return true
		}
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-s.closed:
		return false
	case <-t.C:
		return true
	}
}

// Stats returns the counts so far.
func (s *Source) Stats() Stats {
	return Stats{s.frames.Load(), s.missed.Load(), s.errors.Load(), s.opens.Load()}
}

// Close makes Next return an error that is io.EOF. The bus is closed by Next.
func (s *Source) Close() error {
	s.once.Do(func() { close(s.closed) })
	return nil
}

// Next fills f with the next burst. It waits for it. A failure comes as f.Err.
func (s *Source) Next(f *sensor.Frame) error {
	*f = sensor.Frame{Source: s.number, Channels: s.channels, Raw: f.Raw[:0], Index: s.index}
	if s.chip == nil {
		if !s.wait(s.retryAt) {
			return s.end()
		}
		c, err := s.open()
		if err != nil {
			return s.fail(f, err)
		}
		s.chip = c
		s.opens.Add(1)
		s.steady = false
	}
	var err error
	if s.timing.Rate > 0 {
		err = s.paced(f)
	} else {
		err = s.bursts(f)
	}
	switch {
	case errors.Is(err, errStopped):
		return s.end()
	case err != nil:
		return s.fail(f, err)
	}
	s.frames.Add(1)
	s.pause = 0
	return nil
}

func (s *Source) end() error {
	if s.chip != nil {
		_ = s.chip.Close() // nothing was written
		s.chip = nil
	}
	return errClosed
}

// fail turns an error into a frame and makes the next call open the bus again.
func (s *Source) fail(f *sensor.Frame, err error) error {
	s.errors.Add(1)
	if s.chip != nil {
		_ = s.chip.Close() // it failed already
		s.chip = nil
	}
	s.pause = min(max(2*s.pause, firstPause), lastPause)
	if s.timing.Rate > 0 {
		// Read, but not delivered. The last one failed and has no number yet.
		s.missed.Add(uint64(max(0, len(f.Raw)/s.channels-1)))
	}
	*f = sensor.Frame{Source: s.number, Channels: s.channels, Raw: f.Raw[:0], Index: s.index, At: s.now(), Err: err}
	s.retryAt = f.At + s.pause
	return nil
}

// grow makes room for n scans more in raw and returns them.
func (s *Source) grow(f *sensor.Frame, n int) []float32 {
	have := len(f.Raw)
	want := have + n*s.channels
	if cap(f.Raw) < want {
		f.Raw = append(make([]float32, 0, s.timing.Scans*s.channels), f.Raw...)
	}
	f.Raw = f.Raw[:want]
	return f.Raw[have:]
}

// heldUp is how much longer than usual a burst takes that something has held
// up: its scans are then no longer evenly spaced. So many in a row are the new
// usual.
const (
	heldUp     = 1.5
	heldUpMost = 8
)

// bursts reads one burst at the pace of the bus. One that was held up is
// dropped for the next.
func (s *Source) bursts(f *sensor.Frame) error {
	k := s.timing.Scans
	for {
		if s.timing.Every > 0 {
			if now := s.now(); !s.seen || now-s.next > s.timing.Every {
				s.next = now // too late for one or more: go on from here
			}
		}
		if !s.wait(s.next) {
			return errStopped
		}
		s.next += s.timing.Every
		begin := s.now()
		f.Raw = f.Raw[:0]
		if err := s.chip.read(s.grow(f, k)); err != nil {
			return err
		}
		took := (s.now() - begin).Seconds() / float64(k)
		switch {
		case took <= 0:
			return errors.New("adc: the clock has stopped")
		case s.period != 0 && took > heldUp*s.period && s.slow < heldUpMost:
			s.slow++
			continue
		case s.period == 0 || s.slow == heldUpMost:
			s.period = took
		}
		s.slow = 0
		s.count(f, begin, took)
		return nil
	}
}

// count gives the burst that began at an instant its index and rate.
func (s *Source) count(f *sensor.Frame, begin time.Duration, took float64) {
	k := s.timing.Scans
	if s.seen {
		since := (begin - s.last).Seconds()
		gap := uint64(max(0, math.Round(since/s.period)-float64(k)))
		if s.timing.Every > 0 {
			bursts := math.Round(since / s.timing.Every.Seconds())
			s.missed.Add(uint64(max(0, bursts-1)) * uint64(k))
		} else {
			s.missed.Add(gap)
			if gap == 0 && s.steady {
				took = since / float64(k) // with what lies between the bursts
			}
		}
		s.index += gap
		s.period += smooth * (took - s.period)
	}
	s.seen, s.steady, s.last = true, true, begin
	f.Index, f.At, f.Rate = s.index, begin, 1/s.period
	s.index += uint64(k)
}

// paced reads scans at their instants until the frame is full or one has been
// missed.
func (s *Source) paced(f *sensor.Frame) error {
	instant := func(i uint64) time.Duration {
		return s.tick + time.Duration(math.Round(float64(i)/s.timing.Rate*1e9))
	}
	if !s.ticking {
		s.tick, s.ticking = s.now(), true
	}
	f.Rate = s.timing.Rate
	for n := range s.timing.Scans {
		now := s.now()
		if behind := (now - instant(s.index)).Seconds() * s.timing.Rate; behind > 1 {
			if n > 0 {
				break // the scans so far are a frame; the gap comes before the next
			}
			skip := uint64(behind)
			s.index += skip
			s.missed.Add(skip)
		}
		if n == 0 {
			f.Index, f.At = s.index, instant(s.index)
		}
		if !s.wait(instant(s.index)) {
			return errStopped
		}
		if err := s.chip.read(s.grow(f, 1)); err != nil {
			return err
		}
		s.index++
	}
	return nil
}
