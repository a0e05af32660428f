package mqttlink

import (
	"encoding/json"
	"math/rand/v2"
	"slices"
	"time"
)

// filters is what the plain layout listens to.
func (v *plain) filters() []string {
	out := v.l.remote.filters()
	if v.l.o.MQTT.Requests {
		out = append(out, v.topic("ask"))
	}
	if v.l.o.MQTT.Discovery != "" {
		out = append(out, v.hubStatus())
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// hubStatus is where the hub says that it has started.
func (v *plain) hubStatus() string { return v.l.o.MQTT.Discovery + "/status" }

// announceWithin spreads what several devices answer to the hub's start.
const announceWithin = 3 * time.Second

// take sorts what has come.
func (v *plain) take(m received) []message {
	switch {
	case m.topic == v.topic("ask"):
		return v.answer(m)
	case v.l.o.MQTT.Discovery != "" && m.topic == v.hubStatus():
		if string(m.payload) == online && !m.retained {
			v.announce = time.Now().Add(rand.N(announceWithin))
		}
		return nil
	}
	v.l.remote.take(m)
	return nil
}

// answer handles a request, and words the answer.
func (v *plain) answer(m received) []message {
	a, ok := v.l.handle(v, m)
	if !ok {
		return nil
	}
	b, err := json.Marshal(a)
	if err != nil { // cannot happen: texts of ours
		return nil
	}
	return []message{{topic: v.topic("answer"), text: string(b)}}
}

// tick sends the hub's discovery again when it has started.
func (v *plain) tick() (out []message, again time.Duration) {
	if v.announce.IsZero() {
		return nil, time.Hour
	}
	if left := time.Until(v.announce); left > 0 {
		return nil, left
	}
	v.announce = time.Time{}
	return v.ready(), time.Hour
}
