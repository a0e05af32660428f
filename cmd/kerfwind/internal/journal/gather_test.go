package journal

import (
	"testing"
	"time"
)

func TestPeriods(t *testing.T) {
	day := func(text string) int {
		d, err := time.Parse(time.DateOnly, text)
		if err != nil {
			t.Fatal(err)
		}
		return int(d.Unix() / 86400)
	}
	for _, c := range []struct{ by, at, first, next string }{
		{"day", "2026-03-04", "2026-03-04", "2026-03-05"},
		{"week", "2026-03-04", "2026-03-02", "2026-03-09"},
		{"week", "2026-03-08", "2026-03-02", "2026-03-09"},
		{"week", "1969-12-31", "1969-12-29", "1970-01-05"},
		{"month", "2024-02-29", "2024-02-01", "2024-03-01"},
		{"month", "2026-12-31", "2026-12-01", "2027-01-01"},
	} {
		by, ok := ParsePeriod(c.by)
		if first, next := by.First(day(c.at)), by.Next(day(c.at)); !ok || first != day(c.first) || next != day(c.next) {
			t.Errorf("%s of %s: %v to %v", c.by, c.at, DayTime(first), DayTime(next))
		}
	}
}
