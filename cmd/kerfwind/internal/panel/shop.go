package panel

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/scene"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// Shop is the shop that the page shows. NewShop makes it; whoever runs the
// shop sets the exported fields, hands it to the loop as an observer, and puts it
// on the page with Server.Show.
type Shop struct {
	*config.Shop
	Names *timeline.Names
	Now   func() time.Duration     // the stream's clock
	Speed float64                  // its seconds in a second; 1 but in a simulation
	Wall  func() (time.Time, bool) // the time of day, and whether it is trusted

	// Ask passes a request to the loop and returns once it has taken effect; a
	// stand-down also is on the disk by then. A *Refusal says that it goes
	// against what must hold. Origin and Expires are set by it, not by the page.
	Ask func(ctx context.Context, in control.Input) error

	// History opens the record of what ran; long is for a download, which may
	// last. The error is journal.ErrNone where there is none yet, and a *Refusal where
	// too many downloads are under way.
	History func(ctx context.Context, long bool) (History, error)

	// Hertz is the mains frequency in use, and whether it is measured; nil:
	// as the shop file says.
	Hertz func() (hz float64, measured bool)
	// Settled lists the ducts in which chips probably lie; nil: not known. Cleared
	// takes one as cleared by hand.
	Settled func() []Settled
	Cleared func(ctx context.Context, duct string) error
	// Hears says which channels hear each other much; nil: not known.
	Hears func() []string

	// Tape holds what the converters delivered in the last minutes; nil: there is no
	// converter.
	Tape Tape

	// Learn leads through the learning of a machine; nil: there is nothing to
	// learn.
	Learn Learner

	// MoveIn matches the rig to a new shop; nil: it cannot be done from here.
	MoveIn MoveIn

	// Upkeep keeps what wears and fills; nil: nothing is recorded.
	Upkeep Upkeep

	// Down tells of each part of the program that does not work, and why; nil:
	// nobody knows.
	Down func(tell func(part string, why error))

	// Missing tells of parts of the rig that cannot be reached, and what each serves.
	Missing func(tell func(name, why string, serves []string))

	// Waits says what comes next and what it waits for, as it is now; "": nothing
	// comes. nil: nobody knows.
	Waits func() string

	// Shops keeps shop files; nil: they are not kept.
	Shops Shops

	// Hands are in the workshop, where it is simulated; nil: it is real.
	Hands Hands

	latest  atomic.Pointer[control.Snapshot]
	spoke   atomic.Int64 // instant of the stream at which the loop last did
	plan    *scene.Layout
	layOut  sync.Once // of drawing
	drawing *picture
	left    chan struct{} // closed when the shop is left
	once    sync.Once
	mu      sync.Mutex      // of what follows; held for moments only
	recent  []control.Event // the newest last
	wake    map[chan struct{}]struct{}
	trail   trail
	air     ducts
	feed    feed
	moved   atomic.Uint64 // how often something has happened
	over    atomic.Uint64 // circuits of which control has said that they are above their rating
}

// Settled is a duct in which chips probably lie, and in words why and what to do.
type Settled struct{ Duct, Words string }

// settled is Settled as sentences.
func (s *Shop) settled() (list []Settled) {
	if s.Settled == nil {
		return nil
	}
	for _, x := range s.Settled() {
		list = append(list, Settled{x.Duct, sentence(x.Words)})
	}
	return list
}

// lies lists the ducts in which chips probably lie, by number.
func (s *Shop) lies() (list []int) {
	for _, x := range s.settled() {
		if i := slices.IndexFunc(s.Ducts, func(d config.Duct) bool { return d.Name == x.Duct }); i >= 0 {
			list = append(list, i)
		}
	}
	return list
}

// Refusal is the error of a request that would break what must hold.
type Refusal struct{ Why string }

func (r *Refusal) Error() string { return r.Why }

// recentEvents is how many events the page remembers.
const recentEvents = 200

// NewShop prepares a shop for the page, which shows things by these names.
func NewShop(shop *config.Shop, names *timeline.Names) *Shop {
	s := &Shop{Shop: shop, Names: names, plan: scene.NewLayout(shop), left: make(chan struct{}), wake: map[chan struct{}]struct{}{}}
	s.trail.init(len(shop.Rig.Channels))
	return s
}

// Observe takes in what happened. The loop calls it; it does not wait.
func (s *Shop) Observe(snap *control.Snapshot, events []control.Event) {
	s.hear(snap, snap.At)
	if len(events) > 0 {
		s.moved.Add(1)
	}
	for _, e := range events {
		switch bit := uint64(1) << (e.ID & 63); e.Kind {
		case control.CircuitOver:
			s.over.Or(bit)
		case control.CircuitNear, control.CircuitFits:
			s.over.And(^bit)
		default:
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.recent = append(s.recent, events...)
	if n := len(s.recent) - recentEvents; n > 0 {
		s.recent = append(s.recent[:0], s.recent[n:]...)
	}
	s.poke()
}

// Second takes in the state once a second. The loop calls it; it does not wait.
func (s *Shop) Second(snap *control.Snapshot, now time.Duration) {
	s.hear(snap, now)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.poke()
}

func (s *Shop) hear(snap *control.Snapshot, now time.Duration) {
	s.latest.Store(snap)
	s.spoke.Store(int64(now))
}

// Reading takes in what a sensor says. The loop calls it; it does not wait.
func (s *Shop) Reading(r sensor.Reading) { s.trail.add(r) }

// poke wakes whoever waits for news.
func (s *Shop) poke() {
	for c := range s.wake {
		select {
		case c <- struct{}{}:
		default: // it has not looked since the last time
		}
	}
}

// Snapshot is the state as of the newest event, at most a second old unless the
// loop is silent; nil before the first step. Nobody may change it.
func (s *Shop) Snapshot() *control.Snapshot { return s.latest.Load() }

// Recent returns the newest events, the newest last.
func (s *Shop) Recent() []control.Event {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]control.Event(nil), s.recent...)
}

// News returns a channel that receives after something has happened and once a
// second, and what ends that.
func (s *Shop) News() (news <-chan struct{}, end func()) {
	c := make(chan struct{}, 1)
	s.mu.Lock()
	s.wake[c] = struct{}{}
	s.mu.Unlock()
	return c, func() {
		s.mu.Lock()
		delete(s.wake, c)
		s.mu.Unlock()
	}
}

// Left is closed when the shop is left.
func (s *Shop) Left() <-chan struct{} { return s.left }

func (s *Shop) leave() { s.once.Do(func() { close(s.left) }) }
