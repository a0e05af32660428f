// Package jog moves one gate, or runs the collector over one path, when a person
// asks for it: it makes the request, says what to beware of, and watches what
// becomes of it, on a rig of one's own or through the kerfwind that has it.
package jog

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/setup"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
)

// Wait is how long to listen to the sensors before the request: the fan may have
// run until now, and a machine that runs has been seen by then.
func Wait(s *config.Shop) time.Duration { return s.Collector.Coast + time.Second/2 }

// Request is what to ask the state machine for: to move a gate of this name, or to
// run the collector over the path of the gate by, where one is named.
func Request(s *config.Shop, name, by string, long time.Duration) (control.Input, error) {
	in := control.Input{Kind: control.Ask, Origin: control.Console, For: long, State: uint8(control.AskTestOpen)}
	gates := make([]string, len(s.Gates))
	for i := range s.Gates {
		gates[i] = s.Gates[i].Name
	}
	if name == s.NameOf(control.ACollector, 0) && !slices.Contains(gates, name) {
		in.State = uint8(control.AskHold)
		if name = by; name == "" && len(gates) > 0 {
			name = firstPath(s)
		}
	} else if by != "" {
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

// Caution is what to beware of before the request is made.
func Caution(s *config.Shop, ask control.Input) string {
	gate := s.Gates[ask.ID].Name
	text := fmt.Sprintf("CAUTION: gate %s will move, and move back. It can crush a finger.\n", gate)
	if control.AskKind(ask.State) == control.AskHold {
		text = fmt.Sprintf("CAUTION: gate %s will open, then the collector will start without further notice.\nThis counts as one of its starts; it runs for at least %s.\n", gate, config.FormatDuration(s.Collector.MinOn))
	}
	return text + "Kerfwind does not keep a machine from starting: use the disconnect before reaching in.\n"
}

// request asks the kerfwind of a runtime folder for something.
func request(ctx context.Context, folder string, r socket.Request) error {
	c, err := socket.Dial(folder)
	if err != nil {
		return err
	}
	defer func() { _ = c.Close() }() // the answer has come
	r.Do = socket.DoAsk
	a, err := c.Do(ctx, r)
	if err == nil && a.Refused != "" {
		err = errors.New(a.Refused)
	}
	return err
}

// Through lets the kerfwind of a runtime folder do it, to which c is connected, and
// tells what happens. It closes c. Where ctx ends, what was asked for is ended too.
func Through(ctx context.Context, c *socket.Client, folder string, s *config.Shop, ask control.Input, event func(text string), notice func(error)) error {
	defer func() { _ = c.Close() }() // all is said
	if err := c.Start(socket.Request{Do: socket.DoEvents}); err != nil {
		return err
	}
	kind, gate := control.AskKind(ask.State), s.Gates[ask.ID].Name
	if err := request(ctx, folder, socket.Request{Ask: kind.String(), Gate: gate, For: ask.For.Seconds()}); err != nil {
		return err
	}
	ended := context.AfterFunc(ctx, func() {
		end := socket.Request{Ask: control.AskTestEnd.String()}
		if kind == control.AskHold {
			end.Ask, end.Gate = control.AskRelease.String(), gate
		}
		if err := request(context.WithoutCancel(ctx), folder, end); err != nil {
			notice(err)
		}
	})
	defer ended()
	over := false
	j := &Watch{Ask: ask, End: func() { over = true }}
	names := setup.Names(s)
	for !over {
		a, err := c.Next()
		if err != nil {
			return fmt.Errorf("the running kerfwind says no more: %w", err)
		}
		if a.Event == nil {
			continue
		}
		event(a.Text)
		j.Observe(nil, []control.Event{EventOf(a.Event, s)})
	}
	return j.Verdict(&names)
}

// EventOf reads an event line, as far as a test move needs it: kind, fault, gate.
func EventOf(line []byte, s *config.Shop) control.Event {
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

// Watch watches what becomes of a request and calls End once it is over.
type Watch struct {
	Ask control.Input
	End func()

	taken  bool // the request was granted
	over   bool // the test move or the hold has ended
	moving bool // the gate is on its way
	on     bool // the collector is on
	bad    *control.Event
}

// Observe follows the gate and the collector.
func (j *Watch) Observe(_ *control.Snapshot, list []control.Event) {
	for _, e := range list {
		mine := e.Subject() == control.AGate && e.ID == j.Ask.ID
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
		j.End()
	}
}

// Verdict is how it went.
func (j *Watch) Verdict(n *timeline.Names) error {
	switch {
	case j.bad != nil:
		return errors.New(timeline.Sentence(*j.bad, n))
	case !j.taken:
		return errors.New("stopped before anything was moved")
	}
	return nil
}
