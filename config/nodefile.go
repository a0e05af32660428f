package config

import (
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"kerfwind/control"
)

// A larger shop has several computers: one decides, and the others, its nodes,
// only sense and drive. The rig file of the one that decides names a copy of
// each node's rig file; what is wired there joins its own lists as
// "NODE/NAME", after what is wired to itself.

type rawNode struct {
	at
	Rig   string        `toml:"rig" need:"1" eg:"\"annex.toml\""`
	Stale time.Duration `toml:"stale" def:"3 s" min:"1500 ms" max:"1 min"`
}

// Node is another computer of the shop that senses and drives for this one.
type Node struct {
	Name  string
	File  string        // the copy of its rig file
	Stale time.Duration // it is lost after this long without a word
	Rig   *Rig          // what is wired to it, by its own names
	First NodeFirst
}

// NodeFirst is where a node's lists begin in the lists of the rig that decides.
type NodeFirst struct{ ADC, Channel, Contact, Actuator int }

// maxNodes bounds the nodes of one shop.
const maxNodes = 16

// Converters is how many of the converters are on this computer; they are the
// first.
func (r *Rig) Converters() int {
	if len(r.Nodes) > 0 {
		return r.Nodes[0].First.ADC
	}
	return len(r.ADCs)
}

// Own is the rig without its nodes: what is wired to this computer. Its numbers
// are those of r.
func (r *Rig) Own() *Rig {
	if len(r.Nodes) == 0 {
		return r
	}
	own, n := *r, r.Nodes[0].First
	own.ADCs, own.Channels, own.Contacts, own.Actuators = r.ADCs[:n.ADC], r.Channels[:n.Channel], r.Contacts[:n.Contact], r.Actuators[:n.Actuator]
	own.Nodes = nil
	return &own
}

// at says at which node something is wired, for messages.
func (r *Rig) at(node int) string {
	if node == 0 {
		return "this computer"
	}
	return "node " + strconv.Quote(r.Nodes[node-1].Name)
}

// isNode checks what a node's own rig file may have.
func (raw *rawRig) isNode(f *file, r *Rig) {
	if r.IsNode = raw.Role != nil && *raw.Role == "node"; !r.IsNode {
		return
	}
	if raw.Name == blank[rawRig]().Name || strings.ContainsAny(raw.Name, "/+#") || Slug(raw.Name) != raw.Name {
		f.add("name", fmt.Sprintf("%q is no name for a node", raw.Name), `write name = "annex": small letters, digits and "-"; it is a part of its topics`)
	}
	if raw.MQTT == nil {
		f.add("role", "a node without a link to a broker hears of nobody", `add [mqtt] with broker = "tcp://…:1883"`)
	} else {
		for _, key := range []string{"discovery", "homie", "requests", "keep"} {
			if _, written := f.places[raw.MQTT.key(key)]; written {
				f.add(raw.MQTT.key(key), "mqtt: "+key+" is for the computer that decides; a node tells only that one", "take it out")
			}
		}
	}
	for _, x := range []struct {
		key   string
		there bool
	}{{"node", raw.Node != nil}, {"broker", raw.Broker != nil}, {"metrics", raw.Metrics != nil}, {"page", raw.Page != nil}} {
		if x.there {
			f.add(x.key, "a node only senses and drives: it has no "+x.key, "write it in the rig file of the computer that decides")
		}
	}
	for i := range raw.Actuator {
		if a := &raw.Actuator[i]; a.Kind != 0 && !a.Kind.Wired() {
			f.add(a.key("kind"), f.tableName(a.path)+": a node tells nothing over topics", "write this actuator in the rig file of the computer that decides")
		}
	}
	for i := range raw.Contact {
		if c := &raw.Contact[i]; c.Kind.facts().decider != "" {
			f.add(c.key("kind"), f.tableName(c.path)+": "+c.Kind.facts().decider, "wire the switch there")
		}
	}
}

