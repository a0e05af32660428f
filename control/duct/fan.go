package duct

import (
	"math"
	"slices"
)

// FanPoint is one point of a fan curve.
type FanPoint struct {
	Flow     float64 // m³/s
	Pressure float64 // Pa, static: what is left above the inlet's total pressure
}

// Fan is the collector's fan. The curve is a fan static pressure curve: the
// velocity pressure at the outlet is lost already. Between points the curve is
// straight, beyond the last it goes on as the last piece, before the first it
// is level.
type Fan struct {
	Points    []FanPoint // flow rising, pressure falling
	Density   float64    // of the air the curve holds for; 0 = StandardDensity
	Frequency float64    // mains frequency the curve holds for, Hz; 0 = as Mains
	Mains     float64    // mains frequency it runs at, Hz; 0 = as Frequency
	// FlowFactor and PressureFactor stretch the curve; their range says how well
	// it is known. The zero Estimate means exactly 1.
	FlowFactor, PressureFactor Estimate
}

// Nameplate makes a fan curve from what is printed on a collector: the free
// flow in m³/s and the shut-off pressure in Pa. The shape is that of a radial
// blade and is illustrative (from memory); so the range is ±15 % of flow and
// ±20 % of pressure, and nameplates tend to be on the high side.
func Nameplate(flow, shutOff float64) Fan {
	shape := [...][2]float64{{0, 1}, {0.286, 0.947}, {0.571, 0.737}, {0.786, 0.442}, {1, 0}}
	f := Fan{FlowFactor: Guess(1, 0.85, 1.1), PressureFactor: Guess(1, 0.8, 1.1)}
	for _, p := range shape {
		f.Points = append(f.Points, FanPoint{p[0] * flow, p[1] * shutOff})
	}
	return f
}

// FromPower makes a fan curve from a motor's power in W alone, after classes that
// were recalled and not looked up; so the range is wider than a nameplate's.
// known is false where the power lies outside the classes, 1 to 5 hp: the nearest
// one is taken.
func FromPower(watts float64) (f Fan, known bool) {
	const hp = 745.7
	f = Nameplate(FreeFlow(watts), ShutOffPressure(watts))
	f.FlowFactor, f.PressureFactor = Guess(1, 0.7, 1.25), Guess(1, 0.7, 1.25)
	return f, watts >= 0.95*hp && watts <= 5.05*hp
}

// Load is the power that a fan takes from its motor over the greatest that it
// takes between shut-off and free flow, at the part x of the free flow, for wheels
// with radial or forward-curved blades and for those with backward-curved ones. The
// former take the most at free flow; of the latter the most lies at about two
// thirds. The shapes are from memory.
func Load(x float64) (radial, backward float64) {
	x = math.Min(1, math.Max(0, x))
	return 0.35 + 0.65*x, 1 - 1.3*(x-0.65)*(x-0.65)
}

// StallPart is the part of the free flow below which a backward-curved wheel may
// stall: the flow tears off its blades, the pressure falls and the air pulsates.
// From memory.
const StallPart = 0.35

// ShutOffPressure guesses the shut-off pressure in Pa of a collector from the
// motor's power in W, between classes that were recalled and not looked up:
// 1 hp 5.5 in.wg, 1.5 hp 8.5, 2 hp 9.5, 3 hp 11.5, 5 hp 14.
func ShutOffPressure(watts float64) float64 {
	const hp, inch = 745.7, 248.84
	x := [...]float64{1 * hp, 1.5 * hp, 2 * hp, 3 * hp, 5 * hp}
	y := [...]float64{5.5 * inch, 8.5 * inch, 9.5 * inch, 11.5 * inch, 14 * inch}
	return interpolate(x[:], y[:], watts)
}

// FreeFlow guesses the nameplate flow in m³/s from the motor's power in W, from
// the same recalled classes: 650, 1100, 1400, 1650 and 2300 cfm.
func FreeFlow(watts float64) float64 {
	const hp, cfm = 745.7, 4.719474e-4
	x := [...]float64{1 * hp, 1.5 * hp, 2 * hp, 3 * hp, 5 * hp}
	y := [...]float64{650 * cfm, 1100 * cfm, 1400 * cfm, 1650 * cfm, 2300 * cfm}
	return interpolate(x[:], y[:], watts)
}

