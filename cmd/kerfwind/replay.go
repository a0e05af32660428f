package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/draw"
	"kerfwind/cmd/kerfwind/internal/outfile"
	"kerfwind/cmd/kerfwind/internal/replay"
	"kerfwind/cmd/kerfwind/internal/setup"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/loop"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// replayFlags are the flags of replay.
type replayFlags struct {
	rig, shop, state   string
	amps               bool
	scale              float64
	start, stop, hold  string
	mains              string
	json               bool
	expect, plant, svg string
	force              bool // with svg
	frame              int
	truncated          bool
	recorded, powerUp  bool
}

func newReplay() *cobra.Command {
	var f replayFlags
	cmd := &cobra.Command{
		Use:   "replay [flags] RECORDING...",
		Short: "Show what the shop would have done with a recording of mains currents",
		Long: `Replay puts recordings of mains currents (WAV, FLAC or CSV; "-" is standard
input; several are laid end to end) through the code that also runs live, and
prints what it would have done: which machine started when, which gate opened,
when the collector ran and why it stopped. Gates and collector are simulated.

A recording of raw counts needs the rig file that scales it. With --amps the
values are amperes; with neither --rig nor --shop each channel is then a machine
with a gate of its own, m0, m1, and so on.

The time of a line is when the decision could have been acted on, from the
start of the recording. Exit code 1 if --expect finds a difference.`,
		Example: `  kerfwind replay --amps tuesday.wav
  kerfwind replay --rig rig.toml --shop shops/barn.toml tuesday.flac
  kerfwind replay --rig rig.toml --shop shops/barn.toml --expect tuesday.jsonl tuesday.flac`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return &exitError{exitUsage, errors.New("replay needs a recording: a WAV, FLAC or CSV file, or - for standard input")}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			return f.run(ctx, cmd, args)
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&f.rig, "rig", "", "rig file: how counts become amperes")
	fl.StringVar(&f.shop, "shop", "", "shop file: machines, gates, collector")
	fl.StringVar(&f.state, "state", "", "state folder whose learned levels come in force where the shop gives none (default: none are read)")
	fl.BoolVar(&f.amps, "amps", false, "the values are amperes")
	fl.Float64Var(&f.scale, "scale", 1, "multiply every value by this first")
	fl.StringVar(&f.start, "start", "", `start level where no shop gives one, e.g. "0.6 A"`)
	fl.StringVar(&f.stop, "stop", "", `stop level where no shop gives one, e.g. "0.4 A"`)
	fl.StringVar(&f.hold, "stop-hold", "", `how long below the stop level ends a run where no shop says, e.g. "1 s"`)
	fl.StringVar(&f.mains, "mains", "", `mains frequency where no shop gives one, e.g. "50 Hz" (default: found out)`)
	fl.BoolVar(&f.json, "json", false, "print one JSON object an event")
	fl.StringVar(&f.expect, "expect", "", "compare with the timeline in this file (JSON lines with tolerances)")
	fl.StringVar(&f.plant, "plant", "", "file of faults of the simulated gates and collector, one a line")
	fl.StringVar(&f.svg, "svg", "", "also draw a picture into this file")
	fl.BoolVar(&f.force, "force", false, "with --svg: replace the file")
	fl.IntVar(&f.frame, "frame", 0, "scans read at a time; changes nothing but speed")
	fl.BoolVar(&f.truncated, "truncated", false, "take a recording that was cut short as it is")
	fl.BoolVar(&f.recorded, "recorded-collector", false, "take the collector's current from the recording, not from the simulated motor")
	fl.BoolVar(&f.powerUp, "power-up", false, "the recording begins where the power returns: gates are homed, nothing starts for a while")
	return cmd
}

// mostFrame bounds the scans read at a time: more saves nothing.
const mostFrame = 1 << 20

