package main

import (
	"strings"
	"testing"
)

// TestRun makes a small run of everything and holds the detector to it: no
// start missed, none false or double.
func TestRun(t *testing.T) {
	if testing.Short() {
		t.Skip("makes an hour of recordings")
	}
	var b strings.Builder
	if err := run(&b, []string{"-starts", "4", "-idle", "0.3", "-steps", "4", "-weak", "0", "-codes", "0", "-broken", "0", "-healthy", "0", "-beside", "0"}); err != nil {
		t.Fatal(err)
	}
	out := b.String()
	rows, falls := 0, 0
	for line := range strings.Lines(out) {
		if _, after, ok := strings.Cut(line, " ours "); ok && strings.Contains(line, kinds[0].name[:4]) || ok && strings.Contains(line, "alone") {
			rows++
			f := strings.Fields(after)
			if f[0] != "4" || f[1] != "0" || f[2] != "0" || f[3] != "0" {
				t.Errorf("starts, missed, false, double: %s", line)
			}
		}
		if _, after, ok := strings.Cut(line, "hysteresis "); ok && strings.Contains(line, "ms") && strings.Fields(after)[0] != "0" {
			falls++
		}
	}
	if rows < 2*len(kinds) {
		t.Errorf("%d rows of ours:\n%s", rows, out)
	}
	if falls == 0 {
		t.Errorf("the spikes fool not even the plain way:\n%s", out)
	}
	if !strings.Contains(out, "   5.0      4        0") {
		t.Errorf("a step of five deviations is not found:\n%s", out)
	}
	b.Reset()
	if err := run(&b, []string{"-frames", "200"}); err != nil || !strings.HasPrefix(b.String(), "16000 samples, ") || strings.Contains(b.String(), ", 0 readings") {
		t.Errorf("%q, %v", b.String(), err)
	}
	if err := run(&b, []string{"-no-such"}); err == nil {
		t.Error("takes any option")
	}
}

// TestHealth: a neighbour's start is none; stuck codes are found at every rate and mains, no lost sensor of a
// running machine is called stopped first, and a healthy one is not called faulty.
func TestHealth(t *testing.T) {
	var b strings.Builder
	args := []string{"-starts", "0", "-idle", "0", "-steps", "0", "-weak", "7", "-codes", "2", "-broken", "2", "-healthy", "0.2", "-beside", "5", "-goals"}
	if err := run(&b, args); err != nil {
		t.Error(err)
	}
	out := b.String()
	if n := strings.Count(out, " running  "); n != len(breakages) {
		t.Errorf("%d kinds of broken sensors, want %d:\n%s", n, len(breakages), out)
	}
	// What no signal tells from a stop is seen as one: the table is not blind.
	if !strings.Contains(out, "clamp lifted                       running       0              2") {
		t.Errorf("a lifted clamp:\n%s", out)
	}
}
