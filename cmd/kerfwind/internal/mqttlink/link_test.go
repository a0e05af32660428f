package mqttlink

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

var update = flag.Bool("update", false, "write the golden files anew")

const data = "../../../../testdata/"

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// barn is the shop of these tests, changed by edits to its files: "old => new".
func barn(t testing.TB, edits ...string) *config.Shop {
	t.Helper()
	texts := map[string]string{}
	for _, n := range []string{"rig", "shop"} {
		b, err := os.ReadFile(data + "topics/" + n + ".toml")
		if err != nil {
			t.Fatal(err)
		}
		texts[n] = string(b)
	}
	for _, e := range edits {
		from, to, _ := strings.Cut(e, " => ")
		if strings.Count(texts["rig"], from)+strings.Count(texts["shop"], from) != 1 {
			t.Fatalf("%q is not in the files once", from)
		}
		for n := range texts {
			texts[n] = strings.Replace(texts[n], from, to, 1)
		}
	}
	if strings.Contains(texts["rig"], `"topic"`) { // a topic needs a link
		texts["rig"] += "\n[mqtt]\nbroker = \"tcp://broker.local:1883\"\n"
	}
	rig, err := config.ParseRig("rig.toml", []byte(texts["rig"]))
	if err != nil {
		t.Fatal(err)
	}
	if rig.MQTT == nil { // Options name the broker
		rig.MQTT = &config.MQTT{}
	}
	shop, err := config.ParseShop("shop.toml", []byte(texts["shop"]), rig)
	if err != nil {
		t.Fatal(err)
	}
	return shop
}

// names are the shop's names.
func names(s *config.Shop) timeline.Names {
	list := func(of control.Subject, n int) (out []string) {
		for i := range n {
			out = append(out, s.NameOf(of, control.ID(i)))
		}
		return out
	}
	return timeline.Names{Machines: list(control.AMachine, len(s.Machines)), Gates: list(control.AGate, len(s.Gates)), Collectors: list(control.ACollector, 1),
		Outlets: list(control.AnOutlet, len(s.Outlets)), Circuits: list(control.ACircuit, len(s.Circuits)), Stops: list(control.AStop, len(s.Stops()))}
}

// world holds what stands around a link in a test.
type world struct {
	mu      sync.Mutex
	inputs  []control.Input
	reads   []sensor.Reading
	notices []string
	emptied int
	full    bool  // there is no room
	refuse  error // what becomes of requests
	now     time.Duration
	clock   time.Time
}

func (w *world) options(shop *config.Shop, m config.MQTT) Options {
	if m.Topic == "" {
		m.Topic = "kerfwind"
	}
	if m.Client == "" {
		m.Client = "kerfwind-barn"
	}
	if m.Keep == 0 {
		m.Keep = 1000
	}
	return Options{MQTT: m, Shop: shop, Names: names(shop), Version: "v0.0.0-test", Boot: "b1",
		Now: func() time.Duration { w.mu.Lock(); defer w.mu.Unlock(); return w.now },
		Clock: func() (time.Time, bool) {
			w.mu.Lock()
			defer w.mu.Unlock()
			return w.clock, !w.clock.IsZero()
		},
		Ask: func(in control.Input, done func(error)) bool {
			w.mu.Lock()
			defer w.mu.Unlock()
			if w.full {
				return false
			}
			w.inputs = append(w.inputs, in)
			go done(w.refuse)
			return true
		},
		Post: func(in control.Input) bool {
			w.mu.Lock()
			defer w.mu.Unlock()
			if w.full {
				return false
			}
			w.inputs = append(w.inputs, in)
			return true
		},
		Read: func(r sensor.Reading) bool {
			w.mu.Lock()
			defer w.mu.Unlock()
			if w.full {
				return false
			}
			w.reads = append(w.reads, r)
			return true
		},
		Emptied: func() error { w.mu.Lock(); defer w.mu.Unlock(); w.emptied++; return nil },
		Notice:  func(err error) { w.mu.Lock(); defer w.mu.Unlock(); w.notices = append(w.notices, err.Error()) },
	}
}

