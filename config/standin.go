package config

import (
	"fmt"
	"time"

	"kerfwind/control"
)

// StandInOptions override what a stand-in shop takes for granted. A zero
// field keeps the stand-in's own figure.
type StandInOptions struct {
	Start, Stop float64       // A
	StopHold    time.Duration // below 0 means none
	Mains       float64       // Hz
}

// What a stand-in shop takes for granted, beside the defaults of a shop file.
const (
	standInTravel = time.Second
	standInRunOn  = 10 * time.Second
	standInMains  = 0 // Hz: the sensors find out
)

// StandIn makes a shop for a rig that has none yet: each channel a machine,
// each output that is made to move gates (a servo, a motor) a gate. A machine opens the gate of the same number, or
// none where the rig has fewer gates. The first output that may switch a contactor is the collector's. What
// goes beyond the limits of control is left out. A recording without a shop,
// live running without one and move-in begin here.
func StandIn(rig *Rig, o StandInOptions) *Shop {
	s := &Shop{Name: "stand-in", Rig: rig, Mains: Mains{Frequency: standInMains}}
	c, l, m0 := blank[rawCollector](), blank[rawLimits](), blank[rawMachine]()
	s.Collector = c.collector()
	s.Limits = l.limits()
	if o.Mains > 0 {
		s.Mains.Frequency = o.Mains
	}
	for i := range rig.Actuators {
		switch a := &rig.Actuators[i]; {
		case a.Kind.OnlyGates() && len(s.Gates) < control.MaxGates:
			s.Gates = append(s.Gates, Gate{Name: a.Name, Actuator: i, Duct: None, Travel: max(standInTravel, a.Slow),
				OpenSwitch: None, ShutSwitch: None, Button: None, Aside: None, RunOn: standInRunOn})
		case a.Kind.Serves(ForContactor) && s.Collector.Actuator < 0:
			s.Collector.Actuator = i
		}
	}
	for i := range rig.Channels {
		if !rig.Channels[i].Enabled || len(s.Machines) == control.MaxMachines {
			continue
		}
		m := Machine{Name: rig.Channels[i].Name, Channels: []int{i}, Circuit: None, Start: defStart, Stop: defStop, StopHold: defStopHold,
			RunOn: standInRunOn, GivenRun: true, Settle: m0.Settle, Rank: m0.Rank, Paths: [][]int{nil}}
		if o.Start > 0 {
			m.Start, m.given = o.Start, true
			m.Stop = min(m.Stop, o.Start)
		}
		if o.Stop > 0 {
			m.Stop, m.stopGiven = o.Stop, true
		}
		if o.StopHold != 0 {
			m.StopHold = max(o.StopHold, 0)
		}
		if g := len(s.Machines); g < len(s.Gates) {
			m.Gates, m.Paths = []int{g}, [][]int{{g}}
		}
		s.Machines = append(s.Machines, m)
	}
	return s
}

// StandInAmps makes rig and shop for a recording in amperes: machines and
// gates m0, m1, … in the order of its channels. Channels beyond the limits of
// control serve no machine.
func StandInAmps(channels int, o StandInOptions) (*Rig, *Shop) {
	r := &Rig{Name: "amperes", amperes: true, ADCs: []ADC{{Name: "recording"}}}
	for i := range channels {
		name := fmt.Sprintf("m%d", i)
		r.Channels = append(r.Channels, Channel{Name: name, Input: i, Turns: 1, Enabled: true})
		r.Actuators = append(r.Actuators, Actuator{Name: name, Kind: Servo, Output: i})
	}
	r.Actuators = append(r.Actuators, Actuator{Name: collectorName, Kind: Relay})
	return r, StandIn(r, o)
}
