package duct

import "time"

// Collector as Segment.To is the inlet of the collector.
const Collector = -1

// NoGate as Segment.Gate says that the segment has no gate.
const NoGate = -1

// MaxGates is the largest number of gates in one network: a set of open gates
// is the bits of a uint64.
const MaxGates = 64

// Estimate is a quantity with the range it may lie in. What is not known is
// taken as likely to be above Value as below it, and the less likely the nearer
// to Low or High; see Estimate.At.
type Estimate struct{ Value, Low, High float64 }

// Exact is a quantity that is known.
func Exact(x float64) Estimate { return Estimate{x, x, x} }

// Guess is a quantity that is assumed, with the range it may lie in.
func Guess(x, low, high float64) Estimate { return Estimate{x, low, high} }

// Network is the duct of one shop.
type Network struct {
	Segments []Segment
	Gates    []Gate // at most MaxGates; the index is the bit in a set of open gates
	Machines []Machine
	Fan      Fan
	Filter   Filter
	// Separator is the loss of a cyclone or a drum ahead of the fan, in pascals
	// at 1 m³/s of standard air; it grows with Q² and with density.
	Separator Estimate
	// Leakage is the area in m² of all that leaks unlisted, at the collector's
	// inlet: joints, a bin lid.
	Leakage Estimate
	Air     Air
	// Expansion adds the sudden-expansion loss wherever a segment ends in a
	// wider one. Off only to compare with a solver that does not know it.
	Expansion bool
	Transport Transport
	Together  []uint64 // sets of open gates that occur, beside singles and pairs
	Guesses   []Assumption
	Measured  []Measure // what was read in these ducts
}

// Assumption says in words what was assumed where nothing is said, and which
// parts of the network have a range because of it.
type Assumption struct {
	Parts []Part
	Words string
}

// Segment is one run of duct of one diameter.
type Segment struct {
	Name      string
	To        int // the segment whose upstream end this one joins, or Collector
	Diameter  float64
	Length    float64
	Rise      float64  // part of Length that leads straight up, in the direction of flow
	Roughness Estimate // absolute, m
	Pieces    []Piece  // elbows, wye, reducer, raw losses
	Gate      int      // index in Network.Gates, or NoGate
	Hood      *Hood    // at the upstream end; nil for a main
	Flexible  bool     // a hose: a smooth pipe in its place is a remedy
}

// Hood is where the air enters. A segment that no other one joins needs one.
type Hood struct {
	// Entry is the loss factor Fh on the velocity pressure in the port. It does
	// not contain the velocity pressure itself.
	Entry Estimate
	Port  float64 // diameter of the opening in m; 0 = the segment's diameter
	// Wants is the flow asked for in m³/s; 0 = port area times 20 m/s (common
	// practice).
	Wants float64
	// Relief: it lets air in all the time and throws no chips.
	Relief bool
}

// Gate is a blast gate.
type Gate struct {
	Name    string
	Open    Estimate // loss factor when open, on the velocity pressure of the full bore
	Shut    Estimate // loss factor when shut; +Inf = tight
	Opening float64  // free part of the bore when open, 0 < Opening <= 1; 0 means 1
}

// Machine ties the hoods of one machine together.
type Machine struct {
	Name  string
	Gates uint64 // every gate from its hoods to the collector
	Hoods []int  // segments with a hood
	Coast time.Duration
	// RunOn, if not 0, is given by the owner and replaces coast + clear-out.
	RunOn time.Duration
	// MinVelocity in m/s for what this machine makes; 0 = Transport.Min.
	MinVelocity float64
}

// Air returns the flow at the machine's hoods together, given the flow of each segment.
func (m *Machine) Air(flow []float64) (total float64) {
	for _, h := range m.Hoods {
		total += flow[h]
	}
	return total
}

// Transport says when chips are carried.
type Transport struct {
	Min    float64 // velocity in m/s below which chips begin to settle; 0 = MinChips
	Slip   float64 // speed of chips relative to the air in a level duct; 0 = DefaultSlip
	Settle float64 // m/s that chips fall behind the air in a riser; 0 = DefaultSettle
}

// Velocities for carrying chips, m/s.
const (
	// MinChips carries dry planings and fine chips, MinMoist moist ones (from
	// 18 or 30 % of water; the sources differ). Source: LASI model guide to the
	// hazardous-substances ordinance, 2.4; machine makers' manuals give the same.
	MinChips = 20.0
	MinMoist = 28.0
	// Marginal is the part of the minimum above which transport is doubtful
	// rather than failed: the same guide allows 2 m/s below 20.
	Marginal = 0.9
	// DefaultSlip: dust lags the air. Common practice, no source.
	DefaultSlip = 0.7
	// DefaultSettle is the settling speed of chips in still air. Common
	// practice, no source.
	DefaultSettle = 5.0
)

func (t Transport) withDefaults() Transport {
	if t.Min == 0 {
		t.Min = MinChips
	}
	if t.Slip == 0 {
		t.Slip = DefaultSlip
	}
	if t.Settle == 0 {
		t.Settle = DefaultSettle
	}
	return t
}

// OpenFor returns the gates on the way from segment i to the collector.
func (n *Network) OpenFor(i int) uint64 {
	var set uint64
	for range n.Segments { // bounded, so that a loop cannot hang it
		if i < 0 || i >= len(n.Segments) {
			break
		}
		if g := n.Segments[i].Gate; g >= 0 {
			set |= 1 << uint(g)
		}
		i = n.Segments[i].To
	}
	return set
}

// Want returns the flow that the hood of segment i asks for, and whether it was
// given rather than taken from the port's area.
func (n *Network) Want(i int) (flow float64, given bool) {
	s := &n.Segments[i]
	if s.Hood == nil {
		return 0, false
	}
	if s.Hood.Wants > 0 {
		return s.Hood.Wants, true
	}
	d := s.Hood.Port
	if d == 0 {
		d = s.Diameter
	}
	return area(d) * MinChips, false
}

// Clone returns a copy that shares nothing that an override changes.
func (n *Network) Clone() *Network {
	c := *n
	c.Segments = append([]Segment(nil), n.Segments...)
	for i := range c.Segments {
		if h := c.Segments[i].Hood; h != nil {
			hood := *h
			c.Segments[i].Hood = &hood
		}
		c.Segments[i].Pieces = append([]Piece(nil), c.Segments[i].Pieces...)
	}
	c.Gates = append([]Gate(nil), n.Gates...)
	c.Machines = append([]Machine(nil), n.Machines...)
	c.Fan.Points = append([]FanPoint(nil), n.Fan.Points...)
	c.Together = append([]uint64(nil), n.Together...)
	c.Guesses = append([]Assumption(nil), n.Guesses...)
	c.Measured = append([]Measure(nil), n.Measured...)
	return &c
}

// openLoss is the loss factor of the gate when commanded open.
func (g *Gate) openLoss() float64 {
	k := g.Open.Value
	if g.Opening > 0 {
		k += partOpenLoss(g.Opening)
	}
	return k
}
