package control

import (
	"iter"
	"time"
)

// StirKind is how something keeps a shop from rest.
type StirKind uint8

// The kinds.
const (
	StirRuns StirKind = iota + 1
	StirRunsOn
	StirMoves
	StirHeld
	StirTested
	StirAtHand  // its switch is
	StirStaysOn // though it was commanded off
	StirCollects
	StirRests // it is left alone until Until
	StirOutlet
)

// Stir is one thing that keeps a shop from rest.
type Stir struct {
	Kind    StirKind
	Subject Subject
	ID      ID
	Until   time.Duration // when it ends by itself; 0 is not known
}

// Stirs list what keeps a shop from rest, as far as is known: at rest nothing runs,
// moves, is held or on. A latched shop may be at rest.
func (s *Snapshot) Stirs() iter.Seq[Stir] {
	return func(yield func(Stir) bool) {
		for i := range s.Machines {
			x := Stir{Subject: AMachine, ID: ID(i)}
			switch m := &s.Machines[i]; {
			case s.MoveIn: // it may run: a move-in asks for that
			case m.Run || m.Sensed == Running:
				x.Kind = StirRuns
			case m.RunOn != 0:
				x.Kind, x.Until = StirRunsOn, m.RunOn
			}
			if x.Kind != 0 && !yield(x) {
				return
			}
		}
		for i := range s.Gates {
			x := Stir{Subject: AGate, ID: ID(i)}
			switch g := &s.Gates[i]; {
			case g.Position == PositionOpening || g.Position == PositionShutting:
				x.Kind = StirMoves
			case g.Held != 0:
				x.Kind, x.Until = StirHeld, g.Held
			case g.Why.Cause == ByTest:
				x.Kind, x.Until = StirTested, g.Why.Until
			}
			if x.Kind != 0 && !yield(x) {
				return
			}
		}
		x := Stir{Subject: ACollector}
		switch c := &s.Collector; {
		case c.Switch == Hand:
			x.Kind = StirAtHand
		case c.Fault == CollectorStillOn:
			x.Kind = StirStaysOn
		case c.Commanded || c.Sensed == Running:
			x.Kind, x.Until = StirCollects, c.Why.Until
		case c.Why.Cause == ByCoast || c.Why.Cause == ByPowerUp:
			x.Kind, x.Until = StirRests, c.Why.Until
		}
		if x.Kind != 0 && !yield(x) {
			return
		}
		for i := range s.Outlets {
			if o := &s.Outlets[i]; o.Commanded && !yield(Stir{StirOutlet, AnOutlet, ID(i), o.RunOn}) {
				return
			}
		}
	}
}
