package sensor_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"kerfwind/sensor"
)

// neighbours makes two channels: the second starts with a heavy inrush at
// 0.5 s, and the first shows share of its current and a load of its own.
func neighbours(share float64, own func(t float64) float64) []float32 {
	raw := make([]float32, 0, 2*6000)
	for i := range 6000 {
		t := float64(i) / 2000
		loud := 0.0
		if t >= 0.5 {
			loud = (110*math.Exp((0.5-t)/0.3) + 11) * sine(50*t)
		}
		raw = append(raw, float32(share*loud+own(t)), float32(loud))
	}
	return raw
}

// TestCrosstalk: a neighbour's inrush starts nothing, but a machine that
// starts during it is found.
func TestCrosstalk(t *testing.T) {
	p := amps(1, 0.6)
	p.Mains = 50
	p.Channels = append(p.Channels, p.Channels[0])
	p.Channels[1].Channel = 1
	quiet := func(float64) float64 { return 0 }
	if v := verdicts(feed(t, p, 2000, neighbours(0.02, quiet))); v != "idle idle running" {
		t.Errorf("crosstalk of 2 %%: %s", v)
	}
	spike := func(t float64) float64 {
		if t > 0.515 && t < 0.521 {
			return 15
		}
		return 0
	}
	if v := verdicts(feed(t, p, 2000, neighbours(0.02, spike))); v != "idle idle running" {
		t.Errorf("crosstalk and a spike: %s", v)
	}
	for _, at := range []float64{0.495, 0.51, 0.55, 0.6, 1} {
		got := changes(feed(t, p, 2000, neighbours(0.02, func(t float64) float64 {
			if t < at {
				return 0
			}
			return 8 * sine(50*t)
		})))
		found := false
		for _, r := range got {
			if r.Channel == 0 && r.Verdict == sensor.Running {
				found = true
				if d := r.At.Seconds() - at; d < 0 || d > 0.0601 {
					t.Errorf("a start at %g s during the inrush is found after %g s", at, d)
				}
			}
		}
		if !found {
			t.Errorf("a start at %g s during the inrush is not found: %v", at, got)
		}
	}
	p.Crosstalk = -1
	if v := verdicts(feed(t, p, 2000, neighbours(0.02, quiet))); v == "idle idle running" {
		t.Error("without the allowance the inrush should have started both")
	}
	p.Crosstalk = 0.04
	if v := verdicts(feed(t, p, 2000, neighbours(0.04, quiet))); v != "idle idle running" {
		t.Errorf("crosstalk of 4 %% with an allowance of as much: %s", v)
	}
}

// TestWeakStartBesideNeighbour: a neighbour that runs steadily, with little
// crosstalk, does not hide the start of a weak machine.
func TestWeakStartBesideNeighbour(t *testing.T) {
	for _, share := range []float64{0, 0.004, 0.02} {
		p := amps(1, 0.6)
		p.Mains = 50
		p.Channels = append(p.Channels, p.Channels[0])
		p.Channels[1].Channel = 1
		raw := make([]float32, 0, 2*20000)
		for i := range 20000 {
			t := float64(i) / 2000
			own, loud := 0.0, 0.0
			if t > 1 {
				loud = 28 * sine(50*t) // 0.4 A of crosstalk at 2 %
			}
			if t > 6 {
				own = 1.1 * sine(50*t) // 0.78 A
			}
			raw = append(raw, float32(own+share*loud), float32(loud))
		}
		var got []sensor.Reading
		for _, r := range changes(feed(t, p, 2000, raw)) {
			if r.Channel == 0 {
				got = append(got, r)
			}
		}
		if len(got) != 2 || got[1].Verdict != sensor.Running || got[1].At < ms(6000) || got[1].At > ms(6070) {
			t.Errorf("crosstalk of %g: %v", share, got)
		}
	}
}

// TestStopBesideNeighbour: neither a spike nor a neighbour's inrush prolongs
// the hold of a stop, and an inrush does not stop a machine that runs.
func TestStopBesideNeighbour(t *testing.T) {
	p := amps(1, 0.6)
	p.Mains, p.HoldMains = 50, true
	p.Channels = append(p.Channels, p.Channels[0])
	p.Channels[1].Channel = 1
	own := func(size, end float64) func(t float64) float64 {
		return func(t float64) float64 {
			if t < end {
				return size * sine(50*t)
			}
			if t > end+0.4 && t < end+0.406 {
				return 15
			}
			return 0
		}
	}
	for _, c := range []struct {
		size, end float64
		stop      time.Duration
	}{
		{1.5, 0.3, ms(1320)}, {1.5, 0.48, ms(1500)}, {8, 0.55, ms(1570)}, {8, 0.7, ms(1720)}, {1.5, 9, 0}, {8, 9, 0},
		{1.5, 0.55, ms(1570)}, // what is left could be its own current, but most has gone within a cycle
	} {
		stop := time.Duration(0)
		for _, r := range changes(feed(t, p, 2000, neighbours(0.02, own(c.size, c.end)))) {
			if r.Channel == 0 && r.Verdict == sensor.Idle {
				stop = r.At
			}
		}
		if late := stop - c.stop; late < -ms(10) || late > ms(250) { // the drop is seen a half early
			t.Errorf("%g A off at %g s: stop at %v, want %v to 250 ms later", c.size, c.end, stop, c.stop)
		}
	}
}

