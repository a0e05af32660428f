// Package ductview says in words, in numbers and in a picture what the airflow
// solver finds in a shop's ducts: the planning command.
package ductview

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"kerfwind/config"
	"kerfwind/control/duct"
)

// Disclaimer ends every report and every picture.
const Disclaimer = "These figures are about flow and carrying chips. They prove neither compliance nor clean air."

// Study is a network with its solvers, ready to look at sets of open gates.
type Study struct {
	Name  string
	Units config.Units
	Net   *duct.Network

	// Progress is told how far a report is; nil: nobody asks.
	Progress func(text string)

	middle *duct.Solver
	cloud  *duct.Ensemble
	told   string // the readings that have narrowed the cloud, in words; "" none
	vents  []vent
	now    *usage // of the usual sets; nil until somebody asks for advice
}

// New makes a study of a valid network.
func New(name string, units config.Units, n *duct.Network) (*Study, error) {
	middle, err := duct.NewSolver(n)
	if err != nil {
		return nil, err
	}
	cloud, err := duct.NewEnsemble(n)
	if err != nil {
		return nil, err
	}
	s := &Study{Name: name, Units: units, Net: n, middle: middle}
	var used int
	if s.cloud, used = cloud.Measured(); used > 0 {
		s.told = readings(n.Measured)
	}
	return s, nil
}

// Given narrows the study to what agrees with readings, those of the shop file too.
func (s *Study) Given(measures []duct.Measure) error {
	measures = slices.Concat(s.Net.Measured, measures)
	g, err := s.cloud.Given(measures)
	if errors.Is(err, duct.ErrContradict) {
		return errors.New("the readings lie outside what the guesses leave possible: run \"kerfwind ducts fit\" with them to see what may be off")
	}
	if err == nil {
		s.cloud, s.told = g, readings(measures)
	}
	return err
}

// readings counts readings, with the days on which they were taken.
func readings(measures []duct.Measure) string {
	var days []string
	for _, m := range measures {
		if m.Date != "" && !slices.Contains(days, m.Date) {
			days = append(days, m.Date)
		}
	}
	text := count(len(measures), "reading")
	if len(days) > 0 {
		slices.Sort(days)
		text += " of " + strings.Join(days, ", ")
	}
	return text
}

// Calibration says what readings the ranges agree with; "" where nothing was read.
func (s *Study) Calibration() string {
	if s.told == "" {
		return ""
	}
	return "The ranges hold what agrees with " + s.told + "."
}

// HoodView is one open hood in a case.
type HoodView struct {
	Segment int
	Flow    duct.Range // m³/s
	Want    float64
	Given   bool    // Want is the owner's figure
	Odds    float64 // share of the cases in which the hood gets what it wants
	Known   bool    // nothing is guessed: there is but one case
}

// Enough reports whether the hood gets what it wants, as likely as not.
func (h *HoodView) Enough() bool { return h.Odds >= 0.5 }

// RunOnView is the run-on of one machine in a case.
type RunOnView struct {
	Machine int
	duct.RunOn
}

// Case is one set of open gates, solved and judged.
type Case struct {
	Title  string
	Open   uint64
	State  *duct.State  // in the middle of the guesses
	Speed  []duct.Range // velocity of each segment
	Swift  []float64    // share of the cases in which it carries chips
	Stuck  []float64    // and in which they settle
	Carry  []duct.Carrying
	Spread *duct.Spread
	Hoods  []HoodView
	RunOns []RunOnView
	Plan   duct.Plan
	// Doubt holds the gates of which nobody knows that they stand as in Open.
	Doubt uint64
	// Still: the fan is off, so that this is what it would move.
	Still bool
	// Converged is false if any of the operating points was not found.
	Converged bool
}

// Look solves one set of open gates.
func (s *Study) Look(open uint64) *Case {
	n := s.Net
	c := &Case{Open: open, Title: s.Title(open)}
	c.Plan = s.cloud.Plan(open)
	c.State = s.middle.Solve(open).Clone()
	c.Spread = s.cloud.Solve(open)
	c.Converged = c.State.Converged && c.Spread.Converged
	c.Carry = c.Spread.Carry()
	c.Hoods = s.hoods(c.Spread)
	c.Swift, c.Stuck = make([]float64, len(n.Segments)), make([]float64, len(n.Segments))
	for i := range n.Segments {
		low := s.Minimum(i, open)
		c.Speed = append(c.Speed, c.Spread.Velocity(i))
		c.Swift[i], c.Stuck[i] = c.Spread.Swift(i, low), 1-c.Spread.Swift(i, duct.Marginal*low)
	}
	for m := range n.Machines {
		if g := n.Machines[m].Gates; len(n.Machines[m].Hoods) > 0 && g&^open == 0 && g != 0 {
			c.RunOns = append(c.RunOns, RunOnView{m, n.RunOn(m, c.State, s.middle.Rho())})
		}
	}
	return c
}

