package duct

import (
	"math"
	"math/rand"
	"testing"
)

// newton finds the same operating point by another way: the flows of the hoods
// are the unknowns, and E(q) = Σ∫Δp − ∫(p_F − aQ) is strictly convex in them. Its
// gradient is driven to zero by Newton's method with a line search on the slope
// of E along the step (accepting steps on the size of the gradient fails at the
// kinks of a fan curve). Plain and slow; every segment's loss comes from
// Friction, not from the solver's frozen factors.
func newton(n *Network, open uint64) (flow []float64, ok bool) {
	rho, mu := n.Air.density(), n.Air.viscosity()
	fan := n.Fan.scaled(rho)
	a, b := n.Filter.Now.Value, n.Separator.Value*rho/StandardDensity
	var hoods []int
	for i, s := range n.Segments {
		if s.Hood != nil {
			hoods = append(hoods, i)
		}
	}
	drop := func(i int, q float64) float64 {
		s := &n.Segments[i]
		k := n.loss(i)
		if s.Gate >= 0 {
			if open>>s.Gate&1 == 1 {
				k += n.Gates[s.Gate].openLoss()
			} else {
				k += n.Gates[s.Gate].Shut.Value
			}
		}
		v := q / area(s.Diameter)
		return (frictionOf(rho*v*s.Diameter/mu, s.Roughness.Value/s.Diameter)*s.Length/s.Diameter + k) * rho / 2 * v * v
	}
	lift := func(q float64) float64 { return fan.at(q) - a*q - b*q*q }
	m := len(hoods)
	flow = make([]float64, len(n.Segments))
	onWay := make([][]bool, m)
	for j, h := range hoods {
		onWay[j] = make([]bool, len(n.Segments))
		for i := h; i >= 0; i = n.Segments[i].To {
			onWay[j][i] = true
		}
	}
	spread := func(q []float64) (total float64) {
		clear(flow)
		for j, x := range q {
			total += x
			for i, on := range onWay[j] {
				if on {
					flow[i] += x
				}
			}
		}
		return total
	}
	gradient := func(q, g []float64) {
		total := spread(q)
		d := make([]float64, len(flow))
		for i, x := range flow {
			d[i] = drop(i, x)
		}
		for j := range q {
			g[j] = -lift(total)
			for i, on := range onWay[j] {
				if on {
					g[j] += d[i]
				}
			}
		}
	}
	q, g, gn, qn := make([]float64, m), make([]float64, m), make([]float64, m), make([]float64, m)
	for j := range q {
		q[j] = 0.02
	}
	gradient(q, g)
	for range 200 {
		worst := 0.0
		for _, x := range g {
			worst = math.Max(worst, math.Abs(x))
		}
		if worst < 1e-13*fan[0].Pressure {
			spread(q)
			return flow, true
		}
		total := spread(q)
		slope := make([]float64, len(flow))
		for i, x := range flow {
			h := 1e-6*x + 1e-12
			slope[i] = (drop(i, x+h) - drop(i, x-h)) / (2 * h)
		}
		h := 1e-7
		fanSlope := (lift(total+h) - lift(total-h)) / (2 * h)
		mat := make([][]float64, m)
		for j := range mat {
			mat[j] = make([]float64, m+1)
			for k := range q {
				mat[j][k] = -fanSlope
				for i := range slope {
					if onWay[j][i] && onWay[k][i] {
						mat[j][k] += slope[i]
					}
				}
			}
			mat[j][m] = -g[j]
		}
		step := gauss(mat)
		reach, d0 := 1.0, 0.0
		for j := range q {
			d0 += g[j] * step[j]
			if step[j] < 0 {
				reach = math.Min(reach, -0.95*q[j]/step[j])
			}
		}
		low, high, t := 0.0, reach, reach
		for range 60 {
			d := 0.0
			for j := range q {
				qn[j] = q[j] + t*step[j]
			}
			gradient(qn, gn)
			for j := range q {
				d += gn[j] * step[j]
			}
			if d <= 0 && t == reach || math.Abs(d) <= 0.3*math.Abs(d0) {
				break
			}
			if d > 0 {
				high = t
			} else {
				low = t
			}
			t = (low + high) / 2
		}
		copy(q, qn)
		copy(g, gn)
	}
	spread(q)
	return flow, false
}

// gauss solves a system given with its right side in the last column.
func gauss(a [][]float64) []float64 {
	n := len(a)
	for c := range n {
		p := c
		for r := c + 1; r < n; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[p][c]) {
				p = r
			}
		}
		a[c], a[p] = a[p], a[c]
		for r := c + 1; r < n; r++ {
			f := a[r][c] / a[c][c]
			for k := c; k <= n; k++ {
				a[r][k] -= f * a[c][k]
			}
		}
	}
	x := make([]float64, n)
	for r := n - 1; r >= 0; r-- {
		x[r] = a[r][n]
		for k := r + 1; k < n; k++ {
			x[r] -= a[r][k] * x[k]
		}
		x[r] /= a[r][r]
	}
	return x
}

