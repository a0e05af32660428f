package daemon

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/control"
)

// standDown is the file that says that nothing is commanded.
const standDown = "standdown"

// StoodDown tells whether a stand-down is stored, and why it is taken to be:
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

// Between two tries to write the file.
const (
	firstTry = time.Second
	lastTry  = time.Minute
)

// keeper keeps the stand-down in the state folder, whoever asked for it. The
// disk may take its time; the loop never waits for it.
type keeper struct {
	folder string
	notice func(error)
	poke   chan struct{}

	mu     sync.Mutex
	down   bool          // as it is in the shop
	wanted uint64        // changes of it so far
	tried  uint64        // the newest that was tried to be written
	err    error         // of that try
	news   chan struct{} // closed when tried changes
}

func newKeeper(folder string, down bool, notice func(error)) *keeper {
	return &keeper{folder: folder, notice: notice, poke: make(chan struct{}, 1), down: down, news: make(chan struct{})}
}

// Observe notes that the stand-down began or ended.
func (k *keeper) Observe(s *control.Snapshot, events []control.Event) {
	for _, e := range events {
		if e.Kind != control.StoodDown && e.Kind != control.StandDownLifted {
			continue
		}
		k.mu.Lock()
		k.down = e.Kind == control.StoodDown
		k.wanted++
		k.mu.Unlock()
		select {
		case k.poke <- struct{}{}:
		default:
		}
	}
}

// now is what holds in the shop, and the number of changes so far.
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

// write brings the newest change to the disk, if it is not there. It tells
// whether all is written.
func (k *keeper) write() bool {
	k.mu.Lock()
	down, change, before, done := k.down, k.wanted, k.err, k.tried == k.wanted && k.err == nil
	k.mu.Unlock()
	if done {
		return true
	}
	var err error
	if down {
		err = state.Write(k.folder, standDown, []byte("# Nothing is commanded until this is lifted at the shop.\nformat = 1\n"))
	} else {
		err = state.Remove(k.folder, standDown)
	}
	if err != nil {
		err = fmt.Errorf("the stand-down could not be kept for the next start: %w", err)
		if before == nil {
			k.notice(err)
		}
	}
	k.mu.Lock()
	k.tried, k.err = change, err
	close(k.news)
	k.news = make(chan struct{})
	k.mu.Unlock()
	return err == nil
}
