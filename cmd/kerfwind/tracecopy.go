package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/config"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

func newTraceConvert() *cobra.Command {
	return copies(&cobra.Command{
		Use:   "convert FILE -o FILE",
		Short: "Convert a recording to WAV, FLAC or CSV",
		Args:  cobra.ExactArgs(1),
	})
}

func newTraceCut() *cobra.Command {
	var out outFlags
	var in inFlags
	var from, to time.Duration
	cmd := &cobra.Command{
		Use:   "cut FILE -o FILE --from TIME --to TIME",
		Short: "Cut a stretch out of a recording",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !cmd.Flags().Changed("to") {
				to = -1
			}
			if from < 0 {
				return &exitError{exitUsage, fmt.Errorf("--from %v: times are counted from the start of the recording", from)}
			}
			if to >= 0 && to <= from {
				return &exitError{exitUsage, fmt.Errorf("--from %v --to %v: there is nothing between", from, to)}
			}
			return convertTrace(cmd, args, in, out, func(s sensor.Source) sensor.Source {
				return trace.NotEmpty(trace.Cut(s, from, to), fmt.Errorf("the recording ends before %v: there is nothing to cut out", from))
			})
		},
	}
	out.add(cmd)
	in.add(cmd)
	cmd.Flags().DurationVar(&from, "from", 0, "start of the stretch")
	cmd.Flags().DurationVar(&to, "to", 0, "end of the stretch; left out: the end of the recording")
	return cmd
}

func newTraceJoin() *cobra.Command {
	return copies(&cobra.Command{
		Use:   "join FILE... -o FILE",
		Short: "Lay recordings end to end",
		Args:  cobra.MinimumNArgs(1),
	})
}

// copies lets a command copy the recordings that it is given into one file.
func copies(cmd *cobra.Command) *cobra.Command {
	var out outFlags
	var in inFlags
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return convertTrace(cmd, args, in, out, nil)
	}
	out.add(cmd)
	in.add(cmd)
	return cmd
}

// convertTrace copies recordings laid end to end into one file.
func convertTrace(cmd *cobra.Command, args []string, in inFlags, out outFlags, via func(sensor.Source) sensor.Source) error {
	kind, err := out.kind()
	if err != nil {
		return err
	}
	opt, finish := progress(cmd, "converting")
	defer finish()
	opt.AllowTruncated = in.truncated
	r, err := trace.Open(args, opt)
	if err != nil {
		return err
	}
	defer func() { _ = r.Close() }() // nothing was written
	info := r.Info()
	var src sensor.Source = r
	l := trace.Layout{Channels: info.Channels, Names: info.Names, Rate: info.Rate, Unit: info.Unit, LowestIsGap: in.lowest}
	if via != nil {
		src = via(src)
	}
	if in.countIs != "" {
		amps, err := amperes(in.countIs)
		if err != nil {
			return &exitError{exitUsage, fmt.Errorf("--count-is: %w", err)}
		}
		switch integers := kind == trace.FLAC || kind == trace.WAV && out.sample != "float32"; {
		case info.Unit == trace.Counts && !integers:
			src, l.Unit = trace.Scale(src, amps), trace.Amperes
		case info.Unit == trace.Amperes && integers:
			src, l.Unit = trace.Scale(src, 1/amps), trace.Counts
		default:
			return &exitError{exitUsage, fmt.Errorf("--count-is: both recordings are in %v, so nothing is scaled", info.Unit)}
		}
	}
	return out.write(cmd, l, src)
}

// inFlags are the flags of what is read.
type inFlags struct {
	truncated bool
	lowest    bool
	countIs   string
}

func (f *inFlags) add(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&f.truncated, "truncated", false, "take a recording that is cut short as if it ended there")
	cmd.Flags().BoolVar(&f.lowest, "gaps-as-lowest", false, "write missing samples of integer formats as the lowest code")
	cmd.Flags().StringVar(&f.countIs, "count-is", "", "amperes of one count, such as \"24.2 mA\"")
}

// amperes reads a current such as "24.2 mA".
func amperes(s string) (float64, error) {
	v, err := config.Parse(config.Current, s)
	if err == nil && v <= 0 {
		err = fmt.Errorf("%q: a count is more than 0 A", s)
	}
	return v, err
}
