package sim

import (
	"errors"
	"fmt"
	"time"

	"kerfwind/control"
)

// oracle is a slow and obvious second implementation. It keeps every input and
// command since the core began and works out afresh, each time, whether the
// collector should be on and which gates should be commanded open. It holds
// for plants without faults; what has to do with limits, helpers and faults it
// leaves to the monitor.
type oracle struct {
	p     control.Params
	begun time.Duration
	log   []entry
	on    []onTime
	vague bool
}

type entry struct {
	at  time.Duration
	in  control.Input
	cmd control.Command // when in is empty
}

// onTime is a time in which the collector was commanded on; to is far while it is.
type onTime struct{ from, to time.Duration }

const far = 1 << 62

const onForNothing = "the collector is on for nothing"

// span is a run of a machine.
type span struct {
	from, to time.Duration // to is far while it runs
	sure     time.Duration // since when the sensor says "running" without a break
	lost     time.Duration // since when its sensor is lost; far if it is not
}

func newOracle(p control.Params, at time.Duration) *oracle {
	return &oracle{p: p, begun: at}
}

// take notes an input and the commands that followed it.
func (o *oracle) take(at time.Duration, in control.Input, cmds []control.Command) {
	o.log = append(o.log, entry{at: at, in: in})
	for _, c := range cmds {
		o.log = append(o.log, entry{at: at, cmd: c})
		switch c.Kind {
		case control.CollectorOn:
			o.on = append(o.on, onTime{at, far})
		case control.CollectorOff:
			if n := len(o.on); n > 0 && o.on[n-1].to == far {
				o.on[n-1].to = at
			}
		case control.OutletOn, control.OutletOff, control.GateOpen, control.GateShut, control.GateStop, control.IndicatorOn, control.IndicatorOff:
		}
	}
}

// air reports whether air moved at an instant, before what happened then. What
// ends by itself at that instant comes before the end of the coast-down. When
// the collector itself was switched then, the oracle does not know: vague.
func (o *oracle) air(at time.Duration, byItself bool) bool {
	if byItself {
		at--
	}
	if at < o.begun+o.p.Collector.Coast {
		return true // it may have run a moment before the start
	}
	for _, t := range o.on {
		o.vague = o.vague || at == t.from || at == t.to+o.p.Collector.Coast
		if t.from <= at && at < t.to+o.p.Collector.Coast || t.from <= at && at <= t.to && !byItself {
			return true
		}
	}
	return false
}

// halts lists the times under stand-down or latched, and when each was lifted
// until something was started again: "quiet".
func (o *oracle) halts(now time.Duration) (halted, quiet bool) {
	halted, quiet = o.halted()
	return halted || now < o.begun+o.p.PowerUp, quiet
}

func (o *oracle) halted() (halted, quiet bool) {
	h := newHalts(o)
	for _, e := range o.log {
		h.take(o, e)
	}
	return h.halted(), h.quiet
}

// halts is what holds of stops and stand-downs after some entries of the log.
type halts struct {
	down, latched, quiet bool
	stops                map[control.ID]control.Contact
	sensed               map[control.ID]control.Verdict
}

func newHalts(o *oracle) *halts {
	return &halts{down: o.p.StoodDown, stops: map[control.ID]control.Contact{}, sensed: map[control.ID]control.Verdict{}}
}

func (h *halts) halted() bool {
	for _, s := range h.stops {
		if s == control.Broken { // it stops everything, and latches nothing
			return true
		}
	}
	return h.down || h.latched
}

func (h *halts) take(o *oracle, e entry) {
	switch in := e.in; in.Kind { //nolint:exhaustive // the others do not matter here
	case control.StopIs:
		s := control.Contact(in.State)
		h.quiet = h.quiet || s == control.Closed && h.stops[in.ID] == control.Broken
		h.stops[in.ID] = s
		h.latched = h.latched || s == control.Open
	case control.MachineIs:
		if control.Verdict(in.State) == control.Running && !o.runs(int(in.ID), e.at-1) && h.sensed[in.ID] != control.Running {
			h.quiet = false
		}
		h.sensed[in.ID] = control.Verdict(in.State)
	case control.Ask:
		switch control.AskKind(in.State) { //nolint:exhaustive // the others do not matter here
		case control.AskStandDown:
			h.down = true
		case control.AskLift:
			if h.down && in.Origin == control.Console {
				h.down, h.quiet = false, true
			}
		case control.AskReset:
			any := false
			for _, s := range h.stops {
				any = any || s != control.Closed
			}
			if h.latched && !any && in.Origin == control.Console {
				h.latched, h.quiet = false, true
			}
		case control.AskHold:
			if !h.halted() && in.Origin == control.Page && e.at >= o.begun+o.p.PowerUp {
				h.quiet = false
			}
		}
	}
}

