package config

import (
	"time"

	"kerfwind/control"
	"kerfwind/sensor"
)

// id is an index as control writes it.
func id(i int) control.ID {
	if i < 0 {
		return control.NoID
	}
	return control.ID(i)
}

func ids(list []int) []control.ID {
	out := make([]control.ID, len(list))
	for i, x := range list {
		out[i] = id(x)
	}
	return out
}

// Control describes the shop to the state machine. Its run-ons are those of
// the file; where the duct is computed the caller replaces RunOn. IDs are the
// indices of the shop's lists; stop inputs are those of Stops.
func (s *Shop) Control() control.Params {
	p := control.Defaults()
	p.MoveIn = s.MoveIn
	runOn := make([]time.Duration, len(s.Machines))
	worst := s.Collector.ClearOut
	for i := range s.Machines {
		m := &s.Machines[i]
		runOn[i] = m.RunOn
		worst = max(worst, m.RunOn)
		// Control serves a higher rank first; in the file 1 is the first.
		c := control.Machine{Name: m.Name, Rank: 10 - m.Rank, Circuit: id(m.Circuit), Inrush: m.Settle}
		for _, path := range m.Paths {
			c.Hoods = append(c.Hoods, control.Hood{Gates: ids(path)})
		}
		p.Machines = append(p.Machines, c)
	}
	p.RunOn = func(machine control.ID, _ uint64) time.Duration {
		if int(machine) < len(runOn) {
			return runOn[machine]
		}
		return worst
	}
	for i := range s.Gates {
		g := &s.Gates[i]
		told := g.Actuator >= 0 && s.Rig.Actuators[g.Actuator].State != "" // it says itself where it is
		p.Gates = append(p.Gates, control.Gate{Name: g.Name, Travel: g.Travel, OpenSwitch: g.OpenSwitch >= 0 || told, ShutSwitch: g.ShutSwitch >= 0 || told,
			Actuated: g.Actuator >= 0, Downstream: ids(s.downstream(i)), RunOn: g.RunOn, Button: g.Aside >= 0})
	}
	for i := range s.Outlets {
		o := &s.Outlets[i]
		p.Outlets = append(p.Outlets, control.Outlet{Name: o.Name, Follows: ids(o.Follows), RunOn: o.RunOn})
	}
	for i := range s.Indicators {
		n := &s.Indicators[i]
		p.Indicators = append(p.Indicators, control.Indicator{Name: n.Name, Shows: n.Shows, Half: n.Half})
	}
	p.ResetButton = s.Rig.has(ResetContact)
	for i := range s.Circuits {
		p.Circuits = append(p.Circuits, control.Circuit{Name: s.Circuits[i].Name, Rating: s.Circuits[i].Breaker})
	}
	for _, c := range s.Stops() {
		p.Stops = append(p.Stops, control.Stop{Name: s.Rig.Contacts[c].Name})
	}
	c := &s.Collector
	p.Collector.Name = collectorName
	p.Collector.Confirm, p.Collector.Coast = c.Confirm, c.Coast
	p.Collector.Starts, p.Collector.Window = c.StartsPerHour, time.Hour
	p.Collector.MinOn, p.Collector.MinOff = c.MinOn, c.MinOff
	p.Collector.Within, p.Collector.Circuit = c.Within, id(c.Circuit)
	p.Collector.Switch = c.Hand >= 0 || c.Off >= 0
	switch {
	case c.Channel >= 0:
		p.Collector.Feedback = control.ByCurrent
	case c.Contact >= 0:
		p.Collector.Feedback = control.ByContact
	}
	l := &s.Limits
	p.MaxOpen, p.RefuseRunning, p.CloseAtRest = l.MaxOpen, l.Refuse, l.CloseAtRest
	p.BinBlocks, p.TopicMayStart = l.BinBlocks, l.TopicStarts
	p.UnknownHold, p.HoldLongest, p.PowerUp = l.UnknownHold, l.HoldLongest, l.PowerUp
	return p
}

// downstream lists the gates between gate g and the collector.
func (s *Shop) downstream(g int) []int {
	if d := s.Gates[g].Duct; d >= 0 {
		return s.gatesOn(d)[1:]
	}
	return nil
}

// Stops lists the rig's stop contacts: stop input i of control is contact
// Stops()[i].
func (s *Shop) Stops() []int { return s.Rig.ofKind(StopContact) }

func (r *Rig) ofKind(kind ContactKind) []int {
	var out []int
	for i := range r.Contacts {
		if r.Contacts[i].Kind == kind {
			out = append(out, i)
		}
	}
	return out
}

// Sensor describes the rig's sources to the detectors, one Params a converter,
// for samples that are raw counts. A channel that senses nothing in this
// shop is skipped there.
func (s *Shop) Sensor() []sensor.Params { return s.sensor(s.Rig.amperes) }

// SensorAmps is Sensor for samples that are amperes already.
func (s *Shop) SensorAmps() []sensor.Params { return s.sensor(true) }

func (s *Shop) sensor(amperes bool) []sensor.Params {
	use := s.Channels()
	out := make([]sensor.Params, len(s.Rig.ADCs))
	for a := range s.Rig.ADCs {
		out[a] = s.Rig.detector(a, amperes)
		p := &out[a]
		p.Mains, p.HoldMains, p.Shares = s.Mains.Frequency, s.Mains.Exact, s.shares
		for i := range p.Channels {
			c := &p.Channels[i]
			u := &use[c.Channel]
			c.Used, c.Start, c.Stop, c.StopHold = u.Used(), u.Start, u.Stop, u.StopHold
			if s.idle != nil {
				c.Idle = s.idle[c.Channel]
			}
		}
	}
	return out
}

