package upkeep

import "testing"

// TestAmount: little is not shown as nothing.
func TestAmount(t *testing.T) {
	for _, tt := range []struct {
		x    float64
		u    Unit
		want string
	}{{0, Hours, "0.0 h"}, {0.2, Hours, "12 min"}, {0.95, Hours, "57 min"}, {1, Hours, "1.0 h"}, {1, Moves, "1 move"}, {2, Moves, "2 moves"}} {
		if got := tt.u.Amount(tt.x); got != tt.want {
			t.Errorf("%v: %q, want %q", tt.x, got, tt.want)
		}
	}
}
