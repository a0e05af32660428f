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
		Args:  cobra.NoArgs,
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
