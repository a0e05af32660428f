package duct

import (
	"math"
	"math/rand"
	"strings"
	"testing"
)

// Every kind of bad network is reported with what is wrong and the likely slip,
// and refused by the solver; doubtful ones are solved.
func TestBadNetworks(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		what    string
		change  func(n *Network)
		message string // part of a problem's message and remedy
		warning bool
	}{
		{"no duct", func(n *Network) { n.Segments = nil }, "no duct", false},
		{"a loop", func(n *Network) { n.Segments[6].To = 4 }, "the ducts T1 -> T2 -> T3 -> T1 lead round in a loop", false},
		{"onto itself", func(n *Network) { n.Segments[5].To = 5 }, "T2 -> T2", false},
		{"to nowhere", func(n *Network) { n.Segments[0].To = 99 }, `duct "B1" leads to no known duct`, false},
		{"nothing reaches the collector", func(n *Network) { n.Segments[6].To = 6 }, "no duct leads to the collector", false},
		{"the same name twice", func(n *Network) { n.Segments[1].Name = "B1" }, `"B1" is listed twice`, false},
		{"no hood", func(n *Network) { n.Segments[0].Hood = nil }, `no air enters duct "B1"`, false},
		{"a hood in a main", func(n *Network) { n.Segments[4].Hood = &Hood{} }, `"T1" has a hood, and other ducts join it`, false},
		{"zero diameter", func(n *Network) { n.Segments[2].Diameter = 0 }, `duct "B3" has a diameter of 0 m`, false},
		{"negative diameter", func(n *Network) { n.Segments[2].Diameter = -0.1 }, `duct "B3" has a diameter of -0.1 m`, false},
		{"no number", func(n *Network) { n.Segments[2].Diameter = nan }, `duct "B3" has a diameter of NaN`, false},
		{"8 m of 4 m", func(n *Network) { n.Segments[0].Length, n.Segments[0].Diameter = 8, 4 }, `"B1" has a diameter of 4 m: probably a slip of units: "4 in"`, false},
		{"4 mm", func(n *Network) { n.Segments[0].Diameter = 0.004 }, `"4 in"`, false},
		{"half a metre", func(n *Network) { n.Segments[0].Diameter = 0.5 }, "500 mm, wide for a small shop", true},
		{"negative length", func(n *Network) { n.Segments[0].Length = -1 }, "a length of -1 m", false},
		{"3600 m", func(n *Network) { n.Segments[0].Length = 3600 }, `"3600 mm"`, false},
		{"100 m", func(n *Network) { n.Segments[0].Length = 100 }, "100 m long", true},
		{"wider than long", func(n *Network) { n.Segments[0].Length = 0.02 }, "wider (0.102 m) than it is long (0.02 m)", true},
		{"steeper than long", func(n *Network) { n.Segments[0].Rise = 9 }, "rises 9 m", false},
		{"roughness", func(n *Network) { n.Segments[0].Roughness = Exact(0.9) }, "roughness of duct", false},
		{"elbow", func(n *Network) { n.Segments[0].Pieces = []Piece{{Kind: Elbow, Angle: 270, RadiusRatio: 1}} }, "turns by 270 degrees", false},
		{"elbow radius", func(n *Network) { n.Segments[0].Pieces = []Piece{{Kind: Elbow, Angle: 90}} }, "a radius of 0 diameters", false},
		{"wye", func(n *Network) { n.Segments[0].Pieces = []Piece{{Kind: Wye, Angle: 120}} }, "enters at 120 degrees", false},
		{"reducer", func(n *Network) { n.Segments[0].Pieces = []Piece{{Kind: Reducer}} }, "begins at a diameter of 0 m", false},
		{"raw loss", func(n *Network) { n.Segments[0].Pieces = []Piece{{Kind: RawLoss, Loss: Exact(-1)}} }, "a loss of duct", false},
		{"unknown piece", func(n *Network) { n.Segments[0].Pieces = []Piece{{}} }, "unknown kind", false},
		{"unknown gate", func(n *Network) { n.Segments[0].Gate = 7 }, "unknown gate", false},
		{"one gate in two ducts", func(n *Network) { n.Segments[1].Gate = 0 }, `gate "B1" sits in duct "B1" and in duct "B2"`, false},
		{"a gate the wrong way round", func(n *Network) { n.Gates[0].Open, n.Gates[0].Shut = Exact(13000), Exact(2) }, "loses 1.3e+04 open and 2 shut", false},
		{"an opening of 80", func(n *Network) { n.Gates[0].Opening = 80 }, "opens by 80", false},
		{"a range the wrong way round", func(n *Network) { n.Gates[0].Open = Estimate{1, 2, 0} }, "in a range from 2 to 0", false},
		{"rising fan curve", func(n *Network) { n.Fan.Points[1].Pressure = 12.5 * inwg }, "the fan curve does not fall", false},
		{"level fan curve", func(n *Network) { n.Fan.Points[1].Pressure = n.Fan.Points[0].Pressure }, "the fan curve does not fall", false},
		{"points in disorder", func(n *Network) { n.Fan.Points[2].Flow = 0.1 }, "after 0.18", false},
		{"one point", func(n *Network) { n.Fan.Points = n.Fan.Points[:1] }, "the fan curve has 1 points", false},
		{"a fan in inches", func(n *Network) {
			for i := range n.Fan.Points {
				n.Fan.Points[i].Pressure /= inwg
			}
		}, `"12 in.wg"`, true},
		{"flow in cfm", func(n *Network) { n.Fan.Points[4].Flow = 1500 }, "point 5 of the fan curve", false},
		{"no pressure", func(n *Network) { n.Fan.Points = []FanPoint{{0, 0}, {1, -1}} }, "point 2 of the fan curve", false},
		{"mains", func(n *Network) { n.Fan.Frequency, n.Fan.Mains = 60, 1800 }, "runs at 1800 Hz", false},
		{"filter", func(n *Network) { n.Filter.Now = Exact(inf) }, "the filter's loss is +Inf", false},
		{"density", func(n *Network) { n.Air.Density = 1204 }, "a density of 1204", false},
		{"altitude", func(n *Network) { n.Air.Altitude = 17000 }, "is at 1.7e+04 m", false},
		{"transport", func(n *Network) { n.Transport.Min = 4000 }, "4000 m/s", false},
		{"slip", func(n *Network) { n.Transport.Slip = 7 }, "7 of the air's speed", false},
		{"a machine without a hood", func(n *Network) { n.Machines = []Machine{{Name: "saw", Hoods: []int{4}}} }, `machine "saw" has no hood`, false},
		{"a negative coast", func(n *Network) { n.Machines = []Machine{{Name: "saw", Hoods: []int{0}, Coast: -1}} }, `machine "saw" coasts`, false},
	} {
		n := referenceNetwork()
		c.change(n)
		problems := n.Validate()
		found := false
		for _, p := range problems {
			if p.Where == 0 || p.Key == "" || p.Message == "" || p.Remedy == "" && p.Key != "piece" {
				t.Errorf("%s: incomplete: %+v", c.what, p)
			}
			if strings.Contains(p.Message+": "+p.Remedy, c.message) && p.Warning == c.warning {
				found = true
			}
		}
		if !found {
			t.Errorf("%s: no %q in %+v", c.what, c.message, problems)
		}
		if s, err := NewSolver(n); (err == nil) != c.warning {
			t.Errorf("%s: the solver says %v", c.what, err)
		} else if err == nil && !s.Solve(1).Converged {
			t.Errorf("%s: not solved", c.what)
		}
	}
	if p := referenceNetwork().Validate(); p != nil {
		t.Errorf("the reference network: %+v", p)
	}
}