// nodes reads the rig files of the nodes.
func (raw *rawRig) nodes(f *file, r *Rig) {
	if len(raw.Node) > maxNodes {
		f.add(fmt.Sprintf("node[%d]", maxNodes), fmt.Sprintf("%d nodes: at most %d", len(raw.Node), maxNodes), "take some out")
		return
	}
	if len(raw.Node) > 0 && raw.MQTT == nil {
		f.add("node", "nodes are reached through a broker, and the rig has no link to one", `add [mqtt] with broker = "tcp://…:1883"`)
		return
	}
	for i := range raw.Node {
		if n := raw.Node[i].node(f, r); n != nil {
			r.join(n)
		}
	}
	all := func(list string, what []string) {
		for i, name := range what {
			if slices.Contains(what[:i], name) && strings.Contains(name, "/") {
				f.add("node", fmt.Sprintf("the name %q is taken by another %s", name, list), "leave the slash out of names of this computer")
			}
		}
	}
	all("adc", namesOf(r.ADCs, func(a *ADC) string { return a.Name }))
	all("channel", namesOf(r.Channels, func(c *Channel) string { return c.Name }))
	all("contact", namesOf(r.Contacts, func(c *Contact) string { return c.Name }))
	all("actuator", namesOf(r.Actuators, func(a *Actuator) string { return a.Name }))
}

func namesOf[T any](list []T, name func(*T) string) []string {
	out := make([]string, len(list))
	for i := range list {
		out[i] = name(&list[i])
	}
	return out
}

// node reads the copy of a node's rig file. nil: it cannot be used, and that
// was reported.
func (raw *rawNode) node(f *file, r *Rig) *Node {
	if raw.Rig == "" {
		return nil
	}
	place := raw.Rig
	if !filepath.IsAbs(place) {
		place = filepath.Join(filepath.Dir(f.name), place)
	}
	bad := func(message, remedy string) *Node {
		f.add(raw.key("rig"), "node: "+message, remedy)
		return nil
	}
	data, err := readFile(place)
	if err != nil {
		return bad(err.Error(), "put a copy of that computer's rig file there")
	}
	rig, err := parseRig(place, data, true)
	if err != nil {
		return bad(fmt.Sprintf("its rig file cannot be used:\n    %s", strings.ReplaceAll(err.Error(), "\n", "\n    ")), "mend it there, and copy it again")
	}
	switch {
	case !rig.IsNode:
		return bad(fmt.Sprintf("%s is no node's rig file", place), `write role = "node" there`)
	case slices.ContainsFunc(r.Nodes, func(n Node) bool { return n.Name == rig.Name }):
		return bad(fmt.Sprintf("two nodes are called %q", rig.Name), "give each a name of its own")
	case rig.MQTT.Topic != r.MQTT.Topic:
		return bad(fmt.Sprintf("%q speaks below the topic %s, and this computer below %s", rig.Name, rig.MQTT.Topic, r.MQTT.Topic), "write the same topic in [mqtt] of both")
	case rig.MQTT.Client == r.MQTT.Client:
		return bad(fmt.Sprintf("%q logs in as %q, and so does this computer", rig.Name, rig.MQTT.Client), "give each a client of its own, or leave it out")
	}
	return &Node{Name: rig.Name, File: place, Stale: raw.Stale, Rig: rig}
}

// join appends what is wired to a node.
func (r *Rig) join(n *Node) {
	n.First = NodeFirst{len(r.ADCs), len(r.Channels), len(r.Contacts), len(r.Actuators)}
	number := len(r.Nodes) + 1
	for _, a := range n.Rig.ADCs {
		a.Name, a.Node = n.Name+"/"+a.Name, number
		r.ADCs = append(r.ADCs, a)
	}
	for _, c := range n.Rig.Channels {
		c.Name, c.ADC, c.Node = n.Name+"/"+c.Name, c.ADC+n.First.ADC, number
		r.Channels = append(r.Channels, c)
	}
	for _, c := range n.Rig.Contacts {
		c.Name, c.Node = n.Name+"/"+c.Name, number
		r.Contacts = append(r.Contacts, c)
	}
	for _, a := range n.Rig.Actuators {
		a.Name, a.Node = n.Name+"/"+a.Name, number
		r.Actuators = append(r.Actuators, a)
	}
	r.Nodes = append(r.Nodes, *n)
}

