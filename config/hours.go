package config

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// rawHours is when somebody works in the shop.
type rawHours struct {
	at
	Open  string   `toml:"open" need:"1" eg:"\"07:00\""`
	Close string   `toml:"close" need:"1" eg:"\"19:00\""`
	Days  []string `toml:"days"` // nil: every day
}

// Hours is when the shop is open. Outside of them no gate is homed and none
// moved for a test, and a machine that runs is served and reported at once.
type Hours struct {
	Open, Close time.Duration // of the day, by the clock on the wall: 0 to 24 h
	Days        [7]bool       // by time.Weekday
}

// weekday is the key's word for a day.
func weekday(d time.Weekday) string { return strings.ToLower(d.String()) }

// hours checks the table "hours".
func (b *builder) hours() {
	raw := b.raw.Hours
	if raw == nil {
		return
	}
	h := &Hours{}
	bad := false
	clock := func(key, text string, into *time.Duration) {
		if text == "" {
			bad = true // reported already
			return
		}
		var ok bool
		if *into, ok = timeOfDay(text); !ok {
			bad = true
			b.add(raw.key(key), fmt.Sprintf("hours: %s is no time of day: %q", key, text), `write hours and minutes, from "00:00" to "24:00"`)
		}
	}
	clock("open", raw.Open, &h.Open)
	clock("close", raw.Close, &h.Close)
	if !bad && h.Open >= h.Close {
		b.add(raw.key("close"), fmt.Sprintf("hours: the shop closes at %s, before it opens at %s", raw.Close, raw.Open), `write a later time; "24:00" is the end of the day`)
	}
	var days []string
	for d := time.Sunday; d <= time.Saturday; d++ {
		days = append(days, weekday(d))
		h.Days[d] = raw.Days == nil
	}
	if raw.Days == nil {
		b.defaulted(raw.key("days"), "every day")
	} else if len(raw.Days) == 0 {
		b.add(raw.key("days"), "hours: the shop is open on no day", "name the days, or take days out")
	}
	for i, name := range raw.Days {
		d := slices.Index(days, name)
		switch {
		case d < 0:
			b.add(raw.item("days", i), fmt.Sprintf("hours: there is no day %q", name), `write "monday", "tuesday" and so on`)
		case h.Days[d]:
			b.add(raw.item("days", i), fmt.Sprintf("hours: %s is named twice", name), "take one out")
		default:
			h.Days[d] = true
		}
	}
	b.s.Hours = h
}

// timeOfDay reads "HH:MM".
func timeOfDay(text string) (time.Duration, bool) {
	if text == "24:00" {
		return 24 * time.Hour, true
	}
	t, err := time.Parse("15:04", text)
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute, err == nil && len(text) == len("15:04")
}

// OpenAt reports whether the shop is open at a time, by the clock of its
// location. Without hours it always is.
func (s *Shop) OpenAt(t time.Time) bool {
	h := s.Hours
	if h == nil {
		return true
	}
	of := time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute + time.Duration(t.Second())*time.Second
	return h.Days[t.Weekday()] && of >= h.Open && of < h.Close
}

// describeHours says when the shop is open.
func (s *Shop) describeHours(p *page) {
	h := s.Hours
	if h == nil {
		return
	}
	var days []string
	for i := range 7 {
		if d := time.Weekday((i + 1) % 7); h.Days[d] { // from Monday on
			days = append(days, weekday(d))
		}
	}
	on := "every day"
	if len(days) < 7 {
		on = list(days)
	}
	at := func(d time.Duration) string { return fmt.Sprintf("%02d:%02d", int(d.Hours()), int(d.Minutes())%60) }
	p.line(0, "Hours")
	p.line(1, "open from %s to %s, %s; at other times no gate is homed or tried, and a machine that runs is served and reported at once", at(h.Open), at(h.Close), on)
}
