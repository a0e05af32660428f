package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"kerfwind/control"
)

// builder checks a raw shop and makes a Shop of it.
type builder struct {
	*file
	raw   *rawShop
	rig   *Rig
	s     *Shop
	taken users // channels, contacts and actuators in use

	moveIn bool // see ParseBench

	channels, contacts, actuators    []string // names in the rig
	circuits, machines, gates, ducts []string // names in the shop
}

func (b *builder) shop() *Shop {
	raw := b.raw
	b.checkFormat(raw.Format)
	b.s = &Shop{File: b.name, Name: baseName(b.name), Rig: b.rig, MoveIn: b.moveIn,
		Mains: Mains{raw.Mains.Frequency, raw.Mains.Voltage, raw.Mains.Exact}}
	set(&b.s.Name, raw.Name)
	if raw.Units == Imperial.String() {
		b.s.Units = Imperial
	}
	if a := raw.Air; a != nil {
		b.s.Air = Air{a.Altitude, a.Temperature, a.Density, a.Purge}
		if a.Density != nil && (a.Altitude != nil || a.Temperature != nil) {
			b.add(a.key("density"), "air: a density and an altitude or temperature say the same thing twice", "keep either")
		}
	}
	for i := range b.rig.Channels {
		b.channels = append(b.channels, b.rig.Channels[i].Name)
	}
	for i := range b.rig.Contacts {
		b.contacts = append(b.contacts, b.rig.Contacts[i].Name)
	}
	for i := range b.rig.Actuators {
		b.actuators = append(b.actuators, b.rig.Actuators[i].Name)
	}
	b.circuits = names(b.file, "circuit", raw.Circuit, func(c *rawCircuit) string { return c.Name })
	b.machines = names(b.file, "machine", raw.Machine, func(m *rawMachine) string { return m.Name })
	b.gates = names(b.file, "gate", raw.Gate, func(g *rawGate) string { return g.Name })
	b.ducts = nil
	for i := range raw.Duct {
		b.ducts = append(b.ducts, raw.Duct[i].Name)
	}
	names(b.file, "outlet", raw.Outlet, func(o *rawOutlet) string { return o.Name })
	names(b.file, "indicator", raw.Indicator, func(n *rawIndicator) string { return n.Name })
	b.tooMany("indicator", len(raw.Indicator), control.MaxIndicators)
	b.tooMany("circuit", len(raw.Circuit), control.MaxCircuits)
	b.tooMany("machine", len(raw.Machine), control.MaxMachines)
	b.tooMany("gate", len(raw.Gate), control.MaxGates)
	b.tooMany("outlet", len(raw.Outlet), control.MaxOutlets)

	b.s.Ducts = raw.ducts(b.file)
	for i := range raw.Circuit {
		b.s.Circuits = append(b.s.Circuits, b.circuit(&raw.Circuit[i]))
	}
	b.collector()
	for i := range raw.Gate {
		b.s.Gates = append(b.s.Gates, b.gate(i))
	}
	for i := range raw.Machine {
		b.s.Machines = append(b.s.Machines, b.machine(i))
	}
	for i := range raw.Outlet {
		b.s.Outlets = append(b.s.Outlets, b.outlet(&raw.Outlet[i]))
	}
	for i := range raw.Indicator {
		b.s.Indicators = append(b.s.Indicators, b.indicator(&raw.Indicator[i]))
	}
	b.computers()
	b.limits()
	b.hours()
	b.notices()
	return b.s
}

func (b *builder) tooMany(list string, n, most int) {
	if n > most {
		b.add(fmt.Sprintf("%s[%d]", list, most), fmt.Sprintf("%d tables %q: at most %d", n, list, most), "take some out")
	}
}

// channel finds a channel of the rig that may be used, and takes it.
func (b *builder) channel(path, name string) int {
	i := b.find(path, name, "channel", b.channels)
	if i < 0 {
		return None
	}
	if !b.rig.Channels[i].Enabled {
		b.add(path, fmt.Sprintf("%s: the rig has channel %q switched off", b.say(path), name), "use another one, or write enabled = true in the rig")
		return None
	}
	b.taken.take(b.file, path, fmt.Sprintf("channel %q", name), "a transformer tells one thing; two machines that share it can only be written as one machine with two hoods")
	return i
}

