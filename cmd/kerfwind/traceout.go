package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// outFlags are the flags of what is written.
type outFlags struct {
	file, sample, as string
	rf64, force      bool
}

func (f *outFlags) add(cmd *cobra.Command) {
	cmd.Flags().StringVarP(&f.file, "output", "o", "", "file to write: .wav, .flac or .csv; \"-\" for standard output")
	cmd.Flags().StringVar(&f.as, "as", "", "format where the name does not tell: wav, flac or csv")
	cmd.Flags().StringVar(&f.sample, "sample", "", "how WAV and FLAC store a sample: int16, int24 or float32 (WAV); left out: int16 for counts, float32 for amperes")
	cmd.Flags().BoolVar(&f.rf64, "rf64", false, "write WAV as RF64 whatever its length")
	cmd.Flags().BoolVar(&f.force, "force", false, "replace files that exist")
	if err := cmd.MarkFlagRequired("output"); err != nil {
		panic(err) // the flag is defined above
	}
}

// kind is the format to write.
func (f *outFlags) kind() (trace.Kind, error) {
	name := f.as
	if name == "" {
		name = strings.TrimPrefix(strings.ToLower(filepath.Ext(f.file)), ".")
	}
	k, ok := map[string]trace.Kind{"wav": trace.WAV, "flac": trace.FLAC, "csv": trace.CSV}[name]
	if !ok {
		return 0, &exitError{exitUsage, fmt.Errorf("%s: the name does not tell the format: end it in .wav, .flac or .csv, or give --as", f.file)}
	}
	if k == trace.CSV && (f.sample != "" || f.rf64) {
		return 0, &exitError{exitUsage, errors.New("--sample and --rf64 are not for CSV")}
	}
	return k, nil
}

// write writes a source to the file. An old file stays until the new one is
// complete.
func (f *outFlags) write(cmd *cobra.Command, l trace.Layout, src sensor.Source) error {
	var err error
	if l.Kind, err = f.kind(); err != nil {
		return err
	}
	l.RF64 = f.rf64
	switch {
	case f.sample == "" && l.Unit == trace.Amperes && l.Kind == trace.WAV:
		l.Sample = trace.Float32
	case f.sample == "":
		l.Sample = trace.Int16
	default:
		s, ok := map[string]trace.Sample{"int16": trace.Int16, "int24": trace.Int24, "float32": trace.Float32}[f.sample]
		if !ok {
			return &exitError{exitUsage, fmt.Errorf("--sample %s: int16, int24 or float32", f.sample)}
		}
		l.Sample = s
	}
	if integers := l.Kind == trace.FLAC || l.Kind == trace.WAV && l.Sample != trace.Float32; integers == (l.Unit == trace.Amperes) && (integers || l.Kind == trace.CSV) {
		return &exitError{exitUsage, fmt.Errorf("%s: from %v to this format --count-is must say how many amperes a count is", f.file, l.Unit)}
	}
	// The first signal ends the work in order, so that no half file is left; the
	// second one kills, since a read from a pipe may hang.
	ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop)
	body := func(w io.Writer) error {
		tw, err := trace.NewWriter(w, l)
		if err != nil {
			return err
		}
		if err := trace.Copy(tw, trace.Until(ctx, src)); err != nil {
			return err
		}
		return tw.Close()
	}
	if f.file == "-" {
		return body(cmd.OutOrStdout())
	}
	return state.WriteFile(f.file, f.force, body)
}