// run replays and prints.
func (f *replayFlags) run(ctx context.Context, cmd *cobra.Command, paths []string) error {
	opt, finish := progress(cmd, "replaying")
	opt.FrameScans, opt.AllowTruncated = f.frame, f.truncated
	if err := outfile.Free(f.svg, f.force); err != nil { // before the work
		return err
	}
	o, closers, err := f.options(opt, paths)
	defer func() {
		for _, c := range closers {
			_ = c.Close() // read only
		}
	}()
	if err != nil {
		return err
	}
	r, err := replay.New(*o)
	if err != nil {
		return &exitError{exitConfig, err}
	}
	var expect *timeline.Expectation
	if f.expect != "" {
		file, err := os.Open(f.expect)
		if err != nil {
			return err
		}
		closers = append(closers, file)
		if expect, err = timeline.ReadExpectation(f.expect, file); err != nil {
			return &exitError{exitConfig, err}
		}
	}
	out := newPrinter(cmd.OutOrStdout(), r, f.json, expect != nil)
	out.clear = finish
	if f.shop == "" {
		out.levels = levels(r)
	}
	obs := []loop.Observer{out}
	var reading func(sensor.Reading)
	each := func(time.Duration) error { return out.err }
	var pic *draw.Picture
	if f.svg != "" {
		pic = picture(r)
		obs, reading = append(obs, pic), pic.Reading
		pic.Observe(r.Core.Snapshot(), nil)
		next := time.Second
		each = func(now time.Duration) error {
			if now >= next {
				pic.Observe(r.Core.Snapshot(), nil)
				next = now + time.Second
			}
			return out.err
		}
	}
	end, err := r.Run(ctx, reading, each, obs...)
	finish()
	out.end(end)
	switch {
	case errors.Is(err, context.Canceled):
		err = fmt.Errorf("stopped at %s of the recording", timeline.Clock(end))
	case err == nil:
		err = out.err
	}
	if err != nil {
		return err
	}
	if pic != nil {
		if err := outfile.Write(f.svg, f.force, func(w io.Writer) error {
			return pic.WriteSVG(w, end, draw.Options{Title: title(r, paths), RunUp: r.Shop.Collector.RunUp})
		}); err != nil {
			return err
		}
	}
	if expect != nil {
		return report(cmd.ErrOrStderr(), expect.Compare(out.lines))
	}
	return nil
}

// options loads everything that the flags name, and reports every error in
// it at once.
func (f *replayFlags) options(opt trace.Options, paths []string) (*replay.Options, []io.Closer, error) {
	o := &replay.Options{Amperes: f.amps, Scale: f.scale, Recorded: f.recorded, PowerUp: f.powerUp}
	var closers []io.Closer
	var errs []error
	if f.scale == 0 || math.IsNaN(f.scale) || math.IsInf(f.scale, 0) {
		errs = append(errs, fmt.Errorf("--scale %v leaves nothing: give a number other than 0", f.scale))
	}
	if f.frame < 0 || f.frame > mostFrame {
		errs = append(errs, fmt.Errorf("--frame %d: give 1 to %d scans, or 0 for the usual number", f.frame, mostFrame))
	}
	if f.shop != "" && f.rig == "" {
		errs = append(errs, errors.New("--shop names sensors and gates of a rig: give --rig FILE too"))
	}
	if f.state != "" && f.rig == "" {
		errs = append(errs, errors.New("--state holds what was learned with a rig: give --rig FILE too"))
	}
	if f.shop != "" && f.start+f.stop+f.hold+f.mains != "" {
		errs = append(errs, errors.New("--start, --stop, --stop-hold and --mains are for recordings without a shop: the shop file gives them"))
	}
	var err error
	if o.StandIn, err = f.standIn(); err != nil {
		errs = append(errs, err)
	}
	if len(errs) > 0 {
		return nil, nil, &exitError{exitUsage, errors.Join(errs...)}
	}
	if f.rig != "" {
		if o.Rig, err = config.LoadRig(f.rig); err != nil {
			errs = append(errs, err)
		} else if f.shop != "" {
			if o.Shop, err = config.LoadShop(f.shop, o.Rig); err != nil {
				errs = append(errs, err)
			}
		}
	}
	if f.state != "" && len(errs) == 0 {
		learned, err := learnedIn(f.state)
		if err != nil {
			errs = append(errs, err)
		} else {
			if o.Shop == nil {
				o.Shop = config.StandIn(o.Rig, o.StandIn)
			}
			o.Shop.Learn(learned)
		}
	}
	if f.plant != "" {
		file, err := os.Open(f.plant)
		if err != nil {
			errs = append(errs, err)
		} else {
			o.Plant, o.PlantName = file, f.plant
			closers = append(closers, file)
		}
	}
	o.Trace, err = trace.Open(paths, opt)
	if err != nil {
		errs = append(errs, err)
	} else {
		closers = append(closers, o.Trace)
	}
	if len(errs) > 0 {
		return nil, closers, &exitError{exitConfig, errors.Join(errs...)}
	}
	return o, closers, nil
}