// idle is a link that is not started: for what needs no broker.
func (w *world) idle(o Options) (*Link, *plain) {
	l := newLink(o)
	if o.Tally == nil {
		o.Tally = func() *upkeep.Tally { return nil }
	}
	l.meter = newMeter(o.Shop, o.Air, o.Tally)
	return l, newPlain(l)
}

// snapshot is a state with something of everything.
func snapshot(t testing.TB, shop *config.Shop) *control.Snapshot {
	t.Helper()
	p := shop.Control()
	core, err := control.New(p)
	if err != nil {
		t.Fatal(err)
	}
	s := core.Snapshot()
	s.Machines[1] = control.MachineView{Sensed: control.Running, Run: true, Served: true, Since: 2500 * time.Millisecond, Why: control.Why{Cause: control.ByMachine, Machine: 1}}
	s.Machines[0] = control.MachineView{Sensed: control.Unknown, RunOn: 90 * time.Second, Why: control.Why{Cause: control.ByUnknown, Machine: 0}}
	s.Gates[1] = control.GateView{Position: control.PositionOpen, Wanted: true, Held: 300 * time.Second, Fault: control.GateLost, Why: control.Why{Cause: control.ByHold, Machine: control.NoID, Until: 300 * time.Second}}
	s.Collector = control.CollectorView{Commanded: true, Sensed: control.Running, Since: 3405 * time.Millisecond, Switch: control.Auto, StartsLeft: 4, NextStart: 3600 * time.Second,
		Why: control.Why{Cause: control.ByMachine, Machine: 1}}
	s.Outlets[0] = control.OutletView{Commanded: true, RunOn: 20 * time.Minute}
	s.Circuits[0] = control.Near
	s.BinFull = true
	s.Faults = []control.FaultView{{Fault: control.GateLost, ID: 1, Since: 4 * time.Second}, {Fault: control.AllSensingLost, ID: control.NoID}}
	return s
}

// topicStarts lets a hold from a topic start the collector.
const topicStarts = "units = \"imperial\" => units = \"imperial\"\nlimits = { topic_starts = true }"

// counted is a history.
func counted() *upkeep.Tally {
	return &upkeep.Tally{Machines: map[string]upkeep.Count{"thickness planer": {Hours: 102.44, Today: 3}}, Collector: upkeep.Count{Hours: 411.02, Today: 5},
		Items: []upkeep.Item{{Name: "bin", Of: "all machines", Unit: upkeep.Hours, Used: 9.27, Every: 10, Rate: 0.5}, {Name: "planer's knives", Of: "thickness planer", Unit: upkeep.Hours, Used: 41, Every: 40}}}
}

// golden compares text with a file.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := data + "topics/" + name
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s (-want +got; -update writes it anew)\n%s", name, d)
	}
}

// lines writes messages for a golden file.
func lines(list []message) string {
	var b strings.Builder
	for _, m := range list {
		mark := " "
		if m.retained {
			mark = "R"
		}
		text := m.text
		var indented bytes.Buffer
		if len(text) > 400 && json.Indent(&indented, []byte(text), "", "  ") == nil {
			text = indented.String()
		}
		fmt.Fprintf(&b, "%s %s %s\n", mark, m.topic, text)
	}
	return b.String()
}