// All at once, not the first alone.
func TestAllProblemsAtOnce(t *testing.T) {
	n := referenceNetwork()
	n.Segments[0].Diameter, n.Segments[1].Length = 0, -1
	n.Fan.Points[3].Pressure = 5000
	if p := n.Validate(); len(p) != 3 {
		t.Errorf("%d problems: %+v", len(p), p)
	}
}

// Whatever the figures are, nothing panics, and what is not refused converges or
// says that it did not.
func TestWildNetworks(t *testing.T) {
	r := rand.New(rand.NewSource(3))
	wild := func() float64 {
		switch r.Intn(12) {
		case 0:
			return math.NaN()
		case 1:
			return math.Inf(1 - 2*r.Intn(2))
		case 2:
			return 0
		case 3:
			return -r.Float64()
		}
		return math.Pow(10, 8*r.Float64()-4)
	}
	solved := 0
	for range 3000 {
		n := randomTree(r, 2+r.Intn(6))
		for range 1 + r.Intn(3) {
			s := &n.Segments[r.Intn(len(n.Segments))]
			switch r.Intn(9) {
			case 0:
				s.Diameter = wild()
			case 1:
				s.Length = wild()
			case 2:
				s.Roughness = Exact(wild())
			case 3:
				s.To = r.Intn(9) - 3
			case 4:
				n.Filter.Now = Exact(wild())
			case 5:
				n.Fan.Points[r.Intn(len(n.Fan.Points))] = FanPoint{wild(), wild()}
			case 6:
				n.Gates[r.Intn(len(n.Gates))].Shut = Exact(wild())
			case 7:
				n.Air = Air{Density: wild(), Altitude: wild(), Celsius: wild(), HasCelsius: true}
			case 8:
				s.Gate = r.Intn(9) - 2
			}
		}
		s, err := NewSolver(n)
		if err != nil {
			continue
		}
		solved++
		st := s.Solve(r.Uint64())
		if !st.Converged {
			t.Errorf("%v: %+v", st, n)
		}
		for i, q := range st.Flow {
			if !(q >= 0) {
				t.Errorf("%g m³/s in %s", q, n.Segments[i].Name)
			}
		}
	}
	if solved < 300 {
		t.Errorf("only %d networks were not refused", solved)
	}
}

