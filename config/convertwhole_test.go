package config_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

const second = time.Second

// Every key of the full shop, as the state machine is told it: what is read off
// the files by eye, in the order of their lists.
func TestWholeControl(t *testing.T) {
	s := full(t)
	got := s.Control()
	want := control.Defaults()
	want.Machines = []control.Machine{
		{Name: "saw", Hoods: []control.Hood{{Gates: []control.ID{0, 2}}, {Gates: []control.ID{2}}}, Rank: 8, Circuit: 1, Inrush: 1500 * time.Millisecond},
		{Name: "lathe", Hoods: []control.Hood{{Gates: []control.ID{1}}}, Rank: 1, Circuit: 0, Inrush: second},
		{Name: "sander", Hoods: []control.Hood{{}}, Rank: 1, Circuit: control.NoID, Inrush: second},
	}
	want.Gates = []control.Gate{
		{Name: "saw", Travel: second, OpenSwitch: true, ShutSwitch: true, Actuated: true, Downstream: []control.ID{2}, RunOn: 6 * second},
		{Name: "hand gate", Travel: 400 * time.Millisecond, Actuated: true, RunOn: 7 * second, Button: true},
		{Name: "main", Travel: 2 * second, Actuated: true, RunOn: 6 * second},
	}
	want.Outlets = []control.Outlet{{Name: "cleaner", Follows: []control.ID{0, 2}, RunOn: 15 * time.Minute}}
	want.Circuits = []control.Circuit{{Name: "one", Rating: 16}, {Name: "two", Rating: 20}}
	want.Stops = []control.Stop{{Name: "door"}, {Name: "smoke"}}
	want.Collector = control.Collector{Name: "collector", Confirm: 300 * time.Millisecond, Coast: 25 * second, Starts: 5, Window: time.Hour,
		MinOn: 70 * second, MinOff: 100 * second, Feedback: control.ByCurrent, Within: 4 * second, Circuit: 0, Switch: true}
	want.MaxOpen, want.RefuseRunning, want.CloseAtRest, want.BinBlocks, want.TopicMayStart = 3, true, true, true, true
	want.ResetButton, want.Indicators = true, []control.Indicator{{Name: "dust lamp", Shows: control.AnyUncollected, Half: control.SlowHalf}}
	want.UnknownHold, want.HoldLongest, want.PowerUp = 5*time.Minute, 20*time.Minute, 12*second
	if d := cmp.Diff(want, got, cmpopts.EquateEmpty(), cmpopts.IgnoreFields(control.Params{}, "RunOn", "Helper", "Purge")); d != "" {
		t.Error(d)
	}
	// Coast and clear-out; the lathe's own run_on; and the longest for what is no machine.
	for i, run := range []time.Duration{18 * second, 9 * second, 10 * second, 18 * second} {
		if got := got.RunOn(control.ID(i), 0); got != run {
			t.Errorf("run-on of machine %d: %v, want %v", i, got, run)
		}
	}
}

