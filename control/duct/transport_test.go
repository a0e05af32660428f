package duct

import (
	"math"
	"math/bits"
	"math/rand"
	"slices"
	"testing"
	"time"
)

// withMachines gives every hood with a gate a machine of the gate's name.
func withMachines(n *Network, coast ...time.Duration) *Network {
	for i, s := range n.Segments {
		if s.Hood == nil {
			continue
		}
		m := Machine{Name: s.Name, Gates: n.OpenFor(i), Hoods: []int{i}}
		if k := len(n.Machines); k < len(coast) {
			m.Coast = coast[k]
		}
		n.Machines = append(n.Machines, m)
	}
	return n
}

// The reference network with B1 alone: 5607 ft/min in the branch, 2534 to 2645 in
// the 6 in main, which is too slow; about 1.0 s of air time, 1.4 s at 0.7 V
// (computed beside the reference network's results).
func TestTransportOneBranchOnABigMain(t *testing.T) {
	n := withMachines(referenceNetwork(), 20*time.Second)
	s, err := NewSolver(n)
	if err != nil {
		t.Fatal(err)
	}
	st := s.Solve(0b0001)
	within(t, "branch", st.Velocity[0], 5607*fpm, 0.003)
	within(t, "T1", st.Velocity[4], 2534*fpm, 0.003)
	within(t, "T3", st.Velocity[6], 2645*fpm, 0.003)
	carry := n.Carry(st, s.Rho())
	want := []Carrying{Carries, Idle, Idle, Idle, Settles, Settles, Settles}
	if !slices.Equal(carry, want) {
		t.Errorf("carrying %v, want %v", carry, want)
	}
	air := 0.0
	for _, i := range []int{0, 4, 5, 6} {
		air += n.Segments[i].Length / st.Velocity[i]
	}
	within(t, "air time", air, 1.0, 0.05)
	within(t, "clear-out", n.ClearOut(st, 0), 1.4, 0.05)
	within(t, "clear-out", n.ClearOut(st, 0), air/0.7, 1e-9)
	r := n.RunOn(0, st, s.Rho())
	if !slices.Equal(r.Stuck, []int{4, 5, 6}) {
		t.Errorf("stuck %v", r.Stuck)
	}
	if r.Clear != 5*time.Second || r.Total != 25*time.Second {
		t.Errorf("clear %v, run-on %v; want 5s and 25s", r.Clear, r.Total)
	}
}

func TestClearTime(t *testing.T) {
	for _, c := range []struct {
		travel float64
		want   time.Duration
	}{
		{0, 5 * time.Second}, {1.4, 5 * time.Second}, {1.5, 5 * time.Second}, {1.51, 5100 * time.Millisecond},
		{4, 10 * time.Second}, {28.9, 59800 * time.Millisecond}, {29, time.Minute}, {500, time.Minute},
		{math.Inf(1), time.Minute}, {math.NaN(), time.Minute},
	} {
		if got := ClearTime(c.travel); got != c.want {
			t.Errorf("%g s of travel: %v, want %v", c.travel, got, c.want)
		}
	}
}

// A riser carries by V less the settling speed, and not at all below it.
func TestRiser(t *testing.T) {
	n := branch(4, 10, 9e-5, 1)
	n.Segments[0].Length, n.Segments[0].Rise = 4, 3
	st := &State{Velocity: []float64{15}}
	within(t, "clear-out", n.ClearOut(st, 0), 1/(0.7*15)+3/(15-5.0), 1e-12)
	st.Velocity[0] = 5
	if got := n.ClearOut(st, 0); !math.IsInf(got, 1) {
		t.Errorf("%g s up a riser at the settling speed", got)
	}
	n.Segments[0].Rise = -3 // downwards it helps, which is left out
	st.Velocity[0] = 10
	within(t, "downwards", n.ClearOut(st, 0), 4/(0.7*10), 1e-12)
}

