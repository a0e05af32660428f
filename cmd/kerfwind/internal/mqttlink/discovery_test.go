package mqttlink

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"kerfwind/config"
)

// What the hub's documentation lists: home-assistant.io, the pages of the MQTT
// platforms and of the sensor and binary sensor integrations (device classes with
// their units). Only what kerfwind uses; written down from memory of those pages.
var (
	everyPart  = []string{"platform", "unique_id", "default_entity_id", "name", "availability", "availability_mode", "entity_category", "json_attributes_topic", "device_class"}
	ofPlatform = map[string]struct{ must, may []string }{
		"binary_sensor": {[]string{"state_topic"}, []string{"value_template", "payload_on", "payload_off"}},
		"sensor":        {[]string{"state_topic"}, []string{"value_template", "unit_of_measurement", "state_class", "options", "suggested_display_precision"}},
		"switch":        {[]string{"command_topic"}, []string{"state_topic", "value_template", "payload_on", "payload_off", "state_on", "state_off"}},
		"button":        {[]string{"command_topic"}, []string{"payload_press"}},
		"event":         {[]string{"state_topic", "event_types"}, []string{"value_template"}},
	}
	unitsOf = map[string][]string{"current": {"A", "mA"}, "duration": {"d", "h", "min", "s", "ms"}, "volume_flow_rate": {"m³/h", "m³/min", "m³/s", "ft³/min", "L/min"}}
	yesNo   = []string{"running", "problem", "power", "opening", "connectivity"}
)

// announced are the entities of the shop's device, and what is wrong with them.
func announced(t *testing.T, text string) (parts map[string]map[string]any, bad []string) {
	t.Helper()
	var d struct {
		Device, Origin map[string]any
		Availability   []map[string]string
		Components     map[string]map[string]any
	}
	if err := json.Unmarshal([]byte(text), &d); err != nil {
		t.Fatal(err)
	}
	say := func(format string, args ...any) { bad = append(bad, fmt.Sprintf(format, args...)) }
	if d.Origin["name"] == nil || d.Device["identifiers"] == nil || d.Device["manufacturer"] == nil || d.Device["model"] == nil || d.Device["sw_version"] == nil {
		say("device %v, origin %v", d.Device, d.Origin)
	}
	names, ids := map[string]string{}, map[any]string{}
	for slug, c := range d.Components {
		platform, _ := c["platform"].(string)
		rule, ok := ofPlatform[platform]
		if !ok {
			say("%s: platform %q", slug, platform)
		}
		for _, k := range append(rule.must, "unique_id", "name") {
			if c[k] == nil {
				say("%s lacks %s", slug, k)
			}
		}
		for k := range c {
			if !slices.Contains(everyPart, k) && !slices.Contains(rule.must, k) && !slices.Contains(rule.may, k) {
				say("%s: %s is no key of a %s", slug, k, platform)
			}
		}
		name, _ := c["name"].(string)
		device, _ := d.Device["name"].(string)
		if low := strings.ToLower(name); names[low] != "" || strings.Contains(low, strings.ToLower(device)) {
			say("%s is called %q, as is %s, or as the device", slug, name, names[low])
		} else {
			names[low] = slug
		}
		if other := ids[c["unique_id"]]; other != "" {
			say("%s and %s have one id", slug, other)
		}
		ids[c["unique_id"]] = slug
		class, _ := c["device_class"].(string)
		unit, _ := c["unit_of_measurement"].(string)
		switch {
		case platform == "binary_sensor" && class != "" && !slices.Contains(yesNo, class):
			say("%s: class %q", slug, class)
		case platform == "sensor" && class == "enum" && (c["options"] == nil || c["state_class"] != nil || unit != ""):
			say("%s: an enum has options, and neither a unit nor a state class", slug)
		case platform == "sensor" && class != "" && class != "enum" && (!slices.Contains(unitsOf[class], unit) || c["state_class"] == nil):
			say("%s: %q in %q, state class %v: no long-term statistics", slug, class, unit, c["state_class"])
		case platform == "sensor" && unit != "" && c["state_class"] == nil:
			say("%s: a number without a state class", slug)
		}
		if e := c["entity_category"]; e != nil && e != "diagnostic" && (e != "config" || platform == "sensor" || platform == "binary_sensor") {
			say("%s: category %v", slug, e)
		}
	}
	return d.Components, bad
}

