package movein

import (
	"testing"

	"kerfwind/config"
)

// Whoever moves in from a phone is never told to write into a file that he has not seen,
// where a step of the move-in asks about the thing.
func TestWayOut(t *testing.T) {
	s := &Session{rig: &config.Rig{Actuators: []config.Actuator{{Name: "k7", Kind: config.Relay}}}, kept: kept{Answers: map[string]string{}}}
	for _, tt := range []struct{ message, remedy, want string }{
		{"the planer draws more than its breaker carries", "move it to another circuit", "To do: move it to another circuit."},
		{"output k7 moves no gate", `add actuator = "k7" to a gate`, `Answer again: "Relay k7".`},
		{"the hood wants more air than the fan moves", "set [collector] fan = 3", "To do, in the shop's file: set [collector] fan = 3."},
	} {
		if got := s.wayOut(config.Problem{Message: tt.message, Remedy: tt.remedy}); got != tt.want {
			t.Errorf("%s: %q, want %q", tt.message, got, tt.want)
		}
	}
}
