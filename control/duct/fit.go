package duct

import (
	"errors"
	"math"
)

// Quantity is what a Measure measured.
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
	Segment  int
	Quantity Quantity
	Value    float64
}

// Fitted says what is adjusted to the measures.
type Fitted uint8

// What can be adjusted.
const (
	HoseRoughness Fitted = iota + 1 // of every flexible segment, by one factor
	FanCurve                        // its pressure, by one factor
)

// Fit is the outcome of a fit.
type Fit struct {
	What   Fitted
	Factor float64 // on what the network held before
	// Network is the one given, with the factor applied and its range closed.
	Network *Network
	Points  []FitPoint
	// RMS is the root mean square of the relative differences, before and after.
	Before, After float64
	// AtLimit is true if the best factor is at the end of what was searched: the
	// measures do not fit this adjustment.
	AtLimit bool
	// Sensitivity is the relative change of the measured figures, root mean square,
	// for a change of the factor by 1 %, over 1 %. Near 0 the measures say nothing.
	Sensitivity float64
}

// FitPoint is one measure beside what the network gives.
type FitPoint struct {
	Measure       Measure
	Before, After float64
}

// Range of the factor.
const (
	leastFactor = 1.0 / 30
	mostFactor  = 30.0
)

// errNothingToFit is returned where there is no measure or no hose.
var errNothingToFit = errors.New("duct: nothing to fit: no measure given, or the network has no hose")

// FitTo adjusts one factor to one or a few measures by least squares of the
// relative differences. With one measure the fit is exact or at its limit, and
// says nothing about how good it is.
func FitTo(n *Network, what Fitted, measures []Measure) (*Fit, error) {
	hoses := 0
	for i := range n.Segments {
		if n.Segments[i].Flexible {
			hoses++
		}
	}
	if len(measures) == 0 || what == HoseRoughness && hoses == 0 {
		return nil, errNothingToFit
	}
	f := &Fit{What: what}
	before, err := predict(n, measures)
	if err != nil {
		return nil, err
	}
	f.Before = rms(before, measures)
	// In the logarithm of the factor the sum has one valley: every prediction is
	// monotonic in it. A coarse walk finds it, a golden section the bottom.
	cost := func(x float64) float64 {
		got, err := predict(n.adjusted(what, math.Exp(x)), measures)
		if err != nil {
			return math.Inf(1)
		}
		return rms(got, measures)
	}
	low, high := math.Log(leastFactor), math.Log(mostFactor)
	const steps = 60
	best, bestAt := math.Inf(1), 0
	for i := range steps + 1 {
		if c := cost(low + (high-low)*float64(i)/steps); c < best {
			best, bestAt = c, i
		}
	}
	if math.IsInf(best, 1) {
		return nil, errors.New("duct: no factor within 1/30 to 30 gives a network that can be solved")
	}
	step := (high - low) / steps
	a, b := math.Max(low, low+step*float64(bestAt-1)), math.Min(high, low+step*float64(bestAt+1))
	const golden = 0.6180339887498949
	for range 60 {
		c, d := b-golden*(b-a), a+golden*(b-a)
		if cost(c) < cost(d) {
			b = d
		} else {
			a = c
		}
	}
	f.Factor = math.Exp((a + b) / 2)
	f.AtLimit = f.Factor < leastFactor*1.001 || f.Factor > mostFactor/1.001
	f.Network = n.adjusted(what, f.Factor)
	after, err := predict(f.Network, measures)
	if err != nil {
		return nil, err
	}
	f.After = rms(after, measures)
	nudged, err := predict(n.adjusted(what, f.Factor*1.01), measures)
	if err != nil {
		return nil, err
	}
	for i, m := range measures {
		f.Points = append(f.Points, FitPoint{m, before[i], after[i]})
		d := (nudged[i] - after[i]) / after[i] / 0.01
		f.Sensitivity += d * d / float64(len(measures))
	}
	f.Sensitivity = math.Sqrt(f.Sensitivity)
	return f, nil
}

// adjusted returns the network with the factor applied; what was a guess is then
// taken as known.
func (n *Network) adjusted(what Fitted, factor float64) *Network {
	c := n.Clone()
	switch what {
	case HoseRoughness:
		for i := range c.Segments {
			if s := &c.Segments[i]; s.Flexible {
				s.Roughness = Exact(math.Min(s.Roughness.Value*factor, 0.05*s.Diameter))
			}
		}
	case FanCurve:
		p := c.Fan.PressureFactor.Value
		if c.Fan.PressureFactor == (Estimate{}) {
			p = 1
		}
		c.Fan.PressureFactor = Exact(p * factor)
	}
	return c
}

// predict returns what the network gives for each measure.
func predict(n *Network, measures []Measure) ([]float64, error) {
	s, err := NewSolver(n)
	if err != nil {
		return nil, err
	}
	out := make([]float64, len(measures))
	for i, m := range measures {
		st := s.Solve(m.Open)
		if !st.Converged {
			return nil, errors.New("duct: no operating point found for a measure")
		}
		switch m.Quantity {
		case StaticPressure:
			out[i] = st.Static[m.Segment]
		case MeanVelocity:
			out[i] = st.Velocity[m.Segment]
		case FilterDrop:
			out[i] = st.Filter
		}
	}
	return out, nil
}

func rms(got []float64, measures []Measure) float64 {
	sum := 0.0
	for i, m := range measures {
		d := (got[i] - m.Value) / m.Value
		sum += d * d
	}
	return math.Sqrt(sum / float64(len(measures)))
}
