package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/parts"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/simrig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
)

func newRun() *cobra.Command {
	var r runFlags
	cmd := &cobra.Command{
		Use:   "run --rig FILE [--shop FILE]",
		Short: "Run the shop: read currents, move gates, switch the collector",
		Args:  cobra.NoArgs,
		RunE:  func(cmd *cobra.Command, _ []string) error { return r.run(cmd) },
	}
	r.add(cmd)
	fl := cmd.Flags()
	fl.BoolVar(&r.json, "json", false, "print one JSON object an event")
	fl.BoolVar(&r.simulate, "simulate", false, "simulate converters, gates and collector; without --rig, the demo's")
	fl.StringVar(&r.script, "script", "", "with --simulate: script of what machines do until somebody touches them (default: nothing; without --rig, the demo's morning)")
	fl.Float64Var(&r.speed, "speed", 1, fmt.Sprintf("with --simulate: seconds of the shop in a second, up to %d", mostSpeed))
	return cmd
}

// memory is beyond what the heap of a running shop needs, its last minutes and
// a page with it, in bytes. The collector of garbage works harder towards it
// instead of letting the heap double.
const memory = 20 << 20

// runFlags are the flags of run.
type runFlags struct {
	hardwareFlags
	json, simulate bool
	script         string
	speed          float64
	hands          *simrig.Session // in the workshop that is simulated
}

func (r *runFlags) run(cmd *cobra.Command) error {
	outliveReaders()
	if r.simulate { // made-up hours do not belong beside real ones
		aside := filepath.Join(os.TempDir(), "kerfwind-simulated")
		r.state, r.runtime = cmp.Or(r.state, aside), cmp.Or(r.runtime, aside)
	}
	ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	out := live.NewLines(cmd.OutOrStdout(), cmd.ErrOrStderr())
	defer out.End()
	if own := r.nodeRig(); own != nil {
		return r.node(ctx, stop, out, own)
	}
	load, how, title, err := r.source(cmd, out)
	if err != nil {
		return err
	}
	return r.serve(ctx, stop, out, load, how, title)
}

// serve runs a shop until ctx is done; stop ends that ctx takes signals.
func (r *runFlags) serve(ctx context.Context, stop func(), out *live.Lines, load func(daemon.Choice) (*config.Shop, error), how rig.Options, title string) error {
	if debug.SetMemoryLimit(-1) == math.MaxInt64 { // GOMEMLIMIT says nothing
		debug.SetMemoryLimit(memory)
	}
	if r.shop != "" { // others that ask are elsewhere
		whole, err := filepath.Abs(r.shop)
		if err != nil {
			return err
		}
		r.shop = whole
	}
	choice, left, err := daemon.First(stateFolder(r.state), r.shop)
	if err != nil {
		return &exitError{exitConfig, err}
	}
	shop, err := load(choice)
	if err != nil {
		return err
	}
	folder := rig.Folder(r.runtime)
	lock, listener, err := takeRig(folder)
	if err != nil {
		return err
	}
	defer func() { _ = lock.Free() }() // the kernel does it otherwise
	if left {
		out.Notice(errors.New("kerfwind ended in the middle of a move-in: the earlier shop is in use again. The answers are kept: go on with them on the page or with kerfwind movein"))
	}
	manager, err := rig.OpenManager(os.Getenv, os.Getpid())
	if err != nil {
		out.Notice(err) // it will not hear of READY, and says so
	}
	defer func() { _ = manager.Close() }() // nothing more is said
	var clock func() (string, time.Duration)
	var wall func() (time.Time, bool)
	if c, err := journal.NewBootClock("/"); err != nil {
		out.Notice(err)
	} else {
		wall = func() (time.Time, bool) { st := c.Stamp(); return st.Wall, st.Trusted }
		if !r.simulate { // made-up starts do not count tomorrow
			clock = func() (string, time.Duration) { st := c.Stamp(); return st.Boot, st.Mono }
		}
	}
	web := parts.Options{Version: versionText(), State: stateFolder(r.state), Passwords: panel.PasswordFile, Audit: panel.AuditFile, JSON: r.json, Simulated: r.simulate, Out: out}
	if r.hands != nil {
		web.Hands = r.hands
	}
	page := new(parts.Page)
	d := daemon.New(daemon.Options{
		Program: versionText(), State: stateFolder(r.state), Runtime: folder, Clock: clock, Wall: wall, Simulated: r.simulate, Default: r.shop, Load: load, Rig: how,
		Parts: parts.All(web, page), Manager: manager, Say: out.Say, Notice: out.Notice,
	})
	page.Open(web, d.Door(seam.Page))
	defer page.Close()
	// A second signal ends the program at once.
	context.AfterFunc(ctx, stop)
	end := attend(ctx, listener, func(p socket.Peer) seam.Shop { return d.Door(p.Door()) }, d.Reload, out.Notice)
	out.Say("kerfwind runs " + title)
	if choice.File != "" || !r.simulate { // the demo's barn else
		out.Say("the shop is " + choice.String())
	}
	err = d.Run(ctx, shop, choice)
	end()
	if open := (*daemon.OpenError)(nil); errors.As(err, &open) {
		return &exitError{exitHardware, err}
	}
	return ended(err, out)
}
