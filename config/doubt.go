package config

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
)

// doubts collects what may be a slip, and what this rig cannot know in this
// shop. Each warning names the line that it is about.
func (b *builder) doubts() {
	b.doubtCollector()
	b.doubtGates()
	b.doubtStops()
	b.doubtNodes()
	b.doubtSensors()
	b.doubtMachines()
	b.doubtCircuits()
	b.doubtRatings()
	b.doubtDucts()
	slices.SortStableFunc(b.s.Warnings, func(x, y Problem) int {
		return cmp.Or(cmp.Compare(x.File, y.File), cmp.Compare(x.Line, y.Line), cmp.Compare(x.Column, y.Column))
	})
}

func (b *builder) doubt(path, message, remedy string) {
	b.s.Warnings = append(b.s.Warnings, b.problem(path, message, remedy))
}

// doubtRig is a doubt at a place in the rig file.
func (b *builder) doubtRig(path, message, remedy string) {
	p := Problem{File: b.rig.File, Message: message, Remedy: remedy}
	if b.rig.src != nil {
		p = b.rig.src.problem(path, message, remedy)
	}
	b.s.Warnings = append(b.s.Warnings, p)
}

func (b *builder) doubtCollector() {
	c, raw := &b.s.Collector, b.raw.Collector
	if c.Channel < 0 && c.Contact < 0 {
		b.doubt(raw.path, `the collector's motor is not seen: it is "commanded", never "running"; a motor that does not start, or does not stop, goes unnoticed`,
			"add its own current (channel) or its contactor's auxiliary contact (contact)")
	}
	beat := b.rig.Heartbeat
	if c.Actuator >= 0 && b.rig.Actuators[c.Actuator].Node > 0 {
		beat = b.rig.Nodes[b.rig.Actuators[c.Actuator].Node-1].Rig.Heartbeat
	}
	if beat == nil {
		b.doubtRig("actuator", "if the program hangs, the contactor stays as it is: the collector runs until somebody notices",
			"fit a timer in series with the contactor's coil, fed by a heartbeat line in the rig; a hand/off/auto switch helps as well")
	}
	if !b.rig.has(StandDownContact) {
		b.doubtRig("contact", "no switch for stand-down is wired: it can only be lifted at the computer's own console", `add a contact of the kind "stand-down" to the rig`)
	}
	if most := startsAllowed(c.Power); c.Power > 0 && float64(c.StartsPerHour) > most {
		b.doubt(raw.key("starts_per_hour"), fmt.Sprintf("%d starts an hour: NEMA MG 10 table 2-3 allows a polyphase motor of %s at most %s, and others are no better",
			c.StartsPerHour, b.s.Units.Format(Power, c.Power), number(most)), "take the motor maker's figure")
	}
	if b.s.Limits.TopicStarts {
		b.doubt(b.raw.Limits.key("topic_starts"), "a message from the broker may start the collector: whoever can publish there can", "leave it out unless the broker asks for passwords")
	}
}

// startsAllowed is the number of starts an hour of NEMA MG 10 table 2-3 for
// polyphase two-pole motors of at least the power in watts; the next larger
// motor counts, and the largest beyond the table.
func startsAllowed(watts float64) float64 {
	table := []struct{ hp, starts float64 }{{1, 15}, {1.5, 12.9}, {2, 11.5}, {3, 9.9}, {5, 8.1}, {7.5, 7}}
	for _, t := range table {
		if watts <= t.hp*hp*1.01 {
			return t.starts
		}
	}
	return table[len(table)-1].starts
}

