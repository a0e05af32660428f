package upkeep

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Cause is what may be behind a change of the collector's current.
type Cause uint8

// The causes that the current can tell apart, as far as different sets of gates were
// used before and after. A motor with radial or forward-curved blades draws less when
// it moves less air, and more when it moves more (common practice, no source).
const (
	Steady   Cause = iota + 1 // nothing changed
	Loading                   // all sets alike draw less and less: the filter loads
	Choked                    // from one day on all sets alike draw less: the main, the filter or the mains
	Eased                     // from one day on all sets alike draw more
	Blocked                   // from one day on the sets with some gates draw less, the others as before
	Leaking                   // from one day on the sets without some gates draw more, those with them as before
	Reopened                  // the sets with some gates draw more, the others as before
)

// Finding is the likeliest cause of how the current has gone.
type Finding struct {
	Cause Cause
	Gates []string // of Blocked, Leaking and Reopened: one of them, the current cannot tell which
	Odds  float64
	Since int     // day of the change, since 1970-01-01; of Loading the first day
	Part  float64 // of the level: drawn more (above 0) or less since then; of Loading a week
	Days  int     // with figures
	Sets  int     // of gates
}

// Our own choice: figures vary from day to day by 1.5 % at least, since the mains do;
// what is smaller than 3 % is not told; odds below 8 in 10 are silence.
const (
	causeNoise = 0.015
	dayNoise   = 0.01 // that all sets of a day share: the mains
	causeLeast = 0.03
	causeSure  = 0.8
	causeDays  = 8 // that there must be, and as many after a change as a level needs
	causeAfter = 3
	levelNoise = 0.005 // of a set's level, beside that of its days
)

// reading is one day of one set, as a part of the set's level.
type reading struct {
	day   int
	set   int
	part  float64
	sigma float64
}

// shape is what a cause makes of the readings: each is expected at 1 + size·of(reading).
type shape struct {
	Finding
	of func(r *reading) float64
}

// CauseOf weighs what may be behind the way of the collector's current, from the last
// change of the filter on. split names the gates of a set. It is false where there is
// too little to say, or no cause is likely enough; the sets that were not used both
// before and after a change tell nothing of it.
func CauseOf(draws []Draw, split func(set string) []string) (Finding, bool) {
	readings, sets := readingsOf(draws)
	days := map[int]bool{}
	for _, r := range readings {
		days[r.day] = true
	}
	if len(days) < causeDays {
		return Finding{}, false
	}
	var all []int
	for d := range days {
		all = append(all, d)
	}
	slices.Sort(all)
	gates := map[string][]string{} // by which sets have it: those that the current cannot tell
	for s, set := range sets {
		for _, g := range split(set) {
			key := ""
			for k := range sets {
				if slices.Contains(split(sets[k]), g) {
					key += string(rune('0' + k))
				}
			}
			if s == int(key[0]-'0') && !slices.Contains(gates[key], g) {
				gates[key] = append(gates[key], g)
			}
		}
	}
	shapes := []shape{{Finding{Cause: Steady}, func(*reading) float64 { return 0 }},
		{Finding{Cause: Loading, Since: all[0]}, func(r *reading) float64 { return float64(r.day-all[0]) / 7 }}}
	for _, t := range all[LevelDays:max(LevelDays, len(all)-causeAfter+1)] {
		step := func(c Cause, gates []string, has func(set int) bool) {
			shapes = append(shapes, shape{Finding{Cause: c, Since: t, Gates: gates}, func(r *reading) float64 {
				if r.day >= t && has(r.set) {
					return 1
				}
				return 0
			}})
		}
		step(Choked, nil, func(int) bool { return true })
		for key, list := range gates {
			if len(key) < len(sets) {
				in := func(set int) bool { return slices.Contains([]rune(key), rune('0'+set)) }
				step(Blocked, list, in)
				step(Leaking, list, func(set int) bool { return !in(set) })
			}
		}
	}
	found := weigh(shapes, readings, len(all))
	found.Days, found.Sets = len(all), len(sets)
	size := math.Abs(found.Part)
	if found.Cause == Loading {
		size *= float64(all[len(all)-1]-all[0]) / 7
	}
	return found, found.Cause != Steady && found.Odds >= causeSure && size >= causeLeast
}

// readingsOf puts days as parts of their sets' levels. Sets without a level, and those
// of which no day is left beside it, are left out.
func readingsOf(draws []Draw) (out []reading, sets []string) {
	bySet := map[string][]Draw{}
	for _, d := range draws {
		if _, known := bySet[d.Gates]; !known {
			sets = append(sets, d.Gates)
		}
		bySet[d.Gates] = append(bySet[d.Gates], d)
	}
	slices.Sort(sets)
	sets = slices.DeleteFunc(sets, func(s string) bool {
		level, ok := Level(bySet[s])
		return !ok || level <= 0 || len(bySet[s]) < 2
	})
	sets = sets[:min(len(sets), 40)]
	for i, s := range sets {
		list := bySet[s]
		level, _ := Level(list)
		var jumps []float64
		for k := 1; k < len(list); k++ {
			jumps = append(jumps, math.Abs(list[k].Amps-list[k-1].Amps)/level)
		}
		// The median of the difference of two normal figures is 0.954 of their spread.
		sigma := math.Max(causeNoise, median(jumps)/0.954)
		for _, d := range list {
			out = append(out, reading{d.Day, i, d.Amps / level, math.Hypot(sigma, levelNoise)})
		}
	}
	slices.SortStableFunc(out, func(a, b reading) int { return cmp.Compare(a.day, b.day) })
	return out, sets
}

