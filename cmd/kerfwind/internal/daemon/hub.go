package daemon

import (
	"context"
	"sync"
	"sync/atomic"

	"kerfwind/cmd/kerfwind/internal/socket"
)

// streamQueue is how many lines a client may be behind: ten seconds of frames.
const streamQueue = 1024

// hub hands lines to those that look on over the socket.
type hub struct {
	n   atomic.Int32 // of subscribers: nobody looks most of the time
	mu  sync.Mutex
	all map[*subscriber]struct{}
}

type subscriber struct {
	r      socket.Request
	out    chan socket.Answer
	missed int
}

// subscribe starts a stream. It ends with ctx.
func (h *hub) subscribe(ctx context.Context, r socket.Request) <-chan socket.Answer {
	s := &subscriber{r: r, out: make(chan socket.Answer, streamQueue)}
	h.mu.Lock()
	if h.all == nil {
		h.all = map[*subscriber]struct{}{}
	}
	h.all[s] = struct{}{}
	h.mu.Unlock()
	h.n.Add(1)
	context.AfterFunc(ctx, func() {
		h.mu.Lock()
		delete(h.all, s)
		h.mu.Unlock()
		h.n.Add(-1)
	})
	return s.out
}

// send hands a line to those that asked for its kind, and of frames for its
// source. It never waits. line is called only if somebody did.
func (h *hub) send(do string, source int, line func() socket.Answer) {
	if h.n.Load() == 0 {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	var a socket.Answer
	made := false
	for s := range h.all {
		if s.r.Do != do || s.r.Source != source {
			continue
		}
		if !made {
			a, made = line(), true
		}
		a.Missed = s.missed
		select {
		case s.out <- a:
			s.missed = 0
		default:
			s.missed++
		}
	}
}
