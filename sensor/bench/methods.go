package main

import (
	"math"
	"time"

	"kerfwind/sensor"
)

// event is a change of one channel as a method sees it.
type event struct {
	at      time.Duration
	running bool
}

// method is a way of finding runs on the first channel of a recording.
type method interface {
	feed(f *sensor.Frame) []event
}

// The levels of the comparison, in amperes, and the hold of a stop.
const (
	startLevel = 0.6
	stopLevel  = 0.4
	stopHold   = time.Second
)

// ours is the detector, with a second channel beside the first.
type ours struct {
	d   *sensor.Detector
	buf []sensor.Reading
	was sensor.Verdict
}

func newOurs(scale, codes, mains float64, idle sensor.Level) (*ours, error) {
	first := sensor.ChannelParams{
		Used: true, Scale: scale, Max: codes, Start: startLevel, Stop: stopLevel, StopHold: stopHold, Idle: idle,
	}
	second := first
	second.Channel, second.Idle = 1, sensor.Level{}
	d, err := sensor.New(sensor.Params{Mains: mains, Channels: []sensor.ChannelParams{first, second}})
	return &ours{d: d, was: sensor.Idle}, err
}

func (o *ours) feed(f *sensor.Frame) (out []event) {
	o.buf = o.d.Feed(f, o.buf[:0])
	for i := range o.buf {
		r := &o.buf[i]
		if r.Channel == 0 && r.Verdict != o.was && r.Verdict != sensor.Unknown {
			o.was = r.Verdict
			out = append(out, event{r.At, r.Verdict == sensor.Running})
		}
	}
	return out
}

// window is the RMS of the last n samples without their mean, every step
// samples, against two levels with a hold of the stop.
type window struct {
	scale, start, stop float64
	n, step            int
	ring               []float64
	seen               int
	running            bool
	below              time.Duration
	falling            bool
}

// newHobby is a fixed level of 1 A on the RMS of 200 ms.
func newHobby(scale, rate float64) *window {
	n := int(math.Round(0.2 * rate))
	return &window{scale: scale, start: 1, stop: 1, n: n, step: n, ring: make([]float64, n)}
}

// newHysteresis is the RMS of one nominal cycle each half, with two levels.
func newHysteresis(scale, rate, mains float64) *window {
	n := int(math.Round(rate / mains))
	return &window{scale: scale, start: startLevel, stop: stopLevel, n: n, step: n / 2, ring: make([]float64, n)}
}

func (w *window) feed(f *sensor.Frame) (out []event) {
	for i := range f.Scans() {
		w.ring[w.seen%w.n] = float64(f.Raw[i*f.Channels]) * w.scale
		w.seen++
		if w.seen < w.n || w.seen%w.step != 0 {
			continue
		}
		var s, q float64
		for _, x := range w.ring {
			s += x
			q += x * x
		}
		s /= float64(w.n)
		amps := math.Sqrt(max(0, q/float64(w.n)-s*s))
		at := f.At + time.Duration(float64(i+1)/f.Rate*1e9)
		switch {
		case !w.running && amps >= w.start:
			w.running, w.falling = true, false
			out = append(out, event{at, true})
		case w.running && amps >= w.stop:
			w.falling = false
		case w.running:
			if !w.falling {
				w.falling, w.below = true, at
			}
			if at-w.below >= stopHold {
				w.running = false
				out = append(out, event{at, false})
			}
		}
	}
	return out
}
