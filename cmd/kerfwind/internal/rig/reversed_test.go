package rig

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"kerfwind/config"
	"kerfwind/control/drive"
)

// TestReversed: what opens other gates shuts a reversed one.
func TestReversed(t *testing.T) {
	a := config.Actuator{Kind: config.Servo, PulseOpen: 2 * time.Millisecond, PulseShut: time.Millisecond}
	for _, reversed := range []bool{false, true} {
		g, err := gate(&a, time.Second, reversed)
		if err != nil {
			t.Fatal(err)
		}
		if got := g.Servo.Open == time.Millisecond && g.Servo.Shut == 2*time.Millisecond; got != reversed {
			t.Errorf("%v: %+v", reversed, g.Servo)
		}
	}
	a = config.Actuator{Kind: config.Motor, OpenLine: 5, ShutLine: 6, ActiveLow: true}
	if g, err := gate(&a, time.Second, true); err != nil || g.Motor.Open.Offset != 6 || g.Motor.Shut.Offset != 5 || !g.Motor.ActiveLow {
		t.Errorf("%+v", g.Motor)
	}
	a = config.Actuator{Kind: config.Relay, Line: 5}
	if g, err := gate(&a, time.Second, true); err != nil || !g.Shuts || g.Relay.ActiveLow || a.Shuts {
		t.Errorf("%+v", g.Relay)
	}
}

// TestHaltAsRun: what a run takes for a gate that is not moved is what halt takes:
// the same lines with the same level, whichever way the gate is mounted.
func TestHaltAsRun(t *testing.T) {
	lines := func(g *drive.Gate, o *drive.Outlet) (out []string) {
		add := func(l drive.Line, low bool) { out = append(out, fmt.Sprint(l, " active low ", low)) }
		for _, r := range []*drive.Relay{g.Relay, o.Relay} {
			if r != nil {
				add(r.Line, r.ActiveLow)
			}
		}
		if m := g.Motor; m != nil {
			add(m.Open, m.ActiveLow)
			add(m.Shut, m.ActiveLow)
		}
		if s := g.Servo; s != nil {
			out = append(out, fmt.Sprint(s.Bus, s.Address, s.Output))
		}
		slices.Sort(out)
		return out
	}
	for _, kind := range config.ActuatorKinds() {
		for n := range 4 {
			reversed, low := n&1 != 0, n&2 != 0
			a := config.Actuator{Name: "a", Kind: kind, Chip: "soc", Line: 4, OpenLine: 5, ShutLine: 6, ActiveLow: low, Bus: "/dev/i2c-1", Address: 0x40, Output: 3}
			g, err := gate(&a, time.Second, reversed)
			if err != nil {
				t.Fatal(err)
			}
			all, err := Everything(&config.Rig{Actuators: []config.Actuator{a}})
			if err != nil {
				t.Fatal(err)
			}
			var halted []string
			for i := range all.Gates {
				halted = append(halted, lines(&all.Gates[i], &drive.Outlet{})...)
			}
			for i := range all.Outlets {
				halted = append(halted, lines(&drive.Gate{}, &all.Outlets[i])...)
			}
			if ran := lines(&g, &drive.Outlet{}); !slices.Equal(ran, halted) || (ran == nil) == kind.Wired() {
				t.Errorf("%s, reversed %v, active low %v: a run takes %q, halt %q", kind, reversed, low, ran, halted)
			}
		}
	}
}
