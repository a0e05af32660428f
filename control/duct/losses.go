package duct

import "math"

// PieceKind says what a piece of a duct is.
type PieceKind uint8

// The kinds of piece.
const (
	RawLoss PieceKind = iota + 1 // Piece.Loss as it is
	Elbow                        // Piece.Angle, RadiusRatio, Gores
	Wye                          // the entry of this segment into another, at Piece.Angle, or with Piece.Loss
	Reducer                      // from diameter Piece.From into this segment
)

// Piece is something in a segment that costs pressure. Its loss factor refers
// to the velocity pressure in the segment.
type Piece struct {
	Kind  PieceKind
	Angle float64 // degrees; an elbow's or a wye's
	// RadiusRatio is an elbow's centre-line radius over its diameter.
	RadiusRatio float64
	// Gores is the number of pieces an elbow is made of: 0 = smooth, 2 = mitred.
	Gores int
	// Pleated: a bend in a hose or of pleated tube; radius and gores do not count.
	Pleated bool
	From    float64  // reducer: the diameter ahead of it, m
	Taper   float64  // reducer: included angle in degrees; 0 = a step
	Loss    Estimate // raw; of a wye whose angle is not known
}

// loss returns the factor on the velocity pressure in a pipe of diameter d.
func (p Piece) loss(d float64) Estimate {
	switch p.Kind {
	case RawLoss:
		return p.Loss
	case Elbow:
		if p.Pleated {
			return Exact(PleatedLoss(p.Angle, d))
		}
		return Exact(ElbowLoss(p.Angle, p.RadiusRatio, p.Gores, d))
	case Wye:
		if p.Loss != (Estimate{}) {
			return p.Loss
		}
		return Exact(WyeLoss(p.Angle))
	case Reducer:
		return Exact(ReducerLoss(p.From, d, p.Taper))
	}
	return Exact(0)
}

// ElbowLoss returns the loss factor of a round elbow: angle in degrees, radius
// of the centre line over the diameter, number of gores (0 = smooth, 2 = one
// mitre), diameter in m.
//
// Sources, for 90°: smooth (die-stamped) and gored elbows SMACNA HVAC Duct
// Design, table A-7; one mitre 1.2 in the same. Below 150 mm a smooth elbow
// loses more: the ASHRAE 2009 figures for 75, 100, 125 mm at ratio 1.5 divided
// by the one for 150 mm. A part elbow loses in proportion to its angle, as on the
// ACGIH calculation sheet (60° two thirds, 45° half, 30° one third).
func ElbowLoss(angle, radiusRatio float64, gores int, d float64) float64 {
	var k float64
	switch {
	case gores == 2:
		k = 1.2
	case gores == 0:
		k = interpolate([]float64{0.5, 0.75, 1, 1.5, 2, 2.5},
			[]float64{0.71, 0.33, 0.22, 0.15, 0.13, 0.12}, radiusRatio)
		k *= interpolate([]float64{0.075, 0.1, 0.125, 0.15},
			[]float64{0.30 / 0.14, 0.21 / 0.14, 0.16 / 0.14, 1}, d)
	default:
		x := []float64{1, 1.5, 2}
		var y []float64
		switch {
		case gores == 3:
			y = []float64{0.42, 0.34, 0.33}
		case gores == 4:
			y = []float64{0.37, 0.27, 0.24}
		default:
			y = []float64{0.33, 0.24, 0.19}
		}
		k = interpolate(x, y, radiusRatio)
	}
	return k * angle / 90
}

// PleatedLoss returns the loss factor of a bend of angle degrees in a hose or in
// pleated tube of diameter d in m: for 90° and 1.5 diameters 0.57 at 100 mm, 0.43 at
// 150 mm (ASHRAE 2009, pdfcoffee.com/duct-fitting-loss-coefficients), level outside,
// in proportion to the angle. A bend tighter than that loses more.
func PleatedLoss(angle, d float64) float64 {
	return interpolate([]float64{0.1, 0.15}, []float64{0.57, 0.43}, d) * angle / 90
}

// WyeLoss returns the loss factor of a branch that enters a main at an angle in
// degrees, on the velocity pressure in the branch. The straight way through
// loses nothing. After ACGIH's branch entry table, recalled and not looked up:
// 15° 0.09, 30° 0.18, 45° 0.28, 60° 0.44, 90° 1.00.
func WyeLoss(angle float64) float64 {
	return interpolate([]float64{0, 15, 30, 45, 60, 90}, []float64{0, 0.09, 0.18, 0.28, 0.44, 1}, angle)
}

