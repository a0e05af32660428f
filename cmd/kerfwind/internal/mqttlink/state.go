package mqttlink

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"kerfwind/config"
	"kerfwind/control"
)

// seconds is an instant or a length in JSON: seconds, exact to the nanosecond.
type seconds time.Duration

// MarshalJSON writes the seconds without trailing zeros.
func (s seconds) MarshalJSON() ([]byte, error) {
	b := strconv.AppendInt(nil, int64(s)/1e9, 10)
	if ns := int64(s) % 1e9; ns != 0 {
		b = append(b, strings.TrimRight(fmt.Sprintf(".%09d", max(ns, -ns)), "0")...)
	}
	return b, nil
}

// The states, one JSON object each. Instants are seconds from the start of the
// program, which is "start" of the shop's state.
type (
	whyState struct {
		Why     string  `json:"why,omitempty"`
		Machine string  `json:"why_machine,omitempty"`
		Until   seconds `json:"why_until,omitempty"`
	}
	// troubleState is the gravest fault of a thing, in a word and in a sentence.
	troubleState struct {
		Fault string `json:"fault,omitempty"`
		Text  string `json:"text,omitempty"`
	}
	machineState struct {
		Name   string  `json:"name"`
		State  string  `json:"state"` // what the sensor says; "none" before it has spoken
		Run    bool    `json:"run"`
		Served bool    `json:"served"`
		Since  seconds `json:"since"`
		RunOn  seconds `json:"run_on,omitempty"`
		Not    string  `json:"uncollected,omitempty"` // why its dust goes nowhere
		troubleState
		whyState
	}
	gateState struct {
		Name     string  `json:"name"`
		Position string  `json:"position"`
		Wanted   bool    `json:"wanted"`
		Held     bool    `json:"held"`
		Aside    bool    `json:"aside"`
		Until    seconds `json:"held_until,omitempty"`
		NoHold   string  `json:"no_hold,omitempty"` // why a request to hold it would be refused
		Refused  string  `json:"refused,omitempty"` // why the last request on a topic was
		troubleState
		whyState
	}
	collectorState struct {
		Name       string  `json:"name"`
		Commanded  bool    `json:"commanded"`
		State      string  `json:"state"` // what its own sensor says; "none": it has none
		Since      seconds `json:"since"`
		Switch     string  `json:"switch,omitempty"`
		StartsLeft *int    `json:"starts_left,omitempty"` // nil: no budget
		NextStart  seconds `json:"next_start,omitempty"`
		troubleState
		whyState
	}
	outletState struct {
		Name  string  `json:"name"`
		On    bool    `json:"on"`
		RunOn seconds `json:"run_on,omitempty"`
	}
	circuitState struct {
		Name string `json:"name"`
		Load string `json:"load"`
	}
	faultState struct {
		Fault string  `json:"fault"`
		Of    string  `json:"of,omitempty"`
		Since seconds `json:"since"`
		Text  string  `json:"text"`
		Do    string  `json:"do"` // what a person does about it
	}
	uncollectedState struct {
		Machines []uncollectedMachine `json:"machines"`
	}
	uncollectedMachine struct {
		Name  string  `json:"name"`
		Why   string  `json:"why"`
		Since seconds `json:"since"`
	}
	shopState struct {
		Name      string       `json:"name"`
		Boot      string       `json:"boot"`
		Version   string       `json:"version"`
		Start     string       `json:"start,omitempty"` // RFC 3339; absent while the computer's clock is not set
		StoodDown bool         `json:"stood_down"`
		Closed    bool         `json:"closed"`
		Latched   bool         `json:"latched"`
		BinFull   bool         `json:"bin_full"`
		Dropped   int64        `json:"dropped"`
		Waits     string       `json:"waits,omitempty"` // what a shop that comes next waits for
		Says      string       `json:"says"`            // the gravest fault, or that there is none
		Faults    []faultState `json:"faults"`
	}
)

