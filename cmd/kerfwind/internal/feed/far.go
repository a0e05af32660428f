package feed

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
	"kerfwind/sensor"
)

// Far reports whether another computer reads any of these channels.
func Far(r *config.Rig, channels []int) bool {
	return slices.ContainsFunc(channels, func(ch int) bool { return r.Channels[ch].Node != 0 })
}

// Names names channels of a rig: "c0 and c1".
func Names(r *config.Rig, channels []int) string {
	var out []string
	for _, ch := range channels {
		out = append(out, r.Channels[ch].Name)
	}
	return strings.Join(out, " and ")
}

// errFarLost is that a reading is missing where each one counts.
var errFarLost = errors.New("readings of another computer were lost on their way: try again")

// FarGap is how far apart two readings of a channel at another computer may be: at
// more, some were lost. Our own choice.
const FarGap = 200 * time.Millisecond

// FarWatch watches over readings, some of which come from another computer. Nil
// takes every reading.
type FarWatch struct {
	begun  bool
	began  time.Duration
	newest map[int]time.Duration // by channel at another computer
}

// NewFarWatch watches over these channels; nil where this computer reads all.
func NewFarWatch(r *config.Rig, channels []int) *FarWatch {
	if !Far(r, channels) {
		return nil
	}
	f := &FarWatch{newest: map[int]time.Duration{}}
	for _, ch := range channels {
		if r.Channels[ch].Node != 0 {
			f.newest[ch] = 0
		}
	}
	return f
}

// FarFirst is how long it takes until another computer sends every reading.
const FarFirst = time.Second

// Take reports whether a reading can be used; the error says that one before it
// is missing.
func (f *FarWatch) Take(r sensor.Reading) (use bool, err error) {
	if f == nil {
		return true, nil
	}
	if !f.begun {
		f.begun, f.began = true, r.At
	}
	if r.At-f.began < FarFirst {
		return false, nil
	}
	last, far := f.newest[r.Channel]
	if far {
		f.newest[r.Channel] = r.At
	}
	if far && last > 0 && r.At-last > FarGap {
		return false, errFarLost
	}
	return true, nil
}

// RunOf is Run for readings of these channels. Where another computer reads one of
// them they come from the kerfwind that runs here, and there are no frames.
func (t *Tap) RunOf(ctx context.Context, channels []int, s Sink) (time.Duration, error) {
	if t.Now == nil || !Far(t.Shop.Rig, channels) {
		return t.Run(ctx, s)
	}
	end, err := t.runFar(ctx, channels, s)
	if errors.Is(err, ErrStop) {
		err = nil
	}
	return end, err
}

// runFar delivers readings of the running kerfwind.
func (t *Tap) runFar(ctx context.Context, channels []int, s Sink) (end time.Duration, err error) {
	r := t.Shop.Rig
	if t.Runtime == "" {
		return 0, fmt.Errorf("channel %s is read by another computer: start kerfwind here, whose readings it has, and learn then", Names(r, channels))
	}
	c, err := socket.Dial(t.Runtime)
	if err != nil {
		return 0, err
	}
	stop := context.AfterFunc(ctx, func() { _ = c.Close() }) // Next says so
	defer stop()
	defer func() { _ = c.Close() }() // only read
	if err := c.Start(socket.Request{Do: socket.DoReadings}); err != nil {
		return 0, err
	}
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
			got, ok := readingOf(a.Reading, r)
			if !ok {
				return end, fmt.Errorf("the running kerfwind tells of channel %q as the rig file does not: name the file that it runs with by --rig", a.Reading.Channel)
			}
			end = max(end, got.At)
			if s.Reading != nil {
				s.Reading(got)
			}
		}
		if s.Each != nil {
			if err := s.Each(end); err != nil {
				return end, err
			}
		}
	}
}

// readingOf reads a reading's line; ok is false where the rig has no such channel.
func readingOf(w *socket.Reading, of *config.Rig) (r sensor.Reading, ok bool) {
	ch := slices.IndexFunc(of.Channels, func(c config.Channel) bool { return c.Name == w.Channel })
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
	return r, ch >= 0
}
