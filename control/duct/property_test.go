package duct

import (
	"math"
	"math/rand"
	"testing"
)

// The 13 properties hold for falling fan curves and fixed loss factors. Each is
// tried on trees trees.
const trees = 250

// solve returns the flows and the whole state, and fails if it did not converge.
func solve(t *testing.T, n *Network, open uint64) *State {
	t.Helper()
	s, err := NewSolver(n)
	if err != nil {
		t.Fatal(err)
	}
	st := s.Solve(open)
	if !st.Converged {
		t.Fatalf("%v", st)
	}
	return st
}

func eachTree(t *testing.T, seed int64, f func(r *rand.Rand, n *Network, open uint64)) {
	r := rand.New(rand.NewSource(seed))
	for range trees {
		n := randomTree(r, 3+r.Intn(12))
		f(r, n, r.Uint64()&(1<<len(n.Gates)-1))
	}
}

// atMost fails if got exceeds limit by more than a relative 1e-9.
func atMost(t *testing.T, what string, got, limit float64) {
	t.Helper()
	if !(got <= limit*(1+1e-9)) {
		t.Errorf("%s: %.12g, must be at most %.12g", what, got, limit)
	}
}

func within(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol*math.Abs(want)) {
		t.Errorf("%s: %.10g, want %.10g within %g %%", what, got, want, tol*100)
	}
}

// 1: what flows into a node flows out of it.
func TestPropertyMass(t *testing.T) {
	eachTree(t, 1, func(_ *rand.Rand, n *Network, open uint64) {
		st := solve(t, n, open)
		in := make([]float64, len(n.Segments))
		total := 0.0
		for i, s := range n.Segments {
			if s.To == Collector {
				total += st.Flow[i]
			} else {
				in[s.To] += st.Flow[i]
			}
		}
		for i, s := range n.Segments {
			if s.Hood == nil {
				within(t, s.Name, in[i], st.Flow[i], 1e-12)
			}
		}
		within(t, "total", total, st.Total, 1e-12)
	})
}

// 2 and 3: opening a gate never lowers the total nor raises another branch.
func TestPropertyOpening(t *testing.T) {
	eachTree(t, 2, func(r *rand.Rand, n *Network, open uint64) {
		g := r.Intn(len(n.Gates))
		open &^= 1 << g
		before := solve(t, n, open).Clone()
		after := solve(t, n, open|1<<g)
		atMost(t, "total before", before.Total, after.Total)
		var at int
		for i, s := range n.Segments {
			if s.Gate == g {
				at = i
			}
		}
		for i, s := range n.Segments {
			if s.Hood != nil && !n.leadsThrough(i, at) {
				atMost(t, "another hood", after.Flow[i], before.Flow[i])
			}
		}
	})
}

// 4: what the fan puts in is what the ducts take out.
func TestPropertyEnergy(t *testing.T) {
	eachTree(t, 4, func(_ *rand.Rand, n *Network, open uint64) {
		st := solve(t, n, open)
		up := make([]float64, len(n.Segments)) // pressure at the upstream end; the room's at a hood
		for i, s := range n.Segments {
			if s.To != Collector {
				up[s.To] = st.Pressure[i]
			}
		}
		lost := 0.0
		for i := range n.Segments {
			lost += (up[i] - st.Pressure[i]) * st.Flow[i]
		}
		within(t, "power", lost, (st.Fan-st.Filter)*st.Total, 1e-6)
	})
}

// 5: at another speed Q goes with n and p with n²: exactly without friction,
// within 1 % of flow with it, since f depends a little on Re. No linear filter.
func TestPropertySpeed(t *testing.T) {
	for _, c := range []struct {
		friction bool
		tol      float64
	}{{false, 1e-9}, {true, 0.01}} {
		eachTree(t, 5, func(_ *rand.Rand, n *Network, open uint64) {
			n.Filter = Filter{}
			for i := range n.Segments {
				if !c.friction {
					n.Segments[i].Length = 0
				}
			}
			n.Fan.Frequency, n.Fan.Mains = 60, 60
			full := solve(t, n, open).Clone()
			n.Fan.Mains = 48
			slow := solve(t, n, open)
			within(t, "flow at 0.8 n", slow.Total, 0.8*full.Total, c.tol)
			within(t, "pressure at 0.8 n", slow.Fan, 0.64*full.Fan, 2*c.tol)
		})
	}
}

