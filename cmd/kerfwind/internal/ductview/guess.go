package ductview

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"kerfwind/config"
	"kerfwind/control/duct"
)

// Guesses says in words what is assumed, first what most of the spread of the
// hoods' air comes from, over the first of the sets
// that are reported.
func (s *Study) Guesses() []string {
	weight := make([]float64, len(s.cloud.Unknowns()))
	hoods := 0
	sets := s.Main()
	for _, open := range sets[:min(len(sets), 12)] {
		x := s.cloud.Solve(open)
		live := s.Net.LiveHoods(open)
		for i := 0; i < len(live); i += 1 + len(live)/40 { // a sample is enough for an order
			h := live[i]
			hoods++
			for j, part := range x.Shares(h) {
				weight[j] += part
			}
		}
	}
	type weighed struct {
		words string
		part  float64
	}
	var all []weighed
	for _, g := range s.Net.Guesses {
		w := weighed{words: g.Words}
		for j, u := range s.cloud.Unknowns() {
			if slices.Contains(g.Parts, u.Part) {
				w.part += weight[j] / float64(max(hoods, 1))
			}
		}
		all = append(all, w)
	}
	slices.SortStableFunc(all, func(a, b weighed) int { return int(math.Round(1000 * (b.part - a.part))) })
	var out []string
	for _, w := range all {
		out = append(out, w.words)
	}
	return out
}

// undecided are odds that leave open whether a hood gets its air.
func undecided(odds float64) bool { return odds > 0.05 && odds < 0.95 }

// Doubts says of each hood that may or may not get its air which guess most of
// the range comes from, and what to measure.
func (s *Study) Doubts(c *Case) []string {
	out := s.fanDoubts(c)
	told := 0
	for i := range c.Hoods {
		h := &c.Hoods[i]
		if h.Known || !undecided(h.Odds) || told == mostHelped {
			continue
		}
		told++
		shares := c.Spread.Shares(h.Segment)
		worst := 0
		for j := range shares {
			if shares[j] > shares[worst] {
				worst = j
			}
		}
		line := fmt.Sprintf("%s may get from %s to %s: most of that range comes from %s", s.HoodName(h.Segment),
			s.u(config.Flow, h.Flow.Low), s.u(config.Flow, h.Flow.High), s.unknown(&s.cloud.Unknowns()[worst]))
		if k := c.Spread.Check(h.Segment); k.Left < 0.9 {
			line += fmt.Sprintf(". Measure %s with these gates open: %s", s.reading(k), left(k.Left))
		}
		out = append(out, line)
	}
	return out
}

// left says how much of a range a reading leaves.
func left(part float64) string {
	switch {
	case part < 0.3:
		return "it would leave less than a third of this range"
	case part <= 0.55:
		return "it would halve this range"
	default:
		return fmt.Sprintf("it would leave %.0f %% of this range", 10*math.Round(10*part))
	}
}

// reading names what to measure.
func (s *Study) reading(k duct.Check) string {
	switch k.Quantity {
	case duct.FilterDrop:
		return "the pressure across the filter"
	case duct.MeanVelocity:
		return "the velocity in " + s.Net.Segments[k.Segment].Name
	default:
		return "the static pressure at the end of " + s.Net.Segments[k.Segment].Name
	}
}

// unknown names a guess.
func (s *Study) unknown(u *duct.Unknown) string {
	var names []string
	for _, i := range u.At {
		if u.Part == duct.OpenPart || u.Part == duct.LeakPart {
			names = append(names, s.Net.Gates[i].Name)
		} else {
			names = append(names, s.Net.Segments[i].Name)
		}
	}
	if len(names) > 3 {
		names = append(names[:2], fmt.Sprintf("%d more", len(u.At)-2))
	}
	at := strings.Join(names, ", ")
	switch u.Part {
	case duct.HoodPart:
		return "the loss of the hood of " + at
	case duct.HosePart:
		return "the roughness of the hoses " + at
	case duct.PipePart:
		return "the roughness of the pipes " + at
	case duct.FittingPart:
		return "the wye or loss of " + at
	case duct.OpenPart:
		return "the loss of the open gates " + at
	case duct.LeakPart:
		return "the leak of the shut gates " + at
	case duct.FanFlowPart, duct.FanPart:
		return "the fan's curve"
	case duct.FilterPart:
		return "the filter"
	case duct.SeparatorPart:
		return "the separator"
	case duct.LeakagePart:
		return "the leakage at the collector"
	case duct.BlockPart: // no guess is about that
	}
	return ""
}
