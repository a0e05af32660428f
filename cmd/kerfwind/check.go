package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/daemon"
)

func newCheck() *cobra.Command {
	var rigPath, shopPath, statePath string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "check --rig FILE [--shop FILE]",
		Short: "Say in plain words what rig and shop files describe, or all that is wrong",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if rigPath == "" {
				return &exitError{exitUsage, errors.New("check needs a rig file: --rig FILE")}
			}
			return check(cmd.OutOrStdout(), rigPath, shopPath, statePath, asJSON)
		},
	}
	cmd.Flags().StringVar(&rigPath, "rig", "", "rig file")
	cmd.Flags().StringVar(&shopPath, "shop", "", "shop file")
	cmd.Flags().StringVar(&statePath, "state", "", "state folder: a shop that was chosen there comes before --shop, and levels learned there apply where the shop file gives none")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print errors and warnings as JSON, nothing else")
	return cmd
}

func check(w io.Writer, rigPath, shopPath, statePath string, asJSON bool) error {
	r, err := daemon.Check(rigPath, shopPath, statePath)
	if err != nil {
		return &exitError{exitConfig, err}
	}
	n := len(r.Errors)
	switch {
	case asJSON:
		enc := json.NewEncoder(w)
		enc.SetIndent("", "  ")
		enc.SetEscapeHTML(false)
		err = enc.Encode(r)
	case n == 0:
		_, err = io.WriteString(w, r.Text)
	}
	switch {
	case err != nil || n == 0:
		return err
	case asJSON:
		return &exitError{exitConfig, fmt.Errorf("%d of the problems must be mended first", n)}
	}
	return &exitError{exitConfig, fmt.Errorf("cannot use these files:\n%w", r.Errors)}
}
