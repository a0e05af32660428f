package movein

import (
	"fmt"
	"hash/fnv"
	"slices"
	"strings"
	"time"

	"kerfwind/config"
	"kerfwind/control"
)

// gate is a gate of the new shop, as answered.
type gate struct {
	name, actuator string
	kind           string // machine, main, sweep or hand
	machine        string
}

// gates are the gates that were found, in the order of the outputs.
func (s *Session) gates() []gate {
	var out []gate
	for _, a := range s.outputs() {
		what, of := cut(s.get("gate/" + a))
		g := gate{actuator: a, kind: what, machine: of, name: of}
		switch what {
		case "main", "sweep":
			if g.name = s.get("called/" + a); g.name == "" {
				g.name = s.callIt(a, what)
			}
		case "machine":
			n := 0
			for _, o := range out {
				if o.machine == of {
					n++
				}
			}
			if was := s.oldGatesOf(of); n < len(was) {
				g.name = was[n]
			} else if n > 0 {
				g.name = fmt.Sprintf("%s %d", of, n+1)
			}
		default:
			continue
		}
		out = append(out, g)
	}
	if s.old != nil {
		for i := range s.old.Gate { // moved by hand, and only seen: as they were
			if g := &s.old.Gate[i]; g.Actuator == nil && s.hasContact(g.OpenSwitch) && !slices.ContainsFunc(out, func(o gate) bool { return o.name == g.Name }) {
				out = append(out, gate{name: g.Name, kind: "hand"})
			}
		}
	}
	return out
}

// hasContact reports whether the rig has a contact of that name.
func (s *Session) hasContact(name *string) bool {
	return name != nil && slices.ContainsFunc(s.rig.Contacts, func(c config.Contact) bool { return c.Name == *name })
}

// onlyContact is the name of the rig's contact of a kind, nil if it has none or several.
func (s *Session) onlyContact(kind config.ContactKind) *string {
	var found *string
	for i := range s.rig.Contacts {
		if c := &s.rig.Contacts[i]; c.Kind == kind {
			if found != nil {
				return nil
			}
			found = &c.Name
		}
	}
	return found
}

// oldGatesOf are the gates at the hoods of a machine before.
func (s *Session) oldGatesOf(machine string) []string {
	o := s.oldMachine(machine)
	if o == nil {
		return nil
	}
	var out []string
	for i := range s.old.Gate {
		g := &s.old.Gate[i]
		if g.Duct != nil && slices.Contains(o.Hoods, *g.Duct) || g.Duct == nil && slices.Contains(o.Gates, g.Name) {
			out = append(out, g.Name)
		}
	}
	return out
}

// callIt proposes a name for a gate of no machine: that of an old gate
// which was not found yet.
func (s *Session) callIt(actuator, what string) string {
	taken := map[string]bool{}
	for _, a := range s.outputs() {
		if a != actuator {
			taken[s.get("called/"+a)] = true
		}
	}
	free := func(name string) bool { return !taken[name] && !slices.Contains(s.machines(), name) }
	if s.old != nil {
		for i := range s.old.Gate {
			g := &s.old.Gate[i]
			inMain := g.Duct != nil && slices.ContainsFunc(s.old.Duct, func(d config.DraftDuct) bool { return d.To == *g.Duct })
			if inMain == (what == "main") && free(g.Name) {
				return g.Name
			}
		}
	}
	base := map[string]string{"main": "main", "sweep": "floor sweep"}[what]
	name := base
	for n := 2; !free(name); n++ {
		name = fmt.Sprintf("%s %d", base, n)
	}
	return name
}

// oldGateOf is the gate that an actuator moved before, nil if none.
func (s *Session) oldGateOf(actuator string) *config.DraftGate {
	if s.old == nil {
		return nil
	}
	for i := range s.old.Gate {
		if g := &s.old.Gate[i]; g.Actuator != nil && *g.Actuator == actuator {
			return g
		}
	}
	return nil
}

// switches puts the end switches of an actuator into a gate: they sit on the
// same gate and travelled with it.
func (s *Session) switches(actuator string, g *config.DraftGate) {
	if o := s.oldGateOf(actuator); o != nil && s.get("switch/"+actuator) != none {
		if s.hasContact(o.OpenSwitch) {
			g.OpenSwitch = o.OpenSwitch
		}
		if s.hasContact(o.ShutSwitch) {
			g.ShutSwitch = o.ShutSwitch
		}
	}
}

func ref[T any](x T) *T { return &x }

