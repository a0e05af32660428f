package config_test

import (
	"strings"
	"testing"

	"kerfwind/config"
	"kerfwind/sensor"
)

const learnRig = `format = 1
adc = [{ name = "a", chip = "mcp3208", port = "/dev/spidev0.0", rate = "1 kHz" }]
channel = [
  { name = "c0", adc = "a", input = 0, ratio = "30 A : 1 V" },
  { name = "c1", adc = "a", input = 1, ratio = "100 A : 50 mA", burden = "22 ohm", turns = 2 },
  { name = "c2", adc = "a", input = 2, ratio = "30 A : 1 V" },
]
actuator = [{ name = "k0", kind = "relay", chip = "soc", line = 17 }, { name = "g0", kind = "servo", bus = "/dev/i2c-1", output = 0 }]
`

func learnShop(machine, collector string) string {
	return `format = 1
units = "metric"
mains = { frequency = "60 Hz", voltage = "240 V" }
circuit = [{ name = "bench", breaker = "20 A", voltage = "120 V" }]
gate = [{ name = "g", actuator = "g0", travel = "1 s" }]
machine = [
  { name = "planer", channels = ["c0"], gates = ["g"], coast = "5 s"` + machine + ` },
  { name = "sander", channels = ["c1"], gates = ["g"], coast = "5 s" },
]
collector = { actuator = "k0", channel = "c2"` + collector + ` }
`
}

const (
	calibration0 = "mcp3208 of 3.3 V, 30 A : 1 V, 1 turn"
	calibration1 = "mcp3208 of 3.3 V, 100 A : 50 mA across 22 ohm, 2 turns"
)

func planer(change func(*sensor.LearnedMachine)) *sensor.Learned {
	m := sensor.LearnedMachine{Machine: "planer", Sensors: []string{"c0: " + calibration0}, Volts: 240, Hertz: 60,
		Start: 2.4, Stop: 1.6, Least: 4.8, Margin: sensor.Wide, Learned: "2026-11-24"}
	if change != nil {
		change(&m)
	}
	return &sensor.Learned{Machines: []sensor.LearnedMachine{m}}
}