// contact finds a contact of the rig of one of the kinds, and takes it.
func (b *builder) contact(path string, name *string, kind ContactKind) int {
	if name == nil {
		return None
	}
	i := b.find(path, *name, "contact", b.contacts)
	if i < 0 {
		return None
	}
	if c := b.rig.Contacts[i]; c.Kind != kind {
		var fit []string
		for _, other := range b.rig.Contacts {
			if other.Kind == kind {
				fit = append(fit, other.Name)
			}
		}
		remedy := fmt.Sprintf("use one of the kind %q; the rig has none", kind.String())
		if len(fit) > 0 {
			remedy = fmt.Sprintf("use one of the kind %q: %s", kind.String(), quoted(fit))
		}
		b.add(path, fmt.Sprintf("%s: contact %q is of the kind %q", b.say(path), *name, c.Kind.String()), remedy)
		return None
	}
	b.taken.take(b.file, path, fmt.Sprintf("contact %q", *name), "one contact tells one thing")
	return i
}

// actuator finds an actuator of the rig that may serve for a use, and takes it.
func (b *builder) actuator(path, name, why string, use Use) int {
	i := b.find(path, name, "actuator", b.actuators)
	if i < 0 {
		return None
	}
	if a := b.rig.Actuators[i]; !a.Kind.Serves(use) {
		var fit []string
		for _, k := range ActuatorKinds() {
			if k.Serves(use) {
				fit = append(fit, k.String())
			}
		}
		b.add(path, fmt.Sprintf("%s: %q is a %s; %s", b.say(path), name, a.Kind, why), "use a "+strings.Join(fit, " or "))
		return None
	}
	b.taken.take(b.file, path, fmt.Sprintf("actuator %q", name), "one actuator moves one thing")
	return i
}

func (b *builder) onCircuit(path string, name *string) int {
	if name == nil {
		return None
	}
	return b.find(path, *name, "circuit", b.circuits)
}

func (b *builder) circuit(raw *rawCircuit) Circuit {
	c := Circuit{Name: raw.Name, Breaker: raw.Breaker, Voltage: b.s.Mains.Voltage}
	set(&c.Leg, raw.Leg)
	set(&c.Voltage, raw.Voltage)
	for i, name := range raw.Channels {
		if ch := b.channel(raw.item("channels", i), name); ch >= 0 {
			c.Channels = append(c.Channels, ch)
		}
	}
	return c
}

func (b *builder) collector() {
	c := &b.s.Collector
	raw := b.raw.Collector
	if raw == nil {
		*c = (&rawCollector{}).collector()
		return
	}
	*c = raw.collector()
	c.Rated = b.ratings(raw.at, raw.Rated)
	c.Actuator = b.actuator(raw.key("actuator"), raw.Actuator, "the collector's contactor must not hang on anything but a wire", ForContactor)
	c.Contact = b.contact(raw.key("contact"), raw.Contact, CollectorContact)
	c.Hand = b.contact(raw.key("hand"), raw.Hand, HandContact)
	c.Off = b.contact(raw.key("off"), raw.Off, OffContact)
	c.Circuit = b.onCircuit(raw.key("circuit"), raw.Circuit)
	if _, written := b.places[raw.key("within")]; written && raw.Channel == nil && raw.Contact == nil {
		b.add(raw.key("within"), "collector: within is how soon its motor is seen, and neither a channel nor a contact sees it", "add one, or take it out")
	}
	if raw.Channel == nil {
		for _, level := range []struct {
			key   string
			given bool
		}{{"start", raw.Start != nil}, {"stop", raw.Stop != nil}} {
			if level.given {
				b.add(raw.key(level.key), fmt.Sprintf("collector: %s is a level of its own current, and no channel reads that", level.key), "add the channel, or take it out")
			}
		}
		return
	}
	c.Channel = b.channel(raw.key("channel"), *raw.Channel)
	if raw.Contact != nil {
		b.add(raw.key("contact"), "collector: it is seen both by a channel and by a contact", "keep the channel, which sees the motor itself")
	}
	// Detecting from 15 to 20 % of full load on and off at 60 % of that is
	// common practice, no source.
	if raw.Start == nil {
		c.Start = defCollectorStart
		if raw.FullLoad != nil {
			c.Start = 0.2 * c.FullLoad
		}
		b.defaulted(raw.key("start"), strconv.Quote(amps(c.Start)))
	}
	if raw.Stop == nil {
		c.Stop = 0.6 * c.Start
		b.defaulted(raw.key("stop"), strconv.Quote(amps(c.Stop)))
	}
	b.levels(raw.at, c.Start, c.Stop, []int{c.Channel})
}

