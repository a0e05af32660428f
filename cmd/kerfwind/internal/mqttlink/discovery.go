package mqttlink

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"kerfwind/config"
	"kerfwind/control"
)

// object is a JSON object; its members are written in order of their names.
type object map[string]any

// discovery describes the shop to a home-automation hub: one device, whose
// entities read the topics of our own and ask on the topic ask. The layout is
// Home Assistant's device discovery (home-assistant.io, integrations/mqtt,
// "device discovery payload"). The device classes, units and state classes are those
// that its sensor documentation lists, so that the hub keeps long-term statistics.
func (v *plain) discovery() message { return v.announcement(v.components()) }

// Value templates.
func yes(member string) string { return "{{ 'ON' if value_json." + member + " else 'OFF' }}" }

// number is a member, or the hub's word for unknown where it is left out.
func number(member string) string { return "{{ value_json." + member + " | default(none) }}" }

// entities collects entities. Their names begin with a word of their own kind, up to the
// first _, so that no name of a thing makes two of them the same.
type entities struct {
	id    string // of the device
	parts object
}

func (e *entities) add(slug, platform, name string, extra object) {
	id := strings.ReplaceAll(e.id+"_"+slug, "-", "_")
	part := object{"platform": platform, "unique_id": id, "default_entity_id": platform + "." + id, "name": name}
	for k, x := range extra {
		part[k] = x
	}
	e.parts[slug] = part
}

// trouble is an entity that is on while something is wrong.
func (e *entities) trouble(slug, name, topic, member string) {
	e.add(slug, "binary_sensor", name, object{"device_class": "problem", "state_topic": topic, "value_template": yes(member), "json_attributes_topic": topic})
}

// meter are the entities of what is measured and counted; slug makes theirs of a word.
func (e *entities) meter(slug func(what string) string, name, runs, topic string, d *dial) {
	add := func(what, word, member string, extra object) {
		extra["state_topic"], extra["value_template"] = topic, number(member)
		e.add(slug(what), "sensor", name+" "+word, extra)
	}
	if len(d.channels) > 0 {
		add("amps", "current", "amps", object{"device_class": "current", "unit_of_measurement": "A", "state_class": "measurement", "suggested_display_precision": 1})
		if d.volts > 0 { // no class of the hub's fits apparent energy
			add("energy", "apparent energy", "kvah", object{"unit_of_measurement": "kVAh", "state_class": "total_increasing", "suggested_display_precision": 2})
		}
	}
	add("hours", "run time", "hours", object{"device_class": "duration", "unit_of_measurement": "h", "state_class": "total_increasing", "suggested_display_precision": 1})
	add("today", runs, "today", object{"state_class": "total_increasing", "suggested_display_precision": 0})
	if d.air {
		add("flow", "computed air", "flow_m3_h", object{"device_class": "volume_flow_rate", "unit_of_measurement": "m³/h", "state_class": "measurement", "suggested_display_precision": 0})
	}
}

// named is a name with what it is, said once.
func named(name, what string) string {
	if words := strings.Fields(strings.ToLower(name)); slices.Contains(words, what) {
		return name
	}
	return name + " " + what
}

// components are the entities.
func (v *plain) components() object {
	e := &entities{id: v.l.id, parts: object{}}
	v.machineEntities(e)
	v.gateEntities(e)
	v.shopEntities(e)
	for i, slug := range v.outlets {
		e.add("outlet_"+slug, "binary_sensor", named(v.l.o.Names.Outlets[i], "outlet"), object{"device_class": "power", "state_topic": v.topic("outlet", slug), "value_template": yes("on")})
	}
	for i, slug := range v.circuits {
		e.add("circuit_"+slug, "sensor", named(v.l.o.Names.Circuits[i], "circuit"), object{"device_class": "enum", "options": []string{"fits", "near", "over", "unknown"},
			"state_topic": v.topic("circuit", slug), "value_template": "{{ value_json.load }}"})
	}
	return e.parts
}

