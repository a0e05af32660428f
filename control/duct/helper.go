package duct

import (
	"cmp"
	"math"
	"math/bits"
	"slices"
)

// Plan says how to keep a main fast enough, or how to clear it.
type Plan struct {
	Slow []int // segments in which chips settle with the gates given
	// Helpers are the gates to open as well, so that nothing settles and no open
	// hood gets less than it wants. 0: none needed, or none does it.
	Helpers uint64
	// Purge are the gates to open as well during the run-on, when the machine
	// has stopped and its hood wants nothing any more. Only where no helper does.
	Purge uint64
	// Least is the lowest velocity over its minimum, among the segments that
	// carry chips, with Helpers or Purge open.
	Least float64
	// Starved is true where a helper would have kept the chips moving but would
	// have taken an open hood below what it wants.
	Starved bool
}

// Plan looks for helper gates for the gates in open. A helper's air must pass
// the slow stretch, so it is a hood upstream of it: opening one further down
// takes the air away instead. One gate is tried before two.
func (n *Network) Plan(s *Solver, open uint64) Plan {
	var p Plan
	hoods := n.LiveHoods(open)
	if len(hoods) == 0 {
		return p
	}
	carry := n.Carry(s.Solve(open), s.rho)
	for i, c := range carry {
		if c == Settles {
			p.Slow = append(p.Slow, i)
		}
	}
	if p.Slow == nil {
		return p
	}
	candidates := n.upstream(p.Slow, open)
	low := n.minimums(hoods, open, s.rho)
	var best, purge choice
	try := func(extra uint64) (least float64) {
		st := s.Solve(open | extra)
		if !st.Converged {
			return 0
		}
		c := choice{gates: extra, least: n.least(st, hoods, low), air: n.supply(st, hoods)}
		if c.least >= Marginal {
			if c.air >= 1 {
				best = best.better(c)
			} else {
				p.Starved = true
			}
		}
		purge = purge.better(c)
		return c.least
	}
	alone := make(map[uint64]float64, len(candidates))
	for _, a := range candidates {
		alone[a] = try(a)
	}
	if best.gates == 0 {
		slices.SortStableFunc(candidates, func(a, b uint64) int { return cmp.Compare(alone[b], alone[a]) })
		candidates = candidates[:min(len(candidates), maxPaired)]
		for i, a := range candidates {
			for _, b := range candidates[i+1:] {
				try(a | b)
			}
		}
	}
	switch {
	case best.gates != 0:
		p.Helpers, p.Least, p.Starved = best.gates, best.least, false
	case purge.gates != 0 && purge.least >= Marginal:
		p.Purge, p.Least = purge.gates, purge.least
	default:
		p.Least = purge.least
	}
	return p
}

// maxPaired is how many of the candidates are tried in pairs: those that brought
// most alone.
const maxPaired = 6

// choice is a set of further gates and what it brings.
type choice struct {
	gates uint64
	least float64 // lowest velocity over its minimum
	air   float64 // lowest flow over what a hood wants
}

// better returns the choice that carries; of two that do, the one with fewer
// gates, then the one that leaves the hoods more air.
func (a choice) better(b choice) choice {
	if a.gates == 0 {
		return b
	}
	ca, cb := a.least >= Marginal, b.least >= Marginal
	na, nb := bits.OnesCount64(a.gates), bits.OnesCount64(b.gates)
	switch {
	case ca != cb:
		if cb {
			return b
		}
	case !ca:
		if b.least > a.least {
			return b
		}
	case na != nb:
		if nb < na {
			return b
		}
	case b.air > a.air:
		return b
	}
	return a
}

// upstream returns, for each shut hood whose way leads through one of the
// segments in slow, the gates to open.
func (n *Network) upstream(slow []int, open uint64) []uint64 {
	var sets []uint64
	for h := range n.Segments {
		if n.Segments[h].Hood == nil || n.live(h, open) {
			continue
		}
		for _, i := range slow {
			if h != i && n.leadsThrough(h, i) {
				sets = append(sets, n.OpenFor(h)&^open)
				break
			}
		}
	}
	return sets
}

// minimums returns the minimum velocity of each segment on the ways from the
// hoods.
func (n *Network) minimums(hoods []int, open uint64, rho float64) []float64 {
	low := make([]float64, len(n.Segments))
	for _, h := range hoods {
		for i := h; i >= 0 && low[i] == 0; i = n.Segments[i].To {
			low[i] = n.MinVelocity(i, open, rho)
		}
	}
	return low
}

// least returns the lowest velocity over its minimum on the ways from the hoods.
func (n *Network) least(st *State, hoods []int, low []float64) float64 {
	least := math.Inf(1)
	for _, h := range hoods {
		for i := h; i >= 0; i = n.Segments[i].To {
			least = math.Min(least, st.Velocity[i]/low[i])
		}
	}
	return least
}

// supply returns the lowest flow over what is wanted among the hoods.
func (n *Network) supply(st *State, hoods []int) float64 {
	least := math.Inf(1)
	for _, h := range hoods {
		want, _ := n.Want(h)
		least = math.Min(least, st.Flow[h]/want)
	}
	return least
}