// computers checks that what belongs together is wired to one computer: a node
// joins its own contacts, and stops its own motors by them.
func (b *builder) computers() {
	type about struct {
		kind control.InputKind
		id   control.ID
	}
	first := map[about]int{} // contact
	for i, u := range b.s.Contacts() {
		if u.Kind == 0 || u.Kind == control.Ask {
			continue
		}
		key := about{u.Kind, u.ID}
		j, ok := first[key]
		if !ok {
			first[key] = i
			continue
		}
		if x, y := &b.rig.Contacts[j], &b.rig.Contacts[i]; x.Node != y.Node {
			path := ""
			switch u.Kind {
			case control.MachineIs:
				path = b.raw.Machine[u.ID].path
			case control.GateIs:
				path = b.raw.Gate[u.ID].path
			default:
				if b.raw.Collector != nil {
					path = b.raw.Collector.path
				}
			}
			b.add(path, fmt.Sprintf("the contacts %q and %q tell one thing together, and are wired to %s and to %s", x.Name, y.Name, b.rig.at(x.Node), b.rig.at(y.Node)),
				"wire both to one computer")
		}
	}
	for i := range b.s.Gates {
		g := &b.s.Gates[i]
		for _, c := range []int{g.OpenSwitch, g.ShutSwitch} {
			if c < 0 || g.Actuator < 0 {
				continue
			}
			if x, y := &b.rig.Contacts[c], &b.rig.Actuators[g.Actuator]; x.Node != y.Node {
				b.add(b.raw.Gate[i].path, fmt.Sprintf("gate %q: its end switch %q is wired to %s, and its actuator to %s", g.Name, x.Name, b.rig.at(x.Node), b.rig.at(y.Node)),
					"wire both to one computer")
			}
		}
	}
}

// doubtNodes says what hangs on the broker that should not.
func (b *builder) doubtNodes() {
	if c := b.s.Collector.Actuator; c >= 0 && b.rig.Actuators[c].Node > 0 {
		n := &b.rig.Nodes[b.rig.Actuators[c].Node-1]
		b.doubt(b.raw.Collector.key("actuator"), fmt.Sprintf("the contactor is driven by node %q: without the broker a running collector goes on there for %s before it is switched off, and a start that does not get through is latched",
			n.Name, FormatDuration(b.s.OffAfter())), "drive the contactor from the computer that decides")
	}
	for _, i := range b.s.Stops() {
		if c := &b.rig.Contacts[i]; c.Node > 0 {
			n := &b.rig.Nodes[c.Node-1]
			b.doubtRig("node", fmt.Sprintf("the stop contact %q is wired to a node: %s after that node or the broker is gone it counts as open, and the collector is stopped", c.Name, FormatDuration(n.Stale)),
				"wire it to the computer that drives the contactor, and in series with the contactor's coil")
		}
	}
}

// OffAfter is how long a node keeps a contactor on that was on when it lost the
// computer that decides: as long as an unknown machine is served, and the
// longest run-on after that. The fault table says of lost sensing "as by the
// last known state": off is not always the safe state, since a fan that stops in
// mid-cut leaves the dust at the hood.
func (s *Shop) OffAfter() time.Duration {
	longest := s.Collector.ClearOut
	for i := range s.Machines {
		longest = max(longest, s.Machines[i].RunOn)
	}
	return s.Limits.UnknownHold + longest
}

// describeNodes lists the nodes of a rig.
func (r *Rig) describeNodes(p *page) {
	if r.IsNode {
		p.line(1, "A node: it senses and drives for the computer that decides, below %s/node/%s", r.MQTT.Topic, r.Name)
	}
	for i := range r.Nodes {
		n := &r.Nodes[i]
		p.line(1, "Node %s (%s): %s, %s, %s; lost after %s without a word", n.Name, n.File, count(len(n.Rig.Channels), "channel"), count(len(n.Rig.Contacts), "contact"),
			count(len(n.Rig.Actuators), "actuator"), FormatDuration(n.Stale))
	}
}