// left reports whether a machine was left alone at an instant, before its
// sensor said idle then: it ran under a stop or a stand-down, and has not stopped since.
func (o *oracle) left(m int, at time.Duration) bool {
	left := false
	h := newHalts(o)
	for i, e := range o.log {
		if e.at > at || e.at == at && e.in.Kind == control.MachineIs && int(e.in.ID) == m && control.Verdict(e.in.State) == control.Idle {
			break
		}
		if e.in.Kind == 0 {
			continue
		}
		h.take(o, e)
		if e.in.Kind == control.MachineIs && int(e.in.ID) == m && control.Verdict(e.in.State) == control.Idle {
			left = false
		}
		if h.halted() && !left {
			was := *o
			was.log = o.log[:i+1]
			left = was.runs(m, e.at)
		}
	}
	return left
}

// collected reports whether a machine's dust was collected at an instant, before its
// sensor said idle then.
func (o *oracle) collected(m int, at time.Duration) bool {
	was := *o
	for i, e := range o.log {
		if e.at > at || e.at == at && e.in.Kind == control.MachineIs && int(e.in.ID) == m && control.Verdict(e.in.State) == control.Idle {
			was.log = o.log[:i]
			break
		}
	}
	for _, h := range o.p.Machines[m].Hoods {
		if !was.open(h.Gates, at) {
			return false
		}
	}
	for _, t := range o.on {
		o.vague = o.vague || at == t.from || at == t.to
		if t.from < at && at < t.to {
			return true
		}
	}
	return false
}

// runs reports whether a machine's run was on at an instant.
func (o *oracle) runs(m int, at time.Duration) bool {
	for _, s := range o.spans(m, at) {
		if s.from <= at && at < s.to {
			return true
		}
	}
	return false
}

// spans works out the runs of a machine from what its sensor said up to now.
func (o *oracle) spans(m int, now time.Duration) (list []span) {
	var s *span
	end := func(at time.Duration) {
		s.to = at
		s = nil
	}
	for _, e := range o.log {
		if e.in.Kind != control.MachineIs || int(e.in.ID) != m || e.at > now {
			continue
		}
		if s != nil && s.lost != far && s.lost+o.p.UnknownHold <= e.at {
			end(s.lost + o.p.UnknownHold)
		}
		switch v := control.Verdict(e.in.State); {
		case v == control.Running && s == nil:
			list = append(list, span{from: e.at, to: far, sure: e.at, lost: far})
			s = &list[len(list)-1]
		case v == control.Running && s.lost != far:
			s.lost, s.sure = far, e.at
		case v == control.Idle && s != nil:
			end(e.at)
		case v == control.Unknown && s != nil && s.lost == far:
			s.lost = e.at
		}
	}
	if s != nil && s.lost != far && s.lost+o.p.UnknownHold <= now {
		end(s.lost + o.p.UnknownHold)
	}
	return list
}

// holds works out which gates are held, and until when their run-on lasts.
func (o *oracle) holds(now time.Duration) (held, runOn map[int]time.Duration) {
	held, runOn = map[int]time.Duration{}, map[int]time.Duration{}
	ends := func(at time.Duration) {
		for g, until := range held {
			if until <= at {
				delete(held, g)
				if o.air(until, true) {
					runOn[g] = until + o.p.Gates[g].RunOn
				}
			}
		}
	}
	for _, e := range o.log {
		ends(e.at)
		halted := e.in.Kind == control.StopIs && control.Contact(e.in.State) != control.Closed || e.in.Kind == control.Ask && control.AskKind(e.in.State) == control.AskStandDown
		if halted {
			clear(held)
			clear(runOn)
		}
		if e.in.Kind != control.Ask {
			continue
		}
		g := int(e.in.ID)
		switch control.AskKind(e.in.State) { //nolint:exhaustive // the others do not matter here
		case control.AskHold:
			if stopped, _ := o.before(e).halts(e.at); stopped || !o.branch(g) {
				continue
			}
			long := o.p.HoldLongest
			if e.in.For > 0 && e.in.For < long {
				long = e.in.For
			}
			held[g] = e.at + long
			delete(runOn, g)
		case control.AskRelease:
			if _, is := held[g]; is {
				delete(held, g)
				if o.air(e.at, false) {
					runOn[g] = e.at + o.p.Gates[g].RunOn
				}
			}
		}
	}
	ends(now)
	return held, runOn
}

