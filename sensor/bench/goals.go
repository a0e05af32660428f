package main

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// The goals of our detector: nothing missed, false or double; these bounds, in
// cycles and beyond the hold; and no false start in idle hours with spikes of at
// most 6 ms, 100 ms apart.
const (
	goalMedian = 1.5
	goalSlow   = 4 // 99 % of the delays
	goalStop   = 250 * time.Millisecond
)

// goals notes what is missed.
type goals struct{ missed []string }

func (g *goals) miss(format string, a ...any) { g.missed = append(g.missed, fmt.Sprintf(format, a...)) }

// starts judges a row of the table of starts and stops.
func (g *goals) starts(kind string, bits int, busy bool, method string, t *tally) {
	if !strings.HasPrefix(method, "ours") {
		return
	}
	row := fmt.Sprintf("%s, %d bits, busy %v, %s", kind, bits, busy, method)
	if t.starts == 0 || t.missed+t.wrong+t.double > 0 {
		g.miss("%s: %d starts, %d missed, %d false, %d double", row, t.starts, t.missed, t.wrong, t.double)
	}
	cycles := func(p float64) float64 { return shareOf(t.delays, p).Seconds() * mains }
	if median := cycles(0.5); median > goalMedian {
		g.miss("%s: median delay %.2f cycles, at most %g", row, median, goalMedian)
	}
	if d := cycles(0.99); d > goalSlow {
		g.miss("%s: 99 %% of the delays %.2f cycles, at most %d", row, d, goalSlow)
	}
	if d := shareOf(t.stops, 1) - stopHold; d > goalStop {
		g.miss("%s: a stop %v beyond the hold, at most %v", row, d, goalStop)
	}
}

// idle judges a row of the table of idle hours.
func (g *goals) idle(sp spikes, method string, wrong int) {
	if strings.HasPrefix(method, "ours") && sp.longest <= 0.006 && sp.apart >= 100*time.Millisecond && wrong > 0 {
		g.miss("%s, spikes %s: %d false starts", method, sp.name, wrong)
	}
}

// verdict is an error that lists what is missed.
func (g *goals) verdict() error {
	if len(g.missed) == 0 {
		return nil
	}
	return errors.New("goals missed:\n  " + strings.Join(g.missed, "\n  "))
}
