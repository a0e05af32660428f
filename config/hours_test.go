package config

import (
	"testing"
	"time"
)

func TestOpenAt(t *testing.T) {
	monday := time.Date(2026, 11, 23, 0, 0, 0, 0, time.UTC)
	week := [7]bool{time.Monday: true, time.Tuesday: true, time.Sunday: true}
	h := &Hours{Open: 7 * time.Hour, Close: 19*time.Hour + 30*time.Minute, Days: week}
	for at, want := range map[time.Duration]bool{
		7*time.Hour - time.Second: false, 7 * time.Hour: true, 19*time.Hour + 29*time.Minute + 59*time.Second: true, 19*time.Hour + 30*time.Minute: false,
		(24 + 8) * time.Hour: true, (48 + 8) * time.Hour: false, (6*24 + 8) * time.Hour: true,
	} {
		if got := (&Shop{Hours: h}).OpenAt(monday.Add(at)); got != want {
			t.Errorf("%v: open is %v", monday.Add(at), got)
		}
	}
	h.Open, h.Close = 0, 24*time.Hour
	if s := (&Shop{Hours: h}); !s.OpenAt(monday) || !s.OpenAt(monday.Add(24*time.Hour-1)) || s.OpenAt(monday.Add(-25*time.Hour)) {
		t.Error("a whole day is not open")
	}
	if !(&Shop{}).OpenAt(monday) {
		t.Error("without hours it is closed")
	}
	// The clock on the wall counts, also where it is put forward.
	if z, err := time.LoadLocation("Europe/Berlin"); err == nil {
		s := &Shop{Hours: &Hours{Open: 7 * time.Hour, Close: 8 * time.Hour, Days: week}}
		if at := time.Date(2026, 3, 29, 7, 30, 0, 0, z); !s.OpenAt(at) || s.OpenAt(at.Add(-time.Hour)) {
			t.Error("summer time is not taken in")
		}
	}
}

func TestTimeOfDay(t *testing.T) {
	for text, want := range map[string]time.Duration{"00:00": 0, "07:30": 450 * time.Minute, "23:59": 1439 * time.Minute, "24:00": 24 * time.Hour} {
		if got, ok := timeOfDay(text); !ok || got != want {
			t.Errorf("%s: %v, %v", text, got, ok)
		}
	}
	for _, text := range []string{"", "7:30", "24:01", "25:00", "12:60", "12", "12:00:00", "noon", "-1:00"} {
		if got, ok := timeOfDay(text); ok {
			t.Errorf("%q: %v", text, got)
		}
	}
}
