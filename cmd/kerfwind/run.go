package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/notify"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/simrig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/sensor/trace"
	"kerfwind/testdata"
)

// hardwareFlags are the flags of commands that drive a rig.
type hardwareFlags struct {
	rig, shop, runtime, state string
}

func (h *hardwareFlags) add(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringVar(&h.rig, "rig", "/etc/kerfwind/rig.toml", "rig file")
	fl.StringVar(&h.shop, "shop", "", "shop file (default: each channel a machine, each gate actuator a gate)")
	fl.StringVar(&h.state, "state", "", "folder of what is kept over a restart (default: systemd's, else /var/lib/kerfwind)")
	addRuntime(cmd, &h.runtime)
}

func addRuntime(cmd *cobra.Command, folder *string) {
	cmd.Flags().StringVar(folder, "runtime", "", "folder of the socket and of the lock on the rig (default: systemd's, else /run/kerfwind)")
}

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

// realRig is the hardware of this computer. A test has its own.
var realRig = func() rig.Options { return rig.Options{Hardware: drive.Kernel(), Sources: rig.Sources} }

// memory is beyond what the heap of a running shop needs, its last minutes and
// a page with it, in bytes. The collector of garbage works harder towards it
// instead of letting the heap double.
const memory = 20 << 20

// mostSpeed bounds a simulation's speed: our own choice. A busy computer does
// not get as far.
const mostSpeed = 20

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
	out := newLines(cmd.OutOrStdout(), cmd.ErrOrStderr())
	defer out.end()
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
func (r *runFlags) serve(ctx context.Context, stop func(), out *lines, load func(daemon.Choice) (*config.Shop, error), how rig.Options, title string) error {
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
	shop, choice, left, err := r.first(load, out)
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
		r.leftMoveIn(choice, out)
	}
	manager, err := notify.Open(os.Getenv, os.Getpid())
	if err != nil {
		out.notice(err) // it will not hear of READY, and says so
	}
	defer func() { _ = manager.Close() }() // nothing more is said
	var clock func() (string, time.Duration)
	var wall func() (time.Time, bool)
	if c, err := newBootClock("/"); err != nil {
		out.notice(err)
	} else {
		wall = func() (time.Time, bool) { st := c.stamp(); return st.Wall, st.Trusted }
		if !r.simulate { // made-up starts do not count tomorrow
			clock = func() (string, time.Duration) { st := c.stamp(); return st.Boot, st.Mono }
		}
	}
	web := newPage(r.state, r.simulate, out.notice)
	defer web.server.Close()
	d := daemon.New(daemon.Options{
		Program: versionText(), State: stateFolder(r.state), Runtime: folder, Clock: clock, Wall: wall, Simulated: r.simulate, Default: r.shop, Load: load, Rig: how,
		Parts: r.parts(out, web), Manager: manager, Say: out.say, Notice: out.notice,
	})
	web.reload, web.down = d.Reload, d.Down
	// A second signal ends the program at once.
	context.AfterFunc(ctx, stop)
	end := attend(ctx, listener, d, out.notice)
	out.say("kerfwind runs " + title)
	if choice.File != "" || !r.simulate { // the demo's barn else
		out.say("the shop is " + choice.String())
	}
	err = d.Run(ctx, shop, choice)
	end()
	if open := (*daemon.OpenError)(nil); errors.As(err, &open) {
		return &exitError{exitHardware, err}
	}
	return ended(err, out)
}

// takeRig takes the lock on the rig, and listens beside it for other commands.
func takeRig(folder string) (*rig.Lock, *net.UnixListener, error) {
	lock, err := rig.TakeLock(folder)
	if err != nil {
		return nil, nil, &exitError{exitHardware, err}
	}
	l, err := socket.Listen(folder)
	if err != nil {
		_ = lock.Free() // the kernel does it otherwise
		return nil, nil, &exitError{exitHardware, err}
	}
	return lock, l, nil
}

// attend answers other commands, and SIGHUP, also while ctx's end is carried
// out. end ends that, and waits.
func attend(ctx context.Context, l net.Listener, h socket.Handler, notice func(error)) (end func()) {
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	aside, cancel := context.WithCancel(context.WithoutCancel(ctx))
	var others sync.WaitGroup
	others.Go(func() { socket.Serve(aside, l, h, notice) })
	others.Go(func() {
		for {
			select {
			case <-hup:
				h.Reload()
			case <-aside.Done():
				return
			}
		}
	})
	return func() {
		cancel()
		others.Wait()
		signal.Stop(hup)
	}
}

// first is the shop to begin with. Where the program ended in the middle of a
// move-in, nobody stands at it any more: left is set, and the shop is the one
// before, so that machines are served.
func (r *runFlags) first(load func(daemon.Choice) (*config.Shop, error), out *lines) (shop *config.Shop, choice daemon.Choice, left bool, err error) {
	folder := stateFolder(r.state)
	if choice, err = daemon.Choose(folder, r.shop); err != nil {
		return nil, choice, false, &exitError{exitConfig, err}
	}
	if choice.Chosen && filepath.Base(choice.File) == guide.BenchFile {
		before := daemon.Choice{File: r.shop}
		if file := guide.Before(folder); file != "" {
			before = daemon.Choice{File: file, Chosen: true}
		}
		if shop, err = load(before); err == nil {
			return shop, before, true, nil
		}
		out.notice(notBack(err))
	}
	shop, err = load(choice)
	return shop, choice, false, err
}