// TestGolden holds every topic of ours, the discovery and Homie's tree.
func TestGolden(t *testing.T) {
	shop := barn(t, topicStarts)
	w := &world{now: 5 * time.Second, clock: time.Date(2026, 11, 24, 8, 0, 5, 0, time.UTC)}
	o := w.options(shop, config.MQTT{Discovery: "homeassistant", Requests: true})
	o.Tally = counted
	l, v := w.idle(o)
	l.Around(Around{Waits: "the thickness planer to stop", Page: "https://barn.local:8443"})
	for i := range 3 {
		l.Reading(sensor.Reading{Channel: 1, At: time.Duration(i) * time.Second, Verdict: sensor.Running, Amps: 7.234})
	}
	l.store.init(3)
	l.store.put([]control.Event{
		{Kind: control.FaultRaised, At: time.Second, Fault: control.GateLost, ID: 1},
		{Kind: control.MachineStarted, At: 2500 * time.Millisecond, Onset: 2470 * time.Millisecond, ID: 1},
		{Kind: control.GateOpening, At: 2500 * time.Millisecond, ID: 1, Cause: control.ByMachine},
		{Kind: control.StoodDown, At: 3 * time.Second, ID: control.NoID, Cause: control.ByRequest},
	})
	list := []message{v.will()}
	list = append(list, v.birth()...)
	list = append(list, v.states(snapshot(t, shop))...)
	for p, ok := l.store.take(); ok; p, ok = l.store.take() {
		list = append(list, v.event(p))
	}
	list = append(list, v.bye()...)
	golden(t, "plain.txt", lines(list))
	golden(t, "discovery.txt", lines(v.ready()))
	l.o.MQTT.Requests = false
	golden(t, "discovery-readonly.txt", lines(v.ready()))
	l.o.MQTT.Requests = true
	h := newHomie(v)
	list = append([]message{h.will()}, h.birth()...)
	list = append(list, h.states(snapshot(t, shop))...)
	list = append(list, h.ready()...)
	list = append(list, h.bye()...)
	golden(t, "homie.txt", lines(list)+strings.Join(h.filters(), "\n")+"\n")
}

// TestHomieRules holds Homie's tree to the rules of its text: names, datatypes,
// every property described has a value of its datatype, and every value a property.
func TestHomieRules(t *testing.T) {
	shop := barn(t)
	w := &world{}
	o := w.options(shop, config.MQTT{Requests: true})
	o.Tally = counted
	l, v := w.idle(o)
	for _, ch := range []int{0, 1, 2} {
		l.Reading(sensor.Reading{Channel: ch, Verdict: sensor.Idle, Amps: 0.04})
	}
	h := newHomie(v)
	var d struct {
		Homie   string
		Version *int
		Nodes   map[string]struct {
			Properties map[string]struct{ Datatype, Format string }
		}
	}
	if err := json.Unmarshal([]byte(h.desc), &d); err != nil || d.Homie != "5.0" || d.Version == nil {
		t.Fatalf("%v %+v", err, d)
	}
	seen := map[string]bool{}
	for _, m := range h.states(snapshot(t, shop)) {
		path := strings.Split(strings.TrimPrefix(m.topic, h.root+"/"), "/")
		p, ok := d.Nodes[path[0]].Properties[path[1]]
		seen[path[0]+"/"+path[1]] = true
		good := false
		switch p.Datatype {
		case "boolean":
			good = m.text == "true" || m.text == "false"
		case "enum":
			good = slices.Contains(strings.Split(p.Format, ","), m.text)
		case "integer":
			var n int
			_, err := fmt.Sscanf(m.text, "%d", &n)
			good = err == nil
		case "float":
			_, err := strconv.ParseFloat(m.text, 64)
			good = err == nil
		case "string": // an empty one would take the value away
			good = m.text != ""
		}
		if !ok || !good || !m.retained || len(path) != 2 {
			t.Errorf("%s = %q: %+v", m.topic, m.text, p)
		}
	}
	for node, n := range d.Nodes {
		for prop := range n.Properties {
			if !seen[node+"/"+prop] {
				t.Errorf("%s/%s has no value", node, prop)
			}
			if strings.Trim(node+prop, "abcdefghijklmnopqrstuvwxyz0123456789-") != "" {
				t.Errorf("%s/%s: signs that are not allowed", node, prop)
			}
		}
	}
}

