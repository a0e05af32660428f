package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/feed"
	"kerfwind/cmd/kerfwind/internal/replay"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
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

// look is a rig that is looked at.
type look struct {
	feed.Feed
	shop     *config.Shop
	channels []config.ChannelUse
	rate     float64 // scans a second; with several converters, of the fastest
	unit     trace.Unit
	runtime  string // of the kerfwind that it is looked at through; "" is none
	close    func()
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
// that has the lock, its samples are taken from it. Learned levels come in force
// where learned is not nil.
func (f *lookFlags) open(cmd *cobra.Command, learned *sensor.Learned, notice func(error)) (*look, error) {
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
		return f.openTrace(r, s)
	}
	l := &look{shop: s, channels: s.Channels(), unit: trace.Counts}
	l.Notice = notice
	sources, err := l.sources(r, rig.Folder(f.runtime))
	if err != nil {
		return nil, &exitError{exitHardware, err}
	}
	if l.runtime != "" {
		fmt.Fprintln(cmd.ErrOrStderr(), "kerfwind runs: the samples come from it")
	}
	for i, p := range s.Sensor()[:r.Converters()] { // nodes read their own
		d, err := sensor.New(allUsed(p))
		if err != nil {
			l.close()
			return nil, &exitError{exitConfig, err}
		}
		l.rate = max(l.rate, r.ADCs[i].Rate)
		l.Sources = append(l.Sources, feed.Source{Source: sources[i], Name: r.ADCs[i].Name, Detector: d})
	}
	return l, nil
}

// sources opens the converters of this computer under the lock of a runtime
// folder or, where a running kerfwind has it, takes what they give from that. It
// sets the clock and what is to be closed.
func (l *look) sources(r *config.Rig, folder string) ([]sensor.Source, error) {
	lock, err := rig.TakeLock(folder)
	if held := (*rig.Held)(nil); errors.As(err, &held) {
		list, err := l.fromDaemon(r, folder)
		if errors.Is(err, socket.ErrNobody) { // it is no daemon: the lock says who
			err = held
		}
		return list, err
	}
	if err != nil {
		return nil, err
	}
	began := time.Now()
	l.Now = func() time.Duration { return time.Since(began) }
	list, err := rig.Sources(r, l.Now)
	l.close = func() {
		for _, src := range list {
			if c, ok := src.(io.Closer); ok {
				_ = c.Close() // only read
			}
		}
		_ = lock.Free() // the kernel does it otherwise
	}
	if err != nil {
		l.close()
	}
	return list, err
}

// fromDaemon takes the converters of a rig from the kerfwind that runs on it:
// their frames, and the clock of its stream.
func (l *look) fromDaemon(r *config.Rig, folder string) ([]sensor.Source, error) {
	var open []*socket.Source
	l.close = func() {
		for _, s := range open {
			_ = s.Close() // only read
		}
	}
	var list []sensor.Source
	for i := range r.Converters() {
		s, err := socket.Frames(folder, i)
		if err != nil {
			l.close()
			return nil, err
		}
		open = append(open, s)
		list = append(list, &fromAfar{Source: s, channels: len(r.Of(i))})
	}
	l.runtime = folder
	l.Now = func() time.Duration {
		t := time.Duration(0)
		for _, s := range open {
			t = max(t, s.Now())
		}
		return t
	}
	return list, nil
}

// fromAfar is a converter of the running kerfwind. Its end is an error: nobody
// who looks wants it.
type fromAfar struct {
	sensor.Source
	channels int
	next     uint64
}

// Next waits for the next frame.
func (s *fromAfar) Next(f *sensor.Frame) error {
	err := s.Source.Next(f)
	switch {
	case errors.Is(err, io.EOF):
		return errors.New("the running kerfwind has ended")
	case err != nil:
		return fmt.Errorf("the running kerfwind: %w", err)
	case f.Err != nil:
		return nil
	case f.Channels != s.channels:
		return fmt.Errorf("the running kerfwind reads %d channels of it, the rig file has %d: name the file that it runs with by --rig", f.Channels, s.channels)
	case f.Index < s.next:
		return errors.New("the running kerfwind took up its files anew: begin again")
	}
	s.next = f.Index + uint64(f.Scans())
	return nil
}

// allUsed has also the channels read that stand for nothing in the shop.
func allUsed(p sensor.Params) sensor.Params {
	for i := range p.Channels {
		p.Channels[i].Used = true
	}
	return p
}

func (f *lookFlags) openTrace(r *config.Rig, s *config.Shop) (*look, error) {
	t, err := trace.Open(f.trace, trace.Options{FrameScans: 100, AllowTruncated: f.truncated})
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	o := replay.Options{Trace: t, Rig: r, Shop: s, Amperes: f.amps}
	re, err := replay.New(o)
	if err != nil {
		_ = t.Close() // only read
		return nil, &exitError{exitConfig, err}
	}
	unit := t.Info().Unit
	if f.amps {
		unit = trace.Amperes
	}
	return &look{
		unit: unit,
		Feed: feed.Feed{Sources: []feed.Source{{Source: re.Samples(), Detector: re.Detector()}}},
		shop: re.Shop, channels: re.Channels, rate: t.Info().Rate, close: func() { _ = t.Close() },
	}, nil
}

// names lists the rig's channels.
func (l *look) names() []string {
	out := make([]string, len(l.shop.Rig.Channels))
	for i := range out {
		out[i] = l.shop.Rig.Channels[i].Name
	}
	return out
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

// lookedEnough turns the end by the person into no error.
func lookedEnough(err error) error {
	if errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

// noticeTo prints troubles.
func noticeTo(w io.Writer) func(error) {
	return func(err error) { fmt.Fprintln(w, "notice:", err) }
}