// plain is our own layout, the truth.
type plain struct {
	l *Link

	machines, gates, outlets, circuits []string // slugs
	start                              string   // of the program, once it is known

	meter   *meter
	refused refusals
	homie   *homie    // nil: not wanted
	late    later     // answers that had to wait
	again   time.Time // when to send the hub's discovery again; zero: not
	told    string    // the discovery that was sent last
}

func newPlain(l *Link) *plain {
	n := &l.o.Names
	return &plain{l: l, meter: l.meter, machines: config.Slugs(n.Machines), gates: config.Slugs(n.Gates), outlets: config.Slugs(n.Outlets), circuits: config.Slugs(n.Circuits)}
}

// topic is a topic of ours.
func (v *plain) topic(parts ...string) string {
	return v.l.base + "/" + strings.Join(parts, "/")
}

// Words of the status topic.
const (
	online  = "online"
	offline = "offline"
)

func (v *plain) will() message  { return message{v.topic("status"), offline, true} }
func (v *plain) bye() []message { return []message{v.will()} }
func (v *plain) birth() []message {
	return []message{{v.topic("status"), online, true}}
}

// ready sends the hub's discovery.
func (v *plain) ready() []message {
	if v.l.o.MQTT.Discovery == "" {
		return nil
	}
	v.told = v.about()
	return append(v.nodeDevices(), v.discovery())
}

// about is that part of the discovery which may change while the program runs.
func (v *plain) about() string {
	text := "page " + v.meter.around().Page
	if u, ok := v.meter.upkeep(); ok {
		text += "\nupkeep " + strings.Join(upkeepSlugs(&u), " ")
	}
	return text
}

// echo is where we listen to ourselves.
func (v *plain) echo() string { return v.topic("echo") }

// encode makes a retained state. A struct of ours always encodes.
func encode(topic string, state any) message {
	b, err := json.Marshal(state)
	if err != nil {
		b = []byte("{}")
	}
	return message{topic, string(b), true}
}

func (v *plain) why(w control.Why) whyState {
	s := whyState{Until: seconds(w.Until)}
	if w.Cause != 0 {
		s.Why = w.Cause.String()
	}
	if int(w.Machine) < len(v.l.o.Names.Machines) {
		s.Machine = v.l.o.Names.Machines[w.Machine]
	}
	return s
}

// said is a verdict's name, or "none".
func said(v control.Verdict) string {
	if v == 0 {
		return "none"
	}
	return v.String()
}

// trouble is the gravest fault of a thing.
func (v *plain) trouble(s *control.Snapshot, of control.Subject, id int) (t troubleState) {
	for _, f := range s.Faults {
		if f.Fault.Subject() == of && int(f.ID) == id {
			return troubleState{f.Fault.String(), v.sentence(f)}
		}
	}
	return t
}

// sentence says of a fault what is wrong and what to do about it.
func (v *plain) sentence(f control.FaultView) string {
	wrong, remedy := v.l.o.Names.Trouble(f)
	return wrong + "; " + remedy
}

