package rig

import (
	"context"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/duct"
)

// Names lists the shop's names by ID.
func Names(s *config.Shop) timeline.Names {
	list := func(of control.Subject, n int) []string {
		out := make([]string, n)
		for i := range out {
			out[i] = s.NameOf(of, control.ID(i))
		}
		return out
	}
	return timeline.Names{
		Machines: list(control.AMachine, len(s.Machines)), Gates: list(control.AGate, len(s.Gates)),
		Collectors: list(control.ACollector, 1), Outlets: list(control.AnOutlet, len(s.Outlets)), Indicators: list(control.AnIndicator, len(s.Indicators)),
		Circuits: list(control.ACircuit, len(s.Circuits)), Stops: list(control.AStop, len(s.Stops())),
	}
}

// Air is the shop's duct, as far as it is described well enough to be
// computed. It belongs to the loop's goroutine, but for Solved and Run.
type Air struct {
	table *duct.Table // nil: the run-ons are the shop file's
	net   *duct.Network
	last  []duct.RunOn // of each machine: its newest run-on
	jobs  chan job     // to solve; nil: on the spot
	lying lying
}

// job is a set of open gates to solve or, with a need, a piece to clear.
type job struct {
	open  uint64
	sweep duct.Sweeping
}

// do works a job out.
func (a *Air) do(j job) {
	if j.sweep.Needs > 0 {
		a.table.Sweep(j.sweep)
	} else {
		a.table.Solve(j.open)
	}
}

// ask has a job done, at once or by Run: then it never waits.
func (a *Air) ask(j job) {
	if a.jobs == nil {
		a.do(j)
		return
	}
	select {
	case a.jobs <- j:
	default:
	}
}

// waiting bounds the sets that wait to be solved. One that finds no room is
// asked for again when it is next needed.
const waiting = 64

// NewAir lets the computed duct say how long the collector runs on and which
// gates help, where the shop describes a duct; else the run-ons in p stay. A set
// of gates that is not in the table yet has the upper bound until Run has solved
// it. A replay can wait: with onTheSpot it is solved at once, so that what comes
// out does not depend on when.
func NewAir(p *control.Params, s *config.Shop, onTheSpot bool) (*Air, error) {
	a := &Air{net: s.Duct(), last: make([]duct.RunOn, len(s.Machines))}
	if a.net == nil {
		return a, nil
	}
	if !onTheSpot {
		a.jobs = make(chan job, waiting)
	}
	var err error
	if a.table, err = duct.NewTable(a.net); err != nil {
		return nil, err
	}
	a.lying.begin(a.net, p, s.Air.Purge)
	p.RunOn = func(machine control.ID, open uint64) time.Duration {
		a.Solved(open)
		r := a.table.Reason(int(machine), open)
		if _, more := a.lift(open); !r.Given {
			r.Lift = more
			r.Total += more
		}
		if int(machine) < len(a.last) {
			a.last[machine] = r
		}
		return r.Total
	}
	p.Helper = func(open uint64) uint64 {
		a.Solved(open)
		return a.table.Helper(open)
	}
	p.Purge = func(open uint64) uint64 {
		a.Solved(open)
		if gates, more := a.lift(open); more > 0 {
			return gates
		}
		return a.table.Purge(open)
	}
	return a, nil
}

// Solved returns the air for a set of open gates. It is false where the duct is
// not computed and, since it never waits, while Run works the set out: ask
// again. It may be called from any goroutine unless sets are solved on the spot.
func (a *Air) Solved(open uint64) (*duct.Solution, bool) {
	if a.table == nil {
		return nil, false
	}
	x, ok := a.table.Look(open)
	if !ok {
		a.ask(job{open: open})
		x, ok = a.table.Look(open)
	}
	return x, ok
}

// Run solves what was asked for and, as long as nothing is, the sets of start-up,
// until ctx is done.
func (a *Air) Run(ctx context.Context) {
	if a.table == nil {
		return
	}
	for _, set := range a.net.StartSets() {
		for waits := true; waits && ctx.Err() == nil; {
			select {
			case j := <-a.jobs:
				a.do(j)
			default:
				waits = false
			}
		}
		if ctx.Err() != nil {
			return
		}
		a.table.Solve(set)
	}
	for {
		select {
		case <-ctx.Done():
			return
		case j := <-a.jobs:
			a.do(j)
		}
	}
}

// RunOn says in words what the newest run-on of a machine is made of, or
// nothing where the duct is not computed.
func (a *Air) RunOn(machine control.ID) string {
	if a.table == nil || int(machine) >= len(a.last) {
		return ""
	}
	r := &a.last[machine]
	var s string
	switch {
	case r.Total == 0:
		return ""
	case r.Given:
		s = config.FormatDuration(r.Total) + " as the shop file says"
	case r.Clear == 0:
		return config.FormatDuration(r.Total) + " at most: these gates are being computed"
	default:
		s = config.FormatDuration(r.Coast) + " to coast, " + config.FormatDuration(r.Clear) + " to clear the duct"
	}
	if r.Lift > 0 {
		s += ", " + config.FormatDuration(r.Lift) + " to lift chips that lie in it"
	}
	if len(r.Stuck) > 0 {
		var names []string
		for _, i := range r.Stuck {
			names = append(names, a.net.Segments[i].Name)
		}
		s += "; time alone does not clear " + strings.Join(names, ", ")
	}
	return s
}
