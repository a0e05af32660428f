package sensor_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"kerfwind/sensor"
)

// TestShortEvents: an event shorter than a mains cycle starts nothing,
// whatever its shape, size, length and place.
func TestShortEvents(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	shapes := []struct {
		name string
		wave func(x float64) float64
	}{
		{"pulse", func(float64) float64 { return 1 }},
		{"sine", sine},
		{"noise", func(float64) float64 { return 2*rng.Float64() - 1 }},
		{"decay", func(x float64) float64 { return (1 - x) * sine(3*x) }},
	}
	for _, rate := range []float64{1000, 2000, 8000} {
		for _, hz := range []float64{50, 60} {
			for _, c := range shapes {
				name, shape := c.name, c.wave
				for range 60 {
					long := rng.Float64() * 0.99 / hz
					at := 0.3 + 0.05*rng.Float64()
					size := math.Exp(rng.Float64()*5) * 0.5 // 0.5 to 74 A
					raw := samples(int(rate), rate, func(t float64) float64 {
						v := 0.1 * sine(hz*t) // standby
						if t >= at && t < at+long {
							v += size * shape((t-at)/long)
						}
						return v
					})
					p := amps(1, 0.6)
					p.Mains = hz
					if got := verdicts(feed(t, p, rate, raw)); got != "idle" {
						t.Errorf("%s of %.1f ms and %.1f A at %.4f s, %g Hz, %g S/s: %s", name, 1000*long, size, at, hz, rate, got)
					}
				}
			}
		}
	}
}

// TestStarts: a machine is found within 60 ms of its switch-on, of any size
// and waveform, and the onset is about right. A half-wave load may carry no
// current for the first half cycle.
func TestStarts(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	limit := map[string]float64{"half wave": 0.070}
	worst := map[string]float64{}
	for _, rate := range []float64{1000, 2000, 8000} {
		for _, hz := range []float64{49.6, 60.3} {
			for _, c := range []struct {
				name string
				wave func(float64) float64
			}{{"sine", sine}, {"half wave", halfWave}, {"phase cut", phaseCut}, {"third", third}, {"square", square}} {
				name, wave := c.name, c.wave
				for range 40 {
					at := 0.3 + 0.05*rng.Float64()
					size := 0.6 / 0.38 * 1.1 * math.Exp(rng.Float64()*4)
					raw := samples(int(rate), rate, func(t float64) float64 {
						v := 0.05 * rng.NormFloat64()
						if t >= at {
							v += size * wave(hz*t)
						}
						return v
					})
					p := amps(1, 0.6)
					got := changes(feed(t, p, rate, raw))
					what := fmt.Sprintf("%s of %.1f A at %.4f s, %g Hz, %g S/s", name, size, at, hz, rate)
					if len(got) != 2 || got[1].Verdict != sensor.Running {
						t.Errorf("%s: %v", what, got)
						continue
					}
					late := got[1].At.Seconds() - at
					if late < 0 || late > max(0.060, limit[name]) {
						t.Errorf("%s: found after %.1f ms", what, 1000*late)
					}
					if off := got[1].Onset.Seconds() - at; off < -0.011 || off > 0.021 {
						t.Errorf("%s: onset off by %.1f ms", what, 1000*off)
					}
					worst[name] = max(worst[name], 1000*late)
				}
			}
		}
	}
	t.Logf("worst delay, ms: %v", worst)
}