// TestDiscoveryReads: every topic that an entity reads is one that is sent, and
// every payload that it sends is a request that is taken.
func TestDiscoveryReads(t *testing.T) {
	shop := barn(t, topicStarts)
	w := &world{}
	l, v := w.idle(w.options(shop, config.MQTT{Discovery: "homeassistant", Requests: true}))
	var d struct {
		Components map[string]map[string]any
	}
	if err := json.Unmarshal([]byte(v.discovery().text), &d); err != nil {
		t.Fatal(err)
	}
	sent := map[string]bool{v.topic("event"): true, v.topic("status"): true}
	for _, m := range v.states(snapshot(t, shop)) {
		sent[m.topic] = true
	}
	asked := 0
	for id, c := range d.Components {
		for key, x := range c {
			text, ok := x.(string)
			switch {
			case key == "command_topic" && text != v.topic("ask"), strings.HasSuffix(key, "_topic") && key != "command_topic" && !sent[text]:
				t.Errorf("%s: %s is %q", id, key, text)
			case strings.HasPrefix(key, "payload_") && ok:
				asked++
				l.asks.left = 1
				if a, _ := l.handle(v, received{payload: []byte(text)}); a.Answer != "taken" && a.Answer != "done" {
					t.Errorf("%s: %s %s: %+v", id, key, text, a)
				}
			}
		}
		if c["unique_id"] == nil || c["platform"] == nil || c["default_entity_id"] == nil || c["object_id"] != nil {
			t.Errorf("%s: %v", id, c)
		}
	}
	if asked != 3*2+2 || len(w.inputs) != 7 || w.emptied != 1 {
		t.Errorf("%d payloads, %d inputs, emptied %d", asked, len(w.inputs), w.emptied)
	}
}