// before is the oracle as it was before an entry.
func (o *oracle) before(e entry) *oracle {
	was := *o
	for i := range o.log {
		if o.log[i] == e {
			was.log = o.log[:i]
			break
		}
	}
	return &was
}

// branch reports whether a gate has no other upstream of it.
func (o *oracle) branch(g int) bool {
	for i := range o.p.Gates {
		for _, d := range o.p.Gates[i].Downstream {
			if int(d) == g {
				return false
			}
		}
	}
	return true
}

// gate is what the log says of a gate now.
type gateNow struct {
	shown     control.Shown
	cmd       control.CommandKind
	at        time.Duration // when that was
	done      time.Duration // when the driver answered that command; far before
	failed    bool          // it answered that it could not
	reversing bool
}

func (o *oracle) gate(g int) gateNow {
	n := gateNow{done: far}
	var seq uint32
	shutAt := time.Duration(0)
	for _, e := range o.log {
		switch {
		case e.in.Kind == control.GateIs && int(e.in.ID) == g:
			n.shown = control.Shown(e.in.State)
			n.reversing = n.reversing && n.shown == control.ShownOpen
		case e.cmd.Kind >= control.GateOpen && int(e.cmd.ID) == g:
			young := e.at < shutAt+o.p.Answer+o.p.Gates[g].Travel && !n.still(o, g, e.at) // it may only just have begun to shut
			n.reversing = e.cmd.Kind == control.GateOpen && (n.cmd == control.GateShut && young && n.shown == control.ShownOpen || n.reversing)
			if e.cmd.Kind == control.GateShut {
				shutAt = e.at
			}
			n.cmd, n.at, n.done, n.failed, seq = e.cmd.Kind, e.at, far, false, e.cmd.Seq
		case e.in.Kind == control.OutputIs && e.in.What >= control.GateOpen && int(e.in.ID) == g && e.in.Seq == seq && control.Outcome(e.in.State) == control.Done:
			n.done = e.at
		case e.in.Kind == control.OutputIs && e.in.What >= control.GateOpen && int(e.in.ID) == g && e.in.Seq == seq && control.Outcome(e.in.State) == control.Failed:
			n.failed = true
		}
	}
	if n.done != far {
		n.reversing = false
	}
	return n
}

// still reports whether a gate moves no more by its last command: that has failed,
// was not answered in time, or its travel time is over.
func (n *gateNow) still(o *oracle, g int, now time.Duration) bool {
	if n.done == far {
		return n.failed || n.at+o.p.Answer <= now
	}
	return n.done+o.p.Gates[g].Travel <= now
}

// confirmed: by its switch where it has one, by travel time only where it has none.
func (o *oracle) confirmed(g int, now time.Duration) bool {
	n, p := o.gate(g), o.p.Gates[g]
	if p.OpenSwitch {
		return n.shown == control.ShownOpen && (n.cmd != control.GateShut && !n.reversing || n.still(o, g, now))
	}
	timed := n.cmd == control.GateOpen && n.done != far && n.done+p.Travel <= now
	return timed && (!p.ShutSwitch || n.shown == control.ShownBetween)
}

func (o *oracle) open(path []control.ID, now time.Duration) bool {
	for _, g := range path {
		if !o.confirmed(int(g), now) {
			return false
		}
	}
	return true
}

// verdict compares the oracle with what has been commanded.
func (o *oracle) verdict(now time.Duration) error {
	o.vague = false
	if err := o.judge(now); !o.vague {
		return err
	}
	return nil
}

