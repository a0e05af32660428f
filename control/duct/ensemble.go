package duct

import (
	"math"
	"slices"
)

// At returns the value that the share u of the cases lies below. Half of them
// lie on either side of Value, evenly thinning out towards Low and High; on a
// logarithmic scale unless Low is 0, so that twice as much is as likely as half.
// Where Value is itself an end, all lie on the other side. That shape is a choice:
// sources give a usual figure and its extremes, never how often.
func (e Estimate) At(u float64) float64 {
	below := 0.5
	switch {
	case e.Low >= e.Value:
		below = 0
	case e.High <= e.Value:
		below = 1
	}
	end, out := e.High, 0.0 // out: how far from Value to the end
	if u < below {
		end, out = e.Low, 1-math.Sqrt(u/below)
	} else if below < 1 {
		out = 1 - math.Sqrt((1-u)/(1-below))
	}
	if e.Low > 0 {
		return e.Value * math.Exp(out*math.Log(end/e.Value))
	}
	return e.Value + out*(end-e.Value)
}

// Part names what a guess is about.
type Part uint8

// The parts of a network that can be guessed.
const (
	HoodPart      Part = iota + 1 // the entry loss of a hood
	HosePart                      // the roughness of the hoses of one kind
	PipePart                      // the roughness of the pipes of one kind
	FittingPart                   // a wye, or another loss in a segment
	OpenPart                      // what the open gates of one kind lose
	LeakPart                      // what the shut gates of one kind let through
	FanFlowPart                   // factor on the fan's flow
	FanPart                       // factor on its pressure
	FilterPart                    // the loss of the filter
	SeparatorPart                 // the loss of the separator
	LeakagePart                   // the area of what leaks at the collector
)

// Unknown is a quantity of a network of which only a range is known.
type Unknown struct {
	Part     Part
	At       []int // the segments or gates that share it; empty for fan, filter and the like
	Estimate       // of all of them
	set      []*Estimate
}

// same reports whether u is the estimate of another place too: hoses,
// pipes and gates of one shop are of one make.
func (u *Unknown) same(p Part, e *Estimate) bool {
	switch p {
	case HosePart, PipePart, OpenPart, LeakPart:
		return u.Part == p && u.Estimate == *e
	default:
		return false
	}
}

// Unknowns lists what is not known of the network, with the places to set.
func (n *Network) Unknowns() []Unknown {
	var out []Unknown
	add := func(p Part, at int, e *Estimate) {
		if e.Low == e.High {
			return
		}
		i := slices.IndexFunc(out, func(u Unknown) bool { return u.same(p, e) })
		if i < 0 {
			i = len(out)
			out = append(out, Unknown{Part: p, Estimate: *e})
		}
		u := &out[i]
		u.set = append(u.set, e)
		if at >= 0 {
			u.At = append(u.At, at)
		}
	}
	for i := range n.Segments {
		g := &n.Segments[i]
		if g.Hood != nil {
			add(HoodPart, i, &g.Hood.Entry)
		}
		rough := PipePart
		if g.Flexible {
			rough = HosePart
		}
		if g.Length > 0 {
			add(rough, i, &g.Roughness)
		}
		for j := range g.Pieces {
			if k := g.Pieces[j].Kind; k == RawLoss || k == Wye {
				add(FittingPart, i, &g.Pieces[j].Loss)
			}
		}
	}
	for i := range n.Gates {
		add(OpenPart, i, &n.Gates[i].Open)
		add(LeakPart, i, &n.Gates[i].Shut)
	}
	add(FanFlowPart, -1, &n.Fan.FlowFactor)
	add(FanPart, -1, &n.Fan.PressureFactor)
	add(FilterPart, -1, &n.Filter.Now)
	add(SeparatorPart, -1, &n.Separator)
	add(LeakagePart, -1, &n.Leakage)
	return out
}

// Variants is the number of variants of a network in an ensemble. Of a large network
// there are fewer, so that it is solved in time: its ranges are the less exact.
const (
	Variants      = 300
	leastVariants = 30
	manyPieces    = 30000 // variants times segments
)

// Tolerances of the variants: a spread needs no more.
const (
	variantMoves = 1e-5
	variantGap   = 1e-4
)

// Ensemble is one network many times over, each time with other values of what
// is guessed: an even sample of the ranges (a Latin hypercube: of each guess every
// 300th part of its distribution occurs once). The draws are fixed, so that the
// same network always gives the same figures. An Ensemble is not safe for use by
// several goroutines.
type Ensemble struct {
	net      *Network
	solver   *Solver
	unknowns []Unknown
	middle   tuning
	variants []tuning
	draws    [][]float64 // by unknown and variant: its standard score
}

