package daemon

import (
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/config"
)

// taken is a shop, and why it is this one.
type taken struct {
	shop   *config.Shop
	choice Choice
}

// place is where the rig works: in a shop, or on somebody's bench.
type place struct {
	taken
	bench uint64 // lease; 0: it is the shop itself
}

// owner knows which shop is in force, which one waits, and who has a bench: nobody
// else does. A shop that is chosen waits until the one before is at rest; a bench
// takes its place for as long as somebody renews the lease, and outlasts no start of
// the program. It reads no file and has no clock; Daemon holds its lock.
type owner struct {
	base     taken // the shop without a bench
	runs     place
	revision uint64 // counts what was taken up; 0: nothing runs yet

	next   *move
	bench  *lease
	before seam.Bench // the lease that ended last
	asked  *move      // files that were read again while somebody has a bench

	leases  uint64
	issued  uint64
	tickets map[uint64]seam.Ticket
}

// move is a place that waits for rest.
type move struct {
	place
	ticket uint64 // 0: nobody asked
}

// lease is a bench that somebody has.
type lease struct {
	seam.Bench
	text  string
	until time.Duration
}

// ticketsKept bounds how many tickets are remembered: our own choice.
const ticketsKept = 64

// Why something is refused, or has ended.
var (
	errChanged = &seam.Refused{Why: "the shop has changed meanwhile: look again"}
	errBench   = &seam.Refused{Why: "a move-in is under way: end it first"}
	errWaiting = &seam.Refused{Why: "another shop waits to take effect: try again when it has"}
)

const (
	whyReplaced = "somebody has chosen another shop"
	whyNewer    = "another shop was chosen since"
	whyLapsed   = "nobody renewed its lease"
	whyBack     = "it was given back"
)

func newOwner(first taken) *owner {
	return &owner{base: first, runs: place{taken: first}, tickets: map[uint64]seam.Ticket{}}
}

// issue makes a ticket.
func (o *owner) issue(file string) seam.Ticket {
	o.issued++
	t := seam.Ticket{ID: o.issued, Outcome: seam.Waits, File: file}
	o.tickets[t.ID] = t
	delete(o.tickets, t.ID-ticketsKept)
	return t
}

// settle says what became of a ticket.
func (o *owner) settle(id uint64, why string) {
	t, ok := o.tickets[id]
	if !ok || t.Outcome != seam.Waits {
		return
	}
	t.Outcome, t.Revision = seam.TookEffect, o.revision
	if why != "" {
		t.Outcome, t.Why, t.Revision = seam.Failed, why, 0
	}
	o.tickets[id] = t
}

// drop forgets what waits.
func (o *owner) drop(why string) {
	if o.next != nil {
		o.settle(o.next.ticket, why)
		o.next = nil
	}
}

// may returns why no shop may be adopted; nil: it may.
func (o *owner) may(a *seam.Adoption) error {
	switch {
	case o.bench != nil && !a.Always:
		return errBench
	case a.Before != 0 && (a.Before != o.revision || o.next != nil):
		return errChanged
	}
	return nil
}

// adopt lets a shop wait for rest; the newest wish wins. It ends a bench.
func (o *owner) adopt(t taken) seam.Ticket {
	if o.bench != nil {
		o.end(whyReplaced)
	}
	o.drop(whyNewer)
	k := o.issue(t.choice.File)
	o.next = &move{place{taken: t}, k.ID}
	return k
}

// again lets files that were read again wait for rest and, where somebody has a
// bench, for its end.
func (o *owner) again(t taken) seam.Ticket {
	if o.bench == nil {
		return o.adopt(t)
	}
	if o.asked != nil {
		o.settle(o.asked.ticket, whyNewer)
	}
	k := o.issue(t.choice.File)
	o.asked = &move{place{taken: t}, k.ID}
	return k
}

