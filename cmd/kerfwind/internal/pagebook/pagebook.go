// Package pagebook lets the page read the history of a state folder, and change its
// upkeep: what the terminal does by "history" and "upkeep".
package pagebook

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"time"

	"kerfwind/cmd/kerfwind/internal/histview"
	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/panel"
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

// New makes the book of a state folder.
func New(state string, clock func() journal.Stamp, zone *time.Location) *Book {
	return &Book{state, clock, zone, make(room, mostReaders), make(room, mostDownloads)}
}

var _ panel.Upkeep = (*Book)(nil)

// opened is the history while one visitor reads it.
type opened struct {
	db   *journal.DB
	zone *time.Location
	room room
}

// Open opens the history for reading. Long says that it is a download.
func (b *Book) Open(ctx context.Context, long bool) (panel.History, error) {
	room := b.pages
	if long {
		room = b.downloads
		if len(room) == cap(room) {
			return nil, &panel.Refusal{Why: "other tables are being saved just now: try again in a moment"}
		}
	}
	return b.open(ctx, room)
}

// open waits for room. The error is panel.ErrNoHistory where nothing was recorded.
func (b *Book) open(ctx context.Context, room room) (*opened, error) {
	if err := room.enter(ctx); err != nil {
		return nil, err
	}
	db, err := journal.OpenReader(ctx, b.state)
	if err != nil {
		room.leave()
		return nil, none(err)
	}
	return &opened{db, b.zone, room}, nil
}

// none is ErrNoHistory where the journal says so.
func none(err error) error {
	if errors.Is(err, journal.ErrNone) {
		return panel.ErrNoHistory
	}
	return err
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

// gather reads totals; nil: nothing has run yet.
func (h *opened) gather(ctx context.Context, of panel.HoursOf) (*histview.Report, error) {
	by, _ := histview.ParsePeriod(of.By) // the page offers no other
	return histview.Gather(ctx, h.db, histview.Of{By: by, Machine: of.Machine, From: of.From, To: of.To})
}

// Hours sums runs up.
func (h *opened) Hours(ctx context.Context, of panel.HoursOf) ([]panel.Hours, error) {
	r, err := h.gather(ctx, of)
	if err != nil || r == nil {
		return nil, err
	}
	var out []panel.Hours
	for _, g := range r.Groups {
		for i := range g.Totals {
			t := &g.Totals[i]
			out = append(out, panel.Hours{First: t.First, Name: t.Name, Collector: g.Of == "collector", Runs: t.Runs, Time: t.Time, Longest: t.Longest, Cut: t.Cut, Doubtful: t.Doubtful})
		}
	}
	return out, nil
}

// HoursCSV writes what "history --csv" writes.
func (h *opened) HoursCSV(ctx context.Context, w io.Writer, of panel.HoursOf) error {
	r, err := h.gather(ctx, of)
	if err != nil {
		return err
	}
	if r == nil {
		r = &histview.Report{}
	}
	return r.WriteCSV(w)
}

// read reads runs.
func (h *opened) read(ctx context.Context, of panel.RunsOf) ([]journal.Run, error) {
	list, err := h.db.Runs(ctx, journal.RunsOf{Machine: of.Machine, From: of.From, To: of.To, Before: of.Before, Limit: of.Limit})
	if errors.Is(err, journal.ErrNoRun) {
		err = &panel.Mistake{Text: err.Error()}
	}
	return list, err
}

// Runs lists runs.
func (h *opened) Runs(ctx context.Context, of panel.RunsOf) ([]panel.Run, error) {
	list, err := h.read(ctx, of)
	if err != nil {
		return nil, err
	}
	out := make([]panel.Run, len(list))
	for i := range list {
		r := &list[i]
		out[i] = panel.Run{ID: r.ID, Machine: r.Machine, Began: r.Began.In(h.zone), Time: r.Time, Ending: histview.Ending(r.Ending), Doubtful: r.Doubtful}
	}
	return out, nil
}

// RunsCSV writes what "history --runs --csv" writes, a page after the other.
func (h *opened) RunsCSV(ctx context.Context, w io.Writer, of panel.RunsOf) error {
	return histview.StreamCSV(w, h.zone, func(before int64) ([]journal.Run, error) {
		of.Before, of.Limit = before, runsAtOnce
		return h.read(ctx, of)
	})
}

// Look reads the upkeep.
func (b *Book) Look(ctx context.Context) (*panel.UpkeepState, error) {
	h, err := b.open(ctx, b.pages)
	if err != nil {
		return nil, err
	}
	s, err := histview.ReadUpkeep(ctx, h.db, b.clock().Wall)
	var weak []journal.WeakAir
	if err == nil {
		weak, err = h.db.WeakAirs(ctx, weakAirs)
	}
	if err = errors.Join(err, h.Close()); err != nil {
		return nil, none(err)
	}
	out := &panel.UpkeepState{Items: s.Items, Hour: s.Hour, Most: s.Most, Budget: s.Budget, Trend: s.Trend, Known: s.Known, Zone: b.zone}
	for _, w := range weak {
		x := panel.WeakAir{Wall: w.Wall, Part: w.Part, Good: w.Good, Doubtful: w.Doubtful}
		if json.Unmarshal([]byte(w.Gates), &x.Gates) != nil {
			x.Gates = []string{w.Gates}
		}
		out.Weak = append(out.Weak, x)
	}
	return out, nil
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
		return &panel.Refusal{Why: "this changed since the page loaded; look again"}
	case errors.Is(err, journal.ErrItem), errors.As(err, new(*histview.BadInterval)):
		return &panel.Mistake{Text: err.Error()}
	}
	return err
}

// Reset says that somebody has seen to an item.
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
		_, err := histview.SetEvery(ctx, db, item, machine, text)
		return err
	})
}
