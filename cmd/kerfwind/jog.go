package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
)

// jogFlags are the flags of jog.
type jogFlags struct {
	hardwareFlags
	by   string
	hold string
	yes  bool
}

func newJog() *cobra.Command {
	var f jogFlags
	cmd := &cobra.Command{
		Use:   "jog [flags] GATE|collector",
		Short: "Move one gate, or run the collector, by hand",
		Long: `Jog moves one gate of the shop open for a while and then to where it belongs at
rest, or opens one path and runs the collector over it. It is a request
like any other: it is refused while a machine runs, while something else moves,
when stood down or after a stop input. A start of the collector counts as a
start, and the collector stops when its run-on and its shortest time on are
over. Ctrl-C makes everything inert at once.

Exit code 1: refused. Exit code 4: the hardware cannot be used, or another
kerfwind has the rig.`,
		Example: `  kerfwind jog --rig rig.toml --shop shops/barn.toml planer
  kerfwind jog --rig rig.toml --shop shops/barn.toml --by planer --for 20s collector`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return &exitError{exitUsage, errors.New("jog moves one thing: name a gate, or write collector")}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			return f.run(ctx, cmd, args[0])
		},
	}
	f.add(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.by, "by", "", "gate whose path the collector draws through (default: the first that makes one)")
	fl.StringVar(&f.hold, "for", "5 s", `how long, e.g. "10 s"`)
	fl.BoolVar(&f.yes, "yes", false, "do not ask: hands and tools are clear of gate and machines")
	return cmd
}

// request is what jog asks the state machine for.
func (f *jogFlags) request(s *config.Shop, name string) (control.Input, error) {
	long, err := config.ParseDuration(f.hold)
	if err != nil {
		return control.Input{}, fmt.Errorf("--for %q: %w", f.hold, err)
	}
	in := control.Input{Kind: control.Ask, Origin: control.Console, For: long, State: uint8(control.AskTestOpen)}
	gates := make([]string, len(s.Gates))
	for i := range s.Gates {
		gates[i] = s.Gates[i].Name
	}
	if name == s.NameOf(control.ACollector, 0) && !slices.Contains(gates, name) {
		in.State = uint8(control.AskHold)
		if name = f.by; name == "" && len(gates) > 0 {
			name = firstPath(s)
		}
	} else if f.by != "" {
		return in, errors.New("--by is for the collector")
	}
	i := slices.Index(gates, name)
	if i < 0 {
		return in, fmt.Errorf("%s has no gate %q: it has %s", s.Name, name, strings.Join(gates, ", "))
	}
	in.ID = control.ID(i)
	return in, nil
}

// firstPath is the first gate that a machine's hood ends at: one that makes a
// path of its own.
func firstPath(s *config.Shop) string {
	for i := range s.Machines {
		for _, p := range s.Machines[i].Paths {
			if len(p) > 0 {
				return s.Gates[p[0]].Name
			}
		}
	}
	return s.Gates[0].Name
}

func (f *jogFlags) run(ctx context.Context, cmd *cobra.Command, name string) error {
	s, err := f.load()
	if err != nil {
		return err
	}
	ask, err := f.request(s, name)
	if err != nil {
		return &exitError{exitUsage, err}
	}
	if err := f.confirm(cmd, s, ask); err != nil {
		return err
	}
	out := newLines(cmd.OutOrStdout(), cmd.ErrOrStderr())
	defer out.end()
	live, free, err := f.open(out)
	if err != nil {
		return err
	}
	defer free()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	j := &jogging{ask: ask, end: cancel}
	wait := jogWait + s.Collector.Coast
	out.say("waits " + config.FormatDuration(wait) + ": the fan may have run until now, and the sensors must have spoken")
	asked := time.AfterFunc(wait, func() { live.Ask(ask) })
	defer asked.Stop()
	if err := ended(live.Run(ctx, &events{out, &live.Names, false}, j), out); err != nil {
		return err
	}
	return j.verdict(&live.Names)
}

// jogWait is how long jog listens to the sensors before it asks, beyond the time
// that the fan takes to come to rest: a machine that runs has been seen by then.
const jogWait = time.Second / 2

// confirm warns, and asks unless it was told not to.
func (f *jogFlags) confirm(cmd *cobra.Command, s *config.Shop, ask control.Input) error {
	gate := s.Gates[ask.ID].Name
	w := cmd.ErrOrStderr()
	if control.AskKind(ask.State) == control.AskHold {
		fmt.Fprintf(w, "CAUTION: gate %s will open, then the collector will start without further notice.\nThis counts as one of its starts; it runs for at least %s.\n", gate, config.FormatDuration(s.Collector.MinOn))
	} else {
		fmt.Fprintf(w, "CAUTION: gate %s will move, and move back. It can crush a finger.\n", gate)
	}
	fmt.Fprintln(w, "Kerfwind does not keep a machine from starting: use the disconnect before reaching in.")
	if f.yes {
		return nil
	}
	in, ok := cmd.InOrStdin().(*os.File)
	if !ok || !term.IsTerminal(int(in.Fd())) {
		return &exitError{exitUsage, errors.New("nobody is there to ask: look that hands and tools are clear, and give --yes")}
	}
	fmt.Fprint(w, "Are hands and tools clear? Type yes: ")
	answer, err := bufio.NewReader(in).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if strings.TrimSpace(answer) != "yes" {
		return errors.New("nothing was moved")
	}
	return nil
}

// jogging watches what becomes of the request and ends the run once it is over.
type jogging struct {
	ask control.Input
	end context.CancelFunc

	taken  bool // the request was granted
	over   bool // the test move or the hold has ended
	moving bool // the gate is on its way
	on     bool // the collector is on
	bad    *control.Event
}

// Observe follows the gate and the collector.
func (j *jogging) Observe(_ *control.Snapshot, list []control.Event) {
	for _, e := range list {
		mine := e.Subject() == control.AGate && e.ID == j.ask.ID
		switch e.Kind {
		case control.RequestRefused:
			j.bad = &e
			j.over = true
		case control.TestBegan, control.GateHeld:
			j.taken = true
		case control.TestEnded, control.GateReleased:
			j.over = true
		case control.GateOpening, control.GateClosing:
			j.moving = j.moving || mine
		case control.GateIsOpen, control.GateIsClosed, control.GateStopped:
			j.moving = j.moving && !mine
		case control.CollectorIsOn:
			j.on = true
		case control.CollectorIsOff:
			j.on = false
		case control.FaultRaised:
			if mine || e.Subject() == control.ACollector {
				j.bad, j.moving = &e, false
			}
		default:
		}
	}
	if j.over && !j.moving && !j.on {
		j.end()
	}
}

// verdict is how it went.
func (j *jogging) verdict(n *timeline.Names) error {
	switch {
	case j.bad != nil:
		return errors.New(timeline.Sentence(*j.bad, n))
	case !j.taken:
		return errors.New("stopped before anything was moved")
	}
	return nil
}
