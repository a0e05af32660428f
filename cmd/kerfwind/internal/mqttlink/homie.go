package mqttlink

import (
	"encoding/json"
	"fmt"
	"hash/crc32"
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

// description is the device's. Its version is made from its text, so that it changes
// with it and with nothing else (Homie 5.0.0 asks for a change, no longer for a rise).
func (h *homie) description() object {
	n := &h.p.l.o.Names
	nodes := object{}
	flag := func(name string) object { return property(name, "boolean", nil) }
	text := func(name string) object { return property(name, "string", nil) }
	meter := func(i int, runs string) object {
		props, d := object{}, &h.p.meter.dials[i]
		if len(d.channels) > 0 {
			props["current"] = property("current", "float", object{"unit": "A"})
		}
		if len(d.channels) > 0 && d.volts > 0 {
			props["energy"] = property("apparent energy since the program's start", "float", object{"unit": "kVAh"})
		}
		if d.air {
			props["air"] = property("computed air", "float", object{"unit": "m³/h"})
		}
		props["hours"] = property("run time", "float", object{"unit": "h"})
		props["today"] = property(runs, "integer", nil)
		return props
	}
	for i, s := range h.p.machines {
		props := meter(i, "runs today")
		props["running"], props["served"], props["uncollected"], props["fault"] = flag("running"), flag("served"), text("why its dust is not collected, or none"), text("fault, or none")
		props["state"] = property("what its sensor says", "enum", object{"format": "none,unknown,idle,running"})
		nodes["machine-"+s] = object{"name": n.Machines[i], "properties": props}
	}
	for i, s := range h.p.gates {
		nodes["gate-"+s] = object{"name": named(n.Gates[i], "gate"), "properties": object{
			"position": property("position", "enum", object{"format": "unknown,open,shut,opening,closing"}),
			"held":     property("held open by hand", "boolean", object{"settable": h.p.l.o.MQTT.Requests}),
			"no-hold":  text("why a request to hold it would be refused, or none"), "aside": flag("set aside"), "fault": text("fault, or none"),
		}}
	}
	for i, s := range h.p.outlets {
		nodes["outlet-"+s] = object{"name": n.Outlets[i], "properties": object{"on": flag("on")}}
	}
	props := meter(len(h.p.meter.dials)-1, "starts today")
	props["commanded"], props["state"] = flag("commanded on"), property("what its own sensor says", "enum", object{"format": "none,unknown,idle,running"})
	if h.p.l.o.Shop.Collector.StartsPerHour > 0 {
		props["starts-left"] = property("starts left", "integer", nil)
	}
	nodes["collector"] = object{"name": "collector", "properties": props}
	nodes["shop"] = object{"name": h.p.l.o.Shop.Name, "properties": object{
		"stood-down": property("stood down", "boolean", object{"settable": h.p.l.o.MQTT.Requests}), "bin-full": flag("bin full"),
		"faults": property("present faults", "integer", nil), "uncollected": property("machines that run uncollected", "integer", nil),
		"says": text("the gravest fault"), "waits": text("what a reload waits for, or none"), "upkeep-due": property("items of upkeep that are due", "integer", nil),
	}}
	out := object{"homie": "5.0", "name": h.p.l.o.Shop.Name, "nodes": nodes}
	out["version"] = crc32.ChecksumIEEE(mustJSON(out)) >> 1 // fits any reader's integers
	return out
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
	word := func(text string) string {
		if text == "" {
			return "none"
		}
		return text
	}
	meter := func(node string, i int) {
		m, d := h.p.meter.shown(i), h.props[node]
		for _, x := range []struct {
			prop string
			x    *float64
		}{{"current", m.Amps}, {"energy", m.Energy}, {"air", m.Flow}, {"hours", m.Hours}} {
			if value := ""; slices.Contains(d, x.prop) {
				if x.x != nil {
					value = strconv.FormatFloat(*x.x, 'f', -1, 64)
				}
				put(node, x.prop, value) // an empty message takes the value away: it is not known
			}
		}
		today := ""
		if m.Today != nil {
			today = strconv.Itoa(*m.Today)
		}
		put(node, "today", today)
	}
	h.p.meter.step(s, h.p.l.o.Now())
	for i := range min(len(s.Machines), len(h.p.machines)) {
		m, node := &s.Machines[i], "machine-"+h.p.machines[i]
		put(node, "running", strconv.FormatBool(m.Run))
		put(node, "served", strconv.FormatBool(m.Served))
		put(node, "state", said(m.Sensed))
		put(node, "uncollected", word(h.p.not(s, i)))
		put(node, "fault", word(h.p.trouble(s, control.AMachine, i).Text))
		meter(node, i)
	}
	for i := range min(len(s.Gates), len(h.p.gates)) {
		g, node := &s.Gates[i], "gate-"+h.p.gates[i]
		put(node, "position", g.Position.String())
		put(node, "held", strconv.FormatBool(g.Held != 0))
		put(node, "no-hold", word(h.p.noHold(g)))
		put(node, "aside", strconv.FormatBool(g.Aside))
		put(node, "fault", word(h.p.trouble(s, control.AGate, i).Text))
	}
	for i := range min(len(s.Outlets), len(h.p.outlets)) {
		put("outlet-"+h.p.outlets[i], "on", strconv.FormatBool(s.Outlets[i].Commanded))
	}
	c := &s.Collector
	put("collector", "commanded", strconv.FormatBool(c.Commanded))
	put("collector", "state", said(c.Sensed))
	if c.StartsLeft >= 0 && slices.Contains(h.props["collector"], "starts-left") {
		put("collector", "starts-left", strconv.Itoa(c.StartsLeft))
	}
	meter("collector", len(h.p.meter.dials)-1)
	put("shop", "stood-down", strconv.FormatBool(s.StoodDown))
	put("shop", "bin-full", strconv.FormatBool(s.BinFull))
	put("shop", "faults", strconv.Itoa(len(s.Faults)))
	put("shop", "uncollected", strconv.Itoa(len(h.p.uncollected(s).Machines)))
	put("shop", "says", h.p.says(s))
	put("shop", "waits", word(h.p.meter.around().Waits))
	due := ""
	if u, ok := h.p.meter.upkeep(); ok {
		due = strconv.Itoa(u.Due)
	}
	put("shop", "upkeep-due", due)
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