// weigh fits each shape and returns the likeliest cause: every cause is as likely
// beforehand, and each of its days and gates shares in that.
func weigh(shapes []shape, readings []reading, days int) Finding {
	type fit struct{ size, score float64 }
	fits := make([]fit, len(shapes))
	count := map[Cause]float64{}
	best := math.Inf(-1)
	for i := range shapes {
		s := &shapes[i]
		xx, xy, yy := products(readings, s.of)
		f := &fits[i]
		f.score = -yy / 2
		if xx > 0 {
			f.size = xy / xx
			f.score += xy * xy / xx / 2
			f.score -= math.Log(float64(days)) / 2 // of the figure that was fitted (Schwarz)
		} else if s.Cause != Steady {
			f.score = math.Inf(-1)
		}
		s.Cause = signed(s.Cause, f.size)
		if s.Cause == 0 {
			f.score = math.Inf(-1)
		}
		count[s.Cause]++
		best = math.Max(best, f.score)
	}
	odds := map[Cause]float64{}
	like := make([]float64, len(shapes))
	total := 0.0
	for i := range shapes {
		like[i] = math.Exp(fits[i].score-best) / count[shapes[i].Cause]
		odds[shapes[i].Cause] += like[i]
		total += like[i]
	}
	top := 0
	for i := range shapes {
		if a, b := odds[shapes[i].Cause], odds[shapes[top].Cause]; a > b || shapes[i].Cause == shapes[top].Cause && like[i] > like[top] {
			top = i
		}
	}
	out := shapes[top].Finding
	out.Part, out.Odds = fits[top].size, odds[out.Cause]/total
	if out.Gates != nil { // the gates must be likely too, not the cause alone
		share := 0.0
		for i := range shapes {
			if shapes[i].Cause == out.Cause && slices.Equal(shapes[i].Gates, out.Gates) {
				share += like[i]
			}
		}
		out.Odds = share / total
	}
	return out
}

// products are those of what a shape expects (x) and what was read (y), weighed by the
// inverse of the readings' covariance: those of one day have dayNoise in common
// (Sherman and Morrison's formula). The readings are in order of day.
func products(readings []reading, of func(*reading) float64) (xx, xy, yy float64) {
	for k := 0; k < len(readings); {
		day := readings[k].day
		var w, wx, wy float64
		for ; k < len(readings) && readings[k].day == day; k++ {
			r := &readings[k]
			x, y, v := of(r), r.part-1, 1/(r.sigma*r.sigma)
			xx, xy, yy = xx+float64(v*x*x), xy+float64(v*x*y), yy+float64(v*y*y)
			w, wx, wy = w+v, wx+float64(v*x), wy+float64(v*y)
		}
		c := dayNoise * dayNoise / (1 + float64(dayNoise*dayNoise*w))
		xx, xy, yy = xx-float64(c*wx*wx), xy-float64(c*wx*wy), yy-float64(c*wy*wy)
	}
	return xx, xy, yy
}

// signed is the cause that a shape stands for where it draws more or less; 0 where
// nothing does that: a filter does not unload by itself, a gate that leaks takes no
// air from where it is shut.
func signed(c Cause, size float64) Cause {
	switch {
	case c == Steady:
		return c
	case size < 0 && c == Leaking, size > 0 && c == Loading:
		return 0
	case size > 0 && c == Choked:
		return Eased
	case size > 0 && c == Blocked:
		return Reopened
	}
	return c
}

// Words says what was found and what to do. date writes a day.
func (f *Finding) Words(date func(day int) string) string {
	odds := fmt.Sprintf(" (%.0f in 10)", math.Min(9, math.Floor(10*f.Odds)))
	size := fmt.Sprintf("%.0f %%", 100*math.Abs(f.Part))
	gates, gate := strings.Join(f.Gates, " or "), "the gate "
	if len(f.Gates) > 1 {
		gate = "one of the gates "
	}
	switch since := "Since " + date(f.Since) + " the collector draws " + size; f.Cause {
	case Loading:
		return fmt.Sprintf("The filter probably loads%s: the collector draws less with every set of gates, %.1f %% a week. Look at the filter; reset it here when you clean it.", odds, 100*math.Abs(f.Part))
	case Choked:
		return since + " less with every set of gates" + odds + ": something in the last main or the bin, the filter, or low mains; the current cannot tell which. Look at them in this order."
	case Eased:
		return since + " more with every set of gates" + odds + ": air gets in that does not come from the hoods, or the filter was cleaned. Look for an open clean-out, a torn hose or bag; if you cleaned the filter, reset it here."
	case Blocked:
		return since + " less whenever " + gate + gates + " is open, and as before with the others" + odds + ": something probably lies in that branch, or the gate does not open wholly. Look into its hose and its hood."
	case Leaking:
		return since + " more except where " + gate + gates + " is open" + odds + ": it probably no longer shuts, or its branch leaks. Look at it while it should be shut."
	case Reopened:
		return since + " more whenever " + gate + gates + " is open, and as before with the others" + odds + ": its branch leaks, a hose has come off, or something was cleared there. Look at its hose and its hood."
	case Steady:
	}
	return ""
}
