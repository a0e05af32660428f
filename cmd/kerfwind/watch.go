package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/sensor"
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
		Args:  cobra.NoArgs,
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
	w := record.Watch{Every: every, Speed: f.speed, Plain: f.plain}
	if w.Tap, err = f.open(cmd, learned, w.Notice); err != nil {
		return err
	}
	defer w.Tap.Close()
	return w.Show(ctx, cmd.OutOrStdout(), cmd.ErrOrStderr())
}
