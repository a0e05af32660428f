package sensor_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"kerfwind/sensor"
	"kerfwind/testdata/peers"
)

// numpyHertz finds a frequency by another way: the phase of the fundamental in blocks of a
// quarter of a second about the peak of the spectrum, and its slope by least squares.
const numpyHertz = `
import sys, struct, numpy as np
data = sys.stdin.buffer.read()
while data:
    rate, n = struct.unpack_from("<dq", data)
    x = np.frombuffer(data, "<f4", n, 16).astype(np.float64)
    data = data[16 + 4 * n:]
    x = (x - x.mean()) * np.hanning(n)
    f = np.fft.rfftfreq(n, 1 / rate)
    s = np.abs(np.fft.rfft(x))
    s[(f < 44) | (f > 67)] = 0
    f0 = f[np.argmax(s)]
    t = np.arange(n) / rate
    z = x * np.exp(-2j * np.pi * f0 * t)
    k = int(rate / 4)
    m = n // k
    w = np.hanning(k)
    p = np.unwrap(np.angle([(z[i * k:(i + 1) * k] * w).sum() for i in range(m)]))
    print("%.6f" % (f0 + np.polyfit(np.arange(m) * k / rate, p, 1)[0] / (2 * np.pi)))
`

// TestNumpyHertz: the mains frequency that a detector measures is that which numpy finds in
// the same samples, on sines, distorted currents and pulses, with noise, whether
// a frequency is given, another one, or none.
func TestNumpyHertz(t *testing.T) {
	python := peers.Python(t, "numpy")
	var in bytes.Buffer
	var got []float64
	var names []string
	for name, shape := range map[string]func(x float64) float64{
		"sine":      sine,
		"distorted": func(x float64) float64 { return sine(x) + 0.3*sine(3*x+0.1) + 0.1*sine(5*x) },
		"pulses":    func(x float64) float64 { return math.Copysign(max(0, math.Abs(sine(x))-0.7), sine(x)) * 4 },
	} {
		rng := rand.New(rand.NewPCG(81, uint64(len(name))))
		for _, rate := range []float64{860, 2000, 4000} {
			for _, hz := range []float64{49.2, 49.97, 50.03, 59.95, 60.04, 61.3} {
				for _, given := range []float64{0, 50, 60} {
					raw := samples(int(8*rate), rate, func(x float64) float64 { return 5*shape(hz*x) + 0.05*rng.NormFloat64() })
					p := amps(1, 0.6)
					p.Mains = given
					d := newDetector(t, p)
					d.Feed(&sensor.Frame{Channels: 1, Rate: rate, Raw: raw}, nil)
					f, measured := d.Mains()
					if !measured {
						t.Errorf("%s, %g S/s, %g Hz, given %g: not measured", name, rate, hz, given)
					}
					got = append(got, f)
					names = append(names, name+", "+strconv.FormatFloat(rate, 'g', -1, 64)+" S/s, given "+strconv.FormatFloat(given, 'g', -1, 64))
					for _, v := range []any{rate, int64(len(raw)), raw} {
						if err := binary.Write(&in, binary.LittleEndian, v); err != nil {
							t.Fatal(err)
						}
					}
				}
			}
		}
	}
	cmd := exec.Command(python, "-c", numpyHertz)
	cmd.Stdin, cmd.Stderr = &in, os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	want := strings.Fields(string(out))
	if len(want) != len(got) {
		t.Fatalf("numpy says %d frequencies of %d", len(want), len(got))
	}
	worst := 0.0
	for i, w := range want {
		hz, err := strconv.ParseFloat(w, 64)
		if err != nil {
			t.Fatal(err)
		}
		off := math.Abs(got[i] - hz)
		worst = max(worst, off)
		if off > 0.05 {
			t.Errorf("%s: %.3f Hz, numpy finds %.3f", names[i], got[i], hz)
		}
	}
	t.Logf("worst of %d: %.4f Hz", len(got), worst)
}

// TestBelow: what stays below the level is told with a level between it and what the
// channel shows otherwise; spikes, noise, runs and what is unknown are not.
func TestBelow(t *testing.T) {
	const start = 0.6
	for name, c := range map[string]struct {
		amps    func(i int) float64
		verdict sensor.Verdict
		peak    float64 // 0 = nothing to tell
	}{
		"a lathe of 0.16 A":    {func(i int) float64 { return map[bool]float64{true: 0.16, false: 0.04}[i >= 200 && i < 400] }, sensor.Idle, 0.16},
		"just below":           {func(i int) float64 { return map[bool]float64{true: 0.59, false: 0.04}[i >= 200] }, sensor.Idle, 0.59},
		"a spike":              {func(i int) float64 { return map[bool]float64{true: 0.5, false: 0.04}[i >= 200 && i < 205] }, sensor.Idle, 0},
		"noise":                {func(i int) float64 { return 0.04 + 0.01*float64(i%3) }, sensor.Idle, 0},
		"a standby load":       {func(int) float64 { return 0.2 }, sensor.Idle, 0},
		"it reached the level": {func(i int) float64 { return map[bool]float64{true: 0.7, false: 0.04}[i >= 200] }, sensor.Idle, 0},
		"not to be trusted":    {func(i int) float64 { return map[bool]float64{true: 0.3, false: 0.04}[i >= 200] }, sensor.Unknown, 0},
	} {
		var b sensor.Below
		for i := range 600 {
			v := sensor.Idle
			if i >= 200 {
				v = c.verdict
			}
			b.Take(sensor.Reading{Verdict: v, Amps: float32(c.amps(i))})
		}
		peak, level, ok := b.Missed(start)
		if ok != (c.peak > 0) || math.Abs(peak-c.peak) > 1e-6 {
			t.Errorf("%s: %g A, level %g A, %v", name, peak, level, ok)
		}
		if ok && !(level > 0.04 && level < c.peak) {
			t.Errorf("%s: level %g A", name, level)
		}
		if b.Take(sensor.Reading{Verdict: sensor.Running, Amps: 5}); ok {
			if _, _, ok := b.Missed(start); ok {
				t.Errorf("%s, then a run: it is still told", name)
			}
		}
	}
}