// interpolate is linear between the points and constant outside.
func interpolate(x, y []float64, at float64) float64 {
	if at <= x[0] {
		return y[0]
	}
	for i := 1; i < len(x); i++ {
		if at <= x[i] {
			t := (at - x[i-1]) / (x[i] - x[i-1])
			return y[i-1] + t*(y[i]-y[i-1])
		}
	}
	return y[len(y)-1]
}

// scaled returns the curve at the network's density and mains frequency, after
// the fan laws: Q ∝ n, p ∝ n²·ρ.
func (f Fan) scaled(rho float64) curve {
	r := 1.0
	if f.Mains > 0 && f.Frequency > 0 {
		r = f.Mains / f.Frequency
	}
	ref := f.Density
	if ref == 0 {
		ref = StandardDensity
	}
	q, p := r*factor(f.FlowFactor), r*r*rho/ref*factor(f.PressureFactor)
	out := make(curve, len(f.Points))
	for i, pt := range f.Points {
		out[i] = FanPoint{pt.Flow * q, pt.Pressure * p}
	}
	return out
}

func factor(e Estimate) float64 {
	if e == (Estimate{}) {
		return 1
	}
	return e.Value
}

// Parallel is the curve of two fans side by side: at each pressure their flows add.
// A fan whose shut-off pressure lies below moves nothing there (its damper shuts).
func Parallel(a, b []FanPoint) []FanPoint {
	flow := func(c curve, p float64) float64 {
		if p >= c[0].Pressure {
			return 0
		}
		i := 1
		for i < len(c)-1 && p < c[i].Pressure {
			i++
		}
		m, p0 := c.piece(i)
		return (p - p0) / m
	}
	var at []float64
	for _, p := range append(append([]FanPoint{}, a...), b...) {
		at = append(at, p.Pressure)
	}
	slices.Sort(at)
	slices.Reverse(at)
	var out []FanPoint
	for _, p := range slices.Compact(at) {
		q := flow(a, p) + flow(b, p)
		if len(out) == 0 || q > out[len(out)-1].Flow {
			out = append(out, FanPoint{q, p})
		}
	}
	return out
}

// Series is the curve of two fans one behind the other: at each flow their
// pressures add, up to where the smaller one would only be in the way.
func Series(a, b []FanPoint) []FanPoint {
	var at []float64
	for _, p := range append(append([]FanPoint{}, a...), b...) {
		at = append(at, p.Flow)
	}
	slices.Sort(at)
	var out []FanPoint
	for _, q := range slices.Compact(at) {
		p := curve(a).at(q) + curve(b).at(q)
		if len(out) == 0 || p < out[len(out)-1].Pressure && p >= 0 {
			out = append(out, FanPoint{q, p})
		}
	}
	return out
}

// curve is a scaled fan curve.
type curve []FanPoint

// at returns the pressure at flow q.
func (c curve) at(q float64) float64 {
	m, p0 := c.line(q)
	return p0 + float64(m*q)
}

// line returns slope and intercept of the piece that holds at flow q.
func (c curve) line(q float64) (m, p0 float64) {
	if q < c[0].Flow {
		return 0, c[0].Pressure
	}
	i := 1
	for i < len(c)-1 && q > c[i].Flow {
		i++
	}
	return c.piece(i)
}

func (c curve) piece(i int) (m, p0 float64) {
	m = (c[i].Pressure - c[i-1].Pressure) / (c[i].Flow - c[i-1].Flow)
	return m, c[i-1].Pressure - float64(m*c[i-1].Flow)
}

// meet returns the flow at which the curve equals a·Q + r·Q². The difference
// falls strictly with Q, so there is one such flow; on each straight piece it is
// the root of a quadratic.
func (c curve) meet(a, r float64) float64 {
	if math.IsInf(r, 1) {
		return 0
	}
	excess := func(p FanPoint) float64 {
		return p.Pressure - float64(a*p.Flow) - float64(r*p.Flow*p.Flow)
	}
	m, p0 := 0.0, c[0].Pressure
	if excess(c[0]) > 0 {
		i := 1
		for i < len(c)-1 && excess(c[i]) > 0 {
			i++
		}
		m, p0 = c.piece(i)
	}
	if p0 <= 0 {
		return 0
	}
	b := a - m
	return 2 * p0 / (b + math.Sqrt(float64(b*b)+float64(4*r*p0)))
}

// Filter is the loss of the collector's cloth, a·Q: the flow through cloth is
// laminar, so the loss grows with the flow and not with density. In Pa/(m³/s).
type Filter struct {
	Now Estimate // as it is
	// Clean and Loaded are its ends, to compare with; 0 = not known.
	Clean, Loaded float64
}
