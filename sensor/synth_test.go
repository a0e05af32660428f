package sensor_test

import (
	"math"
	"testing"
	"time"

	"kerfwind/sensor"
)

// The waveforms give the current at phase x, in cycles, of a load of one
// ampere peak.
func sine(x float64) float64     { return math.Sin(2 * math.Pi * x) }
func halfWave(x float64) float64 { return max(0, sine(x)) }
func third(x float64) float64    { return sine(x) + 0.3*sine(3*x) }
func square(x float64) float64   { return math.Copysign(1, sine(x)) }

// phaseCut conducts the second half of each half cycle, as a dimmer does.
func phaseCut(x float64) float64 {
	if math.Mod(x, 0.5) < 0.25 {
		return 0
	}
	return sine(x)
}

// rectifier is the current of a rectifier with a capacitor: a pulse at each peak, a
// fifth of the half long.
func rectifier(x float64) float64 {
	return math.Max(0, math.Abs(sine(x))-0.95) * 20 * math.Copysign(1, sine(x))
}

// samples makes n samples of f, a current as a function of time.
func samples(n int, rate float64, f func(t float64) float64) []float32 {
	out := make([]float32, n)
	for i := range out {
		out[i] = float32(f(float64(i) / rate))
	}
	return out
}

func newDetector(t testing.TB, p sensor.Params) *sensor.Detector {
	t.Helper()
	d, err := sensor.New(p)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// feed gives raw, of so many channels, to a fresh detector as one frame.
func feed(t testing.TB, p sensor.Params, rate float64, raw []float32) []sensor.Reading {
	t.Helper()
	return newDetector(t, p).Feed(&sensor.Frame{Channels: len(p.Channels), Rate: rate, Raw: raw}, nil)
}

// changes keeps the readings whose verdict or health differs from the one
// before of the same channel.
func changes(in []sensor.Reading) (out []sensor.Reading) {
	last := map[int]sensor.Reading{}
	for _, r := range in {
		l, ok := last[r.Channel]
		if !ok || l.Verdict != r.Verdict || l.Health != r.Health {
			out = append(out, r)
		}
		last[r.Channel] = r
	}
	return out
}

func verdicts(in []sensor.Reading) string {
	s := ""
	for _, r := range changes(in) {
		if s != "" {
			s += " "
		}
		s += r.Verdict.String()
		if r.Verdict == sensor.Unknown {
			s += "(" + r.Health.String() + ")"
		}
	}
	return s
}

func ms(x float64) time.Duration { return time.Duration(math.Round(x * 1e6)) }
