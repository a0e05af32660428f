package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/config"
)

// Upkeep holds what wears and fills, and what is due.
type Upkeep struct {
	Items      []upkeep.Item
	Hour, Most int // starts of the collector in the last hour; the most in any hour of the last 30 days
	Budget     int // starts an hour; 0 none
	Trend      upkeep.Trend
	Known      bool            // the trend is
	Cause      *upkeep.Finding // what is likeliest behind it; nil: it cannot be told
}

// ReadUpkeep reads it from the history.
func ReadUpkeep(ctx context.Context, db *DB, now time.Time) (s Upkeep, err error) {
	_, last, _, err := db.Extent(ctx, Machines)
	if err != nil {
		return s, err
	}
	if s.Items, err = db.Upkeep(ctx, last); err != nil {
		return s, err
	}
	session, err := db.Latest(ctx)
	if err != nil {
		return s, err
	}
	s.Budget = session.Budget
	if s.Hour, s.Most, err = db.Starts(ctx, now, 30); err != nil {
		return s, err
	}
	draws, err := db.Draws(ctx, session.Shop)
	if err != nil {
		return s, err
	}
	s.Trend, s.Known = upkeep.TrendOf(draws)
	if f, ok := upkeep.CauseOf(draws, namesOf); ok {
		s.Cause = &f
		if f.Cause != upkeep.Loading { // a step foretells nothing
			s.Trend.Weak = min(s.Trend.Weak, 0)
		}
	}
	return s, nil
}

// WriteText writes it for people.
func (s *Upkeep) WriteText(w io.Writer) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "item\tused\tdue after\t")
	for i := range s.Items {
		it := &s.Items[i]
		every := "-"
		if it.Every > 0 {
			every = it.Unit.Amount(it.Every)
		}
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\n", it.Name, it.Unit.Amount(it.Used), every, dueWords(it))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	budget := "no budget"
	if s.Budget > 0 {
		budget = fmt.Sprintf("of %d", s.Budget)
	}
	fmt.Fprintf(w, "collector: %d starts in the last hour, %s; at most %d in any hour of the last 30 days\n", s.Hour, budget, s.Most)
	_, err := fmt.Fprintln(w, trendWords(&s.Trend, s.Known))
	if s.Cause != nil && err == nil {
		_, err = fmt.Fprintln(w, s.Cause.Words(dateOf))
	}
	return err
}

// dateOf writes a day that is counted since 1970-01-01.
func dateOf(day int) string { return time.Unix(int64(day)*86400, 0).UTC().Format(time.DateOnly) }

// namesOf are the gates of a set.
func namesOf(set string) (names []string) {
	if json.Unmarshal([]byte(set), &names) != nil {
		names = []string{set}
	}
	return names
}

// dueWords says what is to be done about an item, and when.
func dueWords(it *upkeep.Item) string {
	var parts []string
	switch days, ok := it.Days(); {
	case it.Full:
		parts = append(parts, "FULL: empty it")
	case it.Due():
		parts = append(parts, "DUE")
	case it.Name == "bin" && it.Every <= 0:
		parts = append(parts, `size not learned yet: type "kerfwind upkeep reset bin" at each emptying`)
	case it.Every > 0:
		text := fmt.Sprintf("%.0f %%", 100*it.Part())
		if ok {
			text += fmt.Sprintf(", due in about %.0f days", math.Ceil(days))
		}
		parts = append(parts, text)
	}
	if !it.Since.IsZero() {
		sure := ""
		if !it.Sure {
			sure = "about "
		}
		parts = append(parts, "reset "+sure+it.Since.Local().Format(time.DateOnly))
	}
	return strings.Join(parts, "; ")
}

