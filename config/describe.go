package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"kerfwind/control"
)

// page collects lines of text.
type page struct{ strings.Builder }

func (p *page) line(indent int, format string, a ...any) {
	fmt.Fprintf(p, "%s%s\n", strings.Repeat("  ", indent), fmt.Sprintf(format, a...))
}

// Describe says in plain words what the rig is.
func (r *Rig) Describe() string {
	var p page
	p.line(0, "Rig %q (%s)", r.Name, r.File)
	for i := range r.ADCs {
		a := &r.ADCs[i]
		address := ""
		if a.Chip.Addresses() > 0 {
			address = fmt.Sprintf(", address 0x%02x", a.Address)
		}
		p.line(1, "Converter %s: %s at %s%s, %s to full scale, %s scans a second of %s", a.Name, a.Chip, a.Port, address, Metric.Format(Voltage, a.Vref), number(a.Rate), count(len(r.Of(i)), "channel"))
		for _, ch := range r.Of(i) {
			p.line(2, "%s", r.channelLine(ch))
		}
	}
	for i := range r.Contacts {
		c := &r.Contacts[i]
		series := ""
		if c.Series {
			series = ", also in the contactor's coil circuit"
		}
		p.line(1, "Contact %q (%s): line %d of %s, debounced %s, closed means %s%s", c.Name, c.Kind, c.Line, c.Chip, FormatDuration(c.Debounce), c.Closed, series)
	}
	for i := range r.Actuators {
		p.line(1, "%s", r.Actuators[i].Kind.facts().describe(&r.Actuators[i]))
	}
	for i := range r.ServoChips {
		p.line(1, "%s", r.ServoChips[i].line())
	}
	r.describeTopics(&p)
	r.describeNodes(&p)
	p.line(0, "If the program hangs")
	if h := r.Heartbeat; h != nil {
		p.line(1, "The heartbeat on line %d of %s stops; the timer it feeds drops the contactor's coil after %s. For the rest:%s.", h.Line, h.Chip, FormatDuration(h.DropsAfter), r.hang())
	} else {
		p.line(1, "Then%s: nothing in this rig ends that but a person.", r.hang())
	}
	return p.String()
}

// hang says what becomes of the outputs when the program hangs, kind by kind.
func (r *Rig) hang() string {
	var out []string
	for _, k := range ActuatorKinds() {
		if slices.ContainsFunc(r.Actuators, func(a Actuator) bool { return a.Kind == k }) {
			out = append(out, k.AtHang())
		}
	}
	if len(out) == 0 {
		return " nothing moves"
	}
	return " " + strings.Join(out, "; ")
}

func (r *Rig) channelLine(i int) string {
	c := &r.Channels[i]
	s := fmt.Sprintf("Channel %s: input %d, %s", c.Name, c.Input, c.Ratio)
	if c.Ratio.IsCurrent {
		s += " across " + Metric.Format(Resistance, c.Burden)
	}
	s += fmt.Sprintf(", %s; bias %s; reads to %s in steps of %s", count(c.Turns, "turn"), Metric.Format(Voltage, c.Bias), amps(r.Range(i)), amps(r.Step(i)))
	switch {
	case !c.Enabled:
		s += "; switched off"
	case c.Grounded:
		s += "; unplugged is seen"
	default:
		s += "; unplugged is not seen"
	}
	return s
}

