package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/state"
)

// passwordFile holds the keys of the page's passwords, in the state folder.
const passwordFile = "passwords.json"

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
			word, err := askPassword(cmd.InOrStdin(), cmd.ErrOrStderr(), role)
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
	cmd.Flags().StringVar(&folder, "state", "", "folder of what is kept over a restart (default: systemd's, else /var/lib/kerfwind)")
	cmd.Flags().BoolVar(&remove, "remove", false, "take the password away instead")
	return cmd
}

// askPassword reads a password: from a terminal twice and unseen, else one line.
func askPassword(in io.Reader, out io.Writer, role panel.Role) (string, error) {
	file, ok := in.(*os.File)
	if !ok || !term.IsTerminal(int(file.Fd())) {
		line, err := bufio.NewReader(io.LimitReader(in, 4096)).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return "", err
		}
		return strings.TrimRight(line, "\r\n"), nil
	}
	var words [2]string
	for i, prompt := range []string{"Password to " + role.Words() + ": ", "Once more: "} {
		fmt.Fprint(out, prompt)
		b, err := term.ReadPassword(int(file.Fd()))
		fmt.Fprintln(out)
		if err != nil {
			return "", err
		}
		words[i] = string(b)
	}
	if words[0] != words[1] {
		return "", errors.New("the two are not the same: nothing was changed")
	}
	return words[0], nil
}

// setPassword puts a key in the place of a role's old one; "" takes it away.
func setPassword(folder string, role panel.Role, key panel.Key, out io.Writer) error {
	all, err := readPasswords(folder)
	if err != nil {
		return err
	}
	said := "the password to " + role.Words() + " is set"
	if key == "" {
		if all[role] == "" {
			return fmt.Errorf("there is no password to %s", role.Words())
		}
		said = "there is no password to " + role.Words() + " any more"
		delete(all, role)
	} else {
		all[role] = key
	}
	data, err := all.Encode()
	if err != nil {
		return err
	}
	if err := state.WriteSecret(folder, passwordFile, data); err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "%s; whoever was signed in must sign in again\n", said)
	return err
}

// readPasswords reads what is kept of the passwords; none is no error.
func readPasswords(folder string) (panel.Passwords, error) {
	b, err := state.Read(folder, passwordFile)
	if errors.Is(err, os.ErrNotExist) {
		return panel.Passwords{}, nil
	}
	var all panel.Passwords
	if err == nil {
		all, err = panel.DecodePasswords(b)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w: take the file away to begin anew", filepath.Join(folder, passwordFile), err)
	}
	return all, nil
}
