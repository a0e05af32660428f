package sensor_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"kerfwind/sensor"
)

// TestBelowLevel: a load below the start level is no run, whatever its inrush: lamps,
// chargers and small motors of every size below it, at every rate and mains.
func TestBelowLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	held, tried := 0, 0
	for _, rate := range []float64{860, 1000, 1013, 2000, 4000} {
		for _, hz := range []float64{50, 60} {
			for range 40 {
				size, peak, long := 0.41+0.16*rng.Float64(), 1+9*rng.Float64(), 0.002+0.028*rng.Float64()
				on, off := 1+0.02*rng.Float64(), rng.Float64()
				p := counts()
				p.Mains = hz
				raw := samples(int(4*rate), rate, func(t float64) float64 {
					v := 2048 + 1.5*rng.NormFloat64()
					if t > on {
						v += math.Sqrt2 * size / 0.024 * (1 + peak*math.Exp(-(t-on)/long)) * sine(hz*t+off)
					}
					return math.Round(v)
				})
				tried++
				got := feed(t, p, rate, raw)
				if got[len(got)-1].Verdict != sensor.Idle {
					held++
				}
			}
		}
	}
	if held > 0 {
		t.Errorf("%d of %d loads below the level run for good", held, tried)
	}
}

// TestSpikePairs: two spikes shorter than half a cycle start nothing, unless less than
// a cycle lies between them: then they are the first two pulses of a half-wave load,
// for all that they tell.
func TestSpikePairs(t *testing.T) {
	rng := rand.New(rand.NewPCG(33, 34))
	for _, rate := range []float64{860, 1000, 1013, 2000, 4000} {
		for _, hz := range []float64{49, 50, 60, 65} {
			for range 60 {
				at, long := 1+0.02*rng.Float64(), 0.001+0.005*rng.Float64()
				apart := long + 0.85/hz + 0.05*rng.Float64()
				size := 2 * math.Exp(2*rng.Float64())
				p := counts()
				p.Mains = hz
				raw := samples(int(2*rate), rate, func(t float64) float64 {
					v := 2048 + 1.5*rng.NormFloat64()
					if t >= at && t < at+long || t >= at+apart && t < at+apart+long {
						v += size / 0.024
					}
					return math.Round(max(0, min(4095, v)))
				})
				if got := verdicts(feed(t, p, rate, raw)); got != "idle" {
					t.Errorf("%.1f A for %.1f ms, again after %.1f ms, %g Hz, %g S/s: %s", size, 1000*long, 1000*apart, hz, rate, got)
				}
			}
		}
	}
}
