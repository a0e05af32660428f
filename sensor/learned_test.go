package sensor_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"kerfwind/sensor"
)

func known() sensor.Learned {
	return sensor.Learned{
		Channels: []sensor.LearnedChannel{{Channel: "c0", Calibration: "30 A : 1 V", Idle: sensor.Level{Mean: 0.04, Spread: 0.004}, Top: 0.07}},
		Machines: []sensor.LearnedMachine{{Machine: "planer", Sensors: []string{"c0: 30 A : 1 V"}, Volts: 240, Hertz: 60, Start: 2.4, Stop: 1.6, Margin: sensor.Wide}},
	}
}

func TestLearnedFinds(t *testing.T) {
	l := known()
	if err := l.Validate(); err != nil {
		t.Fatal(err)
	}
	if l.Channel("c0", "30 A : 1 V") == nil || l.Channel("c0", "20 A : 1 V") != nil || l.Channel("c1", "30 A : 1 V") != nil {
		t.Error("idle figures hold for a channel and its calibration")
	}
	sensors := []string{"c0: 30 A : 1 V"}
	for _, c := range []struct {
		machine     string
		sensors     []string
		volts, hz   float64
		here, other bool
	}{
		{"planer", sensors, 240, 60, true, false},
		{"planer", sensors, 230, 60, true, false}, // within a tenth
		{"planer", sensors, 240, 60.4, true, false},
		{"planer", sensors, 0, 0, true, false}, // not known
		{"planer", sensors, 240, 50, false, true},
		{"planer", sensors, 120, 60, false, true},
		{"planer", []string{"c1: 30 A : 1 V"}, 240, 60, false, true},
		{"band saw", sensors, 240, 60, false, false},
	} {
		here, other := l.Machine(c.machine, c.sensors, c.volts, c.hz)
		if (here != nil) != c.here || (other != nil) != c.other {
			t.Errorf("%+v: %v, %v", c, here, other)
		}
	}
	m := &l.Machines[0]
	if d := m.Doubt(sensors, 230, 50); d != "learned at 240 V and 60 Hz, the supply here is 230 V and 50 Hz" {
		t.Error(d)
	}
	if d := m.Doubt([]string{"c0: x"}, 240, 60); !strings.Contains(d, "learned on c0 with another calibration") {
		t.Error(d)
	}
	if d := m.Doubt(sensors, 240, 60); d != "" {
		t.Error(d)
	}
	if start, stop := m.Scaled(120); start != 4.8 || stop != 3.2 {
		t.Errorf("half the voltage, twice the current: %g, %g", start, stop)
	}
}

func TestLearnedAdd(t *testing.T) {
	l := known()
	c, m := l.Channels[0], l.Machines[0]
	c.Top, m.Start = 0.08, 2.5
	l.Add([]sensor.LearnedChannel{c}, []sensor.LearnedMachine{m})
	if len(l.Channels) != 1 || len(l.Machines) != 1 || l.Channels[0].Top != 0.08 || l.Machines[0].Start != 2.5 {
		t.Errorf("the same again is replaced: %+v", l)
	}
	c.Calibration, m.Hertz = "20 A : 1 V", 50
	l.Add([]sensor.LearnedChannel{c}, []sensor.LearnedMachine{m})
	if len(l.Channels) != 2 || len(l.Machines) != 2 {
		t.Errorf("another calibration or supply stands beside: %+v", l)
	}
	for i := range 600 {
		m.Machine = strings.Repeat("x", i+1)
		l.Add(nil, []sensor.LearnedMachine{m})
	}
	if err := l.Validate(); err != nil {
		t.Error(err)
	}
}

func TestLearnedValidate(t *testing.T) {
	for what, spoil := range map[string]func(*sensor.Learned){
		"no channel":      func(l *sensor.Learned) { l.Channels[0].Channel = "" },
		"no calibration":  func(l *sensor.Learned) { l.Channels[0].Calibration = "" },
		"negative":        func(l *sensor.Learned) { l.Channels[0].Top = -1 },
		"not a number":    func(l *sensor.Learned) { l.Channels[0].Idle.Mean = math.NaN() },
		"no machine":      func(l *sensor.Learned) { l.Machines[0].Machine = "" },
		"no sensors":      func(l *sensor.Learned) { l.Machines[0].Sensors = nil },
		"huge":            func(l *sensor.Learned) { l.Machines[0].Start = 1e9 },
		"no margin":       func(l *sensor.Learned) { l.Machines[0].Margin = 0 },
		"stop over start": func(l *sensor.Learned) { l.Machines[0].Stop = 3 },
		"no stop":         func(l *sensor.Learned) { l.Machines[0].Stop = 0 },
		"long coast":      func(l *sensor.Learned) { l.Machines[0].Coast = 2 * time.Hour },
		"negative settle": func(l *sensor.Learned) { l.Machines[0].Settle = -1 },
	} {
		l := known()
		spoil(&l)
		if l.Validate() == nil {
			t.Errorf("%s: found nothing wrong", what)
		}
	}
}
