package movein

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"kerfwind/sensor"
)

// Figures of the search for a machine's sensor: our own choice.
const (
	baseFor   = 2 * time.Second        // how long the rest is looked at first
	basePatch = 8 * time.Second        // by then a load that stays on is taken as rest
	leastRise = 0.25                   // A
	busyAmps  = 0.6                    // A: something runs
	upFor     = 300 * time.Millisecond // of a rise, before it counts
	downFor   = 500 * time.Millisecond // of all, before the run is over
	skipRush  = 700 * time.Millisecond // inrush that is left out of the mean
	enoughRun = time.Second            // of running, after the inrush
	longRun   = 8 * time.Second        // a run is judged by then although it goes on
	together  = 200 * time.Millisecond // the legs of one machine begin within it
	legShare  = 0.6                    // of the greatest rise: another leg
	crossTalk = 0.25                   // of the greatest rise: below, a neighbour's
)

// finding is how far the search is. The zero value is invalid.
type finding uint8

const (
	resting finding = iota + 1 // the rest is looked at
	waiting                    // for a rise
	rising                     // something runs
	found
	unclear // see finder.why
)

// finder tells which channels react when one machine is switched on.
type finder struct {
	names []string
	state finding
	from  time.Duration // beginning of resting or waiting
	began bool
	ch    []rise
	got   []int   // channels, when found
	amps  float64 // of the greatest, when found
	why   string  // when unclear
}

// rise holds what one channel did.
type rise struct {
	n        int
	sum      float64
	low, top float64       // of the rest
	ill      bool          // not trusted
	amps     float64       // now
	up       bool          // it is up since onset
	ever     bool          // it was up long enough
	onset    time.Duration // of the rise
	last     time.Duration // when it was up last
	steady   int           // values after the inrush
	mean     float64       // sum of these
}

func newFinder(names []string) *finder {
	return &finder{names: names, state: resting, ch: make([]rise, len(names))}
}

func (c *rise) base() float64 {
	if c.n == 0 {
		return 0
	}
	return c.sum / float64(c.n)
}

// least is how far above its rest a channel must be to be up.
func (c *rise) least() float64 { return max(leastRise, 3*(c.top-c.base())+0.05) }

// busy lists channels that show a machine running.
func (f *finder) busy() []string {
	var out []string
	for i := range f.ch {
		if !f.ch[i].ill && f.ch[i].amps > busyAmps {
			out = append(out, f.names[i])
		}
	}
	return out
}

// ill lists channels that cannot be trusted.
func (f *finder) ill() []string {
	var out []string
	for i := range f.ch {
		if f.ch[i].ill {
			out = append(out, f.names[i])
		}
	}
	return out
}

// read takes a reading of any channel.
func (f *finder) read(r sensor.Reading) {
	if r.Channel < 0 || r.Channel >= len(f.ch) || f.state == found || f.state == unclear {
		return
	}
	if !f.began {
		f.began, f.from = true, r.At
	}
	c := &f.ch[r.Channel]
	c.ill = r.Verdict == sensor.Unknown
	c.amps = float64(r.Amps)
	if c.ill {
		c.up = false
		return
	}
	switch f.state {
	case resting:
		if c.n == 0 || c.amps < c.low {
			c.low = c.amps
		}
		c.n++
		c.sum += c.amps
		c.top = max(c.top, c.amps)
		if r.At-f.from < baseFor {
			return
		}
		if len(f.busy()) > 0 && r.At-f.from < basePatch {
			return
		}
		f.state = waiting
	case waiting, rising:
		f.follow(r.At, c)
	default:
	}
}

// follow takes a value of a channel while a rise is waited for or watched.
func (f *finder) follow(at time.Duration, c *rise) {
	if c.amps-c.base() > c.least() {
		if !c.up {
			c.up = true
			if !c.ever {
				c.onset = at
			}
		}
		c.last = at
		if at-c.onset >= upFor {
			c.ever = true
			f.state = rising
		}
		if at-c.onset >= skipRush {
			c.steady++
			c.mean += c.amps - c.base()
		}
	} else if c.up && at-c.last > upFor {
		c.up = false
		if !c.ever { // a spike
			c.steady, c.mean = 0, 0
		}
	}
	if f.state != rising {
		return
	}
	first, last := time.Duration(-1), time.Duration(0)
	for i := range f.ch {
		if x := &f.ch[i]; x.ever {
			last = max(last, x.last)
			if first < 0 || x.onset < first {
				first = x.onset
			}
		}
	}
	if at-last >= downFor || at-first >= longRun {
		f.judge()
	}
}

// judge says whose rise it was.
func (f *finder) judge() {
	top := -1
	for i := range f.ch {
		c := &f.ch[i]
		if !c.ever || c.steady == 0 || c.last-c.onset < skipRush+enoughRun {
			continue
		}
		c.mean /= float64(c.steady)
		c.steady = 1
		if top < 0 || c.mean > f.ch[top].mean {
			top = i
		}
	}
	if top < 0 {
		f.state, f.why = unclear, "It ran too briefly: let it run for five seconds."
		return
	}
	f.got = []int{top}
	f.amps = f.ch[top].mean
	var others []string
	for i := range f.ch {
		c := &f.ch[i]
		if i == top || !c.ever || c.steady == 0 {
			continue
		}
		if c.last-c.onset < skipRush+enoughRun { // not averaged above
			c.mean /= float64(c.steady)
		}
		apart := c.onset - f.ch[top].onset
		switch share := c.mean / f.amps; {
		case share >= legShare && max(apart, -apart) <= together:
			f.got = append(f.got, i)
		case share >= crossTalk:
			others = append(others, fmt.Sprintf("%s by %.1f A", f.names[i], c.mean))
		}
	}
	if len(others) > 0 {
		f.state, f.why = unclear, fmt.Sprintf("%s rose by %.1f A, but so did %s: switch on one machine only, with all others off.",
			f.names[top], f.amps, strings.Join(others, ", "))
		return
	}
	slices.Sort(f.got)
	f.state = found
}
