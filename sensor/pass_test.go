package sensor_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"kerfwind/sensor"
)

// healthy is a reading that counts.
func healthy(n int, amps float64) sensor.Reading {
	return sensor.Reading{At: time.Duration(n) * 10 * time.Millisecond, Verdict: sensor.Idle, Health: sensor.Healthy, Amps: float32(amps)}
}

// teach makes a pass of idle and running values.
func teach(idle, run []float64) *sensor.Pass {
	var p sensor.Pass
	for i, v := range idle {
		p.Idle(healthy(i, v))
	}
	for i, v := range run {
		p.Run(healthy(i, v))
	}
	return &p
}

// steady is n values of normal noise about a mean.
func steady(rng *rand.Rand, n int, mean, spread float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = mean + spread*rng.NormFloat64()
	}
	return out
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.Abs(got-want) > within {
		t.Errorf("%s: %g, want %g", what, got, want)
	}
}

func TestFigures(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	idle := steady(rng, 1000, 0.04, 0.004)
	idle[300], idle[301], idle[302] = 3, 4, 2 // a spike
	var run []float64
	for range 200 { // the person is on the way to the switch
		run = append(run, 0.04)
	}
	run = append(run, 3, 0.04) // a spike on the way is no start
	for i := range 40 {        // 0.4 s of inrush
		run = append(run, 30-0.5*float64(i))
	}
	run = append(run, steady(rng, 1000, 5, 0.1)...)
	p := teach(idle, run)
	f, err := p.Figures()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "idle", f.Idle.Mean, 0.04, 0.0005)
	near(t, "idle spread", f.Idle.Spread, 0.004, 0.0005)
	near(t, "top", f.Top, 0.04+6*0.004, 0.003)
	near(t, "spikes", float64(f.Spikes), 3, 0)
	near(t, "run", f.Run.Mean, 5, 0.02)
	near(t, "run spread", f.Run.Spread, 0.1, 0.01)
	near(t, "least", f.Least, 5-2.33*0.1, 0.06) // 1 % of a normal distribution lies below 2.33 spreads
	near(t, "inrush", f.Inrush, 30, 1e-6)
	near(t, "settle", f.Settle.Seconds(), 0.4, 0.011)
	near(t, "running values", float64(p.RunFor()), 1040, 0)

	want := sensor.Propose(0.024, f)
	if want.Margin != sensor.Wide || want.Words() != "wide" {
		t.Errorf("%+v", want)
	}
	near(t, "start", want.Start, f.Least/2, 1e-9)
	near(t, "stop", want.Stop, f.Least/3, 1e-9)
}

// TestSettle: where the inrush ends, from above, from below, and where work
// begins at once.
func TestSettle(t *testing.T) {
	idle := steady(rand.New(rand.NewPCG(7, 8)), 400, 0.1, 0.01)
	for name, c := range map[string]struct {
		amps           func(i int) float64 // of value i, 10 ms each
		settle, inrush float64
	}{
		"no inrush":  {func(int) float64 { return 5 }, 0, 5},
		"inrush":     {func(i int) float64 { return max(5, 30-float64(i)/2) }, 0.47, 30}, // 1.3 times 5 A
		"a dip":      {func(i int) float64 { return max(5, 30-float64(i)/2*float64(min(i%40, 1))) }, 0.47, 30},
		"soft start": {func(i int) float64 { return min(5, 0.5+float64(i)/40) }, 0.8, 2.6},
		"work":       {func(i int) float64 { return map[bool]float64{true: 2, false: 10}[i < 600] }, 5, 2},
	} {
		run := make([]float64, 2000)
		for i := range run {
			run[i] = c.amps(i)
		}
		f, err := teach(idle, run).Figures()
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
		near(t, name+", settle", f.Settle.Seconds(), c.settle, 0.0101)
		near(t, name+", inrush", f.Inrush, c.inrush, 1e-6)
	}
}

// TestRuns: each run has an inrush of its own.
func TestRuns(t *testing.T) {
	p := teach(steady(rand.New(rand.NewPCG(9, 10)), 400, 0.1, 0.01), nil)
	for start := range 2 {
		for i := range 500 {
			p.Run(healthy(2000*start+i, max(5, float64(30+start)-float64(i)/2)))
		}
		p.NextRun()
	}
	f, err := p.Figures()
	if err != nil || f.Run.Spread > 0.2 || f.Inrush != 31 || f.Run.Mean > 5.1 {
		t.Errorf("%+v, %v", f, err)
	}
}

// TestIdleSpread: spikes are left out, up to 2 % of the values; what is more
// than rare is how the channel idles.
func TestIdleSpread(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for share, spikes := range map[int]int{2: 2, 15: 15, 30: 20, 500: 0} {
		idle := steady(rng, 1000, 0.1, 0.01)
		for i := range share {
			idle[i] = 2
		}
		f, err := teach(idle, nil).IdleFigures()
		if err != nil {
			t.Fatal(err)
		}
		if f.Spikes != spikes || (f.Top < 0.2) != (share == spikes) {
			t.Errorf("%d of 1000 at 2 A: %+v", share, f)
		}
	}
	// A channel without noise.
	f, err := teach(append(make([]float64, 999), 1), nil).IdleFigures()
	if err != nil || f.Top != 0 || f.Spikes != 1 {
		t.Errorf("%+v, %v", f, err)
	}
}

