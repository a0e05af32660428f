package sensor_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"kerfwind/sensor"
)

// lookAt learns a channel of the given converter from ten seconds off and ten seconds on.
func lookAt(t *testing.T, p sensor.Params, raw []float32) (sensor.Figures, error) {
	t.Helper()
	p.Channels[0].Start, p.Channels[0].Stop = 100, 100
	var pass sensor.Pass
	for _, r := range feed(t, p, 2000, raw) {
		switch {
		case r.At > time.Second && r.At < 10*time.Second:
			pass.Idle(r)
		case r.At > 11*time.Second && r.At < 19*time.Second:
			pass.Run(r)
		}
	}
	return pass.Figures()
}

// TestLearnWeak: a lathe of 0.16 A and a sanding belt on a clamp of 30 A, in whose noise
// single values say nothing, are learned, started within 60 ms and stopped; what
// is weaker is told as too weak.
func TestLearnWeak(t *testing.T) {
	for name, c := range map[string]struct {
		bits, noise, amps float64
		margin            sensor.Margin
		err               string
	}{
		"lathe, 12 bits":        {12, 1.5, 0.16, sensor.Fair, ""},
		"lathe, 10 bits":        {10, 0.5, 0.16, sensor.Narrow, ""},
		"belt, much noise":      {12, 6, 0.16, sensor.Narrow, ""},
		"belt, 10 bits":         {10, 1, 0.11, sensor.Narrow, ""},
		"a current in noise":    {12, 6, 0.07, 0, "too weak here"},
		"a current far too low": {12, 6, 0.01, 0, "no current was seen"},
	} {
		rng := rand.New(rand.NewPCG(61, uint64(len(name))))
		top := math.Pow(2, c.bits)
		scale := 30 * 3.3 / top
		wave := func(on, off float64) []float32 {
			return samples(2000*int(off+4), 2000, func(x float64) float64 {
				v := c.noise * rng.NormFloat64()
				if x >= on && x < off {
					v += c.amps * math.Sqrt2 / scale * sine(60*x)
				}
				return math.Round(top/2 + v)
			})
		}
		p := amps(scale, 1)
		p.Mains = 60
		p.Channels[0].Max = top - 1
		f, err := lookAt(t, p, wave(10, 20))
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) {
				t.Errorf("%s: %+v, %v", name, f, err)
			}
			continue
		}
		got := sensor.Propose(scale, f)
		if err != nil || got.Margin != c.margin {
			t.Errorf("%s: %v, %+v of %+v", name, err, got, f)
			continue
		}
		ch := &p.Channels[0]
		ch.Start, ch.Stop, ch.Idle = got.Start, got.Stop, f.Idle
		var late []float64
		for n := range 20 {
			on := 2 + float64(n)/200
			x := changes(feed(t, p, 2000, wave(on, 8)))
			if len(x) != 3 || x[1].Verdict != sensor.Running || x[2].Verdict != sensor.Idle || x[2].At > 12*time.Second {
				t.Errorf("%s: %v", name, x)
				continue
			}
			late = append(late, x[1].At.Seconds()-on)
		}
		slices.Sort(late)
		t.Logf("%-17s start %.3f A, stop %.3f A, median %.1f ms; %s; %s", name, got.Start, got.Stop, 1000*late[len(late)/2], got.Apart(), got.Odds())
		if late[0] < 0 || late[len(late)/2] > 0.06 || got.False > 1 || got.Missed > 1 {
			t.Errorf("%s: %v, %+v", name, late, got)
		}
	}
}

// TestLamp: what burns behind the machine's switch before the machine starts counts as
// off; work after a quiet beginning is no such thing.
func TestLamp(t *testing.T) {
	idle := steady(rand.New(rand.NewPCG(63, 64)), 400, 0.04, 0.004)
	for name, c := range map[string]struct {
		lamp   int     // values of it
		inrush float64 // times the running current
		want   float64
	}{
		"a lamp, then a motor":       {120, 6, 0.4},
		"no lamp":                    {0, 6, 0},
		"a soft machine, then work":  {600, 1, 0},
		"the motor follows at once":  {20, 6, 0},
		"a lamp for most of the run": {900, 4, 0.4},
	} {
		var run []float64
		for range c.lamp {
			run = append(run, 0.4)
		}
		for i := range 600 {
			run = append(run, 5*(1+(c.inrush-1)*math.Exp(-float64(i)/20)))
		}
		f, err := teach(idle, run).Figures()
		if err != nil || math.Abs(f.Lamp-c.want) > 1e-6 {
			t.Errorf("%s: %+v, %v", name, f, err)
		}
		if p := sensor.Propose(0.024, f); c.want > 0 && (p.Stop <= c.want || p.Start >= 5) {
			t.Errorf("%s: %+v", name, p)
		}
	}
}

// TestOdds: the words of odds, and that more of a margin has better ones.
func TestOdds(t *testing.T) {
	figures := func(run, spread float64) sensor.Figures {
		return sensor.Figures{Idle: sensor.Level{Mean: 0.1, Spread: 0.01}, Top: 0.16, Run: sensor.Level{Mean: run, Spread: spread}, Least: run - 2.33*spread, Lower: spread}
	}
	for _, c := range []struct {
		run, spread float64
		apart, odds string
	}{
		{5, 0.1, "at least 29.8 times", "noise: less than one in 1000 years; missed starts, of ten a day: less than one in 1000 years"},
		{0.14, 0.01, "4 spreads", "noise: one a year; missed starts, of ten a day: "},
		{0.25, 0.02, "7.5 spreads", "noise: less"},
		{1, 0.3, "at least 1.88 times", "a day: 62 a year"},
		{0.12, 0.01, "2 spreads", "noise: "},
	} {
		p := sensor.Propose(0.024, figures(c.run, c.spread))
		if !strings.Contains(p.Apart(), c.apart) || !strings.Contains(p.Odds(), c.odds) {
			t.Errorf("%+v: %+v, %q, %q", c, p, p.Apart(), p.Odds())
		}
	}
	last := math.Inf(1)
	for run := 0.4; run < 3; run += 0.1 {
		p := sensor.Propose(0, figures(run, 0.05))
		if p.False > 1 || p.False > last || p.Missed > 3650 {
			t.Errorf("%g A: %+v", run, p)
		}
		last = p.False
	}
}
