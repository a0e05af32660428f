package upkeep

import (
	"math"
	"slices"
	"time"
)

// What makes the collector's own current say something about the air. A fan
// with radial blades draws less when it moves less air, so its motor's current
// drops when a duct, a filter or a gate chokes it: common practice, no source.
// The mains may sag by 5 %; a choked fan loses more than three times that.
const (
	// Settle is how long after a gate has moved or the collector has started
	// its current is not looked at.
	Settle = 15 * time.Second
	// Lasting is how long a current must stay low to mean weak air.
	Lasting = 30 * time.Second
	// Drop is the part of the learned current that is missing when the air is
	// weak, and Back the part that may still be missing when it is good again.
	Drop, Back = 0.15, 0.08
	// smooth is the time constant over which currents are averaged.
	smooth = 5 * time.Second
	// gap is the longest silence between two currents of one stretch.
	gap = 10 * time.Second
)

// Stretch is a time during which the collector ran, no gate moved and its
// current had settled.
type Stretch struct {
	Gates string        // the open gates, as the caller names sets
	From  time.Duration // first settled current
	To    time.Duration // last settled current
	Amps  float64       // mean
	Weak  bool          // it is below the level by Drop or more
}

// Weak says that the air has become weak with a set of open gates, or good
// again.
type Weak struct {
	Gates string
	At    time.Duration
	Amps  float64 // now
	Level float64 // learned
	Good  bool    // it is good again
}

// Air watches the collector's own current. The zero value is ready. It is not
// safe for use by several goroutines.
type Air struct {
	levels map[string]float64 // A, learned
	weak   map[string]bool

	gates      string
	on         bool
	since      time.Duration // when the set last changed
	first      time.Duration // first settled current of this stretch
	last       time.Duration
	sum        float64 // ampere seconds, in steps held
	secs       float64
	smoothed   float64
	any        bool          // a settled current has come
	crossing   bool          // beyond Drop, or back within Back while weak
	crossingAt time.Duration // since when
}

// Learn sets the level of a set of open gates; 0 forgets it.
func (a *Air) Learn(gates string, amps float64) {
	if a.levels == nil {
		a.levels, a.weak = map[string]float64{}, map[string]bool{}
	}
	if amps > 0 {
		a.levels[gates] = amps
		return
	}
	delete(a.levels, gates)
	delete(a.weak, gates)
}

// Sets lists the sets of open gates that have a level.
func (a *Air) Sets() []string {
	out := make([]string, 0, len(a.levels))
	for g := range a.levels {
		out = append(out, g)
	}
	slices.Sort(out)
	return out
}

// Set says which gates are open and stand still from at on, and whether the
// collector is on. It returns the stretch that this ends, if there was one.
func (a *Air) Set(at time.Duration, gates string, on bool) (Stretch, bool) {
	if on == a.on && gates == a.gates {
		return Stretch{}, false
	}
	s, ok := a.end()
	a.gates, a.on, a.since = gates, on, at
	return s, ok
}

// end closes the stretch.
func (a *Air) end() (Stretch, bool) {
	s := Stretch{Gates: a.gates, From: a.first, To: a.last}
	ok := a.any && a.secs > 0
	if ok {
		s.Amps = a.sum / a.secs
		level, known := a.levels[a.gates]
		s.Weak = known && s.Amps < level*(1-Drop)
	}
	a.any, a.sum, a.secs, a.crossing = false, 0, 0, false
	return s, ok
}

// Feed takes the collector's current in amperes at an instant. It returns true
// when the air becomes weak or good again. A current that is no number ends
// the stretch as a gap does.
func (a *Air) Feed(at time.Duration, amps float64) (Weak, bool) {
	if !a.on || at < a.since+Settle {
		return Weak{}, false
	}
	if math.IsNaN(amps) || math.IsInf(amps, 0) || amps < 0 {
		a.any = false
		return Weak{}, false
	}
	dt := at - a.last
	if !a.any || dt > gap || dt < 0 {
		if !a.any {
			a.first = at
		}
		a.any, a.last, a.smoothed, a.crossing = true, at, amps, false
		return Weak{}, false
	}
	a.last = at
	a.sum += amps * dt.Seconds()
	a.secs += dt.Seconds()
	a.smoothed += (amps - a.smoothed) * dt.Seconds() / (dt + smooth).Seconds()
	level, ok := a.levels[a.gates]
	if !ok {
		return Weak{}, false
	}
	weak := a.weak[a.gates]
	crosses := a.smoothed < level*(1-Drop)
	if weak {
		crosses = a.smoothed > level*(1-Back)
	}
	if !crosses {
		a.crossing = false
		return Weak{}, false
	}
	if !a.crossing {
		a.crossing, a.crossingAt = true, at
	}
	if at-a.crossingAt < Lasting {
		return Weak{}, false
	}
	a.crossing = false
	a.weak[a.gates] = !weak
	return Weak{Gates: a.gates, At: at, Amps: a.smoothed, Level: level, Good: weak}, true
}