// What the full shop does not set, and what stands at number 0 of a list: every
// reference of a shop to its rig is tried at 0, at another number and not set.
func TestReferences(t *testing.T) {
	rig := func(first string) *config.Rig {
		// The contact and the channel that a row is about come first, or last.
		contacts := map[string]string{
			"ends":  `{ name = "up", chip = "soc", line = 1, kind = "gate-open", closed = "there" }, { name = "down", chip = "soc", line = 2, kind = "gate-shut", closed = "there" }`,
			"down":  `{ name = "down", chip = "soc", line = 2, kind = "gate-shut", closed = "there" }, { name = "up", chip = "soc", line = 1, kind = "gate-open", closed = "there" }`,
			"hand":  `{ name = "hand", chip = "soc", line = 3, kind = "hand", closed = "hand" }, { name = "off", chip = "soc", line = 4, kind = "off", closed = "off" }`,
			"off":   `{ name = "off", chip = "soc", line = 4, kind = "off", closed = "off" }, { name = "hand", chip = "soc", line = 3, kind = "hand", closed = "hand" }`,
			"aux":   `{ name = "aux", chip = "soc", line = 5, kind = "collector", closed = "on" }`,
			"press": `{ name = "press", chip = "soc", line = 6, kind = "button", closed = "pressed" }`,
		}
		text := contacts[first]
		for _, k := range []string{"aux", "ends", "press", "hand"} {
			if k != first && (k != "ends" || first != "down") && (k != "hand" || first != "off") {
				text += ", " + contacts[k]
			}
		}
		return mustRig(t, "rig.toml", `format = 1
adc = [{ name = "a", chip = "mcp3208", port = "/dev/spidev0.0", rate = "1 kHz" }]
channel = [{ name = "c0", adc = "a", input = 0, ratio = "30 A : 1 V" }, { name = "c1", adc = "a", input = 1, ratio = "30 A : 1 V" }]
actuator = [
  { name = "g0", kind = "relay", chip = "soc", line = 20 },
  { name = "k0", kind = "relay", chip = "soc", line = 21 },
  { name = "told", kind = "topic", topic = "gate/set", state = "gate" },
]
mqtt = { broker = "tcp://broker.local:1883" }
contact = [`+text+`]
`)
	}
	of := func(first, machine, gate, collector string) *config.Shop {
		return mustShop(t, "shop.toml", `format = 1
units = "metric"
mains = { frequency = "50 Hz", voltage = "230 V" }
circuit = [{ name = "one", breaker = "16 A" }]
machine = [{ name = "m", gates = ["g"], coast = "1 s", `+machine+` }]
gate = [{ name = "g", `+gate+` }]
collector = { clear_out = "2 s", `+collector+` }
`, rig(first))
	}
	for _, c := range []struct {
		first, gate string
		open, shut  bool
		actuated    bool
	}{
		{"ends", `travel = "1 s", actuator = "g0", open_switch = "up"`, true, false, true},
		{"ends", `travel = "1 s", actuator = "g0", shut_switch = "down"`, false, true, true},
		{"down", `travel = "1 s", actuator = "g0", shut_switch = "down"`, false, true, true},
		{"down", `travel = "1 s", actuator = "g0", open_switch = "up"`, true, false, true},
		{"aux", `travel = "1 s", actuator = "g0"`, false, false, true},
		{"aux", `travel = "1 s", actuator = "told"`, true, true, true},
		{"ends", `open_switch = "up"`, true, false, false},
	} {
		s := of(c.first, `channels = ["c0"]`, c.gate, `actuator = "k0"`)
		if g := s.Control().Gates[0]; g.OpenSwitch != c.open || g.ShutSwitch != c.shut || g.Actuated != c.actuated {
			t.Errorf("%s first, gate %s: %+v", c.first, c.gate, g)
		}
		for i, u := range s.Contacts() {
			name := s.Rig.Contacts[i].Name
			if used := c.open && c.gate[len(c.gate)-4:] == `"up"` && name == "up" || c.shut && name == "down" && !c.open; used != (u.Kind == control.GateIs) {
				t.Errorf("%s first, gate %s: contact %s: %+v", c.first, c.gate, name, u)
			}
		}
	}
	for _, c := range []struct {
		first, collector string
		feedback         control.Feedback
		selector         bool
		circuit          control.ID
	}{
		{"aux", ``, control.NoFeedback, false, control.NoID},
		{"aux", `, contact = "aux"`, control.ByContact, false, control.NoID},
		{"ends", `, contact = "aux"`, control.ByContact, false, control.NoID},
		{"aux", `, channel = "c0"`, control.ByCurrent, false, control.NoID},
		{"aux", `, channel = "c1", circuit = "one"`, control.ByCurrent, false, 0},
		{"hand", `, hand = "hand"`, control.NoFeedback, true, control.NoID},
		{"off", `, off = "off"`, control.NoFeedback, true, control.NoID},
		{"ends", `, hand = "hand"`, control.NoFeedback, true, control.NoID},
		{"ends", `, off = "off"`, control.NoFeedback, true, control.NoID},
	} {
		machine := `channels = ["c0"]`
		if c.first == "aux" && c.feedback == control.ByCurrent && c.circuit == control.NoID {
			machine = `channels = ["c1"], circuit = "one"`
		}
		s := of(c.first, machine, `travel = "1 s", actuator = "g0"`, `actuator = "k0"`+c.collector)
		if k := s.Control().Collector; k.Feedback != c.feedback || k.Switch != c.selector || k.Circuit != c.circuit {
			t.Errorf("%s first, collector %s: %+v", c.first, c.collector, k)
		}
	}
	// A button at number 0 and at another.
	for _, first := range []string{"press", "aux"} {
		s := of(first, `channels = ["c0"], circuit = "one"`, `travel = "1 s", actuator = "g0", button = "press", hold = "3 min"`, `actuator = "k0"`)
		for i, u := range s.Contacts() {
			var want config.ContactUse
			if s.Rig.Contacts[i].Name == "press" {
				want = config.ContactUse{Kind: control.Ask, ID: 0, Hold: 3 * time.Minute}
			}
			if u != want {
				t.Errorf("%s first: contact %s: %+v", first, s.Rig.Contacts[i].Name, u)
			}
		}
		// A run-on that nobody knows is the clear-out at least.
		if got := s.Control().RunOn(control.NoID, 0); got != 3*second {
			t.Errorf("run-on of no machine: %v", got)
		}
	}
}

