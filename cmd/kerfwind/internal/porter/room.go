// Package porter guards the door of each listener of the program: page,
// metrics and broker. It counts connections from the moment they are accepted,
// before anybody has signed in: those of one address and all together. When
// there is no room it puts out whoever has the least claim, and keeps a share
// for those who are known. It also checks the name that a browser asks for.
package porter

import (
	"net/netip"
	"sync"
	"time"
)

// Limits bound a room.
type Limits struct {
	All       int // guests at a time
	Strangers int // of these, at most so many that are not known; 0: all may be strangers
	From      int // from one source; 0: no bound of its own
}

// Standing is the claim of a guest: who has more is put out later.
type Standing uint8

// The standings.
const (
	Stranger Standing = iota // has shown nothing yet
	Familiar                 // comes from where somebody known came from lately
	Known                    // has signed in
)

// Room holds guests, such as connections or streams, and never more than its
// limits say. A new guest takes the place of the one with the least claim.
type Room struct {
	limits Limits
	mu     sync.Mutex
	guests map[*Guest]struct{}
	from   map[string]int // guests by source
	known  int            // guests that are no strangers
}

// Guest is one who is in a room.
type Guest struct {
	room   *Room
	source string
	out    func()

	// The room's lock guards what follows.
	standing Standing
	busy     int       // things that are being done for it
	last     time.Time // when it came, or when the last of these was done
}

// NewRoom makes an empty room.
func NewRoom(l Limits) *Room {
	if l.Strangers == 0 {
		l.Strangers = l.All
	}
	return &Room{limits: l, guests: map[*Guest]struct{}{}, from: map[string]int{}}
}

// Enter lets a guest in, or returns nil where everybody inside has more claim
// to stay. The sources of guests are told apart by name; "" has no bound of its
// own. The room calls out, without waiting, when it puts the guest out.
func (r *Room) Enter(source string, s Standing, out func()) *Guest {
	g := &Guest{room: r, source: source, standing: s, out: out, last: time.Now()}
	r.mu.Lock()
	gone, ok := r.makeRoom(g)
	if ok {
		r.guests[g] = struct{}{}
		r.from[source]++
		if s > Stranger {
			r.known++
		}
	}
	r.mu.Unlock()
	for _, x := range gone {
		x.out()
	}
	if !ok {
		return nil
	}
	return g
}

// makeRoom puts out those whose places a new guest needs. mu is held.
func (r *Room) makeRoom(g *Guest) (gone []*Guest, ok bool) {
	free := func(full bool, of func(*Guest) bool) bool {
		if !full {
			return true
		}
		x := r.least(of)
		if x == nil || !r.yields(x, g) {
			return false
		}
		r.remove(x)
		gone = append(gone, x)
		return true
	}
	ok = free(r.limits.From > 0 && g.source != "" && r.from[g.source] >= r.limits.From, func(x *Guest) bool { return x.source == g.source }) &&
		free(g.standing == Stranger && len(r.guests)-r.known >= r.limits.Strangers, func(x *Guest) bool { return x.standing == Stranger }) &&
		free(len(r.guests) >= r.limits.All, func(*Guest) bool { return true })
	return gone, ok
}

// yields reports whether a guest gives its place to a new one: to one of higher
// standing always; to one of its own standing while it is idle, or where its source
// has more guests; and one who has signed in, while idle, to one who is familiar.
// mu is held.
func (r *Room) yields(x, to *Guest) bool {
	switch {
	case x.standing < to.standing:
		return true
	case x.standing > to.standing:
		return to.standing == Familiar && x.busy == 0
	}
	return x.busy == 0 || r.from[x.source] > r.from[to.source]
}

// least is the guest with the least claim: first by standing, then the one
// whose source has the most guests, then one for whom nothing is being done, then
// the one that has been idle longest. mu is held.
func (r *Room) least(of func(*Guest) bool) (least *Guest) {
	for g := range r.guests {
		if of(g) && (least == nil || r.less(g, least)) {
			least = g
		}
	}
	return least
}

func (r *Room) less(a, b *Guest) bool {
	switch many, most := r.from[a.source], r.from[b.source]; {
	case a.standing != b.standing:
		return a.standing < b.standing
	case many != most:
		return many > most
	case (a.busy > 0) != (b.busy > 0):
		return b.busy > 0
	}
	return a.last.Before(b.last)
}

// remove takes a guest out of the counts; once is enough. mu is held.
func (r *Room) remove(g *Guest) {
	if _, in := r.guests[g]; !in {
		return
	}
	delete(r.guests, g)
	if r.from[g.source]--; r.from[g.source] == 0 {
		delete(r.from, g.source)
	}
	if g.standing > Stranger {
		r.known--
	}
}

// Len is how many are in, and how many of them are strangers.
func (r *Room) Len() (all, strangers int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.guests), len(r.guests) - r.known
}

// Leave ends the stay. It may be called again.
func (g *Guest) Leave() {
	g.room.mu.Lock()
	defer g.room.mu.Unlock()
	g.room.remove(g)
}

// Rise gives a guest a higher standing: it has shown who it is.
func (g *Guest) Rise(s Standing) {
	r := g.room
	r.mu.Lock()
	defer r.mu.Unlock()
	if s <= g.standing {
		return
	}
	if _, in := r.guests[g]; in && g.standing == Stranger {
		r.known++
	}
	g.standing = s
}

// Busy marks that something is done for the guest, until done is called. An
// equal takes its place meanwhile only if the guest's source has more guests.
func (g *Guest) Busy() (done func()) {
	g.room.mu.Lock()
	defer g.room.mu.Unlock()
	g.busy++
	return sync.OnceFunc(func() {
		g.room.mu.Lock()
		defer g.room.mu.Unlock()
		g.busy--
		g.last = time.Now()
	})
}

// Source is the network that an address counts for: itself, or its /64 for
// IPv6, where one house has them all. It is the zero Prefix for an unknown
// address.
func Source(a netip.Addr) netip.Prefix {
	bits := 32
	if a.Is6() {
		bits = 64
	}
	p, _ := a.Prefix(bits) // the zero one where a is the zero address
	return p
}

// Address is the address of a "host:port", without a zone; the zero one if it
// is none.
func Address(hostport string) netip.Addr {
	at, err := netip.ParseAddrPort(hostport)
	if err != nil {
		return netip.Addr{}
	}
	return at.Addr().Unmap().WithZone("")
}
