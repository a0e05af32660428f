package main

import (
	"context"
	"errors"
	"io"
	"time"

	"kerfwind/cmd/kerfwind/internal/histview"
	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/panel"
)

// pageHistory is the record of a state folder as the page reads it.
type pageHistory struct {
	db   *journal.DB
	zone *time.Location
	free func()
}

// Readers of the record at a time, so that many phones do not take the memory,
// and downloads, which may last, not all of the readers. How many runs are read
// at once for a table.
const (
	pageReaders   = 3
	pageDownloads = 2
	pageRuns      = 1000
)

// readers have room for so many at a time.
type readers chan struct{}

// enter waits for room.
func (r readers) enter(ctx context.Context) error {
	select {
	case r <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (r readers) leave() { <-r }

// historyFor returns what opens the record of a state folder for the page.
func historyFor(state string, pages readers) func(context.Context, bool) (panel.History, error) {
	downloads := make(readers, pageDownloads)
	return func(ctx context.Context, long bool) (panel.History, error) {
		room := pages
		if long {
			room = downloads
			if len(room) == cap(room) {
				return nil, &panel.Refusal{Why: "other tables are being saved just now: try again in a moment"}
			}
		}
		if err := room.enter(ctx); err != nil {
			return nil, err
		}
		db, err := openForPage(ctx, state)
		if err != nil {
			room.leave()
			return nil, err
		}
		return &pageHistory{db, time.Local, room.leave}, nil
	}
}

// openForPage opens the record for reading. The error is panel.ErrNoHistory
// where there is none.
func openForPage(ctx context.Context, state string) (*journal.DB, error) {
	db, err := journal.OpenReader(ctx, state)
	if errors.Is(err, journal.ErrNone) {
		err = panel.ErrNoHistory
	}
	return db, err
}

func (h *pageHistory) Close() error {
	defer h.free()
	return h.db.Close()
}

func (h *pageHistory) Extent(ctx context.Context) (first, last int, ok bool, err error) {
	return h.db.Extent(ctx, journal.Machines)
}

var pagePeriods = map[string]journal.Period{"day": journal.Day, "week": journal.Week, "month": journal.Month}

// groups reads the totals of machines, and of the collector where no machine is
// chosen.
func (h *pageHistory) groups(ctx context.Context, of panel.HoursOf) ([]histview.Group, error) {
	machines, err := h.db.Totals(ctx, journal.Machines, of.Machine, pagePeriods[of.By], of.From, of.To)
	if err != nil {
		return nil, err
	}
	out := []histview.Group{{Of: "machine", Totals: machines}}
	if of.Machine != "" {
		return out, nil
	}
	collector, err := h.db.Totals(ctx, journal.Collectors, "", pagePeriods[of.By], of.From, of.To)
	return append(out, histview.Group{Of: "collector", Totals: collector}), err
}

func (h *pageHistory) Hours(ctx context.Context, of panel.HoursOf) ([]panel.Hours, error) {
	groups, err := h.groups(ctx, of)
	if err != nil {
		return nil, err
	}
	var out []panel.Hours
	for _, g := range groups {
		for i := range g.Totals {
			t := &g.Totals[i]
			out = append(out, panel.Hours{First: t.First, Name: t.Name, Collector: g.Of == "collector", Runs: t.Runs, Time: t.Time, Longest: t.Longest, Cut: t.Cut, Doubtful: t.Doubtful})
		}
	}
	return out, nil
}

// HoursCSV writes what "history --csv" writes.
func (h *pageHistory) HoursCSV(ctx context.Context, w io.Writer, of panel.HoursOf) error {
	first, last, ok, err := h.Extent(ctx)
	if err != nil {
		return err
	}
	r := histview.Report{By: pagePeriods[of.By]}
	if ok {
		r.From, r.To = max(of.From, r.By.First(first)), min(of.To, last)
		of.From, of.To = r.From, r.To
		if r.Groups, err = h.groups(ctx, of); err != nil {
			return err
		}
	}
	return r.WriteCSV(w)
}

func (h *pageHistory) runs(ctx context.Context, of panel.RunsOf) ([]journal.Run, error) {
	list, err := h.db.Runs(ctx, journal.RunsOf{Machine: of.Machine, From: of.From, To: of.To, Before: of.Before, Limit: of.Limit})
	if errors.Is(err, journal.ErrNoRun) {
		err = &panel.Mistake{Text: err.Error()}
	}
	return list, err
}

func (h *pageHistory) Runs(ctx context.Context, of panel.RunsOf) ([]panel.Run, error) {
	list, err := h.runs(ctx, of)
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
func (h *pageHistory) RunsCSV(ctx context.Context, w io.Writer, of panel.RunsOf) error {
	return histview.StreamCSV(w, h.zone, func(before int64) ([]journal.Run, error) {
		of.Before, of.Limit = before, pageRuns
		return h.runs(ctx, of)
	})
}
