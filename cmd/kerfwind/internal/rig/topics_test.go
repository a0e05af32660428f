package rig

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/config"
	"kerfwind/control"
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
]
mqtt = { broker = "tcp://broker.local:1883" }
`))
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

// A machine with a current and a topic is served by its current when the topic
// never speaks, and without either it is not known to be idle.
func TestTopicNeverSpeaks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := shop(t, testRig+`mqtt = { broker = "tcp://broker.local:1883" }
`, strings.Replace(testShop, `channels = ["c0"],`, `channels = ["c0"], topic = "plug",`, 1))
		began := time.Now()
		now := func() time.Duration { return time.Since(began) }
		b := &bench{on: map[drive.Line]bool{}, contacts: map[drive.Line]*switchy{}, now: now}
		c := &coil{now: now}
		l, err := Open(Options{Shop: s, Hardware: b, Now: now, Notice: func(error) {}, // the main gate's switch is silent

			Sources: func(*config.Rig, func() time.Duration) ([]sensor.Source, error) { return []sensor.Source{c}, nil }})
		if err != nil {
			t.Fatal(err)
		}
		st := &story{names: &l.Names}
		ctx, cancel := context.WithCancel(t.Context())
		end := make(chan error)
		go func() { end <- l.Run(ctx, st) }()
		b.contacts[drive.Line{Chip: "pins", Offset: 22}].edges <- true // the door is shut
		time.Sleep(time.Second / 10)
		l.Ask(control.Input{Kind: control.Ask, State: uint8(control.AskReset), Origin: control.Console})
		time.Sleep(5 * time.Second)
		if m := l.Snapshot().Machines[0]; m.Sensed != control.Unknown {
			t.Errorf("its current is idle and its topic is silent: %v", m.Sensed)
		}
		c.set(true)
		time.Sleep(400 * time.Millisecond)
		if !st.has("machine-started planer") || !b.is(7) {
			t.Errorf("valve %v: %q", b.is(7), st.lines)
		}
		c.set(false)
		time.Sleep(5 * time.Second)
		if m := l.Snapshot().Machines[0]; m.Sensed != control.Unknown {
			t.Errorf("after it: %v", m.Sensed)
		}
		l.Heard(sensor.Reading{Channel: 0, At: now(), Onset: now(), Verdict: sensor.Idle, Health: sensor.Healthy})
		time.Sleep(time.Second)
		if m := l.Snapshot().Machines[0]; m.Sensed != control.Idle {
			t.Errorf("both say idle: %v", m.Sensed)
		}
		cancel()
		if err := <-end; err != nil {
			t.Error(err)
		}
	})
}
