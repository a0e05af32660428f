package sensor_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"kerfwind/sensor"
)

// inrushes makes two channels of a 12-bit converter: the second has a heavy
// inrush, beyond its range, each three seconds from 1 s on; the first shows share
// of its current, a standby load and a current of its own.
func inrushes(share float64, seconds int, own func(t float64) float64) []float32 {
	const scale = 0.024
	count := func(x float64) float32 { return float32(math.Round(max(0, min(4095, 2048+x/scale)))) }
	var raw []float32
	for i := range 2000 * seconds {
		t := float64(i) / 2000
		loud := 0.0
		if since := math.Mod(t, 3) - 1; since >= 0 && since < 1.6 {
			loud = (120*math.Exp(-math.Pow(since/0.5, 4)) + 12) * sine(50*t-0.18)
		}
		raw = append(raw, count(share*loud+0.3*sine(50*t)+own(t)), count(loud))
	}
	return raw
}

func besideInrush(t *testing.T, share float64, seconds int, own func(t float64) float64) (runs []sensor.Reading) {
	t.Helper()
	p := counts()
	p.HoldMains = true
	p.Channels[0].StopHold = 500 * time.Millisecond
	p.Channels = append(p.Channels, p.Channels[0])
	p.Channels[1].Channel = 1
	for _, r := range changes(feed(t, p, 2000, inrushes(share, seconds, own))) {
		if r.Channel == 0 {
			runs = append(runs, r)
		}
	}
	return runs[1:] // idle at first
}

// TestKnownCrosstalk: after one inrush that the channel heard while it was idle, its own
// current is told from the crosstalk of the next, whatever the phase of the one
// and the sign of the other.
func TestKnownCrosstalk(t *testing.T) {
	for _, share := range []float64{0.02, -0.02, 0.006, 0} {
		if runs := besideInrush(t, share, 13, func(float64) float64 { return 0 }); len(runs) > 0 {
			t.Errorf("crosstalk of %g starts it: %v", share, runs)
		}
		for _, turn := range []float64{0, 0.25, 0.5, 0.75} {
			for _, c := range []struct{ on, off float64 }{
				{4.2, 6.5}, // during the second inrush
				{3, 4.002}, // off within the half in which it begins
				{3, 4.3},   // off during it
			} {
				runs := besideInrush(t, share, 9, func(t float64) float64 {
					if t < c.on || t > c.off {
						return 0
					}
					return 2 * sine(50*t-turn)
				})
				if len(runs) != 2 || runs[0].Verdict != sensor.Running || runs[1].Verdict != sensor.Idle {
					t.Errorf("crosstalk of %g, %g of a cycle late, %v: %v", share, turn, c, runs)
					continue
				}
				if late := runs[0].At.Seconds() - c.on; late < 0 || late > 0.08 {
					t.Errorf("crosstalk of %g, %g of a cycle late, %v: start found after %.3f s", share, turn, c, late)
				}
				if late := runs[1].At.Seconds() - c.off - 0.5; late < -0.001 || late > 0.25 {
					t.Errorf("crosstalk of %g, %g of a cycle late, %v: stop found %.3f s beyond the hold", share, turn, c, late)
				}
			}
		}
	}
}

// TestHiddenStart: a start that hides in the first inrush is not taken for
// crosstalk: it is found when that has passed, and later inrushes start nothing.
func TestHiddenStart(t *testing.T) {
	for _, share := range []float64{0, 0.01} {
		runs := besideInrush(t, share, 13, func(t float64) float64 {
			if t < 1 || t > 3 {
				return 0
			}
			return 1.2 * sine(50*t-0.18)
		})
		if len(runs) != 2 || runs[0].Verdict != sensor.Running || runs[0].At > 2*time.Second || runs[1].Verdict != sensor.Idle {
			t.Errorf("crosstalk of %g: %v", share, runs)
		}
	}
}

// TestMovedClamp: what is known of the crosstalk may no longer hold. The next
// inrush starts nothing, and tells again.
func TestMovedClamp(t *testing.T) {
	for _, c := range [][2]float64{{0.02, -0.02}, {-0.02, 0.02}, {0.02, 0}, {0, 0.02}} {
		before, after := inrushes(c[0], 7, func(float64) float64 { return 0 }), inrushes(c[1], 19, func(t float64) float64 {
			if t < 16.2 || t > 17 {
				return 0
			}
			return 2 * sine(50*t-0.4)
		})
		copy(after, before)
		p := counts()
		p.HoldMains = true
		p.Channels = append(p.Channels, p.Channels[0])
		p.Channels[1].Channel = 1
		starts := 0
		for _, r := range changes(feed(t, p, 2000, after)) {
			if r.Channel == 0 && r.Verdict == sensor.Running {
				starts++
				if late := r.At.Seconds() - 16.2; late < 0 || late > 0.08 {
					t.Errorf("crosstalk of %g becomes %g: it runs at %v", c[0], c[1], r.At)
				}
			}
		}
		if starts != 1 {
			t.Errorf("crosstalk of %g becomes %g: %d starts", c[0], c[1], starts)
		}
	}
}

