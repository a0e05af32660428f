package mqttlink

import (
	"encoding/json"
	"math"
	"strconv"
	"strings"
	"sync"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// remote reads sensors and gates that hang on topics. What it has heard is
// believed for a while only. A retained message is not believed: it says what
// was once, and nobody knows when.
type remote struct {
	l *Link

	mu    sync.Mutex
	list  []*reporter
	woken chan struct{}
}

type word struct{ on, off string }

// reporter is one machine or one gate that reports on a topic.
type reporter struct {
	topic   string
	stale   time.Duration
	machine bool
	id      control.ID
	message config.Message // of a machine
	words   word           // of a gate

	state uint8 // sensor.Verdict or control.Shown
	told  uint8 // what has got through
	heard time.Duration
	since time.Duration // of state
	ever  bool          // heard at all
}

// unknown is the state of one that is not heard.
func (r *reporter) unknown() uint8 {
	if r.machine {
		return uint8(sensor.Unknown)
	}
	return uint8(control.ShownUnknown)
}

// retry is when what did not get through is tried again.
const retry = 50 * time.Millisecond

func (r *remote) init(l *Link) {
	r.l, r.woken = l, make(chan struct{}, 1)
	shop := l.o.Shop
	for i := range shop.Machines {
		if m := &shop.Machines[i]; m.Topic != "" {
			r.list = append(r.list, &reporter{topic: m.Topic, stale: m.Message.Stale, machine: true, id: control.ID(i), message: m.Message})
		}
	}
	for i := range shop.Gates {
		if g := &shop.Gates[i]; g.Actuator >= 0 && shop.Rig.Actuators[g.Actuator].State != "" {
			a := &shop.Rig.Actuators[g.Actuator]
			r.list = append(r.list, &reporter{topic: a.State, stale: a.Stale, id: control.ID(i), words: word{a.On, a.Off}})
		}
	}
	for _, x := range r.list {
		x.state = x.unknown()
	}
}

func (r *remote) filters() []string {
	var out []string
	for _, x := range r.list {
		out = append(out, x.topic)
	}
	return out
}

// take takes a message, if it is for anybody.
func (r *remote) take(m received) {
	r.mu.Lock()
	defer r.mu.Unlock()
	found := false
	for _, x := range r.list {
		if x.topic != m.topic {
			continue
		}
		found = true
		if m.retained {
			continue
		}
		x.heard, x.ever = m.at, true
		s := x.read(m.payload)
		if s != x.state {
			x.state, x.since = s, m.at
		}
	}
	if found {
		select {
		case r.woken <- struct{}{}:
		default:
		}
	}
}

// run passes on what has changed, and what has become stale.
func (r *remote) run() {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-r.l.stop:
			return
		case <-r.woken:
		case <-timer.C:
		}
		timer.Reset(r.pass(r.l.o.Now()))
	}
}

// pass passes on what is news at now, and tells when to look again.
func (r *remote) pass(now time.Duration) time.Duration {
	r.mu.Lock()
	defer r.mu.Unlock()
	again := time.Hour
	for _, x := range r.list {
		if x.ever && x.state != x.unknown() {
			if left := x.heard + x.stale - now; left <= 0 {
				x.state, x.since = x.unknown(), now
			} else {
				again = min(again, left)
			}
		}
		if x.state == x.told {
			continue
		}
		ok := false
		if x.machine {
			h := sensor.Healthy
			if x.state == x.unknown() {
				h = sensor.Missing
			}
			ok = r.l.o.Read(sensor.Reading{Channel: int(x.id), At: now, Onset: x.since, Verdict: sensor.Verdict(x.state), Health: h})
		} else {
			ok = r.l.o.Post(control.InGate(x.id, control.Shown(x.state)))
		}
		if ok {
			x.told = x.state
		} else {
			again = min(again, retry)
		}
	}
	return again
}

// read is the state that a payload tells.
func (r *reporter) read(payload []byte) uint8 {
	if len(payload) > maxReport {
		return r.unknown()
	}
	if !r.machine {
		return uint8(shown(string(payload), r.words))
	}
	text, ok := pick(payload, r.message.Path)
	if !ok {
		return r.unknown()
	}
	v := sensor.Unknown
	if r.message.Levels {
		x, err := strconv.ParseFloat(text, 64)
		switch {
		case err != nil || math.IsNaN(x) || math.IsInf(x, 0):
		case x >= r.message.Start:
			v = sensor.Running
		case x < r.message.Stop || r.state != uint8(sensor.Running):
			v = sensor.Idle
		default:
			v = sensor.Running // between the levels it stays what it was
		}
		return uint8(v)
	}
	switch strings.ToLower(text) {
	case "on", "true", "1", "running":
		v = sensor.Running
	case "off", "false", "0", "idle":
		v = sensor.Idle
	}
	return uint8(v)
}

// maxReport bounds the report of a sensor or gate, in bytes.
const maxReport = 16 << 10

// shown returns what a gate's report says.
func shown(text string, w word) control.Shown {
	switch text {
	case w.on:
		return control.ShownOpen
	case w.off:
		return control.ShownShut
	}
	switch strings.ToLower(strings.TrimSpace(text)) {
	case "open":
		return control.ShownOpen
	case "closed", "shut":
		return control.ShownShut
	case "opening", "closing", "between":
		return control.ShownBetween
	}
	return control.ShownUnknown
}

// pick is the text of the value at a path of names joined by dots in a JSON
// object; with no path it is the payload itself.
func pick(payload []byte, path string) (string, bool) {
	if path == "" {
		return strings.Trim(strings.TrimSpace(string(payload)), `"`), true
	}
	for name := range strings.SplitSeq(path, ".") {
		var object map[string]json.RawMessage
		if err := json.Unmarshal(payload, &object); err != nil {
			return "", false
		}
		value, ok := object[name]
		if !ok {
			return "", false
		}
		payload = value
	}
	var v any
	if err := json.Unmarshal(payload, &v); err != nil {
		return "", false
	}
	switch x := v.(type) {
	case string:
		return x, true
	case bool, float64:
		return strings.TrimSpace(string(payload)), true
	}
	return "", false
}
