package sim

import (
	"fmt"
	"slices"
	"time"

	"kerfwind/control"

	"testing"

	"pgregory.net/rapid"
)

// monitor checks, from inputs and commands alone, what must hold whatever
// breaks. It is made again when the power returns.
type monitor struct {
	p       control.Params
	core    *control.Core
	o       *oracle // for what is confirmed
	begun   time.Duration
	sensed  []control.Verdict
	down    bool
	stops   []control.Contact
	latched bool
	on      bool
	sel     control.Selector
	bin     control.Level
	wire    control.Contact
	left    []bool          // machines that are left until they stop
	lastRun []time.Duration // when a machine's sensor last said running
}

func newMonitor(w *world) *monitor {
	return &monitor{p: w.p, core: w.core, o: newOracle(w.p, w.now), begun: w.now, sensed: make([]control.Verdict, len(w.p.Machines)),
		stops: make([]control.Contact, len(w.p.Stops)), left: make([]bool, len(w.p.Machines)), lastRun: make([]time.Duration, len(w.p.Machines)), sel: control.Auto}
}

// take checks one step.
func (m *monitor) take(w *world, in control.Input) error {
	m.o.take(w.now, in, w.out.Commands)
	lifted := m.note(w, in)
	halted := m.down || m.latched || slices.Contains(m.stops, control.Broken)
	for _, c := range w.out.Commands {
		switch c.Kind {
		case control.CollectorOn:
			if err := m.mayStart(w, halted || lifted); err != nil {
				return err
			}
			m.on = true
		case control.CollectorOff:
			if m.on && m.running() && !halted && m.sel != control.Off && !w.forced() {
				return fmt.Errorf("the collector is switched off while a machine runs")
			}
			m.on = false
		case control.GateShut:
			for i := range m.p.Machines {
				if m.sensed[i] == control.Idle {
					continue
				}
				for _, h := range m.p.Machines[i].Hoods {
					for _, g := range h.Gates {
						if g == c.ID {
							return fmt.Errorf("gate %s is commanded shut while %s is %s", m.p.Gates[g].Name, m.p.Machines[i].Name, m.sensed[i])
						}
					}
				}
			}
			if halted || lifted {
				return fmt.Errorf("gate %d is commanded shut under stand-down or stop", c.ID)
			}
		case control.GateOpen:
			if halted {
				return fmt.Errorf("gate %d is commanded open under stand-down or stop", c.ID)
			}
		case control.OutletOn, control.OutletOff, control.GateStop, control.IndicatorOn, control.IndicatorOff:
		}
		if w.now < m.begun+m.p.PowerUp && c.Kind != control.CollectorOff && c.Kind != control.OutletOff {
			return fmt.Errorf("%s while the power has just returned", c.Kind)
		}
	}
	if halted && m.on {
		return fmt.Errorf("the collector is commanded on under stand-down or stop")
	}
	return nil
}

// note takes in the facts of an input. It reports whether something was lifted.
func (m *monitor) note(w *world, in control.Input) (lifted bool) {
	for _, e := range w.out.Events {
		if e.Kind == control.MachineLeft {
			m.left[e.ID] = true
		}
	}
	switch in.Kind { //nolint:exhaustive // the others do not matter here
	case control.MachineIs:
		m.sensed[in.ID] = control.Verdict(in.State)
		switch m.sensed[in.ID] {
		case control.Running:
			m.lastRun[in.ID] = w.now
		case control.Idle:
			m.left[in.ID] = false
		case control.Unknown:
		}
	case control.StopIs:
		lifted = m.stops[in.ID] == control.Broken // it can be read again: nothing starts by that
		m.stops[in.ID] = control.Contact(in.State)
		m.latched = m.latched || m.stops[in.ID] == control.Open
	case control.SwitchIs:
		if m.p.Collector.Switch {
			m.sel = control.Selector(in.State)
		}
	case control.BinIs:
		m.bin = control.Level(in.State)
	case control.StandDownIs:
		lifted = m.wire == control.Open && control.Contact(in.State) == control.Closed && m.down
		m.down = m.down && !lifted || control.Contact(in.State) != control.Closed
		m.wire = control.Contact(in.State)
	case control.Ask:
		local := in.Origin == control.Wired || in.Origin == control.Console
		switch control.AskKind(in.State) { //nolint:exhaustive // the others do not matter here
		case control.AskStandDown:
			m.down = true
		case control.AskLift:
			if local && m.wire != control.Open && m.wire != control.Broken {
				lifted, m.down = m.down, false
			}
		case control.AskReset:
			for _, s := range m.stops {
				local = local && (s == 0 || s == control.Closed)
			}
			if local {
				lifted, m.latched = m.latched, false
			}
		}
	}
	return lifted
}

// running reports whether some machine surely runs and is served by choice.
func (m *monitor) running() bool {
	if m.p.RefuseRunning {
		return false
	}
	for i, v := range m.sensed {
		if v == control.Running && !m.left[i] {
			return true
		}
	}
	return false
}

// forced reports whether a fault that stops the collector stands since or before
// this step, in which it was switched off for a fault.
func (w *world) forced() bool {
	byFault := false
	for _, e := range w.out.Events {
		byFault = byFault || e.Kind == control.CollectorIsOff && e.Cause == control.ByFault
	}
	for _, f := range w.core.Snapshot().Faults {
		if f.Fault == control.EveryPathShut || f.Fault.Facts().Latches {
			return byFault
		}
	}
	return false
}

func (m *monitor) mayStart(w *world, barred bool) error {
	switch {
	case barred:
		return fmt.Errorf("on under stand-down or stop, or by lifting it")
	case m.sel == control.Off:
		return fmt.Errorf("on although its switch stands in off")
	case m.p.BinBlocks && m.bin == control.Full:
		return fmt.Errorf("on although the bin is full")
	}
	open := false
	for i := range m.p.Gates {
		if m.o.branch(i) {
			open = open || m.o.open(append([]control.ID{control.ID(i)}, m.p.Gates[i].Downstream...), w.now)
		}
	}
	if !open {
		return fmt.Errorf("on and no whole path is confirmed open")
	}
	demand := false
	for i, v := range m.sensed {
		demand = demand || v == control.Running && m.lastRun[i]+m.p.Collector.Confirm <= w.now
	}
	held, _ := m.o.holds(w.now)
	if !demand && len(held) == 0 {
		return fmt.Errorf("on for nothing")
	}
	return nil
}

// TestFaults plays generated fault schedules, 500 or more: lost sensors, stuck, slow and
// pushed gates, lying switches, a dead bus, failing outputs, a tripped or welded
// collector, stops, stand-downs and power cuts at any time. Nothing that must
// hold is violated, and once all is well again everything is served.
func TestFaults(t *testing.T) {
	rounds(t, 1, 500, func(t *rapid.T) int {
		lines, machines, gates, branches := drawShop(t, 8, true)
		lines = append(lines, drawSchedule(t, machines, gates, branches, true)...)
		var m *monitor
		return playRandom(t, lines, func(w *world, in control.Input) error {
			if m == nil || m.core != w.core {
				m = newMonitor(w)
			}
			return m.take(w, in)
		}, atRest)
	})
}
