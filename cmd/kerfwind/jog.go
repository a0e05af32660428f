package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
)

// jogFlags are the flags of jog.
type jogFlags struct {
	hardwareFlags
	by   string
	hold string
	yes  bool
}

func newJog() *cobra.Command {
	var f jogFlags
	cmd := &cobra.Command{
		Use:   "jog [flags] GATE|collector",
		Short: "Move one gate, or run the collector, by hand",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return &exitError{exitUsage, errors.New("jog moves one thing: name a gate, or write collector")}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			outliveReaders()
			ctx, stop := untilEnded(cmd.Context())
			defer stop()
			return f.run(ctx, cmd, args[0])
		},
	}
	f.add(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.by, "by", "", "gate whose path the collector draws through (default: the first that makes one)")
	fl.StringVar(&f.hold, "for", "5 s", `how long, e.g. "10 s"`)
	fl.BoolVar(&f.yes, "yes", false, "do not ask: hands and tools are clear of gate and machines")
	return cmd
}

func (f *jogFlags) run(ctx context.Context, cmd *cobra.Command, name string) error {
	s, err := f.load()
	if err != nil {
		return err
	}
	long, err := config.ParseDuration(f.hold)
	if err != nil {
		return &exitError{exitUsage, fmt.Errorf("--for %q: %w", f.hold, err)}
	}
	ask, err := live.JogRequest(s, name, f.by, long)
	if err != nil {
		return &exitError{exitUsage, err}
	}
	fmt.Fprint(cmd.ErrOrStderr(), live.JogCaution(s, ask))
	if err := f.confirm(cmd); err != nil {
		return err
	}
	out := live.NewLines(cmd.OutOrStdout(), cmd.ErrOrStderr())
	defer out.End()
	running, keeps, free, err := f.open(out)
	if held := (*rig.Held)(nil); errors.As(err, &held) {
		// Somebody has the rig: if it is the daemon, it does it.
		shop := socket.At(rig.Folder(f.runtime))
		if _, derr := shop.Hello(ctx); derr == nil {
			return live.JogThrough(ctx, shop, s, ask, out.Event, out.Notice)
		}
	}
	if err != nil {
		return err
	}
	defer free()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	j := &live.JogWatch{Ask: ask, End: cancel}
	out.Say("waits " + config.FormatDuration(live.JogWait(s)) + ": the fan may have run until now, and the sensors must have spoken")
	asked := time.AfterFunc(live.JogWait(s), func() { running.Ask(ask) })
	defer asked.Stop()
	if err := ended(running.Run(ctx, keeps, &live.Events{Out: out, Names: &running.Names}, j), out); err != nil {
		return err
	}
	return j.Verdict(&running.Names)
}

// confirm asks, unless it was told not to.
func (f *jogFlags) confirm(cmd *cobra.Command) error {
	if f.yes {
		return nil
	}
	yes, err := live.Confirm(cmd.InOrStdin(), cmd.ErrOrStderr(), "Are hands and tools clear?")
	switch {
	case errors.Is(err, live.ErrNobody):
		return &exitError{exitUsage, fmt.Errorf("%w: look that hands and tools are clear, and give --yes", err)}
	case err == nil && !yes:
		err = errors.New("nothing was moved")
	}
	return err
}
