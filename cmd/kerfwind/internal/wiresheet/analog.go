package wiresheet

import (
	"math"

	"kerfwind/config"
)

// e24 is the E24 series of preferred values, IEC 60063:2015, table 1.
var e24 = []float64{1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1}

// preferred is the largest E24 value not above x.
func preferred(x float64) float64 {
	if !(x > 0) || math.IsInf(x, 1) {
		return 0
	}
	decade := math.Pow(10, math.Floor(math.Log10(x)))
	best := e24[len(e24)-1] * decade / 10
	for _, v := range e24 {
		// A value that equals x may come out a hair above it.
		if v*decade <= x*(1+1e-9) {
			best = v * decade
		}
	}
	return best
}

// FrontEnd is the analogue side of one channel, computed from the rig.
type FrontEnd struct {
	Rated    float64 // A through the conductor at which the transformer is at its own limit
	Burden   float64 // ohm across the secondary; 0: inside the transformer
	Largest  float64 // the largest burden that reads Rated unclipped; 0: no burden to choose
	Advised  float64 // the E24 value at or below that
	Heat     float64 // W in the burden at Rated
	PerAmp   float64 // V at the input for an ampere through the conductor
	Step     float64 // A in one count
	Range    float64 // A, the largest sine that is not clipped
	Noise    float64 // A RMS to expect with no current: 1.5 counts (seen on such converters)
	Code     float64 // counts at rest
	Codes    float64 // counts from zero to the reference
	Swing    float64 // V RMS at the input at Range
	Divider          // the bias
	Millamps float64 // A out of the secondary at Rated; 0: a voltage output
}

// Divider is the pair of resistors that holds the resting point.
type Divider struct {
	Top          float64 // V that it divides
	Upper, Lower float64 // ohm
	Gives        float64 // V
}

// noiseCounts is the RMS noise of a 10 or 12 bit converter at rest, in counts,
// as reported from rigs of this kind.
const noiseCounts = 1.5

// NewFrontEnd computes channel i of the rig.
//
// The largest burden lets the peak of the rated sine just reach the nearer end
// of the converter's range: R = room / (sqrt(2) * rated secondary current).
func NewFrontEnd(r *config.Rig, i int) FrontEnd {
	c := &r.Channels[i]
	a := &r.ADCs[c.ADC]
	f := FrontEnd{
		Rated: c.Ratio.Primary / float64(c.Turns), Burden: c.Burden, PerAmp: 1 / c.PerVolt(),
		Step: r.Step(i), Range: r.Range(i), Noise: noiseCounts * r.Step(i), Codes: a.Vref * c.PerVolt() / r.Step(i),
	}
	f.Code = f.Codes * c.Bias / a.Vref
	f.Swing = f.Range * f.PerAmp
	top := a.Vref
	if a.Chip.Ranged() {
		top = boardSupply // its range is no supply
	}
	f.Divider = newDivider(top, c.Bias)
	if c.Ratio.IsCurrent {
		f.Millamps = c.Ratio.Secondary
		f.Largest = min(c.Bias, a.Vref-c.Bias) / (math.Sqrt2 * c.Ratio.Secondary)
		f.Advised = preferred(f.Largest)
		f.Heat = c.Burden * c.Ratio.Secondary * c.Ratio.Secondary
	}
	return f
}

// boardSupply is the supply of the converter board where its reference does
// not tell, V.
const boardSupply = 3.3

// newDivider chooses two E24 resistors that make bias of top. Together they
// let about a tenth of a milliampere to a third flow: stiff enough for eight
// inputs, and nothing gets warm.
func newDivider(top, bias float64) Divider {
	d := Divider{Top: top}
	best := math.Inf(1)
	for _, decade := range []float64{1e3, 1e4} {
		for _, lower := range e24 {
			for _, more := range []float64{1e3, 1e4} {
				for _, upper := range e24 {
					lo, up := lower*decade, upper*more
					side := lo * up / (lo + up)
					if side < 4e3 || side > 6e3 {
						continue
					}
					off := math.Abs(lo/(lo+up)-bias/top) + 1e-7*math.Abs(side-5e3) // 10 k and 10 k for the middle
					if off < best {
						best, d.Lower, d.Upper = off, lo, up
					}
				}
			}
		}
	}
	d.Gives = top * d.Lower / (d.Lower + d.Upper)
	return d
}

// watts is the smallest usual rating of a resistor that stays cool with heat.
func watts(heat float64) float64 {
	for _, w := range []float64{0.25, 0.5, 1, 2, 5} {
		if w >= 4*heat {
			return w
		}
	}
	return math.Ceil(4 * heat)
}
