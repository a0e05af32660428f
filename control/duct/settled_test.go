package duct

import (
	"math"
	"math/bits"
	"math/rand"
	"testing"
	"time"
)

// speeds makes ranges of middles.
func speeds(v ...float64) []Range {
	out := make([]Range, len(v))
	for i := range v {
		out[i].Middle = v[i]
	}
	return out
}

// The chain far, middle, near on M1 and M2 (segments 0 to 4): what passes, and what
// lies then.
func TestSettled(t *testing.T) {
	const far, middle, near = 1, 2, 4 // gates and machines alike
	type pass struct {
		d             time.Duration
		open, running uint64
		speed         []Range
	}
	s := time.Second
	slow := pass{60 * s, far, far, speeds(25, 0, 0, 12, 22)}
	for _, c := range []struct {
		name   string
		passes []pass
		want   [5]time.Duration
	}{
		{"a slow main", []pass{slow}, [5]time.Duration{3: 60 * s}},
		{"doubtful carries", []pass{{60 * s, far, far, speeds(25, 0, 0, 18, 22)}}, [5]time.Duration{}},
		{"no machine runs", []pass{{60 * s, far, 0, speeds(25, 0, 0, 12, 22)}}, [5]time.Duration{}},
		{"another machine runs", []pass{{60 * s, far, middle, speeds(25, 0, 0, 12, 22)}}, [5]time.Duration{}},
		{"its gate is shut", []pass{{60 * s, near, far, speeds(1, 1, 25, 1, 22)}}, [5]time.Duration{}},
		{"from below", []pass{{60 * s, near, near, speeds(1, 1, 25, 1, 12)}}, [5]time.Duration{4: 60 * s}},
		{"as fast as carries does not lift", []pass{slow, {60 * s, far | middle, 0, speeds(20, 20, 0, 24, 24)}}, [5]time.Duration{3: 60 * s}},
		{"swept", []pass{slow, {20 * s, far | middle, 0, speeds(20, 20, 0, 25, 25)}}, [5]time.Duration{}},
		{"swept while it runs", []pass{slow, {20 * s, far | middle, far, speeds(20, 20, 0, 25, 25)}}, [5]time.Duration{}},
		{"swept in two goes", []pass{slow, {10 * s, far | middle, 0, speeds(20, 20, 0, 25, 25)}, {10 * s, far, 0, speeds(20, 0, 0, 12, 25)}, {10 * s, far | middle, 0, speeds(20, 20, 0, 25, 25)}}, [5]time.Duration{}},
		{"not swept for long enough", []pass{slow, {19 * s, far | middle, 0, speeds(20, 20, 0, 25, 25)}}, [5]time.Duration{3: 60 * s}},
		{"begun again", []pass{slow, {19 * s, far | middle, 0, speeds(20, 20, 0, 25, 25)}, slow, {19 * s, far | middle, 0, speeds(20, 20, 0, 25, 25)}}, [5]time.Duration{3: 120 * s}},
		{"carried on into the next piece", []pass{slow, {40 * s, far | middle, 0, speeds(20, 20, 0, 25, 12)}}, [5]time.Duration{4: 20 * s}},
	} {
		x := NewSettled(tapered())
		for _, p := range c.passes {
			for range p.d / s {
				x.Pass(s, p.open, p.speed, p.running)
			}
		}
		for i, l := range x.Pieces {
			if l.Slow != c.want[i] {
				t.Errorf("%s: piece %d: chips came too slowly for %v, want %v", c.name, i, l.Slow, c.want[i])
			}
			if l.Lies() != (c.want[i] >= SettledLeast) {
				t.Errorf("%s: piece %d lies: %v", c.name, i, l.Lies())
			}
		}
	}
	n := tapered()
	n.Machines[0].MinVelocity = MinMoist
	x := NewSettled(n)
	x.Pass(time.Minute, far, speeds(30, 0, 0, 24, 30), far)
	if l := &x.Pieces[3]; l.Needs != MinMoist || l.Least != 24 || l.Lift() != PickUp*MinMoist {
		t.Errorf("moist chips: %+v", l)
	}
	x.Pass(time.Minute, far|middle, speeds(20, 20, 0, 30, 30), 0)
	if !x.Pieces[3].Lies() {
		t.Error("what lifts dry chips has lifted moist ones")
	}
}

