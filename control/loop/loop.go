// Package loop carries samples to decisions and decisions to outputs: frame,
// detector, step, actuator, observers. It is single-threaded and has no clock:
// the caller says what time it is, live or in a replay, and both run this code.
//
// Every decision and every deadline is stepped at its own instant, so where a
// frame is cut changes nothing. At one instant the order is: deadlines of the
// core, outcomes of a simulated plant, then inputs by kind and ID.
package loop

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"kerfwind/control"
	"kerfwind/sensor"
)

// Actuator carries out commands.
type Actuator interface {
	// Apply queues the command and never waits. The outcome comes back as a
	// control.OutputIs.
	Apply(control.Command)
	// Halt makes every output inert. It may be called again, and from a panic.
	Halt() error
}

// Observer is told what happened, after the commands are on their way. It
// copies what it keeps, or drops it: events is reused. It must not wait.
type Observer interface {
	Observe(*control.Snapshot, []control.Event)
}

// Timed is an actuator whose outcomes come at instants of the stream's own
// time: a simulated plant.
type Timed interface {
	Actuator
	// Next is when the next outcome is due.
	Next() (at time.Duration, ok bool)
	// Advance moves the plant to now and appends the outcomes due by then.
	Advance(now time.Duration, in []control.Input) []control.Input
}

// Channel says what the current of one channel is good for.
type Channel struct {
	Machine   control.ID   // the machine it senses; control.NoID none
	Collector control.ID   // the collector whose feedback it is; control.NoID none
	Circuits  []control.ID // the circuits whose load it is part of
}

// Params describes how readings become inputs.
type Params struct {
	Detectors []*sensor.Detector // indexed by Frame.Source
	Channels  []Channel          // indexed by Reading.Channel
	Machines  int                // how many the core has
	Circuits  []control.Circuit

	// Reading, if not nil, sees every reading before it is acted on. It is for
	// drawing and display.
	Reading func(sensor.Reading)
}

// Loop is the single thread of control. See the package comment.
type Loop struct {
	core  *control.Core
	p     Params
	act   Actuator
	timed Timed // act where it is one, else nil
	obs   []Observer

	channels []channelState
	machines []machineState
	circuits []circuitState
	other    bool // the core was told that the mains is another than the shop file says

	now time.Duration

	// Buffers, empty between calls.
	out      control.Out
	due      []control.Input // outcomes of the plant
	inputs   []control.Input // of one instant
	changed  []int           // channels of one instant
	readings []sensor.Reading
}

// channelState is the newest reading of a channel.
type channelState struct {
	verdict sensor.Verdict // 0: none yet
	other   bool           // its source measures another mains than the shop file says
	gone    bool           // running, and its current is gone at this moment
	onset   time.Duration
	amps    float32
}

// machineState holds what the core was last told.
type machineState struct {
	channels []int // that sense it
	sent     control.Verdict
	gone     bool // sent is running, and it was told that the current is gone
}

// New returns a loop over core. Errors name every channel that points
// nowhere.
func New(core *control.Core, p Params, act Actuator, obs ...Observer) (*Loop, error) {
	l := &Loop{core: core, p: p, act: act, obs: obs,
		channels: make([]channelState, len(p.Channels)),
		machines: make([]machineState, p.Machines),
		circuits: make([]circuitState, len(p.Circuits)),
	}
	l.timed, _ = act.(Timed)
	var errs []error
	for i := range p.Channels {
		c := &p.Channels[i]
		switch {
		case c.Machine == control.NoID:
		case int(c.Machine) < p.Machines:
			l.machines[c.Machine].channels = append(l.machines[c.Machine].channels, i)
		default:
			errs = append(errs, fmt.Errorf("loop: channel %d senses machine %d of %d", i, c.Machine, p.Machines))
		}
		for _, id := range c.Circuits {
			if int(id) >= len(p.Circuits) {
				errs = append(errs, fmt.Errorf("loop: channel %d loads circuit %d of %d", i, id, len(p.Circuits)))
				continue
			}
			l.circuits[id].channels = append(l.circuits[id].channels, i)
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return l, nil
}

// Now is the instant that the loop has reached.
func (l *Loop) Now() time.Duration { return l.now }

// Amps is the newest true RMS current of a channel in amperes.
func (l *Loop) Amps(channel int) float32 { return l.channels[channel].amps }

// Feed runs a frame through its source's detector and steps what follows.
func (l *Loop) Feed(f *sensor.Frame) {
	if f.Source < 0 || f.Source >= len(l.p.Detectors) {
		return
	}
	l.readings = l.p.Detectors[f.Source].Feed(f, l.readings[:0])
	l.take(l.readings)
}

// Read takes a reading that comes from elsewhere: a contact or a topic.
func (l *Loop) Read(r sensor.Reading) {
	l.take([]sensor.Reading{r})
}

// Post steps an input from outside at now: a contact, an outcome of a real
// output, or a request.
func (l *Loop) Post(now time.Duration, in control.Input) {
	l.Advance(now)
	l.step(in)
}

// Halt makes every output inert.
func (l *Loop) Halt() error { return l.act.Halt() }

// take steps readings, which are in order of time.
func (l *Loop) take(rs []sensor.Reading) {
	for len(rs) > 0 {
		n := 1
		for n < len(rs) && rs[n].At == rs[0].At {
			n++
		}
		l.instant(rs[:n])
		rs = rs[n:]
	}
}

// instant steps the readings of one instant. All channels get their new
// values before any conclusion is drawn.
func (l *Loop) instant(rs []sensor.Reading) {
	l.Advance(rs[0].At)
	l.inputs, l.changed = l.inputs[:0], l.changed[:0]
	mains := false
	for _, r := range rs {
		if r.Channel < 0 || r.Channel >= len(l.channels) {
			continue
		}
		if l.p.Reading != nil {
			l.p.Reading(r)
		}
		c := &l.channels[r.Channel]
		if c.verdict != r.Verdict || c.gone != r.Gone {
			l.changed = append(l.changed, r.Channel)
		}
		*c = channelState{r.Verdict, r.OtherHz != 0, r.Gone, r.Onset, r.Amps}
		if c.other != l.other {
			mains = true
		}
	}
	for _, ch := range l.changed {
		what := &l.p.Channels[ch]
		if what.Machine != control.NoID {
			if in, ok := l.machine(what.Machine); ok {
				l.inputs = append(l.inputs, in)
			}
			if in, ok := l.current(what.Machine); ok {
				l.inputs = append(l.inputs, in)
			}
		}
		if what.Collector != control.NoID {
			l.inputs = append(l.inputs, control.InCollector(control.Verdict(l.channels[ch].verdict)))
		}
	}
	l.inputs = l.loads(l.inputs)
	if other := mains && slices.ContainsFunc(l.channels, func(c channelState) bool { return c.other }); mains && other != l.other {
		l.other = other
		l.inputs = append(l.inputs, control.InMains(supply(other)))
	}
	slices.SortStableFunc(l.inputs, func(a, b control.Input) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.ID, b.ID))
	})
	for _, in := range l.inputs {
		l.step(in)
	}
}

