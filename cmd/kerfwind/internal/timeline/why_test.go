package timeline

import (
	"testing"

	"kerfwind/control"
)

func TestReason(t *testing.T) {
	n := &Names{Machines: []string{"planer"}}
	tests := []struct {
		why  control.Why
		want string
	}{
		{control.Why{}, ""},
		{control.Why{Cause: control.ByMachine, Machine: 0}, "planer runs"},
		{control.Why{Cause: control.ByMachine, Machine: 3}, "machine 3 runs"},
		{control.Why{Cause: control.ByMachine, Machine: control.NoID}, "a machine runs"},
		{control.Why{Cause: control.ByRunOn, Machine: 0}, "duct clearing"},
		{control.Why{Cause: control.ByMinOn, Machine: control.NoID}, "minimum time on"},
	}
	for _, tt := range tests {
		if got := n.Reason(tt.why); got != tt.want {
			t.Errorf("Reason(%+v) = %q, want %q", tt.why, got, tt.want)
		}
	}
	// Every cause has words of its own or the event's, none its bare name.
	for c := control.BySensor + 1; c.String() != "invalid"; c++ {
		if got := n.Reason(control.Why{Cause: c, Machine: control.NoID}); got == "" || len([]rune(got)) > 45 {
			t.Errorf("cause %v: %q", c, got)
		}
	}
}
