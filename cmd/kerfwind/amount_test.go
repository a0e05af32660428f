package main

import (
	"testing"

	"kerfwind/cmd/kerfwind/internal/upkeep"
)

// TestAmount: little is not shown as nothing.
func TestAmount(t *testing.T) {
	for _, tt := range []struct {
		x    float64
		u    upkeep.Unit
		want string
	}{{0, upkeep.Hours, "0.0 h"}, {0.2, upkeep.Hours, "12 min"}, {0.95, upkeep.Hours, "57 min"}, {1, upkeep.Hours, "1.0 h"}, {1, upkeep.Moves, "1 move"}, {2, upkeep.Moves, "2 moves"}} {
		if got := amount(tt.x, tt.u); got != tt.want {
			t.Errorf("%v: %q, want %q", tt.x, got, tt.want)
		}
	}
}
