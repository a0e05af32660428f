package ductview

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"kerfwind/config"
	"kerfwind/control/duct"
)

// usual bounds the sets of open gates that advice looks at.
const usual = 100

// spot is a hood or a stretch in one of the usual sets.
type spot struct {
	set     uint64
	segment int
}

// picture of the usual sets in the middle of the guesses: the hoods that get what
// they want and the stretches in which chips settle.
type usage struct{ fed, slow map[spot]bool }

// usage solves the usual sets of a network; nil if one of them has no balance.
func (s *Study) usage(n *duct.Network) *usage {
	solver, err := duct.NewSolver(n)
	if err != nil {
		return nil
	}
	u := &usage{map[spot]bool{}, map[spot]bool{}}
	sets := n.StartSets()
	for _, set := range sets[:min(len(sets), usual)] {
		st := solver.Solve(set)
		if !st.Converged {
			return nil
		}
		for _, h := range n.LiveHoods(set) {
			want, _ := n.Want(h)
			u.fed[spot{set, h}] = st.Flow[h] >= want
		}
		for i, k := range n.Carry(st, solver.Rho()) {
			if k != duct.Idle {
				u.slow[spot{set, i}] = k == duct.Settles
			}
		}
	}
	return u
}

// Effect says what one change does over all usual sets.
type Effect struct {
	Change string   `json:"change"`
	Gain   int      `json:"hoods_gain"` // hoods, counted once in each set, that get their air and did not before
	Lose   int      `json:"hoods_lose"`
	Clear  int      `json:"stretches_clear"` // stretches in which chips settled and no longer do
	Settle int      `json:"stretches_settle"`
	Losers []string `json:"costs"` // what it costs elsewhere
	last   bool     // only where nothing else helps: a bigger fan
}

// net weighs an effect: what is lost counts twice.
func (e *Effect) net() int { return 2*(e.Gain+e.Clear) - 4*(e.Lose+e.Settle) }

// effect compares a changed network with the study's own.
func (s *Study) effect(change string, n *duct.Network) (e Effect, ok bool) {
	if s.now == nil {
		if s.now = s.usage(s.Net); s.now == nil {
			return e, false
		}
	}
	then := s.usage(n)
	if then == nil {
		return e, false
	}
	e.Change = change
	lose := func(x spot, word string) {
		e.Losers = append(e.Losers, fmt.Sprintf("%s %s with %s", s.Net.Segments[x.segment].Name, word, s.Title(x.set)))
	}
	for x, fed := range then.fed {
		switch before := s.now.fed[x]; {
		case fed && !before:
			e.Gain++
		case before && !fed:
			e.Lose++
			lose(x, "goes short")
		}
	}
	for x, slow := range then.slow {
		switch before := s.now.slow[x]; {
		case before && !slow:
			e.Clear++
		case slow && !before:
			e.Settle++
			lose(x, "settles")
		}
	}
	slices.Sort(e.Losers)
	return e, true
}

// tried bounds the ducts that advice changes one by one: those that cost most.
const tried = 8

