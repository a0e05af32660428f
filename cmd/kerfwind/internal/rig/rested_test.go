package rig

import (
	"testing"
	"time"

	"kerfwind/control"
)

// A collector that went on though it was commanded off, and whose sensor was
// lost since, does not rest: a state machine begun anew would not know of it, and
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
