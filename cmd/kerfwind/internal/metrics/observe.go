package metrics

import (
	"math"
	"time"

	"kerfwind/control"
	"kerfwind/control/duct"
	"kerfwind/sensor"
)

// at returns entry n-1 of a list whose first entry is number 1, or nil.
func at[T any](list []T, n int) (t T) {
	if n > 0 && n <= len(list) {
		t = list[n-1]
	}
	return t
}

// Observe counts events and takes over the state after them.
func (m *Metrics) Observe(s *control.Snapshot, events []control.Event) {
	m.pass(s.At)
	for i := range events {
		m.event(&events[i])
	}
	m.state(s)
}

// Snapshot takes over the state at now, between events. Once a second is
// right: times go on, and starts come back to the budget without an event.
func (m *Metrics) Snapshot(s *control.Snapshot, now time.Duration) {
	m.pass(now)
	m.state(s)
}

// pass adds the time since the last snapshot to what has lasted over it.
func (m *Metrics) pass(now time.Duration) {
	d := (now - m.now).Seconds()
	if d <= 0 {
		return
	}
	m.now = now
	m.seconds.Add(d)
	for i := range m.machines {
		x := &m.machines[i]
		if x.prevRun {
			x.seconds.Add(d)
		}
		if x.prevNot {
			x.unserved.Add(d)
		}
	}
	for i := range m.outlets {
		if m.outlets[i].prevOn {
			m.outlets[i].seconds.Add(d)
		}
	}
	if m.col.prevOn {
		m.col.on.Add(d)
	}
	if m.col.prevRunning {
		m.col.running.Add(d)
	}
}

func (m *Metrics) event(e *control.Event) {
	if c := at(m.events, int(e.Kind)); c != nil {
		c.Inc()
	}
	id := int(e.ID)
	switch e.Kind {
	case control.MachineStarted:
		m.edge(0, e)
		if id < len(m.machines) {
			x := &m.machines[id]
			x.runs.Inc()
			x.waits, x.began = true, e.At
			if e.Onset > 0 {
				x.began = e.Onset
			}
		}
	case control.MachineStopped:
		m.edge(1, e)
		if id < len(m.machines) {
			m.machines[id].waits = false
		}
	case control.GateOpening, control.GateClosing:
		if id < len(m.gates) {
			g := &m.gates[id]
			if g.sent, g.moving = e.At, true; e.Kind == control.GateOpening {
				g.opens.Inc()
			} else {
				g.shuts.Inc()
			}
		}
	case control.GateIsOpen, control.GateIsClosed:
		if id < len(m.gates) && m.gates[id].moving {
			m.gates[id].moving = false
			m.gates[id].travel.Observe((e.At - m.gates[id].sent).Seconds())
		}
	case control.GateStopped:
		if id < len(m.gates) {
			m.gates[id].moving = false
		}
	case control.CollectorIsOn:
		m.col.starts.Inc()
	case control.BudgetExceeded:
		m.col.overBudget.Inc()
	case control.StartHeldBack:
		countCause(m.col.held, e.Cause)
	case control.WeakAir:
		m.col.weak.Inc()
	case control.RequestRefused:
		countCause(m.refused, e.Cause)
	case control.FaultRaised:
		if c := at(m.raised, int(e.Fault)); c != nil {
			c.Inc()
		}
	default: // counted by its kind
	}
}

// edge notes how long the detection of a start or stop took.
func (m *Metrics) edge(n int, e *control.Event) {
	if e.Onset > 0 && e.Onset <= e.At {
		m.detect[n].Observe((e.At - e.Onset).Seconds())
	}
}

func (m *Metrics) state(s *control.Snapshot) {
	yes(m.stoodDown, s.StoodDown)
	yes(m.latched, s.Latched())
	yes(m.closed, s.ShopClosed)
	yes(m.full, s.BinFull)
	for i := range min(len(m.machines), len(s.Machines)) {
		x, v := &m.machines[i], &s.Machines[i]
		x.sensed.set(int(v.Sensed) - 1)
		yes(x.running, v.Run)
		yes(x.served, v.Served)
		_, not := s.Uncollected(control.ID(i))
		yes(x.uncollected, not)
		x.prevRun, x.prevNot = v.Run, v.Run && !v.Served
		if x.waits && v.Served {
			x.waits = false
			m.col.delay.Observe((s.At - x.began).Seconds())
		}
	}
	for i := range min(len(m.gates), len(s.Gates)) {
		m.gates[i].position.set(int(s.Gates[i].Position))
		yes(m.gates[i].held, s.Gates[i].Held != 0)
	}
	for i := range min(len(m.outlets), len(s.Outlets)) {
		m.outlets[i].prevOn = s.Outlets[i].Commanded
		yes(m.outlets[i].on, s.Outlets[i].Commanded)
	}
	for i := range min(len(m.circuits), len(s.Circuits)) {
		m.circuits[i].set(int(s.Circuits[i]) - 1)
	}
	for i := range min(len(m.stops), len(s.Stops)) {
		yes(m.stops[i], s.Stops[i] == control.Open || s.Stops[i] == control.Broken)
	}
	c, v := &m.col, &s.Collector
	c.prevOn, c.prevRunning = v.Commanded, v.Sensed == control.Running
	yes(c.commanded, v.Commanded)
	yes(c.collecting, v.Sensed == control.Running || v.Commanded && v.Sensed != control.Idle)
	c.sensed.set(int(v.Sensed) - 1)
	if c.left != nil {
		c.left.Set(float64(v.StartsLeft))
	}
	m.flow(s)
	var standing [256]int
	for _, f := range s.Faults {
		standing[f.Fault]++
	}
	for i, g := range m.faults {
		g.Set(float64(standing[i+1]))
	}
}

