package sim

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"kerfwind/control"
)

// Fault is one line of a fault script.
type Fault struct {
	At   time.Duration
	What What
	ID   int
}

// What happens. The zero value is invalid.
type What uint8

// The faults and their ends.
const (
	GateSticks       What = iota + 1 // it stays where it is
	GateFrees                        // and goes on where it was driven to
	GateSlows                        // its travel takes three times as long
	GateHurries                      // as fast as before
	OpenSwitchSticks                 // made, whatever the gate does
	OpenSwitchDies                   // never made
	OpenSwitchHeals                  // tells the truth again
	ShutSwitchSticks                 // made, whatever the gate does
	ShutSwitchDies                   // never made
	ShutSwitchHeals                  // tells the truth again
	SwitchesLost                     // they cannot be read
	SwitchesBack                     // they can
	GatePushedOpen                   // moved by hand, at once
	GatePushedShut                   // moved by hand, at once
	BusDies                          // commands get no answer and do nothing
	BusRecovers                      // commands work again
	OutputsFail                      // commands are answered: failed
	OutputsWork                      // commands work again
	CollectorTrips                   // its overload opens: no current
	CollectorResets                  // its overload is closed again
	ContactorWelds                   // it cannot open any more
	ContactorFrees                   // it can
	CollectorHand                    // its switch to hand
	CollectorLocked                  // its switch to off
	CollectorAuto                    // its switch to auto
	FeedbackLost                     // its current cannot be read
	FeedbackBack                     // it can
	BinFills                         // the bin is full
	BinEmptied                       // the bin has room
	StopOpens                        // a stop input acts
	StopCloses                       // it is closed again
	StopBreaks                       // its wire cannot be read
	StandDownOpens                   // the wired stand-down switch
	StandDownCloses                  // and back
	whats
)

// of says what a fault is about.
type of uint8

const (
	ofNothing of = iota
	ofGate
	ofStop
)

// words are the lines of a fault script. "%" is replaced by a name.
var words = [whats]struct {
	text string
	of   of
}{
	GateSticks: {"gate % sticks", ofGate}, GateFrees: {"gate % frees", ofGate},
	GateSlows: {"gate % slows", ofGate}, GateHurries: {"gate % hurries", ofGate},
	OpenSwitchSticks: {"gate % open switch sticks", ofGate}, OpenSwitchDies: {"gate % open switch dies", ofGate}, OpenSwitchHeals: {"gate % open switch heals", ofGate},
	ShutSwitchSticks: {"gate % shut switch sticks", ofGate}, ShutSwitchDies: {"gate % shut switch dies", ofGate}, ShutSwitchHeals: {"gate % shut switch heals", ofGate},
	SwitchesLost: {"gate % switches are lost", ofGate}, SwitchesBack: {"gate % switches are back", ofGate},
	GatePushedOpen: {"gate % is pushed open", ofGate}, GatePushedShut: {"gate % is pushed shut", ofGate},
	BusDies: {"bus dies", 0}, BusRecovers: {"bus recovers", 0}, OutputsFail: {"outputs fail", 0}, OutputsWork: {"outputs work", 0},
	CollectorTrips: {"collector trips", 0}, CollectorResets: {"collector resets", 0},
	ContactorWelds: {"contactor welds", 0}, ContactorFrees: {"contactor frees", 0},
	CollectorHand: {"collector to hand", 0}, CollectorLocked: {"collector to off", 0}, CollectorAuto: {"collector to auto", 0},
	FeedbackLost: {"collector current is lost", 0}, FeedbackBack: {"collector current is back", 0},
	BinFills: {"bin fills", 0}, BinEmptied: {"bin is emptied", 0},
	StopOpens: {"stop % opens", ofStop}, StopCloses: {"stop % closes", ofStop}, StopBreaks: {"stop % breaks", ofStop},
	StandDownOpens: {"stand-down switch opens", 0}, StandDownCloses: {"stand-down switch closes", 0},
}

// Names are the names that a fault script may use, by index.
type Names struct {
	Gates, Stops []string
}

func (n Names) of(o of) []string {
	switch o {
	case ofGate:
		return n.Gates
	case ofStop:
		return n.Stops
	case ofNothing:
	}
	return nil
}

// Text is the fault in words, without its time.
func (f Fault) Text(n Names) string {
	if f.What == 0 || f.What >= whats {
		return "nothing"
	}
	w := words[f.What]
	who := fmt.Sprint(f.ID)
	if list := n.of(w.of); f.ID >= 0 && f.ID < len(list) {
		who = list[f.ID]
	}
	return strings.Replace(w.text, "%", who, 1)
}

// ParseFault reads one fault in words, without its time.
func ParseFault(text string, n Names) (Fault, error) {
	text = strings.Join(strings.Fields(text), " ")
	for w := range words {
		if words[w].text == "" {
			continue
		}
		head, tail, named := strings.Cut(words[w].text, "%")
		if !named {
			if text == head {
				return Fault{What: What(w)}, nil
			}
			continue
		}
		if !strings.HasPrefix(text, head) || !strings.HasSuffix(text, tail) || len(text) < len(head)+len(tail) {
			continue
		}
		who := text[len(head) : len(text)-len(tail)]
		for i, name := range n.of(words[w].of) {
			if name == who {
				return Fault{What: What(w), ID: i}, nil
			}
		}
	}
	return Fault{}, fmt.Errorf("%q is no fault: say for example %q, and check the name", text, Fault{What: GateSticks}.Text(n))
}

