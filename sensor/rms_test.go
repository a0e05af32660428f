package sensor_test

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"kerfwind/sensor"
	"kerfwind/testdata/peers"
)

// TestClosedForms compares with the RMS that a textbook gives for each
// waveform: of amplitude 1, without its mean.
func TestClosedForms(t *testing.T) {
	// What sampling leaves over of n samples in a cycle: a jump of the whole
	// amplitude is only placed to a sample, twice a cycle; elsewhere the sum is
	// an integral but for second-order terms. And the frequency is followed to
	// about 0.1 %.
	jumps := func(n float64) float64 { return 2/n + 0.001 }
	smooth := func(n float64) float64 { return 2/(n*n) + 0.001 }
	forms := []struct {
		name string
		wave func(float64) float64
		want float64
		tol  func(n float64) float64
	}{
		{"sine", sine, 1 / math.Sqrt2, smooth},
		{"half wave", halfWave, math.Sqrt(0.25 - 1/(math.Pi*math.Pi)), smooth},
		{"phase cut at 90 degrees", phaseCut, 0.5, jumps},
		{"square", square, 1, jumps},
		{"with 30 % third harmonic", third, math.Sqrt((1 + 0.09) / 2), smooth},
	}
	for _, rate := range []float64{1000, 2000, 8000} {
		for _, nominal := range []float64{50, 60} {
			for _, off := range []float64{0.99, 1, 1.01} {
				for _, offset := range []float64{0, 3, -7} {
					for _, c := range forms {
						hz := nominal * off
						raw := samples(int(2*rate), rate, func(t float64) float64 {
							return 5*c.wave(hz*t+0.13) + offset
						})
						p := amps(2, 0.6)
						p.Mains = nominal
						got := feed(t, p, rate, raw)
						tol := c.tol(rate / hz)
						// The second half: the frequency has been found by then.
						for _, r := range got[len(got)/2:] {
							if e := float64(r.Amps)/(2*5*c.want) - 1; math.Abs(e) > tol {
								t.Errorf("%s, %g Hz of %g, %g S/s, offset %g: %g A at %v, want %g (%.2f %%)",
									c.name, hz, nominal, rate, offset, r.Amps, r.At, 10*c.want, 100*e)
								break
							}
						}
					}
				}
			}
		}
	}
}

// TestFollowing shows that the frequency has to be followed: a window that is
// 1 % too long errs ten times as much.
func TestFollowing(t *testing.T) {
	worst := func(hold bool) float64 {
		raw := samples(8000, 2000, func(t float64) float64 { return 10 * sine(50.5*t) })
		p := amps(1, 0.6)
		p.Mains, p.HoldMains = 50, hold
		got := feed(t, p, 2000, raw)
		w := 0.0
		for _, r := range got[len(got)/2:] {
			w = max(w, math.Abs(float64(r.Amps)*math.Sqrt2/10-1))
		}
		return w
	}
	held, followed := worst(true), worst(false)
	if held < 0.004 || followed > held/10 {
		t.Errorf("worst error %.5f held and %.5f followed", held, followed)
	}
}

// twin is the obvious way: for each pair of halves it weighs every sample by
// how much of it lies in the window.
func twin(x []float32, rate, hz float64) (rms []float64) {
	half := rate / (2 * hz)
	for k := 2; float64(k)*half <= float64(len(x)); k++ {
		a, b := float64(k-2)*half, float64(k)*half
		var n, s, q float64
		for i, v := range x {
			if w := min(float64(i+1), b) - max(float64(i), a); w > 0 {
				n += w
				s += w * float64(v)
				q += w * float64(v) * float64(v)
			}
		}
		rms = append(rms, math.Sqrt(max(0, q/n-s/n*s/n)))
	}
	return rms
}

func TestTwin(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 60 {
		rate := 300 + 9000*rng.Float64()
		hz := 45 + 20*rng.Float64()
		x := make([]float32, int(rate*(0.05+0.3*rng.Float64())))
		for i := range x {
			x[i] = float32(2048 + 500*rng.NormFloat64())
		}
		p := amps(1, 0.6)
		p.Mains, p.HoldMains = hz, true
		compare(t, fmt.Sprintf("%g S/s, %g Hz", rate, hz), feed(t, p, rate, x), twin(x, rate, hz), 1e-6)
	}
}

