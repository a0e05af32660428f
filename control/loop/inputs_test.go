package loop

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"kerfwind/control"
	"kerfwind/sensor"
)

// TestInputs: what the readings of one instant tell the core, in order. Channels 0 and 1
// sense machine 0, channel 2 machine 1, channel 3 the collector. Channels 2 and 3 load
// circuit 1, which carries 20 A; no channel loads circuit 0.
func TestInputs(t *testing.T) {
	p := shop(2)
	p.Circuits = []control.Circuit{{Name: "door", Rating: 16}, {Name: "wall", Rating: 20}}
	var seen []int
	l, _ := start(t, p, Params{Channels: []Channel{
		{Machine: 0, Collector: control.NoID},
		{Machine: 0, Collector: control.NoID},
		{Machine: 1, Collector: control.NoID, Circuits: []control.ID{1}},
		{Machine: control.NoID, Collector: 0, Circuits: []control.ID{1}},
	}, Reading: func(r sensor.Reading) { seen = append(seen, r.Channel) }})
	const idle, runs, lost = sensor.Idle, sensor.Running, sensor.Unknown
	r := func(channel int, v sensor.Verdict, amps float32, onset time.Duration) sensor.Reading {
		return sensor.Reading{Channel: channel, Verdict: v, Amps: amps, Onset: onset * ms, Health: sensor.Healthy}
	}
	gone := func(r sensor.Reading) sensor.Reading { r.Gone = true; return r }
	type rs = []sensor.Reading
	type ins = []control.Input
	for i, c := range []struct {
		rs   rs
		want ins
	}{
		{rs{r(0, idle, 0, 1)}, nil},
		{rs{r(1, idle, 0, 2)}, ins{control.InMachine(0, control.Idle, 2*ms)}}, // the last that stopped
		{rs{r(1, idle, 0, 3)}, nil},
		{rs{r(2, idle, 1, 4)}, ins{control.InMachine(1, control.Idle, 4*ms)}},
		{rs{r(3, idle, 0, 5)}, ins{control.InCircuit(1, control.Fits), control.InCollector(control.Idle)}},
		// One instant, however its readings come: by kind, then by ID.
		{rs{r(3, runs, 9, 12), r(2, runs, 10, 11), r(1, runs, 1, 10), r(0, runs, 1, 9)}, ins{
			control.InMachine(0, control.Running, 9*ms), control.InMachine(1, control.Running, 11*ms), // the first that started
			control.InCircuit(1, control.Near), control.InCollector(control.Running)}},
		{rs{gone(r(0, runs, 0, 9))}, nil}, // the other leg still draws
		{rs{gone(r(1, runs, 0, 10))}, ins{control.InCurrent(0, control.Gone)}},
		{rs{gone(r(1, runs, 0, 10))}, nil},
		{rs{r(1, runs, 1, 10)}, ins{control.InCurrent(0, control.Flows)}},
		{rs{r(0, lost, 0, 20)}, nil},
		{rs{r(1, idle, 0, 21)}, ins{control.InMachine(0, control.Unknown, 20*ms)}},
		{rs{r(1, lost, 0, 22)}, nil},
		{rs{r(1, runs, 2, 23)}, ins{control.InMachine(0, control.Running, 23*ms)}},
		{rs{gone(r(1, runs, 0, 23))}, ins{control.InCurrent(0, control.Gone)}},
		{rs{r(0, idle, 0, 24), r(1, idle, 0, 24)}, ins{control.InMachine(0, control.Idle, 24*ms)}},
		{rs{r(0, runs, 3, 25)}, ins{control.InMachine(0, control.Running, 25*ms)}}, // with its current
		{rs{r(1, runs, 3, 26)}, nil},
		// Nothing but the current changes.
		{rs{r(2, runs, 12, 11)}, ins{control.InCircuit(1, control.Over)}},
		{rs{r(2, runs, 10.5, 11)}, nil}, // within the margin
		{rs{r(2, runs, 9, 11)}, ins{control.InCircuit(1, control.Near)}},
		{rs{r(2, lost, 0, 30)}, ins{control.InMachine(1, control.Unknown, 30*ms), control.InCircuit(1, control.LoadUnknown)}},
		{rs{r(3, runs, 17, 12)}, ins{control.InCircuit(1, control.Near)}}, // already too much
		{rs{r(3, lost, 0, 31)}, ins{control.InCircuit(1, control.LoadUnknown), control.InCollector(control.Unknown)}},
		// Channels that do not exist say nothing, and stop nothing behind them.
		{rs{r(-1, runs, 5, 1), r(4, runs, 5, 1), r(2, idle, 1, 32)}, ins{control.InMachine(1, control.Idle, 32*ms)}},
		{rs{r(3, idle, 1, 33)}, ins{control.InCircuit(1, control.Fits), control.InCollector(control.Idle)}},
	} {
		at := time.Duration(100+i) * ms
		for k := range c.rs {
			c.rs[k].At = at
		}
		seen = nil
		l.take(c.rs)
		var got ins
		got = append(got, l.inputs...)
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("instant %d (-want +got)\n%s", i, d)
		}
		var valid []int
		for _, r := range c.rs {
			if r.Channel >= 0 && r.Channel < 4 {
				valid = append(valid, r.Channel)
			}
		}
		if d := cmp.Diff(valid, seen); d != "" {
			t.Errorf("instant %d: readings shown (-want +got)\n%s", i, d)
		}
		if l.Now() != at {
			t.Errorf("instant %d: now is %v, want %v", i, l.Now(), at)
		}
	}
}

