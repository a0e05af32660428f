package rig

import (
	"fmt"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
)

// relay is an actuator of the kind relay.
func relay(a *config.Actuator) *drive.Relay {
	return &drive.Relay{Name: a.Name, Line: drive.Line{Chip: a.Chip, Offset: a.Line}, ActiveLow: a.ActiveLow}
}

// topic is an actuator of the kind topic.
func topic(a *config.Actuator) *drive.Topic {
	return &drive.Topic{Name: a.Topic, On: a.On, Off: a.Off}
}

// gate is an actuator that moves a gate with a travel time. A reversed one
// opens it by what shuts others.
func gate(a *config.Actuator, travel time.Duration, reversed bool) drive.Gate {
	if reversed {
		b := *a
		b.ActiveLow = a.ActiveLow != (a.Kind == "relay")
		b.OpenLine, b.ShutLine = a.ShutLine, a.OpenLine
		b.PulseOpen, b.PulseShut = a.PulseShut, a.PulseOpen
		a = &b
	}
	switch a.Kind {
	case "relay":
		return drive.Gate{Relay: relay(a)}
	case "motor":
		line := func(n int) drive.Line { return drive.Line{Chip: a.Chip, Offset: n} }
		return drive.Gate{Motor: &drive.Motor{Name: a.Name, Open: line(a.OpenLine), Shut: line(a.ShutLine), ActiveLow: a.ActiveLow, Longest: travel}}
	case "topic":
		return drive.Gate{Topic: topic(a)}
	case "servo":
		return drive.Gate{Servo: &drive.Servo{Name: a.Name, Bus: a.Bus, Address: a.Address, Output: a.Output,
			Open: a.PulseOpen, Shut: a.PulseShut, Travel: travel, Slow: a.Slow, Release: a.Release}}
	}
	return drive.Gate{}
}

// means is what a contact of each kind tells.
var means = map[string]drive.Means{
	"machine": drive.MachineRuns, "gate-open": drive.GateIsOpen, "gate-shut": drive.GateIsShut, "collector": drive.CollectorRuns,
	"stop": drive.StopActs, "bin": drive.BinFull, "hand": drive.HandMode, "off": drive.OffMode, "button": drive.ButtonHolds,
	"stand-down": drive.StandDown,
}

// Wiring describes the outputs and contacts that a shop uses and that are wired
// to this computer to the drivers.
func Wiring(s *config.Shop) (drive.Params, error) {
	var p drive.Params
	here := func(actuator int) bool { return actuator >= 0 && s.Rig.Actuators[actuator].Node == 0 }
	if c := s.Collector.Actuator; here(c) {
		p.Collector = relay(&s.Rig.Actuators[c])
	}
	for i := range s.Gates {
		g := &s.Gates[i]
		if !here(g.Actuator) {
			p.Gates = append(p.Gates, drive.Gate{})
			continue
		}
		p.Gates = append(p.Gates, gate(&s.Rig.Actuators[g.Actuator], g.Travel, g.Reversed))
	}
	for i := range s.Outlets {
		a := &s.Rig.Actuators[s.Outlets[i].Actuator]
		if a.Node > 0 {
			p.Outlets = append(p.Outlets, drive.Outlet{})
			continue
		}
		if a.Kind == "topic" {
			p.Outlets = append(p.Outlets, drive.Outlet{Topic: topic(a)})
			continue
		}
		p.Outlets = append(p.Outlets, drive.Outlet{Relay: relay(a)})
	}
	for i, use := range s.Contacts() {
		if use.Kind == 0 || s.Rig.Contacts[i].Node > 0 {
			continue
		}
		c := &s.Rig.Contacts[i]
		m, ok := means[c.Kind]
		if !ok {
			return p, fmt.Errorf("contact %q: the drivers know no kind %q", c.Name, c.Kind)
		}
		p.Contacts = append(p.Contacts, drive.Contact{Name: c.Name, Line: drive.Line{Chip: c.Chip, Offset: c.Line}, Debounce: c.Debounce,
			Closed: c.Active, Means: m, ID: use.ID, Hold: use.Hold})
	}
	p.Heartbeat, p.Chips = heartbeat(s.Rig), chips(s.Rig)
	return p, nil
}

// answers gives control the patience that the drivers need: servos on one bus
// wait for each other.
func answers(p *control.Params, w *drive.Params) {
	for i := range p.Gates {
		p.Gates[i].Answer = w.GateAnswer(control.ID(i))
	}
}

// heartbeat toggles the line four times within the time after which its timer
// drops out.
func heartbeat(r *config.Rig) *drive.Heartbeat {
	if r.Heartbeat == nil {
		return nil
	}
	return &drive.Heartbeat{Line: drive.Line{Chip: r.Heartbeat.Chip, Offset: r.Heartbeat.Line}, Every: r.Heartbeat.DropsAfter / 4}
}

// chips are the servo chips whose output-enable pin, low to let pulses out, is
// on a line.
func chips(r *config.Rig) []drive.Chip {
	var out []drive.Chip
	for _, c := range r.ServoChips {
		out = append(out, drive.Chip{Bus: c.Bus, Address: c.Address,
			Enable: &drive.Relay{Name: fmt.Sprintf("servo chip 0x%02x", c.Address), Line: drive.Line{Chip: c.Chip, Offset: c.Line}, ActiveLow: true}})
	}
	return out
}

// Everything describes every output of a rig that is wired to this computer, whatever a shop uses it for: to
// make them inert.
func Everything(r *config.Rig) drive.Params {
	p := drive.Params{Heartbeat: heartbeat(r), Chips: chips(r)}
	own := r.Own()
	for i := range own.Actuators {
		a := &own.Actuators[i]
		switch a.Kind {
		case "relay":
			p.Outlets = append(p.Outlets, drive.Outlet{Relay: relay(a)})
		case "motor", "servo":
			p.Gates = append(p.Gates, gate(a, time.Second, false)) // nothing moves
		}
	}
	return p
}

// reading tells whether an input is about a machine, by a contact: then it goes
// the way of a channel's reading.
func reading(in control.Input) bool { return in.Kind == control.MachineIs }
