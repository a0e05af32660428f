package panel

import (
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"kerfwind/cmd/kerfwind/internal/porter"
)

// Bounds of tries at a password: our own choice. A try costs a small computer a
// second.
const (
	triesGap    = 3 * time.Second // between tries from one address, in the long run
	triesAtOnce = 5
	fewTries    = 3         // by so many somebody who knows the password is in
	triesLast   = time.Hour // tries are forgotten after it
)

// allTries bound the tries of all addresses of a kind together, so that those
// who guess use up no try of the owner's.
var allTries = [...]struct {
	gap    time.Duration
	atOnce int
}{
	welcome: {time.Second, 10},
	fresh:   {2 * time.Second, 6},
	often:   {4 * time.Second, 4},
}

// The kinds of addresses.
const (
	welcome = iota // somebody has signed in from there
	fresh          // fewer tries than fewTries came from there
	often
)

// tries say who may try a password now.
type tries struct {
	each *pace

	mu   sync.Mutex
	from map[netip.Prefix]*trier
	all  [len(allTries)]*rate.Limiter
}

// trier holds what is known of an address.
type trier struct {
	welcome bool
	tries   int // since somebody signed in, if anybody has
	last    time.Time
}

func newTries() *tries {
	t := &tries{each: newPace(triesGap, triesAtOnce), from: map[netip.Prefix]*trier{}}
	for i, a := range allTries {
		t.all[i] = rate.NewLimiter(rate.Every(a.gap), a.atOnce)
	}
	return t
}

// wait is how long somebody must wait before the next try; 0 lets him try. A
// try counts whether it is let or not.
func (t *tries) wait(from netip.Addr) time.Duration {
	if d := t.each.wait(from); d > 0 {
		return d
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	x := t.of(from)
	kind := often
	switch {
	case x.welcome:
		kind = welcome
	case x.tries < fewTries:
		kind = fresh
	}
	x.tries++
	return delay(t.all[kind])
}

// in notes that somebody has signed in from an address.
func (t *tries) in(from netip.Addr) {
	t.mu.Lock()
	defer t.mu.Unlock()
	x := t.of(from)
	x.welcome, x.tries = true, 0
}

// of finds an address. The one with the fewest tries makes room, and one that
// somebody signed in from only where there are no others. mu is held.
func (t *tries) of(from netip.Addr) *trier {
	source, now := porter.Source(from), time.Now()
	x := t.from[source]
	if x == nil {
		if len(t.from) >= mostSources {
			t.forget()
		}
		x = &trier{}
		t.from[source] = x
	}
	if now.Sub(x.last) > triesLast {
		x.tries = 0
	}
	x.last = now
	return x
}

func (t *tries) forget() {
	var least netip.Prefix
	var its *trier
	for source, x := range t.from {
		if its == nil || its.welcome && !x.welcome || its.welcome == x.welcome && x.tries < its.tries {
			least, its = source, x
		}
	}
	delete(t.from, least)
}