// 6: at 0.832 of the density flows change by at most 0.8 % without and 1.9 %
// with a linear filter term, and the fan's pressure by the ratio.
func TestPropertyDensity(t *testing.T) {
	const ratio = 0.832 // 5,000 ft
	for _, c := range []struct {
		filter bool
		tol    float64
	}{{false, 0.008}, {true, 0.019}} {
		eachTree(t, 6, func(_ *rand.Rand, n *Network, _ uint64) {
			open := uint64(1)<<len(n.Gates) - 1 // leaks alone are laminar: more friction
			if !c.filter {
				n.Filter = Filter{}
			}
			at0 := solve(t, n, open).Clone()
			n.Air.Density = StandardDensity * ratio
			up := solve(t, n, open)
			within(t, "flow", up.Total, at0.Total, c.tol)
			if !c.filter {
				within(t, "pressure", up.Fan, ratio*at0.Fan, 0.02)
			}
		})
	}
}

// 7: more length, an elbow, roughness or a dirtier filter never help. 8: with a
// fixed loss factor a wider segment never hurts.
func TestPropertyWorseIsWorse(t *testing.T) {
	changes := map[string]func(n *Network, s *Segment){
		"length":    func(_ *Network, s *Segment) { s.Length *= 1.3 },
		"roughness": func(_ *Network, s *Segment) { s.Roughness = Exact(s.Roughness.Value * 3) },
		"elbow": func(_ *Network, s *Segment) {
			s.Pieces = append(s.Pieces, Piece{Kind: Elbow, Angle: 90, RadiusRatio: 1.5})
		},
		"loss":   func(_ *Network, s *Segment) { s.Pieces = append(s.Pieces, Piece{Kind: RawLoss, Loss: Exact(0.5)}) },
		"filter": func(n *Network, _ *Segment) { n.Filter.Now = Exact(n.Filter.Now.Value*1.5 + 50) },
	}
	for what, change := range changes {
		eachTree(t, 7, func(r *rand.Rand, n *Network, open uint64) {
			before := solve(t, n, open).Total
			change(n, &n.Segments[r.Intn(len(n.Segments))])
			atMost(t, what, solve(t, n, open).Total, before)
		})
	}
	eachTree(t, 8, func(r *rand.Rand, n *Network, open uint64) {
		before := solve(t, n, open).Total
		n.Segments[r.Intn(len(n.Segments))].Diameter *= 1.2
		atMost(t, "before the wider duct", before, solve(t, n, open).Total)
	})
}

