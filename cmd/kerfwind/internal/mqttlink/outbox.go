package mqttlink

import (
	"sync"

	"kerfwind/control"
)

// outbox holds events that were never sent, in a ring. Their numbers follow on
// each other. When it is full the oldest is dropped; the numbers of those
// dropped since the last take are one unbroken range before the ring's first.
type outbox struct {
	mu      sync.Mutex // held for moments only, by nobody who waits
	ring    []control.Event
	head, n int
	next    uint64 // number of the next event to come
	gap     uint64 // events dropped before the ring's first and not said yet
	dropped int64
}

func (b *outbox) init(room int) { b.ring, b.next = make([]control.Event, room), 1 }

// put stores events.
func (b *outbox) put(events []control.Event) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, e := range events {
		if b.n == len(b.ring) {
			b.head = (b.head + 1) % len(b.ring)
			b.n--
			b.gap++
			b.dropped++
		}
		b.ring[(b.head+b.n)%len(b.ring)] = e
		b.n++
		b.next++
	}
}

// parcel holds what take hands over: an event, or a range of numbers whose events
// are gone.
type parcel struct {
	from, to uint64 // to is the number; from differs for a gap
	gap      bool
	event    control.Event
}

// take removes the oldest.
func (b *outbox) take() (p parcel, ok bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	first := b.next - uint64(b.n)
	switch {
	case b.gap > 0:
		p = parcel{from: first - b.gap, to: first - 1, gap: true}
		b.gap = 0
		return p, true
	case b.n == 0:
		return parcel{}, false
	}
	p = parcel{from: first, to: first, event: b.ring[b.head]}
	b.head = (b.head + 1) % len(b.ring)
	b.n--
	return p, true
}

func (b *outbox) counts() Counts {
	b.mu.Lock()
	defer b.mu.Unlock()
	return Counts{Waiting: b.n, Room: len(b.ring), Dropped: b.dropped}
}
