package rig

import (
	"errors"
	"fmt"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
)

// gate is an actuator that moves a gate with a travel time. A reversed one
// opens it by what shuts others.
func gate(a *config.Actuator, travel time.Duration, reversed bool) (drive.Gate, error) {
	build := of(drivers[:], a.Kind).gate
	if build == nil {
		return drive.Gate{}, fmt.Errorf("actuator %q: no driver moves a gate by a %s", a.Name, a.Kind)
	}
	if reversed {
		b := a.Turned()
		a = &b
	}
	return build(a, travel), nil
}

// outlet is an actuator that switches something.
func outlet(a *config.Actuator) (drive.Outlet, error) {
	build := of(drivers[:], a.Kind).outlet
	if build == nil {
		return drive.Outlet{}, fmt.Errorf("actuator %q: no driver switches anything by a %s", a.Name, a.Kind)
	}
	return build(a), nil
}

// contactor is an actuator that switches the collector's contactor, or a lamp.
func contactor(a *config.Actuator) (*drive.Relay, error) {
	o, err := outlet(a)
	if err == nil && o.Relay == nil {
		err = fmt.Errorf("actuator %q: no driver switches that by a %s", a.Name, a.Kind)
	}
	return o.Relay, err
}

// Wiring describes the outputs and contacts that a shop uses and that are wired
// to this computer to the drivers.
func Wiring(s *config.Shop) (drive.Params, error) {
	var p drive.Params
	here := func(actuator int) bool { return actuator >= 0 && s.Rig.Actuators[actuator].Node == 0 }
	var errs []error
	keep := func(err error) {
		if err != nil {
			errs = append(errs, err)
		}
	}
	var err error
	if c := s.Collector.Actuator; here(c) {
		p.Collector, err = contactor(&s.Rig.Actuators[c])
		keep(err)
	}
	for i := range s.Gates {
		g := &s.Gates[i]
		if !here(g.Actuator) {
			p.Gates = append(p.Gates, drive.Gate{})
			continue
		}
		made, err := gate(&s.Rig.Actuators[g.Actuator], g.Travel, g.Reversed)
		keep(err)
		p.Gates = append(p.Gates, made)
	}
	for i := range s.Outlets {
		a := &s.Rig.Actuators[s.Outlets[i].Actuator]
		if a.Node > 0 {
			p.Outlets = append(p.Outlets, drive.Outlet{})
			continue
		}
		made, err := outlet(a)
		keep(err)
		p.Outlets = append(p.Outlets, made)
	}
	for i := range s.Indicators {
		made, err := contactor(&s.Rig.Actuators[s.Indicators[i].Actuator])
		keep(err)
		p.Lamps = append(p.Lamps, made)
	}
	for i, use := range s.Contacts() {
		if use.Kind == 0 || s.Rig.Contacts[i].Node > 0 {
			continue
		}
		c := &s.Rig.Contacts[i]
		m := of(means[:], c.Kind)
		if m == 0 {
			keep(fmt.Errorf("contact %q: no driver reads a %s contact", c.Name, c.Kind))
		}
		p.Contacts = append(p.Contacts, drive.Contact{Name: c.Name, Line: drive.Line{Chip: c.Chip, Offset: c.Line}, Debounce: c.Debounce,
			Closed: c.Active, Means: m, ID: use.ID, Hold: use.Hold})
	}
	p.Heartbeat, p.Chips = heartbeat(s.Rig), chips(s.Rig)
	return p, errors.Join(errs...)
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

// Everything describes every output of a rig that is wired to this computer,
// whatever a shop uses it for: to make them inert. The error names each that no
// driver can reach; the rest is described all the same.
func Everything(r *config.Rig) (drive.Params, error) {
	p := drive.Params{Heartbeat: heartbeat(r), Chips: chips(r)}
	var errs []error
	own := r.Own()
	for i := range own.Actuators {
		a := &own.Actuators[i]
		switch made := of(drivers[:], a.Kind); {
		case a.Kind == config.OnTopic: // it is told what to do, and nothing here holds it
		case made.outlet != nil:
			p.Outlets = append(p.Outlets, made.outlet(a))
		case made.gate != nil:
			p.Gates = append(p.Gates, made.gate(a, time.Second)) // nothing moves
		default:
			errs = append(errs, fmt.Errorf("actuator %q: no driver makes a %s inert: cut its supply", a.Name, a.Kind))
		}
	}
	return p, errors.Join(errs...)
}

// reading reports whether an input is about a machine, by a contact: then it goes
// the way of a channel's reading.
func reading(in control.Input) bool { return in.Kind == control.MachineIs }
