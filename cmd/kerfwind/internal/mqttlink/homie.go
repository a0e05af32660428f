package mqttlink

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"kerfwind/control"
)

// homie lays the shop out by the Homie convention, version 5.0
// (github.com/homieiot/convention). It has a connection of its own, since the
// last will of a connection is one message, and Homie wants its own.
type homie struct {
	p     *plain
	root  string
	desc  string
	props map[string][]string // names of properties, by node
}

// Homie's words for the state of a device.
const (
	homieInit         = "init"
	homieReady        = "ready"
	homieLost         = "lost"
	homieDisconnected = "disconnected"
)

func newHomie(p *plain) *homie {
	h := &homie{p: p, root: p.homieRoot(), props: map[string][]string{}}
	desc := h.description()
	h.desc = string(mustJSON(desc))
	var text struct {
		Nodes map[string]struct {
			Properties map[string]any `json:"properties"`
		} `json:"nodes"`
	}
	if err := json.Unmarshal([]byte(h.desc), &text); err != nil {
		panic(fmt.Sprintf("mqttlink: %v", err)) // a text of ours
	}
	for node, n := range text.Nodes {
		for prop := range n.Properties {
			h.props[node] = append(h.props[node], prop)
		}
	}
	p.homie = h
	return h
}

// property is one property in a description.
func property(name, datatype string, extra object) object {
	out := object{"name": name, "datatype": datatype}
	for k, x := range extra {
		out[k] = x
	}
	return out
}

// description is the device's. Its version must rise when its text changes; it
// is the time of day at the start, or 1 while the clock is not set.
func (h *homie) description() object {
	n := &h.p.l.o.Names
	nodes := object{}
	for i, s := range h.p.machines {
		nodes["machine-"+s] = object{"name": n.Machines[i], "properties": object{
			"running": property("running", "boolean", nil), "served": property("served", "boolean", nil),
			"state": property("what its sensor says", "enum", object{"format": "none,unknown,idle,running"}),
		}}
	}
	for i, s := range h.p.gates {
		nodes["gate-"+s] = object{"name": n.Gates[i], "properties": object{
			"position": property("position", "enum", object{"format": "unknown,open,shut,opening,closing"}),
			"held":     property("held open by hand", "boolean", object{"settable": h.p.l.o.MQTT.Requests}),
		}}
	}
	for i, s := range h.p.outlets {
		nodes["outlet-"+s] = object{"name": n.Outlets[i], "properties": object{"on": property("on", "boolean", nil)}}
	}
	nodes["collector"] = object{"name": "collector", "properties": object{
		"commanded": property("commanded on", "boolean", nil), "state": property("what its own sensor says", "enum", object{"format": "none,unknown,idle,running"}),
		"starts-left": property("starts left; -1 is no budget", "integer", nil),
	}}
	nodes["shop"] = object{"name": h.p.l.o.Shop.Name, "properties": object{
		"stood-down": property("stood down", "boolean", object{"settable": h.p.l.o.MQTT.Requests}), "bin-full": property("bin full", "boolean", nil),
		"faults": property("present faults", "integer", nil), "uncollected": property("machines that run uncollected", "integer", nil),
	}}
	version := int64(1)
	if now, ok := h.p.l.o.Clock(); ok {
		version = now.Unix()
	}
	return object{"homie": "5.0", "version": version, "name": h.p.l.o.Shop.Name, "nodes": nodes}
}

func (h *homie) state(word string) message { return message{h.root + "/$state", word, true} }
func (h *homie) will() message             { return h.state(homieLost) }
func (h *homie) birth() []message {
	return []message{h.state(homieInit), {h.root + "/$description", h.desc, true}}
}
func (h *homie) ready() []message                 { return []message{h.state(homieReady)} }
func (h *homie) bye() []message                   { return []message{h.state(homieDisconnected)} }
func (h *homie) echo() string                     { return "" }
func (h *homie) event(parcel) message             { return message{} } // its pipe has no store
func (h *homie) tick() ([]message, time.Duration) { return nil, time.Hour }

func (h *homie) states(s *control.Snapshot) []message {
	var out []message
	put := func(node, prop, value string) {
		out = append(out, message{h.root + "/" + node + "/" + prop, value, true})
	}
	for i := range min(len(s.Machines), len(h.p.machines)) {
		m, node := &s.Machines[i], "machine-"+h.p.machines[i]
		put(node, "running", strconv.FormatBool(m.Run))
		put(node, "served", strconv.FormatBool(m.Served))
		put(node, "state", said(m.Sensed))
	}
	for i := range min(len(s.Gates), len(h.p.gates)) {
		g, node := &s.Gates[i], "gate-"+h.p.gates[i]
		put(node, "position", g.Position.String())
		put(node, "held", strconv.FormatBool(g.Held != 0))
	}
	for i := range min(len(s.Outlets), len(h.p.outlets)) {
		put("outlet-"+h.p.outlets[i], "on", strconv.FormatBool(s.Outlets[i].Commanded))
	}
	c := &s.Collector
	put("collector", "commanded", strconv.FormatBool(c.Commanded))
	put("collector", "state", said(c.Sensed))
	put("collector", "starts-left", strconv.Itoa(c.StartsLeft))
	put("shop", "stood-down", strconv.FormatBool(s.StoodDown))
	put("shop", "bin-full", strconv.FormatBool(s.BinFull))
	put("shop", "faults", strconv.Itoa(len(s.Faults)))
	put("shop", "uncollected", strconv.Itoa(len(h.p.uncollected(s).Machines)))
	return out
}

func (h *homie) filters() []string {
	if !h.p.l.o.MQTT.Requests {
		return nil
	}
	out := []string{h.root + "/shop/stood-down/set"}
	for _, s := range h.p.gates {
		out = append(out, h.root+"/gate-"+s+"/held/set")
	}
	return out
}

// take turns a set into a request of ours; its answer goes to our own topic.
func (h *homie) take(m received) []message {
	path, ok := strings.CutPrefix(m.topic, h.root+"/")
	path, set := strings.CutSuffix(path, "/set")
	node, prop, _ := strings.Cut(path, "/")
	r := request{}
	switch value := string(m.payload); {
	case !ok || !set:
		return nil
	case node == "shop" && prop == "stood-down" && value == "true":
		r.Ask = "stand-down"
	case node == "shop" && prop == "stood-down" && value == "false":
		r.Ask = "lift" // refused: only at the shop
	case prop == "held" && slices.Contains(h.p.gates, strings.TrimPrefix(node, "gate-")):
		r.Gate = strings.TrimPrefix(node, "gate-")
		switch value {
		case "true":
			r.Ask = "hold"
		case "false":
			r.Ask = "release"
		}
	}
	m.payload = mustJSON(r)
	return h.p.answer(m)
}
