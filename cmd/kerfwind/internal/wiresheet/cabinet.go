package wiresheet

import (
	"cmp"
	"fmt"
	"strings"

	"kerfwind/config"
)

// Cabinet makes the sheet for the cabinet's door: what each wire does, in a shop
// as it runs today, the date for people. withDuct adds the ducts, for whoever
// keeps them.
func Cabinet(s *config.Shop, withDuct bool, today string) *Sheet {
	c := cabinet{s}
	out := &Sheet{Title: fmt.Sprintf("Cabinet of %q", s.Name), From: "shop " + s.File + ", rig " + s.Rig.File + ", on " + today, Tight: true}
	sections := []func() Section{c.first, c.machines, c.gates, c.others, c.stops}
	if withDuct {
		sections = append(sections, c.ducts)
	}
	for _, make := range sections {
		if one := make(); len(one.Blocks) > 0 {
			out.Sections = append(out.Sections, one)
		}
	}
	return out
}

type cabinet struct{ s *config.Shop }

func (c cabinet) first() Section {
	s := Section{Title: "Before you reach in"}
	s.caution("A gate or the collector may move at any moment. Open the collector's disconnect, lock it, and stand kerfwind down (kerfwind ask stand-down): neither stops a machine.")
	for i := range c.s.Rig.Channels {
		if c.s.Rig.Channels[i].Burden > 0 {
			s.caution("Never open a transformer's secondary while its conductor carries current.")
			break
		}
	}
	s.caution("kerfwind is no safety device. Mains wiring is an electrician's work.")
	if bad := c.unfit(); len(bad) > 0 {
		s.caution(fmt.Sprintf("Do not connect %s: not marked for %s. Ask an electrician.", strings.Join(bad, ", "), c.supply()))
	}
	return s
}

func (c cabinet) supply() string {
	return c.s.Units.Format(config.Voltage, c.s.Mains.Voltage) + ", " + c.s.Units.Format(config.Frequency, c.s.Mains.Frequency)
}

// unfit are the motors that are marked for other supplies alone.
func (c cabinet) unfit() (out []string) {
	look := func(name string, rated []config.Rating, circuit int) {
		volts, hertz := c.s.Supply(circuit)
		if fits, known := config.Marked(rated, volts, hertz); known && !fits {
			out = append(out, name)
		}
	}
	for i := range c.s.Machines {
		look(c.s.Machines[i].Name, c.s.Machines[i].Rated, c.s.Machines[i].Circuit)
	}
	look("the collector", c.s.Collector.Rated, c.s.Collector.Circuit)
	return out
}

// circuit is a circuit with its breaker.
func (c cabinet) circuit(i int) string {
	if i < 0 {
		return "–"
	}
	x := &c.s.Circuits[i]
	text := noBreak(c.s.Units.Format(config.Current, x.Breaker))
	if x.Leg != "" {
		text += " " + strings.ReplaceAll(x.Leg, "-", "\u2011")
	}
	return x.Name + ", " + text
}

// noBreak keeps a number and its unit on one line.
func noBreak(s string) string { return strings.ReplaceAll(s, " ", "\u00a0") }

// channel is a channel's label and where its wire ends.
func (c cabinet) channel(i int) string {
	ch := &c.s.Rig.Channels[i]
	return fmt.Sprintf("%s (converter %s, input %d)", ch.Name, c.s.Rig.ADCs[ch.ADC].Name, ch.Input)
}

func (c cabinet) contact(i int) string {
	if i < 0 {
		return ""
	}
	x := &c.s.Rig.Contacts[i]
	return fmt.Sprintf("%s (%s)", x.Name, where(x.Chip, x.Line))
}

// actuator is an actuator's label and where its wire ends.
func (c cabinet) actuator(i int) string {
	if i < 0 {
		return "by hand"
	}
	a := &c.s.Rig.Actuators[i]
	return fmt.Sprintf("%s (%s)", a.Name, a.End(where))
}

func (c cabinet) names(list []int, name func(int) string) string {
	var out []string
	for _, i := range list {
		out = append(out, name(i))
	}
	return cmp.Or(strings.Join(out, ", "), "–")
}

func (c cabinet) machines() Section {
	s := Section{Title: "Machines: supply " + c.supply()}
	var rows [][]string
	for i := range c.s.Machines {
		m := &c.s.Machines[i]
		var sensed []string
		for _, ch := range m.Channels {
			sensed = append(sensed, c.channel(ch))
		}
		for _, x := range m.Contacts {
			sensed = append(sensed, c.contact(x))
		}
		if m.Topic != "" {
			sensed = append(sensed, "topic "+m.Topic)
		}
		rows = append(rows, []string{m.Name, strings.Join(sensed, ", "), c.names(m.Gates, func(g int) string { return c.s.Gates[g].Name }),
			c.circuit(m.Circuit), noBreak(config.FormatDuration(c.s.RunOnAlone(i)))})
	}
	s.table([]string{"Machine", "Sensor: wire label", "Gates that open", "Circuit, breaker", "Run-on"}, rows)
	return s
}

