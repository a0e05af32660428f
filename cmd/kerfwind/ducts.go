package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/ductview"
	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/state"
)

// ductsFlags holds the flags of ducts.
type ductsFlags struct {
	shop, rig string
	open      []string
	whatIf    []string
	measures  []string
	json      bool
	svg       string
	force     bool // with svg
}

func newDucts() *cobra.Command {
	var f ductsFlags
	cmd := &cobra.Command{
		Use:   "ducts --shop FILE [--rig FILE]",
		Short: "Compute the air in the ducts, where chips settle, and the run-ons",
		Long:  ductview.WhatIfHelp,
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return ducts(cmd.OutOrStdout(), &f)
		},
	}
	fileFlags(cmd, &f)
	cmd.Flags().StringArrayVar(&f.open, "open", nil, `solve these gates open: names separated by commas, or "none"; may be repeated`)
	cmd.Flags().StringArrayVar(&f.whatIf, "what-if", nil, "set this change beside the shop as it is; may be repeated")
	cmd.Flags().BoolVar(&f.json, "json", false, "print everything as JSON, in SI units")
	cmd.Flags().StringVar(&f.svg, "svg", "", "draw the ducts into this file")
	cmd.Flags().BoolVar(&f.force, "force", false, "with --svg: replace the file")
	cmd.AddCommand(newDuctsFit())
	return cmd
}

func fileFlags(cmd *cobra.Command, f *ductsFlags) {
	cmd.Flags().StringVar(&f.shop, "shop", "", "shop file")
	cmd.Flags().StringVar(&f.rig, "rig", "", "rig file: warn of what in the shop does not fit it")
	cmd.Flags().StringArrayVar(&f.measures, "measure", nil, "what was measured; may be repeated")
}

func newDuctsFit() *cobra.Command {
	var f ductsFlags
	var adjust string
	cmd := &cobra.Command{
		Use:   "fit --shop FILE [--measure MEASURE]",
		Short: "Say from measured pressures and velocities which part of the duct is off, and by how much",
		Long:  ductview.MeasureHelp,
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			s, err := studyOf(&f)
			if err != nil {
				return err
			}
			measures, err := s.ParseMeasures(f.measures)
			part, wrong := s.ParseAdjust(adjust)
			if err := errors.Join(err, wrong); err != nil {
				return &exitError{exitUsage, err}
			}
			err = s.WriteFit(cmd.OutOrStdout(), part, measures, time.Now().Format(time.DateOnly))
			if errors.Is(err, ductview.ErrNoMeasure) {
				err = &exitError{exitUsage, err}
			}
			return err
		},
	}
	fileFlags(cmd, &f)
	cmd.Flags().StringVar(&adjust, "adjust", "", `the part to adjust: hose, fan, filter, leak, "hood DUCT" or "block DUCT"; else the likeliest`)
	return cmd
}

// studyOf reads the shop and makes ready to solve its ducts.
func studyOf(f *ductsFlags) (*ductview.Study, error) {
	if f.shop == "" {
		return nil, &exitError{exitUsage, errors.New("ducts needs a shop file: --shop FILE")}
	}
	s, warnings, err := ductview.Load(f.shop, f.rig)
	for _, p := range warnings {
		fmt.Fprintf(os.Stderr, "kerfwind: warning: %v\n", p)
	}
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	return s, nil
}

func ducts(w io.Writer, f *ductsFlags) error {
	if f.json && f.svg != "" {
		return &exitError{exitUsage, errors.New("--json and --svg are two reports: ask for one")}
	}
	s, err := studyOf(f)
	if err != nil {
		return err
	}
	line := live.NewLine(os.Stderr)
	defer line.End()
	s.Progress = func(text string) { line.Show(func() string { return text }) }
	if f.measures != nil {
		measures, err := s.ParseMeasures(f.measures)
		if err != nil {
			return &exitError{exitUsage, err}
		}
		if err := s.Given(measures); err != nil {
			return err
		}
	}
	sets := s.Main()
	if f.json {
		sets = s.Net.StartSets()
	}
	if f.open != nil {
		sets = nil
		for _, text := range f.open {
			open, err := s.ParseOpen(text)
			if err != nil {
				return &exitError{exitUsage, err}
			}
			sets = append(sets, open)
		}
	}
	var others []*ductview.Study
	for _, text := range f.whatIf {
		o, err := s.WhatIf(text)
		if err != nil {
			return &exitError{exitUsage, fmt.Errorf("--what-if %w", err)}
		}
		others = append(others, o)
	}
	var converged bool
	switch {
	case f.json:
		converged, err = s.WriteJSON(w, sets, others)
	case f.svg != "":
		err = state.WriteFile(f.svg, f.force, func(w io.Writer) (err error) {
			converged, err = s.WriteSVG(w, sets, others)
			return err
		})
	case others != nil:
		converged, err = s.WriteWhatIf(w, sets, others)
	default:
		converged, err = s.WriteText(w, sets, f.open == nil)
	}
	if err != nil {
		return err
	}
	if !converged {
		return errors.New("an operating point was not found: see above which")
	}
	return nil
}
