package sensor_test

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// learned describes three channels of a 12-bit converter whose idle noise has
// been learned.
func learned() sensor.Params {
	p := counts()
	c := p.Channels[0]
	c.Idle = sensor.Level{Mean: 0.036, Spread: 0.004}
	p.Channels = nil
	for i := range 3 {
		c.Channel = i
		p.Channels = append(p.Channels, c)
	}
	return p
}

// TestFaults makes each fault from two seconds on and mends it at ten.
func TestFaults(t *testing.T) {
	rng := rand.New(rand.NewPCG(19, 20))
	noise := func() float64 { return 1.5 * rng.NormFloat64() }
	kept := make([]float64, 3)
	cases := []struct {
		name    string
		before  func(c int, t float64) float64 // default: bias and noise
		fault   func(c int, t float64) float64
		channel int
		want    string // of that channel
		others  string
	}{
		{"one value", nil, func(c int, _ float64) float64 {
			if c == 1 {
				return 2047
			}
			return 2048 + noise()
		}, 1, "idle unknown(flat) unknown(starting) idle", "idle"},
		{"old samples again", nil, func(c int, t float64) float64 {
			if c == 1 {
				return 2040 + float64(int(math.Round(t*2000))%5)
			}
			return 2048 + noise()
		}, 1, "idle unknown(frozen) unknown(starting) idle", "idle"},
		{"floating", nil, func(c int, t float64) float64 {
			if c == 2 {
				// Hum of 0.7 A on a level that wanders.
				return 2048 + 40*sine(50*t) + 600*sine(0.7*t) + 400*sine(2.3*t) + 4*noise()
			}
			return 2048 + noise()
		}, 2, "idle running unknown(floating) unknown(starting) idle", "idle"},
		{"no channel select", func(c int, t float64) float64 {
			kept[c] = noise()
			if c == 0 {
				return 2048 + 300*sine(50*t) + kept[c]
			}
			return 2048 + kept[c]
		}, func(_ int, t float64) float64 { return 2048 + 300*sine(50*t) + noise() },
			1, "idle running unknown(all channels alike) unknown(starting) idle", ""},
		{"noise of the supply", nil, func(c int, _ float64) float64 {
			if c == 0 {
				return 2048 + 60*noise()/1.5
			}
			return 2048 + noise()
		}, 0, "idle unknown(noise) unknown(starting) idle", "idle"},
	}
	for _, c := range cases {
		before := c.before
		if before == nil {
			before = func(int, float64) float64 { return 2048 + noise() }
		}
		raw := make([]float32, 0, 3*2000*14)
		for i := range 2000 * 14 {
			at := float64(i) / 2000
			for k := range 3 {
				f := before
				if at >= 2 && at < 10 {
					f = c.fault
				}
				raw = append(raw, float32(max(0, min(4095, math.Round(f(k, at))))))
			}
		}
		var mine, rest []sensor.Reading
		for _, r := range feed(t, learned(), 2000, raw) {
			if r.Channel == c.channel {
				mine = append(mine, r)
			} else if c.others != "" {
				rest = append(rest, r)
			}
		}
		if v := verdicts(mine); v != c.want {
			t.Errorf("%s: %s, want %s", c.name, v, c.want)
			for _, r := range changes(mine) {
				t.Logf("  %+v", r)
			}
		}
		for _, r := range rest {
			if r.Verdict.String() != c.others {
				t.Errorf("%s: another channel is %+v", c.name, r)
				break
			}
		}
	}
}

