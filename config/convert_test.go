package config_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

func barn(t *testing.T) *config.Shop {
	t.Helper()
	r := mustRig(t, "rig.toml", string(read(t, "../testdata/demo/rig.toml")))
	return mustShop(t, "barn.toml", string(read(t, "../testdata/demo/shops/barn.toml")), r)
}

func full(t *testing.T) *config.Shop {
	t.Helper()
	r := mustRig(t, "rig.toml", string(read(t, folder+"valid/rig-full.toml")))
	return mustShop(t, "full.toml", string(read(t, folder+"valid/shop-full.toml")), r)
}

// pathNames writes a machine's paths with the names of the gates.
func pathNames(s *config.Shop, m control.Machine) string {
	var hoods []string
	for _, h := range m.Hoods {
		var gates []string
		for _, g := range h.Gates {
			gates = append(gates, s.NameOf(control.AGate, g))
		}
		hoods = append(hoods, strings.Join(gates, ">"))
	}
	return strings.Join(hoods, " | ")
}

// A machine's gates follow from the duct tree, gates in mains included; gates
// that it names itself are added with the mains downstream of them.
func TestPaths(t *testing.T) {
	for _, c := range []struct {
		machine string // the machine's hoods and gates
		want    string
	}{
		{`hoods = ["B1"]`, "one>near>last"},
		{`hoods = ["B2"]`, "two>last"},
		{`hoods = ["B4"]`, "last"},
		{`hoods = ["B1", "B2"]`, "one>near>last | two>last"},
		{`gates = ["one"]`, "one>near>last"},
		{`gates = ["last"]`, "last"},
		{`gates = ["last", "near", "one"]`, "one>near>last"},
		{`gates = ["two", "one"]`, "one>near>last | two>last"},
		{`hoods = ["B1"], gates = ["two"]`, "one>near>last | two>last"},
		{`hoods = ["B1"], gates = ["near", "one"]`, "one>near>last"},
	} {
		s := mustShop(t, "shop.toml", `format = 1
units = "metric"
mains = { frequency = "50 Hz", voltage = "230 V" }
collector = { actuator = "k0" }
machine = [{ name = "m", channels = ["c0"], coast = "1 s", `+c.machine+` }]
gate = [
  { name = "last", actuator = "g0", duct = "T2", travel = "1 s" },
  { name = "one", actuator = "g1", duct = "B1", travel = "1 s" },
  { name = "two", actuator = "g2", duct = "B2", travel = "1 s" },
  { name = "near", actuator = "spare", duct = "T1", travel = "1 s" },
]
duct = [
  { name = "B1", to = "T1", diameter = "100 mm", length = "1 m", kind = "hose" },
  { name = "B2", to = "T2", diameter = "100 mm", length = "1 m", kind = "hose" },
  { name = "B3", to = "T1", diameter = "100 mm", length = "1 m", kind = "hose" },
  { name = "B4", to = "T2", diameter = "100 mm", length = "1 m", kind = "hose" },
  { name = "T1", to = "T2", diameter = "100 mm", length = "1 m", kind = "smooth" },
  { name = "T2", to = "collector", diameter = "100 mm", length = "1 m", kind = "smooth" },
]
`, full(t).Rig)
		p := s.Control()
		if got := pathNames(s, p.Machines[0]); got != c.want {
			t.Errorf("%s: got %s, want %s", c.machine, got, c.want)
		}
		var down []string
		for i := range p.Gates {
			var names []string
			for _, g := range p.Gates[i].Downstream {
				names = append(names, s.NameOf(control.AGate, g))
			}
			down = append(down, p.Gates[i].Name+":"+strings.Join(names, ">"))
		}
		if got, want := strings.Join(down, " "), "last: one:near>last two:last near:last"; got != want {
			t.Errorf("downstream: got %s, want %s", got, want)
		}
	}
}