// Everything shut and tight: no air, and the fan's shut-off pressure stands at
// the collector.
func TestAllTight(t *testing.T) {
	n := referenceNetwork()
	for i := range n.Gates {
		n.Gates[i].Shut = Exact(math.Inf(1))
	}
	s, err := NewSolver(n)
	if err != nil {
		t.Fatal(err)
	}
	st := s.Solve(0)
	if !st.Converged || st.Total != 0 || math.Abs(st.Pressure[6]+12*inwg) > 1e-6 {
		t.Errorf("%v, pressure %v", st, st.Pressure)
	}
	if st = s.Solve(1); !st.Converged || !(st.Total > 0.1) || st.Flow[1] != 0 {
		t.Errorf("one open: %v, %v", st, st.Flow)
	}
}

// Unlisted leakage is one more way in: less air at the hoods, more at the fan.
func TestLeakage(t *testing.T) {
	n := referenceNetwork()
	before := solve(t, n, 0b0111).Clone()
	n.Leakage = Exact(20e-4)
	after := solve(t, n, 0b0111)
	if !(after.Flow[0] < before.Flow[0] && after.Total > before.Total) {
		t.Errorf("with leakage %v, without %v", after, before)
	}
	// The leak obeys the orifice formula at the collector's inlet.
	leak := after.Total - after.Flow[6]
	within(t, "leak", leak, 0.6*20e-4*math.Sqrt(2*-after.Pressure[6]/1.2041), 1e-6)
}

// A fan that cannot reach the hoods is told once; a hood that it cannot reach
// through a slip in its own duct, with its machine.
func TestReach(t *testing.T) {
	n := withMachines(referenceNetwork())
	if p := n.Reach(); p != nil {
		t.Errorf("%+v", p)
	}
	n.Segments[0].Hood.Wants = 4
	if p := n.Reach(); len(p) != 1 || p[0].Where != AtMachine || p[0].Index != 0 || !p[0].Warning {
		t.Errorf("%+v", p)
	}
	n = withMachines(referenceNetwork())
	for i := range n.Fan.Points {
		n.Fan.Points[i].Pressure /= inwg // pascals written for inches
	}
	if p := n.Reach(); len(p) != 1 || p[0].Where != AtFan || !strings.Contains(p[0].Message, "cannot reach") {
		t.Errorf("%+v", p)
	}
}
