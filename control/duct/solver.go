package duct

import (
	"fmt"
	"math"
)

// Limits of the iteration.
const (
	maxPasses   = 200
	flowTol     = 1e-10 // relative change of any flow between two passes
	residualTol = 1e-9  // pressure left over at any hood, relative to the fan's shut-off pressure
)

// leakDischarge is the discharge coefficient of a crack, as of an orifice.
const leakDischarge = 0.6

// minLoss keeps a fitting without any loss from taking all the air of a node.
const minLoss = 1e-6

// State is one solved operating point. The slices are indexed as
// Network.Segments.
type State struct {
	Open     uint64    // the open gates
	Flow     []float64 // m³/s, towards the collector
	Velocity []float64 // m/s
	// Pressure is the total pressure at the downstream end, Pa relative to the
	// room; so negative.
	Pressure []float64
	// Static is the reading of a gauge on a tap in the wall, Pa, at the downstream end
	// but ahead of the wye or the wider duct that the segment ends in.
	Static []float64
	Total  float64 // m³/s through the fan, with what leaks in
	Fan    float64 // Pa, what the fan lifts
	Filter float64 // Pa, what the filter takes
	// Converged says whether the pressures close: Residual, the largest gap at
	// any hood over the fan's shut-off pressure, is within 1e-9, and the flows
	// have stopped moving.
	Converged bool
	Residual  float64
	Passes    int
}

// Clone returns a copy that a later Solve does not change.
func (st *State) Clone() *State {
	c := *st
	c.Flow = append([]float64(nil), st.Flow...)
	c.Velocity = append([]float64(nil), st.Velocity...)
	c.Pressure = append([]float64(nil), st.Pressure...)
	c.Static = append([]float64(nil), st.Static...)
	return &c
}

// figures are those of a link that depend on guesses.
type figures struct {
	rel   float64 // relative roughness
	k     float64 // loss factor without the gate
	kEnd  float64 // part of k that lies beyond a tap at the downstream end
	kOpen float64 // of the gate
	kShut float64
}

// tuning holds what guesses decide in a solver: one for each variant of a network.
type tuning struct {
	links []figures
	fan   curve
	a, b  float64 // filter a·Q, separator b·Q²
}

// link is a segment made ready for the solver, in an order where the one it
// leads to comes first.
type link struct {
	figures
	segment  int // index in the network, or -1 for the leakage
	to       int // index of a link, or Collector
	gate     int
	area     float64
	perV     float64 // Reynolds number per m/s
	slender  float64 // L/D
	dynamic  float64 // ρ/(2A²): Pa per (m³/s)² and unit of loss factor
	mains    bool    // other links join it
	f, x     float64 // friction factor and 1/√f of the last pass
	r        float64 // Pa/(m³/s)²
	g        float64 // conductance of the subtree, 1/√R
	gJoining float64 // sum of g over the links that join it
	flow     float64
	pressure float64 // total, at the upstream end
}

// Solver finds operating points of one network. It keeps its buffers and the
// friction factors of the last state, so the next state is found quickly and
// without allocation. A Solver is not safe for use by several goroutines.
type Solver struct {
	links []link
	fan   curve
	a, b  float64 // filter a·Q, separator b·Q²
	rho   float64
	lastQ float64
	state State
}

// NewSolver makes a solver for the middle of every guess. The network must be
// valid; otherwise the error lists what is wrong with it, warnings left out.
func NewSolver(n *Network) (*Solver, error) {
	if err := n.Validate().Err(); err != nil {
		return nil, err
	}
	return newSolver(n), nil
}

func newSolver(n *Network) *Solver {
	s := &Solver{rho: n.Air.density()}
	order, at := n.order()
	mu := n.Air.viscosity()
	for _, i := range order {
		g := &n.Segments[i]
		l := link{segment: i, to: Collector, gate: g.Gate, area: area(g.Diameter), perV: s.rho * g.Diameter / mu, slender: g.Length / g.Diameter}
		if g.To != Collector {
			l.to = at[g.To]
			s.links[l.to].mains = true
		}
		l.dynamic = s.rho / (2 * l.area * l.area)
		s.links = append(s.links, l)
	}
	if leak := n.Leakage.Value; leak > 0 {
		s.links = append(s.links, link{segment: -1, to: Collector, gate: NoGate, area: 1, dynamic: s.rho / 2})
	}
	for _, to := range [...]*[]float64{&s.state.Flow, &s.state.Velocity, &s.state.Pressure, &s.state.Static} {
		*to = make([]float64, len(n.Segments))
	}
	t := s.tuning(n)
	s.tune(&t)
	s.cool()
	return s
}

