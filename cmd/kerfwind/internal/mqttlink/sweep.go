package mqttlink

import (
	"encoding/json"
	"slices"
	"strings"

	"kerfwind/config"
)

// The broker keeps what was said of a former shop: its machines, its entities
// at the hub. At each connection the link looks through what the broker keeps
// below its own topics, and clears what does not belong to this shop. It
// listens there only until its own echo has come: what is kept comes before.

// formerHub is where the hub's discovery was announced if it is switched off
// now: the default.
const formerHub = "homeassistant"

// hub is the prefix of the hub's topics.
func (v *plain) hub() string {
	if d := v.l.o.MQTT.Discovery; d != "" {
		return d
	}
	return formerHub
}

// deviceTopic is where a device is announced: the shop's, or a node's by its suffix.
func (v *plain) deviceTopic(suffix string) string {
	return v.hub() + "/device/" + v.l.id + suffix + "/config"
}
func (v *plain) homieRoot() string { return "homie/5/" + v.l.id }

// sweep returns what to listen to for that.
func (v *plain) sweep() []string {
	return []string{v.topic("machine", "+"), v.topic("machine", "+", "meter"), v.topic("gate", "+"), v.topic("outlet", "+"), v.topic("circuit", "+"), v.topic("node", "+", "status"), v.topic("node", "status"),
		v.topic("upkeep"), v.hub() + "/device/+/config", v.homieRoot() + "/#"}
}

// swept takes a message that the broker kept, and returns what clears it if it
// does not belong here.
func (v *plain) swept(m received) []message {
	if !m.retained || len(m.payload) == 0 {
		return nil
	}
	gone := []message{{topic: m.topic, retained: true}}
	if rest, ok := strings.CutPrefix(m.topic, v.hub()+"/device/"); ok {
		name, mine := strings.CutPrefix(strings.TrimSuffix(rest, "/config"), v.l.id)
		switch {
		case !mine || name != "" && !strings.HasPrefix(name, nodeMark): // another device
			return nil
		case v.l.o.MQTT.Discovery == "", name != "" && !slices.Contains(config.Slugs(v.nodes()), strings.TrimPrefix(name, nodeMark)):
			return gone
		case name != "":
			return nil
		}
		return v.formerEntities(m.payload)
	}
	if rest, ok := strings.CutPrefix(m.topic, v.homieRoot()+"/"); ok {
		if v.homie != nil && v.homie.has(rest) || strings.HasSuffix(rest, "/set") {
			return nil
		}
		return gone
	}
	rest, ok := strings.CutPrefix(m.topic, v.l.base+"/")
	if rest == "node/status" && len(v.nodes()) > 0 {
		return nil
	}
	if rest == "upkeep" {
		if _, ok := v.meter.upkeep(); ok {
			return nil
		}
		return gone
	}
	kind, slug, _ := strings.Cut(rest, "/")
	list, known := map[string][]string{"machine": v.machines, "gate": v.gates, "outlet": v.outlets, "circuit": v.circuits, "node": v.nodes()}[kind]
	switch kind {
	case "node":
		slug, _ = strings.CutSuffix(slug, "/status")
	case "machine":
		slug, _ = strings.CutSuffix(slug, "/meter")
	}
	if !ok || !known || slices.Contains(list, slug) {
		return nil
	}
	return gone
}

// nodes are the names of the nodes.
func (v *plain) nodes() (out []string) {
	for i := range v.l.o.Shop.Rig.Nodes {
		out = append(out, v.l.o.Shop.Rig.Nodes[i].Name)
	}
	return out
}

// formerEntities takes entities off the hub that an announcement of a former
// shop made: it is told their platform and nothing else (home-assistant.io,
// integrations/mqtt, "device discovery payload"), and then what there is.
func (v *plain) formerEntities(kept []byte) []message {
	var was struct {
		Components map[string]struct {
			Platform string `json:"platform"`
		} `json:"components"`
	}
	if len(kept) > maxAnnouncement || json.Unmarshal(kept, &was) != nil {
		return nil // the announcement that follows takes its place
	}
	now := v.components()
	former := false
	for slug, c := range was.Components {
		part, ok := now[slug].(object)
		if c.Platform != "" && (!ok || part["platform"] != c.Platform) {
			now[slug] = object{"platform": c.Platform}
			former = true
		}
	}
	if !former {
		return nil
	}
	return []message{v.announcement(now), v.discovery()}
}

// maxAnnouncement bounds an announcement that is looked at, in bytes: a shop
// with every list full is a third of it.
const maxAnnouncement = 1 << 20

// has reports whether a topic below the root is one of this shop.
func (h *homie) has(rest string) bool {
	if rest == "$state" || rest == "$description" {
		return true
	}
	node, prop, _ := strings.Cut(rest, "/")
	return slices.Contains(h.props[node], prop)
}
