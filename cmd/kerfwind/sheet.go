package main

import (
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/cmd/kerfwind/internal/wiresheet"
	"kerfwind/config"
)

func newSheet() *cobra.Command {
	var f chosenFlags
	var html string
	var force, ducts bool
	cmd := &cobra.Command{
		Use:   "sheet [--html FILE]",
		Short: "Print the sheet for the cabinet's door: what each wire does in this shop",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			s, err := f.load(cmd)
			if err != nil {
				return err
			}
			sheet := wiresheet.Cabinet(s, ducts, time.Now().Format(time.DateOnly))
			if html != "" {
				return state.WriteFile(html, force, sheet.WriteHTML)
			}
			return sheet.WriteText(cmd.OutOrStdout())
		},
	}
	f.add(cmd)
	cmd.Flags().StringVar(&html, "html", "", `write a page for paper into this file; "-" is standard output`)
	cmd.Flags().BoolVar(&ducts, "ducts", false, "add the ducts")
	cmd.Flags().BoolVar(&force, "force", false, "replace the file if it exists")
	return cmd
}

// load reads the shop in force, or the one that is named.
func (f *chosenFlags) load(cmd *cobra.Command) (*config.Shop, error) {
	r, err := config.LoadRig(f.rig)
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	file, err := f.file(cmd.Context())
	if err != nil {
		return nil, err
	}
	s, err := config.LoadShop(file, r)
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	return s, nil
}