// topicsPage is the documentation.
func topicsPage(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("../../../../deploy/TOPICS.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestUncollected: the machine stands on one topic with the reason, in Homie's count,
// and on no topic once it is over.
func TestUncollected(t *testing.T) {
	shop := barn(t)
	w := &world{}
	_, v := w.idle(w.options(shop, config.MQTT{Requests: true}))
	h := newHomie(v)
	snap := snapshot(t, shop)
	text := func(list []message, topic string) string {
		for _, m := range list {
			if m.topic == topic {
				return m.text
			}
		}
		return "nothing"
	}
	was := snap.Faults
	snap.Faults = append([]control.FaultView{{Fault: control.Uncollected, Cause: control.ByGate, ID: 1, Since: 2 * time.Second}}, was...)
	if got, want := text(v.states(snap), v.topic("uncollected")), `{"machines":[{"name":"`+shop.Machines[1].Name+`","why":"gate","since":2}]}`; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if got := text(h.states(snap), h.root+"/shop/uncollected"); got != "1" {
		t.Errorf("Homie: %s", got)
	}
	snap.Faults = was
	if got := text(v.states(snap), v.topic("uncollected")); got != `{"machines":[]}` {
		t.Errorf("over: %s", got)
	}
}

// TestDocumented: every member of a state, a request and an answer, and every
// topic, stands in the documentation.
func TestDocumented(t *testing.T) {
	page := topicsPage(t)
	for _, x := range []any{uncollectedState{}, uncollectedMachine{}, meterState{}, upkeepState{}, upkeepItem{}, Settled{}, machineState{}, gateState{}, collectorState{}, shopState{}, faultState{}, whyState{}, request{}, answer{}} {
		for _, f := range reflect.VisibleFields(reflect.TypeOf(x)) {
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if name != "" && !strings.Contains(page, "`"+name+"`") && !strings.Contains(page, `"`+name+`":`) {
				t.Errorf("%T: %s is not documented", x, name)
			}
		}
	}
	shop := barn(t)
	w := &world{}
	o := w.options(shop, config.MQTT{Requests: true})
	o.Tally = counted
	_, v := w.idle(o)
	for _, m := range append(v.states(snapshot(t, shop)), v.will(), v.event(parcel{}), message{topic: v.echo()}, message{topic: v.topic("ask")}, message{topic: v.topic("answer")}) {
		parts := strings.Split(m.topic, "/")
		if len(parts) >= 3 && parts[1] != "collector" {
			parts[2] = "NAME"
		}
		if topic := strings.Join(parts, "/"); !strings.Contains(page, "`"+topic+"`") {
			t.Errorf("%s is not documented", topic)
		}
	}
}

// TestHandle tells what a topic may ask, and what is refused.
func TestHandle(t *testing.T) {
	shop := barn(t)
	clock := time.Date(2026, 11, 24, 8, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		text, answer string // of the answer: taken, or part of why not
		want         control.Input
		retained     bool
		noClock      bool
	}{
		{text: `{"ask":"hold","gate":"floor sweep","for":300}`, answer: "taken", want: control.Input{State: uint8(control.AskHold), ID: 2, For: 300 * time.Second, Expires: 6 * time.Second}},
		{text: `{"ask":"hold","gate":"floor-sweep"}`, answer: "taken", want: control.Input{State: uint8(control.AskHold), ID: 2, Expires: 6 * time.Second}},
		{text: `{"ask":"release","gate":"planer","id":"7"}`, answer: "taken", want: control.Input{State: uint8(control.AskRelease), ID: 1, Expires: 6 * time.Second}},
		{text: `{"ask":"stand-down"}`, answer: "taken", want: control.Input{State: uint8(control.AskStandDown), ID: control.NoID}},
		{text: `{"ask":"stand-down","at":1}`, answer: "taken", want: control.Input{State: uint8(control.AskStandDown), ID: control.NoID}},
		{text: `{"ask":"stand-down"}`, retained: true, answer: "retained"},
		{text: `{"ask":"hold","gate":"planer","at":1795507195}`, answer: "taken", want: control.Input{State: uint8(control.AskHold), ID: 1, Expires: 6 * time.Second}},
		{text: `{"ask":"hold","gate":"planer","at":1795507180}`, answer: "stale: it was sent 20 s ago"},
		{text: `{"ask":"hold","gate":"planer","at":1795507220}`, answer: "stale"},
		{text: `{"ask":"hold","gate":"planer","at":1795507195}`, noClock: true, answer: "clock here is not set"},
		{text: `{"ask":"hold","gate":"attic"}`, answer: `no gate "attic"`},
		{text: `{"ask":"lift"}`, answer: "only at the shop"},
		{text: `{"ask":"reset"}`, answer: "only at the shop"},
		{text: `{"ask":"dance"}`, answer: "not for"},
		{text: `{"ask":"hold","gate":"planer","force":true}`, answer: "unknown field"},
		{text: `{"ask":"hold","gate":"planer"}{}`, answer: "more than one"},
		{text: `{"ask":"hold","gate":"planer","for":-1}`, answer: `"for" must be`},
		{text: `ON`, answer: "not a request"},
		{text: `{"id":"` + strings.Repeat("x", 101) + `"}`, answer: "longer than 100"},
		{text: `{"id":"` + strings.Repeat("x", 1100) + `"}`, answer: "longer than 1024"},
	} {
		w := &world{clock: clock}
		if c.noClock {
			w.clock = time.Time{}
		}
		l, v := w.idle(w.options(shop, config.MQTT{Requests: true}))
		a, ok := l.handle(v, received{payload: []byte(c.text), retained: c.retained, at: time.Second})
		if !ok || a.Answer != c.answer && !strings.Contains(a.Why, c.answer) {
			t.Errorf("%s: %+v, want %q", c.text, a, c.answer)
		}
		if c.answer != "taken" {
			if a.Answer != "refused" || len(w.inputs) > 0 {
				t.Errorf("%s: %+v %+v", c.text, a, w.inputs)
			}
			continue
		}
		c.want.Kind, c.want.Origin = control.Ask, control.Topic
		if len(w.inputs) != 1 || w.inputs[0] != c.want {
			t.Errorf("%s: %+v, want %+v", c.text, w.inputs, c.want)
		}
	}
	w := &world{full: true}
	l, v := w.idle(w.options(shop, config.MQTT{}))
	if a, _ := l.handle(v, received{payload: []byte(`{"ask":"stand-down"}`)}); !strings.Contains(a.Why, "ask again") {
		t.Errorf("no room: %+v", a)
	}
}

// TestTooOften: ten at once and one a second; standing down is never refused
// for it; the answer comes once a second.
func TestTooOften(t *testing.T) {
	w := &world{}
	l, v := w.idle(w.options(barn(t), config.MQTT{}))
	taken, answers := 0, 0
	for i := range 100 {
		a, ok := l.handle(v, received{payload: []byte(`{"ask":"release","gate":"planer"}`), at: time.Duration(i) * 50 * time.Millisecond})
		if ok {
			answers++
		}
		if a.Answer == "taken" {
			taken++
		}
	}
	// 4.95 s: ten at once, then one for each of four whole seconds.
	if taken != 14 {
		t.Errorf("%d taken, want 14", taken)
	}
	if answers-taken < 4 || answers-taken > 6 {
		t.Errorf("%d refusals were answered, want about one a second", answers-taken)
	}
	if a, _ := l.handle(v, received{payload: []byte(`{"ask":"stand-down"}`), at: 4950 * time.Millisecond}); a.Answer != "taken" {
		t.Errorf("stand-down: %+v", a)
	}
}

// TestOutbox: numbers are unbroken, and every number comes once, as an event
// or within a gap.
func TestOutbox(t *testing.T) {
	var b outbox
	b.init(100)
	next := uint64(1) // number that take must give next
	events, gaps := 0, 0
	take := func(n int) {
		for range n {
			p, ok := b.take()
			if !ok {
				return
			}
			if p.from != next || p.to < p.from || p.gap != (p.event.Kind == 0) {
				t.Fatalf("got %+v, want number %d", p, next)
			}
			if p.gap {
				gaps += int(p.to - p.from + 1)
			} else if events++; p.event.At != time.Duration(p.to) {
				t.Fatalf("event %v has number %d", p.event.At, p.to)
			}
			next = p.to + 1
		}
	}
	put := 0
	for i := range 1000 {
		var list []control.Event
		for range i * 7 % 31 {
			put++
			list = append(list, control.Event{Kind: control.GateIsOpen, At: time.Duration(put)})
		}
		b.put(list)
		take(i * 5 % 23)
	}
	take(1 << 20)
	c := b.counts()
	if events+gaps != put || int(c.Dropped) != gaps || gaps == 0 || c.Waiting != 0 {
		t.Errorf("%d put, %d taken, %d in gaps; %+v", put, events, gaps, c)
	}
}

// TestRemote: levels with a band between them, staleness, retained reports,
// and what does not get through at first.
func TestRemote(t *testing.T) {
	shop := barn(t,
		`channels = ["c0"], circuit = "north wall", gates = ["band saw"] => topic = "plug/saw", message = { path = "energy.power", start = 60, stop = 40, stale = "10 s" }, circuit = "north wall", gates = ["band saw"]`,
		`channels = ["c1"], => topic = "plug/planer", `,
		`{ name = "g2", kind = "motor", chip = "soc", open_line = 9, shut_line = 10 } => { name = "g2", kind = "topic", topic = "sweep/set", on = "up", off = "down", state = "sweep", stale = "20 s" }`)
	w := &world{}
	l, _ := w.idle(w.options(shop, config.MQTT{}))
	l.remote.init(l)
	at := time.Duration(0)
	step := func(d time.Duration, topic, text string, retained bool) string {
		at += d
		w.inputs, w.reads = nil, nil
		if topic != "" {
			l.remote.take(received{topic: topic, payload: []byte(text), retained: retained, at: at})
		}
		l.remote.pass(at)
		var out []string
		for _, r := range w.reads {
			out = append(out, fmt.Sprintf("%d %v %v", r.Channel, r.Verdict, r.Onset))
		}
		for _, in := range w.inputs {
			out = append(out, fmt.Sprintf("gate %d %v", in.ID, control.Shown(in.State)))
		}
		return strings.Join(out, ", ")
	}
	const s = time.Second
	for i, c := range []struct {
		d           time.Duration
		topic, text string
		retained    bool
		want        string
	}{
		{0, "", "", false, "0 unknown 0s, 1 unknown 0s, gate 2 unknown"},
		{s, "plug/saw", `{"energy":{"power":900}}`, true, ""}, // nobody knows how old it is
		{s, "plug/saw", `{"energy":{"power":12.5}}`, false, "0 idle 2s"},
		{s, "plug/saw", `{"energy":{"power":50}}`, false, ""}, // between the levels: as it was
		{s, "plug/saw", `{"energy":{"power":60}}`, false, "0 running 4s"},
		{s, "plug/saw", `{"energy":{"power":"41"}}`, false, ""},
		{s, "plug/saw", `{"energy":{"power":39}}`, false, "0 idle 6s"},
		{s, "plug/saw", `{"energy":{}}`, false, "0 unknown 7s"},
		{s, "plug/saw", `{"energy":{"power":1e400}}`, false, ""},
		{s, "plug/saw", `{"energy":{"power":"NaN"}}`, false, ""},
		{s, "plug/saw", `{"energy":{"power":70}}`, false, "0 running 10s"},
		{9 * s, "", "", false, ""},
		{s, "", "", false, "0 unknown 20s"}, // ten seconds without a message
		{s, "plug/planer", "ON", false, "1 running 21s"},
		{s, "plug/planer", "off", false, "1 idle 22s"},
		{s, "plug/planer", "perhaps", false, "1 unknown 23s"},
		{s, "sweep", "up", false, "gate 2 open"},
		{s, "sweep", "opening", false, "gate 2 between"},
		{s, "sweep", "closed", false, "gate 2 shut"},
		{s, "sweep", "down", false, ""},
		{s, "sweep", strings.Repeat("x", maxReport+1), false, "gate 2 unknown"},
		{s, "sweep", "open", false, "gate 2 open"},
		{20 * s, "", "", false, "gate 2 unknown"},
	} {
		if got := step(c.d, c.topic, c.text, c.retained); got != c.want {
			t.Errorf("%d %s %s: %q, want %q", i, c.topic, c.text, got, c.want)
		}
	}
	w.full = true
	if got := step(s, "sweep", "open", false); got != "" || l.remote.pass(at) > retry {
		t.Errorf("without room: %q", got)
	}
	w.full = false
	if got := step(s, "", "", false); got != "gate 2 open" {
		t.Errorf("with room again: %q", got)
	}
}

// FuzzInbound throws messages at every topic that is listened to: nothing
// panics, and what is taken is what a topic may ask.
func FuzzInbound(f *testing.F) {
	shop := barn(f,
		`channels = ["c0"], circuit => topic = "plug/saw", message = { path = "a.b", start = 60 }, circuit`,
		`{ name = "g2", kind = "motor", chip = "soc", open_line = 9, shut_line = 10 } => { name = "g2", kind = "topic", topic = "sweep/set", state = "sweep" }`)
	for i, text := range []string{`{"ask":"hold","gate":"planer","for":1}`, `{"ask":"stand-down"}`, `{"a":{"b":70}}`, `{"a":{"b":"70"}}`, `OPEN`, `true`, `online`, `{"ask":"hold","for":1e308}`, "\x00\xff"} {
		f.Add(uint8(i), text, i%3 == 0)
	}
	f.Add(uint8(12), `{"components":{"machine_lathe":{"platform":"binary_sensor"}}}`, true)
	w := &world{clock: time.Unix(1795507200, 0)}
	l, v := w.idle(w.options(shop, config.MQTT{Discovery: "hub", Requests: true}))
	l.remote.init(l)
	h := newHomie(v)
	topics := append(append(v.filters(), h.filters()...), "other", "homie/5/kerfwind/x/set")
	for _, s := range v.sweep() {
		topics = append(topics, strings.NewReplacer("+", "lathe", "#", "lathe/state").Replace(s))
	}
	f.Fuzz(func(t *testing.T, which uint8, text string, retained bool) {
		w.inputs, w.reads = nil, nil
		l.asks.left = 1
		m := received{topic: topics[int(which)%len(topics)], payload: []byte(text), retained: retained, at: time.Second}
		out := append(v.take(m), h.take(m)...)
		l.remote.pass(time.Second)
		for _, in := range w.inputs {
			if in.Kind == control.Ask && (retained || in.Origin != control.Topic || in.For < 0 || control.AskKind(in.State) == control.AskLift) {
				t.Fatalf("%s %q: %+v", m.topic, text, in)
			}
		}
		for _, x := range out {
			if cleared := retained && x.topic == m.topic && (x.text == "" || x.topic == v.deviceTopic("")); cleared && x.retained {
				continue
			}
			if !json.Valid([]byte(x.text)) || x.retained || len(x.text) > 4*maxRequest {
				t.Fatalf("%+v", x)
			}
		}
	})
}

// TestObserveWithoutBroker: no broker at all, and nothing waits.
func TestObserveWithoutBroker(t *testing.T) {
	w := &world{}
	shop := barn(t)
	o := w.options(shop, config.MQTT{Broker: "tcp://127.0.0.1:1", Keep: 100})
	l, err := Start(o)
	if err != nil {
		t.Fatal(err)
	}
	s := snapshot(t, shop)
	for range 10000 {
		l.Observe(s, []control.Event{{Kind: control.GateIsOpen}})
	}
	if c := l.Counts(); c.Waiting != 100 || c.Dropped != 9900 || c.Connected {
		t.Errorf("%+v", c)
	}
	if err := l.Publish("x", "ON"); err == nil {
		t.Error("published without a broker")
	}
	l.Close()
}

// TestGuards: a panic of a connection goes to Guard, one of what listens to
// sensors to Sense; the rest of the link goes on.
func TestGuards(t *testing.T) {
	caught := func(to chan<- any) func(func()) {
		return func(do func()) {
			defer func() {
				if r := recover(); r != nil {
					to <- r
				}
			}()
			do()
		}
	}
	w := &world{}
	shop := barn(t, `channels = ["c1"], => topic = "plug/planer", `)
	o := w.options(shop, config.MQTT{Broker: "tcp://127.0.0.1:1", Keep: 100})
	link, sense := make(chan any, 1), make(chan any, 1)
	o.Guard, o.Sense = caught(link), caught(sense)
	o.Notice = func(error) { panic("a fault of the connection") }
	o.Read = func(sensor.Reading) bool { panic("a fault of a sensor") }
	l, err := Start(o)
	if err != nil {
		t.Fatal(err)
	}
	if a := <-link; a != "a fault of the connection" {
		t.Error(a)
	}
	things, err := StartThings(o)
	if err != nil {
		t.Fatal(err)
	}
	if b := <-sense; b != "a fault of a sensor" {
		t.Error(b)
	}
	things.Close()
	l.Observe(snapshot(t, shop), []control.Event{{Kind: control.GateIsOpen}})
	if c := l.Counts(); c.Waiting != 1 || c.Connected {
		t.Errorf("%+v", c)
	}
	if err := l.Publish("x", "ON"); err == nil {
		t.Error("published through a connection that is gone")
	}
	l.Close()
}

// BenchmarkObserve measures what the loop pays for an event while there is no broker.
func BenchmarkObserve(b *testing.B) {
	w := &world{}
	shop := barn(b)
	l, err := Start(w.options(shop, config.MQTT{Broker: "tcp://127.0.0.1:1"}))
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	s := snapshot(b, shop)
	events := []control.Event{{Kind: control.GateIsOpen}}
	b.ReportAllocs()
	for b.Loop() {
		l.Observe(s, events)
	}
}
