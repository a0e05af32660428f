package daemon

import (
	"context"
	"fmt"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/loop"
	"kerfwind/sensor"
)

// Part is something that looks on: the journal, the metrics and so on. It is
// started when a shop is taken up, and closed when that shop is left. One that
// fails is told of as down; control goes on without it.
type Part struct {
	Name  string
	Start func(*Shop) (Watcher, error)
}

// Shop is what a part sees of the running shop.
type Shop struct {
	*config.Shop
	Names *timeline.Names
	Now   func() time.Duration // the stream's clock
	Speed float64              // its seconds in a second; 1 but in a simulation
	Live  *rig.Live            // for Ask and Snapshot

	Choice Choice                                    // which shop file this is, and why
	Use    func(file string) (waits bool, err error) // see Daemon.Use

	// Memory holds the samples of the last minutes; nil where the rig has no
	// converter. Its instants are those of the stream's clock.
	Memory *record.Memory

	// Ask passes a request to the loop and returns once it is in force; a
	// stand-down would outlast a power cut by then. A *Refused says that it
	// stands against what must hold. It sets Expires; the origin is the part's
	// to say, from the way the request came.
	Ask func(context.Context, control.Input) error

	// Fares tells how the part fares: why it is down, or nil. It may be called
	// from any goroutine. Notice tells people something.
	Fares  func(error)
	Notice func(error)

	// Guard runs what the part does in a goroutine of its own. A panic in it
	// puts the part down for good; control goes on.
	Guard func(do func())
}

// Watcher is what a part looks at. Without an Observer the part is not wanted
// by rig and shop; each other field may be nil. All but Close are
// called by the loop and must not wait: a part that may have to puts Queue
// between.
type Watcher struct {
	loop.Observer
	Frame    func(f *sensor.Frame, now time.Duration)
	Reading  func(sensor.Reading)
	Applied  func(c control.Command, now time.Duration) // these two: of real outputs only
	Answered func(in control.Input, now time.Duration)
	Late     func(time.Duration)
	Second   func(s *control.Snapshot, now time.Duration) // about once a second
	Close    func() error
}

// part is a part at work.
type part struct {
	name string
	Watcher
	notice func(error)
	ended  atomic.Bool // by a fault: nothing of it is called but Close
	mu     sync.Mutex
	why    error // down
}

func (p *part) fares(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.ended.Load() { // a fault stays
		p.why = err
	}
}

// guard runs what the part does. A panic puts the part down for good.
func (p *part) guard(do func()) {
	defer func() {
		if r := recover(); r != nil {
			p.fault(r)
		}
	}()
	do()
}

// call is guard for what the loop calls, which nothing is after a fault.
func (p *part) call(do func()) {
	if !p.ended.Load() {
		p.guard(do)
	}
}

// fault puts the part down after a panic. It is told once.
func (p *part) fault(r any) {
	err := fmt.Errorf("ended by a fault in the program: %v", r)
	p.mu.Lock()
	first := !p.ended.Swap(true)
	if first {
		p.why = err
	}
	p.mu.Unlock()
	if first {
		p.notice(fmt.Errorf("%s: %w; control goes on without it\n%s", p.name, err, debug.Stack()))
	}
}

// down says why the part is down, or nil.
func (p *part) down() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.why
}

// parts are those of a shop.
type parts []*part

// start starts every part. One that cannot be started is down.
func start(list []Part, s Shop) parts {
	var out parts
	for _, x := range list {
		p := &part{name: x.Name, notice: s.Notice}
		own := s // the part keeps it
		own.Fares, own.Guard = p.fares, p.guard
		w, err := p.begin(x.Start, &own)
		p.Watcher = w
		if err != nil {
			s.Notice(fmt.Errorf("%s: %w", x.Name, err))
			p.Watcher = Watcher{}
			p.fares(err)
		} else if p.ended.Load() {
			// down already, and told
		} else if p.Observer == nil {
			continue // the files ask for none
		}
		out = append(out, p)
	}
	return out
}

// startMost bounds how long a part may take to start: nothing is served before
// all have.
const startMost = 10 * time.Second

// begin starts the part. One that takes too long is left behind, and closed if
// it starts after all.
func (p *part) begin(start func(*Shop) (Watcher, error), s *Shop) (Watcher, error) {
	var w Watcher
	var err error
	done := make(chan struct{}) // closed: they are set
	go func() {
		defer close(done)
		p.guard(func() { w, err = start(s) })
	}()
	limit := time.NewTimer(startMost)
	defer limit.Stop()
	select {
	case <-done:
		return w, err
	case <-limit.C:
	}
	go func() {
		<-done
		if w.Close != nil {
			p.guard(func() { _ = w.Close() }) // it was told of already
		}
	}()
	return Watcher{}, fmt.Errorf("it did not start within %v: it is left behind", startMost)
}