func (v *plain) states(s *control.Snapshot) []message {
	n := &v.l.o.Names
	out := []message{encode(v.topic("shop"), v.shop(s)), encode(v.topic("uncollected"), v.uncollected(s))}
	for i := range min(len(s.Machines), len(v.machines)) {
		m := &s.Machines[i]
		out = append(out, encode(v.topic("machine", v.machines[i]), machineState{n.Machines[i], said(m.Sensed), m.Run, m.Served, seconds(m.Since), seconds(m.RunOn), v.not(s, i), v.trouble(s, control.AMachine, i), v.why(m.Why)}))
	}
	for i := range min(len(s.Gates), len(v.gates)) {
		g := &s.Gates[i]
		out = append(out, encode(v.topic("gate", v.gates[i]), gateState{n.Gates[i], g.Position.String(), g.Wanted, g.Held != 0, g.Aside, seconds(g.Held), v.noHold(g), v.refused.of(i),
			v.trouble(s, control.AGate, i), v.why(g.Why)}))
	}
	c, hand := &s.Collector, ""
	if c.Switch != 0 {
		hand = c.Switch.String()
	}
	var left *int
	if c.StartsLeft >= 0 {
		left = &c.StartsLeft
	}
	out = append(out, encode(v.topic("collector"), collectorState{n.Collectors[0], c.Commanded, said(c.Sensed), seconds(c.Since), hand, left,
		seconds(c.NextStart), v.trouble(s, control.ACollector, 0), v.why(c.Why)}))
	for i := range min(len(s.Outlets), len(v.outlets)) {
		out = append(out, encode(v.topic("outlet", v.outlets[i]), outletState{n.Outlets[i], s.Outlets[i].Commanded, seconds(s.Outlets[i].RunOn)}))
	}
	for i := range min(len(s.Circuits), len(v.circuits)) {
		load := "unknown"
		if s.Circuits[i] != 0 {
			load = s.Circuits[i].String()
		}
		out = append(out, encode(v.topic("circuit", v.circuits[i]), circuitState{n.Circuits[i], load}))
	}
	v.meter.step(s, v.l.o.Now())
	for i := range v.meter.dials {
		name := "collector"
		if i < len(v.machines) {
			name = v.machines[i]
		}
		out = append(out, encode(v.meterTopic(i, name), v.meter.shown(i)))
	}
	if u, ok := v.meter.upkeep(); ok {
		out = append(out, encode(v.topic("upkeep"), u))
	}
	return out
}

// meterTopic is where dial i tells what is measured and counted.
func (v *plain) meterTopic(i int, slug string) string {
	if i == len(v.meter.dials)-1 {
		return v.topic("collector", "meter")
	}
	return v.topic("machine", slug, "meter")
}

// not is why a machine's dust goes nowhere while it runs.
func (v *plain) not(s *control.Snapshot, machine int) string {
	why, yes := s.Uncollected(control.ID(machine))
	if !yes {
		return ""
	}
	return why.String()
}

// noHold is why a request on a topic to hold a gate would be refused.
func (v *plain) noHold(g *control.GateView) string {
	switch {
	case g.NoHold != 0:
		return g.NoHold.String()
	case g.Held == 0 && !v.l.o.Shop.Limits.TopicStarts:
		return control.ByOrigin.String()
	}
	return ""
}

// uncollected are the machines that run while their dust goes nowhere.
func (v *plain) uncollected(s *control.Snapshot) uncollectedState {
	out := uncollectedState{Machines: []uncollectedMachine{}}
	for _, f := range s.Faults {
		if f.Fault == control.Uncollected && int(f.ID) < len(v.l.o.Names.Machines) {
			out.Machines = append(out.Machines, uncollectedMachine{v.l.o.Names.Machines[f.ID], f.Cause.String(), seconds(f.Since)})
		}
	}
	return out
}

// says is the gravest fault in a sentence or, without one, what else keeps the shop from
// collecting.
func (v *plain) says(s *control.Snapshot) string {
	switch {
	case len(s.Faults) > 0:
		return v.sentence(s.Faults[0])
	case s.StoodDown:
		return "stood down: nothing is commanded; lift it at the shop"
	case s.BinFull:
		return "the bin is full: empty it"
	case s.ShopClosed:
		return "out of hours: nothing starts"
	}
	return "no faults"
}

func (v *plain) shop(s *control.Snapshot) shopState {
	out := shopState{Name: v.l.o.Shop.Name, Boot: v.l.o.Boot, Version: v.l.o.Version, StoodDown: s.StoodDown, Closed: s.ShopClosed, Latched: s.Latched(),
		BinFull: s.BinFull, Dropped: v.l.store.counts().Dropped, Waits: v.meter.around().Waits, Says: v.says(s), Faults: []faultState{}}
	if now, ok := v.l.o.Clock(); ok && v.start == "" {
		v.start = now.Add(-v.l.o.Now()).UTC().Format(time.RFC3339)
	}
	out.Start = v.start
	for _, f := range s.Faults {
		wrong, remedy := v.l.o.Names.Trouble(f)
		out.Faults = append(out.Faults, faultState{f.Fault.String(), v.l.o.Shop.NameOf(f.Fault.Subject(), f.ID), seconds(f.Since), wrong, remedy})
	}
	return out
}
