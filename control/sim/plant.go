// Package sim is a simulated plant for a control.Core: commands in, inputs
// out. Gates take their time, bounce, stick, slow down and lie; the collector
// runs up, coasts down, trips and welds; the power fails. Time is whatever the
// caller says it is, and the same calls give the same outcome.
package sim

import (
	"fmt"
	"slices"
	"time"

	"kerfwind/control"
)

// Params describes the plant. Indices are those of the shop's control.Params.
type Params struct {
	Gates     []Gate
	Outlets   int
	Stops     int
	Collector Collector
	Latency   time.Duration // from a command to the driver's answer
}

// Gate is a simulated gate. It starts shut.
type Gate struct {
	Travel     time.Duration // from end to end
	OpenSwitch bool
	ShutSwitch bool
	Bounce     time.Duration // a switch that makes opens again this long after, and makes for good after as long again
}

// Collector is the simulated collector.
type Collector struct {
	Feedback bool          // its current, or its contact, is seen
	Lag      time.Duration // from the contactor to the feedback
	RunUp    time.Duration // to full speed
	Coast    time.Duration // from full speed to standstill
}

// Default is a healthy plant for a shop: gates take four fifths of the longest
// travel, answers 5 ms, the collector's current shows after 40 ms.
func Default(p control.Params) Params {
	s := Params{
		Outlets: len(p.Outlets), Stops: len(p.Stops), Latency: 5 * time.Millisecond,
		Collector: Collector{Feedback: p.Collector.Feedback != control.NoFeedback, Lag: 40 * time.Millisecond, RunUp: 2 * time.Second, Coast: p.Collector.Coast},
	}
	for _, g := range p.Gates {
		s.Gates = append(s.Gates, Gate{Travel: g.Travel * 4 / 5, OpenSwitch: g.OpenSwitch, ShutSwitch: g.ShutSwitch})
	}
	return s
}

// Plant is the simulated plant. It is not safe for concurrent use.
type Plant struct {
	p      Params
	now    time.Duration
	gates  []gate
	col    collector
	queue  []due // outcomes to come, by time, then in the order of their making
	seq    int
	faults []Fault
	stops  []control.Contact // stop inputs
	wire   control.Contact   // the stand-down switch
	next   int               // index of the next fault
	dead   bool              // the bus does not answer
	broken bool              // the outputs answer "failed"
}

type due struct {
	at  time.Duration
	seq int
	do  func() []control.Input
}

type gate struct {
	at       time.Duration // way from shut, in travel time, when it last began or ended a motion
	since    time.Duration // when that was
	dir      int           // 1 opening, -1 shutting, 0 still
	slow     int           // travel takes this many times as long
	stuck    bool
	wire     bool          // its switches cannot be read
	lieOpen  lie           // its open switch
	lieShut  lie           // its shut switch
	motion   int           // counts motions: outcomes of older ones are void
	said     control.Shown // last report
	bouncing bool
}

// lie says how a switch is faulty.
type lie uint8

const (
	honest lie = iota
	made       // always made
	dark       // never made
)

type collector struct {
	contactor bool // as commanded
	welded    bool
	tripped   bool
	hand, off bool
	wire      bool // the feedback cannot be read
	said      control.Verdict
	turning   bool          // powered
	since     time.Duration // since then
	speed     time.Duration // the fan's then, as the time it would coast
}

// New returns a plant at rest: gates shut, everything off.
func New(p Params) *Plant {
	s := &Plant{p: p, gates: make([]gate, len(p.Gates)), stops: make([]control.Contact, p.Stops), wire: control.Closed}
	for i := range s.stops {
		s.stops[i] = control.Closed
	}
	for i := range s.gates {
		s.gates[i].slow = 1
	}
	s.Report()
	return s
}

// Report lets every switch, contact and the feedback say what they show, as
// drivers do when they start. Of switches that serve as they should when
// nothing is said, nothing is said.
func (s *Plant) Report() {
	s.after(0, func() []control.Input {
		var in []control.Input
		for i := range s.gates {
			s.gates[i].said = 0
			in = s.look(i, in)
		}
		for i, c := range s.stops {
			in = append(in, control.InStop(control.ID(i), c))
		}
		if s.wire != control.Closed {
			in = append(in, control.InStandDown(s.wire))
		}
		if sel := s.selector(); sel != control.Auto {
			in = append(in, control.InSwitch(sel))
		}
		s.col.said = 0
		return s.feel(in)
	})
}

