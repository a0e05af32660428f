package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/console"
	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/demo"
	"kerfwind/cmd/kerfwind/internal/node"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/simrig"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor/trace"
	"kerfwind/testdata"
)

// mostSpeed bounds a simulation's speed: our own choice. A busy computer does
// not get as far.
const mostSpeed = 20

// source says how a shop is read and its hardware opened: the real one, or a
// simulated one.
func (r *runFlags) source(cmd *cobra.Command, out *console.Lines) (load func(daemon.Choice) (*config.Shop, error), how rig.Options, title string, err error) {
	fromRig := func() (*config.Rig, error) { return config.LoadRig(r.rig) }
	load = func(c daemon.Choice) (*config.Shop, error) {
		s, err := loadShop(fromRig, c)
		if err == nil {
			r.learned(s, out)
		}
		return s, err
	}
	given := cmd.Flags().Changed
	if !r.simulate {
		if given("script") || given("speed") {
			return nil, how, "", &exitError{exitUsage, errors.New("--script and --speed are for --simulate")}
		}
		how = realRig()
		how.Far = node.Far
		return load, how, r.rig, nil
	}
	if !(r.speed > 0 && r.speed <= mostSpeed) {
		return nil, how, "", &exitError{exitUsage, fmt.Errorf("--speed %v: give more than 0 and at most %d", r.speed, mostSpeed)}
	}
	title = "the demo's barn, simulated"
	if given("rig") {
		title = r.rig + ", simulated"
	} else {
		if r.shop != "" {
			return nil, how, "", &exitError{exitUsage, errors.New("--shop with --simulate needs the --rig that it belongs to")}
		}
		load = func(c daemon.Choice) (*config.Shop, error) {
			if c.File == "" {
				return demo.Files()
			}
			return loadShop(demo.RigFile, c)
		}
	}
	how, err = r.simulated()
	return load, how, title, err
}

// simulated is the hardware of a simulation.
func (r *runFlags) simulated() (how rig.Options, err error) {
	script, err := r.made()
	if err != nil {
		return how, err
	}
	made := simrig.New(script, r.speed)
	return rig.Options{Clock: made.Clock, Sources: made.Sources, Speed: r.speed,
		Outputs: func(s *config.Shop, p *control.Params) (rig.Outputs, error) { return simrig.Outputs(s, p), nil }}, nil
}

// made reads the script of the simulation.
func (r *runFlags) made() (*trace.Script, error) {
	name, text := r.script, []byte(nil)
	var err error
	if name == "" {
		name = demo.Morning
		text, err = testdata.Demo.ReadFile(name)
	} else {
		text, err = os.ReadFile(name)
	}
	if err != nil {
		return nil, err
	}
	s, err := trace.ParseScript(name, bytes.NewReader(text))
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	return s, nil
}