// hoods judges the open hoods of a set.
func (s *Study) hoods(x *duct.Spread) (out []HoodView) {
	for _, h := range s.Net.LiveHoods(x.Open) {
		v := HoodView{Segment: h, Flow: x.Flow(h), Known: s.known()}
		v.Want, v.Given = s.Net.Want(h)
		v.Odds = x.Odds(h, v.Want)
		out = append(out, v)
	}
	return out
}

// known reports whether nothing is guessed.
func (s *Study) known() bool { return len(s.cloud.Unknowns()) == 0 }

// Brief holds what matters most of a set of open gates.
type Brief struct {
	Hoods    []HoodView
	Slowest  int     // the segment that is the slowest for its chips; -1 none
	Velocity float64 // there, m/s
	Carry    duct.Carrying
	// Converged is false if any of the operating points was not found.
	Converged bool
}

// Brief solves one set of open gates without looking for what would help.
func (s *Study) Brief(open uint64) Brief {
	x := s.cloud.Solve(open)
	c := &Case{Open: open, Spread: x, Carry: x.Carry()}
	for i := range s.Net.Segments {
		c.Speed = append(c.Speed, x.Velocity(i))
	}
	b := Brief{Converged: x.Converged, Hoods: s.hoods(x)}
	if b.Slowest = s.slowest(c); b.Slowest >= 0 {
		b.Velocity, b.Carry = c.Speed[b.Slowest].Middle, c.Carry[b.Slowest]
	}
	return b
}

// Carries solves one set of open gates for the air at the collector, in m³/s, and what
// it does to chips in each segment. It returns false if an operating point was not found.
func (s *Study) Carries(open uint64) (total float64, carry []duct.Carrying, converged bool) {
	x := s.cloud.Solve(open)
	return x.Total().Middle, x.Carry(), x.Converged
}

// Main returns the cases to report at length: each machine alone, then the
// declared sets, among them gates that only a person opens.
func (s *Study) Main() []uint64 {
	var sets []uint64
	add := func(set uint64) {
		if set != 0 && !slices.Contains(sets, set) {
			sets = append(sets, set)
		}
	}
	for _, m := range s.Net.Machines {
		add(m.Gates)
	}
	for _, t := range s.Net.Together {
		add(t)
	}
	return sets
}

// Title names a set of open gates after its machines, else after its gates.
func (s *Study) Title(open uint64) string {
	if open == 0 {
		return "all gates shut"
	}
	var names []string
	var covered uint64
	for _, m := range s.Net.Machines {
		if m.Gates != 0 && m.Gates&^open == 0 {
			names = append(names, m.Name)
			covered |= m.Gates
		}
	}
	for _, g := range duct.GateList(open &^ covered) {
		if g >= len(s.Net.Gates) {
			continue
		}
		// A gate in a main that only leads on needs no mention beside its branch.
		if i := s.segmentOf(g); i >= 0 && s.Net.Segments[i].Hood == nil && open&^covered != 1<<uint(g) {
			continue
		}
		names = append(names, "gate "+s.Net.Gates[g].Name)
	}
	return strings.Join(names, " and ")
}

func (s *Study) segmentOf(gate int) int {
	return slices.IndexFunc(s.Net.Segments, func(g duct.Segment) bool { return g.Gate == gate })
}

// GateNames lists the gates of a set.
func (s *Study) GateNames(set uint64) []string {
	names := []string{}
	for _, g := range duct.GateList(set) {
		if g < len(s.Net.Gates) {
			names = append(names, s.Net.Gates[g].Name)
		}
	}
	return names
}

// ParseOpen reads a list of gates, such as "B1,B3", or "none".
func (s *Study) ParseOpen(text string) (uint64, error) {
	if strings.TrimSpace(text) == "none" {
		return 0, nil
	}
	var open uint64
	for _, name := range strings.Split(text, ",") {
		name = strings.TrimSpace(name)
		g := slices.IndexFunc(s.Net.Gates, func(g duct.Gate) bool { return g.Name == name })
		if g < 0 {
			var known []string
			for _, g := range s.Net.Gates {
				known = append(known, g.Name)
			}
			return 0, fmt.Errorf("no gate %q; write one of %s, or none", name, strings.Join(known, ", "))
		}
		open |= 1 << uint(g)
	}
	return open, nil
}

// slowest returns the segment of the lowest velocity over its minimum on the ways
// that carry chips, or -1.
func (s *Study) slowest(c *Case) (segment int) {
	ratio := math.Inf(1)
	segment = -1
	for i, k := range c.Carry {
		if k == duct.Idle {
			continue
		}
		if r := c.Speed[i].Middle / s.Minimum(i, c.Open); r < ratio {
			ratio, segment = r, i
		}
	}
	return segment
}

// Quantity writes a quantity in the units of the study, to three figures.
func (s *Study) Quantity(q config.Quantity, v float64) string { return s.u(q, v) }

// Minimum is the velocity in m/s below which chips begin to settle in segment i
// while the gates in open are open.
func (s *Study) Minimum(i int, open uint64) float64 {
	return s.Net.MinVelocity(i, open, s.middle.Rho())
}

// u is Quantity.
func (s *Study) u(q config.Quantity, v float64) string { return s.Units.Short(q, v) }