// NewEnsemble draws the variants of a network; a network without guesses has
// one. The error lists what is wrong with the network.
func NewEnsemble(n *Network) (*Ensemble, error) {
	s, err := NewSolver(n)
	if err != nil {
		return nil, err
	}
	e := &Ensemble{net: n, solver: s}
	e.middle = s.tuning(n)
	c := n.Clone()
	e.unknowns = c.Unknowns()
	size := min(Variants, max(leastVariants, manyPieces/max(len(n.Segments), 1)))
	if len(e.unknowns) == 0 {
		size = 1
	}
	e.draws = hypercube(len(e.unknowns), size)
	e.tuneAll(c, size)
	return e, nil
}

// tuneAll works out the variants from the draws. c is a network to set values in,
// that of the unknowns.
func (e *Ensemble) tuneAll(c *Network, size int) {
	e.variants = make([]tuning, size)
	for v := range e.variants {
		for j := range e.unknowns {
			e.unknowns[j].draw(e.draws[j][v])
		}
		e.variants[v] = e.solver.tuning(c)
	}
}

// draw gives the unknown the value of a standard score.
func (u *Unknown) draw(z float64) {
	x := Exact(u.Estimate.At(phi(z)))
	for _, e := range u.set {
		*e = x
	}
}

// phi is the share of a normal distribution below z, quantile its inverse.
func phi(z float64) float64      { return math.Erfc(-z/math.Sqrt2) / 2 }
func quantile(u float64) float64 { return math.Sqrt2 * math.Erfinv(2*u-1) }

// hypercube draws size standard scores for each of the dimensions: each is the
// same row, the middles of equal shares, shuffled in its own fixed way.
func hypercube(dimensions, size int) [][]float64 {
	var seed uint64
	random := func() uint64 { // splitmix64, public domain
		seed += 0x9e3779b97f4a7c15
		z := seed
		z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
		z = (z ^ z>>27) * 0x94d049bb133111eb
		return z ^ z>>31
	}
	out := make([][]float64, dimensions)
	for d := range out {
		row := make([]float64, size)
		for i := range row {
			row[i] = quantile((float64(i) + 0.5) / float64(size))
		}
		for i := size - 1; i > 0; i-- {
			j := random() % uint64(i+1)
			row[i], row[j] = row[j], row[i]
		}
		out[d] = row
	}
	return out
}

// Range holds a figure: in one case of ten it is below Low, in half of them below
// Middle, in one of ten above High.
type Range struct{ Low, Middle, High float64 }

// Spread is the air for one set of open gates in all variants.
type Spread struct {
	Open      uint64
	Converged bool // in every variant
	e         *Ensemble
	flow      [][]float64 // m³/s, by segment and variant
	static    [][]float64 // Pa
	total     []float64   // m³/s
	fan       []float64   // Pa
	filter    []float64   // Pa
}

// Solve finds the operating point of every variant with the gates in open open.
func (e *Ensemble) Solve(open uint64) *Spread {
	size, n := len(e.variants), len(e.net.Segments)
	x := &Spread{Open: open, Converged: true, e: e, total: make([]float64, size), fan: make([]float64, size), filter: make([]float64, size)}
	x.flow, x.static = rows(n, size), rows(n, size)
	s := e.solver
	s.tune(&e.middle)
	s.cool()
	s.find(open, flowTol, residualTol)
	moves, gap := variantMoves, variantGap
	if size == 1 {
		moves, gap = flowTol, residualTol
	}
	for v := range e.variants {
		s.tune(&e.variants[v])
		s.find(open, moves, gap)
		s.report()
		st := &s.state
		x.Converged = x.Converged && st.Converged
		x.total[v], x.fan[v], x.filter[v] = st.Total, st.Fan, st.Filter
		for i := range n {
			x.flow[i][v], x.static[i][v] = st.Flow[i], st.Static[i]
		}
	}
	return x
}

func rows(n, size int) [][]float64 {
	all := make([]float64, n*size)
	out := make([][]float64, n)
	for i := range out {
		out[i] = all[i*size : (i+1)*size]
	}
	return out
}

// rangeOf sorts a copy of x and reads the range off.
func rangeOf(x []float64) Range {
	x = slices.Clone(x)
	slices.Sort(x)
	at := func(u float64) float64 { // between the middles of equal shares
		p := math.Max(0, u*float64(len(x))-0.5)
		i := min(int(p), len(x)-1)
		j := min(i+1, len(x)-1)
		return x[i] + float64((p-float64(i))*(x[j]-x[i]))
	}
	return Range{at(0.1), at(0.5), at(0.9)}
}

// Flow is the range of the flow in segment i in m³/s.
func (x *Spread) Flow(i int) Range { return rangeOf(x.flow[i]) }

// Velocity is the range of the velocity in segment i in m/s.
func (x *Spread) Velocity(i int) Range {
	r, a := x.Flow(i), area(x.e.net.Segments[i].Diameter)
	return Range{r.Low / a, r.Middle / a, r.High / a}
}

// Static is the range of what a wall tap at the downstream end of segment i
// reads, in Pa.
func (x *Spread) Static(i int) Range { return rangeOf(x.static[i]) }

// Total is the range of the whole flow in m³/s; Fan and Filter are those of what the fan
// lifts and of what the filter takes in Pa.
func (x *Spread) Total() Range  { return rangeOf(x.total) }
func (x *Spread) Fan() Range    { return rangeOf(x.fan) }
func (x *Spread) Filter() Range { return rangeOf(x.filter) }

