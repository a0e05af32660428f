package config

import (
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
)

const nodesFolder = "../testdata/config/nodes/"

// withNodes reads the example of a barn with an annex, changed by edits
// "FILE: old => new".
func withNodes(t *testing.T, edits ...string) (*Rig, *Shop, error) {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"rig.toml", "annex.toml", "barn.toml"} {
		data, err := os.ReadFile(nodesFolder + name)
		if err != nil {
			t.Fatal(err)
		}
		text := string(data)
		for _, e := range edits {
			file, change, _ := strings.Cut(e, ": ")
			from, to, _ := strings.Cut(change, " => ")
			if file != name {
				continue
			}
			if strings.Count(text, from) == 0 {
				t.Fatalf("%s: %q is not there", name, from)
			}
			text = strings.Replace(text, from, to, 1)
		}
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	r, err := LoadRig(filepath.Join(dir, "rig.toml"))
	if err != nil {
		return nil, nil, err
	}
	s, err := LoadShop(filepath.Join(dir, "barn.toml"), r)
	return r, s, err
}

// What is wired to a node follows on what is wired to the computer that
// decides, by names of its own, and its detectors are described like others.
func TestNodes(t *testing.T) {
	r, s, err := withNodes(t)
	if err != nil {
		t.Fatal(err)
	}
	n := r.Nodes[0]
	if n.Name != "annex" || n.First != (NodeFirst{1, 3, 3, 3}) || r.Converters() != 1 || len(r.Own().Channels) != 3 || len(r.Own().Actuators) != 3 {
		t.Errorf("node %+v", n)
	}
	if c := r.Channels[3]; c.Name != "annex/c0" || c.ADC != 1 || c.Node != 1 || r.Channels[2].Node != 0 {
		t.Errorf("channel %+v", c)
	}
	if p := s.Sensor(); len(p) != 2 || p[1].Channels[0].Channel != 3 || p[1].Channels[0].Start != 1.5 || p[1].Channels[0].Scale != n.Rig.Step(0) {
		t.Errorf("detectors %+v", p)
	}
	text := r.Describe() + s.Describe()
	for _, want := range []string{
		"Node annex (", "lost after 3 s without a word",
		"If the broker dies\n", `unknown: "drum sander" and "router"`, `gates stay where they stand: "annex" and "floor sweep"`, `it switches off "air cleaner" after 20 min`,
	} {
		if !strings.Contains(text, want) {
			t.Errorf("check does not say %q:\n%s", want, text)
		}
	}
	if len(s.Warnings) != 1 || !strings.Contains(s.Warnings[0].Message, "without an end switch") {
		t.Errorf("doubts about the example: %v", s.Warnings)
	}
	node, err := LoadRig(nodesFolder + "annex.toml")
	if err != nil || !node.IsNode || node.MQTT.Client != "kerfwind-node-annex" || len(node.Nodes) != 0 {
		t.Errorf("the node's own: %+v, %v", node, err)
	}
}

// Doubts are about a contactor and stop contacts that hang on the broker.
func TestNodeDoubts(t *testing.T) {
	r, s, err := withNodes(t, `barn.toml: collector = { actuator = "k0", channel = "c7", => collector = { actuator = "annex/k1",`,
		`barn.toml: outlet = [{ name = "air cleaner", actuator = "annex/k1", follows = ["drum sander", "router"], run_on = "20 min" }] => `,
		`annex.toml: kind = "button",    chip => kind = "stop", closed = "ok", series = true, chip`, `annex.toml: , closed = "pressed" => `, `barn.toml: , button = "annex/sweep button", hold = "3 min" => `)
	if err != nil {
		t.Fatal(err)
	}
	text := ""
	for _, w := range append(r.Warnings, s.Warnings...) {
		text += w.Message + "\n"
	}
	for _, want := range []string{`the contactor is driven by node "annex"`, "goes on there for 10 min 28 s", "has no TLS: whoever listens in there learns its password, and with it speaks for every node", `the stop contact "annex/sweep button" is wired to a node`, "if the program hangs, the contactor stays"} {
		if !strings.Contains(text, want) {
			t.Errorf("no doubt says %q:\n%s", want, text)
		}
	}
	if text := s.Describe(); !strings.Contains(text, "it switches the collector off after 10 min 28 s") || !strings.Contains(text, "stop contacts count as open") {
		t.Error(text)
	}
}

