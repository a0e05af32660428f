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

	"kerfwind/cmd/kerfwind/internal/console"
	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/notify"
	"kerfwind/cmd/kerfwind/internal/parts"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
)

func newRun() *cobra.Command {
	var r runFlags
	cmd := &cobra.Command{
		Use:   "run --rig FILE [--shop FILE]",
		Short: "Run the shop: read currents, move gates, switch the collector",
		Long: `Run reads the currents of the rig, moves its gates and switches its collector
until it is told to stop (SIGTERM, Ctrl-C), and prints what happens. However it
ends, it switches the collector off, stops every motion and ends servo pulses;
gates stay where they stand. After a SIGKILL nothing can do that but "kerfwind
halt".

It runs the shop that was chosen last, at move-in or by "kerfwind use"; where none
was, the one that --shop names; and without that, each channel as a machine and
each gate actuator as a gate. It says at its start which one it is and why, and
"kerfwind status" does. SIGHUP reads choice and files again: they come in force
once the shop is at rest, and gates are homed then. A file that cannot be used
changes nothing.

A start budget counts also the starts before a reload and, while the power stays
on, those before a restart of the program.

While it runs, other commands speak with it over a socket in the runtime folder,
readable by its user and group: see "kerfwind status". The history, metrics and
notices may fail, and say so there; control goes on without them.

A rig file with role = "node" makes this computer one of several: it senses and
drives for the one that decides. It has no shop: the file that --shop names must
not be there. Its rig file comes in force anew, after SIGHUP, once nothing is on or
moves there and the shop is at rest; where a stop input is wired to it, with a
restart only, which latches the collector off.

With --simulate nothing is read and nothing is moved: the converters read a made
recording again and again, the demo's morning or a script of your own (see
"kerfwind trace make"), and gates and collector are simulated. What is kept and
the socket are in the folder kerfwind-simulated of the temporary files then,
unless --state and --runtime say otherwise.

Exit code 3: a file cannot be used. Exit code 4: a line, chip or bus cannot be
used, or another kerfwind has the rig.`,
		Example: `  kerfwind run --rig /etc/kerfwind/rig.toml --shop /etc/kerfwind/shops/barn.toml
  kerfwind run --simulate --state /tmp/barn --runtime /tmp/barn --speed 5`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return r.run(cmd) },
	}
	r.add(cmd)
	fl := cmd.Flags()
	fl.BoolVar(&r.json, "json", false, "print one JSON object an event")
	fl.BoolVar(&r.simulate, "simulate", false, "simulate converters, gates and collector; without --rig, the demo's")
	fl.StringVar(&r.script, "script", "", "with --simulate: script of what the converters read (default: the demo's morning)")
	fl.Float64Var(&r.speed, "speed", 1, fmt.Sprintf("with --simulate: seconds of the shop in a second, up to %d", mostSpeed))
	return cmd
}

// auditFile is the record of what was changed on the page, in the state folder.
const auditFile = "audit.jsonl"

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
}

func (r *runFlags) run(cmd *cobra.Command) error {
	outliveReaders()
	if r.simulate { // made-up hours do not belong beside real ones
		aside := filepath.Join(os.TempDir(), "kerfwind-simulated")
		r.state, r.runtime = cmp.Or(r.state, aside), cmp.Or(r.runtime, aside)
	}
	ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	out := console.New(cmd.OutOrStdout(), cmd.ErrOrStderr())
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
func (r *runFlags) serve(ctx context.Context, stop func(), out *console.Lines, load func(daemon.Choice) (*config.Shop, error), how rig.Options, title string) error {
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
		out.Notice(errors.New("kerfwind ended in the middle of a move-in: the shop before is in force again. The answers are kept: the page or kerfwind movein goes on with them"))
	}
	manager, err := notify.Open(os.Getenv, os.Getpid())
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
	web := parts.Options{Version: versionText(), State: stateFolder(r.state), Passwords: passwordFile, Audit: auditFile, JSON: r.json, Simulated: r.simulate, Out: out}
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
