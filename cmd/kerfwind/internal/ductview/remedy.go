package ductview

import (
	"fmt"
	"math"
	"strings"

	"kerfwind/config"
	"kerfwind/control/duct"
)

// Sizes of round duct that are sold, m.
var (
	inchSizes   = []float64{0.0508, 0.0635, 0.0762, 0.1016, 0.127, 0.1524, 0.1778, 0.2032, 0.2286, 0.254, 0.3048}
	metricSizes = []float64{0.05, 0.063, 0.08, 0.1, 0.125, 0.15, 0.16, 0.18, 0.2, 0.25, 0.315}
)

// nextSize returns the next size up (or down), 0 if there is none.
func (s *Study) nextSize(d float64, up bool) float64 {
	sizes := metricSizes
	if s.Units == config.Imperial {
		sizes = inchSizes
	}
	if up {
		for _, x := range sizes {
			if x > d*1.02 {
				return x
			}
		}
		return 0
	}
	for i := len(sizes) - 1; i >= 0; i-- {
		if sizes[i] < d*0.98 {
			return sizes[i]
		}
	}
	return 0
}

// try solves a changed network for one set of open gates; nil if that fails.
func try(n *duct.Network, open uint64) (*duct.State, *duct.Solver) {
	solver, err := duct.NewSolver(n)
	if err != nil {
		return nil, nil
	}
	st := solver.Solve(open)
	if !st.Converged {
		return nil, nil
	}
	return st, solver
}

// way returns the segments from a hood to the collector.
func way(n *duct.Network, hood int) []int {
	var out []int
	for i := hood; i >= 0 && len(out) <= len(n.Segments); i = n.Segments[i].To {
		out = append(out, i)
	}
	return out
}

// widen gives a segment another diameter. The opening at a machine stays what it
// is: the port of its hood keeps the old one.
func widen(n *duct.Network, i int, d float64) {
	g := &n.Segments[i]
	if g.Hood != nil && g.Hood.Port == 0 {
		g.Hood.Port = g.Diameter
	}
	g.Diameter = d
}

// smooth replaces a hose by smooth pipe.
func smooth(g *duct.Segment) {
	if g.Flexible {
		g.Roughness, g.Flexible = duct.SmoothPipe, false
	}
}

// airRemedies tries what can give a hood the air it wants, each by itself and
// from the cheapest on, and says what comes of it. It ends with the first two
// that are enough.
func (s *Study) airRemedies(c *Case, h *HoodView) []string {
	n := s.Net
	var enough, partly []string
	report := func(what string, changed *duct.Network) {
		st, _ := try(changed, c.Open)
		if st == nil {
			return
		}
		q := st.Flow[h.Segment]
		switch {
		case q >= h.Want:
			enough = append(enough, fmt.Sprintf("%s: %s", what, s.u(config.Flow, q)))
		case q > 1.03*h.Flow.Middle:
			partly = append(partly, fmt.Sprintf("%s: %s, still short", what, s.u(config.Flow, q)))
		}
	}
	route := way(n, h.Segment)
	if n.Filter.Clean < 0.95*n.Filter.Now.Value {
		m := n.Clone()
		m.Filter.Now = duct.Exact(m.Filter.Clean)
		report("clean the filter", m)
	}
	hoses := []string{}
	m := n.Clone()
	for _, i := range route {
		if m.Segments[i].Flexible {
			smooth(&m.Segments[i])
			hoses = append(hoses, m.Segments[i].Name)
		}
	}
	if len(hoses) > 0 {
		report("smooth pipe instead of the hose in "+strings.Join(hoses, ", "), m)
	}
	wide := n.Clone()
	var mains []string
	for _, i := range route {
		if d := s.nextSize(wide.Segments[i].Diameter, true); d > 0 && wide.Segments[i].Hood == nil {
			wide.Segments[i].Diameter = d
			mains = append(mains, fmt.Sprintf("%s in %s", s.u(config.Length, d), wide.Segments[i].Name))
		}
	}
	if len(mains) > 0 {
		report("wider mains, "+strings.Join(mains, ", "), wide)
	}
	if d := s.nextSize(n.Segments[h.Segment].Diameter, true); d > 0 {
		m := n.Clone()
		widen(m, h.Segment, d)
		report(fmt.Sprintf("%s in %s, up to the port", s.u(config.Length, d), n.Segments[h.Segment].Name), m)
		if h.hasPort(n) {
			m := m.Clone()
			m.Segments[h.Segment].Hood.Port = d
			report(fmt.Sprintf("%s in %s and at the machine's port", s.u(config.Length, d), n.Segments[h.Segment].Name), m)
		}
	}
	if len(c.Hoods) > 1 {
		if st, _ := try(n, n.OpenFor(h.Segment)); st != nil && st.Flow[h.Segment] >= h.Want {
			enough = append(enough, fmt.Sprintf("run it with the other gates shut: %s", s.u(config.Flow, st.Flow[h.Segment])))
		}
	}
	if len(enough) < 2 {
		if f := s.fanFactor(c, h); f > 0 {
			enough = append(enough, fmt.Sprintf("a bigger collector: %.2g times the flow and the pressure", f))
		}
	}
	if len(enough) > 2 {
		enough = enough[:2]
	}
	if len(enough) == 0 {
		return partly
	}
	return enough
}

