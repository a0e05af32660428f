package duct

import (
	"fmt"
	"math"
	"strings"
)

// Where names the part of a network that a Problem is about.
type Where uint8

// The parts.
const (
	AtSegment Where = iota + 1
	AtGate
	AtMachine
	AtFan
	AtFilter
	AtAir
	AtTransport
	AtNetwork
)

// Problem is something wrong or doubtful about a network.
type Problem struct {
	Where   Where
	Index   int    // of the segment, gate, machine or fan point
	Key     string // the property: "diameter", "to", ...
	Message string // what is wrong, with the figure
	Remedy  string // what to do
	Warning bool   // doubtful, yet it can be solved
}

// Problems is all that Validate finds.
type Problems []Problem

// Err returns an error with every problem that is not a warning, or nil.
func (ps Problems) Err() error {
	var lines []string
	for _, p := range ps {
		if !p.Warning {
			lines = append(lines, p.Message+": "+p.Remedy)
		}
	}
	if lines == nil {
		return nil
	}
	return fmt.Errorf("duct: %s", strings.Join(lines, "; "))
}

// Plausible figures for a small shop, in m. Outside them a slip of units is
// likelier than a duct.
const (
	minDiameter    = 0.015
	likelyDiameter = 0.4
	maxDiameter    = 1.0
	likelyLength   = 60.0
	maxLength      = 1000.0
)

// Validate returns everything wrong or doubtful with the network, in the order
// of its parts. An operating point is looked for only if nothing is wrong.
func (n *Network) Validate() Problems {
	v := &validator{n: n}
	v.tree()
	for i := range n.Segments {
		v.segment(i)
	}
	v.gates()
	v.fan()
	v.rest()
	return v.problems
}

type validator struct {
	n        *Network
	problems Problems
}

func (v *validator) add(w Where, i int, key, remedy, format string, args ...any) {
	v.problems = append(v.problems, Problem{Where: w, Index: i, Key: key, Message: fmt.Sprintf(format, args...), Remedy: remedy})
}

func (v *validator) warn(w Where, i int, key, remedy, format string, args ...any) {
	v.add(w, i, key, remedy, format, args...)
	v.problems[len(v.problems)-1].Warning = true
}

// tree checks that every segment leads to the collector.
func (v *validator) tree() {
	n := v.n
	if len(n.Segments) == 0 {
		v.add(AtNetwork, 0, "duct", "list the ducts from each hood to the collector", "the network has no duct")
		return
	}
	joined := make([]bool, len(n.Segments))
	reaches := false
	names := map[string]int{}
	for i, s := range n.Segments {
		if first, twice := names[s.Name]; twice {
			v.add(AtSegment, i, "name", "give each duct a name of its own", "duct %q is listed twice (also as duct %d)", s.Name, first+1)
		}
		names[s.Name] = i
		switch {
		case s.To == Collector:
			reaches = true
		case s.To < 0 || s.To >= len(n.Segments):
			v.add(AtSegment, i, "to", "name a duct of this shop, or the collector", "duct %q leads to no known duct", s.Name)
		default:
			joined[s.To] = true
		}
	}
	if !reaches {
		v.add(AtNetwork, 0, "to", "let the last duct lead to the collector", "no duct leads to the collector")
	}
	looped := make([]bool, len(n.Segments))
	for i := range n.Segments {
		if looped[i] {
			continue
		}
		if loop := v.loop(i); loop != nil {
			var names []string
			for _, k := range loop {
				looped[k] = true
				names = append(names, n.Segments[k].Name)
			}
			v.add(AtSegment, loop[0], "to", "let each duct lead on towards the collector; a ring of ducts is not supported",
				"the ducts %s lead round in a loop", strings.Join(append(names, names[0]), " -> "))
		}
	}
	for i, s := range n.Segments {
		switch {
		case s.Hood == nil && !joined[i]:
			v.add(AtSegment, i, "hood", "give it a hood, or remove it", "no air enters duct %q: it has no hood and no duct joins it", s.Name)
		case s.Hood != nil && joined[i]:
			v.add(AtSegment, i, "hood", "put the hood on a short duct of its own that leads to this one",
				"duct %q has a hood, and other ducts join it as well", s.Name)
		}
	}
}

// loop follows the ducts from i; if it comes back to one it returns the ring.
func (v *validator) loop(i int) []int {
	seen := map[int]int{}
	var path []int
	for i >= 0 && i < len(v.n.Segments) {
		if at, ok := seen[i]; ok {
			return path[at:]
		}
		seen[i] = len(path)
		path = append(path, i)
		i = v.n.Segments[i].To
	}
	return nil
}