// Schedule adds faults, which must come in order of time.
func (s *Plant) Schedule(f []Fault) { s.faults = append(s.faults, f...) }

func (s *Plant) after(d time.Duration, do func() []control.Input) {
	s.seq++
	q := due{at: s.now + d, seq: s.seq, do: do}
	i, _ := slices.BinarySearchFunc(s.queue, q, func(a, b due) int {
		if a.at != b.at {
			return int(min(max(a.at-b.at, -1), 1))
		}
		return a.seq - b.seq
	})
	s.queue = slices.Insert(s.queue, i, q)
}

// Next is when the next outcome or fault is due.
func (s *Plant) Next() (at time.Duration, ok bool) {
	if len(s.queue) > 0 {
		at, ok = s.queue[0].at, true
	}
	if s.next < len(s.faults) && (!ok || s.faults[s.next].At < at) {
		at, ok = s.faults[s.next].At, true
	}
	return at, ok
}

// Advance lets time pass up to now and appends the outcomes in order. To act
// on each at its own instant, advance to Next.
func (s *Plant) Advance(now time.Duration, in []control.Input) []control.Input {
	for {
		at, ok := s.Next()
		if !ok || at > now {
			break
		}
		s.now = max(s.now, at)
		if s.next < len(s.faults) && s.faults[s.next].At <= at {
			f := s.faults[s.next]
			s.next++
			in = s.strike(f, in)
			continue
		}
		q := s.queue[0]
		s.queue = slices.Delete(s.queue, 0, 1)
		in = append(in, q.do()...)
	}
	s.now = max(s.now, now)
	return in
}

// Apply takes a command at the time of the last Advance. The outcome comes
// from Advance.
func (s *Plant) Apply(c control.Command) {
	s.after(s.p.Latency, func() []control.Input {
		if s.dead {
			return nil
		}
		answer := control.Input{Kind: control.OutputIs, What: c.Kind, ID: c.ID, Seq: c.Seq, State: uint8(control.Done)}
		if s.broken {
			answer.State = uint8(control.Failed)
			return []control.Input{answer}
		}
		return s.carryOut(c, []control.Input{answer})
	})
}

func (s *Plant) carryOut(c control.Command, in []control.Input) []control.Input {
	switch c.Kind {
	case control.CollectorOn, control.CollectorOff:
		s.col.contactor = c.Kind == control.CollectorOn
		s.turn()
	case control.GateOpen:
		in = s.drive(int(c.ID), 1, in)
	case control.GateShut:
		in = s.drive(int(c.ID), -1, in)
	case control.GateStop:
		in = s.drive(int(c.ID), 0, in)
	case control.OutletOn, control.OutletOff, control.IndicatorOn, control.IndicatorOff: // nothing is seen of them
	}
	return in
}

// Halt makes the plant inert at once: collector off, no motion.
func (s *Plant) Halt() error {
	s.col.contactor = false
	s.turn()
	for i := range s.gates {
		s.drive(i, 0, nil)
	}
	return nil
}

// PowerCut cuts the power: everything drops and what was under
// way is lost. Call Report when the power returns.
func (s *Plant) PowerCut() {
	_ = s.Halt() // it never fails
	s.queue = s.queue[:0]
}

// way is how far gate i is from shut, in travel time.
func (s *Plant) way(i int) time.Duration {
	g := &s.gates[i]
	w := g.at
	if g.dir != 0 && !g.stuck {
		w += time.Duration(g.dir) * (s.now - g.since) / time.Duration(g.slow)
	}
	return min(max(w, 0), s.p.Gates[i].Travel)
}

// drive sets a gate in motion, or stops it. A stuck gate stays where it is.
func (s *Plant) drive(i, dir int, in []control.Input) []control.Input {
	if i >= len(s.gates) {
		return in
	}
	g := &s.gates[i]
	g.at = s.way(i)
	g.since, g.dir = s.now, dir
	g.motion++
	g.bouncing = false
	if dir != 0 && !g.stuck {
		left := g.at
		if dir > 0 {
			left = s.p.Gates[i].Travel - g.at
		}
		motion := g.motion
		s.after(left*time.Duration(g.slow), func() []control.Input { return s.arrive(i, motion) })
		if left != 0 {
			// The switch that it leaves opens as soon as it has moved at all.
			s.after(time.Duration(g.slow), func() []control.Input { return s.look(i, nil) })
		}
	}
	return s.look(i, in)
}