// TestOtherCurrent: what a neighbour's current has told holds for no much
// heavier one, since a standby load is in it, nor for one of another waveform.
func TestOtherCurrent(t *testing.T) {
	p := counts()
	p.HoldMains = true
	p.Channels = append(p.Channels, p.Channels[0])
	p.Channels[1].Channel = 1
	for name, later := range map[string]func(t float64) float64{
		"heavier":   func(t float64) float64 { return 120 * sine(50*t) },
		"phase cut": func(t float64) float64 { return 48 * phaseCut(50*t) },
		"turned":    func(t float64) float64 { return 120 * sine(50*t+0.5) },
	} {
		raw := samples(2*2000*8, 2*2000, func(t float64) float64 {
			n := int(math.Round(t * 4000))
			t = float64(n/2) / 2000
			loud := 0.0
			switch {
			case t > 1 && t < 3:
				loud = 20 * sine(50*t)
			case t > 4 && t < 6:
				loud = later(t)
			}
			x := loud
			if n%2 == 0 {
				x = 0.02*loud - 0.4*sine(50*t)
			}
			return math.Round(max(0, min(4095, 2048+x/0.024)))
		})
		for _, r := range changes(feed(t, p, 2000, raw)) {
			if r.Channel == 0 && r.Verdict == sensor.Running {
				t.Errorf("%s: %+v", name, r)
			}
		}
	}
}

// TestSessionsApart: a run before a neighbour starts does not keep its crosstalk from
// being learned, nor does an earlier, short run of the neighbour.
func TestSessionsApart(t *testing.T) {
	for name, c := range map[string]struct {
		loud, own [][2]float64 // from, to in seconds
	}{
		"a run before":   {loud: [][2]float64{{2, 4}}, own: [][2]float64{{0.5, 0.8}}},
		"short runs":     {loud: [][2]float64{{1, 1.1}, {2, 3}}},
		"runs in pauses": {loud: [][2]float64{{2, 2.8}, {5, 5.8}}, own: [][2]float64{{0.5, 0.8}, {3.2, 3.5}}},
	} {
		p := counts()
		p.HoldMains = true
		p.Channels[0].StopHold = 500 * time.Millisecond
		p.Channels = append(p.Channels, p.Channels[0])
		p.Channels[1].Channel = 1
		within := func(spans [][2]float64, t float64) bool {
			return slices.ContainsFunc(spans, func(s [2]float64) bool { return t >= s[0] && t < s[1] })
		}
		raw := samples(2*2000*7, 2*2000, func(t float64) float64 {
			n := int(math.Round(t * 4000))
			t = float64(n/2) / 2000
			x := 0.0
			if within(c.loud, t) {
				x = 20 * sine(50*t)
			}
			if n%2 == 0 {
				if x *= 0.04; within(c.own, t) {
					x += 2 * sine(50*t)
				}
			}
			return math.Round(2048 + x/0.024)
		})
		d := newDetector(t, p)
		d.Feed(&sensor.Frame{Channels: 2, Rate: 2000, Raw: raw}, nil)
		if got := d.Shares(nil); len(got) != 1 || got[0].Channel != 0 || math.Abs(got[0].Re-0.04) > 0.002 {
			t.Errorf("%s: want a share of 0.04, have %+v", name, got)
		}
	}
}

