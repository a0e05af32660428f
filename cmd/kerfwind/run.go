package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
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
	cmd.Flags().StringVar(folder, "runtime", "", "folder of the lock on the rig (default: systemd's, else /run/kerfwind)")
}

func newRun() *cobra.Command {
	var h hardwareFlags
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "run --rig FILE [--shop FILE]",
		Short: "Run the shop: read currents, move gates, switch the collector",
		Long: `Run reads the currents of the rig, moves its gates and switches its collector
until it is told to stop (SIGTERM, Ctrl-C), and prints what happens. However it
ends, it switches the collector off, stops every motion and ends servo pulses;
gates stay where they stand. After a SIGKILL nothing can do that but "kerfwind
halt".

Exit code 3: a file cannot be used. Exit code 4: a line, chip or bus cannot be
used, or another kerfwind has the rig.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			out := newLines(cmd.OutOrStdout(), cmd.ErrOrStderr())
			defer out.end()
			live, free, err := h.open(out, false)
			if err != nil {
				return err
			}
			defer free()
			// A second signal ends the program at once.
			context.AfterFunc(ctx, stop)
			out.say(fmt.Sprintf("kerfwind runs %s", h.title()))
			return ended(live.Run(ctx, &events{out, &live.Names, asJSON}), out)
		},
	}
	h.add(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object an event")
	return cmd
}

func (h *hardwareFlags) title() string {
	if h.shop == "" {
		return h.rig + " without a shop file"
	}
	return h.rig + " in " + h.shop
}

// ended says that the outputs are inert, or why not.
func ended(err error, out *lines) error {
	if err != nil {
		return &exitError{exitHardware, fmt.Errorf("the outputs are not all inert: %w", err)}
	}
	out.say("collector off, nothing moves, no servo pulses")
	return nil
}

// load reads the rig and shop files.
func (h *hardwareFlags) load() (*config.Shop, error) {
	r, err := config.LoadRig(h.rig)
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	if h.shop == "" {
		return config.StandIn(r, config.StandInOptions{}), nil
	}
	s, err := config.LoadShop(h.shop, r)
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

// open takes the rig's lock and its hardware. free gives the lock back.
func (h *hardwareFlags) open(out *lines, midway bool) (live *rig.Live, free func(), err error) {
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
	down, why := stoodDown(h.state)
	if down {
		out.say("stood down: " + why)
	}
	live, err = rig.Open(rig.Options{
		Shop: s, Hardware: drive.Kernel(), Sources: rig.Sources, StoodDown: down, Midway: midway, Notice: out.notice,
		Now: func() time.Duration { return time.Since(began) },
	})
	if err != nil {
		free()
		return nil, nil, &exitError{exitHardware, err}
	}
	return live, free, nil
}

// stoodDown tells whether a stand-down is stored, and why it is taken to be:
// what cannot be read counts as one.
func stoodDown(folder string) (bool, string) {
	if folder == "" {
		folder = os.Getenv("STATE_DIRECTORY")
	}
	if folder == "" {
		folder = "/var/lib/kerfwind"
	}
	path := filepath.Join(folder, "standdown")
	switch _, err := os.Stat(path); {
	case err == nil:
		return true, path + " says so"
	case errors.Is(err, os.ErrNotExist):
		return false, ""
	default:
		return true, err.Error()
	}
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