// The bounds of the verdict: 20 m/s carries, 18 is doubtful, below it settles;
// moist chips ask for 28; thin air for more by the root of the density.
func TestCarryingBounds(t *testing.T) {
	n := withMachines(referenceNetwork())
	for _, c := range []struct {
		v    float64
		want Carrying
	}{{20, Carries}, {19.99, Doubtful}, {18, Doubtful}, {17.99, Settles}} {
		if got := carrying(c.v, n.MinVelocity(4, 1, StandardDensity)); got != c.want {
			t.Errorf("%g m/s: %v, want %v", c.v, got, c.want)
		}
	}
	n.Machines[0].MinVelocity = MinMoist
	if got := n.MinVelocity(4, 0b0001, StandardDensity); got != MinMoist {
		t.Errorf("moist chips: %g m/s", got)
	}
	if got := n.MinVelocity(4, 0b0100, StandardDensity); got != MinChips {
		t.Errorf("the moist machine is shut off: %g m/s", got)
	}
	within(t, "thin air", n.MinVelocity(4, 0b0100, StandardDensity*0.81), MinChips/0.9, 1e-12)
}

// tapered is a chain of three hoods on one main that only two of them fill.
func tapered() *Network {
	n := &Network{Fan: Fan{Points: []FanPoint{{0, 12 * inwg}, {400 * cfm, 11.5 * inwg}, {800 * cfm, 9.5 * inwg},
		{1200 * cfm, 6 * inwg}, {1500 * cfm, 2 * inwg}}}, Filter: Filter{Now: Exact(inwg / (1000 * cfm))}, Expansion: true}
	add := netAdder(n)
	add("far", 3, 4, 6, 9e-4, 3, true)
	add("middle", 3, 4, 6, 9e-5, 1, true)
	add("near", 4, 4, 6, 9e-5, 1, true)
	add("M1", 4, 6, 15, 9e-5, 0.2, false)
	add("M2", Collector, 6, 10, 9e-5, 0.2, false)
	return withMachines(n)
}

// A helper must be upstream of the slow stretch: with "far" alone M1 is too slow;
// "near" would make it slower still, "middle" helps.
func TestHelperIsUpstream(t *testing.T) {
	n := tapered()
	s, err := NewSolver(n)
	if err != nil {
		t.Fatal(err)
	}
	alone := s.Solve(0b001).Velocity[3]
	if near := s.Solve(0b101).Velocity[3]; near >= alone {
		t.Errorf("the near gate speeds M1 up: %g m/s from %g", near, alone)
	}
	plan := func(open uint64) Plan {
		e, err := NewEnsemble(n)
		if err != nil {
			t.Fatal(err)
		}
		return e.Plan(open)
	}
	p := plan(0b001)
	if !slices.Equal(p.Slow, []int{3, 4}) || p.Helpers != 0b010 || p.Purge != 0 {
		t.Fatalf("%+v", p)
	}
	after := n.Carry(s.Solve(0b001|p.Helpers), s.Rho())
	for i, c := range after {
		if c == Settles {
			t.Errorf("%s still settles", n.Segments[i].Name)
		}
	}

	// Where the machine wants more than the helper leaves it, the main is purged
	// in the run-on instead.
	with := s.Solve(0b011).Flow[0]
	n.Segments[0].Hood.Wants = with * 1.001
	if p = plan(0b001); p.Helpers != 0 || p.Purge != 0b010 || !p.Starved {
		t.Errorf("%+v", p)
	}
	n.Segments[0].Hood.Wants = with * 0.999
	if p = plan(0b001); p.Helpers != 0b010 {
		t.Errorf("%+v", p)
	}

	// Nothing is slow: nothing is opened.
	if p = plan(0b011); p.Slow != nil || p.Helpers != 0 || p.Purge != 0 {
		t.Errorf("%+v", p)
	}
	if p = plan(0); p.Helpers != 0 {
		t.Errorf("no machine runs: %+v", p)
	}
}

