package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/outfile"
	"kerfwind/config"
	"kerfwind/sensor"
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
		Long: "Say what recordings hold: format, channels, rate and length. The length of a CSV file\n" +
			"and of one written to a pipe is found by reading it to its end, as all faults are: --count.",
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			var errs []error
			for _, name := range args {
				if err := traceInfo(cmd, name, count); err != nil {
					errs = append(errs, err)
				}
			}
			return errors.Join(errs...)
		},
	}
	cmd.Flags().BoolVar(&count, "count", false, "read the recordings to their end; count scans, gaps and missing samples")
	return cmd
}

// traceInfo describes one recording.
func traceInfo(cmd *cobra.Command, name string, count bool) error {
	opt, finish := progress(cmd, "reading")
	r, err := trace.Open([]string{name}, opt)
	if err != nil {
		return err
	}
	defer func() { _ = r.Close() }() // nothing was written
	info := r.Info()
	var counted traceCount
	if count {
		counted, err = countTrace(r)
		finish()
		info.Scans = counted.scans
	}
	if err == nil && !count && info.Scans >= 0 && info.Scans < info.Want {
		err = &trace.TruncatedError{File: name, Scans: info.Scans, Want: info.Want}
	}
	out := new(strings.Builder)
	fmt.Fprintf(out, "%s\n  %s, %s, %s scans/s, %v\n", name, info.Format, plural(int64(info.Channels), "channel"), formatFloat(info.Rate), info.Unit)
	if info.Names != nil {
		fmt.Fprintf(out, "  channels: %s\n", strings.Join(info.Names, ", "))
	}
	switch {
	case info.Scans < 0:
		fmt.Fprintln(out, "  length not known without reading it: --count")
	default:
		note := ""
		if info.Unread && !count {
			note = ", as its header says: --count reads them"
		}
		fmt.Fprintf(out, "  %s, %v%s\n", plural(info.Scans, "scan"), trace.Instant(uint64(info.Scans), info.Rate).Round(time.Millisecond), note)
	}
	if count {
		fmt.Fprintf(out, "  %s, %s lost; %s missing\n", plural(counted.gaps, "gap"), plural(counted.lost, "scan"), plural(counted.missing, "sample"))
		for c := range counted.least {
			fmt.Fprintf(out, "  channel %d: from %s to %s\n", c, formatFloat(float64(counted.least[c])), formatFloat(float64(counted.most[c])))
		}
	}
	_, werr := io.WriteString(cmd.OutOrStdout(), out.String())
	return errors.Join(err, werr)
}

// traceCount is what reading a recording tells.
type traceCount struct {
	scans, gaps, lost, missing int64
	least, most                []float32 // of each channel
}

// countTrace reads a recording to its end.
func countTrace(r *trace.Reader) (traceCount, error) {
	n := r.Info().Channels
	t := traceCount{least: make([]float32, n), most: make([]float32, n)}
	seen := make([]bool, n)
	var f sensor.Frame
	for {
		if err := r.Next(&f); errors.Is(err, io.EOF) {
			return t, nil
		} else if err != nil {
			return t, err
		}
		if lost := int64(f.Index) - t.scans; lost > 0 {
			t.gaps++
			t.lost += lost
		}
		t.scans = int64(f.Index) + int64(f.Scans())
		for i, v := range f.Raw {
			c := i % n
			switch {
			case v != v || v-v != 0: // not a number, or infinite
				t.missing++
			case !seen[c]:
				t.least[c], t.most[c], seen[c] = v, v, true
			default:
				t.least[c], t.most[c] = min(t.least[c], v), max(t.most[c], v)
			}
		}
	}
}

func newTraceMake() *cobra.Command {
	var out outFlags
	var labels string
	cmd := &cobra.Command{
		Use:   "make SCRIPT -o FILE",
		Short: "Make a recording of shop machines from a script",
		Long: `Make a recording of shop machines from a script: a text file of lines such as

  length 5m
  rate 1 kHz
  mains 60 Hz
  converter 12 bits, 3.3 V
  channel c0: 30 A : 1 V, noise 1.5 counts
  machine "band saw" on c0: induction motor, 2 hp, 240 V
  at 10s "band saw" runs 45s
  at 15s "band saw" cuts 20s at 70 %

Kinds of machine: induction motor, rotary converter, universal motor, vacuum,
inverter, heater, charger, standby; options: hp, W, V, full load, idle, inrush,
run-up, soft start, speed, half-wave, three-phase. On a channel: spike, unplugged,
floating, no signal, frozen; for all: gap. testdata/demo/morning.txt is a longer
example.

What happens when is written beside the recording, to FILE with the ending
.labels.csv, or where --labels says.`,
		Args: cobra.ExactArgs(1),
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
			if err := out.write(cmd, l, &watched{Source: maker, report: opt.Progress, total: maker.Scans()}); err != nil || labels == "" {
				return err
			}
			return outfile.Write(labels, out.force, func(f io.Writer) error { return trace.WriteLabels(f, script.Labels()) })
		},
	}
	out.add(cmd)
	cmd.Flags().StringVar(&labels, "labels", "", "file for the labels; \"-\" for standard output")
	return cmd
}