// TestShares: the share of each pair, with its phase, is told, and a detector that is
// given it knows it.
func TestShares(t *testing.T) {
	p := counts()
	p.Channels = append(p.Channels, p.Channels[0])
	p.Channels[1].Channel = 7
	for _, c := range []struct{ size, turn float64 }{{0.05, 0}, {0.08, 0.1}, {0.03, 0.5}, {0.04, 0.7}} {
		raw := samples(2*2000*4, 2*2000, func(t float64) float64 {
			n := int(math.Round(t * 4000))
			x, amps := 50*float64(n/2)/2000, 20.0
			if t < 1 || t > 3 {
				amps = 0
			}
			if n%2 == 0 {
				x, amps = x+c.turn, amps*c.size
			}
			return math.Round(2048 + amps*sine(x)/0.024)
		})
		d := newDetector(t, p)
		d.Feed(&sensor.Frame{Channels: 2, Rate: 2000, Raw: raw}, nil)
		got := d.Shares(nil)
		if len(got) != 1 || got[0].Channel != 0 || got[0].Of != 7 {
			t.Errorf("share %g: %+v", c.size, got)
			continue
		}
		s := got[0]
		re, im := c.size*math.Cos(2*math.Pi*c.turn), c.size*math.Sin(2*math.Pi*c.turn)
		if math.Hypot(s.Re-re, s.Im-im) > 0.002 || math.Abs(s.Size()-c.size) > 0.002 || math.Abs(s.Amps-20/math.Sqrt2) > 0.5 {
			t.Errorf("share %g %+gi: %+v", re, im, s)
		}
		q := p
		q.Shares = append(got, sensor.Share{Channel: 3, Of: 0, Re: 0.1, Amps: 5})
		again := newDetector(t, q).Shares(nil)
		if len(again) != 1 || math.Hypot(again[0].Re-s.Re, again[0].Im-s.Im) > 1e-9 || math.Abs(again[0].Amps-s.Amps) > 1e-9 {
			t.Errorf("%+v became %+v", s, again)
		}
	}
}

// TestOwnIsNoShare: a steady current of a channel's own, as of a lamp, is not taken for
// a share of a neighbour's, whether that has an inrush or none, nor does it hide one.
func TestOwnIsNoShare(t *testing.T) {
	rng := rand.New(rand.NewPCG(71, 72))
	found := 0
	for _, share := range []float64{0, 0.01, 0.05} {
		for _, own := range []float64{0, 0.15, 0.5} {
			for _, inrush := range []float64{0, 0.1, 5} { // times the running current
				p := amps(1, 0.6)
				p.Mains = 60
				p.Channels = append(p.Channels, p.Channels[0])
				p.Channels[1].Channel = 1
				phase, turn := rng.Float64(), rng.Float64()
				raw := make([]float32, 0, 2*24000)
				for i := range 24000 {
					x := float64(i) / 2000
					loud, heard := 0.0, 0.0
					if x >= 2 && x < 9 {
						a := 8 * math.Sqrt2 * (1 + inrush*math.Exp(-math.Pow((x-2)/0.3, 3)))
						loud, heard = a*sine(60*x), share*a*sine(60*x+turn)
					}
					raw = append(raw, float32(heard+own*math.Sqrt2*sine(60*x+phase)+0.03*rng.NormFloat64()), float32(loud+0.03*rng.NormFloat64()))
				}
				d := newDetector(t, p)
				d.Feed(&sensor.Frame{Channels: 2, Rate: 2000, Raw: raw}, nil)
				for _, s := range d.Shares(nil) {
					if s.Channel == 0 {
						found++
						if math.Abs(s.Size()-share) > 0.012 {
							t.Errorf("share %g, own %g A, inrush %g: %+v", share, own, inrush, s)
						}
					}
				}
			}
		}
	}
	if found < 10 {
		t.Errorf("a share was found %d times", found)
	}
}

// TestOwnAgainstCrosstalk: a start whose current cancels that of a running neighbour, so
// that the channel shows less than before, is found as soon as any other.
func TestOwnAgainstCrosstalk(t *testing.T) {
	rng := rand.New(rand.NewPCG(73, 74))
	for _, own := range []float64{0.9, 1.2, 1.5, 2} {
		for turn := 0.4; turn < 0.6; turn += 0.02 {
			p := amps(1, 0.6)
			p.Mains = 60
			p.Channels = append(p.Channels, p.Channels[0])
			p.Channels[1].Channel = 1
			raw := make([]float32, 0, 2*12000)
			for i := range 12000 {
				x := float64(i) / 2000
				a, v := 0.0, 0.0
				if x >= 1 {
					a = math.Sqrt2 * (15 + 75*math.Exp(-math.Pow((x-1)/0.35, 3)))
					v = 0.08 * a * sine(60*x)
				}
				if x >= 4 {
					v += own * math.Sqrt2 * sine(60*x+turn)
				}
				raw = append(raw, float32(v+0.03*rng.NormFloat64()), float32(a*sine(60*x)+0.03*rng.NormFloat64()))
			}
			at := -1.0
			for _, r := range changes(feed(t, p, 2000, raw)) {
				if r.Channel == 0 && r.Verdict == sensor.Running {
					at = r.At.Seconds() - 4
					break
				}
			}
			if at < 0 || at > 0.15 {
				t.Errorf("%g A, turned by %.2f: after %.0f ms", own, turn, 1000*at)
			}
		}
	}
}
