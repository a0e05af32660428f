package duct

import (
	"maps"
	"math/bits"
	"slices"
	"sync/atomic"
	"time"
)

// Solution is the air for one set of open gates. Nothing changes it once it is
// in a table.
type Solution struct {
	*State            // in the middle of the guesses
	Carry  []Carrying // what the air does to chips in each segment
	Speed  []Range    // m/s in each segment
	RunOns []RunOn    // by machine; the upper bound where its gates are not all open
	Plan              // the gates that would help where chips settle
}

// maxFound bounds the sets that are kept beside those of start-up: the one that
// was solved first goes, and is solved again when it is wanted.
const maxFound = 256

// Table answers how long the collector must run on, which gates to open as
// helpers or to purge a main, and what the air does, without solving anything:
// it looks up what was solved before. A set that is not in the table gets the
// upper bound until somebody calls Solve.
//
// Solve belongs to one goroutine, off the loop; everything else may be called
// from any: the solutions are handed over by a pointer swap.
type Table struct {
	net   *Network
	cloud *Ensemble
	asked bool    // cloud knows what was measured
	gates uint64  // those of the network
	bound []RunOn // while nothing is known
	known atomic.Pointer[map[uint64]*Solution]
	stay  map[uint64]bool      // those of start-up
	alone map[uint64]*Solution // of each machine by itself
	found []uint64             // the sets beside those of start-up, in the order they were solved
	swept atomic.Pointer[map[Sweeping]Sweep]
}

// Sweeping is a question: which gates besides those in Base, and with all others
// shut, clear a piece.
type Sweeping struct {
	Piece int
	Needs float64 // what carries what lies there, m/s
	Base  uint64
	Most  int // branches besides Base; 0 any number, less than 0 none
}

// maxSwept bounds the answers that are kept: beyond it they are worked out again.
const maxSwept = 256

// NewTable makes an empty table: every set has the upper bound until it is solved.
// The error lists what is wrong with the network.
func NewTable(n *Network) (*Table, error) {
	e, err := NewEnsemble(n)
	if err != nil {
		return nil, err
	}
	t := &Table{net: n, cloud: e, bound: make([]RunOn, len(n.Machines)), alone: map[uint64]*Solution{}, stay: map[uint64]bool{}}
	for _, g := range n.Segments {
		if g.Gate >= 0 {
			t.gates |= 1 << uint(g.Gate)
		}
	}
	for m := range n.Machines {
		t.bound[m] = RunOn{Coast: n.Machines[m].Coast, Given: n.Machines[m].RunOn > 0, Total: n.UpperBound(m)}
	}
	for _, set := range n.StartSets() {
		t.stay[set&t.gates] = true
	}
	t.known.Store(&map[uint64]*Solution{})
	t.swept.Store(&map[Sweeping]Sweep{})
	return t, nil
}

// What is solved at start-up is bounded; pairs beyond it are solved when they first
// occur.
const (
	maxStartSets   = 400
	maxStartPieces = 40000 // segments over all sets
)

// StartSets returns the sets of open gates that are solved at start-up, without
// repetitions: singles, the declared sets, then pairs as long as there are no more
// than 400 sets, in a large network fewer.
func (n *Network) StartSets() []uint64 {
	most := min(maxStartSets, maxStartPieces/max(len(n.Segments), 1))
	var sets []uint64
	add := func(s uint64) {
		if s != 0 && !slices.Contains(sets, s) {
			sets = append(sets, s)
		}
	}
	for _, a := range n.Machines {
		add(a.Gates)
	}
	for _, s := range n.Together {
		add(s)
	}
	for i, a := range n.Machines {
		for _, b := range n.Machines[i+1:] {
			if len(sets) < most {
				add(a.Gates | b.Gates)
			}
		}
	}
	return sets
}

// Start works out StartSets.
func (t *Table) Start() { t.Solve(t.net.StartSets()...) }

// Solve works out sets of open gates and publishes them, each with its helper
// gates open as well.
func (t *Table) Solve(sets ...uint64) {
	t.measured()
	next := maps.Clone(*t.known.Load())
	for len(sets) > 0 {
		open := sets[0] & t.gates
		sets = sets[1:]
		if next[open] != nil {
			continue
		}
		x := t.solve(open)
		next[open] = x
		if !t.stay[open] {
			t.found = append(t.found, open)
		}
		if x.Helpers != 0 {
			sets = append(sets, open|x.Helpers)
		}
	}
	for len(t.found) > maxFound {
		delete(next, t.found[0])
		t.found = t.found[1:]
	}
	t.known.Store(&next)
}