// On random trees a helper never leaves a hood with less than it wants, and
// always leaves every stretch carrying.
func TestHelperProperties(t *testing.T) {
	helpers, purges := 0, 0
	eachTree(t, 21, func(r *rand.Rand, n *Network, _ uint64) {
		withMachines(n)
		for i := range n.Segments {
			if h := n.Segments[i].Hood; h != nil {
				h.Wants = 0.05 + 0.1*r.Float64()
			}
		}
		s, err := NewSolver(n)
		if err != nil {
			t.Fatal(err)
		}
		open := n.Machines[r.Intn(len(n.Machines))].Gates
		hoods := n.LiveHoods(open)
		e, err := NewEnsemble(n)
		if err != nil {
			t.Fatal(err)
		}
		p := e.Plan(open)
		if p.Helpers&open != 0 || p.Purge&open != 0 || p.Helpers != 0 && p.Purge != 0 {
			t.Errorf("open %b: %+v", open, p)
		}
		if p.Helpers|p.Purge == 0 {
			return
		}
		st := s.Solve(open | p.Helpers | p.Purge)
		if n.least(st, hoods, n.minimums(hoods, open, s.Rho())) < Marginal {
			t.Errorf("open %b: still slow with %+v", open, p)
		}
		if p.Helpers != 0 {
			helpers++
			if n.supply(st, hoods) < 1 {
				t.Errorf("open %b: a hood is starved by %+v", open, p)
			}
		} else {
			purges++
		}
	})
	if helpers == 0 || purges == 0 {
		t.Errorf("%d helpers and %d purges: the trees test nothing", helpers, purges)
	}
}

// Of a duct that is guessed a helper starves a hood in no more than one case of ten
// and keeps the chips moving in half of them at least, over fresh draws too.
func TestHelperOdds(t *testing.T) {
	r := rand.New(rand.NewSource(10))
	helpers, several := 0, 0
	for range 60 {
		n := withMachines(guessedTree(r, 5+r.Intn(10)))
		for i := range n.Segments {
			if h := n.Segments[i].Hood; h != nil {
				h.Wants = 0.03 + 0.08*r.Float64()
			}
		}
		e, err := NewEnsemble(n)
		if err != nil {
			t.Fatal(err)
		}
		open := n.Machines[r.Intn(len(n.Machines))].Gates
		p := e.Plan(open)
		if p.Helpers == 0 {
			continue
		}
		helpers++
		if bits.OnesCount64(p.Helpers) > 1 {
			several++
		}
		hoods := n.LiveHoods(open)
		low := n.minimums(hoods, open, e.Rho())
		c := n.Clone()
		unknowns := c.Unknowns()
		short, carries := 0, 0
		const fresh = 200
		for range fresh {
			for j := range unknowns {
				unknowns[j].draw(r.NormFloat64())
			}
			st := solve(t, c, open|p.Helpers)
			if n.supply(st, hoods) < 1 {
				short++
			}
			if n.least(st, hoods, low) >= Marginal {
				carries++
			}
		}
		if short > fresh/10+20 || carries < fresh/2-25 { // and what chance does to 200 draws
			t.Errorf("open %b, helpers %b: short in %d of %d, carries in %d; said %g and %g", open, p.Helpers, short, fresh, carries, p.Short, p.Carries)
		}
	}
	if helpers < 5 || several == 0 {
		t.Errorf("%d helpers, %d of several gates: the trees test nothing", helpers, several)
	}
}