// trendWords returns what the collector's own current says of the air.
func trendWords(t *upkeep.Trend, known bool) string {
	if !known {
		return "air: no figures of the collector's own current for two weeks yet"
	}
	s := fmt.Sprintf("air: the collector draws %.0f %% of its first current, %+.1f %% a week over %d weeks", 100*t.Now, 100*t.Slope, t.Weeks)
	switch {
	case t.Weak == 0:
		s += "; weak: look for a blockage, a full filter or a stuck gate"
	case t.Weak > 0:
		s += fmt.Sprintf("; weak in about %d weeks: look at the filter", t.Weak)
	}
	return s
}

// WriteJSON writes it as one JSON object, format 1.
func (s *Upkeep) WriteJSON(w io.Writer) error {
	type item struct {
		Name  string   `json:"name"`
		Of    string   `json:"of,omitempty"`
		Unit  string   `json:"unit"`
		Used  float64  `json:"used"`
		Every *float64 `json:"every"`
		Days  *float64 `json:"due_in_days"`
		Due   bool     `json:"due"`
		Since string   `json:"since,omitempty"`
		Sure  bool     `json:"since_is_sure"`
	}
	type air struct {
		Weeks int     `json:"weeks"`
		Now   float64 `json:"part_of_learned"`
		Slope float64 `json:"slope_a_week"`
		Weak  *int    `json:"weak_in_weeks"`
		Cause string  `json:"cause,omitempty"`
	}
	out := struct {
		Format int    `json:"format"`
		Items  []item `json:"items"`
		Starts struct {
			Hour   int  `json:"last_hour"`
			Most   int  `json:"most_in_an_hour"`
			Budget *int `json:"budget"`
		} `json:"starts"`
		Air *air `json:"air"`
	}{Format: 1, Items: []item{}}
	for i := range s.Items {
		it := &s.Items[i]
		x := item{Name: it.Name, Of: it.Of, Unit: it.Unit.String(), Used: it.Used, Due: it.Due(), Sure: it.Sure}
		if it.Every > 0 {
			x.Every = &it.Every
		}
		if days, ok := it.Days(); ok {
			x.Days = &days
		}
		if !it.Since.IsZero() {
			x.Since = it.Since.UTC().Format(time.RFC3339)
		}
		out.Items = append(out.Items, x)
	}
	out.Starts.Hour, out.Starts.Most = s.Hour, s.Most
	if s.Budget > 0 {
		out.Starts.Budget = &s.Budget
	}
	if s.Known {
		out.Air = &air{Weeks: s.Trend.Weeks, Now: s.Trend.Now, Slope: s.Trend.Slope}
		if s.Trend.Weak >= 0 {
			out.Air.Weak = &s.Trend.Weak
		}
		if s.Cause != nil {
			out.Air.Cause = s.Cause.Words(dateOf)
		}
	}
	return writeJSON(w, out)
}

// ParseEvery reads an interval: a length of time in milliseconds, or openings.
func ParseEvery(text string, moves bool) (int64, error) {
	if text == "never" {
		return 0, nil
	}
	if moves {
		n, err := strconv.ParseInt(strings.TrimSpace(strings.TrimSuffix(text, "moves")), 10, 64)
		if err != nil || n <= 0 || n > 1e9 {
			return 0, fmt.Errorf("%q: write a number of openings, as in \"20000 moves\", or never", text)
		}
		return n, nil
	}
	d, err := config.ParseDuration(text)
	if err != nil {
		return 0, err
	}
	if d < time.Hour || d > 100_000*time.Hour {
		return 0, fmt.Errorf("%q: write between 1 h and 100000 h, or never", text)
	}
	return d.Milliseconds(), nil
}

// SetEvery sets after how much an item is due, in words as in "40 h". machine names
// the machine whose hours a new item counts. The error is a *BadInterval where text
// is none.
func SetEvery(ctx context.Context, db *DB, item, machine, text string) (never bool, err error) {
	moves, err := db.Counts(ctx, item)
	if err != nil {
		return false, err
	}
	every, err := ParseEvery(text, moves)
	if err != nil {
		return false, &BadInterval{err}
	}
	return every == 0, db.Every(ctx, item, machine, every)
}

// BadInterval says what is wrong with the text of an interval.
type BadInterval struct{ error }
