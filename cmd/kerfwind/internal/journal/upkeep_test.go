package journal_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/journal/journaltest"
)

// TestUpkeep reads what is due, and says it in words and in JSON.
func TestUpkeep(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	if err := journaltest.Make(dir, 8); err != nil {
		t.Fatal(err)
	}
	db, err := journal.OpenGuest(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	}()
	if _, err := journal.SetEvery(ctx, db, "filter", "", "soon"); !errors.As(err, new(*journal.BadInterval)) {
		t.Error(err)
	}
	if _, err := journal.SetEvery(ctx, db, "knives", "", "25 h"); !errors.Is(err, journal.ErrItem) {
		t.Error(err)
	}
	for item, text := range map[string]string{"filter": "10 h", "gate saw": "never", "gate planer": "20000 moves"} {
		if never, err := journal.SetEvery(ctx, db, item, "", text); err != nil || never != (text == "never") {
			t.Errorf("%s: %v, %v", item, never, err)
		}
	}
	now := time.Date(2026, 3, 27, 18, 0, 0, 0, time.UTC)
	s, err := journal.ReadUpkeep(ctx, db, now)
	if err != nil || !s.Known || s.Budget != 6 || s.Most == 0 {
		t.Fatalf("%+v, %v", s, err)
	}
	var text, data strings.Builder
	if err := errors.Join(s.WriteText(&text), s.WriteJSON(&data)); err != nil {
		t.Fatal(err)
	}

	for _, want := range []string{"DUE", "of 6; at most", "% of its first current", "in about", "The filter probably loads (9 in 10)"} {
		if !strings.Contains(text.String(), want) {
			t.Errorf("%q is missing in\n%s", want, text.String())
		}
	}
	for _, want := range []string{`"due": true`, `"budget": 6`, `"weeks": 8`, `"due_in_days"`, `"cause": "The filter probably loads`} {
		if !strings.Contains(data.String(), want) {
			t.Errorf("%s is missing in\n%s", want, data.String())
		}
	}
}

// TestGather: without a first day the last periods are read.
func TestGather(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	if err := journaltest.Make(dir, 10); err != nil {
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
	for name, first := range map[string]string{"day": "2026-03-28", "week": "2026-02-16", "month": "2026-02-01", "all": "2026-02-02"} {
		by, ok := journal.ParsePeriod(name)
		r, err := journal.Gather(ctx, db, journal.ReportOf{By: by, From: -1 << 31, To: 1<<31 - 1, Recent: name != "all"})
		if !ok || err != nil || len(r.Groups) != 2 || journal.DayTime(r.From).Format(time.DateOnly) != first || journal.DayTime(r.To).Format(time.DateOnly) != "2026-04-10" {
			t.Errorf("%s: %v from %s to %s: %v", name, ok, journal.DayTime(r.From).Format(time.DateOnly), journal.DayTime(r.To).Format(time.DateOnly), err)
		}
	}
	if r, err := journal.Gather(ctx, db, journal.ReportOf{By: journal.Week, Machine: "band saw", To: 1<<31 - 1}); err != nil || len(r.Groups) != 1 {
		t.Errorf("%+v, %v", r, err)
	}
	if _, ok := journal.ParsePeriod("year"); ok {
		t.Error("a period that there is none")
	}
	r, err := journal.ReadRuns(ctx, db, journal.RunsOf{From: -1 << 31, To: 1<<31 - 1, Limit: 5})
	if err != nil || len(r.List) != 5 || !r.More {
		t.Errorf("%+v, %v", r, err)
	}
}

// TestTally: the counters give what the totals of all days add up to, on a day with runs
// and on one without.
func TestTally(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	if err := journaltest.Make(dir, 8); err != nil {
		t.Fatal(err)
	}
	db, err := journal.OpenReader(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	_, last, _, err := db.Extent(ctx, journal.Machines)
	if err != nil {
		t.Fatal(err)
	}
	for _, day := range []int{last, last + 1} {
		got, err := journal.ReadTally(ctx, db, journal.DayTime(day).Add(12*time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		ever, err := db.Totals(ctx, journal.Machines, "", journal.All, 0, last+1)
		if err != nil || len(ever) == 0 || len(got.Machines) != len(ever) || len(got.Items) == 0 {
			t.Fatalf("%v, %d of %d machines", err, len(got.Machines), len(ever))
		}
		today, err := db.Totals(ctx, journal.Machines, "", journal.Day, day, day)
		if err != nil || (len(today) > 0) != (day == last) {
			t.Fatal(today, err)
		}
		runs := map[string]int{}
		for _, x := range today {
			runs[x.Name] = x.Runs
		}
		for _, x := range ever {
			if c := got.Machines[x.Name]; c.Hours != x.Time.Hours() || c.Today != runs[x.Name] {
				t.Errorf("day %d: %s: %+v, want %v and %d", day, x.Name, c, x.Time.Hours(), runs[x.Name])
			}
		}
		all, err := db.Totals(ctx, journal.Collectors, "", journal.All, 0, last+1)
		if err != nil || len(all) != 1 || got.Collector.Hours != all[0].Time.Hours() {
			t.Errorf("collector %+v, %v, %v", got.Collector, all, err)
		}
	}
}
