package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/config"
	"kerfwind/sensor"
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
	cmd.Flags().StringVar(&statePath, "state", "", "state folder: a shop that was chosen there stands above --shop, and levels learned there come in force where the shop file gives none")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print errors and warnings as JSON, nothing else")
	return cmd
}

// problems is what check --json prints.
type problems struct {
	Errors   config.Errors    `json:"errors"`
	Warnings []config.Problem `json:"warnings"`
}

func check(w io.Writer, rigPath, shopPath, statePath string, asJSON bool) error {
	learned, choice := &sensor.Learned{}, daemon.Choice{File: shopPath}
	if statePath != "" {
		var err error
		if learned, err = learnedIn(statePath); err != nil {
			return err
		}
		if choice, err = daemon.Choose(statePath, shopPath); err != nil {
			return &exitError{exitConfig, err}
		}
	}
	shopPath = choice.File
	out := problems{config.Errors{}, []config.Problem{}}
	text := ""
	rig, err := config.LoadRig(rigPath)
	if err == nil {
		text = rig.Describe()
		if choice.Chosen {
			text += "Shop: " + choice.String() + "\n"
		}
		out.Warnings = append(out.Warnings, rig.Warnings...)
		if rig.IsNode {
			err = noShop(shopPath)
		} else if shopPath != "" {
			var shop *config.Shop
			if shop, err = config.LoadShop(shopPath, rig); err == nil {
				if statePath != "" {
					shop.Learn(learned)
				}
				text += shop.Describe()
				out.Warnings = append(out.Warnings, shop.Warnings...)
			}
		}
	}
	if err != nil && !errors.As(err, &out.Errors) {
		return &exitError{exitConfig, err}
	}
	if rig == nil && shopPath != "" {
		// What is wrong in the shop whatever the rig is.
		var more config.Errors
		if _, err := config.LoadPlan(shopPath); errors.As(err, &more) {
			out.Errors = append(out.Errors, more...)
		} else if err != nil {
			out.Errors = append(out.Errors, config.Problem{File: shopPath, Message: err.Error(), Remedy: "look at the path and at who may read it"})
		}
	}
	if asJSON {
		enc := json.NewEncoder(w)
		enc.SetIndent("", "  ")
		enc.SetEscapeHTML(false)
		if err := enc.Encode(out); err != nil {
			return err
		}
	} else if err == nil {
		for i, p := range out.Warnings {
			if i == 0 {
				text += "Warnings\n"
			}
			text += fmt.Sprintln(p)
		}
		if _, err := io.WriteString(w, text); err != nil {
			return err
		}
	}
	switch n := len(out.Errors); {
	case n == 0:
		return nil
	case asJSON:
		return &exitError{exitConfig, fmt.Errorf("%d of the problems must be mended first", n)}
	default:
		return &exitError{exitConfig, fmt.Errorf("cannot use these files:\n%w", out.Errors)}
	}
}