func (v *validator) segment(i int) {
	s := &v.n.Segments[i]
	bad := func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) }
	switch d := s.Diameter; {
	case bad(d) || d <= 0:
		v.add(AtSegment, i, "diameter", `give the inside diameter, for example "4 in" or "100 mm"`, "duct %q has a diameter of %g m", s.Name, d)
		return
	case d > maxDiameter:
		v.add(AtSegment, i, "diameter", fmt.Sprintf(`probably a slip of units: "%.4g in" or "%.4g mm"?`, d, d*25.4),
			"duct %q has a diameter of %.4g m", s.Name, d)
	case d > likelyDiameter:
		v.warn(AtSegment, i, "diameter", "check the unit", "duct %q has a diameter of %.0f mm, wide for a small shop", s.Name, d*1000)
	case d < minDiameter:
		v.add(AtSegment, i, "diameter", fmt.Sprintf(`probably a slip of units: "%.4g in"?`, d*1000),
			"duct %q has a diameter of %.4g mm", s.Name, d*1000)
	}
	switch l := s.Length; {
	case bad(l) || l < 0:
		v.add(AtSegment, i, "length", `give the length, for example "3.6 m"; 0 for a fitting alone`, "duct %q has a length of %g m", s.Name, l)
	case l > maxLength:
		v.add(AtSegment, i, "length", fmt.Sprintf(`probably a slip of units: "%.4g mm"?`, l), "duct %q has a length of %.4g m", s.Name, l)
	case l > likelyLength:
		v.warn(AtSegment, i, "length", "check the unit", "duct %q is %.4g m long, much for a small shop", s.Name, l)
	case l > 0 && l < s.Diameter/4:
		v.warn(AtSegment, i, "length", fmt.Sprintf("check the unit; %.3g m long and %.3g m wide may be meant", s.Diameter, l),
			"duct %q is wider (%.3g m) than it is long (%.3g m)", s.Name, s.Diameter, l)
	}
	if s.Length >= 0 && (bad(s.Rise) || math.Abs(s.Rise) > s.Length+1e-9) {
		v.add(AtSegment, i, "rise", "the rise is a part of the length", "duct %q rises %.3g m on a length of %.3g m", s.Name, s.Rise, s.Length)
	}
	v.estimate(AtSegment, i, "roughness", fmt.Sprintf("the roughness of duct %q", s.Name), s.Roughness, 0, false)
	if s.Roughness.High > 0.05*s.Diameter && s.Roughness.High > s.Roughness.Low {
		// A range may reach past what the formula holds for in a narrow hose.
		v.warn(AtSegment, i, "roughness", "give the hose's ribs or a measured roughness",
			"the roughness of duct %q may be %.3g of its diameter; the formula holds up to 0.05", s.Name, s.Roughness.High/s.Diameter)
	} else if s.Roughness.Value > 0.05*s.Diameter {
		v.add(AtSegment, i, "roughness", "check the unit: roughness is a fraction of a millimetre", "the roughness of duct %q is %.3g of its diameter", s.Name, s.Roughness.Value/s.Diameter)
	}
	for _, p := range s.Pieces {
		v.piece(i, p)
	}
	if h := s.Hood; h != nil {
		v.estimate(AtSegment, i, "hood", fmt.Sprintf("the hood loss of duct %q", s.Name), h.Entry, 0, false)
		if bad(h.Port) || h.Port < 0 || h.Port > maxDiameter || (h.Port > 0 && h.Port < minDiameter) {
			v.add(AtSegment, i, "port", `give the port's diameter, for example "4 in"`, "the hood of duct %q has a port of %.4g m", s.Name, h.Port)
		}
		if bad(h.Wants) || h.Wants < 0 || h.Wants > 50 {
			v.add(AtSegment, i, "flow", `give the flow, for example "550 cfm" or "900 m3/h"`, "the hood of duct %q wants %.4g m3/s", s.Name, h.Wants)
		}
	}
	if s.Gate != NoGate && (s.Gate < 0 || s.Gate >= len(v.n.Gates)) {
		v.add(AtSegment, i, "gate", "name a gate of this shop", "duct %q has an unknown gate", s.Name)
	}
}