// Draft is the new shop, as far as it is answered.
func (s *Session) Draft() *config.Draft {
	d := config.NewDraft()
	if name := s.get("name"); name != "" {
		d.Name = ref(name)
	}
	d.Units = s.get("units")
	sp := s.supply()
	d.Mains.Voltage, d.Mains.Frequency = sp.volts, sp.hertz
	for _, c := range s.circuits() {
		x := config.NewDraftOf[config.DraftCircuit]()
		x.Name, x.Breaker = c.name, c.breaker
		if c.volts > 0 {
			x.Voltage = ref(c.volts)
		}
		if c.leg != "" {
			x.Leg = ref(c.leg)
		}
		d.Circuit = append(d.Circuit, x)
	}
	s.draftGates(d)
	for _, m := range s.sensed() {
		d.Machine = append(d.Machine, s.draftMachine(m))
	}
	s.draftCollector(d)
	s.carry(d)
	s.draftDucts(d)
	return d
}

func (s *Session) draftMachine(name string) config.DraftMachine {
	m := config.NewDraftOf[config.DraftMachine]()
	if o := s.oldMachine(name); o != nil {
		// What belongs to the machine comes along; what belongs to the place,
		// the sensor or the supply does not.
		m.Topic, m.Message, m.StopHold, m.Settle, m.Rank, m.Flow, m.Transport = o.Topic, o.Message, o.StopHold, o.Settle, o.Rank, o.Flow, o.Transport
	}
	m.Name = name
	switch what, of := cut(s.get("sensor/" + name)); what {
	case "contact":
		m.Contacts, m.StopHold, m.Topic, m.Message = []string{of}, nil, nil, nil
	case topic:
		m.StopHold = nil
	default:
		m.Channels, m.Topic, m.Message = split(what, ","), nil, nil
	}
	m.Circuit, m.FullLoad, m.Rated = s.place(name)
	if what, levels := cut(s.get("learn/" + name)); what == "proposal" {
		if start, stop, err := parseLevels(levels); err == nil {
			m.Start, m.Stop = ref(start), ref(stop)
		}
	}
	if c, err := config.ParseDuration(s.get("coast/" + name)); err == nil {
		m.Coast = ref(c)
	}
	return m
}

// place returns what the address means for a machine: circuit, full load, ratings.
func (s *Session) place(name string) (circuit *string, load *float64, rated []string) {
	if c := s.get("circuit/" + name); c != "" && c != none {
		circuit = ref(c)
	}
	if was := s.oldLoad(name); was > 0 {
		load = ref(was)
	}
	if s.asksLoad(name) {
		load = nil
		if x, err := config.Parse(config.Current, s.get("load/"+name)); err == nil {
			load = ref(x)
		}
	}
	answer := s.get("rated/" + name)
	switch {
	case answer == matched:
		rated = []string{config.Rating{Volts: s.voltsOf(name), Hertz: s.supply().hertz}.String()}
	case answer == no:
		rated = split(s.oldRated(name), ",")
	default:
		if list, err := marked(answer); err == nil && len(list) > 0 {
			rated = split(answer, ",")
		}
	}
	return circuit, load, rated
}

func (s *Session) draftCollector(d *config.Draft) {
	c := config.NewDraftOf[config.DraftCollector]()
	if s.old != nil && s.old.Collector != nil {
		c = *s.old.Collector
		c.Channel, c.Start, c.Stop = nil, nil, nil
		// A fan turns with the mains: its curve holds for the frequency at which it
		// was written.
		if c.FanFrequency == nil && s.old.Mains.Frequency != d.Mains.Frequency && d.Mains.Frequency > 0 {
			c.FanFrequency = ref(s.old.Mains.Frequency)
		}
	}
	c.Actuator = ""
	for _, r := range s.relays() {
		if s.get("relay/"+r) == "collector" {
			c.Actuator = r
		}
	}
	if list := split(s.get("sensor/"+collector), ","); len(list) > 0 && list[0] != skip {
		c.Channel, c.Contact = ref(list[0]), nil
	}
	c.Circuit, c.FullLoad, c.Rated = s.place(collector)
	if x, err := config.Parse(config.Power, s.get("power/"+collector)); err == nil && s.asksPower() {
		c.Power = &x
	}
	if s.old == nil { // the rig's own contacts of the collector serve it, where there is one of a kind
		if c.Channel == nil {
			c.Contact = s.onlyContact(config.CollectorContact)
		}
		c.Hand, c.Off = s.onlyContact(config.HandContact), s.onlyContact(config.OffContact)
	}
	d.Collector = &c
}