func (o *oracle) judge(now time.Duration) error {
	halted, _ := o.halts(now)
	wasOn := len(o.on) > 0 && o.on[len(o.on)-1].to == far
	wanted := map[int]bool{}
	want := func(path []control.ID) {
		for _, g := range path {
			wanted[int(g)] = true
		}
	}
	var runs, start, stay bool // a machine runs; one is ready to start the collector; a run-on is pending
	settled := true
	c := o.p.Collector
	owed := time.Duration(0)
	if n := len(o.on); n > 1 && o.on[n-1].to == far {
		owed = max(0, o.on[n-2].to+c.MinOff-o.on[n-1].from)
	}
	ends := func(end, runOn time.Duration, air bool) bool {
		if !air || wasOn && end < o.on[len(o.on)-1].from {
			return end+runOn > now && air
		}
		if end+runOn+owed > now {
			stay = true
		}
		return end+runOn > now
	}
	for m := range o.p.Machines {
		spans := o.spans(m, now)
		for k, s := range spans {
			if s.to <= now {
				h, _ := o.at(s.to).halts(s.to)
				if !h && (!o.left(m, s.to) || o.collected(m, s.to)) && !halted && o.sinceHalt(s.to) && ends(s.to, o.p.RunOn(control.ID(m), 0), o.air(s.to, s.lost != far && s.to == s.lost+o.p.UnknownHold)) && k == len(spans)-1 {
					stay = true
					for _, h := range o.p.Machines[m].Hoods {
						want(h.Gates)
					}
				}
				continue
			}
			if s.lost == far && c.Circuit != control.NoID && o.p.Machines[m].Circuit == c.Circuit && s.from+o.p.Machines[m].Inrush > now {
				settled = false // it loads the circuit also while it is left
			}
			if o.left(m, now+1) {
				continue
			}
			runs = true
			for _, h := range o.p.Machines[m].Hoods {
				want(h.Gates)
				start = start || s.lost == far && s.sure+c.Confirm <= now && o.open(h.Gates, now)
			}
		}
	}
	held, runOn := o.holds(now)
	hold := false
	for g := range held {
		path := append([]control.ID{control.ID(g)}, o.p.Gates[g].Downstream...)
		want(path)
		hold = hold || o.open(path, now)
	}
	for g, until := range runOn {
		if ends(until-o.p.Gates[g].RunOn, o.p.Gates[g].RunOn, true) {
			stay = true
			want(append([]control.ID{control.ID(g)}, o.p.Gates[g].Downstream...))
		}
	}
	recent := 0
	for _, t := range o.on {
		if t.from+c.Window > now {
			recent++
		}
	}
	spent := c.Starts > 0 && recent >= c.Starts
	resting := len(o.on) > 0 && !wasOn && o.on[len(o.on)-1].to+c.MinOff > now
	switch {
	case halted && wasOn:
		return fmt.Errorf("on while nothing may start")
	case halted:
		return nil
	case !wasOn && (start || hold && !resting && !spent) && settled:
		return fmt.Errorf("the collector is off: a path of a demand is open")
	case wasOn && !runs && len(held) == 0 && !stay && o.on[len(o.on)-1].from+c.MinOn <= now && !spent:
		return errors.New(onForNothing)
	}
	for g := range wanted {
		if k := o.gate(g).cmd; k != control.GateOpen {
			return fmt.Errorf("gate %s is wanted and its last command is %s", o.p.Gates[g].Name, k)
		}
	}
	return nil
}

// offAllowed says why the collector, switched off by these commands, should be on.
func (o *oracle) offAllowed(now time.Duration, cmds []control.Command) error {
	n := len(o.on)
	off := false
	for _, c := range cmds {
		off = off || c.Kind == control.CollectorOff
	}
	if n == 0 || !off || o.on[n-1].to != now {
		return nil
	}
	if halted, _ := o.halts(now); halted {
		return nil
	}
	was := *o
	was.vague = false
	was.on = append(append([]onTime(nil), o.on[:n-1]...), onTime{o.on[n-1].from, far})
	why := "a demand, a run-on or the budget"
	err := was.judge(now)
	if err != nil {
		why = err.Error()
	}
	if !was.vague && why != onForNothing {
		return fmt.Errorf("the collector is switched off although it is needed: %s", why)
	}
	return nil
}

// at is the oracle with what it knew at an instant.
func (o *oracle) at(at time.Duration) *oracle {
	was := *o
	for i, e := range o.log {
		if e.at > at {
			was.log = o.log[:i]
			break
		}
	}
	return &was
}

// sinceHalt reports whether nothing was halted since an instant.
func (o *oracle) sinceHalt(at time.Duration) bool {
	for _, e := range o.log {
		if e.at < at {
			continue
		}
		if e.in.Kind == control.StopIs && control.Contact(e.in.State) != control.Closed || e.in.Kind == control.Ask && control.AskKind(e.in.State) == control.AskStandDown {
			return false
		}
	}
	return true
}
