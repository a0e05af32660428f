package duct

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
)

// Quantity names what a Measure measured.
type Quantity uint8

// The quantities.
const (
	StaticPressure Quantity = iota + 1 // Pa on a wall tap at the downstream end of a segment, ahead of its wye; negative under suction
	MeanVelocity                       // m/s over the segment's section
	FilterDrop                         // Pa across the filter
)

// Measure is one reading in the shop.
type Measure struct {
	Open     uint64 // gates
	Segment  int    // of pressure and velocity
	Quantity Quantity
	Value    float64
	Error    float64 // standard error as a part of Value; 0 = 2 % of a pressure, 5 % of a velocity
	Date     string  // when it was read, as in 2026-11-30; "" is not known
}

// sigma is the standard error in the unit of the measure.
func (m *Measure) sigma() float64 {
	part := m.Error
	switch {
	case part > 0:
	case m.Quantity == MeanVelocity:
		part = velocityNoise
	default:
		part = pressureNoise
	}
	return part * math.Abs(m.Value)
}

// of reads the measured figure off a solver.
func (m *Measure) of(s *Solver) float64 {
	switch m.Quantity {
	case MeanVelocity:
		return s.state.Velocity[m.Segment]
	case FilterDrop:
		return s.state.Filter
	default:
		return s.state.Static[m.Segment]
	}
}

// BlockPart is, as the part of a Finding, what lies in a main and narrows it; no
// guess is about that.
const BlockPart Part = 100

// Finding is one explanation of measures: that one part of the network is far from
// what the network says, while all the rest lies within its guesses.
type Finding struct {
	Part Part  // 0: nothing is far off
	At   []int // segments or gates, as those of an Unknown
	Odds float64
	// Fits says whether what is left is within the errors of the measures: worse
	// comes by chance in one case of a hundred.
	Fits bool
	// Factor on what the network holds, with the ends that enclose it in nine cases
	// of ten; of a BlockPart the loss in velocity pressures.
	Factor, Low, High float64
	// Left is how much of what was thought possible beforehand the measures leave,
	// from 0 to 1. Near 1 they say nothing about the part.
	Left   float64
	Points []float64 // the measured figures as this explanation has them
	model  *model
	mean   []float64 // most likely standard scores
}

// Diagnosis says what measures reveal about a network.
type Diagnosis struct {
	Measures []Measure
	Before   []float64 // the measured figures as the network has them
	Findings []Finding // the likeliest first
}

// ErrNoMeasure is returned where there is nothing to go by.
var ErrNoMeasure = errors.New("duct: no measure given")

// Diagnose weighs what may be wrong with a network: nothing, the hoses, the fan,
// the filter, what shut gates let through, the hood of an open branch, something
// that lies in a main. The error lists what is wrong with the network itself.
//
// Every explanation is a set of guesses with independent distributions, those of
// the network with one of them much wider. Its most likely values are found by
// Gauss and Newton's method; from the normal distribution that has the same
// curvature there, draws are taken and weighted by how likely they and the
// measures are. The mean weight is the evidence for the explanation (importance
// sampling about Laplace's approximation), the weighted draws give its interval.
func Diagnose(n *Network, measures []Measure) (*Diagnosis, error) {
	if len(measures) == 0 {
		return nil, ErrNoMeasure
	}
	if err := n.Validate().Err(); err != nil {
		return nil, err
	}
	d := &Diagnosis{Measures: measures}
	all := explanations(n, measures)
	if d.Before = all[0].model.predict(make([]float64, len(all[0].model.unknowns))); d.Before == nil {
		return nil, errors.New("duct: no operating point found for a measure")
	}
	sum := 0.0
	for _, f := range all {
		if f.weigh() {
			d.Findings = append(d.Findings, f)
			sum += f.Odds
		}
	}
	for i := range d.Findings {
		if f := &d.Findings[i]; sum > 0 {
			f.Odds /= sum
		}
	}
	slices.SortStableFunc(d.Findings, func(a, b Finding) int { return cmp.Compare(b.Odds, a.Odds) })
	return d, nil
}

