package sensor_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"kerfwind/sensor"
)

func TestLearner(t *testing.T) {
	var l sensor.Learner
	if l.Level() != (sensor.Level{}) || l.Values() != 0 {
		t.Errorf("nothing learned: %+v", l.Level())
	}
	for _, v := range []float32{2, 4, 4, 4, 5, 5, 7, 9} {
		l.Add(sensor.Reading{Verdict: sensor.Idle, Amps: v})
		l.Add(sensor.Reading{Verdict: sensor.Unknown, Amps: 1000})
	}
	low, high := l.Range()
	if got := l.Level(); got.Mean != 5 || math.Abs(got.Spread-math.Sqrt(32.0/7)) > 1e-12 || l.Values() != 8 || low != 2 || high != 9 {
		t.Errorf("%+v of %d values from %g to %g", got, l.Values(), low, high)
	}
}

func TestPropose(t *testing.T) {
	for _, c := range []struct {
		idle, run sensor.Level
		margin    sensor.Margin
	}{
		{sensor.Level{Mean: 0.04, Spread: 0.004}, sensor.Level{Mean: 3, Spread: 0.1}, sensor.Wide},
		{sensor.Level{Mean: 0.2, Spread: 0.01}, sensor.Level{Mean: 0.8, Spread: 0.02}, sensor.Fair},
		{sensor.Level{Mean: 0.2, Spread: 0.01}, sensor.Level{Mean: 0.4, Spread: 0.01}, sensor.Narrow},
		{sensor.Level{Mean: 0.2, Spread: 0.01}, sensor.Level{Mean: 0.21, Spread: 0.01}, sensor.NoMargin},
		{sensor.Level{Mean: 0.2, Spread: 0.1}, sensor.Level{Mean: 0.1}, sensor.NoMargin},
		{sensor.Level{}, sensor.Level{Mean: 5, Spread: 3}, sensor.Wide},
	} {
		p := sensor.Propose(c.idle, c.run)
		if p.Margin != c.margin || !(p.Stop > 0 && p.Stop <= p.Start) {
			t.Errorf("%+v: %+v, want margin %v", c, p, c.margin)
		}
		if p.Margin != sensor.NoMargin && (p.Stop <= c.idle.Mean+4*c.idle.Spread || p.Start >= c.run.Mean) {
			t.Errorf("%+v: levels %+v", c, p)
		}
	}
	if s := sensor.Narrow.String(); !strings.Contains(s, "add a turn") {
		t.Error(s)
	}
	if sensor.Margin(0).String() != "invalid" || sensor.Wide.String() != "wide" || !strings.Contains(sensor.NoMargin.String(), "none") || sensor.Fair.String() != "fair" {
		t.Error("margins have lost their words")
	}
}

// TestLearnedLevels learns from a recording and finds its machine with what
// has been learned, where the levels are near the noise.
func TestLearnedLevels(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 24))
	raw := samples(60000, 2000, func(t float64) float64 {
		v := 0.1 * rng.NormFloat64()
		if t > 10 && t < 20 {
			v += 0.3 * sine(50*t)
		}
		return v
	})
	p := amps(1, 100)
	p.Mains = 50
	var idle, run sensor.Learner
	for _, r := range feed(t, p, 2000, raw) {
		switch {
		case r.At < 9*time.Second:
			idle.Add(r)
		case r.At > 11*time.Second && r.At < 19*time.Second:
			run.Add(r)
		}
	}
	levels := sensor.Propose(idle.Level(), run.Level())
	c := &p.Channels[0]
	c.Start, c.Stop, c.Idle = levels.Start, levels.Stop, idle.Level()
	got := changes(feed(t, p, 2000, raw))
	if len(got) != 3 || got[1].At < 10*time.Second || got[1].At > 10200*time.Millisecond || got[2].At < 21*time.Second || got[2].At > 21250*time.Millisecond {
		t.Errorf("levels %+v of idle %+v and run %+v: %v", levels, idle.Level(), run.Level(), got)
	}
}
