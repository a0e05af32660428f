package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
	"kerfwind/control"
)

// askable are the requests of ask.
var askable = []string{"hold", "release", "aside", "return", "stand-down", "lift", "reset"}

// ofGate are those that name a gate.
var ofGate = []string{"hold", "release", "aside", "return"}

func newAsk() *cobra.Command {
	var runtime, long string
	cmd := &cobra.Command{
		Use:       "ask hold GATE | release GATE | aside GATE | return GATE | stand-down | lift | reset",
		Short:     "Ask the running kerfwind to hold a gate or set it aside, to stand down, or to take up work again",
		ValidArgs: askable,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 || len(args) > 2 {
				return &exitError{exitUsage, fmt.Errorf("ask for one thing: %s", strings.Join(askable, ", "))}
			}
			if len(args) == 1 && slices.Contains(ofGate, args[0]) {
				return &exitError{exitUsage, fmt.Errorf("%s which gate? Say for example: kerfwind ask %[1]s \"floor sweep\"", args[0])}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			r := seam.Request{ID: 1}
			for k := control.AskHold; k <= control.AskReturn; k++ {
				if k.String() == args[0] && slices.Contains(askable, args[0]) {
					r.Kind = k
				}
			}
			if r.Kind == 0 {
				return fmt.Errorf("nobody can ask for %q", args[0])
			}
			if len(args) == 2 {
				r.Target = args[1]
			}
			if long != "" {
				var err error
				if r.For, err = config.ParseDuration(long); err != nil {
					return &exitError{exitUsage, fmt.Errorf("--for %q: %w", long, err)}
				}
			}
			a, err := socket.At(rig.Folder(runtime)).Ask(cmd.Context(), r)
			if err != nil {
				return err
			}
			done := "done"
			if a.Note != "" {
				done += ", " + a.Note
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: %s\n", strings.Join(args, " "), done)
			return err
		},
	}
	cmd.Flags().StringVar(&long, "for", "", `hold: how long, e.g. "3 min" (default: the longest allowed)`)
	addRuntime(cmd, &runtime)
	return cmd
}
