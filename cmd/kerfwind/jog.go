package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/setup"
	"kerfwind/cmd/kerfwind/internal/socket"
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
when stood down or after a stop input. While kerfwind runs it is the one that
moves; else jog takes the rig itself. A start of the collector counts as a
start, and the collector stops when its run-on and its shortest time on are
over. Ctrl-C makes everything inert at once; where the running kerfwind moves, it
ends what was asked for.

Exit code 1: refused. Exit code 4: the hardware cannot be used.`,
		Example: `  kerfwind jog --rig rig.toml --shop shops/barn.toml planer
  kerfwind jog --rig rig.toml --shop shops/barn.toml --by planer --for 20s collector`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return &exitError{exitUsage, errors.New("jog moves one thing: name a gate, or write collector")}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			outliveReaders()
			ctx, stop := untilEnded(cmd.Context())
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
	if held := (*rig.Held)(nil); errors.As(err, &held) {
		// Somebody has the rig: if it is the daemon, it does it.
		if c, derr := socket.Dial(rig.Folder(f.runtime)); derr == nil {
			return f.through(ctx, c, out, s, ask)
		}
	}
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

// through lets the daemon at the other end do it, and follows.
func (f *jogFlags) through(ctx context.Context, c *socket.Client, out *lines, s *config.Shop, ask control.Input) error {
	defer func() { _ = c.Close() }() // all is said
	if err := c.Start(socket.Request{Do: socket.DoEvents}); err != nil {
		return err
	}
	request := func(ctx context.Context, r socket.Request) error {
		second, err := socket.Dial(rig.Folder(f.runtime))
		if err != nil {
			return err
		}
		defer func() { _ = second.Close() }() // the answer has come
		a, err := second.Do(ctx, r)
		if err == nil && a.Refused != "" {
			err = errors.New(a.Refused)
		}
		return err
	}
	kind, gate := control.AskKind(ask.State), s.Gates[ask.ID].Name
	if err := request(ctx, socket.Request{Do: socket.DoAsk, Ask: kind.String(), Gate: gate, For: ask.For.Seconds()}); err != nil {
		return err
	}
	// Ctrl-C ends what was asked for; the daemon goes on.
	ended := context.AfterFunc(ctx, func() {
		end := socket.Request{Do: socket.DoAsk, Ask: control.AskTestEnd.String()}
		if kind == control.AskHold {
			end.Ask, end.Gate = control.AskRelease.String(), gate
		}
		if err := request(context.WithoutCancel(ctx), end); err != nil {
			out.notice(err)
		}
	})
	defer ended()
	over := false
	j := &jogging{ask: ask, end: func() { over = true }}
	names := setup.Names(s)
	for !over {
		a, err := c.Next()
		if err != nil {
			return fmt.Errorf("the running kerfwind says no more: %w", err)
		}
		if a.Event == nil {
			continue
		}
		out.event(a.Text)
		j.Observe(nil, []control.Event{eventOf(a.Event, s)})
	}
	return j.verdict(&names)
}

// eventOf reads an event line, as far as jog needs it: kind, fault, gate.
func eventOf(line []byte, s *config.Shop) control.Event {
	var x struct{ Event, Fault, Gate string }
	if err := json.Unmarshal(line, &x); err != nil {
		return control.Event{}
	}
	e := control.Event{ID: control.NoID}
	for k := control.EventKind(1); k.String() != "invalid"; k++ {
		if k.String() == x.Event {
			e.Kind = k
		}
	}
	for f := control.FaultKind(1); f.String() != "invalid"; f++ {
		if f.String() == x.Fault {
			e.Fault = f
		}
	}
	if i := slices.IndexFunc(s.Gates, func(g config.Gate) bool { return g.Name == x.Gate }); i >= 0 {
		e.ID = control.ID(i)
	}
	return e
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