// compare allows for one reading more or less: rounding decides whether a half
// that ends with the stream is complete.
func compare(t *testing.T, name string, got []sensor.Reading, want []float64, tol float64) {
	t.Helper()
	if d := len(got) - len(want); d < -1 || d > 1 || len(want) < 2 {
		t.Fatalf("%s: %d readings, want %d", name, len(got), len(want))
	}
	for i := range min(len(got), len(want)) {
		if math.Abs(float64(got[i].Amps)-want[i]) > tol*want[i]+1e-9 {
			t.Fatalf("%s: reading %d is %g A, want %g", name, i, got[i].Amps, want[i])
		}
	}
}

// numpyRMS computes the same by another way: the cumulative sum of the
// samples, interpolated at the window's ends. It reads blocks of
// rate, hz, count and samples.
const numpyRMS = `
import sys, struct, numpy as np
data = sys.stdin.buffer.read()
while data:
    rate, hz, n = struct.unpack_from("<ddq", data)
    x = np.frombuffer(data, "<f4", n, 24).astype(np.float64)
    data = data[24 + 4 * n:]
    h = rate / (2 * hz)
    b = np.arange(int(n / h) + 1) * h
    i = np.arange(n + 1)
    s = np.diff(np.interp(b, i, np.concatenate(([0], np.cumsum(x)))))
    q = np.diff(np.interp(b, i, np.concatenate(([0], np.cumsum(x * x)))))
    m = (s[1:] + s[:-1]) / (2 * h)
    rms = np.sqrt(np.maximum(0, (q[1:] + q[:-1]) / (2 * h) - m * m))
    print(" ".join("%.9g" % v for v in rms))
`

var update = flag.Bool("update", false, "write the stored numpy results anew")

// numpyCase is a signal of integers, so that every machine makes the same.
type numpyCase struct {
	rate, hz float64
	x        []float32
}

func numpyCases() (cases []numpyCase) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, rate := range []float64{1000, 2000, 3000, 8000} {
		for _, hz := range []float64{49.5, 50, 59.4, 60.6} {
			c := numpyCase{rate, hz, make([]float32, int(rate/4))}
			for i := range c.x {
				c.x[i] = float32(2048 + 40*(i*i%37) - 25*(i%29) + rng.IntN(16))
			}
			cases = append(cases, c)
		}
	}
	return cases
}

