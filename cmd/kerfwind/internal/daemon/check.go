package daemon

import (
	"errors"
	"fmt"
	"os"

	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/sensor"
)

// Report says what a rig and a shop file describe, and what is wrong with them.
type Report struct {
	Text     string           `json:"-"`
	Errors   config.Errors    `json:"errors"`
	Warnings []config.Problem `json:"warnings"`
}

// Check reads a rig file and, where one is named, a shop file. With a state
// folder it takes the shop that a start would take, and the levels learned there.
// The error is for what the report cannot hold: a file that cannot be read.
func Check(rigPath, shopPath, statePath string) (*Report, error) {
	learned, choice := (*sensor.Learned)(nil), Choice{File: shopPath}
	if statePath != "" {
		var err error
		if learned, err = state.ReadLearned(statePath); err != nil {
			return nil, err
		}
		if choice, err = Choose(statePath, shopPath); err != nil {
			return nil, err
		}
	}
	r := &Report{Errors: config.Errors{}, Warnings: []config.Problem{}}
	rig, err := config.LoadRig(rigPath)
	if err == nil {
		err = r.describe(rig, choice, learned)
	}
	if err != nil && !errors.As(err, &r.Errors) {
		return nil, err
	}
	if rig == nil && choice.File != "" {
		// What is wrong in the shop whatever the rig is.
		var more config.Errors
		if _, err := config.LoadPlan(choice.File); errors.As(err, &more) {
			r.Errors = append(r.Errors, more...)
		} else if err != nil {
			r.Errors = append(r.Errors, config.Problem{File: choice.File, Message: err.Error(), Remedy: "look at the path and at who may read it"})
		}
	}
	if err == nil {
		for i, p := range r.Warnings {
			if i == 0 {
				r.Text += "Warnings\n"
			}
			r.Text += fmt.Sprintln(p)
		}
	}
	return r, nil
}

// describe adds what rig and shop are.
func (r *Report) describe(rig *config.Rig, choice Choice, learned *sensor.Learned) error {
	r.Text = rig.Describe()
	if choice.Chosen {
		r.Text += "Shop: " + choice.String() + "\n"
	}
	r.Warnings = append(r.Warnings, rig.Warnings...)
	if rig.IsNode {
		return NoShop(choice.File)
	}
	if choice.File == "" {
		return nil
	}
	shop, err := config.LoadShop(choice.File, rig)
	if err != nil {
		return err
	}
	if learned != nil {
		shop.Learn(learned)
	}
	r.Text += shop.Describe()
	r.Warnings = append(r.Warnings, shop.Warnings...)
	return nil
}

// NoShop refuses a shop file on a node. A path without a file is fine: the unit
// file names it on every computer.
func NoShop(path string) error {
	if _, err := os.Stat(path); path == "" || errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return config.Errors{{File: path, Message: "this computer is a node: the shop file belongs to the computer that decides", Remedy: "move it there, or take role out of the rig file"}}
}