// Of two helpers that are as good, a set takes the one that its machine has alone:
// gates do not move for little.
func TestHelpersStay(t *testing.T) {
	n := tapered()
	twin := n.Segments[1]
	twin.Name, twin.Gate, twin.Length = "twin", 3, twin.Length*1.02
	n.Segments = append(n.Segments, twin)
	n.Gates = append(n.Gates, n.Gates[1])
	n = withMachines(n)
	e, err := NewEnsemble(n)
	if err != nil {
		t.Fatal(err)
	}
	first := e.Plan(0b001).Helpers
	other := uint64(0b1010) &^ first
	if first == 0 || other == first|0b1010 {
		t.Fatalf("helpers %b", first)
	}
	if got := e.Plan(0b001, other).Helpers; got != other {
		t.Errorf("%b, want %b", got, other)
	}
	if got := e.Plan(0b001, 0b100).Helpers; got != first {
		t.Errorf("one that does not help is preferred: %b", got)
	}
	// In the table the pair has what its machine has alone, as far as that is shut.
	table, err := NewTable(n)
	if err != nil {
		t.Fatal(err)
	}
	table.Start()
	for _, set := range n.StartSets() {
		h := table.Helper(set)
		for _, m := range n.Machines {
			if a := table.Helper(m.Gates); h != 0 && m.Gates != set && m.Gates&^set == 0 && a&set == 0 && a != 0 && a != h {
				x, _ := table.Look(set)
				if bits.OnesCount64(a) <= bits.OnesCount64(h) && x.Carries-x.Short < 0.9 {
					t.Errorf("set %b: helper %b, alone %b", set, h, a)
				}
			}
		}
	}
}

func TestTable(t *testing.T) {
	n := withMachines(referenceNetwork(), 20*time.Second, 6*time.Second, 3*time.Second)
	n.Machines[3].RunOn = 18 * time.Second
	n.Together = []uint64{0b0111}
	n.Segments[4].Length = 60 // a long main: the clear-out is above its least
	table, err := NewTable(n)
	if err != nil {
		t.Fatal(err)
	}
	table.Start()
	if table.Failed() != nil {
		t.Errorf("not solved: %b", table.Failed())
	}
	s, err := NewSolver(n)
	if err != nil {
		t.Fatal(err)
	}
	want := func(m int, open uint64) time.Duration { return n.RunOn(m, s.Solve(open), s.Rho()).Total }
	for _, c := range []struct {
		m    int
		open uint64
		want time.Duration
	}{
		{0, 0b0001, want(0, 0b0001)},
		{1, 0b0011, want(1, 0b0011)},
		{2, 0b0111, want(2, 0b0111)},
		{3, 0b1000, 18 * time.Second},
		{0, 0b0010, 80 * time.Second}, // its own gate is shut: the bound
		{0, 0b1111, 80 * time.Second}, // not solved yet: the bound
		{3, 0b1111, 18 * time.Second},
		{1, 0b0011 | 1<<40, want(1, 0b0011)}, // a gate that is in no duct
	} {
		if got := table.RunOn(c.m, c.open); got != c.want {
			t.Errorf("machine %d, open %b: %v, want %v", c.m, c.open, got, c.want)
		}
	}
	if a, b := table.RunOn(0, 0b0001), table.RunOn(2, 0b0100); a <= 25*time.Second || a == b {
		t.Errorf("run-ons %v and %v: too much alike to test anything", a, b)
	}
	table.Solve(0b1111)
	if got := table.RunOn(0, 0b1111); got != want(0, 0b1111) {
		t.Errorf("after solving on demand: %v, want %v", got, want(0, 0b1111))
	}
	if a := testing.AllocsPerRun(100, func() { table.RunOn(0, 0b1110); table.Helper(0b0001) }); a != 0 {
		t.Errorf("%g allocations a lookup", a)
	}
	if table.RunOn(-1, 1) != time.Minute || table.RunOn(99, 1) != time.Minute {
		t.Error("an unknown machine")
	}
}

// The table's helper is the plan's, and its run-on with the helper open is
// solved at start-up.
func TestTableHelper(t *testing.T) {
	table, err := NewTable(tapered())
	if err != nil {
		t.Fatal(err)
	}
	table.Start()
	if got := table.Helper(0b001); got != 0b010 {
		t.Errorf("helper %b, want 10", got)
	}
	if got := table.RunOn(0, 0b011); got == time.Minute {
		t.Error("the set with its helper is not solved")
	}
	n := tapered()
	n.Segments[0].Hood.Wants = 0.2 // more than a helper leaves it
	purging, err := NewTable(n)
	if err != nil {
		t.Fatal(err)
	}
	purging.Start()
	if h, p := purging.Helper(0b001), purging.Purge(0b001); h != 0 || p != 0b010 || table.Purge(0b001) != 0 {
		t.Errorf("helper %b, purge %b", h, p)
	}
}