// TestNobodyThere: frames of sources and readings of channels just beyond the ends do no
// harm, and neither does a reading without anybody who watches.
func TestNobodyThere(t *testing.T) {
	det, err := sensor.New(sensor.Params{Mains: 50, Channels: []sensor.ChannelParams{
		{Used: true, Channel: 0, Scale: 1, Start: 0.6, Stop: 0.4, StopHold: time.Second},
	}})
	if err != nil {
		t.Fatal(err)
	}
	l, out := start(t, shop(1), Params{Detectors: []*sensor.Detector{det}})
	l.Read(reading(0, ms, sensor.Idle, 0))
	out.take()
	for _, source := range []int{-1, 1} {
		l.Feed(&sensor.Frame{Source: source, Channels: 1, Rate: 1000, Raw: make([]float32, 200)})
	}
	for _, channel := range []int{-1, 1} {
		l.Read(reading(channel, ms, sensor.Running, 9))
	}
	if got := out.take(); got != nil {
		t.Errorf("something happened: %q", got)
	}
	core, err := control.New(shop(1))
	if err != nil {
		t.Fatal(err)
	}
	_, err = New(core, Params{Machines: 1, Circuits: make([]control.Circuit, 1), Channels: []Channel{
		{Machine: control.NoID, Collector: control.NoID, Circuits: []control.ID{1}},
	}}, out)
	if err == nil || !strings.Contains(err.Error(), "channel 0 loads circuit 1 of 1") {
		t.Errorf("got %v", err)
	}
}

// TestPost: an input from outside is stepped at its instant, behind what was due before.
func TestPost(t *testing.T) {
	l, out := start(t, shop(1), Params{})
	l.Read(reading(0, ms, sensor.Idle, 0))
	out.take()
	l.Post(10*ms, control.InMachine(0, control.Running, 10*ms))
	if d := cmp.Diff([]string{"do gate-open 0", "10ms machine-started 0", "10ms gate-opening 0"}, out.take()); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
	l.Post(3*time.Second, control.InMachine(0, control.Idle, 3*time.Second))
	got := strings.Join(out.take(), "\n")
	on, off := strings.Index(got, "collector-on 0"), strings.Index(got, "3s machine-stopped 0")
	if on < 0 || off < on {
		t.Errorf("want the collector on and then the stop, got\n%s", got)
	}
}

// quiet carries out commands and never answers: no plant that is simulated.
type quiet struct{ applied, halted int }

func (q *quiet) Apply(control.Command) { q.applied++ }
func (q *quiet) Halt() error           { q.halted++; return nil }

// TestRealOutputs: with outputs that have no time of their own, and nobody who watches,
// deadlines pass all the same.
func TestRealOutputs(t *testing.T) {
	p := shop(1)
	core, err := control.New(p)
	if err != nil {
		t.Fatal(err)
	}
	act := &quiet{}
	told := 0
	watch := observer(func(e []control.Event) {
		told++
		if len(e) == 0 {
			t.Error("told of nothing")
		}
	})
	l, err := New(core, Params{Machines: 1, Channels: []Channel{{Machine: 0, Collector: control.NoID}}}, act, watch)
	if err != nil {
		t.Fatal(err)
	}
	l.Read(reading(0, ms, sensor.Running, 9))
	if act.applied == 0 || told == 0 {
		t.Fatalf("%d commands, told %d times: want the gate to open", act.applied, told)
	}
	before := told
	l.Advance(time.Minute)
	if at, ok := l.Next(); ok && at <= time.Minute {
		t.Errorf("at %v something is due at %v", l.Now(), at)
	}
	if told == before {
		t.Error("no deadline passed in a minute: the gate never answered")
	}
}