// TestStopHold probes the hold: the values must be below Stop for all of it.
func TestStopHold(t *testing.T) {
	// Values come each 10 ms. The current ends at 500 ms; the first value
	// below Stop is that of 520 ms, or 510 ms when the stop level is high.
	load := func(off, again, end float64) func(t float64) float64 {
		return func(t float64) float64 {
			if t < off || t >= again && t < end {
				return 10 * sine(50*t)
			}
			return 0
		}
	}
	cases := []struct {
		name  string
		hold  time.Duration
		level float64 // start and stop
		wave  func(float64) float64
		stop  time.Duration // 0 = none
	}{
		{"no hold", 0, 0.6, load(0.5, 9, 9), ms(520)},
		{"hold", ms(200), 0.6, load(0.5, 9, 9), ms(720)},
		{"high level", ms(200), 6, load(0.5, 9, 9), ms(710)},
		{"back just before the hold is over", ms(200), 0.6, load(0.5, 0.705, 9), 0},
		{"back at its end", ms(200), 0.6, load(0.5, 0.710, 9), 0},
		{"back just after", ms(200), 0.6, load(0.5, 0.721, 9), ms(720)},
		{"a spike inside does not count", ms(200), 0.6, load(0.5, 0.6, 0.61), ms(720)},
		{"nor one at the end, but the hold waits for it", ms(200), 0.6, load(0.5, 0.707, 0.719), ms(740)},
		{"a swing inside restarts the hold", ms(200), 0.6, load(0.5, 0.6, 0.66), ms(880)},
		{"hold between values", ms(201), 0.6, load(0.5, 9, 9), ms(730)},
		{"hold just under", ms(199), 0.6, load(0.5, 9, 9), ms(720)},
	}
	for _, c := range cases {
		p := amps(1, c.level)
		p.Channels[0].Stop = c.level
		p.Channels[0].StopHold = c.hold
		p.Mains, p.HoldMains = 50, true
		got := changes(feed(t, p, 2000, samples(2000, 2000, c.wave)))
		stop := time.Duration(0)
		if len(got) > 1 && got[1].Verdict == sensor.Idle {
			stop = got[1].At
			if off := got[1].Onset - ms(500); strings.HasPrefix(c.name, "hold") && (off < -ms(10) || off > ms(10)) {
				t.Errorf("%s: onset %v, want about 500ms", c.name, got[1].Onset)
			}
		}
		if stop != c.stop || got[0].Verdict != sensor.Running {
			t.Errorf("%s: stop at %v, want %v; %v", c.name, stop, c.stop, got)
		}
	}
}

// TestBetween: between the levels the state stays what it was.
func TestBetween(t *testing.T) {
	steps := func(a ...float64) func(t float64) float64 {
		return func(t float64) float64 { return math.Sqrt2 * a[min(int(t), len(a)-1)] * sine(50*t) }
	}
	for _, c := range []struct {
		amps []float64
		want string
	}{
		{[]float64{0.1, 0.5, 0.55}, "idle"},
		{[]float64{0.1, 1, 0.5, 0.45}, "idle running"},
		{[]float64{0.1, 1, 0.5, 0.3}, "idle running"}, // the hold of 1 s is not over
		{[]float64{0.1, 1, 0.5, 0.3, 0.3, 0.5}, "idle running idle"},
		{[]float64{1, 0.2, 0.2, 1}, "running idle running"},
	} {
		got := verdicts(feed(t, amps(1, 0.6), 2000, samples(2000*len(c.amps), 2000, steps(c.amps...))))
		if got != c.want {
			t.Errorf("%v A: %s, want %s", c.amps, got, c.want)
		}
	}
}

// TestFirstWindow: a machine that already runs is seen at the first full
// cycle; a single pulse in it starts nothing.
func TestFirstWindow(t *testing.T) {
	p := amps(1, 0.6)
	p.Mains = 50
	got := feed(t, p, 2000, samples(200, 2000, func(t float64) float64 { return sine(50 * t) }))
	if got[0].Verdict != sensor.Running || got[0].At != ms(20) || got[0].Onset != 0 {
		t.Errorf("first reading %+v", got[0])
	}
	got = feed(t, p, 2000, samples(2000, 2000, func(t float64) float64 {
		if t > 0.012 && t < 0.018 {
			return 15
		}
		return 0
	}))
	if v := verdicts(got); v != "idle" {
		t.Errorf("a pulse in the first cycle: %s", v)
	}
	got = feed(t, p, 2000, samples(2000, 2000, func(t float64) float64 { return 5 * halfWave(50*t) }))
	if c := changes(got); len(c) != 2 || c[1].Verdict != sensor.Running || c[1].At > ms(70) {
		t.Errorf("a half-wave load from the beginning: %v", c)
	}
}

