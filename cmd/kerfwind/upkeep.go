package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/config"
)

func newUpkeep() *cobra.Command {
	var state, machine string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "upkeep",
		Short: "Bin, filter, gates and knives: what is due, what was seen to",
		Long: `Upkeep tells how full the bin is, how long the filter has worked, how often the
gates have moved, how many starts the collector has made, and what is due. It
learns from the emptyings how many machine hours fill the bin.

"reset" says that somebody has seen to an item; "undo" takes that back. Nothing
is deleted. "every" sets after how much an item is due, or adds one that counts
the hours of a machine: knives, a belt, a drum's paper.`,
		Example: `  kerfwind upkeep
  kerfwind upkeep reset bin
  kerfwind upkeep undo
  kerfwind upkeep every filter "40 h"
  kerfwind upkeep every "planer knives" "25 h" --machine planer`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return showUpkeep(cmd.OutOrStdout(), state, asJSON, time.Now())
		},
	}
	stateFlag(cmd, &state)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	every := &cobra.Command{
		Use: "every ITEM HOURS", Short: `Set after how much an item is due: "40 h", "20000 moves" or never`, Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			return upkeepEvery(cmd.OutOrStdout(), state, args[0], args[1], machine)
		},
	}
	every.Flags().StringVar(&machine, "machine", "", "for a new item: the machine whose hours it counts")
	cmd.AddCommand(every,
		&cobra.Command{
			Use: "reset ITEM", Short: "Say that somebody has seen to an item", Args: cobra.ExactArgs(1),
			RunE: func(cmd *cobra.Command, args []string) error {
				return changeUpkeep(state, func(ctx context.Context, db *journal.DB, now journal.Stamp) error {
					if err := db.Reset(ctx, args[0], "owner", now, time.Local); err != nil {
						return err
					}
					_, err := fmt.Fprintf(cmd.OutOrStdout(), "%s: begins anew; \"kerfwind upkeep undo\" takes it back\n", args[0])
					return err
				})
			},
		},
		&cobra.Command{
			Use: "undo [ITEM]", Short: "Take back the last reset", Args: cobra.MaximumNArgs(1),
			RunE: func(cmd *cobra.Command, args []string) error {
				return changeUpkeep(state, func(ctx context.Context, db *journal.DB, now journal.Stamp) error {
					r, err := db.Undo(ctx, strings.Join(args, ""), "owner", now, time.Local)
					if err != nil {
						return err
					}
					_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: its reset of %s is taken back\n", r.Item, r.Wall.Local().Format(time.DateTime))
					return err
				})
			},
		})
	return cmd
}

// changeUpkeep opens the history beside the daemon for one change.
func changeUpkeep(state string, change func(context.Context, *journal.DB, journal.Stamp) error) error {
	clock, err := newBootClock("/")
	if err != nil {
		return err
	}
	ctx := context.Background()
	db, err := journal.OpenGuest(ctx, state)
	if err != nil {
		return err
	}
	return errors.Join(change(ctx, db, clock.stamp()), db.Close())
}

// parseEvery reads an interval: a length of time in milliseconds, or openings.
func parseEvery(text string, moves bool) (int64, error) {
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

func upkeepEvery(w io.Writer, state, item, text, machine string) error {
	return changeUpkeep(state, func(ctx context.Context, db *journal.DB, _ journal.Stamp) error {
		moves, err := db.Counts(ctx, item)
		if err != nil {
			return err
		}
		every, err := parseEvery(text, moves)
		if err != nil {
			return &exitError{exitUsage, err}
		}
		if err := db.Every(ctx, item, machine, every); err != nil {
			return err
		}
		if every == 0 {
			_, err = fmt.Fprintf(w, "%s: no more word of it\n", item)
		} else {
			_, err = fmt.Fprintf(w, "%s: due every %s\n", item, text)
		}
		return err
	})
}

// upkeepState is all that upkeep shows.
type upkeepState struct {
	items      []upkeep.Item
	session    journal.Session
	hour, most int
	trend      upkeep.Trend
	known      bool // the trend
}

func showUpkeep(w io.Writer, state string, asJSON bool, now time.Time) error {
	ctx := context.Background()
	db, err := journal.OpenReader(ctx, state)
	if err != nil {
		return err
	}
	s, err := readUpkeep(ctx, db, now)
	if err = errors.Join(err, db.Close()); err != nil {
		return err
	}
	if asJSON {
		return s.writeJSON(w)
	}
	return s.writeText(w)
}

func readUpkeep(ctx context.Context, db *journal.DB, now time.Time) (s upkeepState, err error) {
	_, last, _, err := db.Extent(ctx, journal.Machines)
	if err != nil {
		return s, err
	}
	if s.items, err = db.Upkeep(ctx, last); err != nil {
		return s, err
	}
	if s.session, err = db.Latest(ctx); err != nil {
		return s, err
	}
	if s.hour, s.most, err = db.Starts(ctx, now, 30); err != nil {
		return s, err
	}
	draws, err := db.Draws(ctx, s.session.Shop)
	if err != nil {
		return s, err
	}
	s.trend, s.known = upkeep.TrendOf(draws)
	return s, nil
}

func (s *upkeepState) writeText(w io.Writer) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "item\tused\tdue after\t")
	for i := range s.items {
		it := &s.items[i]
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
	if s.session.Budget > 0 {
		budget = fmt.Sprintf("of %d", s.session.Budget)
	}
	fmt.Fprintf(w, "collector: %d starts in the last hour, %s; at most %d in any hour of the last 30 days\n", s.hour, budget, s.most)
	_, err := fmt.Fprintln(w, trendWords(&s.trend, s.known))
	return err
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
		parts = append(parts, `size not learned yet: say "kerfwind upkeep reset bin" at each emptying`)
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
		parts = append(parts, "seen to "+sure+it.Since.Local().Format(time.DateOnly))
	}
	return strings.Join(parts, "; ")
}

// trendWords is what the collector's own current says of the air.
func trendWords(t *upkeep.Trend, known bool) string {
	if !known {
		return "air: the collector's own current is not known for two weeks yet"
	}
	s := fmt.Sprintf("air: the collector draws %.0f %% of what it drew at first, %+.1f %% a week over %d weeks", 100*t.Now, 100*t.Slope, t.Weeks)
	switch {
	case t.Weak == 0:
		s += "; weak: a blockage, a full filter or a stuck gate"
	case t.Weak > 0:
		s += fmt.Sprintf("; weak in about %d weeks: look at the filter", t.Weak)
	}
	return s
}

func (s *upkeepState) writeJSON(w io.Writer) error {
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
	for i := range s.items {
		it := &s.items[i]
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
	out.Starts.Hour, out.Starts.Most = s.hour, s.most
	if s.session.Budget > 0 {
		out.Starts.Budget = &s.session.Budget
	}
	if s.known {
		out.Air = &air{Weeks: s.trend.Weeks, Now: s.trend.Now, Slope: s.trend.Slope}
		if s.trend.Weak >= 0 {
			out.Air.Weak = &s.trend.Weak
		}
	}
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(out)
}
