package rig

import (
	"testing"
	"time"

	"kerfwind/config"
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
	if g, err := gate(&a, time.Second, true); err != nil || !g.Relay.ActiveLow || a.ActiveLow {
		t.Errorf("%+v", g.Relay)
	}
}