func (v *plain) machineEntities(e *entities) {
	for i, slug := range v.machines {
		name, t := v.l.o.Names.Machines[i], v.topic("machine", slug)
		e.add("machine_"+slug, "binary_sensor", name+" running", object{"device_class": "running", "state_topic": t, "value_template": yes("run"),
			"json_attributes_topic": t, "availability_mode": "all", "availability": []object{
				{"topic": v.topic("status")},
				{"topic": t, "value_template": "{{ 'offline' if value_json.state == 'unknown' else 'online' }}"},
			}})
		e.trouble("uncollected_"+slug, name+" not collected", t, "uncollected")
		e.trouble("fault_"+slug, name+" fault", t, "fault")
		e.meter(func(what string) string { return what + "_" + slug }, name, "runs today", v.meterTopic(i, slug), &v.meter.dials[i])
	}
}

func (v *plain) gateEntities(e *entities) {
	ask := func(r request) string { return string(mustJSON(r)) }
	for i, slug := range v.gates {
		name, t := named(v.l.o.Names.Gates[i], "gate"), v.topic("gate", slug)
		e.add("gate_"+slug, "binary_sensor", name, object{"device_class": "opening", "state_topic": t, "json_attributes_topic": t,
			"value_template": "{{ 'None' if value_json.position == 'unknown' else 'OFF' if value_json.position == 'shut' else 'ON' }}"})
		e.trouble("gatefault_"+slug, name+" fault", t, "fault")
		e.add("aside_"+slug, "binary_sensor", name+" set aside", object{"state_topic": t, "value_template": yes("aside"), "entity_category": "diagnostic"})
		if !v.l.o.MQTT.Requests || !v.l.o.Shop.Limits.TopicStarts || v.meter.mains>>i&1 != 0 {
			continue // a request to hold it would always be refused
		}
		e.add("hold_"+slug, "switch", "Hold "+name+" open", object{"state_topic": t, "json_attributes_topic": t, "value_template": yes("held"), "state_on": "ON", "state_off": "OFF",
			"command_topic": v.topic("ask"), "payload_on": ask(request{Ask: "hold", Gate: slug}), "payload_off": ask(request{Ask: "release", Gate: slug}),
			"availability_mode": "all", "availability": []object{
				{"topic": v.topic("status")},
				{"topic": t, "value_template": "{{ 'offline' if value_json.no_hold is defined and not value_json.held else 'online' }}"},
			}})
	}
}