func (s *Session) draftGates(d *config.Draft) {
	for _, x := range s.gates() {
		g := config.NewDraftOf[config.DraftGate]()
		if s.old != nil {
			for i := range s.old.Gate {
				if o := &s.old.Gate[i]; o.Name == x.name { // what belongs to the place in the duct
					if x.kind == "hand" {
						g = *o
						g.Duct = nil
						break
					}
					g.Button, g.Aside, g.Hold, g.RunOn, g.LossOpen, g.LossShut, g.Leak, g.Opening = o.Button, o.Aside, o.Hold, o.RunOn, o.LossOpen, o.LossShut, o.Leak, o.Opening
				}
			}
		}
		if x.kind == "hand" {
			d.Gate = append(d.Gate, g)
			continue
		}
		g.Name, g.Actuator = x.name, ref(x.actuator)
		s.switches(x.actuator, &g)
		if s.get("way/"+x.actuator) == "open" {
			g.Reversed = ref(true)
		}
		if t, err := config.ParseDuration(s.get("travel/" + x.actuator)); err == nil {
			g.Travel = ref(t)
		}
		d.Gate = append(d.Gate, g)
	}
}

// carry takes over what does not depend on the address.
func (s *Session) carry(d *config.Draft) {
	if s.old == nil {
		return
	}
	d.Limits, d.Notice, d.Hours = s.old.Limits, s.old.Notice, s.old.Hours
	has := func(m string) bool {
		return slices.ContainsFunc(d.Machine, func(x config.DraftMachine) bool { return x.Name == m })
	}
	if a := s.old.Air; a != nil {
		b := *a
		b.Altitude, b.Temperature, b.Density, b.Together = nil, nil, nil, nil
		for _, set := range a.Together {
			if !slices.ContainsFunc(set, func(m string) bool { return !has(m) }) {
				b.Together = append(b.Together, set)
			}
		}
		if len(b.Together) > 0 || b.Transport != nil || b.Slip != nil || b.Settle != nil || b.Expansion != nil {
			d.Air = &b
		}
	}
	for _, n := range s.old.Indicator {
		if !s.relayIsNot(n.Actuator, none) {
			d.Indicator = append(d.Indicator, n)
		}
	}
	for _, o := range s.old.Outlet {
		if s.relayIsNot(o.Actuator, "outlet") {
			continue
		}
		o.Circuit = nil
		o.Follows = slices.DeleteFunc(slices.Clone(o.Follows), func(m string) bool { return !has(m) })
		if len(o.Follows) > 0 {
			d.Outlet = append(d.Outlet, o)
		}
	}
}

// relayIsNot reports whether a relay was said to switch something else.
func (s *Session) relayIsNot(name, what string) bool {
	return slices.Contains(s.relays(), name) && s.get("relay/"+name) != what
}

// mark tells drafts apart.
func (s *Session) mark() string {
	h := fnv.New64a()
	h.Write(s.Draft().Encode()) // never an error
	return fmt.Sprintf("%016x", h.Sum64())
}

// leftOut says in words what is not in the new shop.
func (s *Session) leftOut() []string {
	var out []string
	for _, m := range s.machines() {
		switch {
		case s.get("rated/"+m) == no:
			out = append(out, fmt.Sprintf("The %s is left out: its rating plate does not name this supply. Do not connect it. Ask an electrician.", m))
		case s.get("sensor/"+m) == skip:
			out = append(out, fmt.Sprintf("The %s is left out: no sensor shows when it runs.", m))
		case s.get("rated/"+m) == unknown && s.supplyChanged(m):
			out = append(out, fmt.Sprintf("The supply has changed and nobody knows which supplies the %s is made for. Look at its rating plate before you run it for long.", m))
		}
	}
	if s.get("rated/"+collector) == no {
		out = append(out, "The collector's rating plate does not name this supply. Do not connect it. Ask an electrician.")
	}
	for _, a := range s.outputs() {
		if s.get("gate/"+a) == none {
			out = append(out, fmt.Sprintf("Output %s moves no gate here.", a))
		}
	}
	for _, m := range s.sensed() {
		switch what, levels := cut(s.get("learn/" + m)); {
		case what == "proposal":
			out = append(out, fmt.Sprintf("The levels of the %s (%s) are computed from another supply: learn them here.", m, levels))
		case what == skip:
			out = append(out, fmt.Sprintf("The levels of the %s are not learned yet: run kerfwind learn.", m))
		}
	}
	for _, g := range s.gates() {
		if g.kind == "hand" {
			out = append(out, fmt.Sprintf("Gate %s is moved by hand and stays as it was. Check that its switch is the right one.", g.name))
		}
	}
	if s.old != nil {
		for _, o := range s.Draft().Outlet {
			out = append(out, fmt.Sprintf("Outlet %s stays as it was, on output %s. Check that it is the right one.", o.Name, o.Actuator))
		}
	}
	return out
}