// tuning works out what the guesses of a network, of the one the solver was made
// for or of a variant of it, decide.
func (s *Solver) tuning(n *Network) tuning {
	t := tuning{links: make([]figures, len(s.links)), fan: n.Fan.scaled(s.rho), a: n.Filter.Now.Value, b: n.Separator.Value * s.rho / StandardDensity}
	for j := range s.links {
		f, i := &t.links[j], s.links[j].segment
		if i < 0 {
			c := leakDischarge * n.Leakage.Value
			f.k = 1 / (c * c)
			continue
		}
		g := &n.Segments[i]
		f.rel = g.Roughness.Value / g.Diameter
		f.k, f.kEnd = n.loss(i), n.endLoss(i)
		if g.Gate >= 0 {
			gate := &n.Gates[g.Gate]
			f.kOpen, f.kShut = gate.openLoss(), gate.Shut.Value
		}
	}
	return t
}

// tune makes the solver one of the variant t.
func (s *Solver) tune(t *tuning) {
	s.fan, s.a, s.b = t.fan, t.a, t.b
	for i := range s.links {
		s.links[i].figures = t.links[i]
	}
}

// cool forgets the last state: it is as if the air moved at 20 m/s everywhere.
func (s *Solver) cool() {
	for i := range s.links {
		l := &s.links[i]
		l.f, l.x = friction(float64(MinChips*l.perV), l.rel, 0)
		l.flow = 0
	}
}

// loss sums the loss factors of segment i apart from its gate.
func (n *Network) loss(i int) float64 {
	s := &n.Segments[i]
	k := n.endLoss(i)
	for _, p := range s.Pieces {
		if p.Kind != Wye {
			k += p.loss(s.Diameter).Value
		}
	}
	if s.Hood != nil {
		h := s.Hood.Entry.Value
		if p := s.Hood.Port; p > 0 && p != s.Diameter {
			r := s.Diameter / p
			h = float64(h*r*r*r*r) + ReducerLoss(p, s.Diameter, 0)
		}
		k += h
	}
	return k
}

// endLoss sums those that lie beyond a tap at the downstream end of segment i:
// the entry into another and the sudden expansion there.
func (n *Network) endLoss(i int) float64 {
	s := &n.Segments[i]
	k := 0.0
	for _, p := range s.Pieces {
		if p.Kind == Wye {
			k += p.loss(s.Diameter).Value
		}
	}
	if n.Expansion && s.To != Collector {
		k += ExpansionLoss(s.Diameter, n.Segments[s.To].Diameter)
	}
	return k
}

// order returns the segments so that each comes after the one it leads to, and
// for each segment its place in that order. The network must be a tree.
func (n *Network) order() (order, at []int) {
	joining := make([][]int, len(n.Segments))
	at = make([]int, len(n.Segments))
	for i := range n.Segments {
		if to := n.Segments[i].To; to == Collector {
			order = append(order, i)
		} else {
			joining[to] = append(joining[to], i)
		}
	}
	for k := 0; k < len(order); k++ {
		at[order[k]] = k
		order = append(order, joining[order[k]]...)
	}
	return order, at
}

// Rho returns the density of the air in kg/m³.
func (s *Solver) Rho() float64 { return s.rho }

// Solve finds the operating point with the gates in open open and the others
// shut. The result belongs to the solver and holds until the next call; it may
// not have converged. It does not allocate.
func (s *Solver) Solve(open uint64) *State {
	s.find(open, flowTol, residualTol)
	s.report()
	return &s.state
}