// randomTree makes a network of n segments: any shape, any of the usual sizes,
// gates at the hoods and now and then in a main.
func randomTree(r *rand.Rand, n int) *Network {
	pick := func(xs ...float64) float64 { return xs[r.Intn(len(xs))] }
	net := &Network{Fan: Fan{Points: []FanPoint{{0, 12 * inwg}, {0.19, 11.5 * inwg}, {0.378, 9.5 * inwg},
		{0.566, 6 * inwg}, {0.708, 2 * inwg}, {0.78, 0}}}, Filter: Filter{Now: Exact(r.Float64() * 1.5 * inwg / 0.472)}}
	joined := make([]bool, n)
	to := make([]int, n)
	for i := range to {
		to[i] = Collector
		if i > 0 {
			to[i] = r.Intn(i)
			joined[to[i]] = true
		}
	}
	for i := range to {
		s := Segment{Name: string(rune('a'+i%26)) + string(rune('0'+i/26)), To: to[i], Gate: NoGate,
			Length: 0.5 + 7.5*r.Float64(), Roughness: Exact(pick(1e-5, 9e-5, 9e-4))}
		loss := 2 * r.Float64()
		if !joined[i] {
			s.Hood = &Hood{Entry: Exact(0.5 + 2*r.Float64())}
		}
		if s.Diameter = pick(0.127, 0.1524, 0.2032); s.Hood != nil {
			s.Diameter = pick(0.0762, 0.1016, 0.127)
		}
		if (s.Hood != nil || r.Intn(8) == 0) && len(net.Gates) < MaxGates {
			s.Gate = len(net.Gates)
			net.Gates = append(net.Gates, Gate{Name: s.Name, Open: Exact(0.2), Shut: Exact(13000)})
		}
		s.Pieces = []Piece{{Kind: RawLoss, Loss: Exact(loss)}}
		net.Segments = append(net.Segments, s)
	}
	return net
}

// TestNewtonAgrees solves 1,000 random trees by both methods.
func TestNewtonAgrees(t *testing.T) {
	r := rand.New(rand.NewSource(7))
	worst, passes, sum := 0.0, 0, 0
	trees := 1000
	for k := range trees {
		n := randomTree(r, 3+r.Intn(12))
		open := r.Uint64() & (1<<len(n.Gates) - 1)
		s, err := NewSolver(n)
		if err != nil {
			t.Fatal(err)
		}
		st := s.Solve(open)
		if !st.Converged {
			t.Errorf("tree %d: %v", k, st)
		}
		passes, sum = max(passes, st.Passes), sum+st.Passes
		want, ok := newton(n, open)
		if !ok {
			t.Errorf("tree %d: the test's own method failed", k)
			continue
		}
		for i := range want {
			d := math.Abs(st.Flow[i]/want[i] - 1)
			worst = math.Max(worst, d)
			if d > 1e-6 {
				t.Errorf("tree %d, open %b, %s: %.9g by reduction, %.9g by Newton", k, open, n.Segments[i].Name, st.Flow[i], want[i])
			}
		}
	}
	t.Logf("%d trees agree within %.1e; %.1f passes on average, %d at most", trees, worst, float64(sum)/float64(trees), passes)
}

// Where friction is everything and the flow is laminar or between laminar and
// turbulent, the friction factors move most from pass to pass. It must converge
// there too, and to the same point.
func TestNewtonAgreesOnFrictionAlone(t *testing.T) {
	r := rand.New(rand.NewSource(31))
	worst, passes := 0.0, 0
	for k := range 1000 {
		n := randomTree(r, 2+r.Intn(8))
		scale := math.Pow(10, -4*r.Float64()) // of the fan's pressure: down to a breath
		for i := range n.Fan.Points {
			n.Fan.Points[i].Pressure *= scale
		}
		n.Filter.Now = Exact(n.Filter.Now.Value * scale)
		for i := range n.Segments {
			s := &n.Segments[i]
			s.Pieces, s.Length, s.Diameter = nil, 60*r.Float64(), 0.02+0.08*r.Float64()
			s.Roughness = Exact(s.Diameter * 0.05 * r.Float64())
			if s.Hood != nil {
				s.Hood.Entry = Exact(0.01)
			}
		}
		for i := range n.Gates {
			n.Gates[i].Open = Exact(0)
		}
		s, err := NewSolver(n)
		if err != nil {
			t.Fatal(err)
		}
		open := ^uint64(0)
		st := s.Solve(open)
		if !st.Converged {
			t.Errorf("tree %d: %v", k, st)
			continue
		}
		passes = max(passes, st.Passes)
		want, ok := newton(n, open)
		if !ok {
			t.Errorf("tree %d: the test's own method failed", k)
			continue
		}
		for i := range want {
			if d := math.Abs(st.Flow[i]/want[i] - 1); d > 1e-6 {
				t.Errorf("tree %d, %s: %.9g by reduction, %.9g by Newton", k, n.Segments[i].Name, st.Flow[i], want[i])
			} else {
				worst = math.Max(worst, d)
			}
		}
	}
	t.Logf("agreement within %.1e, at most %d passes", worst, passes)
}
