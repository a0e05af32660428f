package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
)

// askable are the requests of ask.
var askable = []string{"hold", "release", "stand-down", "lift", "reset"}

// ofGate are those that name a gate.
var ofGate = []string{"hold", "release"}

func newAsk() *cobra.Command {
	var runtime, long string
	cmd := &cobra.Command{
		Use:   "ask hold GATE | release GATE | stand-down | lift | reset",
		Short: "Ask the running kerfwind to hold a gate, stand down, or take up work again",
		Long: `Ask passes a request to the kerfwind that runs on this computer:

  hold GATE     hold a gate open and collect there for a while
  release GATE  end that
  stand-down    switch everything off, and command nothing until it is lifted,
                also after a restart
  lift          lift the stand-down; starts nothing. Only root or the user that
                kerfwind runs as may do it
  reset         after a stop input or a fault has been seen to: lift the latch
                and try failed gates again

A stand-down is not a lockout: it cannot stop a machine, and it cannot open a
contactor whose contacts are welded. Before hands go near a blade or a fan, use
the disconnect.

Exit code 1: refused, or no kerfwind runs.`,
		Example: `  kerfwind ask --for 3min hold "floor sweep"
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
			r := socket.Request{Version: socket.Version, Do: socket.DoAsk, Ask: args[0]}
			if len(args) == 2 {
				r.Gate = args[1]
			}
			if long != "" {
				d, err := config.ParseDuration(long)
				if err != nil {
					return &exitError{exitUsage, fmt.Errorf("--for %q: %w", long, err)}
				}
				r.For = d.Seconds()
			}
			return ask(cmd, rig.Folder(runtime), r)
		},
	}
	cmd.Flags().StringVar(&long, "for", "", `hold: how long, e.g. "3 min" (default: the longest allowed)`)
	addRuntime(cmd, &runtime)
	return cmd
}

// ask passes a request to the daemon of a runtime folder.
func ask(cmd *cobra.Command, folder string, r socket.Request) error {
	c, err := socket.Dial(folder)
	if err != nil {
		return err
	}
	defer func() { _ = c.Close() }() // the answer has come
	a, err := c.Do(cmd.Context(), r)
	if err != nil {
		return err
	}
	if a.Refused != "" {
		return errors.New(a.Refused)
	}
	done := "done"
	if a.Note != "" {
		done += ", " + a.Note
	}
	fmt.Fprintf(cmd.OutOrStdout(), "%s: %s\n", strings.TrimSpace(r.Ask+" "+r.Gate), done)
	return nil
}