// collector builds what needs no look at the rig.
func (raw *rawCollector) collector() Collector {
	c := Collector{Actuator: None, Channel: None, Contact: None, Hand: None, Off: None, Circuit: None,
		Within: raw.Within, Coast: raw.Coast, ClearOut: raw.ClearOut, Confirm: raw.Confirm,
		StartsPerHour: raw.StartsPerHour, MinOn: raw.MinOn, MinOff: raw.MinOff}
	set(&c.RunUp, raw.RunUp)
	set(&c.Power, raw.Power)
	set(&c.FullLoad, raw.FullLoad)
	set(&c.Start, raw.Start)
	set(&c.Stop, raw.Stop)
	c.given, c.stopGiven = raw.Start != nil, raw.Stop != nil
	return c
}

// levels checks start and stop levels against each other and the range of
// their channels.
func (b *builder) levels(t at, start, stop float64, channels []int) {
	if start > 0 && stop > start {
		b.add(t.key("stop"), fmt.Sprintf("%s: it would stop at %s, above where it starts, %s", b.tableName(t.path), amps(stop), amps(start)),
			"the stop level must be at or below the start level; two thirds of it is usual")
	}
	for _, ch := range channels {
		if ch >= 0 && start > b.rig.Range(ch) {
			b.add(t.key("start"), fmt.Sprintf("%s: it starts at %s, and channel %q clips above %s", b.tableName(t.path), amps(start), b.channels[ch], amps(b.rig.Range(ch))),
				"lower the level, or fit a transformer that reads further")
		}
	}
}

