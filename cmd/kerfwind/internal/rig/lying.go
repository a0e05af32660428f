package rig

import (
	"fmt"
	"math/bits"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/duct"
)

// Lying is a piece of the duct in which chips settled.
type Lying struct {
	Piece int // segment of the duct
	duct.Lying
	Last time.Time // when they last came along too slowly; zero where the clock was not to be trusted
}

// lying remembers where chips settled. Pass belongs to the loop's goroutine.
type lying struct {
	mu     sync.Mutex    // of memory and when, held for moments only
	memory *duct.Settled // nil: the duct is not computed
	most   int           // branches that the air suffices for; 0 any number
	mains  uint64        // gates that are in no branch
	purge  bool          // a run-on lifts what lies
	at     time.Duration // of the last Pass
	when   []time.Time   // by segment
	shown  atomic.Pointer[[]Lying]
}

// longestPass is the longest time between two looks over which the collector is
// taken to have run as it does at the second. Our own choice.
const longestPass = 5 * time.Second

func (l *lying) begin(n *duct.Network, p *control.Params, purge bool) {
	l.memory, l.when = duct.NewSettled(n), make([]time.Time, len(n.Segments))
	l.most, l.mains, l.purge = p.MaxOpen, p.Mains(), purge
}

// Pass takes in how the shop has run until now, about once a second; wall is zero
// where the clock is not to be trusted. While the air for the open gates is being
// computed nothing is taken in.
func (a *Air) Pass(s *control.Snapshot, now time.Duration, wall time.Time) {
	l := &a.lying
	d := now - l.at
	l.at = now
	c := &s.Collector
	if l.memory == nil || d <= 0 || d > longestPass || !(c.Sensed == control.Running || c.Commanded && c.Sensed != control.Idle) {
		return
	}
	var running uint64
	for i := range s.Machines {
		if s.Machines[i].Run {
			running |= 1 << uint(i)
		}
	}
	if running == 0 && len(a.Lying()) == 0 {
		return
	}
	a.lift(s.Open()) // so that a run-on soon finds it worked out
	x, ok := a.Solved(s.Open())
	if !ok || !x.Converged {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	was := slices.Clone(l.memory.Pieces)
	l.memory.Pass(d, s.Open(), x.Speed, running)
	if slices.Equal(was, l.memory.Pieces) {
		return
	}
	for i := range was {
		if l.memory.Pieces[i].Slow > was[i].Slow {
			l.when[i] = wall
		}
	}
	l.show()
}

// show publishes what lies where.
func (l *lying) show() {
	list := []Lying{}
	for i, p := range l.memory.Pieces {
		if p.Slow > 0 {
			list = append(list, Lying{i, p, l.when[i]})
		}
	}
	l.shown.Store(&list)
}

// Lying lists the pieces in which chips settled and from which they were not swept
// since, in order of the segments. The list never changes.
func (a *Air) Lying() []Lying {
	if p := a.lying.shown.Load(); p != nil {
		return *p
	}
	return nil
}

// Restore takes over what was remembered before a restart, before the loop runs.
func (a *Air) Restore(list []Lying) {
	l := &a.lying
	if l.memory == nil {
		return
	}
	for _, x := range list {
		l.memory.Pieces[x.Piece], l.when[x.Piece] = x.Lying, x.Last
	}
	l.show()
}

// Cleared takes a duct as cleared by hand. It is false where the shop has none of
// that name, or computes none.
func (a *Air) Cleared(name string) bool {
	l := &a.lying
	if l.memory == nil {
		return false
	}
	i := slices.IndexFunc(a.net.Segments, func(g duct.Segment) bool { return g.Name == name })
	if i < 0 {
		return false
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.memory.Pieces[i] = duct.Lying{}
	l.show()
	return true
}

// lift says, where the owner wants it, which gates a run-on with the gates in open
// opens as well to lift chips that lie in a duct, and for how long: of the pieces that
// they clear, the one through which chips came too slowly for longest. No time: nothing
// lies, no gates lift it, or Run still works that out.
func (a *Air) lift(open uint64) (gates uint64, long time.Duration) {
	l := &a.lying
	x, ok := a.table.Look(open)
	if !l.purge || !ok {
		return 0, 0
	}
	q := duct.Sweeping{Base: open | x.Helpers}
	if l.most > 0 {
		room := func(gates uint64) int { return l.most - bits.OnesCount64(gates&^l.mains) }
		if room(q.Base) < 0 { // there are no helpers then
			q.Base = open
		}
		if q.Most = room(q.Base); q.Most <= 0 {
			q.Most = -1
		}
	}
	worst := time.Duration(0)
	for _, p := range a.Lying() {
		if !p.Lies() || p.Slow <= worst {
			continue
		}
		q.Piece, q.Needs = p.Piece, p.Needs
		if w, ok := a.sweep(q); ok && w.Clears() {
			gates, long, worst = w.Open&^open, duct.SweepTime-p.Swept, p.Slow
		}
	}
	return gates, long
}

// sweep is what Run has worked out; false: ask again.
func (a *Air) sweep(q duct.Sweeping) (duct.Sweep, bool) {
	w, ok := a.table.LookSweep(q)
	if !ok {
		a.ask(job{sweep: q})
		w, ok = a.table.LookSweep(q)
	}
	return w, ok
}

// Clear returns the gates that, open alone while no machine runs, clear a piece. It
// is false while Run works that out: ask again.
func (a *Air) Clear(x *Lying) (duct.Sweep, bool) {
	return a.sweep(duct.Sweeping{Piece: x.Piece, Needs: x.Needs, Most: a.lying.most})
}

// LyingWords says what is known of a piece in which chips lie, and what to do.
func (a *Air) LyingWords(s *config.Shop, x *Lying) string {
	speed := func(v float64) string { return s.Units.Short(config.Velocity, v) }
	n := a.net
	text := fmt.Sprintf("chips probably lie in %s: for %s they came along at %s or less, and it takes %s to carry them", n.Segments[x.Piece].Name,
		config.FormatDuration(x.Slow.Round(time.Second)), speed(x.Least), speed(x.Needs))
	if x.Swept > 0 {
		text += fmt.Sprintf("; of the %s of air that lifts them, %s has passed", config.FormatDuration(duct.SweepTime), config.FormatDuration(x.Swept.Round(time.Second)))
	}
	w, ok := a.Clear(x)
	if !ok {
		return text
	}
	var gates []string
	for _, g := range duct.GateList(w.Open) {
		gates = append(gates, n.Gates[g].Name)
	}
	open := strings.Join(gates, " and ")
	switch {
	case open == "":
		return text + ". No gate brings air there: open the duct and clear it by hand"
	case w.Odds < 0.1:
		return text + fmt.Sprintf(". The most that gates bring is %s, with %s alone open; lying chips need about %s to be lifted: open the duct and clear it by hand", speed(w.Speed.Middle), open, speed(x.Lift()))
	}
	text += fmt.Sprintf(". With no machine running, hold %s open for %s, all else shut: %s there, enough to lift them in %.0f of 10 cases", open,
		config.FormatDuration(duct.SweepTime), speed(w.Speed.Middle), 10*w.Odds)
	if !w.Clears() {
		text += "; then look into the duct"
	}
	return text
}
