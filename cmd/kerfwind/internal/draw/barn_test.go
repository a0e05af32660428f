package draw

import (
	"math"
	"time"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
	"kerfwind/sensor"
)

// barn is a made-up recording of a small shop: invented currents, and states
// put down by hand rather than by the control, so that the picture's golden
// file changes only when the picture does.
type barn struct {
	names  timeline.Names
	labels []string
	of     []control.ID
	levels []Level
	state  control.Snapshot
	all    []observation
	load   [][]stretch // by channel
	end    time.Duration
}

type observation struct {
	snap   control.Snapshot
	events []control.Event
}

// stretch is a current from a time on.
type stretch struct {
	from    time.Duration
	amps    float32
	verdict sensor.Verdict
}

const (
	ms  = time.Millisecond
	sec = time.Second
)

func newBarn(end time.Duration) *barn {
	b := &barn{end: end,
		names: timeline.Names{Machines: []string{"band saw", "planer", "drum sander", "router"},
			Gates:      []string{"band saw", "planer", "drum sander", "router", "floor sweep", "far end"},
			Collectors: []string{"collector"}, Outlets: []string{"air cleaner"}},
		labels: []string{"c0", "c1", "c2", "c3", "c4"},
		of:     []control.ID{0, 1, 2, 3, control.NoID},
		levels: []Level{{1.5, 1}, {2.5, 1.5}, {1.5, 1}, {1, 0.6}, {}},
	}
	b.load = make([][]stretch, len(b.labels))
	for i := range b.load {
		b.load[i] = []stretch{{0, 0.05, sensor.Idle}}
	}
	b.load[4] = []stretch{{0, 0.4, sensor.Idle}}
	b.state = control.Snapshot{Machines: make([]control.MachineView, 4), Gates: make([]control.GateView, 6),
		Outlets: make([]control.OutletView, 1)}
	for i := range b.state.Machines {
		b.state.Machines[i] = control.MachineView{Sensed: control.Idle, Why: control.Why{Machine: control.ID(i)}}
	}
	for i := range b.state.Gates {
		b.state.Gates[i].Position = control.PositionShut
		b.state.Gates[i].Why.Machine = control.NoID
	}
	b.note(0)
	return b
}

// note keeps the state at a time, with what happened.
func (b *barn) note(at time.Duration, events ...control.Event) {
	b.state.At = at
	s := b.state
	s.Machines = append([]control.MachineView(nil), s.Machines...)
	s.Gates = append([]control.GateView(nil), s.Gates...)
	s.Outlets = append([]control.OutletView(nil), s.Outlets...)
	for i := range events {
		events[i].At = at
	}
	b.all = append(b.all, observation{s, events})
}

func (b *barn) current(ch int, from time.Duration, amps float32, v sensor.Verdict) {
	b.load[ch] = append(b.load[ch], stretch{from, amps, v})
}

func (b *barn) collector(on bool, c control.Cause, m control.ID) {
	b.state.Collector.Commanded = on
	b.state.Collector.Why = control.Why{Cause: c, Machine: m}
}

func (b *barn) gate(g int, p control.Position, m control.ID) {
	v := &b.state.Gates[g]
	v.Position = p
	v.Wanted = p == control.PositionOpening || p == control.PositionOpen
	v.Why = control.Why{Cause: control.ByMachine, Machine: m}
}