func (b *builder) doubtGates() {
	var blind, half []string
	var falls [2][]string // shut, open
	var fallsAt [2]int
	first := ""
	note := func(list *[]string, i int) {
		*list = append(*list, b.gates[i])
		if first == "" {
			first = b.raw.Gate[i].path
		}
	}
	for i := range b.s.Gates {
		g := &b.s.Gates[i]
		if g.Actuator >= 0 && !b.rig.Actuators[g.Actuator].Kind.Wired() {
			b.doubt(b.raw.Gate[i].key("actuator"), fmt.Sprintf("gate %q is moved over a topic: without the broker it stays where it is, and its machine is not served", b.gates[i]), "move it by a wire where you can")
		}
		if g.Actuator >= 0 && b.rig.Actuators[g.Actuator].Kind.facts().falls {
			to := 0
			if g.Reversed {
				to = 1
			}
			if falls[to] == nil {
				fallsAt[to] = i
			}
			falls[to] = append(falls[to], b.gates[i])
		}
		switch {
		case g.Actuator >= 0 && b.rig.Actuators[g.Actuator].State != "": // it says itself where it is
		case g.Actuator < 0: // moved by hand, and only seen
		case g.OpenSwitch < 0 && g.ShutSwitch < 0:
			note(&blind, i)
		case g.OpenSwitch < 0 || g.ShutSwitch < 0:
			note(&half, i)
		}
	}
	for i, list := range falls {
		if len(list) > 0 {
			b.doubt(b.raw.Gate[fallsAt[i]].key("actuator"), fmt.Sprintf("on a relay: %s. Each goes %s by its spring or its air when the power goes or the program ends, whoever has a hand in it", quoted(list), [...]string{"shut", "open"}[i]),
				"set it aside and cut its air before a hand goes into it, or use a servo or a motor, which stay where they stand")
		}
	}
	if len(blind) > 0 {
		b.doubt(first, fmt.Sprintf("without an end switch: %s. Taken to be where they were sent once the travel time has passed; one that sticks goes unnoticed", quoted(blind)),
			"add open_switch and shut_switch where it matters")
	}
	if len(half) > 0 {
		b.doubt(first, fmt.Sprintf("with an end switch at one end only: %s. At the other end the travel time has to do", quoted(half)), "add the other switch where it matters")
	}
	for i := range b.s.Gates {
		served := b.s.Gates[i].Actuator < 0 || b.s.Gates[i].Button >= 0 || slices.ContainsFunc(b.s.Machines, func(m Machine) bool { return slices.Contains(m.Gates, i) })
		if !served {
			b.doubt(b.raw.Gate[i].path, fmt.Sprintf("gate %q lies on no machine's path and has no button: only a request by hand opens it", b.gates[i]), "name it or its duct in a machine, or give it a button")
		}
	}
}

func (b *builder) doubtStops() {
	stops := b.s.Stops()
	if len(stops) == 0 {
		b.doubtRig("contact", "no stop input: a smoke or heat alarm, an emergency stop or the bin's door does not stop the collector", `add contacts of the kind "stop", also in series with the contactor's coil`)
	}
	if len(stops) > 0 && !b.rig.has(ResetContact) {
		b.doubtRig(fmt.Sprintf("contact[%d]", stops[0]), "a stop locks the collector off, and no reset button is wired: somebody must reset it at the computer's own console", `add a contact of the kind "reset", a push button of its own`)
	}
	for _, c := range stops {
		if !b.rig.Contacts[c].Series {
			b.doubtRig(fmt.Sprintf("contact[%d]", c), fmt.Sprintf("the stop contact %q works through the program only", b.contacts[c]),
				"wire it in series with the contactor's coil too and write series = true: software is never the only way")
		}
	}
}

func (b *builder) doubtSensors() {
	var unseen []int
	for ch, u := range b.s.Channels() {
		if u.Used() && !b.rig.Channels[ch].Grounded {
			unseen = append(unseen, ch)
		}
	}
	if len(unseen) > 0 {
		b.doubtRig(fmt.Sprintf("channel[%d]", unseen[0]), fmt.Sprintf("with its plug out the sensor on %s looks like a machine that is off", list(b.s.channelNames(unseen))),
			`use jacks whose switch grounds the input when the plug is out, and write unplugged = "grounded"`)
	}
}

