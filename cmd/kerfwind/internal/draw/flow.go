package draw

import (
	"cmp"
	"slices"
	"time"

	"kerfwind/control"
)

// start is one machine's way from switch-on to wanted flow.
type start struct {
	machine control.ID
	onset   time.Duration // estimated instant of the switch-on
	decided time.Duration // the run was detected
	path    time.Duration // the whole path was open; valid if hasPath
	on      time.Duration // the collector was commanded on; valid if hasOn
	hasPath bool
	hasOn   bool
	began   bool          // it had to wait for a gate or for the collector
	over    time.Duration // the run ended before; 0 it did not
	left    time.Duration // the machine was left alone before; 0 it was not
}

// done reports whether nothing is left to wait for but the fan.
func (s *start) done() bool { return s.hasPath && s.hasOn }

// parts are the seconds of a start, in the order in which they pass.
type parts struct{ sensing, gate, stagger, fan time.Duration }

// parts splits the start. runUp is how long the fan needs from the command to
// full flow; a fan that was running already needs less or nothing.
func (s *start) parts(runUp time.Duration) parts {
	p := parts{sensing: s.decided - s.onset}
	if s.hasPath {
		p.gate = max(0, s.path-s.decided)
	}
	if s.done() {
		ready := max(s.path, s.decided)
		p.stagger = max(0, s.on-ready)
		ready += p.stagger
		p.fan = max(0, s.on+runUp-ready)
	}
	return p
}

func (p parts) total() time.Duration { return p.sensing + p.gate + p.stagger + p.fan }

// flow follows machines from switch-on to wanted flow.
type flow struct {
	open []start       // not done yet
	all  []start       // that had to wait for something
	on   bool          // the collector, at the last look
	at   time.Duration // when on last changed
}

// observe follows one step.
func (f *flow) observe(s *control.Snapshot, events []control.Event) {
	on := s.Collector.Commanded
	if on != f.on {
		f.on, f.at = on, s.At
	}
	for _, e := range events {
		switch e.Kind {
		case control.MachineStarted:
			if e.Cause == control.ByFoundRunning { // nobody switched it on just now
				continue
			}
			st := start{machine: e.ID, decided: e.At, onset: e.At}
			if e.Onset != 0 && e.Onset <= e.At {
				st.onset = e.Onset
			}
			f.open = append(f.open, st)
		case control.MachineStopped:
			for i := range f.open {
				if f.open[i].machine == e.ID {
					f.open[i].over = e.At
				}
			}
		default:
		}
	}
	keep := f.open[:0]
	for _, st := range f.open {
		if int(st.machine) >= len(s.Machines) || !s.Machines[st.machine].Run && st.over == 0 {
			continue
		}
		if s.Machines[st.machine].Left { // no air comes for its sake
			st.left = s.At
			f.all = append(f.all, st)
			continue
		}
		waits := pathWaits(s, st.machine)
		if waits || !on {
			st.began = true
		}
		if !waits && !st.hasPath {
			st.path, st.hasPath = s.At, true
		}
		if on && !st.hasOn {
			st.on, st.hasOn = f.at, true
		}
		if !st.done() && st.over == 0 {
			keep = append(keep, st)
			continue
		}
		if st.began {
			f.all = append(f.all, st)
		}
	}
	f.open = keep
}

// pathWaits reports whether a gate that machine m wants open is not open yet.
// A gate that two machines want names one of them; the machine's own reason
// covers the other.
func pathWaits(s *control.Snapshot, m control.ID) bool {
	if s.Machines[m].Why.Cause == control.ByPath {
		return true
	}
	for i := range s.Gates {
		g := &s.Gates[i]
		if g.Wanted && g.Position != control.PositionOpen && g.Why.Machine == m && g.Why.Cause != control.ByHelper {
			return true
		}
	}
	return false
}

// slowest returns at most n of the starts and how many were left out: all in
// order of time, or the slowest first. Those that never got there come first.
func (f *flow) slowest(n int, runUp time.Duration) (some []start, left int) {
	some = append(slices.Clone(f.all), f.waiting()...)
	if len(some) <= n {
		return some, 0
	}
	slices.SortStableFunc(some, func(a, b start) int {
		if a.done() != b.done() {
			if b.done() {
				return -1
			}
			return 1
		}
		return cmp.Compare(b.parts(runUp).total(), a.parts(runUp).total())
	})
	return some[:n], len(some) - n
}

// waiting are the starts that were still waiting at the end.
func (f *flow) waiting() []start {
	var out []start
	for _, st := range f.open {
		if st.began {
			out = append(out, st)
		}
	}
	return out
}
