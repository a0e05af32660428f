package config_test

import (
	"strings"
	"testing"

	"kerfwind/config"
	"kerfwind/sensor"
)

// TestHears: what channels hear of each other reaches the detector and check, as long
// as both calibrations stay.
func TestHears(t *testing.T) {
	rig, err := config.LoadRig("../testdata/demo/rig.toml")
	if err != nil {
		t.Fatal(err)
	}
	pairs := rig.Pairs([]sensor.Share{{Channel: 1, Of: 0, Re: 0.03, Im: 0.04, Amps: 12}, {Channel: 0, Of: 1, Re: 0.002, Amps: 3}}, "2026-12-01")
	of := func(l sensor.Learned) (*config.Shop, []sensor.Share) {
		s := config.StandIn(rig, config.StandInOptions{})
		s.Learn(&l)
		return s, s.Sensor()[0].Shares
	}
	s, got := of(sensor.Learned{Pairs: pairs})
	if len(got) != 2 || got[0] != (sensor.Share{Channel: 1, Of: 0, Re: 0.03, Im: 0.04, Amps: 12}) {
		t.Errorf("%+v", got)
	}
	a, b := rig.Channels[1].Name, rig.Channels[0].Name
	want := a + " hears 5 % of " + b + ": move the clamp or the cable"
	if text := s.Describe(); !strings.Contains(text, want) || strings.Contains(text, b+" hears") {
		t.Errorf("no %q in\n%s", want, text)
	}
	pairs[0].Of += "x"
	if _, got := of(sensor.Learned{Pairs: pairs}); len(got) != 1 || got[0].Channel != 0 {
		t.Errorf("with another calibration: %+v", got)
	}
}
