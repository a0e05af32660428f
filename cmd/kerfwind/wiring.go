package main

import (
	"errors"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/cmd/kerfwind/internal/wiresheet"
	"kerfwind/config"
)

func newWiring() *cobra.Command {
	var rigPath, shopPath, html string
	var force bool
	cmd := &cobra.Command{
		Use:   "wiring --rig FILE [--shop FILE] [--html FILE]",
		Short: "Print the sheet to wire a rig by: parts, pins, resistors, boot settings, bring-up",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if rigPath == "" {
				return &exitError{exitUsage, errors.New("wiring needs a rig file: --rig FILE")}
			}
			rig, err := config.LoadRig(rigPath)
			if err != nil {
				return &exitError{exitConfig, err}
			}
			var shop *config.Shop
			if shopPath != "" {
				if shop, err = config.LoadShop(shopPath, rig); err != nil {
					return &exitError{exitConfig, err}
				}
			}
			sheet := wiresheet.Make(rig.Own(), shop) // nodes have sheets of their own
			if html != "" {
				return state.WriteFile(html, force, sheet.WriteHTML)
			}
			return sheet.WriteText(cmd.OutOrStdout())
		},
	}
	cmd.Flags().StringVar(&rigPath, "rig", "", "rig file")
	cmd.Flags().StringVar(&shopPath, "shop", "", "shop file: what each sensor and output is for")
	cmd.Flags().StringVar(&html, "html", "", `write a page for paper into this file; "-" is standard output`)
	cmd.Flags().BoolVar(&force, "force", false, "replace the file if it exists")
	return cmd
}
