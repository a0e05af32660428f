package draw

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"kerfwind/control"
	"kerfwind/sensor"
)

// TestBinsKeepExtremes compares every bin, after any number of merges, with
// the readings that fall into its stretch of time.
func TestBinsKeepExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 300).Draw(t, "n")
		// From milliseconds to days, so that there are none to many merges.
		step := rapid.Int64Range(int64(time.Millisecond), int64(20*time.Minute)).Draw(t, "step")
		var at time.Duration
		var all []sensor.Reading
		b := newBins()
		for range n {
			at += time.Duration(rapid.Int64Range(1, step).Draw(t, "dt"))
			r := sensor.Reading{At: at, Verdict: sensor.Verdict(rapid.IntRange(1, 3).Draw(t, "verdict")),
				Amps: rapid.OneOf(rapid.Float32Range(0, 100), rapid.Just(float32(math.NaN())), rapid.Just(float32(math.Inf(1)))).Draw(t, "amps")}
			all = append(all, r)
			b.add(&r)
		}
		if b.used > binCount || time.Duration(b.used)<<b.shift <= at {
			t.Fatalf("%d bins of %v do not hold %v", b.used, b.width(), at)
		}
		seenReadings := 0
		for i := range b.used {
			from, to := time.Duration(i)<<b.shift, time.Duration(i+1)<<b.shift
			want := bin{min: math.MaxFloat32, max: -1}
			for _, r := range all {
				if r.At < from || r.At >= to {
					continue
				}
				seenReadings++
				v := map[sensor.Verdict]seen{sensor.Unknown: sawUnknown, sensor.Idle: sawIdle, sensor.Running: sawRunning}[r.Verdict]
				want.saw |= v
				want.last = v
				if a := float64(r.Amps); v != sawUnknown && !math.IsNaN(a) && !math.IsInf(a, 0) {
					want.min, want.max = min(want.min, r.Amps), max(want.max, r.Amps)
				}
			}
			if want.saw == 0 {
				want = bin{}
			}
			if b.b[i] != want {
				t.Fatalf("bin %d, %v to %v: got %+v, want %+v", i, from, to, b.b[i], want)
			}
		}
		if seenReadings != len(all) {
			t.Fatalf("the bins cover %d of %d readings", seenReadings, len(all))
		}
		// What is drawn of them: the extremes survive any width.
		w := rapid.IntRange(1, 2000).Draw(t, "width")
		cols, most := b.columns(at, w)
		lo, hi := float32(math.MaxFloat32), float32(-1)
		for _, c := range cols {
			lo, hi = min(lo, c.min), max(hi, c.max)
		}
		wantLo, wantHi := float32(math.MaxFloat32), float32(-1)
		for _, x := range b.b[:b.used] {
			if x.saw != 0 {
				wantLo, wantHi = min(wantLo, x.min), max(wantHi, x.max)
			}
		}
		if len(cols) > w+1 || lo != wantLo || hi != wantHi || most != max(0, wantHi) {
			t.Fatalf("%d columns for width %d, %v to %v (most %v), want %v to %v", len(cols), w, lo, hi, most, wantLo, wantHi)
		}
	})
}

// TestSpans: a verdict holds until the next reading.
func TestSpans(t *testing.T) {
	b := newBins()
	for _, r := range []sensor.Reading{
		{At: 0, Verdict: sensor.Idle},
		{At: 1 * sec, Verdict: sensor.Running},
		{At: 3 * sec, Verdict: sensor.Running},
		{At: 4 * sec, Verdict: sensor.Unknown}, // nothing for two seconds
		{At: 6 * sec, Verdict: sensor.Idle},
		{At: 8 * sec, Verdict: sensor.Unknown}, // nothing to the end
	} {
		b.add(&r)
	}
	near := func(got []span, want ...span) bool {
		return slices.EqualFunc(got, want, func(a, b span) bool { return math.Abs(a.from-b.from) < 0.001 && math.Abs(a.to-b.to) < 0.001 })
	}
	if got := b.spans(10*sec, sawRunning); !near(got, span{.1, .4}) {
		t.Errorf("running: %v", got)
	}
	if got := b.spans(10*sec, sawUnknown); !near(got, span{.4, .6}, span{.8, 1}) {
		t.Errorf("unknown: %v", got)
	}
}

// TestFlatMemory: readings cost no memory, however many there are.
func TestFlatMemory(t *testing.T) {
	p := New(newBarn(1).names, []string{"c0"}, []control.ID{0}, nil)
	var at time.Duration
	allocs := testing.AllocsPerRun(200000, func() {
		at += 431 * ms // a day in all
		p.Reading(sensor.Reading{At: at, Verdict: sensor.Idle, Amps: 1})
	})
	if allocs != 0 {
		t.Errorf("%v allocations a reading, want none", allocs)
	}
	// A time far beyond any recording merges the bins a few more times.
	p.Reading(sensor.Reading{At: math.MaxInt64, Verdict: sensor.Idle, Amps: 2})
	if b := p.channels[0].bins; b.used > binCount || b.b[b.used-1].max != 2 {
		t.Errorf("after the latest time: %d bins, last %+v", b.used, b.b[b.used-1])
	}
	// Readings that mean nothing here are left out.
	p.Reading(sensor.Reading{Channel: 7})
	p.Reading(sensor.Reading{Channel: -1})
	p.Reading(sensor.Reading{At: -1})
}

func BenchmarkReading(b *testing.B) {
	p := New(newBarn(1).names, []string{"c0"}, []control.ID{0}, nil)
	var at time.Duration
	for b.Loop() {
		at += 8333333
		p.Reading(sensor.Reading{At: at, Verdict: sensor.Running, Amps: 7})
	}
}

// BenchmarkDay gathers and draws 24 hours of 8 channels at two readings a
// cycle of 60 Hz: 83 million readings, with a run every three minutes.
func BenchmarkDay(b *testing.B) {
	for b.Loop() {
		p := day()
		if err := p.WriteSVG(discard{}, 24*time.Hour, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkDayDrawn only draws it.
func BenchmarkDayDrawn(b *testing.B) {
	p := day()
	for b.Loop() {
		if err := p.WriteSVG(discard{}, 24*time.Hour, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

type discard struct{}

func (discard) Write(b []byte) (int, error) { return len(b), nil }

func day() *Picture {
	s := newBarn(24 * time.Hour)
	p := New(s.names, []string{"c0", "c1", "c2", "c3", "c4", "c5", "c6", "c7"}, s.of, s.levels)
	const half = 8333333 * time.Nanosecond
	for from := time.Minute; from+80*sec < s.end; from += 3 * time.Minute {
		s.run(control.ID(from/(3*time.Minute)%4), []int{int(from / (3 * time.Minute) % 4)}, from, from+70*sec, 8, 30, 900*ms, 0)
	}
	n := 0
	for t := half; t <= s.end; t += half {
		for n < len(s.all) && s.all[n].snap.At <= t {
			p.Observe(&s.all[n].snap, s.all[n].events)
			n++
		}
		v := sensor.Idle
		if t%(3*time.Minute) > 70*sec {
			v = sensor.Running
		}
		for ch := range 8 {
			p.Reading(sensor.Reading{Channel: ch, At: t, Verdict: v, Amps: float32(t%977) / 100})
		}
	}
	return p
}