// Describe says in plain words what the shop is and what kerfwind does in it,
// with every level and default in force.
func (s *Shop) Describe() string {
	var p page
	followed := "followed"
	if s.Mains.Exact {
		followed = "taken as exact"
	}
	p.line(0, "Shop %q (%s), shown in %s units; mains %s, %s, %s", s.Name, s.File, s.Units, s.u(Voltage, s.Mains.Voltage), s.u(Frequency, s.Mains.Frequency), followed)
	s.describeAir(&p)
	s.describeCircuits(&p)
	p.line(0, "%s", headline("Machines", len(s.Machines)))
	for i := range s.Machines {
		s.describeMachine(&p, &s.Machines[i])
	}
	p.line(0, "%s", headline("Gates", len(s.Gates)))
	for i := range s.Gates {
		s.describeGate(&p, &s.Gates[i])
	}
	if len(s.Ducts) > 0 {
		p.line(0, "Ducts")
	}
	for i := range s.Ducts {
		p.line(1, "%s", s.ductLine(i))
	}
	if s.network != nil {
		for _, g := range s.network.Guesses {
			p.line(1, "guessed: %s", g.Words)
		}
	} else if len(s.Ducts) > 0 {
		p.line(1, "the air is not computed: nothing is said of the fan, not even the collector's power")
	}
	s.describeCollector(&p)
	if len(s.Outlets) > 0 {
		p.line(0, "Outlets")
	}
	for i := range s.Outlets {
		o := &s.Outlets[i]
		var follows []string
		for _, m := range o.Follows {
			follows = append(follows, s.Machines[m].Name)
		}
		p.line(1, "%s: %s, follows %s, goes on %s longer%s", o.Name, s.by(o.Actuator), list(follows), FormatDuration(o.RunOn), s.on(o.Circuit, o.FullLoad))
	}
	if len(s.Indicators) > 0 {
		p.line(0, "Indicators")
	}
	for i := range s.Indicators {
		n := &s.Indicators[i]
		p.line(1, "%s: %s, %s while %s", n.Name, s.by(n.Actuator), map[time.Duration]string{0: "on", control.SlowHalf: "blinks slowly", control.FastHalf: "blinks fast"}[n.Half],
			map[control.Follow]string{control.Collecting: "the collector collects", control.AnyUncollected: "a machine runs and its dust is not collected",
				control.AnyFault: "there is any fault", control.AnyLatch: "the collector is locked off until a reset"}[n.Shows])
	}
	s.describeLimits(&p)
	s.describeBroker(&p)
	s.describeHours(&p)
	s.describeNotices(&p)
	s.describeIdleLevels(&p)
	s.describeIdle(&p)
	describeDefaults(&p, s.Rig.Defaults, s.Defaults)
	return p.String()
}

func headline(what string, n int) string {
	if n == 0 {
		return what + ": none"
	}
	return what
}

func (s *Shop) u(q Quantity, v float64) string { return s.Units.Format(q, v) }

// by names an actuator of the rig.
func (s *Shop) by(a int) string {
	if a < 0 {
		return "no actuator"
	}
	return s.Rig.Actuators[a].Kind.String() + " " + s.Rig.Actuators[a].Name
}

// on says on which circuit a load is, as the end of a sentence.
func (s *Shop) on(circuit int, load float64) string {
	out := ""
	if load > 0 {
		out = "; full load " + amps(load)
	}
	if circuit >= 0 {
		out += fmt.Sprintf("; circuit %s", s.Circuits[circuit].Name)
	}
	return out
}

func (s *Shop) describeAir(p *page) {
	var parts []string
	for _, x := range []struct {
		what string
		q    Quantity
		v    *float64
	}{{"altitude", Length, s.Air.Altitude}, {"temperature", Temperature, s.Air.Temperature}, {"density", Density, s.Air.Density}} {
		if x.v != nil {
			parts = append(parts, x.what+" "+s.u(x.q, *x.v))
		}
	}
	if s.Air.Purge {
		parts = append(parts, "a run-on opens further gates to lift chips that lie in a duct")
	}
	if len(parts) > 0 {
		p.line(1, "Air: %s", strings.Join(parts, ", "))
	}
}

func (s *Shop) describeCircuits(p *page) {
	if len(s.Circuits) > 0 {
		p.line(0, "Circuits")
	}
	for i := range s.Circuits {
		c := &s.Circuits[i]
		line := fmt.Sprintf("%s: %s, breaker %s", c.Name, s.u(Voltage, c.Voltage), amps(c.Breaker))
		if c.Leg != "" {
			line += ", " + c.Leg
		}
		if len(c.Channels) > 0 {
			line += "; other loads on it are read by " + list(s.channelNames(c.Channels))
		}
		p.line(1, "%s", line)
	}
}

func (s *Shop) channelNames(list []int) []string {
	var out []string
	for _, i := range list {
		out = append(out, s.Rig.Channels[i].Name)
	}
	return out
}