// explanations lists what may be wrong, not weighed yet; nothing comes first.
func explanations(n *Network, measures []Measure) []Finding {
	live := make([]bool, len(n.Segments))
	for _, m := range measures {
		for i, on := range n.onWay(m.Open) {
			live[i] = live[i] || on
		}
	}
	out := []Finding{{model: newModel(n, measures)}}
	suspect := func(p Part, at []int, wide float64, set func(c *Network) []*Estimate) {
		m := newModel(n, measures)
		list := set(m.net)
		if len(list) == 0 {
			return
		}
		m.suspect(list, wide)
		out = append(out, Finding{Part: p, At: at, model: m})
	}
	var hoses []int
	for i := range n.Segments {
		if n.Segments[i].Flexible && n.Segments[i].Length > 0 {
			hoses = append(hoses, i)
		}
	}
	suspect(HosePart, hoses, 12, func(c *Network) (out []*Estimate) {
		for _, i := range hoses {
			out = append(out, &c.Segments[i].Roughness)
		}
		return out
	})
	suspect(FanPart, nil, 2, func(c *Network) []*Estimate { return []*Estimate{&c.Fan.PressureFactor} })
	if n.Filter.Now.Value > 0 {
		suspect(FilterPart, nil, 8, func(c *Network) []*Estimate { return []*Estimate{&c.Filter.Now} })
	}
	suspect(LeakPart, nil, 50, func(c *Network) (out []*Estimate) {
		for i := range c.Gates {
			if e := &c.Gates[i].Shut; !math.IsInf(e.Value, 1) {
				out = append(out, e)
			}
		}
		return out
	})
	for i := range n.Segments {
		switch g := &n.Segments[i]; {
		case !live[i]:
		case g.Hood == nil && !g.Flexible: // in a hose it would look like roughness
			suspect(BlockPart, []int{i}, 20, func(c *Network) []*Estimate {
				s := &c.Segments[i]
				s.Pieces = append(s.Pieces, Piece{Kind: RawLoss, Loss: Exact(1)})
				return []*Estimate{&s.Pieces[len(s.Pieces)-1].Loss}
			})
		case g.Hood != nil && g.Hood.Entry.Value > 0:
			suspect(HoodPart, []int{i}, 8, func(c *Network) []*Estimate { return []*Estimate{&c.Segments[i].Hood.Entry} })
		}
	}
	return out
}

// Sure is the share of the odds from which on a finding is named.
const Sure = 0.95

// Blamed is the part that the measures point to, nil if they do not tell it from
// another or if nothing fits.
func (d *Diagnosis) Blamed() *Finding {
	if f := &d.Findings[0]; f.Part != 0 && f.Odds >= Sure && f.Fits {
		return f
	}
	return nil
}

// Fits reports whether any explanation is within the errors of the measures.
func (d *Diagnosis) Fits() bool {
	return slices.ContainsFunc(d.Findings, func(f Finding) bool { return f.Fits })
}

// Find returns the finding on a part, nil if there is none.
func (d *Diagnosis) Find(p Part, at ...int) *Finding {
	for i := range d.Findings {
		if f := &d.Findings[i]; f.Part == p && (len(at) == 0 || slices.Equal(f.At, at)) {
			return f
		}
	}
	return nil
}

// Network is the network with the factor of the finding applied and its range
// closed.
func (f *Finding) Network() *Network {
	m := f.model
	for _, e := range m.suspected {
		defer func(was Estimate) { *e = was }(*e)
		*e = Exact(e.Value * f.Factor)
	}
	c := m.net.Clone()
	for i := range c.Segments {
		if s := &c.Segments[i]; f.Part == HosePart && s.Flexible {
			s.Roughness = Exact(math.Min(s.Roughness.Value, 0.05*s.Diameter))
		}
	}
	return c
}

// draws of one explanation.
const fitDraws = 150

// weigh works out one explanation, with its evidence as odds; false where no
// operating point is found.
func (f *Finding) weigh() bool {
	m := f.model
	z, r := m.mode()
	if z == nil {
		return false
	}
	f.mean, f.Points = z, m.predict(z)
	f.Fits = m.cost(z, f.Points) <= chiSquare99(len(m.measures))
	logW, draws := m.sample(z, r, fitDraws)
	for _, w := range logW {
		f.Odds += math.Exp(w) / float64(len(logW))
	}
	if f.Part == 0 {
		return true
	}
	j := len(m.unknowns) - 1
	x := make([]float64, len(draws))
	for i := range draws {
		x[i] = draws[i][j]
	}
	q := weighted(x, logW, 0.05, 0.5, 0.95)
	at := func(z float64) float64 { return m.unknowns[j].Estimate.At(phi(z)) }
	f.Low, f.Factor, f.High = at(q[0]), at(q[1]), at(q[2])
	f.Left = (q[2] - q[0]) / (2 * quantile(0.95))
	return true
}

// chiSquare99 is the value that a sum of k squares of standard scores exceeds once
// in a hundred times (Wilson and Hilferty's approximation).
func chiSquare99(k int) float64 {
	a := 2 / (9 * float64(k))
	c := 1 - a + float64(quantile(0.99)*math.Sqrt(a))
	return float64(k) * c * c * c
}

// weighted returns quantiles of x under weights given by their logarithms.
func weighted(x, logW []float64, at ...float64) []float64 {
	order := make([]int, len(x))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(x[a], x[b]) })
	top := slices.Max(logW)
	sum := 0.0
	for _, w := range logW {
		sum += math.Exp(w - top)
	}
	out := make([]float64, 0, len(at))
	done, last := 0.0, x[order[0]]
	for _, i := range order {
		w := math.Exp(logW[i]-top) / sum
		for len(out) < len(at) && done+w/2 >= at[len(out)] {
			t := 1.0
			if len(out) < len(at) && w > 0 {
				t = math.Min(1, math.Max(0, (at[len(out)]-done+w/2)/w))
			}
			out = append(out, last+float64(t*(x[i]-last)))
		}
		done, last = done+w, x[i]
	}
	for len(out) < len(at) {
		out = append(out, last)
	}
	return out
}

