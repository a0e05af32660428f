package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/state"
)

// defaultState is the daemon's state directory.
const defaultState = "/var/lib/kerfwind"

func stateFlag(cmd *cobra.Command, dir *string) {
	cmd.PersistentFlags().StringVar(dir, "state", defaultState, "state directory")
}

// historyFlags holds the flags of history.
type historyFlags struct {
	state, by, from, to, machine string
	runs, changes, json, csv     bool
	svg                          string
	force                        bool
	limit                        int
	before                       int64
}

func newHistory() *cobra.Command {
	var f historyFlags
	cmd := &cobra.Command{
		Use:   "history",
		Short: "Hours, starts and longest run of each machine; list of runs",
		Args:  cobra.NoArgs,
		RunE:  func(cmd *cobra.Command, _ []string) error { return history(cmd.Context(), cmd.OutOrStdout(), &f) },
	}
	stateFlag(cmd, &f.state)
	fl := cmd.Flags()
	fl.StringVar(&f.by, "by", "week", "day, week, month or all")
	fl.StringVar(&f.from, "from", "", "first day, as 2026-03-02")
	fl.StringVar(&f.to, "to", "", "last day")
	fl.StringVar(&f.machine, "machine", "", "this machine only")
	fl.BoolVar(&f.runs, "runs", false, "list single runs")
	fl.BoolVar(&f.changes, "changes", false, "list what was changed on the page")
	fl.IntVar(&f.limit, "limit", 50, "with --runs or --changes: how many, at most 10000")
	fl.Int64Var(&f.before, "before", 0, "with --runs: those before this number")
	fl.BoolVar(&f.json, "json", false, "print JSON")
	fl.BoolVar(&f.csv, "csv", false, "print CSV")
	fl.StringVar(&f.svg, "svg", "", `draw the hours into this file, "-" for standard output`)
	fl.BoolVar(&f.force, "force", false, "with --svg: replace the file")
	cmd.MarkFlagsMutuallyExclusive("json", "csv", "svg")
	cmd.MarkFlagsMutuallyExclusive("runs", "svg", "changes")
	for _, other := range []string{"csv", "by", "machine", "before"} {
		cmd.MarkFlagsMutuallyExclusive("changes", other)
	}
	return cmd
}

// days reads --from and --to.
func (f *historyFlags) days() (from, to int, err error) {
	from, to = -1<<31, 1<<31-1
	for _, d := range []struct {
		flag, text string
		day        *int
	}{{"--from", f.from, &from}, {"--to", f.to, &to}} {
		if d.text == "" {
			continue
		}
		if *d.day, err = journal.ParseDay(d.text); err != nil {
			return 0, 0, fmt.Errorf("%s: %w", d.flag, err)
		}
	}
	if from > to {
		return 0, 0, fmt.Errorf("--from %s is after --to %s", f.from, f.to)
	}
	return from, to, nil
}

func history(ctx context.Context, w io.Writer, f *historyFlags) error {
	by, ok := journal.ParsePeriod(f.by)
	if !ok {
		return &exitError{exitUsage, fmt.Errorf("--by is day, week, month or all, not %q", f.by)}
	}
	from, to, err := f.days()
	if err != nil {
		return &exitError{exitUsage, err}
	}
	if f.limit < 1 || f.limit > 10_000 {
		return &exitError{exitUsage, fmt.Errorf("--limit is 1 to 10000, not %d", f.limit)}
	}
	if f.changes {
		return historyChanges(w, f, from, to)
	}
	db, err := journal.OpenReader(ctx, f.state)
	if err != nil {
		return err
	}
	var runs journal.Runs
	var totals *journal.Report
	if f.runs {
		runs, err = journal.ReadRuns(ctx, db, journal.RunsOf{Machine: f.machine, From: from, To: to, Before: f.before, Limit: f.limit})
	} else {
		totals, err = journal.Gather(ctx, db, journal.ReportOf{By: by, Machine: f.machine, From: from, To: to, Recent: f.from == ""})
	}
	if err = errors.Join(err, db.Close()); err != nil {
		return err
	}
	var view interface {
		WriteJSON(io.Writer) error
		WriteCSV(io.Writer) error
		WriteTable(io.Writer) error
	} = totals
	if f.runs {
		view = &runs
	} else if totals == nil {
		_, err := fmt.Fprintln(w, "nothing has run yet")
		return err
	}
	switch {
	case f.json:
		return view.WriteJSON(w)
	case f.csv:
		return view.WriteCSV(w)
	case f.svg != "":
		return state.WriteFile(f.svg, f.force, totals.WriteSVG)
	}
	return view.WriteTable(w)
}

// historyChanges lists what was changed on the page.
func historyChanges(w io.Writer, f *historyFlags, from, to int) error {
	log := panel.Log{Path: filepath.Join(f.state, panel.AuditFile)}
	return log.Print(w, f.limit, func(r panel.Row) bool {
		day, err := journal.ParseDay(r.At.Local().Format(time.DateOnly))
		return err == nil && day >= from && day <= to
	}, f.json)
}