// OffCurve is the share of the variants in which the fan works left of the first
// point of its curve, which is taken as level there, and right of its last, where
// it is drawn on straight.
func (x *Spread) OffCurve() (left, right float64) {
	for v, q := range x.total {
		c := x.e.variants[v].fan
		last := c[len(c)-1]
		switch {
		case q < c[0].Flow:
			left += 1 / float64(len(x.total))
		case q > last.Flow && last.Pressure > 0:
			right += 1 / float64(len(x.total))
		}
	}
	return left, right
}

// Opened is the range of the part of its free flow that the fan moves. Free flow is
// where the curve, drawn on straight, comes down to no pressure.
func (x *Spread) Opened() Range {
	part := make([]float64, len(x.total))
	for v, q := range x.total {
		part[v] = q / x.e.variants[v].fan.meet(0, 0)
	}
	return rangeOf(part)
}

// Carry judges every segment by its middle velocity.
func (x *Spread) Carry() []Carrying {
	n := x.e.net
	out := make([]Carrying, len(n.Segments))
	for i, low := range n.minimums(n.LiveHoods(x.Open), x.Open, x.e.Rho()) {
		if low > 0 {
			out[i] = carrying(x.Velocity(i).Middle, low)
		}
	}
	return out
}

// Odds is the share of the variants in which segment i has at least the flow q in
// m³/s.
func (x *Spread) Odds(i int, q float64) float64 {
	n := 0
	for _, y := range x.flow[i] {
		if y >= q {
			n++
		}
	}
	return float64(n) / float64(len(x.flow[i]))
}

// Swift is the share of the variants in which segment i has at least the velocity
// v in m/s.
func (x *Spread) Swift(i int, v float64) float64 {
	return x.Odds(i, v*area(x.e.net.Segments[i].Diameter))
}

// Unknowns lists what the ensemble varies; Shares speaks of it by index.
func (e *Ensemble) Unknowns() []Unknown { return e.unknowns }

// Rho is the density of the air in kg/m³.
func (e *Ensemble) Rho() float64 { return e.solver.rho }

// Shares says how much of the spread of the flow in segment i comes from each
// unknown: the squared correlation, from 0 to 1.
func (x *Spread) Shares(i int) []float64 {
	out := make([]float64, len(x.e.unknowns))
	for j := range out {
		r := correlation(x.flow[i], x.e.draws[j])
		out[j] = r * r
	}
	return out
}

// Check is a reading that would narrow a figure, with the same gates open.
type Check struct {
	Quantity Quantity
	Segment  int
	Left     float64 // the part of the range that it would leave
}

// What a careful reading in a shop is good to, a part of its value. Common
// practice, no source.
const (
	pressureNoise = 0.02
	velocityNoise = 0.05
)

// Check finds the reading that would tell most about the flow in segment i: the
// best pressure where that leaves half of the range or less, since a gauge on a
// tap is soon read; else the best of all. The flow of the segment itself is what
// is asked, so its velocity counts like any other.
func (x *Spread) Check(i int) (best Check) {
	best.Left = 1
	try := func(q Quantity, at int, y []float64, noise float64) {
		m, v := moments(y)
		r := correlation(x.flow[i], y)
		if s := noise * m; v > 0 {
			r *= math.Sqrt(v / (v + float64(s*s)))
		}
		if left := math.Sqrt(math.Max(0, 1-float64(r*r))); left < best.Left-1e-9 {
			best = Check{q, at, left}
		}
	}
	on := x.e.net.onWay(x.Open)
	for at := range on {
		if on[at] {
			try(StaticPressure, at, x.static[at], pressureNoise)
		}
	}
	try(FilterDrop, Collector, x.filter, pressureNoise)
	if best.Left > 0.5 {
		for at := range on {
			if on[at] {
				try(MeanVelocity, at, x.flow[at], velocityNoise)
			}
		}
	}
	return best
}

// onWay marks the segments that the air of an open hood passes.
func (n *Network) onWay(open uint64) []bool {
	on := make([]bool, len(n.Segments))
	for _, h := range n.LiveHoods(open) {
		for i := h; i >= 0 && !on[i]; i = n.Segments[i].To {
			on[i] = true
		}
	}
	return on
}

func moments(x []float64) (mean, variance float64) {
	for _, y := range x {
		mean += y / float64(len(x))
	}
	for _, y := range x {
		variance += float64((y-mean)*(y-mean)) / float64(len(x))
	}
	return mean, variance
}

// correlation of x and y, 0 where one of them does not vary.
func correlation(x, y []float64) float64 {
	mx, vx := moments(x)
	my, vy := moments(y)
	if vx <= 0 || vy <= 0 {
		return 0
	}
	c := 0.0
	for i := range x {
		c += float64((x[i]-mx)*(y[i]-my)) / float64(len(x))
	}
	return c / math.Sqrt(vx*vy)
}
