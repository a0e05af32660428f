package sensor_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"kerfwind/sensor"
)

// weakChannel has white noise, learned, and a start level which a current of so many
// times the noise of a sample brings.
func weakChannel(noise, times, rate, hz float64, every time.Duration) sensor.Params {
	p := amps(1, 1)
	p.Mains, p.HoldMains, p.FalseStarts = hz, true, every
	c := &p.Channels[0]
	n := rate / hz
	c.Idle = sensor.Level{Mean: noise * (1 - 1/(4*n)), Spread: noise / math.Sqrt(2*n)}
	c.Start, c.Stop = math.Hypot(c.Idle.Mean, times*noise), c.Idle.Mean
	return p
}

// TestWeak: a current equal to the noise of a sample is found within 35 ms at the
// median with one false start a year, whatever its phase; no test can be faster than 22 ms
// on average (G. Lorden, 1971: the log of the half cycles in a year over the information in a
// sample).
func TestWeak(t *testing.T) {
	const rate, noise, tries = 2000.0, 0.1, 101
	for _, hz := range []float64{50, 60} {
		rng := rand.New(rand.NewPCG(51, uint64(hz)))
		p := weakChannel(noise, 1, rate, hz, 0)
		var late []float64
		for range tries {
			on, phase := 0.5+rng.Float64(), rng.Float64()
			raw := samples(int(2*rate), rate, func(x float64) float64 {
				v := noise * rng.NormFloat64()
				if x >= on {
					v += noise * math.Sqrt2 * sine(hz*x+phase)
				}
				return v
			})
			for _, r := range changes(feed(t, p, rate, raw)) {
				if r.Verdict == sensor.Running {
					if late = append(late, 1000*(r.At.Seconds()-on)); math.Abs(r.Onset.Seconds()-on) > 0.06 {
						t.Errorf("%g Hz: onset %v, want %g s", hz, r.Onset, on)
					}
					break
				}
			}
		}
		slices.Sort(late)
		t.Logf("%g Hz: median %.1f ms, worst %.1f ms", hz, late[len(late)/2], late[len(late)-1])
		if len(late) != tries || late[0] < 0 || late[tries/2] > 35 {
			t.Errorf("%g Hz: %d of %d found, from %.1f ms, median %.1f ms", hz, len(late), tries, late[0], late[tries/2])
		}
	}
}

// TestWeakNoise: noise starts a channel whose level lies in it no oftener than is
// asked for, and more often where more is allowed.
func TestWeakNoise(t *testing.T) {
	const rate, noise, seconds = 1000.0, 0.1, 1500
	rng := rand.New(rand.NewPCG(53, 54))
	raw := samples(int(rate*seconds), rate, func(float64) float64 { return noise * rng.NormFloat64() })
	last := 0
	for _, every := range []time.Duration{0, 20 * time.Second, 2 * time.Second} {
		p := weakChannel(noise, 0.6, rate, 50, every)
		starts := 0
		for _, r := range changes(feed(t, p, rate, raw)) {
			if r.Verdict == sensor.Running {
				starts++
			}
		}
		most := 0
		if every > 0 {
			most = int(seconds / every.Seconds())
		}
		if starts > most || starts < last || most > 0 && starts == 0 {
			t.Errorf("one in %v: %d starts in %d s", every, starts, seconds)
		}
		last = starts
	}
}

// TestWeakSpikes: whatever is shorter than a cycle starts nothing, nor does a resting
// point that jumps, nor a neighbour that the channel hears.
func TestWeakSpikes(t *testing.T) {
	const rate, noise, hz = 2000.0, 0.1, 60.0
	rng := rand.New(rand.NewPCG(55, 56))
	p := weakChannel(noise, 1, rate, hz, 0)
	p.Channels[0].StopHold = 0
	for range 400 {
		kind, height := rng.IntN(4), noise*math.Exp(rng.Float64()*5)
		at, long, phase := 0.5+0.1*rng.Float64(), rng.Float64()/hz*0.98, rng.Float64()
		raw := samples(int(rate), rate, func(x float64) float64 {
			v := noise * rng.NormFloat64()
			on := x >= at && x < at+long
			switch {
			case kind == 0 && on:
				v += height
			case kind == 1 && on:
				v += height * sine(hz*x+phase)
			case kind == 2 && on:
				v += height * rng.NormFloat64()
			case kind == 3 && x >= at:
				v += height
			}
			return v
		})
		if v := verdicts(feed(t, p, rate, raw)); v != "idle" {
			t.Errorf("kind %d, %.2f A for %.1f ms at %.4f s: %s", kind, height, 1000*long, at, v)
		}
	}
	p.Channels = append(p.Channels, sensor.ChannelParams{Used: true, Channel: 1, Scale: 1, Start: 0.6, Stop: 0.4, StopHold: time.Second})
	for _, share := range []float64{0.005, 0.02, 0.08} {
		for range 20 {
			phase, turn := rng.Float64(), rng.Float64()
			var raw []float32
			for i := range int(4 * rate) {
				x, loud, heard := float64(i)/rate, 0.0, 0.0
				if x >= 1 {
					a := math.Sqrt2 * (15 + 75*math.Exp(-math.Pow((x-1)/0.35, 3)))
					loud, heard = a*sine(hz*x+phase), share*a*sine(hz*x+phase+turn)
				}
				raw = append(raw, float32(heard+noise*rng.NormFloat64()), float32(loud+noise*rng.NormFloat64()))
			}
			for _, r := range changes(feed(t, p, rate, raw)) {
				if r.Channel == 0 && r.Verdict == sensor.Running {
					t.Errorf("a share of %g of a neighbour starts it at %v", share, r.At)
				}
			}
		}
	}
}