func (b *builder) doubtMachines() {
	for i := range b.s.Machines {
		m, raw := &b.s.Machines[i], &b.raw.Machine[i]
		for _, ch := range m.Channels {
			if step := b.rig.Step(ch); m.Start < 4*step {
				b.doubt(raw.key("start"), fmt.Sprintf("machine %q starts at %s, only %s steps of %s on channel %q", m.Name, amps(m.Start), number(m.Start/step), amps(step), b.channels[ch]),
					"take more turns through the transformer's window, or raise the level")
			}
		}
		if m.FullLoad > 0 && m.Start > 0.8*m.FullLoad {
			b.doubt(raw.key("start"), fmt.Sprintf("machine %q starts at %s, near its full load of %s: idling it may go unseen", m.Name, amps(m.Start), amps(m.FullLoad)), "a fifth of full load is usual")
		}
		if m.Topic != "" {
			b.doubt(raw.key("topic"), fmt.Sprintf("machine %q is taken to run when a message says so: whoever can publish there can start the collector", m.Name), "sense it by a wire where you can")
		}
		for j, path := range m.Paths {
			if len(path) == 0 && len(b.s.Gates) > 0 && j < len(m.Hoods) {
				b.doubt(raw.key("hoods"), fmt.Sprintf("machine %q: no gate lies between its hood %q and the collector, so it draws air all the time", m.Name, b.s.Ducts[m.Hoods[j]].Name), "add a gate, unless that is meant")
			}
		}
	}
}

// doubtCircuits sums what hangs on each circuit: all of it may run at once.
func (b *builder) doubtCircuits() {
	for i := range b.s.Circuits {
		c := &b.s.Circuits[i]
		var total float64
		var what []string
		add := func(who string, circuit int, load float64) {
			if circuit == i && load > 0 {
				total += load
				what = append(what, fmt.Sprintf("%s (%s)", who, amps(load)))
			}
		}
		add("the collector", b.s.Collector.Circuit, b.s.Collector.FullLoad)
		for j := range b.s.Outlets {
			add(strconv.Quote(b.s.Outlets[j].Name), b.s.Outlets[j].Circuit, b.s.Outlets[j].FullLoad)
		}
		for j := range b.s.Machines {
			add(strconv.Quote(b.s.Machines[j].Name), b.s.Machines[j].Circuit, b.s.Machines[j].FullLoad)
		}
		if total > c.Breaker {
			verb, remedy := "draw", "move one to another circuit, or never run them at once"
			if len(what) == 1 {
				verb, remedy = "draws", "move it to a circuit that bears it"
			}
			b.doubt(b.raw.Circuit[i].path, fmt.Sprintf("circuit %q: %s %s %s at full load, and the breaker is for %s", c.Name, list(what), verb, amps(total), amps(c.Breaker)), remedy)
		}
	}
}

func (b *builder) doubtDucts() {
	for i := range b.s.Ducts {
		d := &b.s.Ducts[i]
		if !b.s.joined(i) && len(d.Hoods) == 0 && len(b.s.gatesOn(i)) == 0 {
			b.doubt(b.raw.Duct[i].path, fmt.Sprintf("duct %q is open at its end: no gate and no machine, so it draws air all the time", d.Name), "keep it if it is the relief of a thin duct; if not, give it a gate or name it in a machine's hoods")
		}
		if d.To != ToCollector && d.Diameter > b.s.Ducts[d.To].Diameter*(1+1e-9) {
			b.doubt(b.raw.Duct[i].key("diameter"), fmt.Sprintf("duct %q, %s wide, runs into %q, which is narrower: %s", d.Name, b.s.Units.Format(Length, d.Diameter),
				b.s.Ducts[d.To].Name, b.s.Units.Format(Length, b.s.Ducts[d.To].Diameter)), "look at both diameters")
		}
	}
}
