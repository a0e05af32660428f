package timeline

import (
	"strings"
	"time"

	"kerfwind/config"
	"kerfwind/control"
)

// Restless says what keeps a shop from rest, and how long that lasts where it ends by
// itself: "the planer runs", "the air cleaner runs on for 12 min". It is empty at rest:
// it looks at what rig.Rested looks at.
func (n *Names) Restless(s *control.Snapshot) string {
	if s == nil {
		return "the shop has not begun yet"
	}
	var list []string
	left := func(until time.Duration) string {
		if until <= s.At {
			return ""
		}
		return " for " + config.FormatDuration((until - s.At + time.Second - 1).Truncate(time.Second))
	}
	add := func(of control.Subject, i int, does string) { list = append(list, n.Name(of, control.ID(i))+" "+does) }
	for i := range s.Machines {
		switch m := &s.Machines[i]; {
		case m.Run || m.Sensed == control.Running:
			add(control.AMachine, i, "runs: switch it off")
		case m.RunOn != 0:
			add(control.AMachine, i, "has its run-on"+left(m.RunOn))
		}
	}
	for i := range s.Gates {
		switch g := &s.Gates[i]; {
		case g.Position == control.PositionOpening || g.Position == control.PositionShutting:
			add(control.AGate, i, "moves")
		case g.Held != 0:
			add(control.AGate, i, "is held open"+left(g.Held))
		case g.Why.Cause == control.ByTest:
			add(control.AGate, i, "is being tested"+left(g.Why.Until))
		}
	}
	switch c := &s.Collector; {
	case c.Switch == control.Hand:
		list = append(list, "the collector's switch is at hand: turn it to auto")
	case c.Fault == control.CollectorStillOn:
		list = append(list, "the collector still runs: use its disconnect")
	case c.Commanded || c.Sensed == control.Running:
		list = append(list, "the collector runs"+left(c.Why.Until))
	case c.Why.Cause == control.ByCoast || c.Why.Cause == control.ByPowerUp:
		list = append(list, "the collector is left alone"+left(c.Why.Until))
	}
	for i := range s.Outlets {
		if o := &s.Outlets[i]; o.Commanded {
			add(control.AnOutlet, i, "runs on"+left(o.RunOn))
		}
	}
	return strings.Join(list, "; ")
}