// Advice tries single changes and ranks them by what they do over all usual sets: by
// hoods that get their air and stretches that are kept clear, less those that lose.
// A bigger fan comes last. Changes that bring nothing are left out.
func (s *Study) Advice() []Effect {
	var out []Effect
	try := func(last bool, change string, do func(n *duct.Network) bool) {
		n := s.Net.Clone()
		if !do(n) {
			return
		}
		if e, ok := s.effect(change, n); ok && e.net() > 0 {
			e.last = last
			out = append(out, e)
		}
	}
	one := func(i int, change string, do func(g *duct.Segment) bool) {
		try(false, change, func(n *duct.Network) bool { return do(&n.Segments[i]) })
	}
	try(false, "clean the filter", func(n *duct.Network) bool {
		n.Filter.Now = duct.Exact(n.Filter.Clean)
		return n.Filter.Clean < 0.95*s.Net.Filter.Now.Value
	})
	resize := func(up bool) (word string, all func(n *duct.Network) bool) {
		word = map[bool]string{true: "wider", false: "narrower"}[up]
		return word, func(n *duct.Network) (any bool) {
			for i := range n.Segments {
				if d := s.nextSize(n.Segments[i].Diameter, up); n.Segments[i].Hood == nil && d > 0 {
					n.Segments[i].Diameter, any = d, true
				}
			}
			return any
		}
	}
	for _, up := range []bool{true, false} {
		word, all := resize(up)
		try(false, "every main one size "+word, all)
	}
	try(false, "smooth pipe for every hose", func(n *duct.Network) (any bool) {
		for i := range n.Segments {
			any = any || n.Segments[i].Flexible
			smooth(&n.Segments[i])
		}
		return any
	})
	for _, i := range s.costliest() {
		g := &s.Net.Segments[i]
		for _, up := range []bool{true, false} {
			d := s.nextSize(g.Diameter, up)
			if d == 0 || g.Hood != nil && !up {
				continue
			}
			if g.Hood == nil {
				one(i, fmt.Sprintf("%s in %s", s.u(config.Length, d), g.Name), func(x *duct.Segment) bool { x.Diameter = d; return true })
				continue
			}
			one(i, fmt.Sprintf("%s in %s and at the machine's port", s.u(config.Length, d), g.Name), func(x *duct.Segment) bool {
				x.Diameter, x.Hood.Port = d, math.Max(d, x.Hood.Port)
				return true
			})
		}
		if g.Flexible {
			one(i, "smooth pipe for the hose "+g.Name, func(x *duct.Segment) bool { smooth(x); return true })
		}
		one(i, "no elbow in "+g.Name, func(x *duct.Segment) bool {
			before := len(x.Pieces)
			x.Pieces = slices.DeleteFunc(x.Pieces, func(p duct.Piece) bool { return p.Kind == duct.Elbow })
			return len(x.Pieces) < before
		})
	}
	for _, f := range []float64{1.25, 1.5, 2} {
		try(true, fmt.Sprintf("a bigger fan: %.3g times the flow and the pressure", f), func(n *duct.Network) bool {
			for i := range n.Fan.Points {
				n.Fan.Points[i].Flow *= f
				n.Fan.Points[i].Pressure *= f
			}
			return true
		})
	}
	slices.SortStableFunc(out, func(a, b Effect) int {
		if a.last != b.last {
			return map[bool]int{true: 1, false: -1}[a.last]
		}
		return cmp.Compare(b.net(), a.net())
	})
	return out
}

// costliest lists the ducts that take most pressure with their machine alone.
func (s *Study) costliest() []int {
	cost := make([]float64, len(s.Net.Segments))
	for _, set := range s.Main() {
		st := s.middle.Solve(set)
		up := make([]float64, len(cost)) // pressure upstream
		for i := range s.Net.Segments {
			if to := s.Net.Segments[i].To; to != duct.Collector {
				up[to] = st.Pressure[i]
			}
		}
		for i := range cost {
			if st.Velocity[i] > 2 {
				cost[i] = math.Max(cost[i], up[i]-st.Pressure[i])
			}
		}
	}
	order := make([]int, len(cost))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(cost[b], cost[a]) })
	return order[:min(len(order), tried)]
}

// shown bounds the advice and the losers that are printed.
const shown = 6

// writeAdvice prints what single changes would do.
func (s *Study) writeAdvice(out io.Writer) {
	w := &writer{w: out}
	advice := s.Advice()
	if s.now == nil || len(s.now.fed) == 0 {
		return
	}
	w.line("")
	if len(advice) == 0 {
		w.line("No single change does more good than harm over the %s of gates that occur.", count(len(s.Net.StartSets()), "set"))
		return
	}
	w.line("What one change does over the %s of gates that occur; each hood and each stretch counts once in each set.", count(min(usual, len(s.Net.StartSets())), "set"))
	rows := [][]string{{"change", "hoods gain", "lose", "stretches clear", "settle"}}
	for _, e := range advice[:min(len(advice), shown)] {
		rows = append(rows, []string{e.Change, fmt.Sprint(e.Gain), fmt.Sprint(e.Lose), fmt.Sprint(e.Clear), fmt.Sprint(e.Settle)})
	}
	w.table(rows)
	for _, e := range advice[:min(len(advice), shown)] {
		if len(e.Losers) > 0 {
			w.paragraph("  * ", e.Change+" costs: "+losers(e.Losers))
		}
	}
}

// losers lists what a change costs, in short.
func losers(list []string) string {
	if more := len(list) - shown; more > 0 {
		list = append(slices.Clone(list[:shown]), fmt.Sprintf("%d more", more))
	}
	return strings.Join(list, "; ")
}