// supplyChanged reports whether a machine had another supply before, as far as
// that is known.
func (s *Session) supplyChanged(m string) bool {
	was := s.oldVolts(m)
	r := config.Rating{Volts: was, Hertz: s.oldSupply().hertz}
	return was > 0 && !r.Fits(s.voltsOf(m), s.supply().hertz)
}

// benchTravel is how long a gate gets in a test move when nothing is known of
// it.
const benchTravel = 3 * time.Second

// Bench is a shop for the time of the move-in, for config.ParseBench: every output a
// gate that no machine opens, every sensor a machine that is not served, nothing that
// starts the collector. Test moves go by the names of the outputs. It is to be in force
// while View.Live or a Move is asked for.
func (s *Session) Bench() []byte {
	d := config.NewDraft()
	d.Name = ref("move-in")
	d.Units = s.get("units")
	if sp := s.supply(); sp.volts > 0 {
		d.Mains.Voltage, d.Mains.Frequency = sp.volts, sp.hertz
	}
	d.Machine = s.benchMachines()
	for _, a := range s.outputs() {
		g := config.NewDraftOf[config.DraftGate]()
		g.Name, g.Actuator, g.Travel = a, ref(a), ref(benchTravel)
		if o := s.oldGateOf(a); o != nil && o.Travel != nil {
			g.Travel = o.Travel
		}
		for i := range s.rig.Actuators {
			if x := &s.rig.Actuators[i]; x.Name == a && x.Slow > *g.Travel {
				g.Travel = ref(x.Slow)
			}
		}
		s.switches(a, &g)
		d.Gate = append(d.Gate, g)
	}
	k := config.NewDraftOf[config.DraftCollector]()
	for _, r := range s.relays() {
		if s.get("relay/"+r) == "collector" {
			k.Actuator = r
		}
	}
	if s.old != nil && s.old.Collector != nil { // so that a fan in hand is seen
		k.Contact, k.Hand, k.Off, k.Coast = s.old.Collector.Contact, s.old.Collector.Hand, s.old.Collector.Off, s.old.Collector.Coast
	}
	d.Collector = &k
	d.Limits.HoldLongest = 0 // a held gate asks for the collector, and which gate is which is not known
	return d.Encode("In use during a move-in: it serves no machine. Made by kerfwind.")
}

// benchMachines lists what runs uncollected during a move-in, as far as it is sensed.
// Which sensor is at which machine is not known yet: each goes by its own name.
func (s *Session) benchMachines() (all []config.DraftMachine) {
	add := func(name string, sensed func(*config.DraftMachine)) {
		if len(all) < control.MaxMachines && !slices.ContainsFunc(all, func(m config.DraftMachine) bool { return m.Name == name }) {
			m := config.NewDraftOf[config.DraftMachine]()
			m.Name, m.RunOn = name, ref(time.Duration(0))
			sensed(&m)
			all = append(all, m)
		}
	}
	for i := range s.rig.Channels {
		if c := &s.rig.Channels[i]; c.Enabled {
			add(c.Name, func(m *config.DraftMachine) { m.Channels = []string{c.Name} })
		}
	}
	for i := range s.rig.Contacts {
		if c := &s.rig.Contacts[i]; c.Kind == config.MachineContact {
			add(c.Name, func(m *config.DraftMachine) { m.Contacts = []string{c.Name} })
		}
	}
	if s.old != nil {
		for i := range s.old.Machine {
			if o := &s.old.Machine[i]; o.Topic != nil {
				add(o.Name, func(m *config.DraftMachine) { m.Topic, m.Message = o.Topic, o.Message })
			}
		}
	}
	return all
}

// File is the new shop file.
func (s *Session) File(comment ...string) (name string, data []byte) {
	return s.get("name"), s.Draft().Encode(comment...)
}

// Differences says what is different from the shop before, or what the new one
// has.
func (s *Session) Differences() []string {
	if s.old == nil {
		return []string{"There was no earlier shop: everything is new."}
	}
	return config.Differences(s.old, s.Draft())
}

// words joins names as in "a, b and c".
func words(list []string) string {
	if len(list) < 2 {
		return strings.Join(list, "")
	}
	return strings.Join(list[:len(list)-1], ", ") + " and " + list[len(list)-1]
}