// find iterates until no flow moves by more than the part moves between two
// passes and the pressures close to within the part gap.
func (s *Solver) find(open uint64, moves, gap float64) {
	for i := range s.links {
		s.renew(&s.links[i], open)
	}
	st := &s.state
	st.Open, st.Converged = open, false
	for st.Passes = 1; st.Passes <= maxPasses; st.Passes++ {
		moved := s.split()
		for i := range s.links {
			s.renew(&s.links[i], open)
		}
		st.Residual = s.march()
		if st.Residual <= gap && moved <= moves {
			st.Converged = true
			break
		}
	}
	if st.Passes > maxPasses {
		st.Passes = maxPasses
	}
}

// renew computes a link's resistance at its present flow.
func (s *Solver) renew(l *link, open uint64) {
	k := l.k
	if l.gate >= 0 {
		if open>>uint(l.gate)&1 == 1 {
			k += l.kOpen
		} else {
			k += l.kShut
		}
	}
	if l.slender > 0 {
		if l.flow > 0 {
			l.f, l.x = friction(l.flow/l.area*l.perV, l.rel, l.x)
		}
		k += float64(l.f * l.slender)
	}
	l.r = math.Max(k, minLoss) * l.dynamic
}

// split reduces the tree to one resistance, finds the fan's flow and divides it
// again. It returns the largest relative change of a flow.
func (s *Solver) split() (moved float64) {
	top := 0.0
	for i := range s.links {
		s.links[i].gJoining = 0
	}
	for i := len(s.links) - 1; i >= 0; i-- {
		l := &s.links[i]
		r := l.r
		if l.mains {
			r += 1 / (l.gJoining * l.gJoining)
		}
		l.g = 1 / math.Sqrt(r)
		if l.to == Collector {
			top += l.g
		} else {
			s.links[l.to].gJoining += l.g
		}
	}
	total := s.fan.meet(s.a, s.b+1/(top*top))
	for i := range s.links {
		l := &s.links[i]
		from, sum := total, top
		if l.to != Collector {
			from, sum = s.links[l.to].flow, s.links[l.to].gJoining
		}
		q := 0.0
		if from > 0 && l.g > 0 {
			q = from * (l.g / sum)
		}
		if q > 0 {
			moved = math.Max(moved, math.Abs(q-l.flow)/q)
		}
		l.flow = q
	}
	// Summed from the hoods on, so that the air is in balance to the last bit.
	total = 0
	for i := range s.links {
		if s.links[i].mains {
			s.links[i].flow = 0
		}
	}
	for i := len(s.links) - 1; i >= 0; i-- {
		l := &s.links[i]
		if l.to == Collector {
			total += l.flow
		} else {
			s.links[l.to].flow += l.flow
		}
	}
	s.lastQ = total
	return moved
}

// march goes from the fan inlet to the hoods and returns the largest pressure
// left over there, relative to the fan's shut-off pressure.
func (s *Solver) march() (residual float64) {
	inlet := float64(s.a*s.lastQ) + float64(s.b*s.lastQ*s.lastQ) - s.fan.at(s.lastQ)
	for i := range s.links {
		l := &s.links[i]
		p := inlet
		if l.to != Collector {
			p = s.links[l.to].pressure
		}
		if l.flow > 0 {
			p += float64(l.r * l.flow * l.flow)
		}
		l.pressure = p
		if !l.mains && l.flow > 0 {
			residual = math.Max(residual, math.Abs(p))
		}
	}
	return residual / s.fan[0].Pressure
}

// report fills the state in the order of the network.
func (s *Solver) report() {
	st, q := &s.state, s.lastQ
	st.Total, st.Fan = q, s.fan.at(q)
	st.Filter = s.a * q
	inlet := float64(s.a*q) + float64(s.b*q*q) - st.Fan
	for i := range s.links {
		l := &s.links[i]
		if l.segment < 0 {
			continue
		}
		st.Flow[l.segment] = l.flow
		st.Velocity[l.segment] = l.flow / l.area
		if l.to == Collector {
			st.Pressure[l.segment] = inlet
		} else {
			st.Pressure[l.segment] = s.links[l.to].pressure
		}
		st.Static[l.segment] = st.Pressure[l.segment] + float64((l.kEnd-1)*l.dynamic*l.flow*l.flow)
	}
}

// String describes the state for a test's message.
func (st *State) String() string {
	return fmt.Sprintf("open %b: %.5f m³/s, converged %v in %d passes, residual %.1e",
		st.Open, st.Total, st.Converged, st.Passes, st.Residual)
}
