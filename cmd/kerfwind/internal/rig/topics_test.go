package rig

import (
	"strings"
	"testing"
	"time"

	"kerfwind/config"
	"kerfwind/control/drive"
	"kerfwind/sensor"
)

// barnOnTopics is a shop whose planer is sensed over a topic and whose outlet
// and gate hang on topics.
func barnOnTopics(t *testing.T) *config.Shop {
	t.Helper()
	r, err := config.ParseRig("rig.toml", []byte(`format = 1
actuator = [
  { name = "k0", kind = "relay", chip = "soc", line = 1 },
  { name = "g0", kind = "topic", topic = "gate/set", on = "up", off = "down", state = "gate" },
  { name = "o0", kind = "topic", topic = "air/set" },
]`))
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.ParseShop("shop.toml", []byte(`format = 1
units = "metric"
mains = { frequency = "50 Hz", voltage = "230 V" }
collector = { actuator = "k0" }
machine = [{ name = "planer", topic = "plug", message = { start = 60 }, gates = ["planer"], coast = "5 s" }]
gate = [{ name = "planer", actuator = "g0", travel = "1 s" }]
outlet = [{ name = "air cleaner", actuator = "o0", follows = ["planer"], run_on = "1 min" }]
`), r)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// told notes what is published.
type told []string

func (p *told) Publish(topic, payload string) error {
	*p = append(*p, topic+" "+payload)
	return nil
}

// TestTopics: a reading of a topic goes to the channel of its machine, a gate that
// reports has end switches, and outputs are told through the link while there is
// one.
func TestTopics(t *testing.T) {
	s := barnOnTopics(t)
	w, err := Wiring(s)
	if err != nil || w.Gates[0].Topic == nil || w.Outlets[0].Topic == nil || *w.Gates[0].Topic != (drive.Topic{Name: "gate/set", On: "up", Off: "down"}) {
		t.Fatalf("%v %+v", err, w)
	}
	if g := s.Control().Gates[0]; !g.OpenSwitch || !g.ShutSwitch || !g.Actuated {
		t.Errorf("its report is no end switch: %+v", g)
	}
	l := &Live{o: Options{Shop: s}}
	l.remote.heard = make(chan sensor.Reading, 1)
	if err := l.remote.Publish("air/set", "ON"); err == nil || !strings.Contains(err.Error(), "no link") {
		t.Errorf("without a link: %v", err)
	}
	var p told
	l.Link(&p)
	if err := l.remote.Publish("air/set", "ON"); err != nil || len(p) != 1 || p[0] != "air/set ON" {
		t.Errorf("%v %q", err, p)
	}
	l.Link(nil)
	if err := l.remote.Publish("air/set", "ON"); err == nil {
		t.Error("published after the link was gone")
	}
	if !l.Heard(sensor.Reading{Channel: 0, At: time.Second, Verdict: sensor.Running}) || l.Heard(sensor.Reading{}) {
		t.Error("room for one, and only one")
	}
	// No channel of the rig, one for the planer's contacts, then its topic.
	if r := <-l.remote.heard; r.Channel != 1 || r.Verdict != sensor.Running {
		t.Errorf("%+v", r)
	}
}