// TestNumpy compares with numpy on the same samples. Its results are stored;
// where numpy is at hand it must still give them.
func TestNumpy(t *testing.T) {
	cases := numpyCases()
	store := filepath.Join("..", "testdata", "sensor", "numpy-rms.txt")
	t.Run("Fresh", func(t *testing.T) {
		python := peers.Python(t, "numpy")
		var in bytes.Buffer
		for _, c := range cases {
			for _, v := range []any{c.rate, c.hz, int64(len(c.x)), c.x} {
				if err := binary.Write(&in, binary.LittleEndian, v); err != nil {
					t.Fatal(err)
				}
			}
		}
		cmd := exec.Command(python, "-c", numpyRMS)
		cmd.Stdin = &in
		cmd.Stderr = os.Stderr
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		if *update {
			if err := os.WriteFile(store, out, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		checkNumpy(t, cases, out)
	})
	stored, err := os.ReadFile(store)
	if err != nil {
		t.Fatal(err)
	}
	checkNumpy(t, cases, stored)
}

func checkNumpy(t *testing.T, cases []numpyCase, results []byte) {
	t.Helper()
	lines := bufio.NewScanner(bytes.NewReader(results))
	for _, c := range cases {
		if !lines.Scan() {
			t.Fatalf("numpy's results stop before %g S/s, %g Hz", c.rate, c.hz)
		}
		var want []float64
		for _, w := range strings.Fields(lines.Text()) {
			v, err := strconv.ParseFloat(w, 64)
			if err != nil {
				t.Fatal(err)
			}
			want = append(want, v)
		}
		p := amps(1, 0.6)
		p.Mains, p.HoldMains = c.hz, true
		compare(t, fmt.Sprintf("%g S/s, %g Hz", c.rate, c.hz), feed(t, p, c.rate, c.x), want, 1e-6)
	}
}

// TestMains: the frequency is found without a nominal one, also from bursts,
// and kept when the current ends.
func TestMains(t *testing.T) {
	for _, rate := range []float64{1000, 2000, 8000} {
		for _, hz := range []float64{49.5, 50, 50.5, 59.4, 60, 60.6} {
			for name, wave := range map[string]func(float64) float64{
				"sine": sine, "half wave": halfWave, "third": third, "phase cut": phaseCut,
			} {
				raw := samples(int(2*rate), rate, func(t float64) float64 {
					if t > 1.5 {
						return 0
					}
					return 10 * wave(hz*t)
				})
				d := newDetector(t, amps(1, 0.6))
				if got, measured := d.Mains(); measured || got != 50 {
					t.Errorf("at first %g Hz, measured %v", got, measured)
				}
				d.Feed(&sensor.Frame{Channels: 1, Rate: rate, Raw: raw}, nil)
				got, measured := d.Mains()
				if !measured || math.Abs(got/hz-1) > 0.002 {
					t.Errorf("%s of %g Hz at %g S/s: %g Hz, measured %v", name, hz, rate, got, measured)
				}
			}
		}
	}
	t.Run("Bursts", func(t *testing.T) {
		d := newDetector(t, amps(1, 0.6))
		for k := range 60 {
			at := 0.1 * float64(k)
			raw := samples(100, 2000, func(t float64) float64 { return 10 * sine(60.2*(at+t)) })
			d.Feed(&sensor.Frame{Channels: 1, Rate: 2000, Index: uint64(200 * k), At: ms(1000 * at), Raw: raw}, nil)
		}
		if got, measured := d.Mains(); !measured || math.Abs(got-60.2) > 0.1 {
			t.Errorf("%g Hz, measured %v, want 60.2", got, measured)
		}
	})
	t.Run("Strongest", func(t *testing.T) {
		// The weak channel carries noise at another frequency.
		raw := samples(2*4000, 4000, func(t float64) float64 { return 0 })
		for i := 0; i < len(raw); i += 2 {
			at := float64(i/2) / 2000
			raw[i] = float32(2 * sine(58*at))
			raw[i+1] = float32(10 * sine(60.5*at))
		}
		p := amps(1, 0.6)
		p.Channels = append(p.Channels, p.Channels[0])
		p.Channels[1].Channel = 1
		d := newDetector(t, p)
		d.Feed(&sensor.Frame{Channels: 2, Rate: 2000, Raw: raw}, nil)
		if got, _ := d.Mains(); math.Abs(got-60.5) > 0.1 {
			t.Errorf("%g Hz, want 60.5 of the strongest", got)
		}
	})
	t.Run("Implausible", func(t *testing.T) {
		raw := samples(4000, 2000, func(t float64) float64 { return 10 * sine(40*t) })
		p := amps(1, 0.6)
		d := newDetector(t, p)
		d.Feed(&sensor.Frame{Channels: 1, Rate: 2000, Raw: raw}, nil)
		if got, measured := d.Mains(); measured {
			t.Errorf("40 Hz taken for %g Hz mains", got)
		}
	})
}

// TestOtherMains: a mains that is another than the file says is named within two
// seconds of a run, in a sentence, and sensing goes on with it: the run is seen and
// never unknown. So at every rate and for every waveform, held or not.
func TestOtherMains(t *testing.T) {
	for _, rate := range []float64{860, 1000, 1013, 2000, 4000} {
		for _, given := range []float64{50, 60} {
			for _, hz := range []float64{46, 50, 56, 60, 65} {
				for name, wave := range map[string]func(float64) float64{
					"sine": sine, "half wave": halfWave, "third": third, "phase cut": phaseCut, "rectifier": rectifier,
				} {
					p := counts()
					p.Mains, p.HoldMains = given, rate == 2000
					raw := samples(int(6*rate), rate, func(t float64) float64 {
						if t < 1 || t > 4 {
							return 2048
						}
						return math.Round(2048 + 400*wave(hz*t))
					})
					d := newDetector(t, p)
					got := d.Feed(&sensor.Frame{Channels: 1, Rate: rate, Raw: raw}, nil)
					what := fmt.Sprintf("%s of %g Hz, %g given, %g S/s", name, hz, given, rate)
					if v := verdicts(got); v != "idle running idle" {
						t.Errorf("%s: %s", what, v)
					}
					doubt := d.MainsDoubt()
					if wrong := math.Abs(hz-given) > 0.05*given; wrong != (doubt != "") {
						t.Errorf("%s: %q", what, doubt)
					} else if f, _ := d.Mains(); wrong && math.Abs(f-hz) > 0.004*hz {
						t.Errorf("%s: measured %g Hz", what, f)
					}
				}
			}
		}
	}
	if got := sensor.MainsDoubt(49.97, 60); got != "The mains seems to be 50 Hz; the shop file says 60 Hz: correct mains there." {
		t.Error(got)
	}
}
