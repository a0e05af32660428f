package daemon

import (
	"context"
	"errors"
	"fmt"
	"os"
	"reflect"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/loop"
)

// standDown is the file that says that nothing is commanded.
const standDown = "standdown"

// StoodDown reports whether a stand-down is stored, and why it is taken to be:
// what cannot be read counts as one.
func StoodDown(folder string) (down bool, why string) {
	switch _, err := state.Read(folder, standDown); {
	case err == nil:
		return true, "it was before the restart"
	case errors.Is(err, os.ErrNotExist):
		return false, ""
	default:
		return true, "whether it was before the restart cannot be read: " + err.Error()
	}
}

// Between two tries to write the files.
const (
	firstTry = time.Second
	lastTry  = time.Minute
)

// keeper keeps the stand-down and the latches in the state folder, whatever brought
// them about. The disk may take its time; the loop never waits for it.
type keeper struct {
	folder string
	notice func(error)
	poke   chan struct{}

	mu     sync.Mutex
	down   bool          // as it is in the shop
	latch  *latches      // the same; nil: nothing is known to be kept
	brief  bool          // shops run for a while only: what is stored stays, but for what changes in them
	unread bool          // what was stored cannot be read
	runs   bool          // a shop has run: what is kept is of this rig as it is
	wanted uint64        // changes so far
	tried  uint64        // the newest that was tried to be written
	err    error         // of that try
	news   chan struct{} // closed when tried changes
}

// newKeeper reads what is stored.
func newKeeper(folder string, say func(string), notice func(error)) *keeper {
	k := &keeper{folder: folder, notice: notice, poke: make(chan struct{}, 1), news: make(chan struct{})}
	var why string
	if k.down, why = StoodDown(folder); k.down {
		say("stood down: " + why)
	}
	var err error
	if k.latch, err = readLatches(folder); err != nil {
		k.unread = true
		notice(err)
	}
	return k
}

// change notes what holds in the shop now.
func (k *keeper) change(do func()) {
	k.mu.Lock()
	do()
	k.wanted++
	k.mu.Unlock()
	select {
	case k.poke <- struct{}{}:
	default:
	}
}

// held returns what a shop that is taken up must hold on to.
func (k *keeper) held(s *config.Shop) (down bool, kept control.Kept) {
	k.mu.Lock()
	down, latch, unread, runs := k.down, k.latch, k.unread, k.runs
	k.mu.Unlock()
	switch {
	case unread:
		return down, control.Unreadable
	case latch == nil:
		return down, kept
	}
	kept, why := latch.in(s, runs)
	for _, w := range why {
		k.notice(errors.New(w))
	}
	return down, kept
}

// Keep keeps stand-down and latches where no daemon runs: for a shop that runs for
// a hand on one thing, or for a move-in.
type Keep struct {
	k    *keeper
	stop context.CancelFunc
	runs sync.WaitGroup
}

// NewKeep reads what is stored in the folder.
func NewKeep(folder string, say func(string), notice func(error)) *Keep {
	ctx, stop := context.WithCancel(context.Background())
	k := &Keep{k: newKeeper(folder, say, notice), stop: stop}
	k.k.brief = true
	k.runs.Go(func() { k.k.run(ctx) })
	return k
}

// Up returns what a shop that is taken up must hold on to, and the observer that keeps
// what changes of it.
func (k *Keep) Up(s *config.Shop) (down bool, kept control.Kept, obs loop.Observer) {
	down, kept = k.k.held(s)
	kept.Aside &= 1<<len(s.Gates) - 1
	kept.Left &= 1<<len(s.Machines) - 1
	o := k.k.of(s)
	o.seen, o.last = true, kept
	return down, kept, o
}

// End writes what is not written.
func (k *Keep) End() {
	k.stop()
	k.runs.Wait()
}

// of is an observer that keeps what a shop holds.
func (k *keeper) of(s *config.Shop) *keeping { return &keeping{k: k, shop: s} }

// keeping observes one shop for a keeper.
type keeping struct {
	k    *keeper
	shop *config.Shop
	seen bool
	last control.Kept
}