func (b *builder) gate(i int) Gate {
	raw := &b.raw.Gate[i]
	g := Gate{Name: raw.Name, Actuator: None, Duct: None, RunOn: b.s.Collector.ClearOut, LossOpen: raw.LossOpen, LossShut: raw.LossShut}
	g.OpenSwitch = b.contact(raw.key("open_switch"), raw.OpenSwitch, GateOpenSwitch)
	g.ShutSwitch = b.contact(raw.key("shut_switch"), raw.ShutSwitch, GateShutSwitch)
	g.Button = b.contact(raw.key("button"), raw.Button, ButtonContact)
	g.Aside = b.contact(raw.key("aside"), raw.Aside, AsideContact)
	set(&g.Travel, raw.Travel)
	set(&g.Reversed, raw.Reversed)
	if raw.Reversed != nil && raw.Actuator == nil {
		b.add(raw.key("reversed"), b.tableName(raw.path)+": a gate moved by hand cannot be reversed", "take it out, or add its actuator")
	}
	if raw.RunOn != nil {
		g.RunOn = *raw.RunOn
	} else if b.raw.Collector != nil {
		b.defaulted(raw.key("run_on"), strconv.Quote(FormatDuration(g.RunOn)))
	}
	switch {
	case raw.Actuator != nil:
		g.Actuator = b.actuator(raw.key("actuator"), *raw.Actuator, "a gate is moved", ForGate)
		if g.Actuator >= 0 && b.rig.Actuators[g.Actuator].State != "" && (raw.OpenSwitch != nil || raw.ShutSwitch != nil) {
			b.add(raw.path, b.tableName(raw.path)+": its actuator says where it is, and it has an end switch too", "keep one of the two")
		}
		if raw.Travel == nil {
			b.add(raw.path, b.tableName(raw.path)+`: nothing says how long it takes to move`, `time its longest way and add it: travel = "900 ms"`)
		} else if a := g.Actuator; a >= 0 && g.Travel > 0 && b.rig.Actuators[a].Slow > g.Travel {
			// Control takes it as open once travel has passed.
			slow := FormatDuration(b.rig.Actuators[a].Slow)
			b.add(raw.key("travel"), fmt.Sprintf("%s: it would be taken as open after %s, and its servo %q takes %s from end to end", b.tableName(raw.path), FormatDuration(g.Travel), b.rig.Actuators[a].Name, slow),
				fmt.Sprintf("write travel = %q or more, or make the servo's slow shorter in the rig file", slow))
		}
		if a := g.Actuator; a >= 0 && g.Reversed {
			if k := b.rig.Actuators[a].Kind; k.facts().reverse == nil {
				b.add(raw.key("reversed"), fmt.Sprintf("%s: a gate on a %s is not reversed here", b.tableName(raw.path), k), k.facts().reversing)
			}
		}
	case raw.OpenSwitch == nil:
		b.add(raw.path, b.tableName(raw.path)+": it has neither an actuator nor an open_switch, so nothing can be known of it", "add one, or leave the gate out")
	case raw.Travel != nil:
		b.add(raw.key("travel"), b.tableName(raw.path)+": a gate moved by hand has no travel time", "take it out, or add its actuator")
	}
	if raw.Hold != nil {
		g.Hold = *raw.Hold
		if raw.Button == nil {
			b.add(raw.key("hold"), b.tableName(raw.path)+": hold is for a press of its button, and it has none", "add the button, or take hold out")
		}
	} else if raw.Button != nil {
		g.Hold = defHold
		b.defaulted(raw.key("hold"), strconv.Quote(FormatDuration(g.Hold)))
	}
	if g.Hold > b.raw.Limits.HoldLongest {
		b.add(raw.key("hold"), fmt.Sprintf("%s: a hold of %s is longer than limits.hold_longest, %s", b.tableName(raw.path), FormatDuration(g.Hold), FormatDuration(b.raw.Limits.HoldLongest)), "shorten one or lengthen the other")
	}
	switch {
	case raw.Duct == nil && len(b.raw.Duct) > 0:
		b.add(raw.path, b.tableName(raw.path)+": nothing says which duct it sits in", `add it: duct = "…"; then every path through it is known`)
	case raw.Duct != nil:
		g.Duct = b.find(raw.key("duct"), *raw.Duct, "duct", b.ducts)
	}
	if g.Duct >= 0 {
		d := &b.s.Ducts[g.Duct]
		if d.Gate >= 0 {
			b.add(raw.key("duct"), fmt.Sprintf("%s: duct %q already holds gate %q", b.tableName(raw.path), d.Name, b.gates[d.Gate]), "split the duct in two, one gate in each")
		} else {
			d.Gate = i
		}
	}
	return g
}

