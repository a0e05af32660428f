package main

import (
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

	"kerfwind/cmd/kerfwind/internal/replay"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control/loop"
	"kerfwind/sensor"
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
	fl.StringVar(&f.state, "state", "", "state folder whose learned levels apply where the shop gives none (default: none are read)")
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

// run replays and prints.
func (f *replayFlags) run(ctx context.Context, cmd *cobra.Command, paths []string) error {
	if err := state.FreePath(f.svg, f.force); err != nil { // before the work
		return err
	}
	o, err := f.options()
	if err != nil {
		return &exitError{exitUsage, err}
	}
	opt, finish := progress(cmd, "replaying")
	opt.FrameScans, opt.AllowTruncated = f.frame, f.truncated
	files := replay.Files{Recordings: paths, Rig: f.rig, Shop: f.shop, State: f.state, Plant: f.plant}
	closed, err := files.Load(o, opt)
	defer closed()
	if err != nil {
		return &exitError{exitConfig, err}
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
		defer func() { _ = file.Close() }() // only read
		if expect, err = timeline.ReadExpectation(f.expect, file); err != nil {
			return &exitError{exitConfig, err}
		}
	}
	lines, err := f.show(ctx, cmd, r, expect != nil, finish, paths)
	if err != nil || expect == nil {
		return err
	}
	return report(cmd.ErrOrStderr(), expect.Compare(lines))
}

// show runs the replay, and prints and draws it. It returns the lines where they
// are kept.
func (f *replayFlags) show(ctx context.Context, cmd *cobra.Command, r *replay.Replay, keep bool, finish func(), paths []string) ([]timeline.Line, error) {
	out := replay.NewPrinter(cmd.OutOrStdout(), r, f.json)
	out.Clear, out.Keep = finish, keep
	obs := []loop.Observer{out}
	var reading func(sensor.Reading)
	each := func(time.Duration) error { return out.Err }
	var pic *replay.Picture
	if f.svg != "" {
		pic = r.Picture()
		obs, reading = append(obs, pic), pic.Reading
		each = func(now time.Duration) error { pic.Second(now); return out.Err }
	}
	end, err := r.Run(ctx, reading, each, obs...)
	finish()
	out.End(end, f.shop == "")
	if f.json {
		for _, note := range r.Notes() {
			fmt.Fprintln(cmd.ErrOrStderr(), "notice:", note)
		}
	}
	switch {
	case errors.Is(err, context.Canceled):
		err = fmt.Errorf("stopped at %s of the recording", timeline.Clock(end))
	case err == nil:
		err = out.Err
	}
	if err == nil && pic != nil {
		title := strings.TrimSpace(r.Shop.Name + ": " + strings.Join(paths, ", "))
		err = state.WriteFile(f.svg, f.force, func(w io.Writer) error { return pic.Write(w, end, title) })
	}
	return out.Lines, err
}

// mostFrame bounds the scans read at a time: more saves nothing.
const mostFrame = 1 << 20

// options reads the flags that are no files.
func (f *replayFlags) options() (*replay.Options, error) {
	o := &replay.Options{Amperes: f.amps, Scale: f.scale, Recorded: f.recorded, PowerUp: f.powerUp}
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
	standIn, err := replay.ParseStandIn(f.start, f.stop, f.hold, f.mains)
	o.StandIn = standIn
	return o, errors.Join(append(errs, err)...)
}

// report prints the differences, and is the command's error if there are any.
func report(w io.Writer, diffs []string) error {
	for _, d := range diffs {
		fmt.Fprintln(w, d)
	}
	switch len(diffs) {
	case 0:
		return nil
	case 1:
		return errors.New("1 difference from what was expected")
	}
	return fmt.Errorf("%d differences from what was expected", len(diffs))
}