func (s *Shop) describeMachine(p *page, m *Machine) {
	var signs []string
	if len(m.Channels) > 0 {
		why := "by default"
		switch {
		case m.said.why != "":
			why = m.said.why
		case m.given:
			why = "as written"
		}
		signs = append(signs, fmt.Sprintf("channel %s reads %s or more (stopped: below %s for %s; levels %s)", strings.Join(s.channelNames(m.Channels), " or "),
			amps(m.Start), amps(m.Stop), FormatDuration(m.StopHold), why))
	}
	for _, c := range m.Contacts {
		signs = append(signs, fmt.Sprintf("contact %q says so", s.Rig.Contacts[c].Name))
	}
	if m.Topic != "" {
		signs = append(signs, m.Message.describe(m.Topic))
	}
	p.line(1, "%s: runs when %s", m.Name, strings.Join(signs, ", or "))
	for _, note := range m.said.notes {
		p.line(2, "%s", note)
	}
	for i, path := range m.Paths {
		from := "its gate"
		if i < len(m.Hoods) {
			from = "hood " + s.Ducts[m.Hoods[i]].Name
		}
		if len(path) == 0 {
			p.line(2, "air from %s: no gate on the way", from)
			continue
		}
		var gates []string
		for _, g := range path {
			gates = append(gates, s.Gates[g].Name)
		}
		p.line(2, "air from %s: opens %s", from, strings.Join(gates, ", then "))
	}
	runOn := fmt.Sprintf("%s (%s to coast, %s to clear the duct)", FormatDuration(m.RunOn), FormatDuration(m.Coast), FormatDuration(s.Collector.ClearOut))
	if r, ok := s.runOnAlone(m); ok {
		runOn = fmt.Sprintf("%s alone (%s to coast, %s to clear the duct, computed)", FormatDuration(r.Total), FormatDuration(r.Coast), FormatDuration(r.Clear))
	}
	if m.GivenRun {
		runOn = FormatDuration(m.RunOn) + " (as written)"
	}
	line := fmt.Sprintf("run-on %s; rank %d; inrush over after %s", runOn, m.Rank, FormatDuration(m.Settle))
	if m.Flow > 0 {
		line += "; wants " + s.u(Flow, m.Flow)
	}
	p.line(2, "%s%s%s", line, marked(m.Rated), s.on(m.Circuit, m.FullLoad))
}

func (s *Shop) describeGate(p *page, g *Gate) {
	line := fmt.Sprintf("%s: %s", g.Name, s.by(g.Actuator))
	if g.Actuator < 0 {
		line = g.Name + ": moved by hand"
	} else {
		line += ", travel " + FormatDuration(g.Travel)
	}
	if g.Reversed {
		line += ", open and shut swapped"
	}
	if g.Duct >= 0 {
		line += ", in duct " + s.Ducts[g.Duct].Name
	}
	if g.OpenSwitch >= 0 {
		line += fmt.Sprintf("; open when %q says so", s.Rig.Contacts[g.OpenSwitch].Name)
	} else {
		line += "; open by travel time"
	}
	if g.ShutSwitch >= 0 {
		line += fmt.Sprintf(", shut when %q says so", s.Rig.Contacts[g.ShutSwitch].Name)
	} else if g.Actuator >= 0 {
		line += ", shut by travel time"
	}
	if g.Button >= 0 {
		line += fmt.Sprintf("; button %q holds it open for %s", s.Rig.Contacts[g.Button].Name, FormatDuration(g.Hold))
	}
	if g.Aside >= 0 {
		line += fmt.Sprintf("; button %q sets it aside and takes it back", s.Rig.Contacts[g.Aside].Name)
	}
	line += "; run-on after a hold " + FormatDuration(g.RunOn)
	if g.LossOpen != nil {
		line += "; loss open " + number(*g.LossOpen)
	}
	if g.LossShut != nil {
		line += "; loss shut " + number(*g.LossShut)
	}
	p.line(1, "%s", line)
}

func (s *Shop) ductLine(i int) string {
	d := &s.Ducts[i]
	to := collectorName
	if d.To != ToCollector {
		to = s.Ducts[d.To].Name
	}
	line := fmt.Sprintf("%s to %s: %s %s, %s", d.Name, to, s.u(Length, d.Diameter), d.Kind, s.u(Length, d.Length))
	if d.Rise > 0 {
		line += " of which " + s.u(Length, d.Rise) + " up"
	}
	if d.Elbows > 0 {
		line += ", " + count(d.Elbows, "elbow")
	}
	if d.Wye != nil {
		line += ", joins at " + s.u(Angle, *d.Wye)
	}
	if d.Loss > 0 {
		line += ", further loss " + number(d.Loss)
	}
	return line
}

