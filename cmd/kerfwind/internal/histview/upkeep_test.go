package histview

import (
	"errors"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/journal/journaltest"
	"kerfwind/cmd/kerfwind/internal/upkeep"
)

func TestParseEvery(t *testing.T) {
	tests := []struct {
		text  string
		moves bool
		want  int64
		err   string
	}{
		{"40 h", false, 40 * 3600 * 1000, ""},
		{"never", false, 0, ""},
		{"never", true, 0, ""},
		{"20000 moves", true, 20000, ""},
		{"500", true, 500, ""},
		{"40", false, 0, "unit"},
		{"40 s", false, 0, "between 1 h"},
		{"-3", true, 0, "number of openings"},
		{"40 h", true, 0, "number of openings"},
	}
	for _, tt := range tests {
		got, err := ParseEvery(tt.text, tt.moves)
		if got != tt.want || (err == nil) != (tt.err == "") || err != nil && !strings.Contains(err.Error(), tt.err) {
			t.Errorf("%q: %d %v", tt.text, got, err)
		}
	}
}

func FuzzParseDay(f *testing.F) {
	for _, s := range []string{"2026-03-02", "1969-12-31", "2026-02-30", "", "0000-01-01", "9999-12-31"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		day, err := ParseDay(text)
		if err != nil {
			return
		}
		if got := journal.DayTime(day).Format(time.DateOnly); got != text {
			t.Fatalf("%q is day %d, which is %s", text, day, got)
		}
	})
}

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
	if _, err := SetEvery(ctx, db, "filter", "", "soon"); !errors.As(err, new(*BadInterval)) {
		t.Error(err)
	}
	if _, err := SetEvery(ctx, db, "knives", "", "25 h"); !errors.Is(err, journal.ErrItem) {
		t.Error(err)
	}
	for item, text := range map[string]string{"filter": "10 h", "gate saw": "never", "gate planer": "20000 moves"} {
		if never, err := SetEvery(ctx, db, item, "", text); err != nil || never != (text == "never") {
			t.Errorf("%s: %v, %v", item, never, err)
		}
	}
	now := time.Date(2026, 3, 27, 18, 0, 0, 0, time.UTC)
	s, err := ReadUpkeep(ctx, db, now)
	if err != nil || !s.Known || s.Budget != 6 || s.Most == 0 {
		t.Fatalf("%+v, %v", s, err)
	}
	var text, data strings.Builder
	if err := errors.Join(s.WriteText(&text), s.WriteJSON(&data)); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"DUE", "of 6; at most", "% of its first current", "in about"} {
		if !strings.Contains(text.String(), want) {
			t.Errorf("%q is missing in\n%s", want, text.String())
		}
	}
	for _, want := range []string{`"due": true`, `"budget": 6`, `"weeks": 8`, `"due_in_days"`} {
		if !strings.Contains(data.String(), want) {
			t.Errorf("%s is missing in\n%s", want, data.String())
		}
	}
	if s := trendWords(&upkeep.Trend{}, false); !strings.Contains(s, "no figures") {
		t.Error(s)
	}
	if s := trendWords(&upkeep.Trend{Weak: 0}, true); !strings.Contains(s, "blockage") {
		t.Error(s)
	}
	if s := dueWords(&upkeep.Item{Name: "bin"}); !strings.Contains(s, "not learned yet") {
		t.Error(s)
	}
	if s := dueWords(&upkeep.Item{Name: "bin", Full: true, Since: now}); !strings.Contains(s, "FULL") || !strings.Contains(s, "about 2026-03-27") {
		t.Error(s)
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
		by, ok := ParsePeriod(name)
		r, err := Gather(ctx, db, Of{By: by, From: -1 << 31, To: 1<<31 - 1, Recent: name != "all"})
		if !ok || err != nil || len(r.Groups) != 2 || date(r.From) != first || date(r.To) != "2026-04-10" {
			t.Errorf("%s: %v from %s to %s: %v", name, ok, date(r.From), date(r.To), err)
		}
	}
	if r, err := Gather(ctx, db, Of{By: journal.Week, Machine: "band saw", To: 1<<31 - 1}); err != nil || len(r.Groups) != 1 {
		t.Errorf("%+v, %v", r, err)
	}
	if _, ok := ParsePeriod("year"); ok {
		t.Error("a period that there is none")
	}
	r, err := ReadRuns(ctx, db, journal.RunsOf{From: -1 << 31, To: 1<<31 - 1, Limit: 5})
	if err != nil || len(r.List) != 5 || !r.More {
		t.Errorf("%+v, %v", r, err)
	}
}