// ExpansionLoss is the loss where a pipe of diameter d ends in one of diameter
// into, on the velocity pressure in the narrow one: (1−(d/D)²)², Borda-Carnot.
// It is 0 where the second pipe is no wider.
func ExpansionLoss(d, into float64) float64 {
	if into <= d {
		return 0
	}
	b := d / into
	b = 1 - b*b
	return b * b
}

// ReducerLoss returns the loss factor of a change from diameter from to diameter
// d, on the velocity pressure in d. Included angle in degrees, 0 = a step. A step
// down loses (1−(d/D)²)/2 and a taper of less than 45° that times 1.6·sin(θ/2)
// (Crane TP-410); a step or taper up loses as ExpansionLoss, tapers below 45°
// times 2.6·sin(θ/2) (same).
func ReducerLoss(from, d, taper float64) float64 {
	s := math.Sin(taper / 2 * math.Pi / 180)
	if from >= d {
		b := d / from
		k := 0.5 * (1 - b*b)
		switch {
		case taper <= 0 || taper >= 180:
			return k
		case taper < 45:
			return 0.8 * s * (1 - b*b)
		default:
			return k * math.Sqrt(s)
		}
	}
	k := ExpansionLoss(from, d)
	if taper > 0 && taper <= 45 {
		k *= math.Min(1, 2.6*s)
	}
	r := d / from
	return k * r * r * r * r // from the velocity pressure in from to that in d
}

// HoodKinds lists the hoods that have a name, with the entry loss factor on the
// velocity pressure in the port. The openings: ACGIH Industrial Ventilation,
// 24th ed.; "tapered" is 0.45 in 29 CFR 1910.94. The machines: two European
// machine manuals, computed from the suction they ask for at 20 m/s. Real
// machine ports lose two to five times what a textbook hood does.
var HoodKinds = map[string]Estimate{
	"plain":       Exact(0.93),
	"flanged":     Exact(0.49),
	"bell":        Exact(0.04),
	"straight":    Exact(0.65),
	"tapered":     Guess(0.40, 0.40, 0.45),
	"jointer":     Guess(2.7, 1.5, 3.5),
	"thicknesser": Guess(1.3, 1, 2),
	"saw":         Guess(4.0, 2, 4.5),
}

// UnknownHood is the entry loss of a machine's port of which nothing is known.
func UnknownHood() Estimate { return Guess(2, 1, 4) }

// Roughness of common ducts, m.
var (
	// SmoothPipe is plastic pipe: 0.00003 to 0.00015 ft. Source of this and the
	// next: engineersedge.com, duct roughness table after ASHRAE.
	SmoothPipe = Guess(0.00003*foot, 0.00003*foot, 0.00015*foot)
	// SpiralPipe is spiral or snap-lock sheet metal: 0.0002 to 0.0005 ft.
	SpiralPipe = Guess(0.0003*foot, 0.0002*foot, 0.0005*foot)
	// StretchedHose is wire hose drawn out straight: 0.0003 to 0.003 ft in the
	// table; hose in use is never quite straight, so its upper end is taken, and
	// the old class "rough" for the end of the range.
	StretchedHose = Guess(0.003*foot, 0.001*foot, 0.01*foot)
)

const foot = 0.3048

// Hose returns the roughness of a hose whose ribs stand out by rib metres on
// the inside. Ribs that close act as grains of their own height; how far is not
// known better than by half. Common practice, no source.
func Hose(rib float64) Estimate { return Guess(rib, rib/2, rib*1.5) }

// LeakLoss returns the loss factor of a shut gate that leaves a part gap of the
// bore free: (1/(0.6·gap))², the orifice with a discharge coefficient of 0.6.
// A gap of 0 is tight.
func LeakLoss(gap float64) float64 {
	if gap <= 0 {
		return math.Inf(1)
	}
	k := 1 / (0.6 * gap)
	return k * k
}

// DefaultLeak is the gap of a shut gate, as a part of the bore. Common practice,
// no source.
func DefaultLeak() Estimate { return Guess(0.015, 0.005, 0.03) }

// DefaultGate is the loss factor of an open blast gate: its slot and rim. Common
// practice, no source.
func DefaultGate() Estimate { return Guess(0.2, 0.1, 0.3) }

// partOpenLoss returns the loss of a gate that frees only a part of the bore: the jet
// narrows to cc·part and widens again (Borda-Carnot). cc runs from 0.6 for a small
// opening to 1 (Weisbach's curve for an orifice in a pipe, from memory).
func partOpenLoss(part float64) float64 {
	if part <= 0 {
		return math.Inf(1)
	}
	if part >= 1 {
		return 0
	}
	k := 1/((0.6+0.4*part*part*part)*part) - 1
	return k * k
}