// measured narrows the ensemble to what was measured, once: that takes its time.
func (t *Table) measured() {
	if !t.asked {
		t.asked = true
		t.cloud, _ = t.cloud.Measured()
	}
}

// prefer lists the helpers of each machine alone whose gates are among those in
// open: what is open for one should stay when another joins it.
func (t *Table) prefer(open uint64) (list []uint64) {
	for i := range t.net.Machines {
		if g := t.net.Machines[i].Gates & t.gates; g != 0 && g != open && g&^open == 0 {
			if h := t.solve(g).Helpers; h&open == 0 {
				list = append(list, h)
			}
		}
	}
	return list
}

// solve works out one set.
func (t *Table) solve(open uint64) *Solution {
	if x := t.alone[open]; x != nil {
		return x
	}
	n, rho := t.net, t.cloud.Rho()
	spread := t.cloud.Solve(open)
	x := &Solution{Plan: t.cloud.plan(spread, t.prefer(open)), RunOns: slices.Clone(t.bound), State: t.cloud.Middle(open).Clone()}
	for i := range n.Segments {
		x.Speed = append(x.Speed, spread.Velocity(i))
	}
	x.Carry = n.Carry(x.State, rho)
	for m := range n.Machines {
		if x.Converged && n.Machines[m].Gates&^open == 0 {
			x.RunOns[m] = n.RunOn(m, x.State, rho)
		}
		if n.Machines[m].Gates&t.gates == open {
			t.alone[open] = x
		}
	}
	return x
}

// Look finds what was solved for the gates in open; gates that are in no duct
// do not matter.
func (t *Table) Look(open uint64) (*Solution, bool) {
	x, ok := (*t.known.Load())[open&t.gates]
	return x, ok
}

// RunOn returns how long the collector must go on after the machine has stopped
// while the gates in open are open: coast-down and clear-out, or the upper bound
// while the set is not solved or the machine's own gates are not all open. It
// does not allocate and may be given to the controller.
func (t *Table) RunOn(machine int, open uint64) time.Duration {
	return t.Reason(machine, open).Total
}

// Reason is RunOn with what it is made of. While the set is not solved Clear is
// 0; of a machine that is not in the network so is everything but Total.
func (t *Table) Reason(machine int, open uint64) RunOn {
	if machine < 0 || machine >= len(t.bound) {
		return RunOn{Total: longestClear}
	}
	x, ok := t.Look(open)
	if !ok {
		return t.bound[machine]
	}
	return x.RunOns[machine]
}

// Helper returns the gates to open besides those in open, 0 while the set is not
// solved.
func (t *Table) Helper(open uint64) uint64 {
	if x, ok := t.Look(open); ok {
		return x.Helpers
	}
	return 0
}

// Purge returns the gates to open besides those in open while a machine's run-on
// is all that keeps the collector on, to clear a main that no helper gate could
// keep fast enough; 0 while the set is not solved.
func (t *Table) Purge(open uint64) uint64 {
	if x, ok := t.Look(open); ok {
		return x.Purge
	}
	return 0
}

// Sweep works out how to clear a piece and publishes it, for LookSweep. It belongs
// to the goroutine that solves.
func (t *Table) Sweep(q Sweeping) Sweep {
	t.measured()
	was := *t.swept.Load()
	if w, ok := was[q]; ok {
		return w
	}
	next := map[Sweeping]Sweep{}
	if len(was) < maxSwept {
		maps.Copy(next, was)
	}
	next[q] = t.cloud.Sweep(q.Piece, q.Needs, q.Base&t.gates, q.Most)
	t.swept.Store(&next)
	return next[q]
}

// LookSweep finds what Sweep has worked out.
func (t *Table) LookSweep(q Sweeping) (Sweep, bool) {
	w, ok := (*t.swept.Load())[q]
	return w, ok
}

// Failed returns the sets whose operating point was not found; they keep the
// upper bound.
func (t *Table) Failed() []uint64 {
	var sets []uint64
	for open, x := range *t.known.Load() {
		if !x.Converged {
			sets = append(sets, open)
		}
	}
	slices.Sort(sets)
	return sets
}

// GateList returns the indices of the gates in a set.
func GateList(open uint64) []int {
	var list []int
	for open != 0 {
		g := bits.TrailingZeros64(open)
		list = append(list, g)
		open &^= 1 << uint(g)
	}
	return list
}
