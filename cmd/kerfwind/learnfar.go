package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"kerfwind/cmd/kerfwind/internal/feed"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
	"kerfwind/sensor"
)

// Of readings that come from another computer: our own choice.
const (
	farLease = 3 * time.Second        // for how long it is asked for every one, each second
	farFirst = time.Second            // until they all come
	farGap   = 200 * time.Millisecond // between two of them: some were lost
)

var errFarLost = errors.New("readings of another computer were lost on their way: try again")

// farReadings watches over readings of which some come from another computer.
type farReadings struct {
	began  time.Duration
	newest map[int]time.Duration // by channel at another computer
}

// farOf watches over those of channels; nil where all are of this computer.
func farOf(r *config.Rig, channels []int, began time.Duration) *farReadings {
	f := &farReadings{began, map[int]time.Duration{}}
	for _, ch := range channels {
		if r.Channels[ch].Node != 0 {
			f.newest[ch] = 0
		}
	}
	if len(f.newest) == 0 {
		return nil
	}
	return f
}

// take tells whether a reading can be learned from, and whether any before it is
// missing.
func (f *farReadings) take(r sensor.Reading) (use bool, err error) {
	if f == nil {
		return true, nil
	}
	if r.At-f.began < farFirst {
		return false, nil
	}
	last, far := f.newest[r.Channel]
	if far {
		f.newest[r.Channel] = r.At
	}
	if far && last > 0 && r.At-last > farGap {
		return false, errFarLost
	}
	return true, nil
}

// run is how the readings of channels come: from the samples or, where another
// computer senses them, from the kerfwind that runs here.
func (l *look) run(channels []int) func(context.Context, feed.Sink) (time.Duration, error) {
	if l.Now == nil || farOf(l.shop.Rig, channels, 0) == nil {
		return l.Run
	}
	return func(ctx context.Context, s feed.Sink) (time.Duration, error) {
		end, err := l.runFar(ctx, channels, s)
		if errors.Is(err, feed.ErrStop) {
			err = nil
		}
		return end, err
	}
}

// runFar delivers readings of the running kerfwind. It has no frames.
func (l *look) runFar(ctx context.Context, channels []int, s feed.Sink) (end time.Duration, err error) {
	if l.runtime == "" {
		return 0, fmt.Errorf("channel %s is read by another computer: start kerfwind here, whose readings it has, and learn then", channelNames(l.shop.Rig, channels))
	}
	c, err := socket.Dial(l.runtime)
	if err != nil {
		return 0, err
	}
	stop := context.AfterFunc(ctx, func() { _ = c.Close() }) // Next says so
	defer stop()
	defer func() { _ = c.Close() }() // only read
	if err := c.Start(socket.Request{Do: socket.DoReadings}); err != nil {
		return 0, err
	}
	number := map[string]int{}
	for i, name := range l.names() {
		number[name] = i
	}
	var far *farReadings
	for {
		a, err := c.Next()
		switch {
		case ctx.Err() != nil:
			return end, ctx.Err()
		case err != nil:
			return end, fmt.Errorf("the running kerfwind: %w", err)
		case a.Missed > 0:
			return end, errFarLost
		}
		if a.Reading != nil {
			r, ok := readingOf(a.Reading, number)
			if !ok {
				return end, fmt.Errorf("the running kerfwind tells of channel %q as the rig file does not: name the file that it runs with by --rig", a.Reading.Channel)
			}
			if end = max(end, r.At); far == nil {
				far = farOf(l.shop.Rig, channels, r.At)
			}
			use, err := far.take(r)
			if err != nil {
				return end, err
			}
			if use && s.Reading != nil {
				s.Reading(r)
			}
		}
		if s.Each != nil {
			if err := s.Each(end); err != nil {
				return end, err
			}
		}
	}
}

// readingOf reads a reading's line.
func readingOf(w *socket.Reading, number map[string]int) (r sensor.Reading, ok bool) {
	ch, known := number[w.Channel]
	r = sensor.Reading{Channel: ch, At: time.Duration(w.T * 1e9), Onset: time.Duration(w.T * 1e9), Amps: w.Amps, Verdict: sensor.Unknown, Health: sensor.Missing}
	for v := sensor.Unknown; v <= sensor.Running; v++ {
		if v.String() == w.Verdict {
			r.Verdict = v
		}
	}
	for h := sensor.Health(1); h.String() != sensor.Health(0).String(); h++ {
		if h.String() == w.Health {
			r.Health = h
		}
	}
	return r, known
}
