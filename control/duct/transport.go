package duct

import (
	"fmt"
	"math"
	"time"
)

// Carrying says what the air in a segment does to chips.
type Carrying uint8

// The verdicts on a segment.
const (
	Idle     Carrying = iota // no open hood upstream: what leaks in carries nothing
	Carries                  // at or above the minimum velocity
	Doubtful                 // within 10 % below it
	Settles                  // chips drop out
)

// String names the verdict.
func (c Carrying) String() string {
	switch c {
	case Carries:
		return "carries"
	case Doubtful:
		return "doubtful"
	case Settles:
		return "settles"
	default:
		return "idle"
	}
}

// MinVelocity returns the velocity in m/s below which chips begin to settle in
// segment i while the gates in open are open: the network's figure, or a higher
// one of a machine whose chips pass. Thin air carries less: below standard
// density the figure is divided by √(ρ/ρ₀), a rule of thumb from memory.
func (n *Network) MinVelocity(i int, open uint64, rho float64) float64 {
	v := n.Transport.withDefaults().Min
	for _, m := range n.Machines {
		if m.MinVelocity <= v {
			continue
		}
		for _, h := range m.Hoods {
			if n.live(h, open) && n.leadsThrough(h, i) {
				v = m.MinVelocity
			}
		}
	}
	if rho < StandardDensity {
		v *= math.Sqrt(StandardDensity / rho)
	}
	return v
}

// live reports whether every gate from segment i to the collector is open.
func (n *Network) live(i int, open uint64) bool {
	need := n.OpenFor(i)
	return need&^open == 0
}

// leadsThrough reports whether the way from segment from to the collector
// passes segment i.
func (n *Network) leadsThrough(from, i int) bool {
	for range n.Segments {
		if from == i {
			return true
		}
		if from = n.Segments[from].To; from < 0 {
			return false
		}
	}
	return false
}

// LiveHoods returns the segments with a hood from which every gate is open, but
// for reliefs: those that throw chips.
func (n *Network) LiveHoods(open uint64) []int {
	var hoods []int
	for i := range n.Segments {
		if h := n.Segments[i].Hood; h != nil && !h.Relief && n.live(i, open) {
			hoods = append(hoods, i)
		}
	}
	return hoods
}

// carrying judges a velocity by its minimum.
func carrying(v, low float64) Carrying {
	switch {
	case v >= low:
		return Carries
	case v >= Marginal*low:
		return Doubtful
	}
	return Settles
}

// Carry judges every segment in a state.
func (n *Network) Carry(st *State, rho float64) []Carrying {
	out := make([]Carrying, len(n.Segments))
	for i, low := range n.minimums(n.LiveHoods(st.Open), st.Open, rho) {
		if low > 0 {
			out[i] = carrying(st.Velocity[i], low)
		}
	}
	return out
}

// ClearOut returns how many seconds the last chips need from the hood at
// segment h to the collector, t = Σ L/v: v is 0.7 V where the duct is level and V
// less the settling speed where it rises. In a riser that is too slow to lift
// chips the time is +Inf. It says nothing about stretches that settle: chips that
// have dropped out do not arrive at all.
func (n *Network) ClearOut(st *State, h int) float64 {
	tr := n.Transport.withDefaults()
	t := 0.0
	for i := h; i >= 0; i = n.Segments[i].To {
		s := &n.Segments[i]
		v := st.Velocity[i]
		rise := math.Max(s.Rise, 0)
		if level := s.Length - rise; level > 0 {
			t += level / (tr.Slip * v)
		}
		if rise > 0 {
			if v <= tr.Settle {
				return math.Inf(1)
			}
			t += rise / (v - tr.Settle)
		}
	}
	return t
}

// Limits of the part of a run-on that is for the duct.
const (
	shortestClear = 5 * time.Second
	longestClear  = 60 * time.Second
	clearMargin   = 2.0 // s, and travel counts twice
	runOnStep     = 100 * time.Millisecond
)

// ClearTime returns what is added to the coast-down for a travel of t seconds:
// clamp(2t + 2 s, 5 s, 60 s), rounded up to a tenth of a second.
func ClearTime(t float64) time.Duration {
	s := 2*t + clearMargin
	if !(s < longestClear.Seconds()) {
		return longestClear
	}
	d := time.Duration(s*float64(time.Second)) - time.Microsecond
	d = (d + runOnStep - 1) / runOnStep * runOnStep
	return min(max(d, shortestClear), longestClear)
}

// RunOn is how long the collector goes on after a machine has stopped, and why.
type RunOn struct {
	Coast  time.Duration // the tool's own, as entered or timed
	Travel float64       // seconds from the farthest hood to the collector
	Clear  time.Duration // clamp(2·Travel + 2 s, 5 s, 60 s)
	Given  bool          // Total is the owner's figure
	Lift   time.Duration // to lift chips that lie in the duct
	Total  time.Duration
	// Stuck lists the segments on the way in which chips settle or may settle:
	// time alone does not clear them.
	Stuck []int
}

// RunOn works out the run-on of machine m in a state in which its gates are
// still open.
func (n *Network) RunOn(m int, st *State, rho float64) RunOn {
	mc := &n.Machines[m]
	r := RunOn{Coast: mc.Coast}
	carry := n.Carry(st, rho)
	seen := make([]bool, len(n.Segments))
	for _, h := range mc.Hoods {
		r.Travel = math.Max(r.Travel, n.ClearOut(st, h))
		for i := h; i >= 0; i = n.Segments[i].To {
			if !seen[i] && (carry[i] == Settles || carry[i] == Idle) {
				r.Stuck = append(r.Stuck, i)
			}
			seen[i] = true
		}
	}
	r.Clear = ClearTime(r.Travel)
	r.Total = r.Coast + r.Clear
	if mc.RunOn > 0 {
		r.Total, r.Given = mc.RunOn, true
	}
	return r
}

// UpperBound is the run-on of machine m when nothing is known of the duct.
func (n *Network) UpperBound(m int) time.Duration {
	if mc := &n.Machines[m]; mc.RunOn > 0 {
		return mc.RunOn
	}
	return n.Machines[m].Coast + longestClear
}

// outOfReach is the part of what a hood wants below which the fan does not fit
// the duct at all: a slip of units is likelier than a bad collector.
const outOfReach = 0.25

// Reach solves each machine alone and warns where the fan cannot reach its
// hoods. The network must be valid.
func (n *Network) Reach() Problems {
	s, err := NewSolver(n)
	if err != nil {
		return nil
	}
	var found Problems
	tried := 0
	best := 0.0
	for i := range n.Machines {
		m := &n.Machines[i]
		if len(m.Hoods) == 0 {
			continue
		}
		tried++
		part := n.supply(s.Solve(m.Gates), m.Hoods)
		best = math.Max(best, part)
		if part < outOfReach {
			found = append(found, Problem{Where: AtMachine, Index: i, Key: "hoods", Warning: true,
				Message: fmt.Sprintf("machine %q alone gets %.2g %% of the air it wants", m.Name, part*100),
				Remedy:  "check the units of its ducts, and its flow"})
		}
	}
	if tried > 0 && len(found) == tried {
		return Problems{{Where: AtFan, Index: 0, Key: "fan", Warning: true,
			Message: fmt.Sprintf("the fan cannot reach the hoods: no machine alone gets more than %.2g %% of the air it wants", best*100),
			Remedy:  "check the units of the fan's flow and pressure, of the filter and of the ducts"}}
	}
	return found
}