// Tell finds the reading that would best tell two findings apart, and by how many
// of its errors they differ there: among the sets of gates of single machines and
// of the measures.
func (d *Diagnosis) Tell(a, b *Finding) (m Measure, apart float64) {
	n := a.model.net
	var opens []uint64
	for _, x := range n.Machines {
		opens = append(opens, x.Gates)
	}
	for _, x := range d.Measures {
		opens = append(opens, x.Open)
	}
	slices.Sort(opens)
	var list []Measure
	for _, open := range slices.Compact(opens) {
		list = append(list, Measure{Open: open, Quantity: FilterDrop})
		for i, on := range n.onWay(open) {
			if on {
				list = append(list, Measure{Open: open, Segment: i, Quantity: StaticPressure}, Measure{Open: open, Segment: i, Quantity: MeanVelocity})
			}
		}
	}
	read := func(f *Finding) []float64 {
		x := *f.model
		x.measures = list
		return x.predict(f.mean)
	}
	p, q := read(a), read(b)
	if p == nil || q == nil {
		return m, 0
	}
	for i := range list {
		list[i].Value = p[i]
		if x := math.Abs(p[i]-q[i]) / list[i].sigma(); x > apart {
			m, apart = list[i], x
		}
	}
	return m, apart
}

// ErrContradict is returned where measures lie outside what the guesses leave
// possible.
var ErrContradict = errors.New("duct: the measures lie outside the guesses")

// Given returns the ensemble as the measures leave it: variants that agree with
// them, drawn as often as they are likely. Where they contradict the guesses the
// error is ErrContradict; Diagnose then says what may be off.
func (e *Ensemble) Given(measures []Measure) (*Ensemble, error) {
	m := newModel(e.net, measures)
	z, r := m.mode()
	if z == nil {
		return nil, errors.New("duct: no operating point found for a measure")
	}
	if m.cost(z, m.predict(z)) > chiSquare99(len(measures)) {
		return nil, ErrContradict
	}
	out := &Ensemble{net: e.net, solver: e.solver, unknowns: m.unknowns, middle: e.middle, draws: rows(len(z), len(e.variants))}
	if len(z) > 0 {
		logW, draws := m.sample(z, r, 10*len(e.variants))
		top := slices.Max(logW)
		sum := 0.0
		for i := range logW {
			logW[i] = math.Exp(logW[i] - top)
			sum += logW[i]
		}
		done, v := 0.0, 0
		for i, w := range logW {
			for done += w / sum; v < len(e.variants) && (float64(v)+0.5)/float64(len(e.variants)) <= done; v++ {
				for j := range z {
					out.draws[j][v] = draws[i][j]
				}
			}
		}
	}
	out.tuneAll(m.net, len(e.variants))
	return out, nil
}

// Measured returns the ensemble as the network's own readings leave it, and how many
// they are. Where they contradict the guesses, or nothing was read, that is e itself
// and 0.
func (e *Ensemble) Measured() (*Ensemble, int) {
	if len(e.net.Measured) == 0 {
		return e, 0
	}
	g, err := e.Given(e.net.Measured)
	if err != nil {
		return e, 0
	}
	return g, len(e.net.Measured)
}

// Mark tells ducts that were measured from others: it changes with the pieces, what
// they join, their sizes, hoods, gates, fan and filter, and not with what is guessed.
func (n *Network) Mark() string {
	h := uint32(2166136261) // FNV-1a, public domain
	add := func(x ...any) {
		for _, b := range []byte(fmt.Sprintln(x...)) {
			h = (h ^ uint32(b)) * 16777619
		}
	}
	for i := range n.Segments {
		g := &n.Segments[i]
		add(g.Name, g.To, g.Diameter, g.Length, g.Rise, g.Flexible, g.Gate, len(g.Pieces), g.Hood != nil)
		if g.Hood != nil {
			add(g.Hood.Port)
		}
	}
	for i := range n.Gates {
		add(n.Gates[i].Name, n.Gates[i].Opening)
	}
	add(n.Fan.Points, n.Filter.Clean, n.Filter.Loaded, n.Separator.Value)
	return fmt.Sprintf("%08x", h)
}

// Like returns an ensemble of a network that differs from that of e in something:
// what is not known of both takes the same values, so that a difference between
// the two is the change's alone, and what measures have told stays told.
func (e *Ensemble) Like(n *Network) (*Ensemble, error) {
	out, err := NewEnsemble(n)
	if err != nil || len(e.draws) == 0 || len(out.draws) == 0 {
		return out, err
	}
	c := n.Clone()
	out.unknowns = c.Unknowns()
	for j, u := range out.unknowns {
		if k := slices.IndexFunc(e.unknowns, func(x Unknown) bool { return x.Part == u.Part && slices.Equal(x.At, u.At) }); k >= 0 {
			out.draws[j] = e.draws[k]
		}
	}
	out.tuneAll(c, len(out.variants))
	return out, nil
}
