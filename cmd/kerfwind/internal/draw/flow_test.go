package draw

import (
	"testing"
	"time"

	"kerfwind/control"
)

// startOf plays one start of machine 0 and returns it.
func startOf(t *testing.T, play func(b *barn)) start {
	t.Helper()
	b := newBarn(time.Minute)
	play(b)
	var f flow
	for i := range b.all {
		f.observe(&b.all[i].snap, b.all[i].events)
	}
	all, left := f.slowest(9, 0)
	if len(all) != 1 || left != 0 {
		t.Fatalf("%d starts and %d left out, want 1 and 0", len(all), left)
	}
	return all[0]
}

func TestParts(t *testing.T) {
	began := func(b *barn) {
		b.state.Machines[0].Run = true
		b.gate(0, control.PositionOpening, 0)
		b.note(1050*ms, control.Event{Kind: control.MachineStarted, ID: 0, Onset: 1000 * ms})
	}
	open := func(b *barn, at time.Duration) {
		b.gate(0, control.PositionOpen, 0)
		b.note(at)
	}
	on := func(b *barn, at time.Duration) {
		b.collector(true, control.ByMachine, 0)
		b.note(at)
	}
	tests := []struct {
		name string
		play func(b *barn)
		want parts
		done bool
	}{
		{"the collector starts as the path opens", func(b *barn) { began(b); open(b, 1950*ms); on(b, 1950*ms) }, parts{50 * ms, 900 * ms, 0, 2000 * ms}, true},
		{"it waits for another motor", func(b *barn) { began(b); open(b, 1950*ms); on(b, 2450*ms) }, parts{50 * ms, 900 * ms, 500 * ms, 2000 * ms}, true},
		{"it runs already at full speed", func(b *barn) {
			on(b, 100*ms)
			b.note(500 * ms)
			began(b)
			open(b, 2950*ms)
		}, parts{50 * ms, 1900 * ms, 0, 0}, true},
		{"it was running up when the machine started", func(b *barn) {
			on(b, 500*ms)
			began(b)
			open(b, 1950*ms)
		}, parts{50 * ms, 900 * ms, 0, 550 * ms}, true},
		{"the path was open, the collector off", func(b *barn) {
			b.gate(0, control.PositionOpen, 0)
			b.state.Machines[0].Run = true
			b.note(1050*ms, control.Event{Kind: control.MachineStarted, ID: 0, Onset: 1000 * ms})
			on(b, 1300*ms)
		}, parts{50 * ms, 0, 250 * ms, 2000 * ms}, true},
		{"a shared gate names another machine, the reason tells", func(b *barn) {
			b.state.Machines[0].Why.Cause = control.ByPath
			began(b)
			b.gate(0, control.PositionOpening, 1)
			b.note(1100 * ms)
			b.state.Machines[0].Why.Cause = control.ByMachine
			b.note(1950 * ms)
			on(b, 1950*ms)
		}, parts{50 * ms, 900 * ms, 0, 2000 * ms}, true},
		{"a helper gate is not waited for", func(b *barn) {
			b.gate(4, control.PositionOpening, 0)
			b.state.Gates[4].Why.Cause = control.ByHelper
			began(b)
			open(b, 1950*ms)
			on(b, 1950*ms)
			b.gate(4, control.PositionOpen, 0)
			b.note(5 * sec)
		}, parts{50 * ms, 900 * ms, 0, 2000 * ms}, true},
		{"it never gets there", began, parts{sensing: 50 * ms}, false},
		{"it is switched off before", func(b *barn) {
			began(b)
			b.state.Machines[0].Run = false
			b.note(1500*ms, control.Event{Kind: control.MachineStopped, ID: 0})
			b.gate(0, control.PositionOpen, 0)
			b.note(1950 * ms)
		}, parts{sensing: 50 * ms}, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			st := startOf(t, tt.play)
			if got := st.parts(2 * time.Second); got != tt.want || st.done() != tt.done {
				t.Errorf("got %+v done %v, want %+v done %v", got, st.done(), tt.want, tt.done)
			}
			if fan := st.parts(0).fan; fan != 0 {
				t.Errorf("fan %v although its run-up is not known", fan)
			}
		})
	}
}

// TestNoWait: a start that had nothing to wait for is not in the table, nor
// one that was found running.
func TestNoWait(t *testing.T) {
	b := newBarn(time.Minute)
	b.collector(true, control.ByMachine, 1)
	b.gate(0, control.PositionOpen, 0)
	b.note(500 * ms)
	b.state.Machines[0].Run = true
	b.note(sec, control.Event{Kind: control.MachineStarted, ID: 0})
	b.collector(false, control.ByNoDemand, 1)
	b.state.Machines[1].Run = true
	b.note(2*sec, control.Event{Kind: control.MachineStarted, ID: 1, Cause: control.ByFoundRunning})
	var f flow
	for i := range b.all {
		f.observe(&b.all[i].snap, b.all[i].events)
	}
	if all, _ := f.slowest(9, 0); len(all) != 0 {
		t.Errorf("got %+v, want none", all)
	}
}

// TestSlowest keeps the slowest, those that never got there first.
func TestSlowest(t *testing.T) {
	made := func(total time.Duration, done bool) start {
		return start{decided: 0, path: total, on: total, hasPath: done, hasOn: done, began: true}
	}
	f := flow{all: []start{made(2*sec, true), made(9*sec, true), made(0, false), made(5*sec, true), made(1*sec, true)}}
	got, left := f.slowest(3, 0)
	if left != 2 || len(got) != 3 || got[0].done() || got[1].path != 9*sec || got[2].path != 5*sec {
		t.Errorf("got %+v, %d left out", got, left)
	}
	if got, left = f.slowest(5, 0); left != 0 || got[0].path != 2*sec {
		t.Errorf("few stay in order of time: got %+v, %d left out", got, left)
	}
}

// TestBarScale: one start that takes forever does not make the others dots.
func TestBarScale(t *testing.T) {
	of := func(totals ...time.Duration) (rows []start) {
		for _, d := range totals {
			rows = append(rows, start{path: d, on: d, hasPath: true, hasOn: true})
		}
		return rows
	}
	for _, tt := range []struct {
		rows []start
		want time.Duration
	}{
		{of(2*sec, 3*sec, 1*sec), 3 * sec}, {of(1*sec, 25*sec, 2*sec), 4 * sec}, {of(25*sec, 2*sec, 1*sec), 4 * sec},
		{of(1*sec, 2*sec, 25*sec), 4 * sec}, {of(25 * sec), 25 * sec}, {of(0), time.Millisecond},
	} {
		if got := barScale(tt.rows, 0); got != tt.want {
			t.Errorf("%d rows: %v, want %v", len(tt.rows), got, tt.want)
		}
	}
}
