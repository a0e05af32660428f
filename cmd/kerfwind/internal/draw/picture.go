// Package draw makes a picture of a recording or a day: the current of every
// channel with the runs that were detected, the gates, the collector and its
// reasons over one time axis, and what the seconds from switch-on to wanted
// flow were spent on. The picture is one SVG file without scripts or outside
// parts. Forms and patterns tell states apart, never colour alone.
package draw

import (
	"time"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
	"kerfwind/sensor"
)

// Level is where a channel's run begins and ends: one-cycle true RMS amperes.
// A zero is not drawn.
type Level struct{ Start, Stop float32 }

// Picture gathers what a recording shows. Its size does not grow with the
// number of readings, only with that of changes. Everything is called from
// one goroutine.
type Picture struct {
	names    timeline.Names
	channels []channel
	loose    []int // machines that no channel senses

	machines   []track // whether a run is on
	gates      []track // positions
	collectors []track // barOff and up, with words
	outlets    []track // off and on
	flags      []notice
	flow       flow
}

// channel is one channel's current and what is known of it.
type channel struct {
	label   string
	machine control.ID
	level   Level
	bins    *bins
}

// segment is one state from a time on.
type segment struct {
	at    time.Duration
	state int
	words string
}

// track is the states of one thing in order of time.
type track []segment

// set notes the state at a time, if it is another than before.
func (t *track) set(at time.Duration, state int, words string) {
	if n := len(*t); n > 0 {
		last := &(*t)[n-1]
		if last.state == state && last.words == words {
			return
		}
		if last.at >= at { // it did not last
			last.state, last.words = state, words
			if n > 1 && (*t)[n-2].state == state && (*t)[n-2].words == words {
				*t = (*t)[:n-1]
			}
			return
		}
	}
	*t = append(*t, segment{at, state, words})
}

// notice is something that must not be overlooked; it becomes a flag.
type notice struct {
	at      time.Duration
	cleared time.Duration // 0: it is present, or it is of a moment
	fault   control.FaultKind
	id      control.ID
	words   string
}

// The states of a collector's bar.
const (
	barOff    = iota
	barDemand // on because something needs it
	barRunOn  // on while the duct clears
	barHeld   // on for its own sake: minimum time, budget
	barStray  // it runs although not commanded
	barDead   // commanded on and no current
)

// New returns an empty picture. labels names the channels; machineOf gives the
// machine that each senses, or control.NoID; levels may be shorter.
func New(names timeline.Names, labels []string, machineOf []control.ID, levels []Level) *Picture {
	p := &Picture{names: names,
		machines: make([]track, len(names.Machines)), gates: make([]track, len(names.Gates)),
		collectors: make([]track, len(names.Collectors)), outlets: make([]track, len(names.Outlets))}
	sensed := make([]bool, len(names.Machines))
	for i, l := range labels {
		c := channel{label: l, machine: control.NoID, bins: newBins()}
		if i < len(machineOf) {
			c.machine = machineOf[i]
		}
		if int(c.machine) < len(sensed) {
			sensed[c.machine] = true
		}
		if i < len(levels) {
			c.level = levels[i]
		}
		p.channels = append(p.channels, c)
	}
	for m, ok := range sensed {
		if !ok {
			p.loose = append(p.loose, m)
		}
	}
	return p
}

// Reading takes one reading of any channel.
func (p *Picture) Reading(r sensor.Reading) {
	if r.Channel >= 0 && r.Channel < len(p.channels) {
		p.channels[r.Channel].bins.add(&r)
	}
}

// Observe takes the state after a step and what happened in it. It may also be
// called without events, say once a second: a reason can change without one.
func (p *Picture) Observe(s *control.Snapshot, events []control.Event) {
	if s != nil {
		p.state(s)
		p.flow.observe(s, events)
	}
	for _, e := range events {
		p.event(e)
	}
}

// state notes what has changed.
func (p *Picture) state(s *control.Snapshot) {
	for i := range min(len(s.Machines), len(p.machines)) {
		state := 0
		switch m := &s.Machines[i]; {
		case m.Sensed == control.Unknown:
			state = 2
		case m.Run:
			state = 1
		}
		p.machines[i].set(s.At, state, "")
	}
	for i := range min(len(s.Gates), len(p.gates)) {
		p.gates[i].set(s.At, int(s.Gates[i].Position), "")
	}
	if len(p.collectors) > 0 {
		state, words := p.bar(&s.Collector)
		p.collectors[0].set(s.At, state, words)
	}
	for i := range min(len(s.Outlets), len(p.outlets)) {
		state := 0
		if s.Outlets[i].Commanded {
			state = 1
		}
		p.outlets[i].set(s.At, state, "")
	}
}

// bar is a collector's form and words.
func (p *Picture) bar(c *control.CollectorView) (state int, words string) {
	if !c.Commanded {
		switch {
		case c.Sensed != control.Running:
		case c.Switch == control.Hand:
			return barStray, p.names.Reason(control.Why{Cause: control.ByHand})
		case c.Fault == control.CollectorStillOn:
			return barStray, p.names.Reason(control.Why{Cause: control.ByStillOn})
		}
		return barOff, ""
	}
	words = p.names.Reason(c.Why)
	if c.Fault == control.CollectorNoCurrent {
		return barDead, "no current"
	}
	switch c.Why.Cause {
	case control.ByRunOn:
		return barRunOn, words
	case control.ByMinOn, control.ByMinOff, control.ByBudget:
		return barHeld, words
	default:
		return barDemand, words
	}
}

// event notes what must not be overlooked.
func (p *Picture) event(e control.Event) {
	switch e.Kind {
	case control.FaultCleared:
		for i := len(p.flags) - 1; i >= 0; i-- {
			if f := &p.flags[i]; f.fault == e.Fault && f.id == e.ID && f.cleared == 0 {
				f.cleared = e.At
				return
			}
		}
	case control.FaultRaised:
		p.flags = append(p.flags, notice{at: e.At, fault: e.Fault, id: e.ID, words: timeline.Sentence(e, &p.names)})
	case control.WeakAir, control.BudgetExceeded, control.MachineLeft, control.CircuitOver, control.StopOpened, control.StoodDown, control.ClosedShopRun, control.StartHeldBack:
		p.flags = append(p.flags, notice{at: e.At, id: e.ID, words: timeline.Sentence(e, &p.names)})
	default:
	}
}
