package draw

import (
	"math"
	"slices"
	"strings"
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
			dt := step
			if rapid.Bool().Draw(t, "close") { // so that bins come to hold several
				dt = max(1, step/500)
			}
			at += time.Duration(rapid.Int64Range(1, dt).Draw(t, "dt"))
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
// cycle of 60 Hz: 83 million readings.
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

// day is a long day in the shop: 90 runs between eight and seventeen hours.
func day() *Picture {
	s := newBarn(24 * time.Hour)
	p := New(s.names, []string{"c0", "c1", "c2", "c3", "c4", "c5", "c6", "c7"}, s.of, s.levels)
	const half = 8333333 * time.Nanosecond
	const every, long = 6 * time.Minute, 200 * sec
	begin, end := 8*time.Hour, 17*time.Hour
	which := func(t time.Duration) int { return int(t/every) * 7 / 3 % 4 }
	for from := begin; from < end; from += every {
		m := which(from)
		s.run(control.ID(m), []int{m}, from, from+long, 8, 30, 900*ms, 0)
		s.gate(m, control.PositionShut, control.NoID)
		s.collector(false, control.ByNoDemand, control.NoID)
		s.note(from+long+30*sec, control.Event{Kind: control.CollectorIsOff})
	}
	n := 0
	for t := half; t <= s.end; t += half {
		for n < len(s.all) && s.all[n].snap.At <= t {
			p.Observe(&s.all[n].snap, s.all[n].events)
			n++
		}
		for ch := range 8 {
			v, a := sensor.Idle, float32(t%97)/1000
			if ch < 4 && t >= begin && t < end && which(t) == ch && t%every < long {
				v, a = sensor.Running, 6+float32(t%977)/200
				if t%every < 300*ms {
					a *= 4
				}
			}
			p.Reading(sensor.Reading{Channel: ch, At: t, Verdict: v, Amps: a})
		}
	}
	return p
}

// TestSettled: the axis follows what a run takes once its motor is up.
func TestSettled(t *testing.T) {
	b := newBins()
	put := func(from, to time.Duration, v sensor.Verdict, a float32) {
		for at := from; at < to; at += 8 * ms {
			b.add(&sensor.Reading{At: at, Verdict: v, Amps: a})
		}
	}
	put(0, sec, sensor.Idle, 0.1)
	put(sec, 2*sec, sensor.Running, 60) // starts
	if got := b.settled(2 * sec); got != 0 {
		t.Errorf("a short run: %v, want 0", got)
	}
	put(2*sec, 5*sec, sensor.Running, 12)
	put(5*sec, 6*sec, sensor.Idle, 0.1)
	put(6*sec, 7*sec, sensor.Running, 70) // starts again
	put(7*sec, 10*sec, sensor.Running, 9)
	if got := b.settled(2 * sec); got != 12 {
		t.Errorf("got %v, want 12", got)
	}
	for _, tt := range []struct{ settled, most, level, want float64 }{
		{12, 70, 2.5, 20}, // ends above the run
		{12, 14, 2.5, 15}, // shows all
		{0, 70, 2.5, 80},  // nothing to go by: shows all
		{0, 0.1, 2.5, 4},  // an idle machine shows its levels
		{0, 0.1, 0, 1},
	} {
		if got := axisTop(tt.settled, tt.most, tt.level); got != tt.want {
			t.Errorf("axisTop(%v, %v, %v) = %v, want %v", tt.settled, tt.most, tt.level, got, tt.want)
		}
	}
}

// TestRestlessChannel: a channel that never settles draws no more edges than
// can be seen.
func TestRestlessChannel(t *testing.T) {
	p := New(newBarn(1).names, []string{"c0"}, []control.ID{0}, nil)
	const end = 16 * sec
	for at := time.Duration(0); at < end; at += 4 * ms {
		p.Reading(sensor.Reading{At: at, Verdict: sensor.Idle + sensor.Verdict(at/(4*ms)%2)})
	}
	text := svg(t, p, end, Options{})
	if n := strings.Count(text, `class="run"`); n < 1 || n > 500 {
		t.Errorf("%d runs on a plot of 950 columns", n)
	}
}
