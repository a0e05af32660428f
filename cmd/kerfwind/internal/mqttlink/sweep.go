package mqttlink

import (
	"encoding/json"
	"slices"
	"strings"
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

func (v *plain) deviceTopic() string { return v.hub() + "/device/" + v.l.id + "/config" }
func (v *plain) homieRoot() string   { return "homie/5/" + v.l.id }

// sweep returns what to listen to for that.
func (v *plain) sweep() []string {
	return []string{v.topic("machine", "+"), v.topic("gate", "+"), v.topic("outlet", "+"), v.topic("circuit", "+"), v.topic("node", "+", "status"), v.topic("node", "status"),
		v.deviceTopic(), v.homieRoot() + "/#"}
}

// swept takes a message that the broker kept, and returns what clears it if it
// does not belong here.
func (v *plain) swept(m received) []message {
	if !m.retained || len(m.payload) == 0 {
		return nil
	}
	gone := []message{{topic: m.topic, retained: true}}
	if m.topic == v.deviceTopic() {
		if v.l.o.MQTT.Discovery == "" {
			return gone
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
	kind, slug, _ := strings.Cut(rest, "/")
	list, known := map[string][]string{"machine": v.machines, "gate": v.gates, "outlet": v.outlets, "circuit": v.circuits, "node": v.nodes()}[kind]
	if kind == "node" {
		slug, _ = strings.CutSuffix(slug, "/status")
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
	n := len(now)
	for slug, c := range was.Components {
		if _, ok := now[slug]; !ok && c.Platform != "" {
			now[slug] = object{"platform": c.Platform}
		}
	}
	if len(now) == n {
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
