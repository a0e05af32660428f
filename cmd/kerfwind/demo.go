package main

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"kerfwind/cmd/kerfwind/internal/demo"
	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/replay"
)

// Seconds of the demo's morning in a second: slow enough to follow on the
// page, fast enough to see much in the live view.
const (
	pageSpeed = 3.0
	viewSpeed = 15.0
)

func newDemo() *cobra.Command {
	var speed float64
	var plain, asJSON, once bool
	var unpack, listen string
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "A morning in a guitar maker's barn, to look at and to touch; needs no files and no hardware",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if speed < 0 || speed == 0 && cmd.Flags().Changed("speed") {
				return &exitError{exitUsage, fmt.Errorf("--speed %v: give more than 0, e.g. 15", speed)}
			}
			if unpack != "" {
				return demo.Unpack(cmd.OutOrStdout(), unpack)
			}
			ctx, stop := untilEnded(cmd.Context())
			defer stop()
			out := cmd.OutOrStdout()
			once = once || plain || asJSON
			file, ok := out.(*os.File)
			if listen != "" && once {
				return &exitError{exitUsage, errors.New("--listen is for the page, which --once, --plain and --json do without")}
			}
			if listen != "" || !once && ok && term.IsTerminal(int(file.Fd())) {
				r := rehearsal{listen: listen, morning: true, runFlags: runFlags{speed: cmp.Or(speed, pageSpeed)}}
				return r.run(ctx, live.NewLines(out, cmd.ErrOrStderr()), cmd.InOrStdin())
			}
			r, err := demo.Open()
			if err != nil {
				return err
			}
			if ok && !plain && !asJSON {
				if screen, ok := live.Terminal(file, os.Getenv); ok {
					return demo.Live(ctx, out, r, screen, cmp.Or(speed, viewSpeed))
				}
			}
			p := replay.NewPrinter(out, r, asJSON)
			end, err := r.Run(ctx, nil, func(time.Duration) error { return p.Err }, p)
			p.End(end, false)
			return errors.Join(err, p.Err)
		},
	}
	cmd.Flags().Float64Var(&speed, "speed", 0, fmt.Sprintf("seconds of the morning in a second, on a terminal (default: %g with the page, up to %d; %g with --once)", pageSpeed, mostSpeed, viewSpeed))
	cmd.Flags().BoolVar(&once, "once", false, "replay the morning once, without the page")
	cmd.Flags().StringVar(&listen, "listen", "", `serve the page at this address, e.g. ":8080" for a phone in the network (default: for this computer alone)`)
	cmd.Flags().BoolVar(&plain, "plain", false, "print the timeline, on a terminal too")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object an event")
	cmd.Flags().StringVar(&unpack, "unpack", "", "write the demo's files into this folder instead, to try them with replay and check")
	return cmd
}