// Whatever passes, chips lie only where chips came, for no longer than they did,
// and a minute of air that lifts everything, without chips, clears all.
func TestSettledProperties(t *testing.T) {
	eachTree(t, 21, func(r *rand.Rand, n *Network, _ uint64) {
		withMachines(n)
		x := NewSettled(n)
		came := make([]time.Duration, len(n.Segments))
		fast := make([]Range, len(n.Segments))
		for i := range fast {
			fast[i].Middle = 2 * PickUp * MinMoist
		}
		for range 20 {
			open, running := r.Uint64(), r.Uint64()
			speed := make([]Range, len(n.Segments))
			for i := range speed {
				speed[i].Middle = 40 * r.Float64()
			}
			x.Pass(time.Second, open, speed, running)
			for i := range came {
				came[i] += time.Second
			}
		}
		for i, l := range x.Pieces {
			if l.Slow > came[i] || l.Slow < 0 || l.Swept >= SweepTime || l.Slow == 0 && l != (Lying{}) {
				t.Errorf("piece %d: %+v after %v", i, l, came[i])
			}
		}
		for range 60 {
			x.Pass(time.Second, 0, fast, 0)
		}
		for i, l := range x.Pieces {
			if l != (Lying{}) {
				t.Errorf("piece %d is not clear: %+v", i, l)
			}
		}
	})
}

// The set found clears where any does, with no branch more than one above the smallest, and is
// within a tenth of the best where none does.
func TestSweep(t *testing.T) {
	r := rand.New(rand.NewSource(22))
	cleared, hopeless := 0, 0
	for range 60 {
		n := randomTree(r, 3+r.Intn(8))
		if len(n.Gates) > 6 || len(n.Gates) == 0 {
			continue
		}
		e, err := NewEnsemble(n)
		if err != nil {
			t.Fatal(err)
		}
		i := r.Intn(len(n.Segments))
		needs := 5 + 20*r.Float64()
		part := func(open uint64) float64 {
			v := e.Middle(open).Velocity
			least := v[i] / (PickUp * needs)
			for j := n.Segments[i].To; j >= 0; j = n.Segments[j].To {
				least = math.Min(least, v[j]/(Marginal*needs))
			}
			return least
		}
		best, fewest := 0.0, 99
		var branches []uint64
		for h := range n.Segments {
			if n.Segments[h].Hood != nil {
				branches = append(branches, n.OpenFor(h))
			}
		}
		for set := range 1 << len(branches) {
			open := uint64(0)
			for k, b := range branches {
				if set>>k&1 == 1 {
					open |= b
				}
			}
			p := part(open)
			best = math.Max(best, p)
			if p >= 1 {
				fewest = min(fewest, bits.OnesCount64(open))
			}
		}
		w := e.Sweep(i, needs, 0, 0)
		within(t, "part", w.Part, part(w.Open), 1e-6)
		if best >= 1 {
			cleared++
			if !w.Clears() || bits.OnesCount64(w.Open) > fewest+1 {
				t.Errorf("%d gates would clear piece %d (%g): found %b, %g", fewest, i, best, w.Open, w.Part)
			}
		} else {
			hopeless++
			if w.Clears() || w.Part < 0.9*best {
				t.Errorf("piece %d: found %b with %g, the best is %g", i, w.Open, w.Part, best)
			}
		}
		ends := uint64(0) // gates of branches
		for h := range n.Segments {
			if g := &n.Segments[h]; g.Hood != nil && g.Gate >= 0 {
				ends |= 1 << uint(g.Gate)
			}
		}
		if few := e.Sweep(i, needs, 0, 1); bits.OnesCount64(few.Open&ends) > 1 || few.Part > w.Part+1e-9 && !w.Clears() {
			t.Errorf("one branch: %+v", few)
		}
	}
	if cleared < 10 || hopeless < 5 {
		t.Errorf("%d cleared, %d not: the trees try too little", cleared, hopeless)
	}
}