// frames cuts raw into frames of n scans.
func frames(raw []float32, channels, n int, rate float64) (out []sensor.Frame) {
	scans := len(raw) / channels
	for i := 0; i < scans; i += n {
		j := min(i+n, scans)
		out = append(out, sensor.Frame{
			Channels: channels, Index: uint64(i), Rate: rate,
			At:  time.Duration(math.Round(float64(i) / rate * 1e9)),
			Raw: raw[i*channels : j*channels],
		})
	}
	return out
}

func feedFrames(d *sensor.Detector, fs []sensor.Frame) (out []sensor.Reading) {
	for i := range fs {
		out = d.Feed(&fs[i], out)
	}
	return out
}

// TestGaps: missing samples restart the windows; the verdict holds for Stale
// and is unknown from then on, at that instant, however the samples went
// missing.
func TestGaps(t *testing.T) {
	nan := float32(math.NaN())
	inf := float32(math.Inf(-1))
	// A machine runs; from 500 ms on some samples are missing.
	stream := func(missing int) []sensor.Frame {
		fs := frames(samples(4000, 2000, func(t float64) float64 { return 5 * sine(50*t) }), 1, 20, 2000)
		for i := 50; i < 50+missing; i++ {
			fs[i].Raw = nil
		}
		return fs
	}
	kinds := map[string]func(fs []sensor.Frame) []sensor.Frame{
		"index": func(fs []sensor.Frame) (out []sensor.Frame) {
			for _, f := range fs {
				if f.Raw != nil {
					out = append(out, f)
				}
			}
			return out
		},
		"nan": func(fs []sensor.Frame) []sensor.Frame {
			for i := range fs {
				for k := 0; fs[i].Raw == nil || k < 20; k++ {
					if fs[i].Raw == nil {
						fs[i].Raw = make([]float32, 0, 20)
					}
					if len(fs[i].Raw) == 20 {
						break
					}
					fs[i].Raw = append(fs[i].Raw, []float32{nan, inf}[k%2])
				}
			}
			return fs
		},
		"error": func(fs []sensor.Frame) []sensor.Frame {
			for i := range fs {
				if fs[i].Raw == nil {
					fs[i].Err = errors.New("bus")
				}
			}
			return fs
		},
		"shape": func(fs []sensor.Frame) []sensor.Frame {
			for i := range fs {
				if fs[i].Raw == nil {
					fs[i].Raw, fs[i].Channels = make([]float32, 40), 2
				}
			}
			return fs
		},
	}
	health := map[string]string{"index": "samples missing", "nan": "samples missing", "error": "read error", "shape": "read error"}
	for kind, apply := range kinds {
		p := amps(1, 0.6)
		p.Mains, p.HoldMains = 50, true
		for missing, want := range map[int]string{
			1:  "running",
			28: "running", // 280 ms, and a cycle until the next window: 300 ms
			29: "running unknown(%s) unknown(starting) running",
			80: "running unknown(%s) unknown(starting) running",
		} {
			if missing == 28 {
				p.Stale = ms(301) // a full window at the very instant comes too late
			} else {
				p.Stale = 0
			}
			got := feedFrames(newDetector(t, p), apply(stream(missing)))
			if strings.Contains(want, "%s") {
				want = fmt.Sprintf(want, health[kind])
			}
			if v := verdicts(got); v != want {
				t.Errorf("%s, %d ms missing: %s, want %s", kind, 10*missing, v, want)
				continue
			}
			if c := changes(got); len(c) > 1 {
				if c[1].At != ms(800) || c[1].Onset != ms(500) || c[1].Amps != 0 {
					t.Errorf("%s: unknown reading %+v, want it at 800ms with onset 500ms", kind, c[1])
				}
				back := ms(500 + 10*float64(missing))
				if c[3].At != back+ms(60) || c[3].Onset != back {
					t.Errorf("%s: running again %+v, want it at %v", kind, c[3], back+ms(60))
				}
			}
			for i, r := range got {
				if kind != "index" && missing == 1 && i > 0 && r.At-got[i-1].At > ms(30) {
					t.Errorf("%s: no reading between %v and %v", kind, got[i-1].At, r.At)
				}
			}
		}
	}
}