func (v *plain) shopEntities(e *entities) {
	l := v.l
	col, shop := v.topic("collector"), v.topic("shop")
	e.add("collector", "binary_sensor", "Collector running", object{"device_class": "running", "state_topic": col, "json_attributes_topic": col,
		"value_template": "{{ 'ON' if value_json.state == 'running' or value_json.state == 'none' and value_json.commanded else 'OFF' }}"})
	e.meter(func(what string) string { return "collector_" + what }, "Collector", "starts today", v.topic("collector", "meter"), &v.meter.dials[len(v.meter.dials)-1])
	if l.o.Shop.Collector.StartsPerHour > 0 {
		e.add("starts_left", "sensor", "Collector starts left", object{"state_topic": col, "value_template": number("starts_left"), "state_class": "measurement",
			"suggested_display_precision": 0, "entity_category": "diagnostic"})
	}
	e.trouble("fault", "Fault", shop, "faults")
	e.trouble("uncollected", "Uncollected", v.topic("uncollected"), "machines")
	e.trouble("bin", "Bin full", shop, "bin_full")
	e.add("says", "sensor", "Message", object{"state_topic": shop, "value_template": "{{ value_json.says[:255] }}"}) // the hub takes no longer state
	e.add("waits", "sensor", "Reload waits for", object{"state_topic": shop, "value_template": "{{ (value_json.waits | default('nothing'))[:255] }}", "entity_category": "diagnostic"})
	e.add("stood_down", "binary_sensor", "Stood down", object{"state_topic": shop, "value_template": yes("stood_down")})
	if u, ok := v.meter.upkeep(); ok {
		t := v.topic("upkeep")
		e.trouble("upkeep", "Upkeep due", t, "due > 0")
		for i, slug := range upkeepSlugs(&u) {
			e.add("upkeep_"+slug, "binary_sensor", "Upkeep of "+u.Items[i].Item+" due", object{"device_class": "problem", "state_topic": t, "entity_category": "diagnostic",
				"value_template": "{{ 'ON' if (value_json['items'] | selectattr('item', 'eq', " + quoted(u.Items[i].Item) + ") | map(attribute='due') | first | default(false)) else 'OFF' }}"})
		}
	}
	kinds := []string{"events-dropped"}
	for k := control.MachineStarted; k.String() != "invalid"; k++ {
		kinds = append(kinds, k.String())
	}
	e.add("event", "event", "Event", object{"state_topic": v.topic("event"), "event_types": kinds,
		"value_template": "{{ dict(value_json, event_type=value_json.event) | tojson }}"})
	if !l.o.MQTT.Requests {
		return
	}
	press := func(ask string) object {
		return object{"command_topic": v.topic("ask"), "payload_press": string(mustJSON(request{Ask: ask}))}
	}
	e.add("stand_down", "button", "Stand down", press("stand-down"))
	if l.o.Emptied != nil {
		b := press("bin-emptied")
		b["entity_category"] = "config"
		e.add("bin_emptied", "button", "Bin emptied", b)
	}
}

// upkeepSlugs are the names of the items, as entities have them.
func upkeepSlugs(u *upkeepState) []string {
	names := make([]string, len(u.Items))
	for i := range u.Items {
		names[i] = u.Items[i].Item
	}
	return config.Slugs(names)
}

// quoted is a text in a template.
func quoted(text string) string {
	return "'" + strings.NewReplacer(`\`, `\\`, `'`, `\'`, "\n", " ").Replace(text) + "'"
}

// announcement announces entities.
func (v *plain) announcement(parts object) message {
	l := v.l
	device := object{"identifiers": []string{l.id}, "name": l.o.Shop.Name, "manufacturer": maker, "model": "dust collection control", "sw_version": l.o.Version}
	if page := v.meter.around().Page; page != "" {
		device["configuration_url"] = page
	}
	return v.announce(v.deviceTopic(""), device, parts, v.topic("status"))
}

// maker names who made the device.
const maker = "kerfwind"

func (v *plain) announce(topic string, device, parts object, status string) message {
	text := mustJSON(object{
		"device": device, "origin": object{"name": maker, "sw_version": v.l.o.Version}, "availability": []object{{"topic": status}}, "components": parts, "qos": 1,
	})
	return message{topic, string(text), true}
}

// nodeDevices announces each other computer of the shop as a device that belongs to
// this one.
func (v *plain) nodeDevices() (out []message) {
	for _, name := range v.nodes() {
		id := v.l.id + nodeMark + config.Slug(name)
		e := &entities{id: id, parts: object{}}
		t := v.topic("node", name, "status")
		e.add("link", "binary_sensor", "Connected", object{"device_class": "connectivity", "state_topic": t, "payload_on": online, "payload_off": offline, "entity_category": "diagnostic"})
		out = append(out, v.announce(v.deviceTopic(nodeMark+config.Slug(name)),
			object{"identifiers": []string{id}, "name": v.l.o.Shop.Name + " " + name, "manufacturer": maker, "model": "dust collection node", "via_device": v.l.id}, e.parts, v.topic("status")))
	}
	return out
}

// nodeMark is put between the id of the shop's device and a node's name.
const nodeMark = "_node_"

// mustJSON encodes texts and numbers of ours, which always encode.
func mustJSON(x any) []byte {
	b, err := json.Marshal(x)
	if err != nil {
		panic(fmt.Sprintf("mqttlink: %v", err))
	}
	return b
}
