package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/demo"
	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/node"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/config"
)

// mostSpeed bounds a simulation's speed: our own choice. A busy computer does
// not get as far.
const mostSpeed = 20

// source says how a shop is read and its hardware opened: the real one, or a
// simulated one.
func (r *runFlags) source(cmd *cobra.Command, out *live.Lines) (load func(daemon.Choice) (*config.Shop, error), how rig.Options, title string, err error) {
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
	if err := r.paced(); err != nil {
		return nil, how, "", err
	}
	title = r.rig + ", simulated"
	if !given("rig") {
		title = "the demo's barn, simulated"
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
	truth, err := load(daemon.Choice{File: r.shop})
	if err == nil {
		how, err = r.simulated(truth, !given("rig"), out.Say)
	}
	return load, how, title, err
}

// paced checks the speed of a simulation.
func (r *runFlags) paced() error {
	if !(r.speed > 0 && r.speed <= mostSpeed) {
		return &exitError{exitUsage, fmt.Errorf("--speed %v: give more than 0 and at most %d", r.speed, mostSpeed)}
	}
	return nil
}

// simulated is the hardware of a simulation, whose workshop truly is as a shop file says.
func (r *runFlags) simulated(truth *config.Shop, morning bool, say func(string)) (how rig.Options, err error) {
	w := demo.Workshop{Truth: truth, Script: r.script, Morning: morning, Speed: r.speed, Runtime: r.runtime, Say: say}
	if how, r.hands, err = w.Open(); err != nil {
		return how, &exitError{exitConfig, err}
	}
	return how, nil
}