// leftMoveIn chooses the shop before a move-in that nobody has left.
func (r *runFlags) leftMoveIn(before daemon.Choice, out *lines) {
	file := ""
	if before.Chosen {
		file = before.File
	}
	out.notice(errors.New("kerfwind ended in the middle of a move-in: the shop before is in force again. The answers are kept: the page or kerfwind movein goes on with them"))
	if err := daemon.SetActiveShop(stateFolder(r.state), file); err != nil {
		out.notice(err)
	}
}

// source says how a shop is read and its hardware opened: the real one, or a
// simulated one.
func (r *runFlags) source(cmd *cobra.Command, out *lines) (load func(daemon.Choice) (*config.Shop, error), how rig.Options, title string, err error) {
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
		how.Far = far
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
				return demoFiles()
			}
			return loadShop(demoRigFile, c)
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
		name = demoMorning
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

// demoRigFile reads the rig that the program carries, demoFiles also the shop.
func demoRigFile() (*config.Rig, error) {
	text, err := testdata.Demo.ReadFile(demoRig)
	if err != nil {
		return nil, err
	}
	return config.ParseRig(demoRig, text)
}

func demoFiles() (*config.Shop, error) {
	text, err := testdata.Demo.ReadFile(demoShop)
	if err != nil {
		return nil, err
	}
	r, err := demoRigFile()
	if err != nil {
		return nil, err
	}
	return config.ParseShop(demoShop, text, r)
}

// ended says that the outputs are inert, or why not.
func ended(err error, out *lines) error {
	if err != nil {
		return &exitError{exitHardware, fmt.Errorf("the outputs are not all inert: %w", err)}
	}
	out.say("collector off, nothing moves, no servo pulses")
	return nil
}

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
		if s, err := statusOf(context.Background(), rig.Folder(h.runtime)); err == nil && filepath.IsAbs(s.File) {
			c.File = s.File
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

// learned puts levels in force that were learned. Without them the shop runs
// on its file and the defaults.
func (h *hardwareFlags) learned(s *config.Shop, out *lines) {
	l, err := state.ReadLearned(stateFolder(h.state))
	if err != nil {
		out.notice(fmt.Errorf("what was learned is not used: %w", err))
		return
	}
	before := len(s.Warnings)
	s.Learn(l)
	for _, w := range s.Warnings[before:] {
		out.notice(errors.New(w.Message))
	}
}

// open takes the rig's lock and its hardware, for a hand on one thing. free
// gives the lock back.
func (h *hardwareFlags) open(out *lines) (live *rig.Live, free func(), err error) {
	s, err := h.load()
	if err != nil {
		return nil, nil, err
	}
	h.learned(s, out)
	lock, err := rig.TakeLock(rig.Folder(h.runtime))
	if err != nil {
		return nil, nil, &exitError{exitHardware, err}
	}
	free = func() { _ = lock.Free() } // the kernel does it otherwise
	began := time.Now()
	down, why := daemon.StoodDown(stateFolder(h.state))
	if down {
		out.say("stood down: " + why)
	}
	o := realRig()
	o.Shop, o.StoodDown, o.Midway, o.Notice = s, down, true, out.notice
	o.Now = func() time.Duration { return time.Since(began) }
	live, err = rig.Open(o)
	if err != nil {
		free()
		return nil, nil, &exitError{exitHardware, err}
	}
	return live, free, nil
}

// lines writes lines from a goroutine of its own, so that a terminal that
// takes nothing cannot hold up the loop: what does not fit the queue is dropped
// and counted.
type lines struct {
	queue   chan line
	done    chan struct{}
	dropped atomic.Int64
}

type line struct {
	text  string
	event bool // goes to the standard output
}

// lineQueue is more lines than a busy minute has.
const lineQueue = 1024

// endWait bounds how long the end waits for a terminal that takes nothing.
const endWait = time.Second

func newLines(stdout, stderr io.Writer) *lines {
	l := &lines{queue: make(chan line, lineQueue), done: make(chan struct{})}
	go func() {
		defer close(l.done)
		for x := range l.queue {
			w := stderr
			if x.event {
				w = stdout
			}
			fmt.Fprintln(w, x.text)
			if n := l.dropped.Swap(0); n > 0 {
				fmt.Fprintf(stderr, "%d lines could not be written in time\n", n)
			}
		}
	}()
	return l
}

func (l *lines) put(x line) {
	select {
	case l.queue <- x:
	default:
		l.dropped.Add(1)
	}
}

// event prints what happened, say what a person should know, and notice what
// is wrong.
func (l *lines) event(text string) { l.put(line{text, true}) }
func (l *lines) say(text string)   { l.put(line{text, false}) }
func (l *lines) notice(err error)  { l.say("notice: " + err.Error()) }

// end waits until all is written, but not for ever. Nothing may be put after it.
func (l *lines) end() {
	close(l.queue)
	limit := time.NewTimer(endWait)
	defer limit.Stop()
	select {
	case <-l.done:
	case <-limit.C:
	}
}

// events prints events.
type events struct {
	out   *lines
	names *timeline.Names
	json  bool
}

// Observe prints what happened.
func (e *events) Observe(_ *control.Snapshot, list []control.Event) {
	for _, ev := range list {
		if e.json {
			l := timeline.FromEvent(ev, e.names)
			e.out.event(string(l.AppendJSON(nil)))
		} else {
			e.out.event(string(timeline.AppendText(nil, ev, e.names)))
		}
	}
}
