package duct

import (
	"cmp"
	"math"
	"math/bits"
	"slices"
)

// Plan says how to keep a main fast enough, or how to clear it.
type Plan struct {
	Slow []int // segments in which chips settle with the gates given, as likely as not
	// Helpers are the gates to open as well, so that chips are carried and no open
	// hood goes short. 0: none needed, or none does it.
	Helpers uint64
	// Purge are the gates to open as well during the run-on, when the machine
	// has stopped and its hood wants nothing any more. Only where no helper does.
	Purge uint64
	// Carries is the share of the cases in which nothing settles with Helpers or
	// Purge open, Short that in which an open hood then goes short.
	Carries, Short float64
	// Starved is true where a helper would have kept the chips moving but would
	// have taken an open hood below what it wants.
	Starved bool
}

// When gates are worth opening as helpers.
const (
	helperCarries = 0.5 // the least share of the cases in which nothing settles
	helperShort   = 0.1 // the greatest in which an open hood goes short
	helperSame    = 0.1 // odds that are as good as equal
	maxPaired     = 6   // the candidates that are tried in pairs: those that brought most alone
	maxTripled    = 5   // and by three
	maxJudged     = 6   // the choices that are judged by odds
)

// Plan looks for helper gates for the gates in open. A helper's air must pass
// the slow stretch, so it is a hood upstream of it: opening one further down
// takes the air away instead. One gate is tried before two, two before three. They
// are sought in the middle of the guesses, the best of them judged by their odds.
// Of choices that are as good as equal one in prefer is taken, so that a set and
// its neighbours have the same helpers and gates do not move for little.
func (e *Ensemble) Plan(open uint64, prefer ...uint64) Plan { return e.plan(e.Solve(open), prefer) }

// plan is Plan for what is solved.
func (e *Ensemble) plan(base *Spread, prefer []uint64) Plan {
	var p Plan
	open := base.Open
	n := e.net
	hoods := n.LiveHoods(open)
	if len(hoods) == 0 {
		return p
	}
	low := n.minimums(hoods, open, e.Rho())
	for i, v := range low {
		if v > 0 && base.Swift(i, Marginal*v) < 0.5 {
			p.Slow = append(p.Slow, i)
		}
	}
	if p.Slow == nil {
		return p
	}
	var all []choice
	try := func(extra uint64) (least float64) {
		st := e.Middle(open | extra)
		if !st.Converged {
			return 0
		}
		c := choice{gates: extra, least: n.least(st, hoods, low), air: n.supply(st, hoods)}
		all = append(all, c)
		return c.least
	}
	// Near enough to be judged by odds.
	carries := func(c choice) bool { return c.least >= 0.97*Marginal }
	feeds := func(c choice) bool { return carries(c) && c.air >= 1 }
	candidates := n.upstream(p.Slow, open)
	alone := make(map[uint64]float64, len(candidates))
	for _, a := range candidates {
		alone[a] = try(a)
	}
	slices.SortStableFunc(candidates, func(a, b uint64) int { return cmp.Compare(alone[b], alone[a]) })
	if !slices.ContainsFunc(all, feeds) {
		for i, a := range candidates[:min(len(candidates), maxPaired)] {
			for _, b := range candidates[:i] {
				try(a | b)
			}
		}
	}
	if !slices.ContainsFunc(all, feeds) {
		top := candidates[:min(len(candidates), maxTripled)]
		for i, a := range top {
			for j, b := range top[:i] {
				for _, c := range top[:j] {
					try(a | b | c)
				}
			}
		}
	}
	slices.SortStableFunc(all, func(a, b choice) int {
		return cmp.Or(cmp.Compare(bits.OnesCount64(a.gates), bits.OnesCount64(b.gates)), cmp.Compare(b.air, a.air))
	})
	if best := e.best(open, hoods, low, all, feeds, prefer); best.gates != 0 {
		p.Helpers, p.Carries, p.Short = best.gates, best.carries, best.short
		return p
	}
	p.Starved = slices.ContainsFunc(all, carries)
	if best := e.best(open, nil, low, all, carries, prefer); best.gates != 0 {
		p.Purge, p.Carries = best.gates, best.carries
	}
	return p
}

// choice is a set of further gates and what it brings.
type choice struct {
	gates          uint64
	least          float64 // lowest velocity over its minimum, in the middle of the guesses
	air            float64 // lowest flow over what a hood wants
	carries, short float64 // odds
}

// best judges the first choices that pass and returns the best that is good enough:
// with the fewest gates, then one that is preferred, then the one of the best odds.
// hoods are those that must not go short.
func (e *Ensemble) best(open uint64, hoods []int, low []float64, all []choice, pass func(choice) bool, prefer []uint64) (best choice) {
	judged := 0
	for _, c := range all {
		if !pass(c) || judged == maxJudged || best.gates != 0 && bits.OnesCount64(c.gates) > bits.OnesCount64(best.gates) {
			continue
		}
		judged++
		c.carries, c.short = e.Solve(open|c.gates).odds(hoods, low)
		if c.carries < helperCarries || c.short > helperShort {
			continue
		}
		better := c.carries - c.short - (best.carries - best.short)
		if slices.Contains(prefer, c.gates) {
			better += helperSame
		}
		if slices.Contains(prefer, best.gates) {
			better -= helperSame
		}
		if best.gates == 0 || better > 0 {
			best = c
		}
	}
	return best
}

// odds returns the share of the variants in which every segment has Marginal times
// its velocity in low, and that in which one of the hoods goes short.
func (x *Spread) odds(hoods []int, low []float64) (carries, short float64) {
	n := x.e.net
	part := 1 / float64(len(x.total))
	for v := range x.total {
		fast := true
		for i, u := range low {
			fast = fast && x.flow[i][v] >= Marginal*u*area(n.Segments[i].Diameter)
		}
		if fast {
			carries += part
		}
		for _, h := range hoods {
			if want, _ := n.Want(h); x.flow[h][v] < want {
				short += part
				break
			}
		}
	}
	return carries, short
}

// Middle solves one set of open gates in the middle of the guesses. The state holds
// until the next call.
func (e *Ensemble) Middle(open uint64) *State {
	e.solver.tune(&e.middle)
	return e.solver.Solve(open)
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
