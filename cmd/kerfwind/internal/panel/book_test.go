package panel

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/journal/journaltest"
)

// The page reads what the terminal reads.
func TestPageHistory(t *testing.T) {
	dir := t.TempDir()
	ctx := context.Background()
	opened := NewBook(dir, nil, time.Local).Open
	if _, err := opened(ctx, false); !errors.Is(err, journal.ErrNone) {
		t.Fatalf("%v", err)
	}
	if err := journaltest.Make(dir, 2); err != nil {
		t.Fatal(err)
	}
	h, err := opened(ctx, false)
	if err != nil {
		t.Fatal(err)
	}
	first, last, ok, err := h.Extent(ctx)
	if err != nil || !ok || first >= last {
		t.Fatal(first, last, ok, err)
	}
	// Every run is on one page or another, once.
	ids := map[int64]bool{}
	of := journal.RunsOf{From: first, To: last, Limit: 7}
	for {
		list, err := h.Runs(ctx, of)
		if err != nil {
			t.Fatal(err)
		}
		if len(list) == 0 {
			break
		}
		for _, r := range list {
			if ids[r.ID] {
				t.Errorf("run %d twice", r.ID)
			}
			ids[r.ID] = true
		}
		of.Before = list[len(list)-1].ID
	}
	if len(ids) != 60 { // ten days of work of six runs
		t.Errorf("%d runs", len(ids))
	}
	hours, err := h.Hours(ctx, journal.ReportOf{By: journal.Week, From: first, To: last})
	if err != nil {
		t.Fatal(err)
	}
	runs, collector := 0, 0
	for _, x := range hours {
		if x.Collector {
			collector += x.Runs
		} else {
			runs += x.Runs
		}
	}
	if runs != 60 || collector == 0 {
		t.Errorf("%d runs, the collector %d", runs, collector)
	}
	if alone, err := h.Hours(ctx, journal.ReportOf{By: journal.Day, Machine: "band saw", From: first, To: last}); err != nil || len(alone) == 0 || alone[0].Name != "band saw" || alone[len(alone)-1].Collector {
		t.Error(alone, err)
	}
	if _, err := h.Runs(ctx, journal.RunsOf{Before: 1 << 40, Limit: 1, To: last}); !errors.As(err, new(*Mistake)) {
		t.Errorf("%v", err)
	}
	// The tables are those of the terminal, all of it.
	var page, terminal bytes.Buffer
	if err := h.RunsCSV(ctx, &page, journal.RunsOf{From: first, To: last}); err != nil {
		t.Fatal(err)
	}
	db, err := journal.OpenReader(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	}()
	runsOf, err := journal.ReadRuns(ctx, db, journal.RunsOf{From: first, To: last, Limit: 10_000})
	if err := errors.Join(err, runsOf.WriteCSV(&terminal)); err != nil {
		t.Fatal(err)
	}
	if page.String() != terminal.String() || strings.Count(page.String(), "\n") != 61 {
		t.Errorf("%s\nwant\n%s", page.String(), terminal.String())
	}
	page.Reset()
	terminal.Reset()
	if err := h.HoursCSV(ctx, &page, journal.ReportOf{By: journal.Week, From: first, To: last}); err != nil {
		t.Fatal(err)
	}
	totals, err := journal.Gather(ctx, db, journal.ReportOf{By: journal.Week, To: 1<<31 - 1, Recent: true})
	if err := errors.Join(err, totals.WriteCSV(&terminal)); err != nil {
		t.Fatal(err)
	}
	if page.String() != terminal.String() {
		t.Errorf("%s\nwant\n%s", page.String(), terminal.String())
	}
	if err := h.Close(); err != nil {
		t.Error(err)
	}
	// There is room for a few at a time; the next one waits, but not for ever.
	var all []History
	for range mostReaders {
		h, err := opened(ctx, false)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, h)
	}
	over, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := opened(over, false); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	// Downloads have room of their own, and are refused where there is none.
	for range mostDownloads {
		h, err := opened(ctx, true)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, h)
	}
	if _, err := opened(ctx, true); !errors.As(err, new(*Refusal)) {
		t.Errorf("%v", err)
	}
	for _, h := range all {
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	}
}