// What cannot be is refused, in the file where it stands.
func TestNodeErrors(t *testing.T) {
	for edit, want := range map[string]string{
		`annex.toml: role   = "node" => `:                                                                  `is no node's rig file`,
		`annex.toml: role   = "node" => role = "spare"`:                                                    `its rig file cannot be used`,
		`rig.toml: rig   = "annex.toml" => rig = "none.toml"`:                                              `no such file`,
		`rig.toml: rig   = "annex.toml" => rig = "."`:                                                      `this is a folder`,
		`rig.toml: rig   = "annex.toml" => rig = "/dev/null"`:                                              `this is no plain file`,
		`rig.toml: rig   = "annex.toml" => rig = "rig.toml"`:                                               `is no node's rig file`,
		`rig.toml: [[node]] => [[node]]` + "\nrig = \"annex.toml\"\n[[node]]":                              `two nodes are called "annex"`,
		`annex.toml: topic         = "kerfwind" => topic = "barn"`:                                         `speaks below the topic barn`,
		`annex.toml: topic         = "kerfwind" => client = "kerfwind-barn-rig"`:                           `logs in as "kerfwind-barn-rig", and so does this computer`,
		`annex.toml: topic         = "kerfwind" => homie = true`:                                           `mqtt: homie is for the computer that decides`,
		`annex.toml: name   = "annex" => name = "rig"`:                                                     `"rig" is no name for a node`,
		`annex.toml: name   = "annex" => name = "The Annex"`:                                               `"The Annex" is no name for a node`,
		`annex.toml: [mqtt] => [metrics]` + "\n[mqtt]":                                                     `it has no metrics`,
		`annex.toml: [mqtt] => [[node]]` + "\nrig = \"x\"\n[mqtt]":                                         `it has no node`,
		`annex.toml: kind = "relay", chip = "pinctrl-bcm2835", line = 27 => kind = "topic", topic = "a/b"`: `a node tells nothing over topics`,
		`annex.toml: kind = "button",    chip = "pinctrl-bcm2835", line = 13, closed = "pressed" => kind = "stand-down", chip = "x", line = 1, closed = "down"`: `a stand-down is lifted by a switch at the computer that decides`,
		`rig.toml: name = "c0" => name = "annex/c0"`:                                                   `the name "annex/c0" is taken by another channel`,
		`barn.toml: actuator = "annex/g0" => actuator = "annex/g1"`:                                    `actuator "annex/g1" is used twice`,
		`barn.toml: "g1", travel = "900 ms" => "g1", travel = "900 ms", open_switch = "annex/g0 open"`: `gate "planer": its end switch "annex/g0 open" is wired to node "annex", and its actuator to this computer`,
	} {
		_, _, err := withNodes(t, edit)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %q", edit, err, want)
		}
	}
	// Two contacts of one thing, at two computers.
	_, _, err := withNodes(t, `rig.toml: { name = "stand-down", => { name = "bin", kind = "bin", chip = "x", line = 1, closed = "full" }, { name = "stand-down",`,
		`annex.toml: { name = "sweep button", => { name = "bin", kind = "bin", chip = "x", line = 1, closed = "full" }, { name = "sweep button",`)
	if err == nil || !strings.Contains(err.Error(), `the contacts "bin" and "annex/bin" tell one thing together`) {
		t.Errorf("two bins: %v", err)
	}
	// Nodes without a broker.
	_, err = ParseRig(nodesFolder+"x.toml", []byte("format = 1\nnode = [{ rig = \"annex.toml\" }]\n"))
	if err == nil || !strings.Contains(err.Error(), "x.toml:2:1: nodes are reached through a broker") {
		t.Errorf("no broker: %v", err)
	}
	// A topic without one.
	_, err = ParseRig("x.toml", []byte("format = 1\nactuator = [{ name = \"g\", kind = \"topic\", topic = \"a/b\" }]\n"))
	if err == nil || !strings.Contains(err.Error(), `x.toml:2:27: actuator "g": it is told over a topic, and the rig has no link to a broker`) {
		t.Errorf("no broker: %v", err)
	}
}

// Each key about nodes changes what the program is told.
func TestNodeKeys(t *testing.T) {
	base := func(edits ...string) string {
		r, s, err := withNodes(t, edits...)
		if err != nil {
			t.Fatal(err)
		}
		r.Defaults, s.Defaults = nil, nil
		return strings.ReplaceAll(r.Describe()+s.Describe(), filepath.Dir(r.File), "")
	}
	changes := map[string]string{
		"rig.node":       base(`annex.toml: name = "k1" => name = "k2"`, `barn.toml: annex/k1 => annex/k2`),
		"rig.node.rig":   base(`rig.toml: "annex.toml" => "../`+"nodes"+`/annex.toml"`, `rig.toml: "../nodes/annex.toml" => "./annex.toml"`, `annex.toml: output = 1 => output = 2`),
		"rig.node.stale": base(`rig.toml: stale = "3 s" => stale = "4 s"`),
	}
	keys := map[string]bool{}
	allKeys("rig", reflect.TypeFor[rawRig](), keys)
	for key := range keys {
		if !strings.HasPrefix(key, "rig.node") {
			continue
		}
		if got, ok := changes[key]; !ok || got == base() {
			t.Errorf("%s: changing it changes nothing", key)
		}
	}
	// rig.role: TestNodes and TestNodeErrors.
	if r, _, err := withNodes(t); err != nil || slices.ContainsFunc(r.Nodes, func(n Node) bool { return !n.Rig.IsNode }) {
		t.Error(err)
	}
}
