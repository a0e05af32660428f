package duct

import (
	"math/bits"
	"slices"
	"sync/atomic"
	"time"
)

// entry is what the table holds for one set of open gates.
type entry struct {
	runOn   []RunOn // by machine
	helpers uint64
	purge   uint64
}

// maxAsked bounds the sets that wait to be solved.
const maxAsked = 64

// Table answers how long the collector must run on, and which gates to open as
// helpers or to purge a main, without solving anything: it looks up what was
// solved before. A set that is not in the table yet gets the upper bound and is
// noted. Asked hands such sets over to Solve, off the loop; SolveAsked does both.
//
// RunOn, Helper, Purge and Asked belong to one goroutine, Solve and Failed to one;
// they may be two: the entries are handed over by a pointer swap.
type Table struct {
	net    *Network
	solver *Solver
	gates  uint64  // those of the network
	bound  []RunOn // while nothing is known
	known  atomic.Pointer[map[uint64]entry]
	asked  [maxAsked]uint64
	nAsked int
	failed []uint64
}

// NewTable solves StartSets, and each of them with its helper gates. The error
// lists what is wrong with the network.
func NewTable(n *Network) (*Table, error) {
	s, err := NewSolver(n, Middle)
	if err != nil {
		return nil, err
	}
	t := &Table{net: n, solver: s, bound: make([]RunOn, len(n.Machines))}
	for _, g := range n.Segments {
		if g.Gate >= 0 {
			t.gates |= 1 << uint(g.Gate)
		}
	}
	for m := range n.Machines {
		t.bound[m] = RunOn{Coast: n.Machines[m].Coast, Given: n.Machines[m].RunOn > 0, Total: n.UpperBound(m)}
	}
	t.known.Store(&map[uint64]entry{})
	t.Solve(n.StartSets()...)
	return t, nil
}

// maxStartSets bounds what is solved at start-up; pairs beyond it are solved when
// they first occur.
const maxStartSets = 400

// StartSets returns the sets of open gates that are solved at start-up, without
// repetitions: singles, the declared sets, then pairs as long as there are no
// more than 400 sets.
func (n *Network) StartSets() []uint64 {
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
			if len(sets) < maxStartSets {
				add(a.Gates | b.Gates)
			}
		}
	}
	return sets
}

// Solve works out sets of open gates and publishes them, each with its helper
// gates open as well.
func (t *Table) Solve(sets ...uint64) {
	next := map[uint64]entry{}
	for k, v := range *t.known.Load() {
		next[k] = v
	}
	for len(sets) > 0 {
		open := sets[0] & t.gates
		sets = sets[1:]
		if _, ok := next[open]; ok {
			continue
		}
		plan := t.net.Plan(t.solver, open)
		st := t.solver.Solve(open)
		e := entry{runOn: slices.Clone(t.bound), helpers: plan.Helpers, purge: plan.Purge}
		if !st.Converged {
			t.failed = append(t.failed, open)
		} else {
			for m := range t.net.Machines {
				if r := t.net.RunOn(m, st, t.solver.rho); t.net.Machines[m].Gates&^open == 0 {
					e.runOn[m] = r
				}
			}
		}
		next[open] = e
		if plan.Helpers != 0 {
			sets = append(sets, open|plan.Helpers)
		}
	}
	t.known.Store(&next)
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
	e, ok := t.look(open)
	if !ok {
		return t.bound[machine]
	}
	return e.runOn[machine]
}

// Helper returns the gates to open besides those in open, 0 while the set is not
// solved.
func (t *Table) Helper(open uint64) uint64 {
	e, _ := t.look(open)
	return e.helpers
}

// Purge returns the gates to open besides those in open while a machine's run-on
// is all that keeps the collector on, to clear a main that no helper gate could
// keep fast enough; 0 while the set is not solved.
func (t *Table) Purge(open uint64) uint64 {
	e, _ := t.look(open)
	return e.purge
}

// look finds a set or notes it.
func (t *Table) look(open uint64) (entry, bool) {
	open &= t.gates
	e, ok := (*t.known.Load())[open]
	if !ok && t.nAsked < maxAsked && !slices.Contains(t.asked[:t.nAsked], open) {
		t.asked[t.nAsked] = open
		t.nAsked++
	}
	return e, ok
}

// Asked appends the sets that were asked for in vain since the last call, for
// Solve.
func (t *Table) Asked(sets []uint64) []uint64 {
	sets = append(sets, t.asked[:t.nAsked]...)
	t.nAsked = 0
	return sets
}

// SolveAsked solves what was asked for in vain, on the spot, and returns how
// many sets that were. It is for a replay, where the loop can wait.
func (t *Table) SolveAsked() int {
	if t.nAsked == 0 {
		return 0
	}
	sets := t.Asked(nil)
	t.Solve(sets...)
	return len(sets)
}

// Failed returns the sets whose operating point was not found; they keep the
// upper bound.
func (t *Table) Failed() []uint64 { return t.failed }

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
