package duct

import (
	"math"
	"slices"
)

// model predicts measures from standard scores of what is not known.
type model struct {
	net       *Network
	solver    *Solver
	unknowns  []Unknown
	measures  []Measure
	suspected []*Estimate // what the last unknown multiplies
}

func newModel(n *Network, measures []Measure) *model {
	c := n.Clone()
	if c.Fan.PressureFactor == (Estimate{}) {
		c.Fan.PressureFactor = Exact(1)
	}
	return &model{net: c, solver: newSolver(c), unknowns: c.Unknowns(), measures: measures}
}

// suspect takes the estimates out of the guesses and puts one factor on all of
// them in their place, from 1/wide to wide.
func (m *model) suspect(list []*Estimate, wide float64) {
	m.suspected = list
	var rest []Unknown
	for _, u := range m.unknowns {
		u.set = slices.DeleteFunc(slices.Clone(u.set), func(e *Estimate) bool { return slices.Contains(list, e) })
		if len(u.set) > 0 {
			rest = append(rest, u)
		}
	}
	m.unknowns = append(rest, Unknown{Estimate: Guess(1, 1/wide, wide)})
}

// predict returns what is measured at standard scores z, nil where no operating
// point is found.
func (m *model) predict(z []float64) []float64 {
	saved := make([]Estimate, len(m.suspected))
	for j := range m.unknowns {
		if j == len(m.unknowns)-1 && m.suspected != nil {
			f := m.unknowns[j].Estimate.At(phi(z[j]))
			for i, e := range m.suspected {
				saved[i] = *e
				*e = Exact(e.Value * f)
			}
			break
		}
		m.unknowns[j].draw(z[j])
	}
	t := m.solver.tuning(m.net)
	m.solver.tune(&t)
	for i, e := range m.suspected {
		*e = saved[i]
	}
	out := make([]float64, len(m.measures))
	done := make([]bool, len(out))
	for i := range m.measures {
		if done[i] {
			continue
		}
		m.solver.find(m.measures[i].Open, 1e-6, 1e-4)
		m.solver.report()
		if !m.solver.state.Converged {
			return nil
		}
		for j := i; j < len(out); j++ {
			if m.measures[j].Open == m.measures[i].Open {
				out[j], done[j] = m.measures[j].of(m.solver), true
			}
		}
	}
	return out
}

// cost is the sum of squares of the scores and of the differences over their
// errors: -2 times the logarithm of how likely both are together.
func (m *model) cost(z, got []float64) float64 {
	sum := 0.0
	for _, x := range z {
		sum += float64(x * x)
	}
	for i := range m.measures {
		r := (got[i] - m.measures[i].Value) / m.measures[i].sigma()
		sum += float64(r * r)
	}
	return sum
}

// mode finds the likeliest scores, where that does not fit from other places of the
// last unknown too, and the Cholesky factor of the curvature there. nil: no operating point was found.
func (m *model) mode() (z []float64, factor [][]float64) {
	best := math.Inf(1)
	for _, start := range []float64{0, -1.2, 1.2} {
		if start != 0 && (m.suspected == nil || best <= chiSquare99(len(m.measures))) {
			break
		}
		x := make([]float64, len(m.unknowns))
		if start != 0 {
			x[len(x)-1] = start
		}
		x, c, r := m.descend(x)
		if x != nil && c < best-1e-9 {
			z, factor, best = x, r, c
		}
	}
	return z, factor
}

// descend goes down to the next valley from z.
func (m *model) descend(z []float64) (at []float64, cost float64, factor [][]float64) {
	const step, most = 0.05, 30
	got := m.predict(z)
	if got == nil {
		return nil, 0, nil
	}
	cost = m.cost(z, got)
	d := len(z)
	for range most {
		jac := make([][]float64, d) // by unknown, over the errors
		for j := range jac {
			z[j] += step
			up := m.predict(z)
			z[j] -= step
			if up == nil {
				return nil, 0, nil
			}
			jac[j] = make([]float64, len(got))
			for i := range got {
				jac[j][i] = (up[i] - got[i]) / step / m.measures[i].sigma()
			}
		}
		a, b := rows(d, d), make([]float64, d)
		for j := range d {
			b[j] = -z[j]
			for i := range got {
				b[j] -= float64(jac[j][i] * (got[i] - m.measures[i].Value) / m.measures[i].sigma())
			}
			for k := range d {
				for i := range got {
					a[j][k] += float64(jac[j][i] * jac[k][i])
				}
			}
			a[j][j]++
		}
		factor = cholesky(a)
		move := backward(factor, forward(factor, b))
		share, better := 1.0, false
		for range 12 {
			next := make([]float64, d)
			for j := range next {
				next[j] = math.Min(6, math.Max(-6, z[j]+float64(share*move[j])))
			}
			if g := m.predict(next); g != nil {
				if c := m.cost(next, g); c < cost {
					better = cost-c > 1e-2
					z, got, cost = next, g, c
					break
				}
			}
			share /= 2
		}
		if !better {
			break
		}
	}
	return z, cost, factor
}

// sample draws scores from the normal distribution about z whose curvature has
// the Cholesky factor r, a little wider, and returns with each the logarithm of
// its weight.
func (m *model) sample(z []float64, r [][]float64, size int) (logW []float64, draws [][]float64) {
	const wider = 1.1
	d := len(z)
	scores := hypercube(d, size)
	logDet := float64(d) * math.Log(wider)
	for j := range d {
		logDet -= math.Log(r[j][j])
	}
	for v := range size {
		xi := make([]float64, d)
		norm := 0.0
		for j := range d {
			xi[j] = scores[j][v]
			norm += float64(xi[j] * xi[j])
		}
		x := backward(r, xi)
		for j := range d {
			x[j] = z[j] + float64(wider*x[j])
		}
		w := math.Inf(-1)
		if got := m.predict(x); got != nil {
			w = (norm-m.cost(x, got))/2 + logDet
		}
		logW, draws = append(logW, w), append(draws, x)
		if d == 0 {
			break
		}
	}
	return logW, draws
}

// cholesky returns the lower triangle r with r·rᵀ = a, of a positive definite a.
func cholesky(a [][]float64) [][]float64 {
	d := len(a)
	r := rows(d, d)
	for i := range d {
		for j := 0; j <= i; j++ {
			s := a[i][j]
			for k := range j {
				s -= float64(r[i][k] * r[j][k])
			}
			if i == j {
				r[i][i] = math.Sqrt(s)
			} else {
				r[i][j] = s / r[j][j]
			}
		}
	}
	return r
}

// forward solves r·x = b, backward rᵀ·x = b.
func forward(r [][]float64, b []float64) []float64 {
	x := slices.Clone(b)
	for i := range x {
		for k := range i {
			x[i] -= float64(r[i][k] * x[k])
		}
		x[i] /= r[i][i]
	}
	return x
}

func backward(r [][]float64, b []float64) []float64 {
	x := slices.Clone(b)
	for i := len(x) - 1; i >= 0; i-- {
		for k := i + 1; k < len(x); k++ {
			x[i] -= float64(r[k][i] * x[k])
		}
		x[i] /= r[i][i]
	}
	return x
}
