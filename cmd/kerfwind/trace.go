package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/sensor/trace"
)

func newTrace() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "trace",
		Short: "Make, convert and look at recordings of mains current",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return cmd.Help()
		},
	}
	cmd.AddCommand(newTraceInfo(), newTraceMake(), newTraceConvert(), newTraceCut(), newTraceJoin())
	return cmd
}

func newTraceInfo() *cobra.Command {
	var count bool
	cmd := &cobra.Command{
		Use:   "info FILE...",
		Short: "Say what recordings hold",
		Args:  cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			var errs []error
			for _, name := range args {
				opt, finish := progress(cmd, "reading")
				text, err := trace.Describe(name, opt, count)
				finish()
				fmt.Fprint(cmd.OutOrStdout(), text)
				errs = append(errs, err)
			}
			return errors.Join(errs...)
		},
	}
	cmd.Flags().BoolVar(&count, "count", false, "read the recordings to their end; count scans, gaps and missing samples")
	return cmd
}

func newTraceMake() *cobra.Command {
	var out outFlags
	var labels string
	cmd := &cobra.Command{
		Use:   "make SCRIPT -o FILE",
		Short: "Make a recording of shop machines from a script",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			text, err := os.Open(args[0])
			if err != nil {
				return err
			}
			defer func() { _ = text.Close() }() // nothing was written
			script, err := trace.ParseScript(args[0], text)
			if err != nil {
				return err
			}
			kind, err := out.kind()
			if err != nil {
				return err
			}
			maker := trace.NewMaker(script, kind == trace.CSV || out.sample == "float32")
			l := maker.Layout()
			l.LowestIsGap = true // a gap of the script; the converter's codes end above it
			if labels == "" && out.file != "-" {
				labels = strings.TrimSuffix(out.file, filepath.Ext(out.file)) + ".labels.csv"
			}
			if _, err := os.Stat(labels); err == nil && !out.force { // told before the long work
				return fmt.Errorf("%s exists: choose another name with --labels, or --force to replace it", labels)
			}
			opt, finish := progress(cmd, "making")
			defer finish()
			if err := out.write(cmd, l, trace.Reported(maker, opt.Progress, maker.Scans())); err != nil || labels == "" {
				return err
			}
			return state.WriteFile(labels, out.force, func(f io.Writer) error { return trace.WriteLabels(f, script.Labels()) })
		},
	}
	out.add(cmd)
	cmd.Flags().StringVar(&labels, "labels", "", "file for the labels; \"-\" for standard output")
	return cmd
}
