package live

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
)

// JogWait is how long to listen to the sensors before the request: the fan may have
// run until now, and a machine that runs has been seen by then.
func JogWait(s *config.Shop) time.Duration { return s.Collector.Coast + time.Second/2 }

// JogRequest says what to ask the state machine for: to move a gate of this name, or to
// run the collector over the path of the gate by, where one is named.
func JogRequest(s *config.Shop, name, by string, long time.Duration) (control.Input, error) {
	in := control.InAsk(control.AskTestOpen, control.Console, control.NoID)
	in.For = long
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

// JogCaution says what to beware of before the request is made.
func JogCaution(s *config.Shop, ask control.Input) string {
	gate := s.Gates[ask.ID].Name
	text := fmt.Sprintf("CAUTION: gate %s will move, and move back. It can crush a finger.\n", gate)
	if control.AskKind(ask.State) == control.AskHold {
		text = fmt.Sprintf("CAUTION: gate %s will open, then the collector will start without further notice.\nThis counts as one of its starts; it runs for at least %s.\n", gate, config.FormatDuration(s.Collector.MinOn))
	}
	return text + "Kerfwind does not keep a machine from starting: use the disconnect before reaching in.\n"
}

// JogThrough lets the kerfwind that runs do it, and tells what happens. Where ctx ends,
// what was asked for is ended too.
func JogThrough(ctx context.Context, shop seam.Shop, s *config.Shop, ask control.Input, event func(text string), notice func(error)) error {
	items, err := shop.Follow(ctx, seam.Want{Events: true})
	if err != nil {
		return err
	}
	defer func() { _ = items.Close() }() // all is said
	st, err := shop.State(ctx)
	if err != nil {
		return err
	}
	kind, gate, names := control.AskKind(ask.State), s.Gates[ask.ID].Name, timeline.Names(st.Names)
	ask.ID = control.ID(slices.Index(names.Gates, gate)) // as the daemon counts; it refuses a gate that it does not have
	if _, err := shop.Ask(ctx, seam.Request{Kind: kind, Target: gate, For: ask.For}); err != nil {
		return err
	}
	ended := context.AfterFunc(ctx, func() {
		end := seam.Request{Kind: control.AskTestEnd}
		if kind == control.AskHold {
			end.Kind, end.Target = control.AskRelease, gate
		}
		if _, err := shop.Ask(context.WithoutCancel(ctx), end); err != nil {
			notice(err)
		}
	})
	defer ended()
	over := false
	j := &JogWatch{Ask: ask, End: func() { over = true }}
	for !over {
		x, err := items.Next(context.WithoutCancel(ctx))
		if err != nil {
			return fmt.Errorf("the running kerfwind says no more: %w", err)
		}
		if x.Kind == seam.AnEvent {
			event(string(timeline.AppendText(nil, x.Event, &names)))
			j.Observe(nil, []control.Event{x.Event})
		}
	}
	return j.Verdict(&names)
}

// JogWatch watches what becomes of a request and calls End once it is over.
type JogWatch struct {
	Ask control.Input
	End func()

	taken  bool // the request was granted
	over   bool // the test move or the hold has ended
	moving bool // the gate is on its way
	on     bool // the collector is on
	bad    *control.Event
}

// Observe follows the gate and the collector.
func (j *JogWatch) Observe(_ *control.Snapshot, list []control.Event) {
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
func (j *JogWatch) Verdict(n *timeline.Names) error {
	switch {
	case j.bad != nil:
		return errors.New(timeline.Sentence(*j.bad, n))
	case !j.taken:
		return errors.New("stopped before anything was moved")
	}
	return nil
}