func TestCalibration(t *testing.T) {
	r := mustRig(t, "rig.toml", learnRig)
	for ch, want := range []string{calibration0, calibration1, calibration0} {
		if got := r.Calibration(ch); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	amps, _ := config.StandInAmps(1, config.StandInOptions{})
	if got := amps.Calibration(0); got != "amperes" {
		t.Error(got)
	}
	for what, change := range map[string]string{
		"turns = 2": "turns = 3", `burden = "22 ohm"`: `burden = "33 ohm"`, `"100 A : 50 mA"`: `"200 A : 50 mA"`,
		`chip = "mcp3208"`: `chip = "mcp3008"`, `rate = "1 kHz"`: `rate = "1 kHz", vref = "3 V"`,
	} {
		if got := mustRig(t, "rig.toml", strings.Replace(learnRig, what, change, 1)).Calibration(1); got == calibration1 {
			t.Errorf("%s changes the amperes and not the calibration", change)
		}
	}
}

// TestLearnedInForce: the file's levels first, then learned ones, then the
// defaults; what is doubtful is told and not used.
func TestLearnedInForce(t *testing.T) {
	for _, c := range []struct {
		name, machine string
		l             *sensor.Learned
		start, stop   float64
		say           string // in check's text or warnings
	}{
		{"nothing", "", &sensor.Learned{}, 0.6, 0.4, "levels by default"},
		{"learned", "", planer(nil), 2.4, 1.6, "(stopped: below 1.6 A for 1 s; levels learned 2026-11-24, margin wide)"},
		{"file first", `, start = "3 A"`, planer(nil), 3, 2, "learned, but the file's stand: start 2.4 A, stop 1.6 A, margin wide"},
		{"stop of the file", `, stop = "500 mA"`, planer(nil), 2.4, 0.5, "levels learned"},
		{"stop of the file above", `, start = "4 A", stop = "3 A"`, planer(nil), 4, 3, "the file's stand"},
		{"other voltage", "", planer(func(m *sensor.LearnedMachine) { m.Volts = 120 }), 0.6, 0.4,
			"learned at 120 V and 60 Hz, the supply here is 240 V and 60 Hz; its levels there were start 2.4 A, stop 1.6 A, which at the same power would be 1.2 A and 0.8 A here"},
		{"other frequency", "", planer(func(m *sensor.LearnedMachine) { m.Hertz = 50 }), 0.6, 0.4, "learned at 240 V and 50 Hz"},
		{"other calibration", "", planer(func(m *sensor.LearnedMachine) { m.Sensors[0] += "s" }), 0.6, 0.4, "with another calibration"},
		{"no margin", "", planer(func(m *sensor.LearnedMachine) { m.Margin, m.Least = sensor.NoMargin, 0.1 }), 0.6, 0.4, "no level tells it running from idle"},
		{"beyond the range", "", planer(func(m *sensor.LearnedMachine) { m.Start, m.Stop = 50, 40 }), 0.6, 0.4, "the channel clips below"},
		{"another machine", "", planer(func(m *sensor.LearnedMachine) { m.Machine = "lathe" }), 0.6, 0.4, "levels by default"},
	} {
		s := mustShop(t, "shop.toml", learnShop(c.machine, ""), mustRig(t, "rig.toml", learnRig))
		s.Learn(c.l)
		m := &s.Machines[0]
		if m.Start != c.start || m.Stop != c.stop {
			t.Errorf("%s: start %g, stop %g, want %g and %g", c.name, m.Start, m.Stop, c.start, c.stop)
		}
		if p := s.Sensor()[0].Channels[0]; p.Start != c.start || p.Stop != c.stop {
			t.Errorf("%s: the detector gets %+v", c.name, p)
		}
		text := s.Describe()
		for _, w := range s.Warnings {
			text += w.String() + "\n"
		}
		if !strings.Contains(text, c.say) {
			t.Errorf("%s: no %q in\n%s", c.name, c.say, text)
		}
		if s.Machines[1].Start != 0.6 {
			t.Errorf("%s: another machine has its levels", c.name)
		}
	}
}

// TestLearnedDefaults: what was learned is no longer taken for granted.
func TestLearnedDefaults(t *testing.T) {
	s := mustShop(t, "shop.toml", learnShop("", ""), mustRig(t, "rig.toml", learnRig))
	const both, one = `machine.start = "0.6 A" (2 times)`, "machine.start = \"0.6 A\"\n"
	if !strings.Contains(s.Describe(), both) {
		t.Fatal(s.Describe())
	}
	l := planer(nil)
	s.Learn(l)
	if got := s.Describe(); strings.Contains(got, both) || !strings.Contains(got, one) {
		t.Error(got)
	}
}

func TestLearnedCollector(t *testing.T) {
	l := &sensor.Learned{Machines: []sensor.LearnedMachine{{Machine: "collector", Sensors: []string{"c2: " + calibration0}, Volts: 240, Hertz: 60, Start: 3, Stop: 2, Margin: sensor.Fair}}}
	s := mustShop(t, "shop.toml", learnShop("", ""), mustRig(t, "rig.toml", learnRig))
	s.Learn(l)
	if s.Collector.Start != 3 || s.Collector.Stop != 2 || !strings.Contains(s.Describe(), "levels learned, margin fair") {
		t.Errorf("%+v\n%s", s.Collector, s.Describe())
	}
	s = mustShop(t, "shop.toml", learnShop("", `, start = "4 A"`), mustRig(t, "rig.toml", learnRig))
	s.Learn(l)
	if s.Collector.Start != 4 || !strings.Contains(s.Describe(), "but the file's stand") {
		t.Errorf("%+v\n%s", s.Collector, s.Describe())
	}
}

// TestLearnedIdle: idle figures reach the detector, if the calibration is that
// of now and the level is above them.
func TestLearnedIdle(t *testing.T) {
	idle := sensor.Level{Mean: 0.05, Spread: 0.005}
	for _, c := range []struct {
		channel sensor.LearnedChannel
		want    sensor.Level
		say     string
	}{
		{sensor.LearnedChannel{Channel: "c0", Calibration: calibration0, Idle: idle}, idle, "c0: 50 mA, spread 5 mA"},
		{sensor.LearnedChannel{Channel: "c0", Calibration: calibration1, Idle: idle}, sensor.Level{}, ""},
		{sensor.LearnedChannel{Channel: "c0", Calibration: calibration0, Idle: sensor.Level{Mean: 0.7}}, sensor.Level{}, "was learned to show 0.7 A while idle, and its start level is 0.6 A"},
	} {
		s := mustShop(t, "shop.toml", learnShop("", ""), mustRig(t, "rig.toml", learnRig))
		s.Learn(&sensor.Learned{Channels: []sensor.LearnedChannel{c.channel}})
		if got := s.Sensor()[0].Channels[0].Idle; got != c.want {
			t.Errorf("%+v: idle %+v", c.channel, got)
		}
		text := s.Describe()
		for _, w := range s.Warnings {
			text += w.String() + "\n"
		}
		if !strings.Contains(text, c.say) {
			t.Errorf("%+v:\n%s", c.channel, text)
		}
		if _, err := sensor.New(s.Sensor()[0]); err != nil {
			t.Error(err)
		}
	}
}

// TestSupply: a machine has the voltage of its circuit.
func TestSupply(t *testing.T) {
	s := mustShop(t, "shop.toml", learnShop(`, circuit = "bench"`, ""), mustRig(t, "rig.toml", learnRig))
	if v, hz := s.Supply(s.Machines[0].Circuit); v != 120 || hz != 60 {
		t.Errorf("%g V, %g Hz", v, hz)
	}
	if v, hz := s.Supply(config.None); v != 240 || hz != 60 {
		t.Errorf("%g V, %g Hz", v, hz)
	}
}
