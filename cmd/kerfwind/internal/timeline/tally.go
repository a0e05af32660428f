package timeline

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"kerfwind/control"
)

// Tally adds up a timeline: runs and hours of machines, starts and hours of
// the collector, moves of gates, and faults. Its size depends on the shop, not
// on the length of the timeline.
type Tally struct {
	names      *Names
	machines   []span
	collectors []span
	moves      []int // of gates, opened
	faults     map[string]int
}

// span adds up times on.
type span struct {
	starts  int
	total   time.Duration
	longest time.Duration
	on      bool
	since   time.Duration
}

func (s *span) start(at time.Duration) {
	if !s.on {
		s.on, s.since = true, at
		s.starts++
	}
}

func (s *span) stop(at time.Duration) {
	if s.on {
		s.on = false
		s.total += at - s.since
		s.longest = max(s.longest, at-s.since)
	}
}

// NewTally returns an empty tally of a shop.
func NewTally(n *Names) *Tally {
	return &Tally{names: n,
		machines: make([]span, len(n.Machines)), collectors: make([]span, len(n.Collectors)),
		moves: make([]int, len(n.Gates)), faults: map[string]int{}}
}

// Add takes one event; events come in order of time.
func (t *Tally) Add(e control.Event) {
	i := int(e.ID)
	switch e.Kind {
	case control.MachineStarted:
		if i < len(t.machines) {
			t.machines[i].start(e.At)
		}
	case control.MachineStopped:
		if i < len(t.machines) {
			t.machines[i].stop(e.At)
		}
	case control.CollectorIsOn:
		if i < len(t.collectors) {
			t.collectors[i].start(e.At)
		}
	case control.CollectorIsOff:
		if i < len(t.collectors) {
			t.collectors[i].stop(e.At)
		}
	case control.GateOpening:
		if i < len(t.moves) {
			t.moves[i]++
		}
	case control.FaultRaised:
		_, name := t.names.of(e.Fault.Subject(), e.ID)
		t.faults[strings.TrimSpace(fmt.Sprintf("%s %s", e.Fault, name))]++
	default:
	}
}

// Write prints the tally of a timeline that ended at end.
func (t *Tally) Write(w io.Writer, end time.Duration) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(tw, "machine\truns\ttime\tlongest\n")
	row := func(name string, s span) {
		note := ""
		if s.on {
			s.stop(end)
			note = "\tstill on at the end"
		}
		fmt.Fprintf(tw, "%s\t%d\t%s\t%s%s\n", name, s.starts, span1(s.total), span1(s.longest), note)
	}
	for i, s := range t.machines {
		row(t.names.Machines[i], s)
	}
	for i, s := range t.collectors {
		row(t.names.Collectors[i], s)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	moved := false
	for i, n := range t.moves {
		if n == 0 {
			continue
		}
		if !moved {
			fmt.Fprint(w, "gates opened:")
			moved = true
		}
		fmt.Fprintf(w, " %s %d×", t.names.Gates[i], n)
	}
	if moved {
		fmt.Fprintln(w)
	}
	if len(t.faults) == 0 {
		_, err := fmt.Fprintln(w, "no faults")
		return err
	}
	keys := make([]string, 0, len(t.faults))
	for k := range t.faults {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	fmt.Fprintln(w, "faults:")
	for _, k := range keys {
		fmt.Fprintf(w, "  %s", k)
		if n := t.faults[k]; n > 1 {
			fmt.Fprintf(w, " (%d times)", n)
		}
		if _, err := fmt.Fprintln(w); err != nil {
			return err
		}
	}
	return nil
}

// span1 writes a length of time for people, to a tenth of a second.
func span1(d time.Duration) string { return d.Round(100 * time.Millisecond).String() }
