package upkeep

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// run feeds a current once a second for n seconds from *at on, and returns what
// was said about the air.
func run(a *Air, at *time.Duration, n int, amps func(s int) float64) []Weak {
	var out []Weak
	for s := range n {
		*at += time.Second
		if w, ok := a.Feed(*at, amps(s)); ok {
			out = append(out, w)
		}
	}
	return out
}

func steady(x float64) func(int) float64 { return func(int) float64 { return x } }

// The series are invented.
func TestAirWeak(t *testing.T) {
	tests := []struct {
		name string
		amps func(s int) float64
		secs int
		weak int // second at which it is called weak; 0 never
	}{
		{"as learned", steady(10), 600, 0},
		{"mains down by 5 %", steady(9.5), 600, 0},
		{"just inside", steady(8.52), 600, 0},
		{"a gate stuck shut", steady(6.5), 600, 46}, // 15 s to settle, then the first that counts, then 30 s
		{"a sheet over the hood for 20 s", func(s int) float64 {
			if s > 100 && s < 120 {
				return 6
			}
			return 10
		}, 600, 0},
		{"blocked while it runs", func(s int) float64 {
			if s < 100 {
				return 10
			}
			return 7
		}, 600, 133}, // 3 s until the mean is there, 30 s
		{"still starting", func(s int) float64 { return 10 + 40*math.Exp(-float64(s)/3) }, 600, 0},
		{"noise of 3 %", func(s int) float64 { return 9.4 + 0.3*math.Sin(float64(s*s)) }, 600, 0},
		{"no number", steady(math.NaN()), 600, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var a Air
			a.Learn("planer", 10)
			var at time.Duration
			a.Set(at, "planer", true)
			got := run(&a, &at, tt.secs, tt.amps)
			switch {
			case tt.weak == 0 && len(got) > 0:
				t.Errorf("weak at %v, wanted never", got[0].At)
			case tt.weak > 0 && (len(got) != 1 || got[0].Good || math.Abs(got[0].At.Seconds()-float64(tt.weak)) > 1):
				t.Errorf("got %+v, want weak at %d s", got, tt.weak)
			}
		})
	}
}

// A weak set stays weak over stops and other sets until it has been seen good.
func TestAirBack(t *testing.T) {
	var a Air
	a.Learn("planer", 10)
	a.Learn("saw", 8)
	var at time.Duration
	a.Set(at, "planer", true)
	if w := run(&a, &at, 60, steady(7)); len(w) != 1 || w[0].Level != 10 {
		t.Fatalf("got %+v", w)
	}
	a.Set(at, "", false)
	a.Set(at, "saw", true)
	if w := run(&a, &at, 60, steady(8)); len(w) != 0 {
		t.Fatalf("the other set: %+v", w)
	}
	a.Set(at, "planer", true)
	if w := run(&a, &at, 60, steady(7)); len(w) != 0 {
		t.Fatalf("said twice: %+v", w)
	}
	if w := run(&a, &at, 100, steady(9)); len(w) != 0 {
		t.Fatalf("10 %% below is not good yet: %+v", w)
	}
	if w := run(&a, &at, 60, steady(9.6)); len(w) != 1 || !w[0].Good {
		t.Fatalf("got %+v, want good", w)
	}
	if w := run(&a, &at, 60, steady(7)); len(w) != 1 || w[0].Good {
		t.Fatalf("got %+v, want weak again", w)
	}
}

func TestAirStretch(t *testing.T) {
	var a Air
	var at time.Duration
	a.Set(at, "saw", true)
	run(&a, &at, 14, steady(30)) // not looked at
	run(&a, &at, 11, steady(8))
	s, ok := a.Set(at, "saw+planer", true)
	if !ok || s.Gates != "saw" || math.Abs(s.Amps-8) > 1e-9 || s.To-s.From != 10*time.Second {
		t.Fatalf("got %+v %v", s, ok)
	}
	run(&a, &at, 10, steady(8))
	if s, ok := a.Set(at, "", false); ok {
		t.Errorf("too short to settle, got %+v", s)
	}
	if _, ok := a.Set(at, "", false); ok {
		t.Error("nothing has changed")
	}
}

// A stretch's mean lies between the least and the most of what was fed.
func TestAirMean(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		var a Air
		a.Set(0, "x", true)
		at := Settle
		low, high := math.Inf(1), 0.0
		for _, x := range rapid.SliceOfN(rapid.Float64Range(0.1, 60), 2, 50).Draw(r, "amps") {
			at += time.Duration(rapid.IntRange(1, 20_000).Draw(r, "ms")) * time.Millisecond
			low, high = min(low, x), max(high, x)
			a.Feed(at, x)
		}
		if s, ok := a.Set(at, "", false); ok && (s.Amps < low*(1-1e-9) || s.Amps > high*(1+1e-9) || s.To < s.From) {
			r.Fatalf("%+v of %v to %v", s, low, high)
		}
	})
}

