package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/feed"
	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// watchFlags are the flags of watch.
type watchFlags struct {
	lookFlags
	speed float64
	every string
	plain bool
}

func newWatch() *cobra.Command {
	var f watchFlags
	cmd := &cobra.Command{
		Use:   "watch --rig FILE [--shop FILE]",
		Short: "Show each current sensor: amperes, noise, levels, health, frequency",
		Long: `Watch shows what each channel of the rig reads: the current, the noise while
nothing runs, start and stop level, where the converter rests, and what is wrong
with a sensor and what to do about it. It moves nothing. On a terminal the view
is drawn anew in place; elsewhere it prints lines. While kerfwind runs, the
samples come from it.

With --trace it watches a recording instead of the rig.`,
		Example: `  kerfwind watch --rig rig.toml --shop shops/barn.toml
  kerfwind watch --rig rig.toml --trace tuesday.flac --speed 10`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, stop := untilEnded(cmd.Context())
			defer stop()
			return f.watch(ctx, cmd)
		},
	}
	f.add(cmd)
	f.addShop(cmd, "state folder whose learned levels are shown where the shop gives none (default: systemd's, else /var/lib/kerfwind; with --trace none)")
	fl := cmd.Flags()
	fl.Float64Var(&f.speed, "speed", 1, "seconds of a recording in a second, on a terminal")
	fl.StringVar(&f.every, "every", "1 s", "how often lines are printed where nothing can be redrawn")
	fl.BoolVar(&f.plain, "plain", false, "print lines, on a terminal too")
	return cmd
}

func (f *watchFlags) watch(ctx context.Context, cmd *cobra.Command) error {
	var errs []error
	every, err := duration("every", f.every)
	if err == nil && every < 100*time.Millisecond {
		err = fmt.Errorf("--every %q: at least 100 ms", f.every)
	}
	errs = append(errs, err)
	if f.speed <= 0 {
		errs = append(errs, fmt.Errorf("--speed %v: give more than 0, e.g. 10", f.speed))
	}
	if err := errors.Join(errs...); err != nil {
		return &exitError{exitUsage, err}
	}
	var learned *sensor.Learned
	if f.state != "" || len(f.trace) == 0 {
		if learned, err = learnedIn(stateFolder(f.state)); err != nil {
			return err
		}
	}
	trouble := ""
	tap, err := f.open(cmd, learned, func(err error) { trouble = err.Error() })
	if err != nil {
		return err
	}
	defer tap.Close()
	columns, _ := record.ColumnsOf(tap)
	g := live.NewGauges(live.SensorsOf(tap.Shop, tap.Channels), columns, tap.Unit == trace.Counts)
	sensors := func() *live.Sensors {
		for i := range tap.Sources {
			if g.Hertz, g.Measured = tap.Sources[i].Detector.Mains(); g.Measured {
				break
			}
		}
		return &g.Sensors
	}
	out := cmd.OutOrStdout()
	sink := feed.Sink{Frame: g.Frame, Reading: g.Reading}
	if file, ok := out.(*os.File); ok && !f.plain {
		if screen, ok := live.Terminal(file, os.Getenv); ok {
			o := live.Options{Title: "kerfwind watch: " + tap.Shop.Rig.Name, Sensors: sensors}
			if tap.Now == nil {
				o.Speed = f.speed
			}
			for i, c := range g.Channels {
				o.Channels = append(o.Channels, live.Channel{Label: c.Label, Machine: tap.Channels[i].Machine, Start: float32(c.Start)})
			}
			view := live.New(screen, o)
			sink.Reading = func(r sensor.Reading) { g.Reading(r); view.Reading(r) }
			sink.Each = func(now time.Duration) error { return view.Pace(ctx, now) }
			if err := view.Open(); err != nil {
				return err
			}
			defer func() { _ = view.Close() }() // again after the one below, or from a panic
			_, err := tap.Run(ctx, sink)
			if cerr := view.Close(); err == nil {
				err = cerr
			}
			if trouble != "" {
				fmt.Fprintln(cmd.ErrOrStderr(), "notice:", trouble)
			}
			return lookedEnough(err)
		}
	}
	w := bufio.NewWriter(out)
	next := every
	sink.Each = func(now time.Duration) error {
		if now < next {
			return nil
		}
		for next <= now {
			next += every
		}
		s := sensors()
		fmt.Fprintf(w, "%s  %s\n", timeline.Clock(now), s.Frequency())
		for i := range s.Channels {
			fmt.Fprintf(w, "    %s\n", s.Channels[i].Words())
		}
		if trouble != "" {
			fmt.Fprintf(w, "    notice: %s\n", trouble)
			trouble = ""
		}
		return w.Flush()
	}
	_, err = tap.Run(ctx, sink)
	return errors.Join(lookedEnough(err), w.Flush())
}