// The demo, as the state machine is told.
func TestBarnControl(t *testing.T) {
	s := barn(t)
	p := s.Control()
	var got []string
	for i := range p.Machines {
		m := p.Machines[i]
		got = append(got, fmt.Sprintf("%s: %s, rank %d, run-on %v, circuit %s", m.Name, pathNames(s, m), m.Rank, p.RunOn(control.ID(i), 0), s.NameOf(control.ACircuit, m.Circuit)))
	}
	want := []string{
		"band saw: band saw, rank 7, run-on 28s, circuit saw wall",
		"planer: planer, rank 9, run-on 14s, circuit planer",
		"drum sander: drum sander>far end, rank 8, run-on 11s, circuit saw wall",
		"router: router, rank 6, run-on 18s, circuit bench",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if got := p.RunOn(control.NoID, 0); got != 28*time.Second {
		t.Errorf("run-on of no machine: %v, want the longest", got)
	}
	wantCollector := control.Collector{Name: "collector", Confirm: 250 * time.Millisecond, Coast: 20 * time.Second, Starts: 6, Window: time.Hour,
		MinOn: time.Minute, MinOff: 90 * time.Second, Feedback: control.ByContact, Within: 3 * time.Second, Circuit: 3, Switch: true}
	if d := cmp.Diff(wantCollector, p.Collector); d != "" {
		t.Error(d)
	}
	if p.Gates[4].RunOn != 8*time.Second || p.Gates[4].OpenSwitch || !p.Gates[5].ShutSwitch || !p.Gates[5].Actuated {
		t.Errorf("gates: %+v", p.Gates)
	}
	if p.MaxOpen != 2 || p.CloseAtRest || p.BinBlocks || p.RefuseRunning || p.TopicMayStart || len(p.Stops) != 1 || p.Stops[0].Name != "bin door" {
		t.Errorf("limits: %+v", p)
	}
}

// Scales by hand: amperes a count = (V a count) * (A a volt) / turns.
func TestScale(t *testing.T) {
	s := full(t)
	p := s.Sensor()
	const lsb = 3.3 / 4096
	for _, c := range []struct {
		source, channel int
		scale, max      float64
	}{
		{0, 0, lsb * 100 / (0.05 * 22) / 2, 4095}, // a current output over its burden, two turns
		{0, 1, lsb * 30, 4095},
		{1, 0, 4.096 / 32768 * 50, 32767},
	} {
		got := p[c.source].Channels[c.channel]
		if math.Abs(got.Scale/c.scale-1) > 1e-12 || got.Max != c.max || got.Min != 0 || !got.Used {
			t.Errorf("source %d channel %d: %+v, want scale %v", c.source, c.channel, got, c.scale)
		}
	}
	// hardware figures: 22 ohm at 3.3 V and 12 bits make 73 mA a count, a 30 A : 1 V output 24 mA.
	if x := s.Rig.Step(1); math.Abs(x-0.024) > 0.0005 {
		t.Errorf("step %v", x)
	}
	// bias 1.6 V: the lower half wave clips first, at 1.6 V peak.
	if got, want := s.Rig.Range(0), 1.6/math.Sqrt2*100/(0.05*22)/2; math.Abs(got/want-1) > 1e-12 {
		t.Errorf("range %v, want %v", got, want)
	}
	if p[0].Mains != 50 || !p[0].HoldMains || p[1].Source != 1 {
		t.Errorf("%+v", p)
	}
	if p[0].Channels[2].Used || p[0].Channels[3].Used {
		t.Error("a channel that stands for nothing, or is switched off, is used")
	}
	amps := s.SensorAmps()[0].Channels[0]
	if amps.Scale != 1 || amps.Max != 0 || amps.Start != 2 || amps.Stop != 1.2 || amps.StopHold != 700*time.Millisecond {
		t.Errorf("in amperes: %+v", amps)
	}
}

func TestUses(t *testing.T) {
	s := full(t)
	no := control.NoID
	want := []config.ChannelUse{
		{Machine: 0, Collector: no, Circuits: []control.ID{1}, Start: 2, Stop: 1.2, StopHold: 700 * time.Millisecond},
		{Machine: 0, Collector: no, Start: 2, Stop: 1.2, StopHold: 700 * time.Millisecond}, // another leg: counts once
		{Machine: no, Collector: no, Start: 0.6, Stop: 0.4, StopHold: time.Second},
		{Machine: no, Collector: no, Start: 0.6, Stop: 0.4, StopHold: time.Second},
		{Machine: no, Collector: no, Circuits: []control.ID{0}, Start: 0.6, Stop: 0.4, StopHold: time.Second},
		{Machine: no, Collector: 0, Circuits: []control.ID{0}, Start: 1.5, Stop: 0.9},
	}
	if d := cmp.Diff(want, s.Channels()); d != "" {
		t.Error(d)
	}
	var got []string
	for i, u := range s.Contacts() {
		got = append(got, fmt.Sprintf("%s: %v %d %v", s.Rig.Contacts[i].Name, u.Kind, u.ID, u.Hold))
	}
	wantContacts := []string{
		"door: stop 0 0s", "bin: bin 0 0s", "lathe switch: machine 1 0s", "g0 open: gate 0 0s", "g0 shut: gate 0 0s", "aux: invalid 0 0s",
		"mode hand: switch 0 0s", "mode off: switch 0 0s", "button: ask 1 4m0s", "key: stand-down 0 0s", "smoke: stop 1 0s", "reset: reset 0 0s", "hands in: aside 1 0s",
	}
	for i := range wantContacts {
		wantContacts[i] = strings.Replace(wantContacts[i], "ask", control.Ask.String(), 1)
	}
	if d := cmp.Diff(wantContacts, got); d != "" {
		t.Error(d)
	}
	// What a closed contact means: true if it says what it is there to say.
	for name, active := range map[string]bool{"door": false, "bin": true, "lathe switch": true, "g0 open": true, "g0 shut": false, "key": false} {
		for _, c := range s.Rig.Contacts {
			if c.Name == name && c.Active != active {
				t.Errorf("contact %q: active when closed is %v", name, c.Active)
			}
		}
	}
	for _, c := range []struct {
		of   control.Subject
		id   control.ID
		want string
	}{
		{control.AMachine, 1, "lathe"}, {control.AGate, 2, "main"}, {control.AnOutlet, 0, "cleaner"}, {control.ACircuit, 1, "two"},
		{control.AStop, 1, "smoke"}, {control.ACollector, 0, "collector"}, {control.AMachine, control.NoID, ""}, {control.NoSubject, 0, ""},
	} {
		if got := s.NameOf(c.of, c.id); got != c.want {
			t.Errorf("NameOf(%v, %d) = %q, want %q", c.of, c.id, got, c.want)
		}
	}
}

func TestStandInAmps(t *testing.T) {
	r, s := config.StandInAmps(3, config.StandInOptions{})
	usable(t, s)
	p := s.Sensor()
	if len(p) != 1 || p[0].Mains != 0 || p[0].HoldMains {
		t.Fatalf("%+v", p)
	}
	for i := range 3 {
		name := fmt.Sprintf("m%d", i)
		want := sensor.ChannelParams{Used: true, Channel: i, Scale: 1, Start: 0.6, Stop: 0.4, StopHold: time.Second}
		if d := cmp.Diff(want, p[0].Channels[i]); d != "" {
			t.Error(d)
		}
		if s.Machines[i].Name != name || s.Gates[i].Name != name || r.Channels[i].Name != name {
			t.Errorf("%d: %q opens %q", i, s.Machines[i].Name, s.Gates[i].Name)
		}
		if got := pathNames(s, s.Control().Machines[i]); got != name {
			t.Errorf("%s opens %s", name, got)
		}
	}
	_, s = config.StandInAmps(2, config.StandInOptions{Start: 2, Stop: 1.5, StopHold: 3 * time.Second, Mains: 60})
	if c := s.Sensor()[0]; c.Mains != 60 || c.Channels[1].Start != 2 || c.Channels[1].Stop != 1.5 || c.Channels[1].StopHold != 3*time.Second {
		t.Errorf("options: %+v", c)
	}
	_, s = config.StandInAmps(1, config.StandInOptions{Start: 0.3, StopHold: -1})
	if c := s.Sensor()[0].Channels[0]; c.Start != 0.3 || c.Stop != 0.3 || c.StopHold != 0 {
		t.Errorf("a low start level: %+v", c)
	}
	_, s = config.StandInAmps(100, config.StandInOptions{})
	usable(t, s)
	if len(s.Machines) != control.MaxMachines || s.Sensor()[0].Channels[99].Used {
		t.Errorf("%d machines", len(s.Machines))
	}
}

func TestStandIn(t *testing.T) {
	s := config.StandIn(full(t).Rig, config.StandInOptions{})
	usable(t, s)
	var got []string
	for i, m := range s.Control().Machines {
		got = append(got, m.Name+": "+pathNames(s, s.Control().Machines[i]))
	}
	// c3 is switched off; the rig has two gates with a motor of their own.
	want := []string{"c0: g0", "c1: g1", "c2: ", "c4: ", "k: "}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if a := s.Rig.Actuators[s.Collector.Actuator].Name; a != "g2" {
		t.Errorf("the collector's relay is %s", a)
	}
	for _, text := range []string{"stand-in", "c0: runs when channel c0 reads 0.6 A or more"} {
		if !strings.Contains(s.Describe(), text) {
			t.Errorf("the description lacks %q", text)
		}
	}
}

// A channel is used as soon as it stands for one thing.
func TestUsed(t *testing.T) {
	none := config.ChannelUse{Machine: control.NoID, Collector: control.NoID, Start: 1, Stop: 1}
	machine, collector, circuit := none, none, none
	machine.Machine, collector.Collector, circuit.Circuits = 0, 0, []control.ID{0}
	for i, u := range []config.ChannelUse{machine, collector, circuit} {
		if !u.Used() {
			t.Errorf("row %d is not used", i)
		}
	}
	if none.Used() {
		t.Error("a channel that stands for nothing is used")
	}
}