func (b *builder) machine(i int) Machine {
	raw := &b.raw.Machine[i]
	who := b.tableName(raw.path)
	m := Machine{Name: raw.Name, Start: defStart, Stop: defStop, StopHold: defStopHold, Settle: raw.Settle, Rank: raw.Rank,
		Circuit: b.onCircuit(raw.key("circuit"), raw.Circuit)}
	set(&m.Topic, raw.Topic)
	b.message(raw, &m)
	m.Rated = b.ratings(raw.at, raw.Rated)
	set(&m.FullLoad, raw.FullLoad)
	set(&m.Flow, raw.Flow)
	set(&m.Coast, raw.Coast)
	m.given, m.stopGiven = raw.Start != nil, raw.Stop != nil
	set(&m.Start, raw.Start)
	if raw.Start != nil {
		m.Stop = m.Start * 2 / 3
	}
	set(&m.Stop, raw.Stop)
	set(&m.StopHold, raw.StopHold)
	for _, level := range []struct {
		key, def string
		given    bool
	}{{"start", amps(defStart), raw.Start != nil}, {"stop", amps(m.Stop), raw.Stop != nil}, {"stop_hold", FormatDuration(defStopHold), raw.StopHold != nil}} {
		switch {
		case level.given && len(raw.Channels) == 0:
			b.add(raw.key(level.key), fmt.Sprintf("%s: %s is about its current, and no channel reads that", who, level.key), "add channels, or take it out")
		case !level.given && len(raw.Channels) > 0:
			b.defaulted(raw.key(level.key), strconv.Quote(level.def))
		}
	}
	for j, name := range raw.Channels {
		if ch := b.channel(raw.item("channels", j), name); ch >= 0 {
			m.Channels = append(m.Channels, ch)
		}
	}
	for j := range raw.Contacts {
		if c := b.contact(raw.item("contacts", j), &raw.Contacts[j], MachineContact); c >= 0 {
			m.Contacts = append(m.Contacts, c)
		}
	}
	if len(raw.Channels)+len(raw.Contacts) == 0 && raw.Topic == nil {
		b.add(raw.path, who+": nothing tells when it runs", `add channels = ["…"] or contacts = ["…"]; what is only opened by hand is a gate with a button, not a machine`)
	}
	b.levels(raw.at, m.Start, m.Stop, m.Channels)

	switch {
	case raw.RunOn != nil && raw.Coast != nil:
		b.add(raw.key("run_on"), who+": run_on is coast and clear-out together, and coast is given too", "keep coast, from which the run-on is computed, or run_on alone")
	case raw.RunOn != nil:
		m.RunOn, m.GivenRun = *raw.RunOn, true
	case raw.Coast != nil:
		m.RunOn = m.Coast + b.s.Collector.ClearOut
	default:
		b.add(raw.path, who+": nothing says how long the collector must run on after it", `time how long it takes to come to rest and add it: coast = "8 s"`)
	}
	b.paths(raw, &m, i)
	return m
}

// paths follows the duct tree from the machine's hoods, and from the gates it
// names that lie on no such path.
func (b *builder) paths(raw *rawMachine, m *Machine, i int) {
	if b.moveIn {
		m.Paths = [][]int{nil} // to nowhere
		return
	}
	who := b.tableName(raw.path)
	if len(raw.Hoods)+len(raw.Gates) == 0 {
		remedy := `add hoods = ["…"], the ducts that end at it`
		if len(b.raw.Duct) == 0 {
			remedy = `add gates = ["…"], the gates to open for it`
		}
		b.add(raw.path, who+": nothing says where its dust goes", remedy)
	}
	opened := map[int]bool{}
	path := func(gates []int) {
		m.Paths = append(m.Paths, gates)
		for _, g := range gates {
			opened[g] = true
		}
	}
	for j, name := range raw.Hoods {
		key := raw.item("hoods", j)
		d := b.find(key, name, "duct", b.ducts)
		switch {
		case d < 0:
		case slices.Contains(m.Hoods, d):
			b.add(key, fmt.Sprintf("%s: hood %q is named twice", who, name), "take one out")
		case b.s.joined(d):
			b.add(key, fmt.Sprintf("%s: other ducts run into %q, so it has no open end", who, name), "name the duct that ends at the machine")
		default:
			m.Hoods = append(m.Hoods, d)
			b.s.Ducts[d].Hoods = append(b.s.Ducts[d].Hoods, i)
			path(b.s.gatesOn(d))
		}
	}
	// The gates farthest upstream first: those in mains are then on a path already.
	named := map[int]int{}
	for j, name := range raw.Gates {
		key := raw.item("gates", j)
		g := b.find(key, name, "gate", b.gates)
		if _, ok := named[g]; ok && g >= 0 {
			b.add(key, fmt.Sprintf("%s: gate %q is named twice", who, name), "take one out")
		} else if g >= 0 {
			named[g] = j
		}
	}
	depth := func(g int) int {
		if d := b.s.Gates[g].Duct; d >= 0 {
			return len(b.s.way(d))
		}
		return 0
	}
	order := sortedInts(named)
	slices.SortStableFunc(order, func(x, y int) int { return depth(y) - depth(x) })
	for _, g := range order {
		switch d := b.s.Gates[g].Duct; {
		case opened[g]:
		case d < 0:
			path([]int{g})
		default:
			path(b.s.gatesOn(d))
		}
	}
	m.Gates = sortedInts(opened)
}

