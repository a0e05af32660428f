package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/control/drive"
	"kerfwind/control/loop"
)

// hardwareFlags are the flags of commands that drive a rig.
type hardwareFlags struct {
	rig, shop, runtime, state string
}

func (h *hardwareFlags) add(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringVar(&h.rig, "rig", "/etc/kerfwind/rig.toml", "rig file")
	fl.StringVar(&h.shop, "shop", "", "shop file (default: each channel a machine, each gate actuator a gate)")
	fl.StringVar(&h.state, "state", "", stateUsage)
	addRuntime(cmd, &h.runtime)
}

func addRuntime(cmd *cobra.Command, folder *string) {
	cmd.Flags().StringVar(folder, "runtime", "", "folder of the socket and of the lock on the rig (default: systemd's, else /run/kerfwind)")
}

// realRig is the hardware of this computer. A test has its own.
var realRig = func() rig.Options { return rig.Options{Hardware: drive.Kernel(), Sources: rig.Sources} }

// load reads the rig and shop files: the shop that --shop names, else the one
// that was chosen, else the one that a daemon runs.
func (h *hardwareFlags) load() (*config.Shop, error) {
	c := daemon.Choice{File: h.shop}
	if c.File == "" {
		var err error
		if c, err = daemon.Choose(stateFolder(h.state), ""); err != nil {
			return nil, &exitError{exitConfig, err}
		}
	}
	if c.File == "" { // the default of a daemon that runs
		if st, err := socket.At(rig.Folder(h.runtime)).State(context.Background()); err == nil && filepath.IsAbs(st.Shop.File) {
			c.File = st.Shop.File
		}
	}
	return loadShop(func() (*config.Rig, error) { return config.LoadRig(h.rig) }, c)
}

// loadShop reads a rig file and the shop file of a choice.
func loadShop(rigFile func() (*config.Rig, error), c daemon.Choice) (*config.Shop, error) {
	r, err := rigFile()
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	if c.File == "" {
		return config.StandIn(r, config.StandInOptions{}), nil
	}
	s, err := config.LoadShop(c.File, r)
	if err != nil && c.Chosen {
		err = fmt.Errorf("%w\n%s is the shop that was %s; \"kerfwind use\" chooses another", err, c.File, c.Why())
	}
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	return s, nil
}

// learned applies levels that were learned. Without them the shop runs
// on its file and the defaults.
func (h *hardwareFlags) learned(s *config.Shop, out *live.Lines) {
	l, err := state.ReadLearned(stateFolder(h.state))
	if err != nil {
		out.Notice(fmt.Errorf("what was learned is not used: %w", err))
		return
	}
	before := len(s.Warnings)
	s.Learn(l)
	for _, w := range s.Warnings[before:] {
		out.Notice(errors.New(w.Message))
	}
}

// open takes the rig's lock and its hardware, for a hand on one thing. keeps is an
// observer that stores what must hold over a restart; free ends that and gives the
// lock back.
func (h *hardwareFlags) open(out *live.Lines) (live *rig.Live, keeps loop.Observer, free func(), err error) {
	s, err := h.load()
	if err != nil {
		return nil, nil, nil, err
	}
	h.learned(s, out)
	lock, err := rig.TakeLock(rig.Folder(h.runtime))
	if err != nil {
		return nil, nil, nil, &exitError{exitHardware, err}
	}
	keep := daemon.NewKeep(stateFolder(h.state), out.Say, out.Notice)
	free = func() {
		keep.End()
		_ = lock.Free() // the kernel does it otherwise
	}
	began := time.Now()
	o := realRig()
	o.Shop, o.Midway, o.Notice = s, true, out.Notice
	o.StoodDown, o.Past.Kept, keeps = keep.Up(s)
	o.Now = func() time.Duration { return time.Since(began) }
	live, err = rig.Open(o)
	if err != nil {
		free()
		return nil, nil, nil, &exitError{exitHardware, err}
	}
	return live, keeps, free, nil
}

// ended says that the outputs are inert, or why not.
func ended(err error, out *live.Lines) error {
	if err != nil {
		return &exitError{exitHardware, fmt.Errorf("the outputs are not all inert: %w", err)}
	}
	out.Say("collector off, nothing moves, no servo pulses")
	return nil
}