// TestExpire: without frames the deadlines do it, at the same instants.
func TestExpire(t *testing.T) {
	p := amps(1, 0.6)
	p.Mains = 50
	p.Channels = append(p.Channels, sensor.ChannelParams{}, p.Channels[0])
	p.Channels[2].Channel = 7
	d := newDetector(t, p)
	if at, ok := d.Next(); !ok || at != sensor.DefaultStale {
		t.Errorf("before any frame: next %v %v", at, ok)
	}
	got := d.Feed(&sensor.Frame{Channels: 3, Rate: 2000, Raw: make([]float32, 3*2000)}, nil)
	if v := verdicts(got); v != "idle idle" {
		t.Fatalf("a second of silence: %s", v)
	}
	at, ok := d.Next()
	if !ok || at != ms(1300) {
		t.Errorf("next %v %v, want 1.3s", at, ok)
	}
	if got = d.Expire(at-1, nil); got != nil {
		t.Errorf("too early: %v", got)
	}
	got = d.Expire(ms(5000), nil)
	if len(got) != 2 || got[0].Channel != 0 || got[1].Channel != 7 {
		t.Fatalf("expired: %v", got)
	}
	for _, r := range got {
		if r.Verdict != sensor.Unknown || r.Health != sensor.Missing || r.At != ms(1300) || r.Onset != ms(1000) {
			t.Errorf("%+v", r)
		}
	}
	if at, ok := d.Next(); ok {
		t.Errorf("all said, yet next %v", at)
	}
	got = d.Feed(&sensor.Frame{Channels: 3, Index: 12000, At: ms(6000), Rate: 2000, Raw: make([]float32, 3*2000)}, nil)
	if v := verdicts(got); v != "unknown(starting) unknown(starting) idle idle" {
		t.Errorf("afterwards: %s", v)
	}
	if at, ok := d.Next(); !ok || at != ms(7300) {
		t.Errorf("next %v %v, want 7.3s", at, ok)
	}
	if got = d.Feed(&sensor.Frame{Source: 1, Channels: 3, Rate: 2000, Raw: make([]float32, 3*2000)}, nil); got != nil {
		t.Error("took the frame of another source")
	}
}

// TestOneChannelMissing: the others go on.
func TestOneChannelMissing(t *testing.T) {
	p := amps(1, 0.6)
	p.Mains = 50
	p.Channels = append(p.Channels, p.Channels[0])
	p.Channels[1].Channel = 1
	raw := make([]float32, 2*4000)
	for i := 2*1000 + 1; i < 2*2000; i += 2 {
		raw[i] = float32(math.NaN())
	}
	got := feed(t, p, 2000, raw)
	if v := verdicts(got); v != "idle idle unknown(samples missing) unknown(starting) idle" {
		t.Errorf("%s", v)
	}
	for _, r := range changes(got) {
		if r.Health == sensor.Missing && (r.Channel != 1 || r.At != ms(800)) {
			t.Errorf("%+v, want channel 1 at 800ms", r)
		}
	}
}

// TestBursts: two cycles each 100 ms, by design.
func TestBursts(t *testing.T) {
	d := newDetector(t, func() sensor.Params { p := amps(1, 0.6); p.Mains = 50; return p }())
	var got []sensor.Reading
	for k := range 60 {
		at := 0.1 * float64(k)
		raw := samples(80, 2000, func(t float64) float64 {
			if at < 2 || at > 4 {
				return 0
			}
			return 5 * sine(50*(at+t))
		})
		got = d.Feed(&sensor.Frame{Channels: 1, Rate: 2000, Index: uint64(200 * k), At: ms(1000 * at), Raw: raw}, got)
	}
	c := changes(got)
	if v := verdicts(got); v != "idle running idle" {
		t.Fatalf("%s", v)
	}
	if c[1].At > ms(2150) || c[2].At < ms(5100) || c[2].At > ms(5250) {
		t.Errorf("start at %v, stop at %v", c[1].At, c[2].At)
	}
}

