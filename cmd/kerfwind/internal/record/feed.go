package record

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"kerfwind/sensor"
)

// Source is a stream of frames and the detector that reads it.
type Source struct {
	sensor.Source
	Name     string
	Detector *sensor.Detector
}

// Feed is a source of samples that a command looks at.
type Feed struct {
	Sources []Source
	// Now is the clock of live sources; 0: it has not begun. Nil is a recording: then there is one
	// source, and time is that of its samples.
	Now func() time.Duration
	// Notice hears of troubles of a live source. It must not wait.
	Notice func(error)

	readers sync.WaitGroup // of the live sources
}

// Sink takes what comes; each may be nil. All are called from one goroutine.
type Sink struct {
	Frame   func(*sensor.Frame) // valid during the call only
	Reading func(sensor.Reading)
	Each    func(now time.Duration) error // after every frame, and at least 20 times a second
}

// ErrStop ends Run without an error, if Each returns it.
var ErrStop = errors.New("enough")

// beat is how often Each is called although no frame comes.
const beat = 50 * time.Millisecond

// Run delivers until the recording or every live source ends, ctx is done, or
// Each returns an error. It returns the time reached. It may be run again, which goes on where it
// ended; a live source that still waits for its bus is waited for then.
func (f *Feed) Run(ctx context.Context, s Sink) (time.Duration, error) {
	run := f.live
	if f.Now == nil {
		run = f.recording
	}
	end, err := run(ctx, s)
	if errors.Is(err, ErrStop) {
		err = nil
	}
	return end, err
}

// hand delivers one frame.
func (f *Feed) hand(fr *sensor.Frame, s *Sink, out []sensor.Reading) []sensor.Reading {
	if s.Frame != nil {
		s.Frame(fr)
	}
	out = f.Sources[fr.Source].Detector.Feed(fr, out[:0])
	tell(out, s)
	return out
}

func tell(list []sensor.Reading, s *Sink) {
	if s.Reading == nil {
		return
	}
	for _, r := range list {
		s.Reading(r)
	}
}

func (f *Feed) recording(ctx context.Context, s Sink) (time.Duration, error) {
	var fr sensor.Frame
	var out []sensor.Reading
	end := time.Duration(0)
	for {
		if err := ctx.Err(); err != nil {
			return end, err
		}
		if err := f.Sources[0].Next(&fr); errors.Is(err, io.EOF) {
			return end, nil
		} else if err != nil {
			return end, err
		}
		out = f.hand(&fr, &s, out)
		end = fr.At
		if fr.Rate > 0 {
			end += time.Duration(float64(fr.Scans()) / fr.Rate * 1e9)
		}
		if s.Each != nil {
			if err := s.Each(end); err != nil {
				return end, err
			}
		}
	}
}

// frame is a frame on its way from a reader and back.
type frame struct {
	sensor.Frame
	free chan *frame
}

func (f *Feed) live(ctx context.Context, s Sink) (time.Duration, error) {
	f.readers.Wait()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	in := make(chan *frame)
	over := make(chan error, len(f.Sources))
	left := len(f.Sources)
	for _, src := range f.Sources {
		free := make(chan *frame, 2)
		free <- &frame{free: free}
		free <- &frame{free: free}
		f.readers.Go(func() {
			if err := f.read(ctx, src, in, free); ctx.Err() == nil {
				over <- err
			}
		})
	}
	var out []sensor.Reading
	ill := make([]string, len(f.Sources)) // what was last said of each
	tick := time.NewTicker(beat)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return f.Now(), ctx.Err()
		case fr := <-in:
			out = f.hand(&fr.Frame, &s, out)
			said := ""
			if fr.Err != nil {
				said = fr.Err.Error()
			}
			if said != "" && said != ill[fr.Source] {
				f.Notice(fmt.Errorf("adc %q: %w", f.Sources[fr.Source].Name, fr.Err))
			}
			ill[fr.Source] = said
			fr.free <- fr
		case err := <-over:
			if left--; left == 0 {
				return f.Now(), err
			}
			if err != nil {
				f.Notice(err)
			}
		case <-tick.C:
		}
		now := f.Now()
		if now == 0 {
			continue
		}
		for i := range f.Sources {
			out = f.Sources[i].Detector.Expire(now, out[:0])
			tell(out, &s)
		}
		if s.Each != nil {
			if err := s.Each(now); err != nil {
				return now, err
			}
		}
	}
}

// read passes the frames of one source on, until it ends. A converter that
// hangs holds up no other.
func (f *Feed) read(ctx context.Context, src Source, in chan<- *frame, free chan *frame) error {
	for {
		var fr *frame
		select {
		case fr = <-free:
		case <-ctx.Done():
			return ctx.Err()
		}
		if err := src.Next(&fr.Frame); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return fmt.Errorf("adc %q: %w", src.Name, err)
		}
		select {
		case in <- fr:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