// watched reports progress of a source that reads no file.
type watched struct {
	sensor.Source
	report func(done, total int64)
	total  int64
}

func (w *watched) Next(f *sensor.Frame) error {
	err := w.Source.Next(f)
	if w.report != nil {
		w.report(int64(f.Index), w.total)
	}
	return err
}

func newTraceConvert() *cobra.Command {
	return copies(&cobra.Command{
		Use:   "convert FILE -o FILE",
		Short: "Convert a recording to WAV, FLAC or CSV",
		Long: `Convert a recording to WAV (16- and 24-bit integers, 32-bit floats; RF64 beyond
4 GiB), FLAC (16 and 24 bits, at most 8 channels) or CSV. "-" is standard input
or output.

Integers hold the converter's counts and CSV holds amperes, so between them
--count-is says how many amperes a count is. Floats and CSV keep every sample as
a 32-bit float exactly; integers round to the nearest count, and a sample that
does not fit is an error.`,
		Args: cobra.ExactArgs(1),
	})
}

func newTraceCut() *cobra.Command {
	var out outFlags
	var in inFlags
	var from, to time.Duration
	cmd := &cobra.Command{
		Use:   "cut FILE -o FILE --from TIME --to TIME",
		Short: "Cut a stretch out of a recording",
		Long: `Cut a stretch out of a recording: the scans from --from up to, not including, --to,
counted from its start and written 90s, 1m30s or 300ms. With --truncated and no
times it mends a recording that was cut short: the whole scans that are there.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !cmd.Flags().Changed("to") {
				to = -1
			}
			if from < 0 {
				return &exitError{exitUsage, fmt.Errorf("--from %v: times are counted from the start of the recording", from)}
			}
			if to >= 0 && to <= from {
				return &exitError{exitUsage, fmt.Errorf("--from %v --to %v: nothing lies between", from, to)}
			}
			return convertTrace(cmd, args, in, out, func(s sensor.Source) sensor.Source {
				return &notEmpty{Source: trace.Cut(s, from, to), why: fmt.Errorf("the recording ends before %v: there is nothing to cut out", from)}
			})
		},
	}
	out.add(cmd)
	in.add(cmd)
	cmd.Flags().DurationVar(&from, "from", 0, "start of the stretch")
	cmd.Flags().DurationVar(&to, "to", 0, "end of the stretch; left out: the end of the recording")
	return cmd
}

// notEmpty is a source that fails where it would end without one scan.
type notEmpty struct {
	sensor.Source
	why error
	any bool
}

// Next passes a frame on.
func (n *notEmpty) Next(f *sensor.Frame) error {
	err := n.Source.Next(f)
	if errors.Is(err, io.EOF) && !n.any {
		return n.why
	}
	n.any = n.any || err == nil && f.Scans() > 0
	return err
}

func newTraceJoin() *cobra.Command {
	return copies(&cobra.Command{
		Use:   "join FILE... -o FILE",
		Short: "Lay recordings end to end",
		Long:  "Lay recordings end to end. They must agree in channels, rate and unit.",
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
		if err := trace.Copy(tw, &stoppable{src, ctx}); err != nil {
			return err
		}
		return tw.Close()
	}
	if f.file == "-" {
		return body(cmd.OutOrStdout())
	}
	return outfile.Write(f.file, f.force, body)
}

// stoppable is a source that fails once its context is done.
type stoppable struct {
	sensor.Source
	ctx context.Context
}

func (s *stoppable) Next(f *sensor.Frame) error {
	if s.ctx.Err() != nil {
		return errors.New("interrupted: nothing has been written")
	}
	return s.Source.Next(f)
}

// amperes reads a current such as "24.2 mA".
func amperes(s string) (float64, error) {
	v, err := config.Parse(config.Current, s)
	if err == nil && v <= 0 {
		err = fmt.Errorf("%q: a count stands for more than 0 A", s)
	}
	return v, err
}

// plural puts a number before a word.
func plural(n int64, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

// formatFloat writes a number without needless digits.
func formatFloat(v float64) string { return strconv.FormatFloat(v, 'g', 7, 64) }
