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
		Use:   "ask hold GATE | release GATE | aside GATE | return GATE | stand-down | lift | reset",
		Short: "Ask the running kerfwind to hold a gate or set it aside, to stand down, or to take up work again",
		Long: `Ask passes a request to the kerfwind that runs on this computer:

  hold GATE     hold a gate open and collect there for a while
  release GATE  end that
  aside GATE    set a gate aside before hands go into it: it does not move, makes
                no path and starts no fan, also after a restart. A fan that runs
                goes on: use the collector's disconnect first
  return GATE   take it back. Nothing starts or moves by that; the next start of
                a machine there opens it. Only root or the user that kerfwind runs
                as may do it; the gate's own button does it too, if it has one
  stand-down    switch everything off, and command nothing until it is lifted,
                also after a restart
  lift          lift the stand-down; starts nothing. Only root or the user that
                kerfwind runs as may do it
  reset         once you have removed the cause: lift what keeps the collector
                off after a stop input or a fault. Every stop input must be
                closed. It starts nothing and takes no gate back. Only root or
                the user that kerfwind runs as may do it; the reset button does it
                too, if there is one

A stand-down is not a lockout: it cannot stop a machine, and it cannot open a
contactor whose contacts are welded. Before hands go near a blade or a fan, use
the disconnect.

Exit code 1: refused, or no kerfwind runs.`,
		Example: `  kerfwind ask --for 3min hold "floor sweep"
  kerfwind ask aside planer
  kerfwind ask stand-down`,
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
