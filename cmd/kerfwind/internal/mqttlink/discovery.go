package mqttlink

import (
	"encoding/json"
	"fmt"
	"strings"

	"kerfwind/control"
)

// object is a JSON object; its members are written in order of their names.
type object map[string]any

// discovery describes the shop to a home-automation hub: one device, whose
// entities read the topics of our own and ask on the topic ask. The layout is
// Home Assistant's device discovery (home-assistant.io, integrations/mqtt,
// "device discovery payload").
func (v *plain) discovery() message { return v.announcement(v.components()) }

// components are the entities.
func (v *plain) components() object {
	l := v.l
	parts := object{}
	add := func(slug, platform string, extra object) {
		id := strings.ReplaceAll(l.id+"_"+slug, "-", "_")
		part := object{"platform": platform, "unique_id": id, "default_entity_id": platform + "." + id}
		for k, x := range extra {
			part[k] = x
		}
		parts[slug] = part
	}
	yes := func(member string) string { return "{{ 'ON' if value_json." + member + " else 'OFF' }}" }
	for i, slug := range v.machines {
		t := v.topic("machine", slug)
		add("machine_"+slug, "binary_sensor", object{"name": l.o.Names.Machines[i], "device_class": "running", "state_topic": t, "value_template": yes("run"),
			"json_attributes_topic": t, "availability_mode": "all", "availability": []object{
				{"topic": v.topic("status")},
				{"topic": t, "value_template": "{{ 'offline' if value_json.state == 'unknown' else 'online' }}"},
			}})
	}
	ask := func(r request) string { return string(mustJSON(r)) }
	for i, slug := range v.gates {
		t := v.topic("gate", slug)
		gate := object{"name": l.o.Names.Gates[i], "state_topic": t, "json_attributes_topic": t}
		if l.o.MQTT.Requests {
			gate["device_class"] = "damper"
			gate["value_template"] = "{{ 'None' if value_json.position == 'unknown' else value_json.position }}"
			gate["state_closed"] = control.PositionShut.String()
			gate["command_topic"] = v.topic("ask")
			gate["payload_open"] = ask(request{Ask: "hold", Gate: slug})
			gate["payload_close"] = ask(request{Ask: "release", Gate: slug})
			gate["payload_stop"] = nil
			add("gate_"+slug, "cover", gate)
			continue
		}
		gate["device_class"], gate["value_template"] = "opening", "{{ 'OFF' if value_json.position == 'shut' else 'ON' }}"
		add("gate_"+slug, "binary_sensor", gate)
	}
	for i, slug := range v.outlets {
		add("outlet_"+slug, "binary_sensor", object{"name": l.o.Names.Outlets[i], "device_class": "power", "state_topic": v.topic("outlet", slug), "value_template": yes("on")})
	}
	for i, slug := range v.circuits {
		add("circuit_"+slug, "sensor", object{"name": l.o.Names.Circuits[i], "device_class": "enum", "options": []string{"fits", "near", "over", "unknown"},
			"state_topic": v.topic("circuit", slug), "value_template": "{{ value_json.load }}"})
	}
	col := v.topic("collector")
	add("collector", "binary_sensor", object{"name": "Collector", "device_class": "running", "state_topic": col, "json_attributes_topic": col,
		"value_template": "{{ 'ON' if value_json.state == 'running' or value_json.state == 'none' and value_json.commanded else 'OFF' }}"})
	add("starts_left", "sensor", object{"name": "Starts left", "state_topic": col, "value_template": "{{ value_json.starts_left }}", "state_class": "measurement",
		"entity_category": "diagnostic"})
	shop := v.topic("shop")
	add("fault", "binary_sensor", object{"name": "Fault", "device_class": "problem", "state_topic": shop, "value_template": "{{ 'ON' if value_json.faults else 'OFF' }}",
		"json_attributes_topic": shop})
	add("uncollected", "binary_sensor", object{"name": "Uncollected", "device_class": "problem", "state_topic": v.topic("uncollected"),
		"value_template": "{{ 'ON' if value_json.machines else 'OFF' }}", "json_attributes_topic": v.topic("uncollected")})
	add("bin", "binary_sensor", object{"name": "Bin full", "device_class": "problem", "state_topic": shop, "value_template": yes("bin_full")})
	add("stood_down", "binary_sensor", object{"name": "Stood down", "state_topic": shop, "value_template": yes("stood_down")})
	kinds := []string{"events-dropped"}
	for k := control.MachineStarted; k.String() != "invalid"; k++ {
		kinds = append(kinds, k.String())
	}
	add("event", "event", object{"name": "Event", "state_topic": v.topic("event"), "event_types": kinds,
		"value_template": "{{ dict(value_json, event_type=value_json.event) | tojson }}"})
	if l.o.MQTT.Requests {
		add("stand_down", "button", object{"name": "Stand down", "command_topic": v.topic("ask"), "payload_press": ask(request{Ask: "stand-down"})})
		add("bin_emptied", "button", object{"name": "Bin emptied", "command_topic": v.topic("ask"), "payload_press": ask(request{Ask: "bin-emptied"}), "entity_category": "config"})
	}
	return parts
}

// announcement announces entities.
func (v *plain) announcement(parts object) message {
	l := v.l
	text := mustJSON(object{
		"device":       object{"identifiers": []string{l.id}, "name": l.o.Shop.Name, "model": "kerfwind", "sw_version": l.o.Version},
		"origin":       object{"name": "kerfwind", "sw_version": l.o.Version},
		"availability": []object{{"topic": v.topic("status")}},
		"components":   parts, "qos": 1,
	})
	return message{v.deviceTopic(), string(text), true}
}

// mustJSON encodes texts and numbers of ours, which always encode.
func mustJSON(x any) []byte {
	b, err := json.Marshal(x)
	if err != nil {
		panic(fmt.Sprintf("mqttlink: %v", err))
	}
	return b
}