// Reading takes over the current and the health of a channel.
func (m *Metrics) Reading(r sensor.Reading) {
	if r.Channel < 0 || r.Channel >= len(m.channels) {
		return
	}
	c := &m.channels[r.Channel]
	if a := float64(r.Amps); !math.IsNaN(a) && !math.IsInf(a, 0) {
		c.amps.Set(a)
	}
	c.health.set(int(r.Health) - 1)
	m.load(r)
}

// stale is the age from which a frame counts as stale: less than the time
// after which a channel without samples is unknown, and more than a good
// frame's. Our own choice.
const stale = 250 * time.Millisecond

// Frame takes a frame as the loop takes it, at now.
func (m *Metrics) Frame(f *sensor.Frame, now time.Duration) {
	if f.Source < 0 || f.Source >= len(m.sources) {
		return
	}
	s := &m.sources[f.Source]
	s.frames.Inc()
	if f.Err != nil {
		s.errors.Inc()
		return
	}
	if s.any && f.Index > s.next {
		s.missed.Add(float64(f.Index - s.next))
	}
	n := f.Scans()
	s.next, s.any = f.Index+uint64(n), true
	if f.Rate <= 0 || n == 0 {
		return
	}
	age := now - f.At - time.Duration(float64(n-1)/f.Rate*float64(time.Second))
	s.age.Observe(max(age.Seconds(), 0))
	if age > stale {
		s.stale.Inc()
	}
}

// Late takes how late a deadline was acted on.
func (m *Metrics) Late(d time.Duration) { m.late.Observe(max(d.Seconds(), 0)) }

// outputOf is the sort of output that a command is for, or -1.
func outputOf(k control.CommandKind) int {
	switch k {
	case control.CollectorOn, control.CollectorOff:
		return 0
	case control.OutletOn, control.OutletOff:
		return 1
	case control.GateOpen, control.GateShut, control.GateStop:
		return 2
	case control.IndicatorOn, control.IndicatorOff: // a lamp that blinks would drown the others
	}
	return -1
}

// Applied takes a command as it goes to its driver, at now.
func (m *Metrics) Applied(c control.Command, now time.Duration) {
	m.pending[c.Seq%uint32(len(m.pending))] = sent{c.Seq, now, true}
}

// Answered takes the outcome of a command, at now; other inputs are ignored.
func (m *Metrics) Answered(in control.Input, now time.Duration) {
	o := outputOf(in.What)
	if in.Kind != control.OutputIs || o < 0 {
		return
	}
	if p := &m.pending[in.Seq%uint32(len(m.pending))]; p.set && p.seq == in.Seq {
		p.set = false
		m.out[o].latency.Observe(max((now - p.at).Seconds(), 0))
	}
	if control.Outcome(in.State) == control.Failed {
		m.out[o].failed.Inc()
	}
}

// Air lets the flows follow the gates. look returns what is computed for a set of
// open gates and must not wait; false leaves the flows 0 until the next snapshot.
func (m *Metrics) Air(net *duct.Network, look func(open uint64) (total float64, flow []float64, ok bool)) {
	m.net, m.look = net, look
}

// flow takes the computed flow over, which is none while the collector is off.
func (m *Metrics) flow(s *control.Snapshot) {
	if m.look == nil {
		return
	}
	var whole float64
	var flow []float64
	if c := &s.Collector; c.Commanded || c.Sensed == control.Running {
		if t, f, ok := m.look(s.Open()); ok {
			whole, flow = t, f
		}
	}
	m.col.flow.Set(whole)
	for i := range min(len(m.machines), len(m.net.Machines)) {
		q := 0.0
		if flow != nil {
			q = m.net.Machines[i].Air(flow)
		}
		m.machines[i].flow.Set(q)
	}
}
