package main

import (
	"strings"
	"testing"
	"time"
)

// TestGoals: what misses a goal is told of, of ours only.
func TestGoals(t *testing.T) {
	cycle := time.Second / mains
	good := func() *tally {
		return &tally{starts: 1, delays: []time.Duration{cycle}, stops: []time.Duration{stopHold + goalStop}}
	}
	for name, c := range map[string]struct {
		kind   string
		busy   bool
		change func(*tally)
		want   string
	}{
		"good":      {"heater", false, func(*tally) {}, ""},
		"none":      {"heater", false, func(t *tally) { t.starts = 0 }, "0 starts"},
		"missed":    {"heater", false, func(t *tally) { t.missed = 1 }, "1 missed"},
		"false":     {"heater", true, func(t *tally) { t.wrong = 2 }, "2 false"},
		"double":    {"heater", true, func(t *tally) { t.double = 3 }, "3 double"},
		"median":    {"heater", false, func(t *tally) { t.delays[0] = 2 * cycle }, "median delay 2.00"},
		"slow":      {"universal, soft start", false, func(t *tally) { t.delays = []time.Duration{0, 0, 5 * cycle} }, "99 % of the delays 5.00"},
		"late stop": {"heater", false, func(t *tally) { t.stops[0]++ }, "a stop"},
		"one late":  {"heater", true, func(t *tally) { t.stops = append(make([]time.Duration, 200), stopHold+goalStop+1) }, "a stop"},
	} {
		var g goals
		x := good()
		c.change(x)
		g.starts(c.kind, 12, c.busy, "ours, learned", x)
		if err := g.verdict(); (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
	var g goals
	g.starts("heater", 12, false, "hysteresis", &tally{starts: 1, wrong: 9})
	g.idle(spikes{"short", 0.006, 0}, "ours", 1)
	g.idle(spikes{"short", 0.006, 100 * time.Millisecond}, "hysteresis", 1)
	if err := g.verdict(); err != nil {
		t.Error(err)
	}
	g.idle(spikes{"short", 0.006, 100 * time.Millisecond}, "ours", 1)
	if err := g.verdict(); err == nil {
		t.Error("a false start in idle hours is no miss")
	}
}
