package record_test

import (
	"context"
	"errors"
	"io"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/sensor"
)

// wave is a source of a 50 Hz square of 1 A in frames of 10 ms, at the pace of
// the clock if wait is set.
type wave struct {
	n, frames int
	number    int
	wait      bool
	silent    int // frames from this on come never; 0: all come
	fail      int // this frame is an error
}

func (w *wave) Next(f *sensor.Frame) error {
	if w.n == w.frames {
		return io.EOF
	}
	if w.silent > 0 && w.n >= w.silent {
		time.Sleep(time.Hour)
		return io.EOF
	}
	if w.wait {
		time.Sleep(10 * time.Millisecond)
	}
	*f = sensor.Frame{Source: w.number, Channels: 1, Index: uint64(20 * w.n), At: time.Duration(w.n) * 10 * time.Millisecond, Rate: 2000, Raw: f.Raw[:0]}
	w.n++
	if w.n == w.fail {
		f.Err = errors.New("no answer")
		return nil
	}
	v := float32(1 - 2*(w.n%2))
	for range 20 {
		f.Raw = append(f.Raw, v)
	}
	return nil
}

// alone fails if two goroutines read it at once.
type alone struct {
	t *testing.T
	wave
	busy atomic.Bool
}

func (a *alone) Next(f *sensor.Frame) error {
	if a.busy.Swap(true) {
		a.t.Error("two read at once")
	}
	defer a.busy.Store(false)
	return a.wave.Next(f)
}

// TestAgain: a feed can be run again at once.
func TestAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		f := record.Feed{Sources: []record.Source{{Source: &alone{t: t, wave: wave{frames: 1000, wait: true}}, Detector: detector(t, 0)}},
			Now: func() time.Duration { return time.Since(began) }, Notice: func(err error) { t.Error(err) }}
		for i := range 40 { // each time it may or may not be in the middle of a frame
			until := time.Duration(i+1) * 100 * time.Millisecond
			end, err := f.Run(context.Background(), record.Sink{Each: func(now time.Duration) error {
				if now >= until {
					return record.ErrStop
				}
				return nil
			}})
			if err != nil || end < until {
				t.Errorf("%v, %v", end, err)
			}
		}
		time.Sleep(time.Minute) // the readers end
	})
}

func detector(t *testing.T, source int) *sensor.Detector {
	d, err := sensor.New(sensor.Params{Source: source, Mains: 50, Channels: []sensor.ChannelParams{{Used: true, Channel: source, Scale: 1, Start: 0.6, Stop: 0.4}}})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestRecording(t *testing.T) {
	f := record.Feed{Sources: []record.Source{{Source: &wave{frames: 100}, Detector: detector(t, 0)}}}
	frames, readings, last := 0, 0, time.Duration(0)
	var verdict sensor.Verdict
	end, err := f.Run(context.Background(), record.Sink{
		Frame:   func(*sensor.Frame) { frames++ },
		Reading: func(r sensor.Reading) { readings++; verdict = r.Verdict },
		Each:    func(now time.Duration) error { last = now; return nil },
	})
	if err != nil || end != time.Second || last != end || frames != 100 || readings < 95 || verdict != sensor.Running {
		t.Errorf("%v, %v, %d frames, %d readings, %v", end, err, frames, readings, verdict)
	}
	// Each can end it, with an error or without.
	for _, want := range []error{nil, io.ErrClosedPipe} {
		f = record.Feed{Sources: []record.Source{{Source: &wave{frames: 100}, Detector: detector(t, 0)}}}
		end, err = f.Run(context.Background(), record.Sink{Each: func(now time.Duration) error {
			switch {
			case now < 300*time.Millisecond:
				return nil
			case want == nil:
				return record.ErrStop
			}
			return want
		}})
		if !errors.Is(err, want) || end != 300*time.Millisecond {
			t.Errorf("%v, %v", end, err)
		}
	}
}

// TestLive: two converters, of which one falls silent and one has an error;
// the silent one's channel becomes unknown while the other goes on.
func TestLive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		var notices []string
		f := record.Feed{
			Sources: []record.Source{
				{Source: &wave{frames: 1000, wait: true, silent: 100}, Name: "a", Detector: detector(t, 0)},
				{Source: &wave{frames: 1000, number: 1, wait: true, fail: 50}, Name: "b", Detector: detector(t, 1)},
			},
			Now:    func() time.Duration { return time.Since(began) },
			Notice: func(err error) { notices = append(notices, err.Error()) },
		}
		var last [2]sensor.Reading
		calls := 0
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		end, err := f.Run(ctx, record.Sink{
			Reading: func(r sensor.Reading) { last[r.Channel] = r },
			Each:    func(time.Duration) error { calls++; return nil },
		})
		if !errors.Is(err, context.DeadlineExceeded) || end < 4900*time.Millisecond || calls < 500 {
			t.Errorf("%v, %v, %d calls", end, err, calls)
		}
		if last[0].Verdict != sensor.Unknown || last[0].Health != sensor.Missing || last[0].At > 1500*time.Millisecond {
			t.Errorf("silent: %+v", last[0])
		}
		if last[1].Verdict != sensor.Running || last[1].At < 4900*time.Millisecond {
			t.Errorf("the other: %+v", last[1])
		}
		if len(notices) != 1 || notices[0] != `adc "b": no answer` {
			t.Errorf("%q", notices)
		}
		time.Sleep(2 * time.Hour) // the readers end
	})
}

// TestEnd: when the last live source has ended, so has what is looked at, with
// its error; the end of one of two is told.
func TestEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		gone := errors.New("it has gone")
		var notices []string
		f := record.Feed{
			Sources: []record.Source{
				{Source: ending{&wave{frames: 100, wait: true}, gone}, Name: "a", Detector: detector(t, 0)},
				{Source: ending{&wave{frames: 300, number: 1, wait: true}, gone}, Name: "b", Detector: detector(t, 1)},
			},
			Now:    func() time.Duration { return time.Since(began) },
			Notice: func(err error) { notices = append(notices, err.Error()) },
		}
		end, err := f.Run(t.Context(), record.Sink{})
		if !errors.Is(err, gone) || err.Error() != `adc "b": it has gone` || end != 3*time.Second {
			t.Errorf("%v, %v", end, err)
		}
		if len(notices) != 1 || notices[0] != `adc "a": it has gone` {
			t.Errorf("%q", notices)
		}
		f.Sources = f.Sources[:1]
		f.Sources[0].Source = &wave{}
		if _, err := f.Run(t.Context(), record.Sink{}); err != nil {
			t.Errorf("a source that was closed: %v", err)
		}
	})
}

// ending has an error of its own for the end.
type ending struct {
	sensor.Source
	err error
}

func (e ending) Next(f *sensor.Frame) error {
	if err := e.Source.Next(f); err != nil {
		return e.err
	}
	return nil
}
