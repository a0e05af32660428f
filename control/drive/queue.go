package drive

import (
	"sync"
	"time"

	"kerfwind/control"
)

// queue holds reports until they are taken.
type queue struct {
	mu    sync.Mutex
	list  []Report
	lost  bool
	ready chan struct{} // cap 1
}

// queueLimit is more than a loop that lives ever leaves: beyond it reports are
// dropped, and the next Take says afresh how everything is.
const queueLimit = 4096

func (q *queue) put(r Report) {
	q.mu.Lock()
	if len(q.list) < queueLimit {
		q.list = append(q.list, r)
	} else {
		q.lost = true
	}
	q.mu.Unlock()
	poke(q.ready)
}

func (q *queue) take(to []Report) ([]Report, bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	to = append(to, q.list...)
	lost := q.lost
	q.list, q.lost = q.list[:0], false
	return to, lost
}

// poke wakes whoever waits on c, a channel of capacity 1.
func poke(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// worker carries out commands for the units on one bus or chip, one at a time.
// Its queue holds at most one command a target: the newest.
type worker struct {
	d     *Driver
	units map[target]unit
	list  []unit // the same, in the order of Params

	mu    sync.Mutex
	queue []control.Command
	woken chan struct{} // cap 1
	quit  chan struct{}
	done  chan struct{} // nil until started
}

func newWorker(d *Driver) *worker {
	return &worker{d: d, units: map[target]unit{}, woken: make(chan struct{}, 1), quit: make(chan struct{})}
}

func (w *worker) add(t target, u unit) {
	w.units[t] = u
	w.look(u)
}

// look has the worker look after u, which takes no commands.
func (w *worker) look(u unit) { w.list = append(w.list, u) }

// put queues c in place of an older command for t.
func (w *worker) put(t target, c control.Command) {
	w.mu.Lock()
	q := w.queue[:0]
	for _, old := range w.queue {
		if targetOf(old) != t {
			q = append(q, old)
		}
	}
	if calms(c.Kind) {
		q = append(q, c)
		copy(q[1:], q)
		q[0] = c
	} else {
		q = append(q, c)
	}
	w.queue = q
	w.mu.Unlock()
	w.wake()
}

// wake lets the worker look at its units again.
func (w *worker) wake() { poke(w.woken) }

// pop takes the next command.
func (w *worker) pop() (control.Command, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.queue) == 0 {
		return control.Command{}, false
	}
	c := w.queue[0]
	w.queue = append(w.queue[:0], w.queue[1:]...)
	return c, true
}

func (w *worker) start() {
	w.done = make(chan struct{})
	go w.run()
}

// stop ends the worker and waits for it.
func (w *worker) stop() {
	close(w.quit)
	if w.done != nil {
		<-w.done
	}
}

func (w *worker) run() {
	defer close(w.done)
	// A panic here would end the program without its last act.
	defer func() {
		if r := recover(); r != nil {
			_ = w.d.Halt() // the panic tells more
			panic(r)
		}
	}()
	timer := time.NewTimer(time.Hour)
	timer.Stop()
	defer timer.Stop()
	for {
		select {
		case <-w.quit:
			return
		case <-w.woken:
		case <-timer.C:
		}
		for c, ok := w.pop(); ok; c, ok = w.pop() {
			if w.d.wanted(c) {
				w.units[targetOf(c)].do(time.Now(), c)
			}
		}
		var next time.Time
		for _, u := range w.list {
			u.fire(time.Now())
			if at := u.due(); !at.IsZero() && (next.IsZero() || at.Before(next)) {
				next = at
			}
		}
		if next.IsZero() {
			timer.Stop()
		} else {
			timer.Reset(max(time.Until(next), 0))
		}
	}
}
