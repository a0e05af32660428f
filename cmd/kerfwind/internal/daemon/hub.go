package daemon

import (
	"context"
	"io"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/control"
	"kerfwind/sensor"
)

// Bounds of what is kept for those who follow: our own choice.
const (
	followRoom = 2048 // items that a follower may be behind: a second of eight channels
	eventsKept = 1024 // events that a follower may go back to
)

// hub hands what happens to those who follow. Whoever is too slow loses items, and
// is told how many; nobody waits for him.
type hub struct {
	mu       sync.Mutex
	seq      uint64 // of the newest event
	revision uint64 // of the shop that speaks
	events   []kept // the oldest first, without a gap
	all      map[*follower]struct{}
}

// kept is an event that a follower may go back to.
type kept struct {
	seq, revision uint64
	event         control.Event
}

func (k kept) item() seam.Item {
	return seam.Item{Kind: seam.AnEvent, Seq: k.seq, Revision: k.revision, At: k.event.At, Event: k.event}
}

// follower is one stream.
type follower struct {
	h    *hub
	want seam.Want
	wake chan struct{} // has room for one

	// Of the hub's lock.
	queue  []seam.Item
	missed uint64
	over   bool // nothing more comes

	taken []seam.Item // by Next, which alone uses it
}

// follow begins a stream.
func (h *hub) follow(w seam.Want) *follower {
	f := &follower{h: h, want: w, wake: make(chan struct{}, 1)}
	h.mu.Lock()
	defer h.mu.Unlock()
	if w.From > 0 && w.Events {
		for _, k := range h.events {
			if k.seq > w.From {
				f.put(k.item())
			}
		}
		if oldest := h.seq - uint64(len(h.events)); w.From < oldest {
			f.lose(oldest - w.From)
		}
	}
	if h.all == nil {
		h.all = map[*follower]struct{}{}
	}
	h.all[f] = struct{}{}
	return f
}

// lose counts items that are missing before the first that waits.
func (f *follower) lose(n uint64) {
	if len(f.queue) > 0 {
		f.queue[0].Missed += n
	} else {
		f.missed += n
	}
}

// put queues an item. The hub's lock is held.
func (f *follower) put(x seam.Item) {
	if len(f.queue) >= followRoom {
		f.missed++
		return
	}
	x.Missed, f.missed = f.missed, 0
	f.queue = append(f.queue, x)
	select {
	case f.wake <- struct{}{}:
	default:
	}
}

// Next waits for the next item.
func (f *follower) Next(ctx context.Context) (seam.Item, error) {
	for len(f.taken) == 0 {
		f.h.mu.Lock()
		f.taken, f.queue = f.queue, nil
		over := f.over
		f.h.mu.Unlock()
		if len(f.taken) > 0 {
			break
		}
		if over {
			return seam.Item{}, io.EOF
		}
		select {
		case <-f.wake:
		case <-ctx.Done():
			return seam.Item{}, ctx.Err()
		}
	}
	x := f.taken[0]
	f.taken = f.taken[1:]
	return x, nil
}

// Close ends the stream.
func (f *follower) Close() error {
	f.end()
	return nil
}

// only says what is wanted from now on.
func (f *follower) only(w seam.Want) {
	f.h.mu.Lock()
	defer f.h.mu.Unlock()
	f.want = w
}

// end lets the stream end after what is queued.
func (f *follower) end() {
	f.h.mu.Lock()
	defer f.h.mu.Unlock()
	f.over = true
	delete(f.h.all, f)
	select {
	case f.wake <- struct{}{}:
	default:
	}
}

// publish hands an item to those who want it. It never waits; what makes the item
// is called only if somebody does.
func (h *hub) publish(kind seam.ItemKind, source int, at time.Duration, fill func(*seam.Item)) {
	h.mu.Lock()
	defer h.mu.Unlock()
	x := seam.Item{Kind: kind, Seq: h.seq, Revision: h.revision, At: at}
	x.Frame.Source = source
	made := false
	for f := range h.all {
		if !f.want.Takes(&x) {
			continue
		}
		if !made {
			fill(&x)
			made = true
		}
		f.put(x)
	}
}

// event hands an event to those who want it, and keeps it for a while.
func (h *hub) event(e control.Event) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.seq++
	k := kept{h.seq, h.revision, e}
	h.events = append(h.events, k)
	if n := len(h.events) - eventsKept; n >= eventsKept { // now and then
		h.events = append([]kept(nil), h.events[n:]...)
	}
	for f := range h.all {
		if f.want.Events {
			f.put(k.item())
		}
	}
}

// begin says which shop speaks from now on.
func (h *hub) begin(revision uint64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.revision = revision
}

func (h *hub) newest() uint64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.seq
}

// Observe hands events on, and the state after them.
func (h *hub) Observe(s *control.Snapshot, events []control.Event) {
	for _, e := range events {
		h.event(e)
	}
	h.snapshot(s, s.At)
}

func (h *hub) snapshot(s *control.Snapshot, now time.Duration) {
	if s == nil {
		return
	}
	h.publish(seam.ASnapshot, 0, now, func(x *seam.Item) { x.Snapshot = *s })
}

func (h *hub) frame(f *sensor.Frame, now time.Duration) {
	h.publish(seam.AFrame, f.Source, now, func(x *seam.Item) { x.Frame = seam.FrameOf(f) })
}

func (h *hub) reading(r sensor.Reading) {
	h.publish(seam.AReading, 0, r.At, func(x *seam.Item) { x.Reading = r })
}

func (h *hub) command(c control.Command, now time.Duration) {
	h.publish(seam.ACommand, 0, now, func(x *seam.Item) { x.Command = c })
}

func (h *hub) answer(in control.Input, now time.Duration) {
	h.publish(seam.AnAnswer, 0, now, func(x *seam.Item) { x.Answer = in })
}

func (h *hub) delay(by, now time.Duration) {
	h.publish(seam.ADelay, 0, now, func(x *seam.Item) { x.Delay = by })
}