// Detector describes a converter's channels, without a shop: nothing of what
// they stand for, and no levels.
func (r *Rig) Detector(adc int) sensor.Params { return r.detector(adc, r.amperes) }

func (r *Rig) detector(adc int, amperes bool) sensor.Params {
	p := sensor.Params{Source: adc}
	for _, ch := range r.Of(adc) {
		c := sensor.ChannelParams{Channel: ch, Scale: 1}
		if !amperes {
			c.Scale = r.Step(ch)
			c.Max = r.ADCs[adc].Chip.facts().codes - 1 // Min is 0
		}
		p.Channels = append(p.Channels, c)
	}
	return p
}

// ChannelUse says what a channel of the rig senses in a shop.
type ChannelUse struct {
	Machine     control.ID   // the machine it senses; NoID: none
	Collector   control.ID   // the collector whose own current it is; NoID: none
	Circuits    []control.ID // whose load it is part of
	Start, Stop float64      // levels in force, A
	StopHold    time.Duration
}

// Used reports whether the channel senses anything.
func (u *ChannelUse) Used() bool {
	return u.Machine != control.NoID || u.Collector != control.NoID || len(u.Circuits) > 0
}

// Channels says for each channel of the rig what it senses. Of a machine
// with several channels only the first counts for its circuit: they are the
// legs of one load.
func (s *Shop) Channels() []ChannelUse {
	out := make([]ChannelUse, len(s.Rig.Channels))
	for i := range out {
		out[i] = ChannelUse{Machine: control.NoID, Collector: control.NoID, Start: defStart, Stop: defStop, StopHold: defStopHold}
	}
	load := func(ch, circuit int) {
		if circuit >= 0 {
			out[ch].Circuits = append(out[ch].Circuits, id(circuit))
		}
	}
	for i := range s.Machines {
		m := &s.Machines[i]
		for j, ch := range m.Channels {
			u := &out[ch]
			u.Machine, u.Start, u.Stop, u.StopHold = id(i), m.Start, m.Stop, m.StopHold
			if j == 0 {
				load(ch, m.Circuit)
			}
		}
	}
	if c := &s.Collector; c.Channel >= 0 {
		// No hold: "commanded off, current persists" has a time of its own.
		u := &out[c.Channel]
		u.Collector, u.Start, u.Stop, u.StopHold = 0, c.Start, c.Stop, 0
		load(c.Channel, c.Circuit)
	}
	for i := range s.Circuits {
		for _, ch := range s.Circuits[i].Channels {
			load(ch, i)
		}
	}
	return out
}

// ContactUse says which input of control a contact of the rig makes.
type ContactUse struct {
	Kind control.InputKind // 0: nothing here uses the contact
	ID   control.ID        // the machine, gate or stop input
	Hold time.Duration     // of a button: how long it holds gate ID open
}

// Contacts says for each contact of the rig what it reports. What a closed
// contact means, and which end of a gate it tells, is in Rig.Contacts.
func (s *Shop) Contacts() []ContactUse {
	out := make([]ContactUse, len(s.Rig.Contacts))
	put := func(contact int, u ContactUse) {
		if contact >= 0 {
			out[contact] = u
		}
	}
	for i, c := range s.Stops() {
		put(c, ContactUse{Kind: control.StopIs, ID: id(i)})
	}
	for _, c := range s.Rig.ofKind(BinContact) {
		put(c, ContactUse{Kind: control.BinIs})
	}
	for _, c := range s.Rig.ofKind(StandDownContact) {
		put(c, ContactUse{Kind: control.StandDownIs})
	}
	for _, c := range s.Rig.ofKind(ResetContact) {
		put(c, ContactUse{Kind: control.ResetIs})
	}
	for i := range s.Machines {
		for _, c := range s.Machines[i].Contacts {
			put(c, ContactUse{Kind: control.MachineIs, ID: id(i)})
		}
	}
	for i := range s.Gates {
		g := &s.Gates[i]
		put(g.OpenSwitch, ContactUse{Kind: control.GateIs, ID: id(i)})
		put(g.ShutSwitch, ContactUse{Kind: control.GateIs, ID: id(i)})
		put(g.Button, ContactUse{Kind: control.Ask, ID: id(i), Hold: g.Hold})
		put(g.Aside, ContactUse{Kind: control.AsideIs, ID: id(i)})
	}
	put(s.Collector.Contact, ContactUse{Kind: control.CollectorIs})
	put(s.Collector.Hand, ContactUse{Kind: control.SwitchIs})
	put(s.Collector.Off, ContactUse{Kind: control.SwitchIs})
	return out
}

// NameOf is the name in the files of what an event speaks of, or "".
func (s *Shop) NameOf(of control.Subject, i control.ID) string {
	switch n := int(i); of {
	case control.AMachine:
		if n < len(s.Machines) {
			return s.Machines[n].Name
		}
	case control.AGate:
		if n < len(s.Gates) {
			return s.Gates[n].Name
		}
	case control.AnOutlet:
		if n < len(s.Outlets) {
			return s.Outlets[n].Name
		}
	case control.AnIndicator:
		if n < len(s.Indicators) {
			return s.Indicators[n].Name
		}
	case control.ACircuit:
		if n < len(s.Circuits) {
			return s.Circuits[n].Name
		}
	case control.AStop:
		if stops := s.Stops(); n < len(stops) {
			return s.Rig.Contacts[stops[n]].Name
		}
	case control.ACollector:
		return collectorName
	default: // no subject
	}
	return ""
}