func TestNothingLearned(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	idle := steady(rng, 400, 0.1, 0.01)
	bad := sensor.Reading{Health: sensor.BiasLow, Verdict: sensor.Unknown}
	var ill sensor.Pass
	for range 500 {
		ill.Idle(bad)
	}
	for _, c := range []struct {
		p    *sensor.Pass
		want string
	}{
		{&sensor.Pass{}, "too little was seen of it idle: 0 values"},
		{teach(idle[:199], nil), "too little was seen of it idle: 199 values"},
		{teach(idle, nil), "no current was seen"},
		{teach(idle, steady(rng, 900, 0.1, 0.01)), "round one conductor only"},
		{teach(idle, steady(rng, 150, 3, 0.1)), "let it run longer"},
		{&ill, "cannot be trusted (bias too low): "},
		{&ill, "look at the bias divider"},
	} {
		_, err := c.p.Figures()
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v, want %q", err, c.want)
		}
	}
	if _, err := ill.IdleFigures(); err == nil || !strings.Contains(err.Error(), "bias too low") {
		t.Error(err)
	}
	// What is not healthy does not count.
	p := teach(idle, nil)
	p.Idle(bad)
	p.Idle(sensor.Reading{Health: sensor.Starting})
	if p.IdleFor() != len(idle) {
		t.Error(p.IdleFor())
	}
}

// TestMargins: the words at their ratios, and levels between idle and running
// at every one of them.
func TestMargins(t *testing.T) {
	for _, c := range []struct {
		idle, mean, run float64
		margin          sensor.Margin
		words           string
	}{
		{0.1, 0.05, 10, sensor.Wide, "wide"},
		{0.1, 0.05, 0.4, sensor.Wide, "wide"},
		{0.1, 0.05, 0.399, sensor.Fair, "fair: a further turn"},
		{0.1, 0.05, 0.2, sensor.Fair, "fair: a further turn"},
		{0.1, 0.05, 0.199, sensor.Narrow, "narrow: add a turn through the clamp"},
		{0.1, 0.05, 0.13, sensor.Narrow, "narrow: add a turn"},
		{0.1, 0.05, 0.129, sensor.NoMargin, "none: add a turn"},
		{1, 0.9, 1.5, sensor.Narrow, "narrow: it draws 0.9 A while it is off"},
		{0, 0, 5, sensor.Wide, "wide"},
	} {
		p := sensor.Propose(0.024, sensor.Figures{Top: c.idle, Idle: sensor.Level{Mean: c.mean}, Least: c.run})
		if p.Margin != c.margin || !strings.HasPrefix(p.Words(), c.words) {
			t.Errorf("%+v: %+v, %q", c, p, p.Words())
		}
		if c.margin == sensor.NoMargin && p.Start != 0 {
			t.Errorf("levels without a margin: %+v", p)
		}
	}
	// Any of several channels is enough.
	p := sensor.Propose(0, sensor.Figures{Top: 0.1, Least: 0.1}, sensor.Figures{Top: 0.2, Least: 2})
	if p.Margin != sensor.Wide || p.Ratio != 10 {
		t.Errorf("%+v", p)
	}
	rapid.Check(t, func(t *rapid.T) {
		idle := rapid.Float64Range(0, 5).Draw(t, "idle")
		run := rapid.Float64Range(0, 100).Draw(t, "run")
		step := rapid.Float64Range(0, 0.3).Draw(t, "step")
		p := sensor.Propose(step, sensor.Figures{Top: idle, Least: run})
		if p.Margin != sensor.NoMargin && !(p.Stop > idle && p.Stop < p.Start && p.Start < run) {
			t.Fatalf("%+v", p)
		}
	})
	for m := sensor.NoMargin; m <= sensor.Wide; m++ {
		if sensor.MarginOf(m.String()) != m {
			t.Error(m)
		}
	}
	if sensor.MarginOf("invalid") != 0 || sensor.Margin(0).String() != "invalid" {
		t.Error("the zero margin has a name")
	}
}

// TestLearnedLevels learns from a recording and finds its machine with what
// has been learned, where the levels are near the noise.
func TestLearnedLevels(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 24))
	raw := samples(60000, 2000, func(t float64) float64 {
		v := 0.1 * rng.NormFloat64()
		if t > 10 && t < 20 {
			v += 0.45 * sine(50*t)
		}
		return v
	})
	p := amps(1, 100)
	p.Mains = 50
	var pass sensor.Pass
	for _, r := range feed(t, p, 2000, raw) {
		switch {
		case r.At < 9*time.Second:
			pass.Idle(r)
		case r.At < 19*time.Second:
			pass.Run(r)
		}
	}
	f, err := pass.Figures()
	if err != nil {
		t.Fatal(err)
	}
	levels := sensor.Propose(0, f)
	c := &p.Channels[0]
	c.Start, c.Stop, c.Idle = levels.Start, levels.Stop, f.Idle
	got := changes(feed(t, p, 2000, raw))
	if len(got) != 3 || got[1].At < 10*time.Second || got[1].At > 10200*time.Millisecond || got[2].At < 20*time.Second || got[2].At > 21250*time.Millisecond {
		t.Errorf("levels %+v of %+v: %v", levels, f, got)
	}
}