// The detectors of the full shop, whole.
func TestWholeSensor(t *testing.T) {
	s := full(t)
	const lsb = 3.3 / 4096
	idle := func(c int, used bool, scale float64) sensor.ChannelParams {
		return sensor.ChannelParams{Used: used, Channel: c, Scale: scale, Max: 4095, Start: 0.6, Stop: 0.4, StopHold: second}
	}
	saw := idle(0, true, lsb*100/(0.05*22)/2)
	saw.Start, saw.Stop, saw.StopHold = 2, 1.2, 700*time.Millisecond
	leg := saw
	leg.Channel, leg.Scale = 1, lsb*30
	want := []sensor.Params{
		{Source: 0, Mains: 50, HoldMains: true, Channels: []sensor.ChannelParams{saw, leg, idle(2, false, lsb*20), idle(3, false, lsb*30), idle(4, true, lsb*30)}},
		{Source: 1, Mains: 50, HoldMains: true, Channels: []sensor.ChannelParams{{Used: true, Channel: 5, Scale: 4.096 / 32768 * 50, Max: 32767, Start: 1.5, Stop: 0.9}}},
	}
	near := cmpopts.EquateApprox(1e-9, 0)
	if d := cmp.Diff(want, s.Sensor(), near); d != "" {
		t.Error(d)
	}
	for i := range want {
		for k := range want[i].Channels {
			want[i].Channels[k].Scale, want[i].Channels[k].Max = 1, 0
		}
	}
	if d := cmp.Diff(want, s.SensorAmps()); d != "" {
		t.Error(d)
	}
	// Without a shop a channel stands for nothing.
	for a := range s.Rig.ADCs {
		got := s.Rig.Detector(a)
		if got.Source != a || got.Mains != 0 || len(got.Channels) != len(want[a].Channels) {
			t.Errorf("%+v", got)
		}
		for k, c := range got.Channels {
			if c.Used || c.Start != 0 || c.Channel != want[a].Channels[k].Channel || c.Max == 0 || c.Scale == 1 {
				t.Errorf("%+v", c)
			}
		}
	}
}

// Names lie in the lists and nowhere else.
func TestNamesOfAll(t *testing.T) {
	s := full(t)
	for of, names := range map[control.Subject][]string{
		control.AMachine: {"saw", "lathe", "sander"}, control.AGate: {"saw", "hand gate", "main"}, control.AnOutlet: {"cleaner"},
		control.ACircuit: {"one", "two"}, control.AStop: {"door", "smoke"},
	} {
		for i := range len(names) + 2 {
			want := ""
			if i < len(names) {
				want = names[i]
			}
			if got := s.NameOf(of, control.ID(i)); got != want {
				t.Errorf("%s: %q, want %q", fmt.Sprint(of, " ", i), got, want)
			}
		}
	}
}
