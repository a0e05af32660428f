package rig

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/sensor"
)

const annexRig = `format = 1
name = "annex"
role = "node"
contact = [
  { name = "spare", chip = "soc", line = 1, kind = "machine", closed = "running" },
  { name = "g5 open", chip = "soc", line = 2, kind = "gate-open", closed = "there", debounce = "7 ms" },
  { name = "g5 shut", chip = "soc", line = 3, kind = "gate-shut", closed = "away" },
  { name = "press", chip = "soc", line = 4, kind = "button", closed = "pressed" },
  { name = "lathe", chip = "soc", line = 5, kind = "machine", closed = "running" },
]
actuator = [
  { name = "idle", kind = "relay", chip = "soc", line = 10, active = "low" },
  { name = "g5", kind = "motor", chip = "soc", open_line = 11, shut_line = 12 },
  { name = "g6", kind = "servo", bus = "/dev/i2c-1", address = 0x40, output = 5, pulse_open = "1.8 ms", pulse_shut = "1.2 ms" },
  { name = "k5", kind = "relay", chip = "soc", line = 13 },
  { name = "k6", kind = "relay", chip = "soc", line = 14 },
]
servo_chip = [{ bus = "/dev/i2c-1", address = 0x40, chip = "soc", line = 15 }]
heartbeat = { chip = "soc", line = 16, drops_after = "4 s" }
mqtt = { broker = "tcp://broker.local:1883" }
`

const mainRig = `format = 1
contact = [
  { name = "unused", chip = "pins", line = 1, kind = "machine", closed = "running" },
  { name = "saw", chip = "pins", line = 2, kind = "machine", closed = "running" },
  { name = "g1 open", chip = "pins", line = 3, kind = "gate-open", closed = "there" },
]
actuator = [
  { name = "k0", kind = "relay", chip = "pins", line = 10 },
  { name = "g1", kind = "relay", chip = "pins", line = 11 },
  { name = "k1", kind = "relay", chip = "pins", line = 12 },
  { name = "g2", kind = "topic", topic = "gate/set" },
]
mqtt = { broker = "tcp://broker.local:1883" }
node = [{ rig = "annex.toml" }]
`

// acrossShop uses things of both computers, in another order than their rigs list them.
const acrossShop = `format = 1
units = "metric"
mains = { frequency = "50 Hz", voltage = "230 V" }
machine = [
  { name = "lathe", contacts = ["annex/lathe"], gates = ["far servo"], coast = "1 s" },
  { name = "saw", contacts = ["saw"], gates = ["near"], coast = "1 s" },
]
gate = [
  { name = "told", actuator = "g2", travel = "1 s" },
  { name = "near", actuator = "g1", travel = "1100 ms", open_switch = "g1 open" },
  { name = "far servo", actuator = "annex/g6", travel = "1200 ms", button = "annex/press", hold = "3 min", reversed = true },
  { name = "far motor", actuator = "annex/g5", travel = "1300 ms", open_switch = "annex/g5 open", shut_switch = "annex/g5 shut" },
]
outlet = [
  { name = "near", actuator = "k1", follows = ["saw"], run_on = "1 s" },
  { name = "far", actuator = "annex/k6", follows = ["saw"], run_on = "1 s" },
]
`