func (v *validator) piece(i int, p Piece) {
	name := v.n.Segments[i].Name
	bad := func(x, low, high float64) bool { return !(x >= low && x <= high) } // true for NaN
	switch p.Kind {
	case RawLoss:
		v.estimate(AtSegment, i, "loss", fmt.Sprintf("a loss of duct %q", name), p.Loss, 0, false)
	case Elbow:
		if bad(p.Angle, 0, 180) {
			v.add(AtSegment, i, "elbow", `give the angle, for example "90 deg"`, "an elbow of duct %q turns by %g degrees", name, p.Angle)
		}
		if bad(p.RadiusRatio, 0.1, 20) && p.Gores != 2 {
			v.add(AtSegment, i, "elbow", "give the radius of the centre line; it is usually 1 to 2.5 diameters", "an elbow of duct %q has a radius of %.3g diameters", name, p.RadiusRatio)
		}
		if p.Gores < 0 || p.Gores == 1 || p.Gores > 20 {
			v.add(AtSegment, i, "elbow", "0 for a smooth elbow, 2 for a mitre, 3 to 5 for a gored one", "an elbow of duct %q is made of %d pieces", name, p.Gores)
		}
	case Wye:
		if bad(p.Angle, 0, 90) {
			v.add(AtSegment, i, "wye", "give the angle between branch and main, up to 90 degrees", "duct %q enters at %g degrees", name, p.Angle)
		}
	case Reducer:
		if bad(p.From, minDiameter, maxDiameter) {
			v.add(AtSegment, i, "reducer", `give the diameter ahead of it, for example "5 in"`, "a reducer of duct %q begins at a diameter of %.4g m", name, p.From)
		}
		if bad(p.Taper, 0, 180) {
			v.add(AtSegment, i, "reducer", "give the included angle of the cone, up to 180 degrees", "a reducer of duct %q has a taper of %g degrees", name, p.Taper)
		}
	default:
		v.add(AtSegment, i, "piece", "", "duct %q has a piece of unknown kind %d", name, p.Kind)
	}
}

// estimate checks a quantity that must not be negative.
func (v *validator) estimate(w Where, i int, key, what string, e Estimate, low float64, infinite bool) {
	for _, x := range [...]float64{e.Value, e.Low, e.High} {
		if math.IsNaN(x) || x < low || math.IsInf(x, 1) && !infinite || x > 1e12 && !infinite {
			v.add(w, i, key, "give a figure that is not negative", "%s is %g", what, x)
			return
		}
	}
	if e.Low > e.Value || e.Value > e.High {
		v.add(w, i, key, "the value must lie in its range", "%s is %g in a range from %g to %g", what, e.Value, e.Low, e.High)
	}
}

func (v *validator) gates() {
	n := v.n
	if len(n.Gates) > MaxGates {
		v.add(AtNetwork, 0, "gate", fmt.Sprintf("at most %d are supported", MaxGates), "there are %d gates", len(n.Gates))
	}
	at := make([]int, len(n.Gates))
	for i := range at {
		at[i] = -1
	}
	for i, s := range n.Segments {
		if s.Gate < 0 || s.Gate >= len(n.Gates) {
			continue
		}
		if at[s.Gate] >= 0 {
			v.add(AtSegment, i, "gate", "a gate sits in one duct", "gate %q sits in duct %q and in duct %q",
				n.Gates[s.Gate].Name, n.Segments[at[s.Gate]].Name, s.Name)
		}
		at[s.Gate] = i
	}
	for i, g := range n.Gates {
		v.estimate(AtGate, i, "loss_open", fmt.Sprintf("the open loss of gate %q", g.Name), g.Open, 0, false)
		v.estimate(AtGate, i, "loss_shut", fmt.Sprintf("the shut loss of gate %q", g.Name), g.Shut, 0, true)
		if !(g.Opening >= 0 && g.Opening <= 1) {
			v.add(AtGate, i, "opening", `give the free part of the bore, for example "80 %"`, "gate %q opens by %g", g.Name, g.Opening)
		}
		if g.Shut.Low < g.Open.High {
			v.add(AtGate, i, "loss_shut", "a shut gate loses more than an open one", "gate %q loses %.3g open and %.3g shut", g.Name, g.Open.High, g.Shut.Low)
		}
	}
	for i, m := range n.Machines {
		for _, h := range m.Hoods {
			if h < 0 || h >= len(n.Segments) || n.Segments[h].Hood == nil {
				v.add(AtMachine, i, "hoods", "name a duct that begins with a hood", "machine %q has no hood at one of its ducts", m.Name)
			}
		}
		if m.Coast < 0 || m.RunOn < 0 {
			v.add(AtMachine, i, "coast", "give a time that is not negative", "machine %q coasts for %v and runs on for %v", m.Name, m.Coast, m.RunOn)
		}
		if !(m.MinVelocity >= 0 && m.MinVelocity < 200) {
			v.add(AtMachine, i, "min_velocity", `give a velocity, for example "28 m/s"`, "machine %q wants %g m/s in the duct", m.Name, m.MinVelocity)
		}
	}
}