// TestNoFaults: what machines do is no fault: swings of the load, chatter,
// harmonics, phase cuts, pulses of rectifiers, weak mains.
func TestNoFaults(t *testing.T) {
	var rng *rand.Rand // anew for each case: the order of a map is chance
	pulses := func(x float64) float64 { return math.Max(0, math.Abs(sine(x))-0.8) * 5 * math.Copysign(1, sine(x)) }
	for name, wave := range map[string]func(t float64) float64{
		"swings":        func(t float64) float64 { return (1 + 0.5*sine(2*t)) * sine(50*t) },
		"chatter":       func(t float64) float64 { return (1 + 0.3*sine(8*t) + 0.3*rng.Float64()) * sine(50*t) },
		"half wave":     func(t float64) float64 { return halfWave(50 * t) },
		"phase cut":     func(t float64) float64 { return phaseCut(50 * t) },
		"pulses":        func(t float64) float64 { return pulses(50 * t) },
		"off frequency": func(t float64) float64 { return sine(51.5 * t) },
		"halves left out": func(t float64) float64 {
			if math.Mod(t, 0.5) < 0.01 {
				return 0
			}
			return 3.5 * sine(50*t)
		},
		"gated": func(t float64) float64 { return math.Round(0.5+0.5*sine(3*t)) * sine(50*t) },
	} {
		for _, rate := range []float64{1000, 2000, 8000} {
			rng = rand.New(rand.NewPCG(21, 22))
			raw := samples(int(rate*20), rate, func(t float64) float64 {
				v := 2048 + 1.5*rng.NormFloat64()
				if t > 1 {
					v += 400 * wave(t)
				}
				return max(0, min(4095, math.Round(v)))
			})
			p := learned()
			p.Channels = p.Channels[:1]
			if v := verdicts(feed(t, p, rate, raw)); v != "idle running" {
				t.Errorf("%s at %g S/s: %s", name, rate, v)
			}
		}
	}
}

// TestClippedStarts: a motor that is switched on again and again behind a clamp of any
// size is found each time and its sensor never doubted, however far its inrush is
// beyond the range and off centre.
func TestClippedStarts(t *testing.T) {
	for _, clamp := range []float64{5, 8, 10, 12, 15, 30, 100} {
		const starts, apart = 30, 4 * time.Second
		var text strings.Builder
		fmt.Fprintf(&text, "length 126s\nrate 1 kHz\nmains 60 Hz\nseed 5\nconverter 12 bits, 3.3 V\n")
		fmt.Fprintf(&text, "machine m on c0: induction motor, 3 hp, 240 V, run-up 800ms\nchannel c0: %g A : 1 V, noise 1.5 counts\n", clamp)
		on := make([]time.Duration, starts)
		for i := range on {
			on[i] = 5*time.Second + time.Duration(i)*(apart+700*time.Microsecond)
			fmt.Fprintf(&text, "at %v m runs 2s\n", on[i])
		}
		script, err := trace.ParseScript("starts", strings.NewReader(text.String()))
		if err != nil {
			t.Fatal(err)
		}
		p := sensor.Params{Mains: 60, Channels: []sensor.ChannelParams{{Used: true, Scale: clamp * 3.3 / 4096, Max: 4095, Start: 1.5, Stop: 1, StopHold: time.Second}}}
		d, err := sensor.New(p)
		if err != nil {
			t.Fatal(err)
		}
		source, n, was := trace.NewMaker(script, false), 0, sensor.Idle
		var f sensor.Frame
		for {
			if err := source.Next(&f); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatal(err)
			}
			for _, r := range d.Feed(&f, nil) {
				switch {
				case r.Verdict == was:
					continue
				case r.Verdict == sensor.Unknown:
					t.Errorf("%g A : 1 V: %v at %v", clamp, r.Health, r.At)
				case r.Verdict == sensor.Running && (n >= starts || r.At < on[n] || r.At > on[n]+60*time.Millisecond):
					t.Fatalf("%g A : 1 V: start %d at %v", clamp, n, r.At)
				case r.Verdict == sensor.Running:
					n++
				}
				was = r.Verdict
			}
		}
		if n != starts {
			t.Errorf("%g A : 1 V: %d of %d starts", clamp, n, starts)
		}
	}
}

// TestRemedies: every state of health has a name, and every fault a remedy.
func TestRemedies(t *testing.T) {
	names := map[string]bool{}
	for h := sensor.Healthy; h.String() != "invalid"; h++ {
		if names[h.String()] {
			t.Errorf("two states are called %q", h)
		}
		names[h.String()] = true
		if (h.Remedy() == "") != (h == sensor.Healthy) {
			t.Errorf("%v: remedy %q", h, h.Remedy())
		}
	}
	if len(names) != 15 || sensor.Health(0).String() != "invalid" {
		t.Errorf("%d states: %v", len(names), names)
	}
}