func (c cabinet) gates() Section {
	s := Section{Title: "Gates"}
	var rows [][]string
	for i := range c.s.Gates {
		g := &c.s.Gates[i]
		var ends []string
		for _, x := range []struct {
			what    string
			contact int
		}{{"open", g.OpenSwitch}, {"shut", g.ShutSwitch}, {"button", g.Button}, {"aside", g.Aside}} {
			if x.contact >= 0 {
				ends = append(ends, x.what+": "+c.contact(x.contact))
			}
		}
		in, bore := "–", "–"
		if g.Duct >= 0 {
			in, bore = c.s.Ducts[g.Duct].Name, noBreak(c.s.Units.Format(config.Length, c.s.Ducts[g.Duct].Diameter))
		}
		label := c.actuator(g.Actuator)
		if g.Reversed {
			label += ", mounted in reverse"
		}
		rows = append(rows, []string{g.Name, label, in, bore, cmp.Or(strings.Join(ends, "; "), "–")})
	}
	s.table([]string{"Gate", "Output: wire label", "Duct", "Bore", "Switches and button"}, rows)
	return s
}

func (c cabinet) others() Section {
	s := Section{Title: "Collector, outlets and other wires"}
	k := &c.s.Collector
	var signs []string
	if k.Channel >= 0 {
		signs = append(signs, c.channel(k.Channel))
	}
	for _, x := range []int{k.Contact, k.Hand, k.Off} {
		if x >= 0 {
			signs = append(signs, c.contact(x))
		}
	}
	rows := [][]string{{"collector", c.actuator(k.Actuator), cmp.Or(strings.Join(signs, ", "), "–"), c.circuit(k.Circuit), noBreak("coasts " + config.FormatDuration(k.Coast))}}
	for i := range c.s.Outlets {
		o := &c.s.Outlets[i]
		rows = append(rows, []string{o.Name, c.actuator(o.Actuator), "follows " + c.names(o.Follows, func(m int) string { return c.s.Machines[m].Name }), c.circuit(o.Circuit), noBreak(config.FormatDuration(o.RunOn))})
	}
	for i := range c.s.Indicators {
		n := &c.s.Indicators[i]
		rows = append(rows, []string{n.Name, c.actuator(n.Actuator), "lamp or horn", "–", "–"})
	}
	for i := range c.s.Circuits {
		if x := &c.s.Circuits[i]; len(x.Channels) > 0 {
			rows = append(rows, []string{"other loads", "–", c.names(x.Channels, c.channel), c.circuit(i), "–"})
		}
	}
	s.table([]string{"What", "Output: wire label", "Sensor and signs", "Circuit, breaker", "Run-on"}, rows)
	return s
}

// stops are the contacts that act on their own.
func (c cabinet) stops() Section {
	s := Section{Title: "Stops"}
	var rows [][]string
	for i := range c.s.Rig.Contacts {
		x := &c.s.Rig.Contacts[i]
		what := x.Kind.Acts()
		if what == "" {
			continue
		}
		if x.Series {
			what += "; also in the contactor's coil circuit"
		}
		rows = append(rows, []string{x.Name, where(x.Chip, x.Line), what})
	}
	s.table([]string{"Contact", "Wire ends at", "What it does"}, rows)
	return s
}

func (c cabinet) ducts() Section {
	s := Section{Title: "Ducts"}
	var rows [][]string
	for i := range c.s.Ducts {
		d := &c.s.Ducts[i]
		to := "collector"
		if d.To != config.ToCollector {
			to = c.s.Ducts[d.To].Name
		}
		var gates []string
		for g := range c.s.Gates {
			if c.s.Gates[g].Duct == i {
				gates = append(gates, c.s.Gates[g].Name)
			}
		}
		more := []string{}
		if d.Elbows > 0 {
			more = append(more, fmt.Sprintf("elbows: %d", d.Elbows))
		}
		if d.Rise > 0 {
			more = append(more, c.s.Units.Format(config.Length, d.Rise)+" up")
		}
		rows = append(rows, []string{d.Name, to, c.s.Units.Format(config.Length, d.Diameter) + " " + d.Kind, c.s.Units.Format(config.Length, d.Length),
			cmp.Or(strings.Join(more, ", "), "–"), cmp.Or(strings.Join(gates, ", "), "–"), c.names(d.Hoods, func(m int) string { return c.s.Machines[m].Name })})
	}
	s.table([]string{"Duct", "Leads to", "Bore", "Length", "Further", "Gate", "Hood of"}, rows)
	if len(rows) > 0 {
		s.say("Keep metal ducts bonded to earth. After changing a length, a bore or a branch, measure the air again.")
	}
	return s
}
