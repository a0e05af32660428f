package duct

import (
	"fmt"
	"math/rand"
	"testing"
)

// benchTree is a tree whose gates sit at its hoods; more hoods than gates stay
// open.
func benchTree(segments int) *Network {
	r := rand.New(rand.NewSource(11))
	n := randomTree(r, segments)
	return n
}

// Target: 20 segments within 150 µs warm-started, and cost in proportion to the
// number of segments up to 1,000.
func BenchmarkSolve(b *testing.B) {
	for _, size := range []int{7, 20, 100, 300, 1000} {
		b.Run(fmt.Sprint(size), func(b *testing.B) {
			n := benchTree(size)
			s, err := NewSolver(n)
			if err != nil {
				b.Fatal(err)
			}
			mask := uint64(1)<<len(n.Gates) - 1
			if len(n.Gates) == 64 {
				mask = ^uint64(0)
			}
			sets := make([]uint64, 64)
			r := rand.New(rand.NewSource(1))
			for i := range sets {
				sets[i] = r.Uint64() & mask
			}
			passes := 0
			b.ReportAllocs()
			b.ResetTimer()
			for i := range b.N {
				st := s.Solve(sets[i%len(sets)])
				if !st.Converged {
					b.Fatal(st)
				}
				passes += st.Passes
			}
			b.ReportMetric(float64(passes)/float64(b.N), "passes/op")
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(size), "ns/segment")
		})
	}
}

// Target: all 4,096 states of 12 gates within a second.
func BenchmarkAllStatesOf12Gates(b *testing.B) {
	n := worksNetwork()
	s, err := NewSolver(n)
	if err != nil {
		b.Fatal(err)
	}
	for range b.N {
		for open := range uint64(1 << 12) {
			if st := s.Solve(open); !st.Converged {
				b.Fatal(st)
			}
		}
	}
}

// The reference network, for the ratio to the water-network solver.
func BenchmarkReference(b *testing.B) {
	s, err := NewSolver(referenceNetwork())
	if err != nil {
		b.Fatal(err)
	}
	opens := []uint64{0b0111, 0b0001, 0b0100, 0b0101, 0b1111, 0}
	for i := range b.N {
		s.Solve(opens[i%len(opens)])
	}
}

// The largest shop: 64 machines, each with a gate.
func BenchmarkTableOf64Machines(b *testing.B) {
	n := worksNetwork()
	n.Segments, n.Gates = nil, nil
	add := netAdder(n)
	for i := range 64 {
		add(fmt.Sprintf("B%d", i), 64+i/4, 4, 4+float64(i%7), 9e-4, 1.5, true)
	}
	for i := range 16 {
		to := Collector
		if i < 15 {
			to = 64 + i + 1
		}
		add(fmt.Sprintf("M%d", i), to, 8, 6, 9e-5, 0.2, false)
	}
	withMachines(n)
	for range b.N {
		table, err := NewTable(n)
		if err != nil {
			b.Fatal(err)
		}
		table.Start()
	}
}

func BenchmarkFriction(b *testing.B) {
	for range b.N {
		frictionOf(1.2e5, 6e-4)
	}
}

// BenchmarkBesideEpanet times both solvers on the same networks in one run.
func BenchmarkBesideEpanet(b *testing.B) {
	for name, e := range peerNetworks() {
		b.Run(name, func(b *testing.B) {
			p := pose(e.net, e.opens)
			p.Repeat = 200
			_, theirs := runEpanet(b, p)
			s, err := NewSolver(e.net)
			if err != nil {
				b.Fatal(err)
			}
			b.ResetTimer()
			for i := range b.N {
				s.Solve(e.opens[i%len(e.opens)])
			}
			ours := float64(b.Elapsed().Nanoseconds()) / 1e3 / float64(b.N)
			b.ReportMetric(theirs, "epanet-µs/state")
			b.ReportMetric(theirs/ours, "ratio")
		})
	}
}

// The solver allocates nothing after it is made.
func TestSolveDoesNotAllocate(t *testing.T) {
	n := worksNetwork()
	s, err := NewSolver(n)
	if err != nil {
		t.Fatal(err)
	}
	open := uint64(0)
	if a := testing.AllocsPerRun(200, func() { open = open*5 + 3; s.Solve(open) }); a != 0 {
		t.Errorf("%g allocations a state", a)
	}
}

// 12 gates: every one of the 4,096 states converges.
func TestAllStatesConverge(t *testing.T) {
	s, err := NewSolver(worksNetwork())
	if err != nil {
		t.Fatal(err)
	}
	for open := range uint64(1 << 12) {
		if st := s.Solve(open); !st.Converged {
			t.Errorf("%v", st)
		}
	}
}

// What the daemon solves at start-up for 12 machines: 12 singles, 66 pairs, each
// with the search for helper gates and their odds. Target: 5 s.
func BenchmarkTableOf12Machines(b *testing.B) {
	n := withMachines(guess(worksNetwork(), rand.New(rand.NewSource(12))))
	for range b.N {
		table, err := NewTable(n)
		if err != nil {
			b.Fatal(err)
		}
		table.Start()
	}
}