// Observe passes events on.
func (ps parts) Observe(s *control.Snapshot, events []control.Event) {
	for _, p := range ps {
		if p.Observer != nil { // nil: down from the start
			p.call(func() { p.Observer.Observe(s, events) })
		}
	}
}

func (ps parts) frame(f *sensor.Frame, now time.Duration) {
	for _, p := range ps {
		if p.Frame != nil {
			p.call(func() { p.Frame(f, now) })
		}
	}
}

func (ps parts) reading(r sensor.Reading) {
	for _, p := range ps {
		if p.Reading != nil {
			p.call(func() { p.Reading(r) })
		}
	}
}

func (ps parts) applied(c control.Command, now time.Duration) {
	for _, p := range ps {
		if p.Applied != nil {
			p.call(func() { p.Applied(c, now) })
		}
	}
}

func (ps parts) answered(in control.Input, now time.Duration) {
	for _, p := range ps {
		if p.Answered != nil {
			p.call(func() { p.Answered(in, now) })
		}
	}
}

func (ps parts) late(by time.Duration) {
	for _, p := range ps {
		if p.Late != nil {
			p.call(func() { p.Late(by) })
		}
	}
}

func (ps parts) second(s *control.Snapshot, now time.Duration) {
	for _, p := range ps {
		if p.Second != nil {
			p.call(func() { p.Second(s, now) })
		}
	}
}

// closeMost bounds how long the end of the parts may take: longer than each of
// ours allows itself.
const closeMost = 10 * time.Second

// close ends all parts at once. One that hangs is left behind, so that the next
// shop is served.
func (ps parts) close(notice func(error)) {
	ended := make(chan *part, len(ps))
	waits := map[*part]bool{}
	for _, p := range ps {
		if p.Close != nil {
			waits[p] = true
			go func() {
				defer func() { ended <- p }()
				defer func() {
					if r := recover(); r != nil {
						notice(fmt.Errorf("%s: ended by a fault in the program: %v\n%s", p.name, r, debug.Stack()))
					}
				}()
				if err := p.Close(); err != nil {
					notice(fmt.Errorf("%s: %w", p.name, err))
				}
			}()
		}
	}
	limit := time.NewTimer(closeMost)
	defer limit.Stop()
	for len(waits) > 0 {
		select {
		case p := <-ended:
			delete(waits, p)
		case <-limit.C:
			for p := range waits {
				notice(fmt.Errorf("%s: it does not end: it is left behind", p.name))
			}
			return
		}
	}
}

// Queue is an observer that hands what it is told to a slower one, in a
// goroutine of its own. What does not fit is dropped and counted.
type Queue struct {
	work    chan batch
	done    chan struct{}
	dropped atomic.Int64
}

type batch struct {
	snap   *control.Snapshot
	events []control.Event
}

// NewQueue returns a queue of a length before an observer. If that panics, the
// queue takes nothing more and fares is told; control goes on.
func NewQueue(to loop.Observer, length int, fares func(error)) *Queue {
	q := &Queue{work: make(chan batch, length), done: make(chan struct{})}
	go func() {
		defer close(q.done)
		defer func() {
			if r := recover(); r != nil {
				fares(fmt.Errorf("ended by a fault in the program: %v\n%s", r, debug.Stack()))
			}
		}()
		for b := range q.work {
			to.Observe(b.snap, b.events)
		}
	}()
	return q
}

// Observe queues events. It never waits.
func (q *Queue) Observe(s *control.Snapshot, events []control.Event) {
	select {
	case q.work <- batch{s, append([]control.Event(nil), events...)}:
	default:
		q.dropped.Add(int64(len(events)))
	}
}

// Dropped is how many events did not fit.
func (q *Queue) Dropped() int64 { return q.dropped.Load() }

// closeWait bounds how long a slow observer may take over what is queued.
const closeWait = 2 * time.Second

// Close waits until what is queued is taken, but not for long. Observe must not
// be called after it.
func (q *Queue) Close() error {
	close(q.work)
	limit := time.NewTimer(closeWait)
	defer limit.Stop()
	select {
	case <-q.done:
		return nil
	case <-limit.C:
		return fmt.Errorf("it did not take what was queued within %v", closeWait)
	}
}