// Draw is the collector's mean current with one set of open gates on one day.
// Stretches with weak air stand apart.
type Draw struct {
	Day       int // days since 1970-01-01, of the shop's calendar
	Gates     string
	Weak      bool
	Stretches int
	Amps      float64
}

// A level is learned from the first days on which a set was used.
const (
	LevelDays      = 5 // days that count
	levelStretches = 3 // that there must be
)

// Level is the current of a set of open gates as it was when it was first used:
// the median of the daily means of its first five days with good air. draws are of one set,
// in order, from the last change of the filter on. It is not known before three
// stretches.
func Level(draws []Draw) (amps float64, ok bool) {
	n := 0
	var means []float64
	for _, d := range draws {
		if !d.Weak && len(means) < LevelDays {
			n += d.Stretches
			means = append(means, d.Amps)
		}
	}
	if n < levelStretches {
		return 0, false
	}
	return median(means), true
}

// Trend is how the collector's current goes over the weeks, all sets together.
type Trend struct {
	Weeks  int     // with figures
	Slope  float64 // of the level, a week; -0.01 is 1 % less each week
	Now    float64 // of the level, in the last week; 1 is as learned
	Weak   int     // weeks until the air is weak if it goes on like that; -1 not in sight
	Points []Point
}

// Point is one week of a trend.
type Point struct {
	Week int     // days since 1970-01-01 of its Monday
	Part float64 // of the level
}

// A slope says something when there are enough weeks and the fall is more than
// what the mains does.
const (
	trendWeeks   = 4
	trendLongest = 26
	trendFall    = 0.02
)

// TrendOf joins draws of all sets, in order of day, from the last change of the
// filter on: each as a part of its set's level, the median of each week, and
// the slope of Theil and Sen over at most half a year. It is not known before
// two weeks have figures.
func TrendOf(draws []Draw) (Trend, bool) {
	bySet := map[string][]Draw{}
	for _, d := range draws {
		bySet[d.Gates] = append(bySet[d.Gates], d)
	}
	weeks := map[int][]float64{}
	for _, set := range bySet {
		level, ok := Level(set)
		if !ok || level <= 0 {
			continue
		}
		for _, d := range set {
			w := Monday(d.Day)
			weeks[w] = append(weeks[w], d.Amps/level)
		}
	}
	t := Trend{Weak: -1}
	for w, parts := range weeks {
		t.Points = append(t.Points, Point{w, median(parts)})
	}
	slices.SortFunc(t.Points, func(a, b Point) int { return a.Week - b.Week })
	t.Points = t.Points[max(0, len(t.Points)-trendLongest):]
	t.Weeks = len(t.Points)
	if t.Weeks < 2 {
		return t, false
	}
	var slopes []float64
	for i, p := range t.Points {
		for _, q := range t.Points[:i] {
			slopes = append(slopes, (p.Part-q.Part)/float64((p.Week-q.Week)/7))
		}
	}
	t.Slope = median(slopes)
	t.Now = t.Points[t.Weeks-1].Part
	span := float64((t.Points[t.Weeks-1].Week - t.Points[0].Week) / 7)
	switch left := t.Now - (1 - Drop); {
	case left <= 0:
		t.Weak = 0
	case t.Weeks >= trendWeeks && -t.Slope*span >= trendFall:
		t.Weak = int(math.Ceil(left / -t.Slope))
	}
	return t, true
}

// Monday is the first day of a day's week (ISO 8601: a week begins on Monday).
// Days count from 1970-01-01, a Thursday.
func Monday(day int) int {
	d := (day + 3) % 7
	if d < 0 {
		d += 7
	}
	return day - d
}

// median of a list that is not empty; it sorts it.
func median(x []float64) float64 {
	slices.Sort(x)
	n := len(x)
	return (x[(n-1)/2] + x[n/2]) / 2
}
