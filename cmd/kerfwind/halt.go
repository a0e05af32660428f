package main

import (
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/config"
	"kerfwind/control/drive"
)

func newHalt() *cobra.Command {
	var rigPath, folder string
	var force bool
	cmd := &cobra.Command{
		Use:   "halt --rig FILE",
		Short: "Make every output of the rig inert: after kerfwind was killed",
		Long: `Halt switches every relay of the rig off, stops every motor and ends all servo
pulses. It needs neither the shop file nor a running kerfwind, goes on past what
it cannot reach, and may be repeated. It is for the case that kerfwind was
killed and could not do so itself (ExecStopPost= in the unit). It refuses while
a kerfwind runs: stop that one, which does the same. With --force it does what
it can all the same, for one that hangs: servo pulses end, but lines that the
other one holds stay as they are until it is killed.

Halt is not a disconnect: it cannot open a contactor whose contacts are welded.
It speaks with no broker: an outlet that is told over a topic stays on until
kerfwind starts again, which switches it off first. Give such a plug a time
limit of its own.

Exit code 4: some outputs could not be made inert, or a kerfwind runs.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			r, err := config.LoadRig(rigPath)
			if err != nil {
				return &exitError{exitConfig, err}
			}
			lock, err := rig.TakeLock(rig.Folder(folder))
			var held *rig.Held
			switch {
			case errors.As(err, &held) && force:
				fmt.Fprintf(cmd.ErrOrStderr(), "notice: %v\n", err)
			case errors.As(err, &held):
				return &exitError{exitHardware, err}
			case err != nil:
				// A folder that cannot be written is no reason to leave a
				// collector on.
				fmt.Fprintf(cmd.ErrOrStderr(), "notice: %v\n", err)
			default:
				defer func() { _ = lock.Free() }() // the kernel does it otherwise
			}
			began := time.Now()
			p, unknown := rig.Everything(r)
			p.Now = func() time.Duration { return time.Since(began) }
			if err := errors.Join(unknown, drive.Inert(p, realRig().Hardware)); err != nil {
				return &exitError{exitHardware, fmt.Errorf("not every output is inert:\n%w", err)}
			}
			for _, a := range r.Actuators {
				if !a.Kind.Wired() {
					fmt.Fprintf(cmd.ErrOrStderr(), "notice: actuator %q %s\n", a.Name, a.Kind.AtHalt())
				}
			}
			fmt.Fprintf(cmd.OutOrStdout(), "every output of %s that is wired to this computer is inert\n", rigPath)
			return nil
		},
	}
	cmd.Flags().StringVar(&rigPath, "rig", "/etc/kerfwind/rig.toml", "rig file")
	cmd.Flags().BoolVar(&force, "force", false, "also while a kerfwind runs: for one that hangs")
	addRuntime(cmd, &folder)
	return cmd
}