func supply(other bool) control.Supply {
	if other {
		return control.OtherThanFiled
	}
	return control.AsFiled
}

// machine joins the channels of a machine: any running is running, whether the
// others have spoken or not; else any unknown is unknown; else it is idle. But
// for running it says nothing before every channel has spoken once; one that is
// still silent after that is unknown. It says nothing twice.
func (l *Loop) machine(id control.ID) (control.Input, bool) {
	m := &l.machines[id]
	v, silent := sensor.Idle, false
	var onset time.Duration
	for _, ch := range m.channels {
		c := &l.channels[ch]
		switch c.verdict {
		case sensor.Running:
			if v != sensor.Running || c.onset < onset {
				onset = c.onset // the first that started
			}
			v = sensor.Running
		case sensor.Idle:
			if v == sensor.Idle {
				onset = max(onset, c.onset) // the last that stopped
			}
		case sensor.Unknown:
			if v != sensor.Running {
				v, onset = sensor.Unknown, c.onset
			}
		default:
			silent = true
		}
	}
	if silent && v != sensor.Running {
		if m.sent == 0 {
			return control.Input{}, false
		}
		v = sensor.Unknown
	}
	if m.sent == control.Verdict(v) {
		return control.Input{}, false
	}
	m.sent, m.gone = control.Verdict(v), false
	return control.InMachine(id, control.Verdict(v), onset), true
}

// current says of a running machine whether its current is there at this moment:
// any channel's will do. It says nothing twice.
func (l *Loop) current(id control.ID) (control.Input, bool) {
	m := &l.machines[id]
	gone := m.sent == control.Running
	for _, ch := range m.channels {
		if c := &l.channels[ch]; c.verdict == sensor.Running && !c.gone {
			gone = false
		}
	}
	if gone == m.gone {
		return control.Input{}, false
	}
	m.gone = gone
	if gone {
		return control.InCurrent(id, control.Gone), true
	}
	return control.InCurrent(id, control.Flows), true
}

// Advance moves to now: every deadline on the way is stepped at its own
// instant. Time never goes back.
func (l *Loop) Advance(now time.Duration) {
	for {
		at, ok := l.next()
		if !ok || at > now {
			break
		}
		l.now = max(l.now, at)
		l.due = l.due[:0]
		if l.timed != nil {
			l.due = l.timed.Advance(l.now, l.due)
		}
		for _, in := range l.due {
			l.step(in)
		}
		if len(l.due) == 0 && !l.expire() {
			l.step(control.Input{Kind: control.Tick})
		}
	}
	if now > l.now {
		l.now = now
		if l.timed != nil {
			l.timed.Advance(now, nil) // nothing is due: only its time moves
		}
	}
}

// Next is when Advance next has something to do, if it has.
func (l *Loop) Next() (at time.Duration, ok bool) { return l.next() }

// next is the earliest deadline of core, plant and detectors.
func (l *Loop) next() (at time.Duration, ok bool) {
	earliest := func(t time.Duration, has bool) {
		if has && (!ok || t < at) {
			at, ok = t, true
		}
	}
	earliest(l.core.Next())
	if l.timed != nil {
		earliest(l.timed.Next())
	}
	for _, d := range l.p.Detectors {
		earliest(d.Next())
	}
	return at, ok
}

// expire steps the readings of detectors that have heard nothing for too
// long, and reports whether there were any.
func (l *Loop) expire() bool {
	any := false
	for _, d := range l.p.Detectors {
		if at, ok := d.Next(); ok && at <= l.now {
			any = true
			l.take(d.Expire(l.now, nil)) // rare: may allocate
		}
	}
	return any
}

// step is one step of the core, now, with all that follows from it.
func (l *Loop) step(in control.Input) {
	l.out.Reset()
	l.core.Step(l.now, in, &l.out)
	for _, c := range l.out.Commands {
		l.act.Apply(c)
	}
	if len(l.out.Events) == 0 || len(l.obs) == 0 {
		return
	}
	snap := l.core.Snapshot()
	for _, o := range l.obs {
		o.Observe(snap, l.out.Events)
	}
}
