package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"kerfwind/cmd/kerfwind/internal/feed"
	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// recordFlags are the flags of record.
type recordFlags struct {
	lookFlags
	limit, long, last string
	keep              int
}

// diskReserve is what a recording leaves free: the history and the state need
// room too.
const diskReserve = 64 << 20

func newRecord() *cobra.Command {
	var f recordFlags
	cmd := &cobra.Command{
		Use:   "record --rig FILE RECORDING",
		Short: "Record the currents of the rig, for replay",
		Long: `Record writes what the converters deliver as a WAV or FLAC file, one channel of
the file for one of the rig, raw counts: what "kerfwind replay" reads. With
several converters the scans are those of the fastest, with the newest sample of
the others in each. While kerfwind runs, the samples come from it.

It ends with Ctrl-C, after --for, or when a --limit is reached; with --keep it
goes on in a next file instead, and keeps that many of the newest. A file has
its name only once it is complete. When the disk is nearly full the recording
ends, whole, with exit code 1.

A running kerfwind keeps the last five minutes in memory, or as much as fits
4 MiB: two of 8 channels at 2 kHz. With --last they are written, and nothing
of the rig is touched.`,
		Example: `  kerfwind record --rig rig.toml tuesday.flac
  kerfwind record --rig rig.toml --limit "1 h" --keep 24 day.flac
  kerfwind record --rig rig.toml --for "90 s" planer.wav
  kerfwind record --last "2 min" false-start.flac`,
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

// limits reads --limit: a time or a size.
func limits(text string) (size int64, long time.Duration, err error) {
	if text == "" {
		return 0, 0, nil
	}
	units := map[string]float64{"MB": 1e6, "MiB": 1 << 20, "GB": 1e9, "GiB": 1 << 30, "kB": 1e3, "KiB": 1 << 10}
	number := strings.TrimRight(text, "KkMGiB ")
	if unit := strings.TrimSpace(strings.TrimPrefix(text, number)); units[unit] > 0 {
		n, err := strconv.ParseFloat(number, 64)
		if err != nil || !(n > 0 && n*units[unit] < 1<<50) {
			return 0, 0, fmt.Errorf(`--limit %q: write a size such as "100 MiB"`, text)
		}
		if size = int64(n * units[unit]); size < 64<<10 {
			return 0, 0, fmt.Errorf("--limit %q: at least 64 KiB", text)
		}
		return size, 0, nil
	}
	d, err := duration("limit", text)
	if err == nil && d < time.Second {
		err = fmt.Errorf("--limit %q: at least a second", text)
	}
	if err != nil {
		return 0, 0, fmt.Errorf(`%w, or a size such as "100 MiB"`, err)
	}
	return 0, d, nil
}

func (f *recordFlags) record(ctx context.Context, cmd *cobra.Command, path string) error {
	if f.last != "" {
		return f.recordLast(ctx, cmd, path)
	}
	o := record.Options{Path: path, Keep: f.keep, Free: freeOn, Reserve: diskReserve}
	var errs []error
	var err error
	o.Bytes, o.Time, err = limits(f.limit)
	errs = append(errs, err)
	var long time.Duration
	if f.long != "" {
		if long, err = duration("for", f.long); err == nil && long < time.Second {
			err = fmt.Errorf("--for %q: at least a second", f.long)
		}
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
	columns, rates := record.ColumnsOf(tap)
	o.Layout = trace.Layout{Sample: trace.Int16, Rate: math.Round(tap.Rate), Unit: tap.Unit}
	if tap.Unit == trace.Amperes {
		o.Layout.Sample = trace.Float32
	}
	for _, list := range columns {
		o.Layout.Channels += len(list)
	}
	rec, err := record.NewRecorder(o)
	if err != nil {
		return &exitError{exitUsage, err}
	}
	mix := record.NewMixer(columns, rates)
	bar := live.NewLine(cmd.ErrOrStderr())
	var failed error
	var begin, checked time.Duration
	begun := false
	_, err = tap.Run(ctx, feed.Sink{
		Frame: func(fr *sensor.Frame) {
			mix.Add(fr, func(m *sensor.Frame) {
				if !begun {
					begin, begun = m.At, true
				}
				if failed != nil {
					return
				}
				cut := *m
				if left := int(math.Ceil((long - (m.At - begin)).Seconds() * m.Rate)); long > 0 && left < m.Scans() {
					cut.Raw = m.Raw[:max(left, 0)*m.Channels]
				}
				if failed = rec.Add(&cut); failed == nil && len(cut.Raw) < len(m.Raw) {
					failed = feed.ErrStop
				}
			})
		},
		Each: func(now time.Duration) error {
			if failed == nil && now-checked >= time.Second {
				checked, failed = now, rec.Check()
			}
			bar.Show(func() string {
				return fmt.Sprintf("%s  %s  %d scans lost", timeline.Clock(now-begin), mib(rec.Size()), rec.Lost)
			})
			return failed
		},
	})
	bar.End()
	if errors.Is(err, record.ErrFull) {
		err = nil
	}
	if err = errors.Join(lookedEnough(err), rec.Close()); err != nil {
		err = fmt.Errorf("the recording ended: %w", err)
	}
	return recorded(cmd, rec, o.Layout.Rate, err)
}

// recordLast writes what the daemon has in memory.
func (f *recordFlags) recordLast(ctx context.Context, cmd *cobra.Command, path string) error {
	long, err := duration("last", f.last)
	if err == nil && long < time.Second {
		err = fmt.Errorf("--last %q: at least a second", f.last)
	}
	for _, name := range []string{"rig", "trace", "amps", "truncated", "limit", "keep", "for"} {
		if cmd.Flags().Changed(name) {
			err = errors.Join(err, fmt.Errorf("--%s does not go with --last, which writes what the running kerfwind has in memory", name))
		}
	}
	if err != nil {
		return &exitError{exitUsage, err}
	}
	o := record.Options{Path: path, Free: freeOn, Reserve: diskReserve,
		Layout: trace.Layout{Sample: trace.Int16, Unit: trace.Counts, Channels: 1, Rate: 1}}
	rec, err := record.NewRecorder(o) // the name first
	if err != nil {
		return &exitError{exitUsage, err}
	}
	fresh := true
	var kept time.Duration
	err = socket.Last(ctx, rig.Folder(f.runtime), long, func(fr *sensor.Frame) error {
		if fresh {
			o.Layout.Channels, o.Layout.Rate, fresh = fr.Channels, fr.Rate, false
			if rec, err = record.NewRecorder(o); err != nil {
				return err
			}
		}
		kept += trace.Instant(uint64(fr.Scans()), fr.Rate)
		return rec.Add(fr)
	})
	if errors.Is(err, socket.ErrNobody) {
		return &exitError{exitHardware, fmt.Errorf("--last is about the memory of a running kerfwind: %w", err)}
	}
	if err = errors.Join(err, rec.Close()); err != nil {
		err = fmt.Errorf("the recording ended: %w", err)
	}
	if err := recorded(cmd, rec, o.Layout.Rate, err); err != nil {
		return err
	}
	if kept < long-time.Second {
		fmt.Fprintf(cmd.ErrOrStderr(), "notice: no more than the last %s was in memory\n", config.FormatDuration(kept.Round(time.Second)))
	}
	return nil
}

// recorded says what a recording holds. err is how it ended.
func recorded(cmd *cobra.Command, rec *record.Recorder, rate float64, err error) error {
	path := ""
	files := rec.Files()
	switch {
	case len(files) == 1:
		path = files[0]
	case len(files) > 1:
		path = fmt.Sprintf("%s to %s", files[0], files[len(files)-1])
	default:
		return errors.Join(err, errors.New("nothing was recorded"))
	}
	held := trace.Instant(rec.Scans, rate).Round(time.Millisecond)
	fmt.Fprintf(cmd.OutOrStdout(), "%s: %s recorded, %s, %d scans lost\n", path, config.FormatDuration(held), mib(rec.Bytes), rec.Lost)
	return err
}

func mib(n int64) string { return fmt.Sprintf("%.1f MiB", float64(n)/(1<<20)) }

// freeOn is the free space for others than root on the disk of a folder.
func freeOn(folder string) (int64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(folder, &st); err != nil {
		return 0, err
	}
	return int64(st.Bavail) * int64(st.Bsize), nil //nolint:unconvert // 32 bits on small boards
}
