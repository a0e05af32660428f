package ductview

import (
	"fmt"
	"math"

	"kerfwind/config"
	"kerfwind/control/duct"
)

// fanDoubts says where the fan works outside what is known of its curve, and where
// it may stall.
func (s *Study) fanDoubts(c *Case) []string {
	var out []string
	points := s.Net.Fan.Points
	left, right := c.Spread.OffCurve()
	in := func(odds float64) string {
		if s.known() {
			return ""
		}
		return " " + InCases(odds)
	}
	if left > 0.05 {
		out = append(out, fmt.Sprintf("the fan works left of the first point of its curve, %s%s: it is taken as level there, but may stall and pulsate. Open another gate with it, or get the whole curve",
			s.u(config.Flow, points[0].Flow), in(left)))
	}
	if right > 0.05 {
		out = append(out, fmt.Sprintf("the fan works right of the last point of its curve, %s%s: it is drawn on straight there, a guess. Get the curve to free flow",
			s.u(config.Flow, points[len(points)-1].Flow), in(right)))
	}
	if x := c.Spread.Opened(); c.Open != 0 && left == 0 && x.Middle < duct.StallPart {
		out = append(out, fmt.Sprintf("the fan moves %.0f %% of its free flow: if its blades are curved backward it may stall there and pulsate (from memory: below %.0f %%)", 100*x.Middle, 100*duct.StallPart))
	}
	return out
}

// motor says what the fan asks of its motor: the most that occurs, with every gate
// open, and what another frequency or thick air makes of it.
func (s *Study) motor(w *writer) {
	n := s.Net
	x := s.cloud.Solve(^uint64(0) >> (64 - max(len(n.Gates), 1)))
	part := x.Opened().Middle
	radial, backward := duct.Load(part)
	w.paragraph("", fmt.Sprintf("Motor: with all gates open the fan moves %s, %.0f %% of its free flow. Blades that are radial or curved forward then ask for about %.0f %% of the most they can, "+
		"the more the more is open; blades curved backward for about %.0f %% (from memory). Read the amperes with all open and hold them against the plate.",
		s.u(config.Flow, x.Total().Middle), 100*part, 100*radial, 100*backward))
	f := n.Fan
	if f.Mains > 0 && f.Frequency > 0 && f.Mains != f.Frequency {
		r := f.Mains / f.Frequency
		w.paragraph("", fmt.Sprintf("At %s the fan asks for %.2g times the power that it asks for at %s (as the cube of the speed).",
			s.u(config.Frequency, f.Mains), math.Pow(r, 3), s.u(config.Frequency, f.Frequency)))
	}
}