// TestAnnouncement holds every entity to what the hub's documentation lists, in shops
// with and without requests, holds, history and start budget.
func TestAnnouncement(t *testing.T) {
	for _, requests := range []bool{false, true} {
		for _, holds := range []bool{false, true} {
			for _, history := range []bool{false, true} {
				var edits []string
				if holds {
					edits = append(edits, topicStarts)
				}
				w := &world{}
				o := w.options(barn(t, edits...), config.MQTT{Discovery: "homeassistant", Requests: requests})
				if history {
					o.Tally = counted
				}
				_, v := w.idle(o)
				parts, bad := announced(t, v.discovery().text)
				for _, x := range bad {
					t.Error(x)
				}
				if _, got := parts["hold_planer"]; got != (requests && holds) {
					t.Errorf("requests %v, holds %v: a switch to hold a gate: %v", requests, holds, got)
				}
				if _, got := parts["upkeep_planer-s-knives"]; got != history {
					t.Errorf("history %v: an item of upkeep: %v", history, got)
				}
			}
		}
	}
}

// TestNodeDevices: each other computer is a device that belongs to the shop's.
func TestNodeDevices(t *testing.T) {
	w := &world{}
	shop := barn(t)
	shop.Rig.Nodes = []config.Node{{Name: "annex"}}
	_, v := w.idle(w.options(shop, config.MQTT{Discovery: "homeassistant"}))
	list := v.nodeDevices()
	if len(list) != 1 || list[0].topic != "homeassistant/device/kerfwind_node_annex/config" || !strings.Contains(list[0].text, `"via_device":"kerfwind"`) {
		t.Fatalf("%+v", list)
	}
	if _, bad := announced(t, strings.Replace(list[0].text, `"model"`, `"sw_version":"","model"`, 1)); bad != nil {
		t.Error(bad)
	}
	if got := v.swept(received{topic: "homeassistant/device/kerfwind_node_loft/config", retained: true, payload: []byte("{}")}); len(got) != 1 || got[0].text != "" {
		t.Errorf("a former node stays: %v", got)
	}
	for _, topic := range []string{list[0].topic, "homeassistant/device/other/config", "homeassistant/device/kerfwind2/config"} {
		if got := v.swept(received{topic: topic, retained: true, payload: []byte("{}")}); got != nil {
			t.Errorf("%s: %v", topic, got)
		}
	}
}

// TestEntityNames: whatever things are called, each entity has an id of its own, and none
// takes another's place.
func TestEntityNames(t *testing.T) {
	words := rapid.SampledFrom([]string{"saw", "fault", "gate", "collector", "meter", "aside", "gate fault", "fault saw", "today collector", "gatefault", "hold", "amps", "Saw", "saw!"})
	ids := func(rename func(names []string)) map[any]string {
		w := &world{}
		o := w.options(barn(t, topicStarts), config.MQTT{Discovery: "homeassistant", Requests: true})
		o.Tally = counted
		for _, list := range [][]string{o.Names.Machines, o.Names.Gates, o.Names.Outlets, o.Names.Circuits} {
			rename(list)
		}
		_, v := w.idle(o)
		var d struct{ Components map[string]map[string]any }
		if err := json.Unmarshal([]byte(v.discovery().text), &d); err != nil {
			t.Fatal(err)
		}
		out := map[any]string{}
		for slug, c := range d.Components {
			out[c["unique_id"]] = slug
		}
		return out
	}
	usual := len(ids(func([]string) {}))
	rapid.Check(t, func(r *rapid.T) {
		var used []string
		got := ids(func(names []string) {
			for i := range names {
				names[i] = words.Draw(r, "name")
			}
			used = append(used, names...)
		})
		if len(got) != usual {
			r.Fatalf("%d entities of %d with the names %q", len(got), usual, used)
		}
	})
}
