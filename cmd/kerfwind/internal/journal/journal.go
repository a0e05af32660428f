package journal

import (
	"context"
	"errors"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/control"
)

// Options describe a journal.
type Options struct {
	Dir    string         // state directory
	Clock  func() Stamp   // called by the worker only
	Zone   *time.Location // whose days are counted; nil is the computer's
	Origin time.Duration  // instant of the stream's beginning, since the boot

	Shop    string                                   // its name
	NameOf  func(control.Subject, control.ID) string // names in it
	Program string                                   // version
	Budget  int                                      // the collector's starts an hour; 0 none
	Queue   int                                      // batches of events that may wait; 0 is 4096

	// Notice is called by the worker with what somebody should know. It must
	// not wait. nil: nobody is told.
	Notice func(Notice)
}

// NoticeKind says what a notice is about. The zero value is invalid.
type NoticeKind uint8

// The notices.
const (
	NoStorage  NoticeKind = iota + 1 // nothing can be written; it is tried again
	Repaired                         // a damaged file was set aside, or totals were made again
	Refused                          // the file is not ours or too new: nothing is recorded
	EventsLost                       // the queue was full
	NoBackup                         // the daily backup failed; it is tried again
	AirWeak                          // the collector's current has dropped and stays low
)

var noticeNames = [...]string{NoStorage: "no-storage", Repaired: "repaired", Refused: "refused", EventsLost: "events-lost", NoBackup: "no-backup", AirWeak: "air-weak"}

// String is the notice's name in one word.
func (k NoticeKind) String() string {
	if int(k) < len(noticeNames) && k > 0 {
		return noticeNames[k]
	}
	return "invalid"
}

// Notice tells of a fault of the journal's, or of what it has learned.
type Notice struct {
	Kind  NoticeKind
	Clear bool // it is over
	Text  string
}

const (
	queueSize = 4096
	closeMost = 5 * time.Second
)

// Journal is the observer. See the package comment.
type Journal struct {
	o    Options
	work chan note
	stop chan struct{} // closed by Close
	done chan struct{} // closed by the worker
	end  sync.Once

	lost    atomic.Int64 // events dropped and not written down yet
	dropped atomic.Int64 // events dropped since ever
	written atomic.Int64 // transactions committed
	failed  atomic.Int64 // transactions that failed

	worker // of the worker only
}

// note is one thing in the queue: events with the snapshot after them, a
// current, a change of shop, or a wish to hear when all before it is written.
type note struct {
	events []control.Event
	snap   *control.Snapshot
	lost   int64 // events dropped just before
	draw   *draw
	move   *Move
	flush  chan<- error

	// What the learner made of currents.
	stretch *upkeep.Stretch
	weak    *upkeep.Weak
}

// draw is the collector's own current.
type draw struct {
	at   time.Duration
	amps float64
}

// Move is another shop for the same rig.
type Move struct {
	Shop   string
	NameOf func(control.Subject, control.ID) string
	Budget int
}

// Start returns a journal that records from now on. The worker opens the
// history; until then, and while it cannot, events wait in the queue.
func Start(o Options) *Journal {
	j := newJournal(o)
	go j.run()
	return j
}

func newJournal(o Options) *Journal {
	if o.Zone == nil {
		o.Zone = time.Local
	}
	if o.Notice == nil {
		o.Notice = func(Notice) {}
	}
	if o.Queue <= 0 {
		o.Queue = queueSize
	}
	return &Journal{o: o, work: make(chan note, o.Queue), stop: make(chan struct{}), done: make(chan struct{}),
		worker: worker{raised: map[NoticeKind]bool{}, wait: firstTry, steps: migrations, nameOf: o.NameOf,
			book: book{origin: o.Origin, shop: o.Shop, nameOf: o.NameOf, open: map[thing]lasting{}, budget: o.Budget,
				doubtful: true}}} // until it is known whether this boot has rows that are
}

// Observe queues events. It never waits: when the queue is full they are
// dropped and counted. The snapshot is kept, the events are copied.
func (j *Journal) Observe(s *control.Snapshot, events []control.Event) {
	if len(events) == 0 {
		return
	}
	n := note{events: slices.Clone(events), snap: s, lost: j.lost.Swap(0)}
	select {
	case j.work <- n:
	default:
		j.lost.Add(n.lost + int64(len(events)))
		j.dropped.Add(int64(len(events)))
	}
}

// Draw queues the collector's own current in amperes. Once a second is right.
// When the queue is half full it is dropped: events go first.
func (j *Journal) Draw(at time.Duration, amps float64) {
	if len(j.work) > cap(j.work)/2 {
		return
	}
	select {
	case j.work <- note{draw: &draw{at, amps}}:
	default:
	}
}

// MoveTo queues a change of shop: names mean the new one's from here on. It
// waits for room in the queue.
func (j *Journal) MoveTo(ctx context.Context, m Move) error { return j.put(ctx, note{move: &m}) }

// Flush waits until all that was queued before is on the disk.
func (j *Journal) Flush(ctx context.Context) error {
	answer := make(chan error, 1)
	if err := j.put(ctx, note{flush: answer}); err != nil {
		return err
	}
	select {
	case err := <-answer:
		return err
	case <-ctx.Done():
		return ctx.Err()
	case <-j.done:
		return errClosed
	}
}

var errClosed = errors.New("the journal is closed")

func (j *Journal) put(ctx context.Context, n note) error {
	select {
	case j.work <- n:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-j.done:
		return errClosed
	}
}

// Close writes what waits, ends what lasts and closes the file. It gives up
// after five seconds: the next start then closes what is open.
func (j *Journal) Close() error {
	j.end.Do(func() { close(j.stop) })
	select {
	case <-j.done:
		return j.result
	case <-time.After(closeMost):
		return errors.New("the history was not closed cleanly: the disk does not answer")
	}
}

// Counts holds what the journal tells of itself.
type Counts struct {
	Waiting, Room   int   // notes in the queue, and how many it holds
	Dropped         int64 // events
	Commits, Failed int64
}

// Counts may be asked by anybody.
func (j *Journal) Counts() Counts {
	return Counts{len(j.work), cap(j.work), j.dropped.Load(), j.written.Load(), j.failed.Load()}
}
