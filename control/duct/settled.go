package duct

import (
	"math"
	"slices"
	"time"
)

const (
	// PickUp is how much faster than what carries chips the air must be to lift
	// those that lie. That it must be faster is known (Hubert and Kalman,
	// Measurements and comparison of saltation and pickup velocities in wind
	// tunnel, Granular Matter 6, 2004; abstract seen); the factor is common
	// practice, no source.
	PickUp = 1.25
	// SweepTime is how long such air must pass to clear a piece. Common
	// practice, no source.
	SweepTime = 20 * time.Second
	// SettledLeast is how long chips must come too slowly before it is said that
	// they lie there. Our own choice.
	SettledLeast = 30 * time.Second
	// slowMost bounds what is remembered.
	slowMost = 10000 * time.Hour
)

// Lying says what is known of the chips that settled in one piece of a duct. The
// zero value: none did.
type Lying struct {
	Slow  time.Duration // how long chips came along too slowly since it was last swept
	Least float64       // the slowest air meanwhile, m/s, in the middle of the guesses
	Needs float64       // what carries those chips, m/s
	Swept time.Duration // how long air that lifts them has passed since then
}

// Lies reports whether chips probably lie in the piece.
func (l *Lying) Lies() bool { return l.Slow >= SettledLeast }

// Lift is the velocity in m/s that lifts what lies in the piece.
func (l *Lying) Lift() float64 { return PickUp * l.Needs }

// Settled remembers in which pieces of a duct chips have settled, from what
// really ran. Chips settle where the air is as likely as not slower than what may
// carry them, and are lifted where it is as likely as not PickUp times faster. It
// belongs to one goroutine.
type Settled struct {
	Pieces []Lying // by segment
	net    *Network
	rho    float64
}

// NewSettled begins with clear ducts.
func NewSettled(n *Network) *Settled {
	return &Settled{Pieces: make([]Lying, len(n.Segments)), net: n, rho: n.Air.density()}
}

// Pass takes in how the collector has run for a time d with the gates in open
// open and these velocities in m/s, while the machines in running made chips.
func (s *Settled) Pass(d time.Duration, open uint64, speed []Range, running uint64) {
	n := s.net
	needs := make([]float64, len(n.Segments)) // of the chips that come along; 0: none do
	come := func(i int, least float64) {
		for ; i >= 0; i = n.Segments[i].To {
			needs[i] = math.Max(needs[i], math.Max(least, n.MinVelocity(i, open, s.rho)))
		}
	}
	for m := range n.Machines {
		if m >= 64 || running>>uint(m)&1 == 0 {
			continue
		}
		for _, h := range n.Machines[m].Hoods {
			if !n.Segments[h].Hood.Relief && n.live(h, open) {
				come(h, 0)
			}
		}
	}
	lifted := make([]bool, len(s.Pieces))
	for i := range s.Pieces {
		if l := &s.Pieces[i]; l.Slow > 0 && speed[i].Middle >= l.Lift() {
			lifted[i] = true
			come(n.Segments[i].To, l.Needs)
		}
	}
	for i := range s.Pieces {
		l, v := &s.Pieces[i], speed[i].Middle
		switch {
		case needs[i] > 0 && v < Marginal*needs[i]:
			if l.Slow == 0 || v < l.Least {
				l.Least = v
			}
			l.Slow, l.Swept = min(l.Slow+d, slowMost), 0
			l.Needs = math.Max(l.Needs, needs[i])
		case lifted[i]:
			if l.Swept += d; l.Swept >= SweepTime {
				*l = Lying{}
			}
		}
	}
}

// Sweep is a set of open gates that clears a piece while no machine runs.
type Sweep struct {
	Open  uint64
	Speed Range // in the piece, m/s
	// Part is the lowest velocity on the way from the piece to the collector over
	// what it must be there: to lift chips in the piece, to carry them further on.
	// Below 1 the set is the best there is, but not good enough.
	Part float64
	Odds float64 // the share of the cases in which all of them are reached
}

// Clears reports whether the set clears the piece as likely as not.
func (w *Sweep) Clears() bool { return w.Odds >= helperCarries }

// Sweep looks for the fewest gates that, besides those in base and with all others
// shut, let the air lift in segment i what needs the velocity needs in m/s to be
// carried. At most most branches are opened; 0 is no limit, less than 0 is none.
func (e *Ensemble) Sweep(i int, needs float64, base uint64, most int) Sweep {
	n := e.net
	low := make([]float64, len(n.Segments))
	for j := i; j >= 0; j = n.Segments[j].To {
		low[j] = Marginal * needs
	}
	low[i] = PickUp * needs
	part := func(open uint64) float64 {
		least := math.Inf(1)
		st := e.Middle(open)
		for j := i; j >= 0; j = n.Segments[j].To {
			least = math.Min(least, st.Velocity[j]/low[j])
		}
		return least
	}
	var branches []uint64
	for h := range n.Segments {
		if g := n.OpenFor(h); n.Segments[h].Hood != nil && g != 0 && !slices.Contains(branches, g) {
			branches = append(branches, g)
		}
	}
	w := Sweep{Open: base, Part: part(base)}
	judge := func() {
		x := e.Solve(w.Open)
		w.Speed, w.Odds = x.Velocity(i), x.swift(low)
	}
	judge()
	var chosen []uint64
	for !w.Clears() {
		best, next := w.Part, chosen
		try := func(list ...uint64) {
			open := base
			for _, b := range list {
				open |= b
			}
			if p := part(open); p > best {
				best, next = p, list
			}
		}
		for _, b := range branches {
			if slices.Contains(chosen, b) {
				continue
			}
			if most == 0 || len(chosen) < most {
				try(append(slices.Clone(chosen), b)...)
			}
			for k := range chosen { // in place of another
				list := slices.Clone(chosen)
				list[k] = b
				try(list...)
			}
		}
		if best == w.Part {
			break
		}
		chosen, w.Part, w.Open = next, best, base
		for _, b := range chosen {
			w.Open |= b
		}
		judge()
	}
	return w
}

// swift is the share of the variants in which every segment has its velocity in
// low, in m/s.
func (x *Spread) swift(low []float64) float64 {
	good := 0
	for v := range x.total {
		fast := true
		for i, u := range low {
			fast = fast && (u == 0 || x.flow[i][v] >= u*area(x.e.net.Segments[i].Diameter))
		}
		if fast {
			good++
		}
	}
	return float64(good) / float64(len(x.total))
}