// TestSwingBesideNeighbour: a load that falls to a third during a neighbour's
// inrush is no stop.
func TestSwingBesideNeighbour(t *testing.T) {
	p := amps(1, 0.6)
	p.Mains = 50
	p.Channels = append(p.Channels, p.Channels[0])
	p.Channels[1].Channel = 1
	for _, at := range []float64{0.45, 0.52, 0.6, 0.75, 1} {
		for _, r := range feed(t, p, 2000, neighbours(0.02, func(t float64) float64 {
			if t < at {
				return 8 * sine(50*t)
			}
			return 2.7 * sine(50*t-0.2)
		})) {
			if r.Channel == 0 && r.Verdict != sensor.Running {
				t.Errorf("load falls at %g s: %+v", at, r)
				break
			}
		}
	}
}

// TestDividerConnected: the resting point creeps to its place when a divider
// is connected, and away when it breaks. That is a fault, not a machine.
func TestDividerConnected(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 16))
	for _, tau := range []float64{0.002, 0.02, 0.1, 0.5} {
		raw := samples(10000, 2000, func(t float64) float64 {
			rest := 2048 * (1 - math.Exp(-t/tau))
			if t > 2.5 {
				rest = 4095 - 2047*math.Exp((2.5-t)/tau)
			}
			return math.Round(rest + 1.5*rng.NormFloat64())
		})
		for _, r := range feed(t, counts(), 2000, raw) {
			if r.Verdict == sensor.Running {
				t.Errorf("with a time constant of %g s it runs at %v", tau, r.At)
				break
			}
		}
	}
}

// TestSequential: the mean time between false starts keeps to the setting, and
// a start deep in the noise is found.
func TestSequential(t *testing.T) {
	const rate, seconds = 2000, 400
	rng := rand.New(rand.NewPCG(17, 18))
	noise := make([]float32, rate*seconds)
	for i := range noise {
		noise[i] = float32(0.1 * rng.NormFloat64())
	}
	p := amps(1, 1)
	p.Mains, p.HoldMains = 50, true
	var sum, square float64
	base := feed(t, p, rate, noise)
	for _, r := range base {
		sum += float64(r.Amps)
		square += float64(r.Amps) * float64(r.Amps)
	}
	n := float64(len(base))
	idle := sensor.Level{Mean: sum / n, Spread: math.Sqrt(square/n - sum/n*sum/n)}
	falseStarts := func(learned bool, every time.Duration, start float64, x []float32) (count int, first time.Duration) {
		p := amps(1, start)
		p.Mains, p.HoldMains = 50, true
		p.FalseStarts = every
		p.Channels[0].StopHold = 0
		p.Channels[0].Stop = idle.Mean
		if learned {
			p.Channels[0].Idle = idle
		}
		for _, r := range changes(feed(t, p, rate, x)) {
			if r.Verdict == sensor.Running {
				if count == 0 {
					first = r.At
				}
				count++
			}
		}
		return count, first
	}
	start := idle.Mean + 2*idle.Spread
	plain, _ := falseStarts(false, 0, start, noise)
	fast, _ := falseStarts(true, 4*time.Second, start, noise)
	slow, _ := falseStarts(true, 0, start, noise)
	t.Logf("idle %.4f +- %.4f A; false starts in %d s: %d by level, %d of 1 in 4 s, %d of 1 in a year",
		idle.Mean, idle.Spread, seconds, plain, fast, slow)
	if fast == 0 || fast > seconds/4 || slow > 0 {
		t.Errorf("false starts: %d, %d and %d", plain, fast, slow)
	}
	// A current that brings the value two spreads up.
	for i := rate * 10; i < len(noise); i++ {
		noise[i] += float32(math.Sqrt(2*(start*start-idle.Mean*idle.Mean)) * sine(50*float64(i)/rate))
	}
	if count, first := falseStarts(true, 0, start, noise); count == 0 || first < 10*time.Second || first > 11*time.Second {
		t.Errorf("a start two spreads up is found at %v", first)
	}
}