// weeks of a filter that fills: each set loses part of its current each week.
func filling(weeks int, part float64) []Draw {
	var out []Draw
	for w := range weeks {
		for day := range 5 {
			for i, set := range []string{"planer", "saw"} {
				jitter := 0.01 * math.Sin(float64(7*w+day+i))
				out = append(out, Draw{Day: 4 + 7*w + day, Gates: set, Stretches: 4, Amps: (10 - 2*float64(i)) * (1 - part*float64(w) + jitter)})
			}
		}
	}
	return out
}

func TestTrend(t *testing.T) {
	tests := []struct {
		name  string
		draws []Draw
		ok    bool
		slope float64
		weak  int
	}{
		{"nothing", nil, false, 0, -1},
		{"one week", filling(1, 0.01), false, 0, -1},
		{"clean", filling(12, 0), true, 0, -1},
		{"1 % a week", filling(8, 0.01), true, -0.01, 8},
		{"full", filling(20, 0.01), true, -0.01, 0},
		{"too early to say", filling(3, 0.01), true, -0.01, -1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, ok := TrendOf(tt.draws)
			if ok != tt.ok || math.Abs(got.Slope-tt.slope) > 0.0025 || ok && math.Abs(float64(got.Weak-tt.weak)) > 1 {
				t.Errorf("got %+v %v", got, ok)
			}
		})
	}
	// One bad week among twelve does not make a trend: that is what the
	// median of slopes is for.
	d := filling(12, 0)
	for i := range d {
		if Monday(d[i].Day) == 4+7*6 {
			d[i].Amps *= 0.7
		}
	}
	if got, _ := TrendOf(d); math.Abs(got.Slope) > 0.001 || got.Weak != -1 {
		t.Errorf("one bad week: %+v", got)
	}
}

func TestLevel(t *testing.T) {
	d := []Draw{{0, "x", false, 1, 10}, {1, "x", false, 1, 12}, {2, "x", false, 1, 11}, {2, "x", true, 9, 7}, {3, "x", false, 9, 10}, {4, "x", false, 9, 10}, {5, "x", false, 9, 2}, {6, "x", false, 9, 2}}
	if _, ok := Level(d[:2]); ok {
		t.Error("known after two stretches")
	}
	if l, ok := Level(d[:3]); !ok || l != 11 {
		t.Errorf("got %v %v, want 11", l, ok)
	}
	if l, ok := Level(d); !ok || l != 10 {
		t.Errorf("got %v %v, want 10: later days must not change it", l, ok)
	}
}

func TestMonday(t *testing.T) {
	for day := -400; day < 30000; day++ {
		m := Monday(day)
		if got := time.Unix(int64(m)*86400, 0).UTC().Weekday(); got != time.Monday || m > day || day-m > 6 {
			t.Fatalf("day %d: %d is a %v", day, m, got)
		}
	}
}

func TestDue(t *testing.T) {
	tests := []struct {
		item Item
		due  bool
		days float64
		ok   bool
	}{
		{Item{Used: 99.9, Every: 100, Rate: 1}, false, 0.1, true},
		{Item{Used: 100, Every: 100}, true, 0, true},
		{Item{Used: 50, Every: 100, Rate: 2}, false, 25, true},
		{Item{Used: 50, Every: 100}, false, 0, false},
		{Item{Used: 50, Every: 10_000, Rate: 1}, false, 0, false}, // years away
		{Item{Used: 50}, false, 0, false},
		{Item{Full: true}, true, 0, true},
	}
	for _, tt := range tests {
		d, ok := tt.item.Days()
		if tt.item.Due() != tt.due || ok != tt.ok || ok && math.Abs(d-tt.days) > 1e-9 {
			t.Errorf("%+v: due %v, %v days %v", tt.item, tt.item.Due(), d, ok)
		}
	}
}

func TestBinHours(t *testing.T) {
	tests := []struct {
		full []float64
		want float64
		ok   bool
	}{
		{nil, 0, false},
		{[]float64{0}, 0, false},
		{[]float64{6}, 6, true},
		{[]float64{40, 40, 6, 7, 8, 9, 5}, 7, true}, // the last five
		{[]float64{6, 0, 8}, 7, true},
		{[]float64{6, 0.05}, 6, true}, // emptied twice
		{[]float64{0.05}, 0, false},
		{[]float64{0.1}, 0.1, true},
	}
	for _, tt := range tests {
		if got, ok := BinHours(tt.full); got != tt.want || ok != tt.ok {
			t.Errorf("%v: %v %v, want %v", tt.full, got, ok, tt.want)
		}
	}
}
