package mqttlink

import (
	"math/rand/v2"
	"slices"
	"sync"
	"time"
)

// filters returns what the plain layout listens to.
func (v *plain) filters() []string {
	var out []string
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
			v.again = time.Now().Add(rand.N(announceWithin))
		}
		return nil
	}
	return v.swept(m)
}

// answer handles a request, and words the answer.
func (v *plain) answer(m received) []message {
	a, ok := v.l.handle(v, m)
	if !ok {
		return nil
	}
	return []message{v.word(a)}
}

// word is an answer's message.
func (v *plain) word(a answer) message {
	return message{topic: v.topic("answer"), text: string(mustJSON(a))}
}

// later has the connection's goroutine send an answer.
func (v *plain) later(a answer) {
	v.late.put(v.word(a))
	for _, p := range v.l.pipes {
		p.wake()
	}
}

// later holds messages from other goroutines until the pipe's sends them.
type later struct {
	mu   sync.Mutex
	list []message
}

func (w *later) put(m message) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.list = append(w.list, m)
}

func (w *later) take() []message {
	w.mu.Lock()
	defer w.mu.Unlock()
	out := w.list
	w.list = nil
	return out
}

// tick sends answers that had to wait, and the hub's discovery again when it has
// started, or when something is to be announced otherwise: an item of upkeep came, the
// page has an address.
func (v *plain) tick() (out []message, again time.Duration) {
	out, again = v.late.take(), time.Hour
	due := false
	if !v.again.IsZero() {
		if again = time.Until(v.again); again <= 0 {
			v.again, again, due = time.Time{}, time.Hour, true
		}
	}
	if v.told != "" && (due || v.about() != v.told) {
		out = append(out, v.ready()...)
	}
	return out, again
}