// describeBroker says what happens to the shop when the broker dies.
func (s *Shop) describeBroker(p *page) {
	var hung []string
	for i := range s.Gates {
		if a := s.Gates[i].Actuator; a >= 0 && !s.Rig.Actuators[a].Kind.Wired() {
			hung = append(hung, fmt.Sprintf("gate %q", s.Gates[i].Name))
		}
	}
	for i := range s.Outlets {
		if !s.Rig.Actuators[s.Outlets[i].Actuator].Kind.Wired() {
			hung = append(hung, fmt.Sprintf("outlet %q", s.Outlets[i].Name))
		}
	}
	var told []string
	for i := range s.Machines {
		if s.Machines[i].Topic != "" {
			told = append(told, s.Machines[i].Name)
		}
	}
	if len(s.Rig.Nodes) == 0 && len(hung)+len(told) == 0 {
		return
	}
	p.line(0, "If the broker dies")
	p.line(1, "What is wired to this computer goes on.")
	if len(told) > 0 {
		p.line(1, "Known by a topic: %s. After the time in its message each is unknown.", quoted(told))
	}
	if len(hung) > 0 {
		p.line(1, "Moved over a topic: %s. They stay as they are.", list(hung))
	}
	for i := range s.Rig.Nodes {
		s.describeLoss(p, i+1)
	}
	if len(s.Rig.Nodes) > 0 || len(told) > 0 {
		p.line(1, "A machine that ran when it became unknown is served for %s, then its run-on; one at rest does not start the collector.", FormatDuration(s.Limits.UnknownHold))
	}
}

// describeLoss says what happens when node number n is lost.
func (s *Shop) describeLoss(p *page, n int) {
	node := &s.Rig.Nodes[n-1]
	at := func(ch []int, contacts []int) bool {
		return slices.ContainsFunc(ch, func(c int) bool { return s.Rig.Channels[c].Node == n }) ||
			slices.ContainsFunc(contacts, func(c int) bool { return s.Rig.Contacts[c].Node == n })
	}
	here := func(a int) bool { return a >= 0 && s.Rig.Actuators[a].Node == n }
	var machines, gates, outlets, stops []string
	for i := range s.Machines {
		if m := &s.Machines[i]; at(m.Channels, m.Contacts) {
			machines = append(machines, m.Name)
		}
	}
	for i := range s.Gates {
		if here(s.Gates[i].Actuator) {
			gates = append(gates, s.Gates[i].Name)
		}
	}
	for i := range s.Outlets {
		if o := &s.Outlets[i]; here(o.Actuator) {
			outlets = append(outlets, fmt.Sprintf("%q after %s", o.Name, FormatDuration(o.RunOn)))
		}
	}
	for _, c := range s.Stops() {
		if s.Rig.Contacts[c].Node == n {
			stops = append(stops, s.Rig.Contacts[c].Name)
		}
	}
	p.line(1, "Node %s is lost after %s, and it loses this computer:", node.Name, FormatDuration(node.Stale))
	if len(machines) > 0 {
		p.line(2, "unknown: %s", quoted(machines))
	}
	if len(gates) > 0 {
		p.line(2, "gates stay where they stand: %s", quoted(gates))
	}
	if len(outlets) > 0 {
		p.line(2, "it switches off %s", list(outlets))
	}
	if here(s.Collector.Actuator) {
		p.line(2, "it switches the collector off after %s", FormatDuration(s.OffAfter()))
	}
	if c := s.Collector.Channel; c >= 0 && s.Rig.Channels[c].Node == n {
		p.line(2, "whether the collector runs is unknown")
	}
	if len(stops) > 0 {
		p.line(2, "stop contacts count as open, and the collector is stopped: %s", quoted(stops))
	}
}