// run plays one machine: its start, its stop, and the time that its gates and
// the collector need.
func (b *barn) run(m control.ID, gates []int, from, to time.Duration, amps, inrush float32, travel, stagger time.Duration) {
	b.current(int(m), from, inrush, sensor.Idle)
	b.current(int(m), from+50*ms, inrush, sensor.Running)
	b.current(int(m), from+350*ms, amps, sensor.Running)
	b.current(int(m), to, 0.05, sensor.Running)
	b.current(int(m), to+1*sec, 0.05, sensor.Idle)

	decided := from + 60*ms
	b.state.Machines[m].Run, b.state.Machines[m].Sensed = true, control.Running
	ev := []control.Event{{Kind: control.MachineStarted, ID: m, Onset: from}}
	for _, g := range gates {
		b.gate(g, control.PositionOpening, m)
		ev = append(ev, control.Event{Kind: control.GateOpening, ID: control.ID(g), Cause: control.ByMachine})
	}
	b.note(decided, ev...)
	for _, g := range gates {
		b.gate(g, control.PositionOpen, m)
	}
	b.note(decided + travel)
	if b.state.Collector.Commanded {
		b.collector(true, control.ByMachine, m)
		b.note(decided + travel + 1)
	} else {
		b.collector(true, control.ByMachine, m)
		b.note(decided+travel+stagger, control.Event{Kind: control.CollectorIsOn, Cause: control.ByMachine})
	}
	b.state.Machines[m].Run, b.state.Machines[m].Sensed = false, control.Idle
	b.collector(true, control.ByRunOn, m)
	b.note(to+1*sec, control.Event{Kind: control.MachineStopped, ID: m, Onset: to})
}

// afternoon is six minutes in the barn.
func afternoon() *barn {
	b := newBarn(6 * time.Minute)
	b.run(1, []int{1}, 18*sec, 74*sec, 13, 61, 900*ms, 0)
	b.collector(true, control.ByMinOn, control.NoID)
	b.note(90 * sec)
	b.run(3, []int{3}, 96*sec, 141*sec, 7.5, 22, 900*ms, 0)
	b.gate(1, control.PositionShutting, control.NoID)
	b.note(143 * sec)
	b.gate(1, control.PositionShut, control.NoID)
	b.note(144 * sec)
	b.collector(true, control.ByBudget, control.NoID)
	b.note(160 * sec)
	b.collector(false, control.ByNoDemand, control.NoID)
	b.note(186*sec, control.Event{Kind: control.CollectorIsOff})
	b.run(2, []int{2, 5}, 210*sec, 262*sec, 6, 33, 2500*ms, 1200*ms)
	b.state.Outlets[0].Commanded = true
	b.note(265 * sec)
	b.gate(0, control.PositionOpening, 0)
	b.current(0, 281*sec, 40, sensor.Running)
	b.current(0, 282*sec, 8, sensor.Running)
	b.state.Machines[0].Run = true
	b.note(281*sec+70*ms, control.Event{Kind: control.MachineStarted, ID: 0, Onset: 281 * sec})
	b.gate(0, control.PositionUnknown, 0)
	b.state.Gates[0].Wanted = true
	b.note(290*sec, control.Event{Kind: control.FaultRaised, Fault: control.GateNotOpen, ID: 0})
	b.collector(false, control.ByNoDemand, control.NoID)
	b.note(296 * sec)
	b.current(2, 300*sec, 0, sensor.Unknown)
	b.note(300*sec, control.Event{Kind: control.FaultRaised, Fault: control.SensorLost, ID: 2})
	b.current(2, 330*sec, 0.05, sensor.Idle)
	b.note(330*sec, control.Event{Kind: control.FaultCleared, Fault: control.SensorLost, ID: 2})
	return b
}

// picture plays the recording into a new picture.
func (b *barn) picture() *Picture {
	p := New(b.names, b.labels, b.of, b.levels)
	const half = 8333333 * time.Nanosecond
	at := make([]int, len(b.load))
	n := 0
	for t := half; t <= b.end; t += half {
		for n < len(b.all) && b.all[n].snap.At <= t {
			p.Observe(&b.all[n].snap, b.all[n].events)
			n++
		}
		for ch := range b.load {
			for at[ch]+1 < len(b.load[ch]) && b.load[ch][at[ch]+1].from <= t {
				at[ch]++
			}
			l := b.load[ch][at[ch]]
			wobble := float32(1 + 0.12*math.Sin(t.Seconds()*3.7+float64(ch)) + 0.05*math.Sin(t.Seconds()*41))
			p.Reading(sensor.Reading{Channel: ch, At: t, Verdict: l.verdict, Amps: l.amps * wobble})
		}
	}
	return p
}