func (s *Shop) describeCollector(p *page) {
	c := &s.Collector
	p.line(0, "Collector")
	line := s.by(c.Actuator)
	if c.Power > 0 {
		line += ", " + s.u(Power, c.Power)
	}
	p.line(1, "%s%s%s", line, marked(c.Rated), s.on(c.Circuit, c.FullLoad))
	switch {
	case c.Channel >= 0:
		why := ""
		if c.said.why != "" {
			why = "; levels " + c.said.why
		}
		p.line(1, "runs when channel %s reads %s or more within %s (stopped: below %s%s)", s.Rig.Channels[c.Channel].Name, amps(c.Start), FormatDuration(c.Within), amps(c.Stop), why)
		for _, note := range c.said.notes {
			p.line(1, "%s", note)
		}
	case c.Contact >= 0:
		p.line(1, "runs when contact %q says so within %s", s.Rig.Contacts[c.Contact].Name, FormatDuration(c.Within))
	default:
		p.line(1, `"commanded", never "running": neither its current nor a contact is seen`)
	}
	for _, x := range []struct {
		contact int
		what    string
	}{{c.Hand, "hand"}, {c.Off, "off"}} {
		if x.contact >= 0 {
			p.line(1, "its switch is at %s when contact %q says so", x.what, s.Rig.Contacts[x.contact].Name)
		}
	}
	if c.RunUp > 0 {
		p.line(1, "at full speed %s after its contactor", FormatDuration(c.RunUp))
	}
	p.line(1, "starts once a run has lasted %s; at most %d starts an hour; on for at least %s, off for at least %s; coasts for %s; %s to clear the duct",
		FormatDuration(c.Confirm), c.StartsPerHour, FormatDuration(c.MinOn), FormatDuration(c.MinOff), FormatDuration(c.Coast), FormatDuration(c.ClearOut))
}

func (s *Shop) describeLimits(p *page) {
	l := &s.Limits
	p.line(0, "Limits")
	open := "branches open at once: as many as are wanted"
	switch {
	case l.MaxOpen > 0 && l.Refuse:
		open = fmt.Sprintf("branches open at once: %d; a machine beyond that is refused unless it outranks a served one", l.MaxOpen)
	case l.MaxOpen > 0:
		open = fmt.Sprintf(`branches open at once: %d; a machine beyond that is served too, with a "weak air" notice`, l.MaxOpen)
	}
	p.line(1, "%s", open)
	choose := func(b bool, yes, no string) {
		if b {
			p.line(1, "%s", yes)
		} else {
			p.line(1, "%s", no)
		}
	}
	choose(l.CloseAtRest, "at rest the last path closes once the fan has coasted down", "at rest the last path stays open")
	choose(l.BinBlocks, "a full bin forbids a start at rest", "a full bin gives a notice")
	choose(l.TopicStarts, "a hold asked by topic may start the collector", "a hold asked by topic may prolong or end collection, never start it")
	hold := "no gate may be held"
	if l.HoldLongest > 0 {
		hold = "a hold lasts at most " + FormatDuration(l.HoldLongest)
	}
	p.line(1, "a machine whose sensor is lost while it runs stays served for %s; %s; nothing starts for %s after power returns",
		FormatDuration(l.UnknownHold), hold, FormatDuration(l.PowerUp))
}

// describeIdle lists what the rig has and this shop does not use.
func (s *Shop) describeIdle(p *page) {
	var idle []string
	for i, u := range s.Sensor() {
		for j, ch := range s.Rig.Of(i) {
			if !u.Channels[j].Used {
				idle = append(idle, "channel "+s.Rig.Channels[ch].Name)
			}
		}
	}
	for i, u := range s.Contacts() {
		if u.Kind == 0 {
			idle = append(idle, fmt.Sprintf("contact %q", s.Rig.Contacts[i].Name))
		}
	}
	used := []int{s.Collector.Actuator}
	for i := range s.Gates {
		used = append(used, s.Gates[i].Actuator)
	}
	for i := range s.Outlets {
		used = append(used, s.Outlets[i].Actuator)
	}
	for i := range s.Indicators {
		used = append(used, s.Indicators[i].Actuator)
	}
	for i := range s.Rig.Actuators {
		if !slices.Contains(used, i) {
			idle = append(idle, "actuator "+s.Rig.Actuators[i].Name)
		}
	}
	if len(idle) > 0 {
		p.line(0, "Not used here: %s", list(idle))
	}
}

func describeDefaults(p *page, rig, shop []Default) {
	if len(rig)+len(shop) == 0 {
		return
	}
	p.line(0, "Taken for granted, because the files do not say")
	for _, part := range [][]Default{rig, shop} {
		for _, d := range part {
			times := ""
			if d.Count > 1 {
				times = fmt.Sprintf(" (%d times)", d.Count)
			}
			p.line(1, "%s = %s%s", d.Key, d.Value, times)
		}
	}
}
