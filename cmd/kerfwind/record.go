package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
	"kerfwind/sensor/trace"
)

// recordFlags are the flags of record.
type recordFlags struct {
	lookFlags
	limit, long, last string
	keep              int
}

func newRecord() *cobra.Command {
	var f recordFlags
	cmd := &cobra.Command{
		Use:   "record --rig FILE RECORDING",
		Short: "Record the currents of the rig, for replay",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return &exitError{exitUsage, errors.New("record needs one file to write, NAME.flac or NAME.wav")}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx, stop := untilEnded(cmd.Context())
			defer stop()
			return f.record(ctx, cmd, args[0])
		},
	}
	f.add(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.limit, "limit", "", `the most that one file may hold: a time or a size, e.g. "1 h" or "100 MiB"`)
	fl.IntVar(&f.keep, "keep", 0, "at the limit go on in a next file, and keep this many of the newest")
	fl.StringVar(&f.long, "for", "", `end after this time, e.g. "10 min"`)
	fl.StringVar(&f.last, "last", "", `write what the running kerfwind has in memory of the last while, e.g. "2 min"`)
	return cmd
}

// atLeastASecond reads a flag that is a time.
func atLeastASecond(flag, text string) (time.Duration, error) {
	d, err := duration(flag, text)
	if err == nil && d < time.Second {
		err = fmt.Errorf("--%s %q: at least a second", flag, text)
	}
	return d, err
}

// limits reads --limit: a time or a size.
func limits(text string) (size int64, long time.Duration, err error) {
	if text == "" {
		return 0, 0, nil
	}
	size, ok, err := record.ParseSize(text)
	if err != nil {
		return 0, 0, fmt.Errorf("--limit %q: %w", text, err)
	}
	if ok {
		return size, 0, nil
	}
	if long, err = atLeastASecond("limit", text); err != nil {
		return 0, 0, fmt.Errorf(`%w, or a size such as "100 MiB"`, err)
	}
	return 0, long, nil
}

func (f *recordFlags) record(ctx context.Context, cmd *cobra.Command, path string) error {
	o := record.Options{Path: path, Keep: f.keep, Free: record.FreeOn, Reserve: record.DiskReserve}
	if f.last != "" {
		return f.recordLast(ctx, cmd, o)
	}
	var errs []error
	var err error
	o.Bytes, o.Time, err = limits(f.limit)
	errs = append(errs, err)
	var long time.Duration
	if f.long != "" {
		long, err = atLeastASecond("for", f.long)
		errs = append(errs, err)
	}
	switch {
	case f.keep < 0 || f.keep > 9999:
		errs = append(errs, fmt.Errorf("--keep %d: from 1 to 9999", f.keep))
	case f.keep > 0 && f.limit == "":
		errs = append(errs, errors.New("--keep says how many files to keep: say when a next one begins with --limit"))
	}
	if err := errors.Join(errs...); err != nil {
		return &exitError{exitUsage, err}
	}
	tap, err := f.open(cmd, nil, noticeTo(cmd.ErrOrStderr()))
	if err != nil {
		return err
	}
	defer tap.Close()
	o.Layout = record.LayoutOf(tap)
	rec, err := record.NewRecorder(o)
	if err != nil {
		return &exitError{exitUsage, err}
	}
	return recorded(cmd, rec, rec.Follow(ctx, tap, long, live.NewLine(cmd.ErrOrStderr())))
}

// recordLast writes what the daemon has in memory.
func (f *recordFlags) recordLast(ctx context.Context, cmd *cobra.Command, o record.Options) error {
	long, err := atLeastASecond("last", f.last)
	for _, name := range []string{"rig", "trace", "amps", "truncated", "limit", "keep", "for"} {
		if cmd.Flags().Changed(name) {
			err = errors.Join(err, fmt.Errorf("--%s does not go with --last, which writes what the running kerfwind has in memory", name))
		}
	}
	if err != nil {
		return &exitError{exitUsage, err}
	}
	o.Layout = trace.Layout{Sample: trace.Int16, Unit: trace.Counts}
	rec, err := record.NewRecorder(o)
	if err != nil {
		return &exitError{exitUsage, err}
	}
	kept, err := rec.Last(ctx, rig.Folder(f.runtime), long)
	if errors.Is(err, socket.ErrNobody) {
		return &exitError{exitHardware, fmt.Errorf("--last is about the memory of a running kerfwind: %w", err)}
	}
	if err := recorded(cmd, rec, err); err != nil {
		return err
	}
	if kept < long-time.Second {
		fmt.Fprintf(cmd.ErrOrStderr(), "notice: no more than the last %s was in memory\n", config.FormatDuration(kept.Round(time.Second)))
	}
	return nil
}

// recorded says what a recording holds. err is how it ended.
func recorded(cmd *cobra.Command, rec *record.Recorder, err error) error {
	text, none := rec.Summary()
	if none != nil {
		return errors.Join(err, none)
	}
	fmt.Fprintln(cmd.OutOrStdout(), text)
	return err
}