// A solution is what the solver says, and stays so when others are solved.
func TestTableLook(t *testing.T) {
	n := tapered()
	table, err := NewTable(n)
	if err != nil {
		t.Fatal(err)
	}
	table.Start()
	s, err := NewSolver(n)
	if err != nil {
		t.Fatal(err)
	}
	x, ok := table.Look(0b001)
	if !ok {
		t.Fatal("a single is not solved at start-up")
	}
	table.Solve(0b111, 0)
	st := s.Solve(0b001)
	carry := n.Carry(st, s.Rho())
	if !slices.Contains(carry, Settles) || x.Slow == nil || x.Helpers == 0 {
		t.Errorf("carrying %v, slow %v, helpers %b: nothing settles, so nothing is tested", carry, x.Slow, x.Helpers)
	}
	if !slices.Equal(x.Carry, carry) {
		t.Errorf("carrying %v, want %v", x.Carry, carry)
	}
	within(t, "total", x.Total, st.Total, 1e-6)
	for i := range n.Segments {
		within(t, "flow", x.Flow[i], st.Flow[i], 1e-6)
		within(t, "velocity", x.Velocity[i], st.Velocity[i], 1e-6)
		within(t, "static pressure", x.Static[i], st.Static[i], 1e-6)
	}
	if x, ok := table.Look(0); !ok || !x.Converged || len(x.Slow) > 0 {
		t.Errorf("all gates shut: %+v", x)
	}
}

// However many sets are solved, the table holds those of start-up and the newest.
func TestTableIsBounded(t *testing.T) {
	n := withMachines(worksNetwork())
	table, err := NewTable(n)
	if err != nil {
		t.Fatal(err)
	}
	table.Start()
	atStart := len(*table.known.Load())
	for open := range uint64(3 * maxFound) {
		table.Solve(open)
		if _, ok := table.Look(open); !ok {
			t.Fatalf("set %b is gone at once", open)
		}
	}
	if got := len(*table.known.Load()); got > atStart+maxFound || len(table.found) > maxFound {
		t.Errorf("%d sets are kept, %d of them from start-up", got, atStart)
	}
	for _, open := range n.StartSets() {
		if _, ok := table.Look(open); !ok {
			t.Errorf("set %b of start-up is gone", open)
		}
	}
	if _, ok := table.Look(0); ok {
		t.Error("the oldest set is kept: the bound is not tested")
	}
	before := table.RunOn(0, 1|2|4)
	if before != n.UpperBound(0) {
		t.Errorf("a set that was let go has the run-on %v, not the bound", before)
	}
	if table.Solve(1 | 2 | 4); table.RunOn(0, 1|2|4) == before {
		t.Error("a set that was let go is not solved anew")
	}
}

// What is solved at start-up stays bounded in a shop of many machines, and the
// declared sets are always among it.
func TestStartSetsAreBounded(t *testing.T) {
	n := withMachines(worksNetwork())
	if got := len(n.StartSets()); got != 12+66 {
		t.Errorf("12 machines: %d sets, want every single and pair", got)
	}
	for i := range 52 {
		n.Gates = append(n.Gates, Gate{})
		n.Machines = append(n.Machines, Machine{Gates: 1 << (12 + i)})
	}
	n.Together = []uint64{1<<63 | 1<<62 | 1<<61}
	sets := n.StartSets()
	if len(sets) != maxStartSets || !slices.Contains(sets, n.Together[0]) {
		t.Errorf("64 machines: %d sets", len(sets))
	}
}