// counts describes one channel of a 12-bit converter, biased to the middle,
// 24 mA a count.
func counts() sensor.Params {
	p := amps(0.024, 0.6)
	p.Mains = 50
	p.Channels[0].Max = 4095
	return p
}

// TestBias: a resting point near a rail is a fault of the divider, at once at
// the beginning and after a while later. It never looks idle.
func TestBias(t *testing.T) {
	for _, c := range []struct {
		name string
		wave func(t float64) float64
		want string
	}{
		{"good", func(float64) float64 { return 2048 }, "idle"},
		{"shorted", func(float64) float64 { return 0 }, "unknown(bias too low)"},
		{"open", func(float64) float64 { return 4095 }, "unknown(bias too high)"},
		{"goes low", func(t float64) float64 {
			if t < 1 {
				return 2048
			}
			return 3
		}, "idle unknown(bias too low)"},
		{"goes high while running and is mended", func(t float64) float64 {
			if t > 1 && t < 2 {
				return 4095
			}
			return 2048 + 200*sine(50*t)
		}, "running unknown(bias too high) unknown(starting) running"},
		{"for 60 ms", func(t float64) float64 {
			if t > 1 && t < 1.06 {
				return 4095
			}
			return 2048
		}, "idle"},
		{"inside", func(float64) float64 { return 1100 }, "idle"},
		{"outside", func(float64) float64 { return 1000 }, "unknown(bias too low)"},
		{"inrush beyond the range", func(t float64) float64 {
			v := 2048.0
			if t > 1 {
				v += (20000*max(0, 1.5-t) + 300) * sine(50*t)
			}
			return max(0, min(4095, math.Round(v)))
		}, "idle running"},
		{"rail to rail for good", func(t float64) float64 { return 2047.5 + 2047.5*square(50*t) }, "idle running unknown(clipped)"},
	} {
		got := feed(t, counts(), 2000, samples(16000, 2000, c.wave))
		if v := verdicts(got); v != c.want {
			t.Errorf("%s: %s, want %s", c.name, v, c.want)
		}
		for _, r := range changes(got) {
			if (r.Health == sensor.Healthy) != (r.Verdict != sensor.Unknown) || (r.Health.Remedy() == "") != (r.Health == sensor.Healthy) {
				t.Errorf("%s: %+v, remedy %q", c.name, r, r.Health.Remedy())
			}
		}
	}
	// Amperes have no rails: exact zeros are an idle machine.
	if v := verdicts(feed(t, amps(1, 0.6), 2000, make([]float32, 8000))); v != "idle" {
		t.Errorf("zeros of amperes: %s", v)
	}
}

// TestParams: all that is wrong is said at once.
func TestParams(t *testing.T) {
	_, err := sensor.New(sensor.Params{
		Mains: 400, Stale: -1,
		Channels: []sensor.ChannelParams{
			{Used: true, Channel: 3, Scale: 0, Start: 1, Stop: 2},
			{Used: true, Channel: 3, Scale: 1, Min: 5, Max: 4, Start: math.NaN(), Stop: 1, StopHold: -1},
			{Scale: math.Inf(1)},
		},
	})
	if err == nil {
		t.Fatal("no error")
	}
	for _, want := range []string{"400 Hz", "stale", "channel 0: scale", "channel 0: start", "both have number 3",
		"channel 1: raw limits", "channel 1: start NaN", "channel 1: stop hold"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("no word of %q in:\n%v", want, err)
		}
	}
	if strings.Contains(err.Error(), "channel 2") {
		t.Errorf("an unused channel is checked:\n%v", err)
	}
	for _, p := range []sensor.Params{{}, {HoldMains: true, Channels: make([]sensor.ChannelParams, 1)}} {
		if _, err := sensor.New(p); err == nil {
			t.Errorf("%+v passes", p)
		}
	}
}