// take gives somebody a bench, or renews it. s is its shop; nil: as it is.
func (o *owner) take(w *seam.BenchWish, s *config.Shop, now time.Duration) (seam.Bench, error) {
	b := o.bench
	switch {
	case w.Lease == 0 && b != nil:
		return seam.Bench{}, errBench
	case w.Lease == 0 && o.next != nil && o.next.ticket != 0:
		return seam.Bench{}, errWaiting
	case w.Lease == 0 && s == nil:
		return seam.Bench{}, errors.New("a bench needs a shop file")
	case w.Lease == 0:
		o.leases++
		b = &lease{Bench: seam.Bench{Lease: o.leases}}
		o.bench = b
	case b == nil || b.Lease != w.Lease:
		if o.before.Lease == w.Lease {
			return o.before, nil
		}
		return seam.Bench{Lease: w.Lease, Outcome: seam.Failed, Why: "there is no such lease"}, nil
	}
	b.until = now + w.For
	if s != nil && b.text != string(w.Text) {
		b.text, b.Outcome, b.Revision = string(w.Text), seam.Waits, 0
		o.next = &move{place: place{taken{s, Choice{}}, b.Lease}}
	}
	return b.Bench, nil
}

// end ends the bench.
func (o *owner) end(why string) {
	if o.bench == nil {
		return
	}
	o.before = seam.Bench{Lease: o.bench.Lease, Outcome: seam.Failed, Why: why}
	o.bench, o.next, o.asked = nil, o.asked, nil
	if o.next == nil && o.runs.bench != 0 {
		o.next = &move{place: place{taken: o.base}}
	}
}

// lapse ends a bench whose lease is over.
func (o *owner) lapse(now time.Duration) bool {
	if o.bench == nil || now < o.bench.until {
		return false
	}
	o.end(whyLapsed)
	return true
}

// comes returns what to open now that the shop is at rest.
func (o *owner) comes() move {
	if o.next == nil {
		return move{place: o.runs}
	}
	return *o.next
}

// opened says that a move was made. The ticket of one that was replaced meanwhile
// has failed already.
func (o *owner) opened(m move) {
	o.revision++
	o.runs = m.place
	o.done(m)
	switch {
	case m.bench == 0:
		o.base = m.taken
		o.settle(m.ticket, "")
	case o.bench != nil && o.bench.Lease == m.bench:
		if o.next == nil { // else its text has changed since
			o.bench.Outcome, o.bench.Revision = seam.TookEffect, o.revision
		}
	case o.next == nil: // the lease ended while it was opened
		o.next = &move{place: place{taken: o.base}}
	}
}

// failed says that the hardware of a move could not be opened, and returns what to
// open instead.
func (o *owner) failed(m move, err error) move {
	o.done(m)
	o.settle(m.ticket, err.Error())
	if m.bench != 0 && o.bench != nil && o.bench.Lease == m.bench {
		o.end("its hardware cannot be opened: " + err.Error())
	}
	if m.bench != 0 && o.next != nil {
		return *o.next
	}
	return move{place: place{taken: o.base}}
}

// done forgets a move that was made or failed, if nothing has taken its place.
func (o *owner) done(m move) {
	if o.next != nil && *o.next == m {
		o.next = nil
	}
}

// untilRest ends what waits for rest alone.
const untilRest = " until the shop is at rest"

// waiting says what waits, and for what; "" if nothing does.
func (o *owner) waiting() string {
	switch {
	case o.next == nil && o.asked != nil:
		return "changed files wait until the move-in ends"
	case o.next == nil:
		return ""
	case o.next.bench != 0:
		return "the move-in waits" + untilRest
	case o.next.choice != o.runs.choice || o.runs.bench != 0:
		if f := o.next.choice.File; f != "" {
			return f + " waits" + untilRest
		}
		return "the rig without a shop file waits" + untilRest
	default:
		return "changed files wait" + untilRest
	}
}

// ticket is a ticket as it is now.
func (o *owner) ticket(id uint64) (seam.Ticket, error) {
	t, ok := o.tickets[id]
	if !ok {
		return t, fmt.Errorf("there is no ticket %d", id)
	}
	if t.Outcome == seam.Waits {
		t.For = o.waiting()
	}
	return t, nil
}

// inForce returns what is known of the current shop.
func (o *owner) inForce() seam.InForce {
	c := o.base.choice
	f := seam.InForce{Revision: o.revision, Name: o.runs.shop.Name, File: c.File, Why: c.Why(), Chosen: c.Chosen, Bench: o.runs.bench != 0, Waiting: o.waiting()}
	if o.next != nil && o.next.bench == 0 {
		f.Next = o.next.choice.File
	}
	return f
}

// in is the path of a shop file, which counts from the state folder.
func in(folder, file string) string {
	if file == "" || filepath.IsAbs(file) {
		return file
	}
	return filepath.Join(folder, file)
}