func (s *Plant) arrive(i, motion int) []control.Input {
	g := &s.gates[i]
	if motion != g.motion {
		return nil
	}
	in := s.look(i, nil)
	if b := s.p.Gates[i].Bounce; b > 0 {
		s.after(b, func() []control.Input {
			if motion != g.motion {
				return nil
			}
			g.bouncing = true
			return s.look(i, nil)
		})
		s.after(2*b, func() []control.Input {
			g.bouncing = false
			return s.look(i, nil)
		})
	}
	return in
}

// look appends a report of gate i's switches if it has any and they changed.
func (s *Plant) look(i int, in []control.Input) []control.Input {
	g, p := &s.gates[i], &s.p.Gates[i]
	if !p.OpenSwitch && !p.ShutSwitch {
		return in
	}
	way := s.way(i)
	open := p.OpenSwitch && g.lieOpen.of(way == p.Travel && !g.bouncing)
	shut := p.ShutSwitch && g.lieShut.of(way == 0 && !g.bouncing)
	show := control.Shows(open, shut, !g.wire)
	if show == g.said {
		return in
	}
	g.said = show
	return append(in, control.Input{Kind: control.GateIs, ID: control.ID(i), State: uint8(show)})
}

func (l lie) of(truth bool) bool {
	switch l {
	case made:
		return true
	case dark:
		return false
	case honest:
	}
	return truth
}

// Open reports whether gate i really is fully open.
func (s *Plant) Open(i int) bool { return s.way(i) == s.p.Gates[i].Travel }

// Shut reports whether gate i really is fully shut.
func (s *Plant) Shut(i int) bool { return s.way(i) == 0 }

func (s *Plant) selector() control.Selector {
	switch {
	case s.col.hand:
		return control.Hand
	case s.col.off:
		return control.Off
	}
	return control.Auto
}

// Powered reports whether the collector's motor has current.
func (s *Plant) Powered() bool {
	k := &s.col
	return (k.contactor || k.welded || k.hand) && !k.off && !k.tripped
}

// Turning reports whether the fan turns: powered, or not yet coasted down.
func (s *Plant) Turning() bool { return s.Powered() || s.spin() > 0 }

// spin is how long the fan would take from now to coast to a stand.
func (s *Plant) spin() time.Duration {
	k := &s.col
	if !k.turning {
		return max(k.speed-(s.now-k.since), 0)
	}
	full, run := s.p.Collector.Coast, s.now-k.since
	if run >= s.p.Collector.RunUp {
		return full
	}
	return min(full, k.speed+full/time.Millisecond*(run/time.Millisecond)/max(1, s.p.Collector.RunUp/time.Millisecond)*time.Millisecond)
}

// turn notes a change of the motor's power and reports it after the lag.
func (s *Plant) turn() {
	k := &s.col
	if on := s.Powered(); on != k.turning {
		k.speed = s.spin()
		k.since, k.turning = s.now, on
	}
	s.after(s.p.Collector.Lag, func() []control.Input { return s.feel(nil) })
}

// feel appends a report of the collector's feedback if it has any and it changed.
func (s *Plant) feel(in []control.Input) []control.Input {
	if !s.p.Collector.Feedback {
		return in
	}
	v := control.Idle
	switch {
	case s.col.wire:
		v = control.Unknown
	case s.Powered():
		v = control.Running
	}
	if v == s.col.said {
		return in
	}
	s.col.said = v
	return append(in, control.Input{Kind: control.CollectorIs, State: uint8(v)})
}

// String is the plant's true state in one line.
func (s *Plant) String() string {
	t := fmt.Sprintf("%v: collector powered=%v turning=%v; gates", s.now, s.Powered(), s.Turning())
	for i := range s.gates {
		t += fmt.Sprintf(" %d:%v/%v", i, s.way(i), s.p.Gates[i].Travel)
	}
	return t
}
