package rig

import (
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
)

// TestRestless: whatever keeps a shop from rest is said, and nothing is at rest.
func TestRestless(t *testing.T) {
	names := &timeline.Names{Machines: []string{"saw"}, Gates: []string{"far end"}, Outlets: []string{"air cleaner"}, Collectors: []string{"collector"}}
	const at = time.Minute
	for want, change := range map[string]func(*control.Snapshot){
		"":                               func(*control.Snapshot) {},
		"saw runs":                       func(s *control.Snapshot) { s.Machines[0].Run = true },
		"saw runs:":                      func(s *control.Snapshot) { s.Machines[0].Sensed = control.Running },
		"saw has its run-on for 12 s":    func(s *control.Snapshot) { s.Machines[0].RunOn = at + 12*time.Second },
		"far end moves":                  func(s *control.Snapshot) { s.Gates[0].Position = control.PositionOpening },
		"far end is held open for 3 min": func(s *control.Snapshot) { s.Gates[0].Held = at + 3*time.Minute },
		"far end is being tested":        func(s *control.Snapshot) { s.Gates[0].Why.Cause = control.ByTest },
		"the collector runs":             func(s *control.Snapshot) { s.Collector.Commanded = true },
		"use its disconnect":             func(s *control.Snapshot) { s.Collector.Fault = control.CollectorStillOn },
		"turn it to auto":                func(s *control.Snapshot) { s.Collector.Switch = control.Hand },
		"is left alone for 20 s": func(s *control.Snapshot) {
			s.Collector.Why = control.Why{Cause: control.ByCoast, Until: at + 20*time.Second}
		},
		"air cleaner runs on for 20 min": func(s *control.Snapshot) {
			s.Outlets[0] = control.OutletView{Commanded: true, RunOn: at + 20*time.Minute}
		},
	} {
		s := &control.Snapshot{At: at, Machines: make([]control.MachineView, 1), Gates: make([]control.GateView, 1), Outlets: make([]control.OutletView, 1)}
		change(s)
		if got := names.Restless(s); !strings.Contains(got, want) || (got == "") != Rested(s) {
			t.Errorf("%q: %q, at rest %v", want, got, Rested(s))
		}
	}
	// A mended file may be taken up while the shop is latched; it stays latched.
	latched := &control.Snapshot{Kept: control.Kept{Stopped: true}}
	if got := names.Restless(latched); got != "" || !Rested(latched) {
		t.Errorf("latched: %q", got)
	}
}

// A collector that went on though it was commanded off, and whose sensor was
// lost since, does not rest: a state machine begun again would not know of it, and
// might shut the path that is kept open for it.
func TestStillOnDoesNotRest(t *testing.T) {
	const s = time.Second
	p := control.Defaults()
	p.PowerUp = 0
	p.Gates = []control.Gate{{Name: "saw", Travel: s, Actuated: true}}
	p.Machines = []control.Machine{{Name: "saw", Hoods: []control.Hood{{Gates: []control.ID{0}}}, Circuit: control.NoID}}
	p.RunOn = func(control.ID, uint64) time.Duration { return s }
	p.Collector.Confirm, p.Collector.MinOn, p.Collector.Feedback = 0, 0, control.ByCurrent
	c, err := control.New(p)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Duration(0)
	var step func(in control.Input)
	step = func(in control.Input) { // every driver answers at once
		var out control.Out
		c.Step(now, in, &out)
		for _, cmd := range out.Commands {
			step(control.Input{Kind: control.OutputIs, What: cmd.Kind, ID: cmd.ID, Seq: cmd.Seq, State: uint8(control.Done)})
		}
	}
	collector := func(v control.Verdict) { step(control.Input{Kind: control.CollectorIs, State: uint8(v)}) }
	wait := func(long time.Duration) {
		for end := now + long; now < end; now += s / 10 {
			step(control.Input{Kind: control.Tick})
		}
	}
	saw := func(v control.Verdict) { step(control.Input{Kind: control.MachineIs, State: uint8(v)}) }
	saw(control.Idle)
	collector(control.Idle)
	wait(time.Minute)
	if !Rested(c.Snapshot()) {
		t.Fatalf("it does not rest: %+v", c.Snapshot())
	}
	saw(control.Running)
	wait(2 * s)
	collector(control.Running)
	wait(5 * s)
	saw(control.Idle)
	wait(5 * time.Minute)
	collector(control.Unknown)
	wait(5 * time.Minute)
	k := c.Snapshot().Collector
	if k.Commanded || k.Fault != control.CollectorStillOn || k.Sensed != control.Unknown || c.Snapshot().Latched() {
		t.Fatalf("%+v", k)
	}
	if Rested(c.Snapshot()) {
		t.Error("it rests")
	}
}
