package main

import (
	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/begin"
)

func newBegin() *cobra.Command {
	var force bool
	cmd := &cobra.Command{
		Use:   "begin FOLDER",
		Short: "Make a first rig and shop file, wiring sheet and list of parts, question by question",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return (&begin.Terminal{Folder: args[0], Force: force, Out: cmd.OutOrStdout()}).Run(cmd.InOrStdin())
		},
	}
	cmd.Flags().BoolVar(&force, "force", false, "replace files that a former begin has written")
	return cmd
}