func sortedInts[V any](set map[int]V) []int {
	var out []int
	for k := range set {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

func (b *builder) outlet(raw *rawOutlet) Outlet {
	o := Outlet{Name: raw.Name, RunOn: raw.RunOn, Circuit: b.onCircuit(raw.key("circuit"), raw.Circuit),
		Actuator: b.actuator(raw.key("actuator"), raw.Actuator, "an outlet is switched", ForOutlet)}
	set(&o.FullLoad, raw.FullLoad)
	if o.Actuator >= 0 && b.rig.Actuators[o.Actuator].State != "" {
		b.add(raw.key("actuator"), b.tableName(raw.path)+": an outlet has no use for the state of its actuator", "take state out of the rig file")
	}
	for j, name := range raw.Follows {
		m := b.find(raw.item("follows", j), name, "machine", b.machines)
		switch {
		case m < 0:
		case slices.Contains(o.Follows, m):
			b.add(raw.item("follows", j), fmt.Sprintf("%s follows machine %q twice", b.tableName(raw.path), name), "take one out")
		default:
			o.Follows = append(o.Follows, m)
		}
	}
	if raw.Follows != nil && len(raw.Follows) == 0 { // nil was reported already
		b.add(raw.key("follows"), b.tableName(raw.path)+" follows nothing", "name the machines it follows, or leave it out")
	}
	return o
}

// follows and halves are the words of an indicator.
var (
	follows = map[string]control.Follow{"collecting": control.Collecting, "uncollected": control.AnyUncollected, "fault": control.AnyFault, "latched": control.AnyLatch}
	halves  = map[string]time.Duration{"slow": control.SlowHalf, "fast": control.FastHalf}
)

func (b *builder) indicator(raw *rawIndicator) Indicator {
	n := Indicator{Name: raw.Name, Shows: follows[raw.Shows], Half: halves[raw.Blink],
		Actuator: b.actuator(raw.key("actuator"), raw.Actuator, "a lamp or a horn is switched by a wire", ForIndicator)}
	if n.Actuator >= 0 && b.rig.Actuators[n.Actuator].Node > 0 {
		b.add(raw.key("actuator"), fmt.Sprintf("%s: %q is wired to %s", b.tableName(raw.path), raw.Actuator, b.rig.at(b.rig.Actuators[n.Actuator].Node)), "use an output of the computer that decides")
	}
	return n
}

func (b *builder) limits() {
	raw := &b.raw.Limits
	b.s.Limits = raw.limits()
	if raw.Refuse && raw.MaxOpen == 0 {
		b.add(raw.key("refuse"), "limits: refuse needs a limit of open branches", "add max_open, or take refuse out")
	}
	if b.s.Limits.BinBlocks && !b.rig.has(BinContact) {
		b.add(raw.key("bin_full"), "limits: the rig has no contact that tells the bin's level", `add one of the kind "bin" to the rig, or take bin_full out`)
	}
}

func (raw *rawLimits) limits() Limits {
	return Limits{MaxOpen: raw.MaxOpen, Refuse: raw.Refuse, CloseAtRest: raw.CloseAtRest, BinBlocks: raw.BinFull == "no new start",
		TopicStarts: raw.TopicStarts, UnknownHold: raw.UnknownHold, HoldLongest: raw.HoldLongest, PowerUp: raw.PowerUp}
}

// has reports whether the rig has a contact of a kind.
func (r *Rig) has(kind ContactKind) bool {
	return slices.ContainsFunc(r.Contacts, func(c Contact) bool { return c.Kind == kind })
}