// hasPort reports whether the machine's port is as wide as its duct, so that a
// wider duct alone does not open it.
func (h *HoodView) hasPort(n *duct.Network) bool {
	g := &n.Segments[h.Segment]
	return g.Hood.Port == 0 || g.Hood.Port >= g.Diameter
}

// fanFactor finds how many times the fan's flow and pressure would do, up to 3;
// 0 if that is not enough.
func (s *Study) fanFactor(c *Case, h *HoodView) float64 {
	flow := func(f float64) float64 {
		m := s.Net.Clone()
		for i := range m.Fan.Points {
			m.Fan.Points[i].Flow *= f
			m.Fan.Points[i].Pressure *= f
		}
		st, _ := try(m, c.Open)
		if st == nil {
			return 0
		}
		return st.Flow[h.Segment]
	}
	low, high := 1.0, 3.0
	if flow(high) < h.Want {
		return 0
	}
	for range 20 {
		mid := (low + high) / 2
		if flow(mid) < h.Want {
			low = mid
		} else {
			high = mid
		}
	}
	return math.Ceil(high*20) / 20
}

// slowRemedies says what clears the stretches in which chips settle.
func (s *Study) slowRemedies(c *Case) []string {
	n, p := s.Net, &c.Plan
	if p.Slow == nil {
		return nil
	}
	var out []string
	no := "" // why no gate helps
	switch {
	case p.Helpers != 0:
		out = append(out, fmt.Sprintf("%sopen %s as a helper: then %s%s", s.first(c, p.Helpers), gateList(s.GateNames(p.Helpers)), s.speeds(c.Open|p.Helpers, p.Slow), s.odds(p)))
	case p.Purge != 0:
		why := "no helper gate is enough"
		if p.Starved {
			why = "a helper gate would take air that a hood wants"
		}
		out = append(out, fmt.Sprintf("%s; %sopen %s during the run-on instead, to purge the main: then %s%s", why, s.first(c, p.Purge), gateList(s.GateNames(p.Purge)), s.speeds(c.Open|p.Purge, p.Slow), s.odds(p)))
	case p.Starved:
		no = "a helper gate would take air that a hood wants"
	default:
		no = "no further gate makes it fast enough"
	}
	// A narrower main.
	m := n.Clone()
	var sizes []string
	for _, i := range p.Slow {
		d := s.nextSize(n.Segments[i].Diameter, false)
		if d == 0 || m.Segments[i].Hood != nil {
			continue
		}
		m.Segments[i].Diameter = d
		sizes = append(sizes, fmt.Sprintf("%s in %s", s.u(config.Length, d), n.Segments[i].Name))
	}
	if st, solver := try(m, c.Open); st != nil && len(sizes) > 0 {
		if carry := m.Carry(st, solver.Rho()); !settlesAny(carry) {
			what := "a narrower main, " + strings.Join(sizes, ", ")
			if no != "" {
				what, no = no+", but a narrower main does, "+strings.Join(sizes, ", "), ""
			}
			what += ": then " + s.listed(p.Slow, func(i int) float64 { return st.Velocity[i] })
			if e, ok := s.effect("", m); ok && len(e.Losers) > 0 {
				what += "; but " + losers(e.Losers)
			}
			out = append(out, what)
		}
	}
	if no != "" {
		out = append(out, no)
	}
	return out
}

// first says which of some gates have to be put right before they can be opened.
func (s *Study) first(c *Case, gates uint64) string {
	if gates &= c.Doubt; gates == 0 {
		return ""
	}
	return "put " + gateList(s.GateNames(gates)) + " right first, and "
}

func settlesAny(carry []duct.Carrying) bool {
	for _, c := range carry {
		if c == duct.Settles {
			return true
		}
	}
	return false
}

// speeds lists the velocities in some segments with other gates open.
func (s *Study) speeds(open uint64, segments []int) string {
	x := s.cloud.Solve(open)
	return s.listed(segments, func(i int) float64 { return x.Velocity(i).Middle })
}

func (s *Study) listed(segments []int, speed func(i int) float64) string {
	var out []string
	for _, i := range segments {
		out = append(out, fmt.Sprintf("%s in %s", s.u(config.Velocity, speed(i)), s.Net.Segments[i].Name))
	}
	return strings.Join(out, ", ")
}

// odds says in how many cases a plan does it.
func (s *Study) odds(p *duct.Plan) string {
	if s.known() {
		return ""
	}
	return ", and chips are carried " + InCases(p.Carries)
}

func gateList(names []string) string {
	for i, n := range names {
		names[i] = fmt.Sprintf("%q", n)
	}
	return strings.Join(names, " and ")
}
