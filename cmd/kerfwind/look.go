package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/replay"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// lookFlags are the flags of commands that look at a rig, live or recorded.
type lookFlags struct {
	rig, shop, runtime, state string
	trace                     []string
	amps, truncated           bool
}

// addShop adds the flags of what the channels stand for.
func (f *lookFlags) addShop(cmd *cobra.Command, stateUse string) {
	cmd.Flags().StringVar(&f.shop, "shop", "", "shop file (default: each channel a machine)")
	cmd.Flags().StringVar(&f.state, "state", "", stateUse)
}

// add adds the flags of what is looked at.
func (f *lookFlags) add(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringVar(&f.rig, "rig", "/etc/kerfwind/rig.toml", "rig file")
	addRuntime(cmd, &f.runtime)
	fl.StringArrayVar(&f.trace, "trace", nil, "look at this recording instead of the rig; may be repeated, then they are laid end to end")
	fl.BoolVar(&f.amps, "amps", false, "the values of the recording are amperes")
	fl.BoolVar(&f.truncated, "truncated", false, "take a recording that was cut short as it is")
}

// load reads the files that the flags name.
func (f *lookFlags) load(cmd *cobra.Command) (*config.Rig, *config.Shop, error) {
	if f.amps && !cmd.Flags().Changed("rig") && f.shop == "" {
		return nil, nil, nil // a recording in amperes needs no rig
	}
	r, err := config.LoadRig(f.rig)
	if err != nil {
		return nil, nil, &exitError{exitConfig, err}
	}
	if f.shop == "" {
		return r, config.StandIn(r, config.StandInOptions{}), nil
	}
	s, err := config.LoadShop(f.shop, r)
	if err != nil {
		return nil, nil, &exitError{exitConfig, err}
	}
	return r, s, nil
}

// open opens the rig under its lock, or the recording; where a kerfwind runs
// that has the lock, its samples are taken from it. Learned levels take effect
// where learned is not nil.
func (f *lookFlags) open(cmd *cobra.Command, learned *sensor.Learned, notice func(error)) (*record.Tap, error) {
	if f.amps && len(f.trace) == 0 {
		return nil, &exitError{exitUsage, errors.New("--amps is for a recording: give --trace FILE too")}
	}
	r, s, err := f.load(cmd)
	if err != nil {
		return nil, err
	}
	if s != nil && learned != nil {
		s.Learn(learned)
	}
	if len(f.trace) > 0 {
		t, err := record.OpenTrace(f.trace, f.truncated, replay.Options{Rig: r, Shop: s, Amperes: f.amps})
		if err != nil {
			return nil, &exitError{exitConfig, err}
		}
		return t, nil
	}
	t, err := record.OpenRig(s, rig.Folder(f.runtime), notice)
	if err != nil {
		return nil, &exitError{exitHardware, err}
	}
	if t.Runtime != "" {
		fmt.Fprintln(cmd.ErrOrStderr(), "kerfwind runs: the samples come from it")
	}
	return t, nil
}

// stateFolder is the folder of what is kept.
func stateFolder(given string) string { return state.Folder(given, os.Getenv) }

// learnedIn reads the learned levels of a state folder.
func learnedIn(folder string) (*sensor.Learned, error) {
	l, err := state.ReadLearned(folder)
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	return l, nil
}

// noticeTo prints troubles.
func noticeTo(w io.Writer) func(error) {
	return func(err error) { fmt.Fprintln(w, "notice:", err) }
}

// progress makes options that show how far a long job is, on a terminal only.
// finish takes the line away again.
func progress(cmd *cobra.Command, what string) (opt trace.Options, finish func()) {
	line := live.NewLine(cmd.ErrOrStderr())
	opt.Progress = func(done, total int64) { line.Show(func() string { return live.HowFar(what, done, total) }) }
	return opt, line.End
}

// duration reads a flag that is a time.
func duration(flag, text string) (time.Duration, error) {
	d, err := movein.ParseTime(text)
	if err != nil {
		return 0, fmt.Errorf("--%s %q: %w", flag, text, err)
	}
	return d, nil
}