// 9: two identical branches at one node carry the same. 10: cutting a segment in
// two changes nothing. 11: a tight gate is as good as no branch.
func TestPropertyEqualSplitAndTight(t *testing.T) {
	eachTree(t, 9, func(r *rand.Rand, n *Network, open uint64) {
		var hoods []int
		for i, s := range n.Segments {
			if s.Hood != nil {
				hoods = append(hoods, i)
			}
		}
		h := hoods[r.Intn(len(hoods))]

		twin := n.Clone()
		copyOf := twin.Segments[h]
		copyOf.Name, copyOf.Gate = "twin", len(twin.Gates)
		twin.Gates = append(twin.Gates, twin.Gates[n.Segments[h].Gate])
		twin.Segments = append(twin.Segments, copyOf)
		st := solve(t, twin, open|open>>n.Segments[h].Gate&1<<copyOf.Gate)
		within(t, "the twin", st.Flow[len(n.Segments)], st.Flow[h], 1e-9)

		before := solve(t, n, open).Total
		cut := n.Clone()
		i := r.Intn(len(n.Segments))
		half := cut.Segments[i]
		half.Name, half.Hood, half.Pieces, half.Gate = "half", nil, nil, NoGate
		half.Length /= 2
		cut.Segments[i].Length /= 2
		cut.Segments[i].To = len(cut.Segments)
		cut.Segments = append(cut.Segments, half)
		within(t, "the duct in two halves", solve(t, cut, open).Total, before, 1e-9)

		if len(hoods) < 2 {
			return
		}
		tight := n.Clone()
		tight.Gates[n.Segments[h].Gate].Shut = Exact(math.Inf(1))
		st = solve(t, tight, open&^(1<<n.Segments[h].Gate)).Clone()
		if st.Flow[h] != 0 {
			t.Errorf("%g m³/s through a tight gate", st.Flow[h])
		}
		if gone, ok := without(tight, h); ok {
			within(t, "the branch removed", solve(t, gone, open&^(1<<n.Segments[h].Gate)).Total, st.Total, 1e-9)
		}
	})
}

// without removes a branch; false if its main would be left without air.
func without(n *Network, h int) (*Network, bool) {
	c := n.Clone()
	others := 0
	for i, s := range c.Segments {
		if i != h && s.To == c.Segments[h].To {
			others++
		}
	}
	if others == 0 {
		return nil, false
	}
	c.Segments = append(c.Segments[:h], c.Segments[h+1:]...)
	for i := range c.Segments {
		if c.Segments[i].To > h {
			c.Segments[i].To--
		}
	}
	return c, true
}

// 12: the order in which the ducts are listed changes nothing.
func TestPropertyOrder(t *testing.T) {
	eachTree(t, 12, func(r *rand.Rand, n *Network, open uint64) {
		want := solve(t, n, open).Clone()
		p := r.Perm(len(n.Segments))
		c := n.Clone()
		for i, s := range n.Segments {
			if s.To != Collector {
				s.To = p[s.To]
			}
			c.Segments[p[i]] = s
		}
		got := solve(t, c, open)
		for i := range p {
			within(t, "flow", got.Flow[p[i]], want.Flow[i], 1e-9)
			within(t, "pressure", got.Pressure[p[i]], want.Pressure[i], 1e-9)
		}
	})
}

// 13: the pressure falls from hood to fan; a tap sees it ahead of what is lost at
// the wye.
func TestPropertyPressureFalls(t *testing.T) {
	eachTree(t, 13, func(_ *rand.Rand, n *Network, open uint64) {
		s, err := NewSolver(n)
		if err != nil {
			t.Fatal(err)
		}
		st := s.Solve(open)
		for i, seg := range n.Segments {
			v := st.Velocity[i]
			tap := st.Static[i] + s.Rho()/2*v*v // total there
			if tap > 0 || tap < st.Pressure[i]*(1+1e-9) {
				t.Errorf("%s: total %g Pa, at the tap %g Pa", seg.Name, st.Pressure[i], tap)
			}
			if seg.To != Collector && st.Pressure[seg.To] > st.Pressure[i] {
				t.Errorf("%s: %g Pa, and %g Pa further down", seg.Name, st.Pressure[i], st.Pressure[seg.To])
			}
		}
	})
}

// A solver that goes from state to state gives what a fresh one gives.
func TestWarmStartIsForgotten(t *testing.T) {
	eachTree(t, 14, func(r *rand.Rand, n *Network, open uint64) {
		s, err := NewSolver(n)
		if err != nil {
			t.Fatal(err)
		}
		for range 4 {
			s.Solve(r.Uint64())
		}
		warm := s.Solve(open)
		cold := solve(t, n, open)
		if !warm.Converged {
			t.Errorf("%v", warm)
		}
		for i := range n.Segments {
			within(t, "flow", warm.Flow[i], cold.Flow[i], 1e-9)
		}
	})
}