func across(t *testing.T, contactor string) *config.Shop {
	t.Helper()
	dir := t.TempDir()
	for name, text := range map[string]string{"annex.toml": annexRig, "rig.toml": mainRig} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	r, err := config.LoadRig(filepath.Join(dir, "rig.toml"))
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.ParseShop("shop.toml", []byte(acrossShop+`collector = { actuator = "`+contactor+`" }`), r)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// A shop on two computers: each is told of what is wired to it, by the names
// in its own rig and under the numbers of the shop.
func TestNumbersAcrossComputers(t *testing.T) {
	pins := func(n int) drive.Line { return drive.Line{Chip: "pins", Offset: n} }
	soc := func(n int) drive.Line { return drive.Line{Chip: "soc", Offset: n} }
	const bounce = 20 * time.Millisecond
	same := cmpopts.EquateEmpty()

	s := across(t, "k0")
	here, err := Wiring(s)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(drive.Params{
		Collector: &drive.Relay{Name: "k0", Line: pins(10)},
		Gates:     []drive.Gate{{Topic: &drive.Topic{Name: "gate/set", On: "ON", Off: "OFF"}}, {Relay: &drive.Relay{Name: "g1", Line: pins(11)}}, {}, {}},
		Outlets:   []drive.Outlet{{Relay: &drive.Relay{Name: "k1", Line: pins(12)}}, {}},
		Contacts: []drive.Contact{
			{Name: "saw", Line: pins(2), Debounce: bounce, Closed: true, Means: drive.MachineRuns, ID: 1},
			{Name: "g1 open", Line: pins(3), Debounce: bounce, Closed: true, Means: drive.GateIsOpen, ID: 1},
		},
	}, here, same); d != "" {
		t.Errorf("here: %s", d)
	}

	job := JobOf(s, 1)
	if d := cmp.Diff(Job{
		Gates:   []GateJob{{ID: 2, Actuator: "g6", Travel: 1200 * time.Millisecond, Reversed: true}, {ID: 3, Actuator: "g5", Travel: 1300 * time.Millisecond}},
		Outlets: []OutletJob{{ID: 1, Actuator: "k6"}},
		Contacts: []ContactJob{
			{Name: "g5 open", ID: 3}, {Name: "g5 shut", ID: 3}, {Name: "press", ID: 2, Hold: 3 * time.Minute}, {Name: "lathe", ID: 0},
		},
	}, job, same); d != "" {
		t.Errorf("the annex: %s", d)
	}
	annex := s.Rig.Nodes[0].Rig
	there, err := job.Wiring(annex)
	if err != nil {
		t.Fatal(err)
	}
	servo := &drive.Servo{Name: "g6", Bus: "/dev/i2c-1", Address: 0x40, Output: 5, Open: 1200 * time.Microsecond, Shut: 1800 * time.Microsecond, Travel: 1200 * time.Millisecond}
	servo.Release = there.Gates[2].Servo.Release // the file's default
	want := drive.Params{
		Gates: []drive.Gate{{}, {}, {Servo: servo}, {Motor: &drive.Motor{Name: "g5", Open: soc(11), Shut: soc(12), Longest: 1300 * time.Millisecond}}},
		// Its own outlet under its number, then those that nobody uses, to be held off.
		Outlets: []drive.Outlet{{}, {Relay: &drive.Relay{Name: "k6", Line: soc(14)}}, {Relay: &drive.Relay{Name: "idle", Line: soc(10), ActiveLow: true}}, {Relay: &drive.Relay{Name: "k5", Line: soc(13)}}},
		Contacts: []drive.Contact{
			{Name: "g5 open", Line: soc(2), Debounce: 7 * time.Millisecond, Closed: true, Means: drive.GateIsOpen, ID: 3},
			{Name: "g5 shut", Line: soc(3), Debounce: bounce, Closed: false, Means: drive.GateIsShut, ID: 3},
			{Name: "press", Line: soc(4), Debounce: bounce, Closed: true, Means: drive.ButtonHolds, ID: 2, Hold: 3 * time.Minute},
			{Name: "lathe", Line: soc(5), Debounce: bounce, Closed: true, Means: drive.MachineRuns, ID: 0},
		},
		Chips:     []drive.Chip{{Bus: "/dev/i2c-1", Address: 0x40, Enable: &drive.Relay{Name: "servo chip 0x40", Line: soc(15), ActiveLow: true}}},
		Heartbeat: &drive.Heartbeat{Line: soc(16), Every: time.Second},
	}
	if d := cmp.Diff(want, there, same); d != "" {
		t.Errorf("the annex's drivers: %s", d)
	}
	// Control waits as long as a node's drivers may need, and for the way; a lone
	// servo has to wait for one turn.
	p := s.Control()
	answers(&p, &here)
	if err := farAnswers(&p, s); err != nil {
		t.Fatal(err)
	}
	for i, wait := range []time.Duration{p.Answer, p.Answer, p.Answer + drive.Stagger + Way, p.Answer + Way} {
		if got := p.Gates[i].Answer; got != wait {
			t.Errorf("gate %d answers within %v, want %v", i, got, wait)
		}
	}
	// Every output of this computer, and none of the other's.
	all, err := Everything(s.Rig)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(drive.Params{Outlets: []drive.Outlet{{Relay: &drive.Relay{Name: "k0", Line: pins(10)}}, {Relay: &drive.Relay{Name: "g1", Line: pins(11)}},
		{Relay: &drive.Relay{Name: "k1", Line: pins(12)}}}}, all, same); d != "" {
		t.Errorf("everything: %s", d)
	}

	// The contactor at the other computer.
	s = across(t, "annex/k5")
	job = JobOf(s, 1)
	there, err = job.Wiring(s.Rig.Nodes[0].Rig)
	if err != nil || job.Contactor != "k5" || there.Collector == nil || there.Collector.Line != soc(13) || len(there.Outlets) != 3 || there.Outlets[2].Relay.Name != "idle" {
		t.Errorf("%+v %+v %v", job, there, err)
	}
	if here, err = Wiring(s); err != nil || here.Collector != nil {
		t.Errorf("%+v %v", here, err)
	}
}

// A job that names what the rig does not have, or has for something else: every
// error at once.
func TestJobsThatCannotBe(t *testing.T) {
	annex := across(t, "k0").Rig.Nodes[0].Rig
	for _, c := range []struct {
		job  Job
		want []string
	}{
		{Job{Contactor: "none"}, []string{`there is no actuator "none"`}},
		{Job{Contactor: "g5"}, []string{`actuator "g5" is a motor`}},
		{Job{Gates: []GateJob{{ID: 1, Actuator: "none"}, {ID: 0, Actuator: "gone"}}}, []string{`there is no actuator "none"`, `there is no actuator "gone"`}},
		{Job{Outlets: []OutletJob{{ID: 2, Actuator: "g6"}}}, []string{`actuator "g6" is a servo`}},
		{Job{Contacts: []ContactJob{{Name: "none"}, {Name: "press", ID: 200}}}, []string{`there is no contact "none"`}},
		{Job{Contacts: []ContactJob{{Name: "g5 open", ID: control.MaxGates}}}, nil},
	} {
		p, err := c.job.Wiring(annex)
		if (err == nil) != (c.want == nil) {
			t.Errorf("%+v: %v", c.job, err)
		}
		for _, w := range c.want {
			if err != nil && !strings.Contains(err.Error(), w) {
				t.Errorf("%q does not say %q", err, w)
			}
		}
		if err != nil && strings.Count(err.Error(), "\n") != len(c.want)-1 {
			t.Errorf("%+v: %v: more than what is wrong", c.job, err)
		}
		if len(p.Gates) > 2 || p.Collector != nil {
			t.Errorf("%+v: %+v", c.job, p)
		}
	}
	// A relay that moves a gate is no switch to be held off.
	relayed := Job{Gates: []GateJob{{ID: 0, Actuator: "k5", Travel: time.Second}}}
	if p, err := relayed.Wiring(annex); err != nil || p.Gates[0].Relay == nil || len(p.Outlets) != 2 {
		t.Errorf("%+v %v", p, err)
	}
	// A contact of a gate that another computer moves: drivers have the gate, by hand.
	for _, name := range []string{"g5 open", "g5 shut", "press"} {
		j := Job{Contacts: []ContactJob{{Name: name, ID: 4}}}
		if p, err := j.Wiring(annex); err != nil || len(p.Gates) != 5 || p.Contacts[0].ID != 4 {
			t.Errorf("%s: %+v %v", name, p, err)
		}
	}
	j := Job{Contacts: []ContactJob{{Name: "lathe", ID: 4}}}
	if p, err := j.Wiring(annex); err != nil || len(p.Gates) != 0 {
		t.Errorf("%+v %v", p, err)
	}
}

// A kind that no driver knows is told by name, and nothing is made of it.
func TestKindsWithoutDriver(t *testing.T) {
	for _, kind := range []config.ActuatorKind{0, config.ActuatorKind(len(drivers)), 200} {
		a := &config.Actuator{Name: "odd", Kind: kind}
		g, gateErr := gate(a, time.Second, false)
		o, outletErr := outlet(a)
		k, contactorErr := contactor(a)
		all, allErr := Everything(&config.Rig{Actuators: []config.Actuator{*a, {Name: "k0", Kind: config.Relay, Chip: "pins"}}})
		for what, err := range map[string]error{"gate": gateErr, "outlet": outletErr, "contactor": contactorErr, "everything": allErr} {
			if err == nil || !strings.Contains(err.Error(), `actuator "odd": no driver`) {
				t.Errorf("%s: %v", what, err)
			}
		}
		if g != (drive.Gate{}) || o != (drive.Outlet{}) || k != nil || len(all.Outlets) != 1 {
			t.Errorf("%+v %+v %+v %+v", g, o, k, all)
		}
	}
	if _, err := contactor(&config.Actuator{Name: "k0", Kind: config.OnTopic}); err == nil || !strings.Contains(err.Error(), `"k0": no driver switches that by a topic`) {
		t.Errorf("a contactor on a topic: %v", err)
	}
	if _, err := outlet(&config.Actuator{Name: "s", Kind: config.Servo}); err == nil || !strings.Contains(err.Error(), `"s": no driver switches anything by a servo`) {
		t.Errorf("an outlet by a servo: %v", err)
	}
	for k := control.Tick; k <= control.Ask; k++ {
		if reading(control.Input{Kind: k}) != (k == control.MachineIs) {
			t.Errorf("%s goes the way of a reading", k)
		}
	}
}

// Every kind of contact, at this computer and at another, tells the drivers what
// it means.
func TestMeansOfContacts(t *testing.T) {
	kinds := map[string]struct {
		closed string
		use    string // where the shop names it
		want   drive.Means
		id     control.ID
		hold   time.Duration
	}{
		"machine":    {"running", `machine`, drive.MachineRuns, 0, 0},
		"gate-open":  {"there", `, open_switch = "x"`, drive.GateIsOpen, 1, 0},
		"gate-shut":  {"there", `, shut_switch = "x"`, drive.GateIsShut, 1, 0},
		"button":     {"pressed", `, button = "x", hold = "4 min"`, drive.ButtonHolds, 1, 4 * time.Minute},
		"collector":  {"on", `contact = "x"`, drive.CollectorRuns, 0, 0},
		"hand":       {"hand", `hand = "x"`, drive.HandMode, 0, 0},
		"off":        {"off", `off = "x"`, drive.OffMode, 0, 0},
		"stop":       {"ok", ``, drive.StopActs, 0, 0},
		"bin":        {"full", ``, drive.BinFull, 0, 0},
		"stand-down": {"lifted", ``, drive.StandDown, 0, 0},
		"reset":      {"pressed", ``, drive.ResetPressed, 0, 0},
		"aside":      {"pressed", `, aside = "x"`, drive.AsidePressed, 1, 0},
	}
	for kind, c := range kinds {
		r, err := config.ParseRig("rig.toml", []byte(`format = 1
contact = [{ name = "m", chip = "soc", line = 8, kind = "machine", closed = "running" }, { name = "x", chip = "soc", line = 9, kind = "`+kind+`", closed = "`+c.closed+`" }]
actuator = [{ name = "k0", kind = "relay", chip = "soc", line = 1 }, { name = "g0", kind = "relay", chip = "soc", line = 2 }, { name = "g1", kind = "motor", chip = "soc", open_line = 3, shut_line = 4 }]
`))
		if err != nil {
			t.Fatal(err)
		}
		machine, gate, collector := "m", c.use, ""
		switch {
		case c.use == "machine":
			machine, gate = "x", ""
		case c.use != "" && c.use[0] != ',':
			gate, collector = "", ", "+c.use
		}
		s, err := config.ParseShop("shop.toml", []byte(`format = 1
units = "metric"
mains = { frequency = "50 Hz", voltage = "230 V" }
machine = [{ name = "m", contacts = ["`+machine+`"], gates = ["a"], coast = "1 s" }]
gate = [{ name = "a", actuator = "g0", travel = "1 s" }, { name = "b", actuator = "g1", travel = "1 s"`+gate+` }]
collector = { actuator = "k0"`+collector+` }
`), r)
		if err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		w, err := Wiring(s)
		if err != nil {
			t.Fatal(err)
		}
		far := Job{Contacts: []ContactJob{{Name: "x", ID: c.id, Hold: c.hold}}}
		there, err := far.Wiring(r)
		if err != nil {
			t.Fatal(err)
		}
		here := w.Contacts[len(w.Contacts)-1]
		for _, got := range []drive.Contact{here, there.Contacts[0]} {
			if got.Name != "x" || got.Means != c.want || got.ID != c.id || got.Hold != c.hold || got.Line.Offset != 9 {
				t.Errorf("%s: %+v", kind, got)
			}
		}
	}
}

// What no driver knows is named, each such thing once, and the others are wired.
func TestWiringWithoutDriver(t *testing.T) {
	const odd = 200
	for _, c := range []struct {
		spoil func(*config.Shop)
		want  string
	}{
		{func(s *config.Shop) { s.Rig.Actuators[0].Kind = odd }, `actuator "k0": no driver switches anything`},
		{func(s *config.Shop) { s.Rig.Actuators[1].Kind = odd }, `actuator "g1": no driver moves a gate`},
		{func(s *config.Shop) { s.Rig.Actuators[2].Kind = odd }, `actuator "k1": no driver switches anything`},
		{func(s *config.Shop) { s.Rig.Contacts[1].Kind = odd }, `contact "saw": no driver reads`},
		{func(s *config.Shop) { s.Rig.Actuators[0].Kind = config.OnTopic }, `actuator "k0": no driver switches that`},
	} {
		s := across(t, "k0")
		c.spoil(s)
		w, err := Wiring(s)
		if err == nil || !strings.Contains(err.Error(), c.want) || strings.Count(err.Error(), "no driver") != 1 {
			t.Errorf("%v, want %s", err, c.want)
		}
		if len(w.Gates) != 4 || len(w.Outlets) != 2 {
			t.Errorf("%+v", w)
		}
	}
	if _, err := Wiring(across(t, "k0")); err != nil {
		t.Error(err)
	}
	// A node whose rig lacks what its job names.
	s := across(t, "k0")
	s.Rig.Nodes[0].Rig.Actuators[2].Kind = config.Relay + odd
	p := s.Control()
	if err := farAnswers(&p, s); err == nil || !strings.Contains(err.Error(), `node "annex": actuator "g6" is`) {
		t.Errorf("%v", err)
	}
}

// A rig all of whose outputs hang on a node, so that its number 0 is far, and a
// gate moved by hand.
func TestJobFromNumberZero(t *testing.T) {
	dir := t.TempDir()
	bare := `format = 1
contact = [{ name = "up", chip = "pins", line = 3, kind = "gate-open", closed = "there" }]
mqtt = { broker = "tcp://broker.local:1883" }
node = [{ rig = "annex.toml" }]
`
	for name, text := range map[string]string{"annex.toml": annexRig, "rig.toml": bare} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	r, err := config.LoadRig(filepath.Join(dir, "rig.toml"))
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.ParseShop("shop.toml", []byte(`format = 1
units = "metric"
mains = { frequency = "50 Hz", voltage = "230 V" }
machine = [{ name = "lathe", contacts = ["annex/lathe"], gates = ["by hand"], coast = "1 s" }]
gate = [{ name = "by hand", open_switch = "up" }]
outlet = [{ name = "o", actuator = "annex/k5", follows = ["lathe"], run_on = "1 s" }]
collector = { actuator = "annex/idle" }
`), r)
	if err != nil {
		t.Fatal(err)
	}
	job := JobOf(s, 1)
	if d := cmp.Diff(Job{Contactor: "idle", Outlets: []OutletJob{{ID: 0, Actuator: "k5"}}, Contacts: []ContactJob{{Name: "lathe"}}}, job); d != "" {
		t.Error(d)
	}
	w, err := Wiring(s)
	if err != nil || w.Collector != nil || len(w.Gates) != 1 || w.Gates[0] != (drive.Gate{}) || len(w.Contacts) != 1 {
		t.Errorf("%+v %v", w, err)
	}
}

// recorder is outputs, here or at another computer, that note what they are told.
type recorder struct {
	name  string
	log   *[]string
	fails error
}

func (r recorder) note(what string)              { *r.log = append(*r.log, r.name+" "+what) }
func (r recorder) Apply(c control.Command)       { r.note(c.Kind.String()) }
func (r recorder) Beat()                         { r.note("beat") }
func (r recorder) Halt() error                   { return r.fails }
func (r recorder) Close()                        { r.note("close") }
func (r recorder) Ready() <-chan struct{}        { return nil }
func (r recorder) Drives(c control.Command) bool { return c.ID == 1 }
func (r recorder) AtRest(bool)                   {}
func (r recorder) Listen(time.Duration)          {}
func (r recorder) Fares() []Fare                 { return nil }

type nearby struct{ recorder }

func (nearby) Take(to []drive.Report) []drive.Report { return to }

type faraway struct{ recorder }

func (faraway) Take(to []drive.Report, r []sensor.Reading) ([]drive.Report, []sensor.Reading) {
	return to, r
}

// Each command goes to the computer that has its output; beat, halt and close go
// to both, and neither's failure hides the other's.
func TestOutputsOfTwoComputers(t *testing.T) {
	var log []string
	both := withFar{nearby{recorder{"here", &log, errors.New("stuck here")}}, faraway{recorder{"there", &log, errors.New("stuck there")}}}
	both.Apply(control.Command{Kind: control.GateOpen, ID: 0})
	both.Apply(control.Command{Kind: control.GateShut, ID: 1})
	both.Beat()
	err := both.Halt()
	both.Close()
	if d := cmp.Diff([]string{"here gate-open", "there gate-shut", "here beat", "there beat", "there close", "here close"}, log); d != "" {
		t.Error(d)
	}
	if err == nil || !strings.Contains(err.Error(), "stuck here") || !strings.Contains(err.Error(), "stuck there") {
		t.Errorf("halt: %v", err)
	}
}

// Each indicator is wired to its own relay, by its number; one without a driver is named.
func TestIndicatorsWired(t *testing.T) {
	r, err := config.ParseRig("rig.toml", []byte(`format = 1
contact = [{ name = "m", chip = "soc", line = 8, kind = "machine", closed = "running" }]
actuator = [{ name = "k0", kind = "relay", chip = "soc", line = 1 }, { name = "g0", kind = "relay", chip = "soc", line = 2 }, { name = "horn", kind = "relay", chip = "soc", line = 3 }, { name = "lamp", kind = "relay", chip = "soc", line = 4 }]
`))
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.ParseShop("shop.toml", []byte(`format = 1
units = "metric"
mains = { frequency = "50 Hz", voltage = "230 V" }
machine = [{ name = "m", contacts = ["m"], gates = ["a"], coast = "1 s" }]
gate = [{ name = "a", actuator = "g0", travel = "1 s" }]
collector = { actuator = "k0" }
indicator = [{ name = "over the door", actuator = "lamp", shows = "collecting" }, { name = "loud", actuator = "horn", shows = "uncollected" }]
`), r)
	if err != nil {
		t.Fatal(err)
	}
	w, err := Wiring(s)
	if err != nil {
		t.Fatal(err)
	}
	if len(w.Lamps) != 2 || w.Lamps[0].Name != "lamp" || w.Lamps[0].Line.Offset != 4 || w.Lamps[1].Name != "horn" || w.Lamps[1].Line.Offset != 3 {
		t.Errorf("%+v", w.Lamps)
	}
	r.Actuators[s.Indicators[1].Actuator].Kind = config.Motor
	if _, err := Wiring(s); err == nil || !strings.Contains(err.Error(), "horn") {
		t.Errorf("an indicator on a motor: %v", err)
	}
}
