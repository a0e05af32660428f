package parts

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/control"
)

// tally keeps what the history has counted at hand for topics and metrics.
type tally struct {
	state string // folder
	now   atomic.Pointer[upkeep.Tally]
}

// How often it is read: once a second until there is a history, then at most every minute,
// when something has happened since, and once an hour all the same, since a day ends and
// somebody may reset an item.
const (
	tallySoon    = time.Second
	tallyEvery   = time.Minute
	tallyLongest = time.Hour
)

// latest returns what was counted; nil where no history tells it.
func (t *tally) latest() *upkeep.Tally { return t.now.Load() }

func (t *tally) start(s *daemon.Host) (daemon.Watcher, error) {
	clock, _, err := stamps(s)
	if err != nil {
		return daemon.Watcher{}, err
	}
	ctx, cancel := context.WithCancel(context.Background())
	news := &happened{}
	read := func() {
		db, err := journal.OpenReader(ctx, t.state)
		if err != nil {
			if !errors.Is(err, journal.ErrNone) { // nothing was recorded yet
				s.Fares(err)
			}
			return
		}
		got, err := journal.ReadTally(ctx, db, clock().Wall.Local())
		if err = errors.Join(err, db.Close()); err == nil {
			t.now.Store(&got)
		}
		s.Fares(err)
	}
	var done sync.WaitGroup
	done.Go(func() {
		s.Guard(func() {
			next := time.NewTimer(0)
			defer next.Stop()
			var last time.Time
			for {
				select {
				case <-ctx.Done():
					return
				case <-next.C:
				}
				if t.now.Load() == nil || news.Swap(false) || time.Since(last) >= tallyLongest {
					read()
					last = time.Now()
				}
				if t.now.Load() == nil {
					next.Reset(tallySoon)
				} else {
					next.Reset(tallyEvery)
				}
			}
		})
	})
	return daemon.Watcher{Observer: news, Close: func() error {
		cancel()
		done.Wait()
		return nil
	}}, nil
}

// happened notes that something has.
type happened struct{ atomic.Bool }

// Observe never waits.
func (h *happened) Observe(_ *control.Snapshot, events []control.Event) {
	if len(events) > 0 {
		h.Store(true)
	}
}
