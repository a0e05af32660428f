package movein

import (
	"slices"
	"testing"

	"kerfwind/config"
)

// Every kind of output comes up in a move-in: it is asked what hangs on it, it
// is tried as a gate, or it is taken over from the old shop.
func TestOutputKinds(t *testing.T) {
	for _, k := range config.ActuatorKinds() {
		s := &Session{rig: &config.Rig{Actuators: []config.Actuator{{Name: "x", Kind: k}}}, kept: kept{Answers: map[string]string{}}}
		name := "x"
		s.old = &config.Draft{Gate: []config.DraftGate{{Name: "g", Actuator: &name}}}
		asked, moved := slices.Contains(s.relays(), "x"), slices.Contains(s.outputs(), "x")
		if !asked && !moved {
			t.Errorf("kind %s: no move-in asks for it or moves it", k)
		}
		s.kept.Answers["relay/x"] = "gate"
		if moves := slices.Contains(s.outputs(), "x"); moves != k.Serves(config.ForGate) {
			t.Errorf("kind %s: moved as a gate: %v", k, moves)
		}
	}
}
