package config

import (
	"slices"
	"time"
)

// LoadPlan reads a shop file without a rig, for planning: what it says of
// channels, contacts and actuators is taken as it is, and a gate, machine or
// collector that has none yet may do without. The shop's Rig is made up and
// serves nothing else. The error is Errors, or of the file system.
func LoadPlan(path string) (*Shop, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, err
	}
	return ParsePlan(path, data)
}

// ParsePlan is LoadPlan from data; name goes into messages.
func ParsePlan(name string, data []byte) (*Shop, error) {
	var raw rawShop
	f := decode(name, data, &raw)
	if f.broken {
		return nil, f.err()
	}
	// The one key that a collector not bought yet cannot have.
	f.problems = slices.DeleteFunc(f.problems, func(p Problem) bool { return p.Message == `collector lacks the key "actuator"` })
	b := builder{file: f, raw: &raw, rig: raw.planned(), taken: users{}}
	s := b.shop()
	b.air()
	if err := f.err(); err != nil {
		return nil, err
	}
	b.doubtDucts() // the other doubts are about a rig
	return s, nil
}

// planned makes up a rig that has all that the shop names, and gives the shop
// what it does not name yet.
func (raw *rawShop) planned() *Rig {
	r := &Rig{Name: "planned", amperes: true, ADCs: []ADC{{Name: "planned"}}, MQTT: &MQTT{}}
	channel := func(names []string) {
		for _, n := range names {
			r.Channels = append(r.Channels, Channel{Name: n, Turns: 1, Enabled: true})
		}
	}
	contact := func(kind ContactKind, names ...*string) {
		for _, n := range names {
			if n != nil {
				r.Contacts = append(r.Contacts, Contact{Name: *n, Kind: kind})
			}
		}
	}
	actuator := func(kind ActuatorKind, name string) {
		r.Actuators = append(r.Actuators, Actuator{Name: name, Kind: kind})
	}
	for i := range raw.Circuit {
		channel(raw.Circuit[i].Channels)
	}
	for i := range raw.Machine {
		m := &raw.Machine[i]
		channel(m.Channels)
		for j := range m.Contacts {
			contact(MachineContact, &m.Contacts[j])
		}
		if len(m.Channels)+len(m.Contacts) == 0 && m.Topic == nil {
			topic := "planned/" + m.Name
			m.Topic = &topic
		}
		if m.Coast == nil && m.RunOn == nil {
			m.Coast = new(time.Duration)
		}
	}
	for i := range raw.Gate {
		g := &raw.Gate[i]
		contact(GateOpenSwitch, g.OpenSwitch)
		contact(GateShutSwitch, g.ShutSwitch)
		contact(ButtonContact, g.Button)
		contact(AsideContact, g.Aside)
		if g.Actuator == nil && g.OpenSwitch == nil {
			name := "planned " + g.Name
			g.Actuator = &name
		}
		if g.Actuator != nil {
			actuator(Servo, *g.Actuator)
			if g.Travel == nil {
				t := standInTravel
				g.Travel = &t
			}
		}
	}
	for i := range raw.Outlet {
		actuator(Relay, raw.Outlet[i].Actuator)
	}
	for i := range raw.Indicator {
		actuator(Relay, raw.Indicator[i].Actuator)
	}
	if c := raw.Collector; c != nil {
		if c.Actuator == "" {
			c.Actuator = "planned collector"
		}
		actuator(Relay, c.Actuator)
		if c.Channel != nil {
			channel([]string{*c.Channel})
		}
		contact(CollectorContact, c.Contact)
		contact(HandContact, c.Hand)
		contact(OffContact, c.Off)
	}
	if raw.Limits.BinFull != "notice" {
		contact(BinContact, new(string))
	}
	return r
}
