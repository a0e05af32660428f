package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/panel"
)

func newPassword() *cobra.Command {
	var folder string
	var remove bool
	cmd := &cobra.Command{
		Use:       "password [look | operate | setup]",
		Short:     "Set a password of the page",
		Args:      cobra.MatchAll(cobra.MaximumNArgs(1), cobra.OnlyValidArgs),
		ValidArgs: []string{"look", "operate", "setup"},
		RunE: func(cmd *cobra.Command, args []string) error {
			role := panel.Setup
			if len(args) == 1 {
				var err error
				if role, err = panel.ParseRole(args[0]); err != nil {
					return &exitError{exitUsage, err}
				}
			}
			if remove {
				return setPassword(stateFolder(folder), role, "", cmd.OutOrStdout())
			}
			word, err := live.Secret(cmd.InOrStdin(), cmd.ErrOrStderr(), "Password to "+role.Words()+": ")
			if err != nil {
				return err
			}
			key, err := panel.NewKey(word)
			if err != nil {
				return err
			}
			return setPassword(stateFolder(folder), role, key, cmd.OutOrStdout())
		},
	}
	cmd.Flags().StringVar(&folder, "state", "", stateUsage)
	cmd.Flags().BoolVar(&remove, "remove", false, "take the password away instead")
	return cmd
}

// setPassword puts a key in the place of a role's old one, and says so; "" takes it
// away.
func setPassword(folder string, role panel.Role, key panel.Key, out io.Writer) error {
	if err := panel.SetPassword(folder, role, key); err != nil {
		return err
	}
	said := "the password to " + role.Words() + " is set"
	if key == "" {
		said = "there is no password to " + role.Words() + " any more"
	}
	_, err := fmt.Fprintf(out, "%s; whoever was signed in must sign in again\n", said)
	return err
}