// standIn reads the flags that set levels.
func (f *replayFlags) standIn() (o config.StandInOptions, err error) {
	var errs []error
	quantity := func(flag, text string, q config.Quantity, into *float64) {
		if text == "" {
			return
		}
		v, err := config.Parse(q, text)
		if err == nil && v <= 0 {
			err = errors.New("must be more than 0")
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("--%s %q: %w", flag, text, err))
		}
		*into = v
	}
	quantity("start", f.start, config.Current, &o.Start)
	quantity("stop", f.stop, config.Current, &o.Stop)
	quantity("mains", f.mains, config.Frequency, &o.Mains)
	if f.hold != "" {
		d, err := config.ParseDuration(f.hold)
		if err != nil {
			errs = append(errs, fmt.Errorf("--stop-hold %q: %w", f.hold, err))
		}
		if err == nil && d < 0 {
			errs = append(errs, fmt.Errorf("--stop-hold %q: must not be negative", f.hold))
		}
		o.StopHold = d
		if d == 0 {
			o.StopHold = -1 // none
		}
	}
	return o, errors.Join(errs...)
}

// printer writes the timeline as it comes and keeps what the end needs.
type printer struct {
	w      *bufio.Writer
	names  *timeline.Names
	air    *setup.Air
	json   bool
	keep   bool
	levels string // what a stand-in shop takes for a start
	clear  func() // takes a line of progress away before one of the timeline
	buf    []byte
	lines  []timeline.Line
	tally  *timeline.Tally
	err    error
}

func newPrinter(w io.Writer, r *replay.Replay, asJSON, keep bool) *printer {
	return &printer{w: bufio.NewWriter(w), names: &r.Names, air: r.Air, json: asJSON, keep: keep, tally: timeline.NewTally(&r.Names), clear: func() {}}
}

// Observe prints events.
func (p *printer) Observe(_ *control.Snapshot, events []control.Event) {
	p.clear()
	for _, e := range events {
		p.tally.Add(e)
		line := timeline.FromEvent(e, p.names)
		if p.keep {
			p.lines = append(p.lines, line)
		}
		if p.json {
			p.buf = line.AppendJSON(p.buf[:0])
		} else {
			p.buf = timeline.AppendText(p.buf[:0], e, p.names)
			if e.Kind == control.MachineStopped && e.Until > e.At {
				if why := p.air.RunOn(e.ID); why != "" {
					p.buf = append(p.buf, " ("+why+")"...)
				}
			}
		}
		p.buf = append(p.buf, '\n')
		if _, err := p.w.Write(p.buf); err != nil && p.err == nil {
			p.err = err
		}
	}
	if err := p.w.Flush(); err != nil && p.err == nil {
		p.err = err
	}
}

// levels says what the shop that nobody has described takes for granted.
func levels(r *replay.Replay) string {
	if len(r.Shop.Machines) == 0 {
		return ""
	}
	m := &r.Shop.Machines[0]
	return fmt.Sprintf("No shop file: a machine starts at %s and stops below %s for %s.\n",
		config.Metric.Format(config.Current, m.Start), config.Metric.Format(config.Current, m.Stop), config.FormatDuration(m.StopHold))
}

// end prints the summary for people.
func (p *printer) end(at time.Duration) {
	if p.json {
		return
	}
	fmt.Fprintf(p.w, "%s   end of the recording\n\n%s", timeline.Clock(at), p.levels)
	if err := p.tally.Write(p.w, at); err != nil && p.err == nil {
		p.err = err
	}
	if err := p.w.Flush(); err != nil && p.err == nil {
		p.err = err
	}
}

// report prints the differences, and is the command's error if there are any.
func report(w io.Writer, diffs []string) error {
	if len(diffs) == 0 {
		return nil
	}
	for _, d := range diffs {
		fmt.Fprintln(w, d)
	}
	if len(diffs) == 1 {
		return errors.New("1 difference from what was expected")
	}
	return fmt.Errorf("%d differences from what was expected", len(diffs))
}

// picture makes an empty picture of a replay.
func picture(r *replay.Replay) *draw.Picture {
	n := len(r.Channels)
	labels, machines, levels := make([]string, n), make([]control.ID, n), make([]draw.Level, n)
	for i, use := range r.Channels {
		labels[i], machines[i] = r.Shop.Rig.Channels[i].Name, use.Machine
		if use.Used() {
			levels[i] = draw.Level{Start: float32(use.Start), Stop: float32(use.Stop)}
		}
	}
	return draw.New(r.Names, labels, machines, levels)
}

func title(r *replay.Replay, paths []string) string {
	return strings.TrimSpace(r.Shop.Name + ": " + strings.Join(paths, ", "))
}