// Observe notes that something is to be kept, or no longer.
func (o *keeping) Observe(s *control.Snapshot, events []control.Event) {
	for _, e := range events {
		if e.Kind == control.StoodDown || e.Kind == control.StandDownLifted {
			o.k.change(func() { o.k.down = e.Kind == control.StoodDown })
		}
	}
	o.look(s)
}

// look notes what a snapshot says is to be kept.
func (o *keeping) look(s *control.Snapshot) {
	if o.seen && s.Kept == o.last {
		return
	}
	first, was := !o.seen, o.last
	o.seen, o.last = true, s.Kept
	next := latchesOf(&s.Kept, o.shop)
	if first && !o.k.brief {
		o.k.mu.Lock()
		same := !o.k.unread && reflect.DeepEqual(next, o.k.latch)
		o.k.runs = true
		o.k.mu.Unlock()
		if same {
			return
		}
	}
	o.k.change(func() {
		if o.k.brief && !o.k.unread {
			next = o.k.latch.with(&was, &s.Kept, o.shop)
		}
		o.k.latch, o.k.unread = next, false
	})
}

// latched returns what is known to be latched, whatever shop is taken up.
func (k *keeper) latched() control.Kept {
	k.mu.Lock()
	defer k.mu.Unlock()
	switch {
	case k.unread:
		return control.Kept{Stopped: true}
	case k.latch == nil:
		return control.Kept{}
	}
	return control.Kept{Stopped: *k.latch.Stopped, Failed: faultNamed(*k.latch.Failed)}
}

// now is whether the shop is stood down, and the number of changes so far.
func (k *keeper) now() (down bool, change uint64) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.down, k.wanted
}

// kept waits until a change is on the disk, or says why it is not.
func (k *keeper) kept(ctx context.Context, change uint64) error {
	for {
		k.mu.Lock()
		tried, err, news := k.tried, k.err, k.news
		k.mu.Unlock()
		if tried >= change {
			return err
		}
		select {
		case <-news:
		case <-ctx.Done():
			return errors.New("the disk does not answer")
		}
	}
}

// run writes until ctx is done, and then once more what is not written.
func (k *keeper) run(ctx context.Context) {
	wait := firstTry
	retry := time.NewTimer(0)
	if !retry.Stop() {
		<-retry.C
	}
	defer retry.Stop()
	for {
		last := false
		select {
		case <-k.poke:
		case <-retry.C:
		case <-ctx.Done():
			last = true
		}
		if k.write() {
			wait = firstTry
		} else if !last {
			retry.Reset(wait)
			wait = min(2*wait, lastTry)
		}
		if last {
			return
		}
	}
}

// write brings the newest change to the disk, if it is not there. It reports
// whether all is written.
func (k *keeper) write() bool {
	k.mu.Lock()
	down, latch, change, before, done := k.down, k.latch, k.wanted, k.err, k.tried == k.wanted && k.err == nil
	k.mu.Unlock()
	if done {
		return true
	}
	err := errors.Join(k.writeDown(down), k.writeLatch(latch))
	if err != nil && before == nil {
		k.notice(err)
	}
	k.mu.Lock()
	k.tried, k.err = change, err
	close(k.news)
	k.news = make(chan struct{})
	k.mu.Unlock()
	return err == nil
}

// writeDown writes the stand-down.
func (k *keeper) writeDown(down bool) (err error) {
	if down {
		err = state.Write(k.folder, standDown, []byte("# Nothing is commanded until this is lifted at the shop.\nformat = 1\n"))
	} else {
		err = state.Remove(k.folder, standDown)
	}
	if err != nil {
		return fmt.Errorf("the stand-down could not be kept for the next start: %w", err)
	}
	return nil
}

// writeLatch writes latches and what is set aside. nil leaves what is stored.
func (k *keeper) writeLatch(l *latches) error {
	if l == nil {
		return nil
	}
	text, err := l.encode()
	if err == nil {
		err = state.Write(k.folder, latchesFile, text)
	}
	if err != nil {
		return fmt.Errorf("latches and gates that are set aside could not be kept for the next start: %w", err)
	}
	return nil
}
