package panel

import (
	"context"
	"errors"
	"io"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
)

// Readers of the record at a time, so that many phones do not take the memory,
// and downloads, which may last, not all of the readers. How many runs are read
// at once for a table, and how many news of weak air the page shows.
const (
	mostReaders   = 3
	mostDownloads = 2
	runsAtOnce    = 1000
	weakAirs      = 6
)

// byPage says in the record that a visitor of the page did it.
const byPage = "page"

// room is for so many at a time.
type room chan struct{}

// enter waits for room.
func (r room) enter(ctx context.Context) error {
	select {
	case r <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (r room) leave() { <-r }

// Book is the history of a state folder as the page reads it, and the upkeep as
// the page reads and changes it.
type Book struct {
	state            string
	clock            func() journal.Stamp
	zone             *time.Location
	pages, downloads room
}

// NewBook makes the book of a state folder.
func NewBook(state string, clock func() journal.Stamp, zone *time.Location) *Book {
	return &Book{state, clock, zone, make(room, mostReaders), make(room, mostDownloads)}
}

var _ Upkeep = (*Book)(nil)

// opened is the history while one visitor reads it.
type opened struct {
	db   *journal.DB
	zone *time.Location
	room room
}

// Open opens the history for reading. Long says that it is a download.
func (b *Book) Open(ctx context.Context, long bool) (History, error) {
	room := b.pages
	if long {
		room = b.downloads
		if len(room) == cap(room) {
			return nil, &Refusal{Why: "other tables are being saved just now: try again in a moment"}
		}
	}
	return b.open(ctx, room)
}

// open waits for room. The error is journal.ErrNone where nothing was recorded.
func (b *Book) open(ctx context.Context, room room) (*opened, error) {
	if err := room.enter(ctx); err != nil {
		return nil, err
	}
	db, err := journal.OpenReader(ctx, b.state)
	if err != nil {
		room.leave()
		return nil, err
	}
	return &opened{db, b.zone, room}, nil
}

// Close makes room for others.
func (h *opened) Close() error {
	defer h.room.leave()
	return h.db.Close()
}

// Extent is the first and the last day on which a machine ran.
func (h *opened) Extent(ctx context.Context) (first, last int, ok bool, err error) {
	return h.db.Extent(ctx, journal.Machines)
}

// Hours sums runs up.
func (h *opened) Hours(ctx context.Context, of journal.ReportOf) ([]Hours, error) {
	r, err := journal.Gather(ctx, h.db, of)
	if err != nil || r == nil {
		return nil, err
	}
	var out []Hours
	for _, g := range r.Groups {
		for _, t := range g.Totals {
			out = append(out, Hours{t, g.Of == "collector"})
		}
	}
	return out, nil
}

// HoursCSV writes what "history --csv" writes.
func (h *opened) HoursCSV(ctx context.Context, w io.Writer, of journal.ReportOf) error {
	r, err := journal.Gather(ctx, h.db, of)
	if err != nil {
		return err
	}
	if r == nil {
		r = &journal.Report{}
	}
	return r.WriteCSV(w)
}

// Runs lists runs.
func (h *opened) Runs(ctx context.Context, of journal.RunsOf) ([]journal.Run, error) {
	list, err := h.db.Runs(ctx, of)
	if errors.Is(err, journal.ErrNoRun) {
		err = &Mistake{Text: err.Error()}
	}
	for i := range list {
		list[i].Began = list[i].Began.In(h.zone)
	}
	return list, err
}

// RunsCSV writes what "history --runs --csv" writes, a page after the other.
func (h *opened) RunsCSV(ctx context.Context, w io.Writer, of journal.RunsOf) error {
	return journal.StreamCSV(w, h.zone, func(before int64) ([]journal.Run, error) {
		of.Before, of.Limit = before, runsAtOnce
		return h.Runs(ctx, of)
	})
}

// Look reads the upkeep.
func (b *Book) Look(ctx context.Context) (*UpkeepState, error) {
	h, err := b.open(ctx, b.pages)
	if err != nil {
		return nil, err
	}
	out := &UpkeepState{Zone: b.zone}
	out.Upkeep, err = journal.ReadUpkeep(ctx, h.db, b.clock().Wall)
	if err == nil {
		out.Weak, err = h.db.WeakAirs(ctx, weakAirs)
	}
	return out, errors.Join(err, h.Close())
}

// change opens the history beside its writer for one change, and says what of an
// error is the visitor's.
func (b *Book) change(ctx context.Context, f func(*journal.DB, journal.Stamp) error) error {
	if err := b.pages.enter(ctx); err != nil {
		return err
	}
	defer b.pages.leave()
	db, err := journal.OpenGuest(ctx, b.state)
	if err != nil {
		return err
	}
	err = errors.Join(f(db, b.clock()), db.Close())
	switch {
	case errors.Is(err, journal.ErrChanged):
		return &Refusal{Why: "this changed since the page loaded; look again"}
	case errors.Is(err, journal.ErrItem), errors.As(err, new(*journal.BadInterval)):
		return &Mistake{Text: err.Error()}
	}
	return err
}

// Reset says that an item has been done.
func (b *Book) Reset(ctx context.Context, item string, seen int64) error {
	return b.change(ctx, func(db *journal.DB, now journal.Stamp) error {
		return db.ResetSeen(ctx, item, seen, byPage, now, b.zone)
	})
}

// TakeBack takes a reset back.
func (b *Book) TakeBack(ctx context.Context, item string, seen int64) error {
	return b.change(ctx, func(db *journal.DB, now journal.Stamp) error {
		_, err := db.UndoSeen(ctx, item, seen, byPage, now, b.zone)
		return err
	})
}

// Every sets after how much an item is due.
func (b *Book) Every(ctx context.Context, item, machine, text string) error {
	return b.change(ctx, func(db *journal.DB, _ journal.Stamp) error {
		_, err := journal.SetEvery(ctx, db, item, machine, text)
		return err
	})
}
