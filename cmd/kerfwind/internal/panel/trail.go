package panel

import (
	"sync"
	"time"

	"kerfwind/sensor"
)

// Bounds of the trail: a picture of the last minutes needs no more.
const (
	trailStep  = time.Second
	trailSteps = 300 // of each channel
)

// Stretch sums up what one channel read in a second of the stream.
type Stretch struct {
	At        time.Duration // its beginning
	Low, High float32       // A, of the readings that could be trusted
	Sum       float64       // A; the mean is Sum/Count
	Count     int           // of the readings that could be trusted
	Running   bool          // one of them said running
	Lost      bool          // one of them could not be trusted
	Health    sensor.Health // of the last
}

// trail keeps the last minutes of every channel.
type trail struct {
	mu  sync.Mutex // the loop writes, pages read; held for moments only
	all []ring
	now []sensor.Reading // the latest of each channel
}

type ring struct {
	steps []Stretch // a ring; next is where the next begins
	next  int
}

func (t *trail) init(channels int) {
	t.all, t.now = make([]ring, channels), make([]sensor.Reading, channels)
}

// add takes in a reading. Those of contacts and topics have no place here.
func (t *trail) add(r sensor.Reading) {
	if r.Channel < 0 || r.Channel >= len(t.all) {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.now[r.Channel] = r
	g := &t.all[r.Channel]
	at := r.At.Truncate(trailStep)
	var s *Stretch
	if n := len(g.steps); n > 0 {
		s = &g.steps[(g.next+n-1)%n]
	}
	if s == nil || s.At != at {
		if len(g.steps) < trailSteps {
			g.steps = append(g.steps, Stretch{At: at})
			s = &g.steps[len(g.steps)-1]
			g.next = len(g.steps) % trailSteps
		} else {
			s = &g.steps[g.next]
			*s = Stretch{At: at}
			g.next = (g.next + 1) % trailSteps
		}
	}
	s.Health = r.Health
	if r.Verdict == sensor.Unknown {
		s.Lost = true
		return
	}
	if s.Count == 0 || r.Amps < s.Low {
		s.Low = r.Amps
	}
	if s.Count == 0 || r.Amps > s.High {
		s.High = r.Amps
	}
	s.Sum += float64(r.Amps)
	s.Count++
	s.Running = s.Running || r.Verdict == sensor.Running
}

// Trail returns the last minutes of a channel, the newest last. Nothing is
// there of seconds in which it gave no reading.
func (s *Shop) Trail(channel int) []Stretch {
	t := &s.trail
	if channel < 0 || channel >= len(t.all) {
		return nil
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	g := &t.all[channel]
	if len(g.steps) < trailSteps {
		return append([]Stretch(nil), g.steps...)
	}
	return append(append([]Stretch(nil), g.steps[g.next:]...), g.steps[:g.next]...)
}

// latest returns the latest reading of each channel; Verdict is 0 where there
// was none yet.
func (t *trail) latest() []sensor.Reading {
	t.mu.Lock()
	defer t.mu.Unlock()
	return append([]sensor.Reading(nil), t.now...)
}