// fan checks the fan's curve.
func (v *validator) fan() {
	f := &v.n.Fan
	if len(f.Points) < 2 {
		v.add(AtFan, 0, "fan", "give two or more points of flow and pressure, or the nameplate's figures", "the fan curve has %d points", len(f.Points))
		return
	}
	for i, p := range f.Points {
		if !(p.Flow >= 0 && p.Flow < 100) || !(p.Pressure >= 0 && p.Pressure < 1e5) {
			v.add(AtFan, i, "fan", "check the units of flow and pressure", "point %d of the fan curve is %.4g m3/s at %.4g Pa", i+1, p.Flow, p.Pressure)
			continue
		}
		if i == 0 {
			continue
		}
		last := f.Points[i-1]
		if p.Flow <= last.Flow {
			v.add(AtFan, i, "fan", "list the points from shut-off on, with rising flow", "point %d of the fan curve has a flow of %.4g m3/s after %.4g", i+1, p.Flow, last.Flow)
		}
		if p.Pressure >= last.Pressure {
			v.add(AtFan, i, "fan", "use the falling part of the curve, right of its peak",
				"the fan curve does not fall: %.4g Pa at point %d after %.4g Pa", p.Pressure, i+1, last.Pressure)
		}
	}
	switch top := f.Points[0].Pressure; {
	case top <= 0:
		v.add(AtFan, 0, "fan", "give the pressure at no flow", "the fan has no pressure")
	case top < 200:
		v.warn(AtFan, 0, "fan", fmt.Sprintf(`probably a slip of units: "%.3g in.wg"?`, top), "the fan's highest pressure is %.4g Pa, too little for a duct", top)
	case top > 15000:
		v.warn(AtFan, 0, "fan", "check the unit of the pressure", "the fan's highest pressure is %.4g Pa, more than a collector's fan makes", top)
	}
	for _, e := range [...]Estimate{f.FlowFactor, f.PressureFactor} {
		if e != (Estimate{}) {
			v.estimate(AtFan, 0, "fan", "a factor on the fan curve", e, 1e-3, false)
		}
	}
	if r := f.Mains / f.Frequency; f.Mains > 0 && f.Frequency > 0 && !(r > 0.2 && r < 5) || f.Mains < 0 || f.Frequency < 0 {
		v.add(AtFan, 0, "frequency", "50 Hz or 60 Hz", "the fan's curve holds for %g Hz and runs at %g Hz", f.Frequency, f.Mains)
	}
	if f.Density != 0 && !(f.Density > 0.3 && f.Density < 3) {
		v.add(AtFan, 0, "density", `standard air is "1.2014 kg/m3" or "0.075 lb/ft3"`, "the fan's curve holds for air of %g kg/m3", f.Density)
	}
}

func (v *validator) rest() {
	n := v.n
	v.estimate(AtFilter, 0, "filter", "the filter's loss", n.Filter.Now, 0, false)
	if f := n.Filter; f.Clean > f.Loaded {
		v.add(AtFilter, 0, "filter", "a loaded filter loses more than a clean one", "the filter loses %.4g Pa at 1 m3/s when clean and %.4g when loaded", f.Clean, f.Loaded)
	}
	v.estimate(AtFilter, 0, "separator", "the separator's loss", n.Separator, 0, false)
	v.estimate(AtNetwork, 0, "leakage", "the leakage area", n.Leakage, 0, false)
	if n.Leakage.High > 0.1 {
		v.add(AtNetwork, 0, "leakage", "give the area of the cracks", "the leakage is %.3g m2", n.Leakage.High)
	}
	a := n.Air
	if a.Density != 0 && !(a.Density > 0.3 && a.Density < 3) {
		v.add(AtAir, 0, "density", `standard air is "1.2014 kg/m3" or "0.075 lb/ft3"`, "the air has a density of %g kg/m3", a.Density)
	}
	if !(a.Altitude > -500 && a.Altitude < 6000) {
		v.add(AtAir, 0, "altitude", "give the height above the sea; check the unit", "the shop is at %.4g m", a.Altitude)
	}
	if !(a.Celsius > -60 && a.Celsius < 100) {
		v.add(AtAir, 0, "temperature", "check the unit", "the air is at %.4g degrees Celsius", a.Celsius)
	}
	t := n.Transport.withDefaults()
	if !(t.Min > 1 && t.Min < 100) {
		v.add(AtTransport, 0, "transport", `20 m/s for chips, 28 m/s for moist ones`, "the transport velocity is %.4g m/s", t.Min)
	}
	if !(t.Slip > 0.05 && t.Slip <= 1) {
		v.add(AtTransport, 0, "slip", "a part of the air's speed, usually 0.7", "chips move at %.3g of the air's speed", t.Slip)
	}
	if !(t.Settle >= 0 && t.Settle < 50) {
		v.add(AtTransport, 0, "settle", "a few m/s", "chips settle at %.3g m/s", t.Settle)
	}
}