// ParseFaults reads a fault script: one line each, as in
//
//	at 2m10s gate router sticks
//
// Empty lines and what follows "#" are skipped. Times must not fall. The error
// joins one for each bad line, each with the name and the number of the line.
func ParseFaults(name string, r io.Reader, n Names) ([]Fault, error) {
	var faults []Fault
	var errs []error
	lines := bufio.NewScanner(r)
	last := time.Duration(0)
	number := 0
	for lines.Scan() {
		number++
		line, _, _ := strings.Cut(lines.Text(), "#")
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		bad := func(err error) { errs = append(errs, fmt.Errorf("%s:%d: %w", name, number, err)) }
		if len(words) < 3 || words[0] != "at" {
			bad(fmt.Errorf(`%q: begin with "at", a time and what happens, as in "at 2m10s gate router sticks"`, strings.TrimSpace(line)))
			continue
		}
		at, err := time.ParseDuration(words[1])
		switch {
		case err != nil || at < 0:
			bad(fmt.Errorf(`%q is no time: write it like "2m10s" or "900ms"`, words[1]))
			continue
		case at < last:
			bad(fmt.Errorf("%v comes before the line above: put the lines in order", at))
			continue
		}
		last = at
		f, err := ParseFault(strings.Join(words[2:], " "), n)
		if err != nil {
			bad(err)
			continue
		}
		f.At = at
		faults = append(faults, f)
	}
	if err := lines.Err(); err != nil {
		errs = append(errs, fmt.Errorf("%s: %w", name, err))
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return faults, nil
}

// contacts says what a fault makes of a contact.
var contacts = map[What]control.Contact{
	StopOpens: control.Open, StopCloses: control.Closed, StopBreaks: control.Broken,
	StandDownOpens: control.Open, StandDownCloses: control.Closed,
}

// strike lets a fault happen now and appends what is reported of it at once.
func (s *Plant) strike(f Fault, in []control.Input) []control.Input {
	if f.What == 0 || f.What >= whats || words[f.What].of == ofGate && (f.ID < 0 || f.ID >= len(s.gates)) || words[f.What].of == ofStop && (f.ID < 0 || f.ID >= s.p.Stops) {
		return in
	}
	if words[f.What].of == ofGate {
		return s.strikeGate(f, in)
	}
	k := &s.col
	report := func(kind control.InputKind, state uint8) {
		in = append(in, control.Input{Kind: kind, ID: control.ID(f.ID), State: state})
	}
	switch f.What {
	case BusDies, BusRecovers:
		s.dead = f.What == BusDies
	case OutputsFail, OutputsWork:
		s.broken = f.What == OutputsFail
	case CollectorTrips, CollectorResets:
		k.tripped = f.What == CollectorTrips
		s.turn()
	case ContactorWelds:
		k.welded = k.contactor
		s.turn()
	case ContactorFrees:
		k.welded = false
		s.turn()
	case CollectorHand, CollectorLocked, CollectorAuto:
		k.hand, k.off = f.What == CollectorHand, f.What == CollectorLocked
		s.turn()
		report(control.SwitchIs, uint8(s.selector()))
	case FeedbackLost, FeedbackBack:
		k.wire = f.What == FeedbackLost
		in = s.feel(in)
	case BinFills:
		report(control.BinIs, uint8(control.Full))
	case BinEmptied:
		report(control.BinIs, uint8(control.Room))
	case StopOpens, StopCloses, StopBreaks:
		s.stops[f.ID] = contacts[f.What]
		report(control.StopIs, uint8(s.stops[f.ID]))
	case StandDownOpens, StandDownCloses:
		s.wire = contacts[f.What]
		report(control.StandDownIs, uint8(s.wire))
	default: // a gate's: see strikeGate
	}
	return in
}

func (s *Plant) strikeGate(f Fault, in []control.Input) []control.Input {
	g := &s.gates[f.ID]
	dir := g.dir
	g.at, g.since = s.way(f.ID), s.now
	switch f.What {
	case GateSticks:
		g.stuck = true
		g.motion++
	case GateFrees:
		g.stuck = false
		return s.drive(f.ID, dir, in)
	case GateSlows, GateHurries:
		g.slow = 1
		if f.What == GateSlows {
			g.slow = 3
		}
		return s.drive(f.ID, dir, in)
	case OpenSwitchSticks:
		g.lieOpen = made
	case OpenSwitchDies:
		g.lieOpen = dark
	case OpenSwitchHeals:
		g.lieOpen = honest
	case ShutSwitchSticks:
		g.lieShut = made
	case ShutSwitchDies:
		g.lieShut = dark
	case ShutSwitchHeals:
		g.lieShut = honest
	case SwitchesLost, SwitchesBack:
		g.wire = f.What == SwitchesLost
	case GatePushedOpen, GatePushedShut:
		g.at, g.dir = 0, 0
		if f.What == GatePushedOpen {
			g.at = s.p.Gates[f.ID].Travel
		}
		g.motion++
	default: // not a gate's: see strike
	}
	return s.look(f.ID, in)
}
