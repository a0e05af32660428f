package record

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
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
	shop := socket.At(t.Runtime)
	st, err := shop.State(ctx)
	if err != nil {
		return 0, err
	}
	for i, name := range st.Channels {
		if i >= len(r.Channels) || r.Channels[i].Name != name {
			return 0, fmt.Errorf("the running kerfwind has a channel %q that the rig file does not have there: name the file that it runs with by --rig", name)
		}
	}
	items, err := shop.Follow(ctx, seam.Want{Readings: true})
	if err != nil {
		return 0, err
	}
	defer func() { _ = items.Close() }() // only read
	var asked time.Time
	for {
		if time.Since(asked) > listenFor/3 { //clock:ok the lease is one of this clock
			asked = time.Now()
			if err := shop.Listen(ctx, listenFor); err != nil {
				return end, fmt.Errorf("the running kerfwind: %w", err)
			}
		}
		x, err := items.Next(ctx)
		switch {
		case ctx.Err() != nil:
			return end, ctx.Err()
		case err != nil:
			return end, fmt.Errorf("the running kerfwind: %w", err)
		case x.Missed > 0:
			return end, errFarLost
		}
		if x.Kind == seam.AReading && x.Reading.Channel < len(r.Channels) {
			end = max(end, x.Reading.At)
			if s.Reading != nil {
				s.Reading(x.Reading)
			}
		}
		if s.Each != nil {
			if err := s.Each(end); err != nil {
				return end, err
			}
		}
	}
}

// listenFor is for how long other computers are asked for every reading at a time: our
// own choice.
const listenFor = 3 * time.Second
