package drive

import (
	"errors"
	"time"

	"kerfwind/control"
)

// supply spaces the starts of the servos on one bus.
type supply struct {
	free time.Time // the next start may be then
}

// take returns when a start that is wanted now may be.
func (s *supply) take(now time.Time) time.Time {
	at := now
	if s.free.After(at) {
		at = s.free
	}
	s.free = at.Add(Stagger)
	return at
}

// phase is the step of a servo's move.
type phase uint8

const (
	resting  phase = iota // no pulse, or holding its place
	queued                // waits for its turn to start
	ramping               // the pulse is on its way
	arriving              // the pulse is at its end; released at next
)

// rampStep is the time between two steps of a slow move: one period.
const rampStep = time.Second / servoRate

// servo is the unit for a gate with a servo.
type servo struct {
	d     *Driver
	s     *Servo
	chip  *pca
	power *supply

	phase    phase
	slot     time.Time // its turn to start; kept until it is used or has passed
	next     time.Time
	c        control.Command // queued: what to do
	at       time.Duration   // the pulse it is at; 0: not known
	starts   int             // of the chip, when it stood there
	from, to time.Duration   // of the move
	began    time.Time       // ramping: the start
}

func (s *servo) do(now time.Time, c control.Command) {
	switch c.Kind {
	case control.GateOpen:
		s.to = s.s.Open
	case control.GateShut:
		s.to = s.s.Shut
	default: // stop: without a pulse it has no force
		if s.phase != ramping {
			s.at = 0 // it may be anywhere on its way
		}
		s.phase = resting
		s.d.answer(c, s.chip.off(s.s.Output))
		return
	}
	if s.slot.Before(now) {
		s.slot = s.power.take(now)
	}
	s.c, s.phase, s.next = c, queued, s.slot
}

func (s *servo) fire(now time.Time) {
	if s.phase == resting || now.Before(s.next) {
		return
	}
	switch s.phase {
	case queued:
		if !s.d.wanted(s.c) {
			s.phase = resting
			return
		}
		s.d.answer(s.c, s.begin(now))
	case ramping:
		s.check(s.step(now))
	case arriving:
		s.phase = resting
		s.check(s.chip.off(s.s.Output))
	case resting:
	}
}

// check tells of an error that is not the answer to a command.
func (s *servo) check(err error) {
	if err != nil {
		s.phase = resting
		if !errors.Is(err, ErrHalted) {
			s.d.trouble(err)
		}
	}
}

// begin starts the move. The servo's position is not known after power-up:
// then it cannot go slowly.
func (s *servo) begin(now time.Time) error {
	s.phase, s.slot = resting, time.Time{}
	if err := s.chip.part.missing(); err != nil {
		return s.chip.explain(err)
	}
	again, err := s.chip.look()
	if err != nil {
		s.chip.part.doubt()
		return err
	}
	if again {
		t := targetOf(s.c)
		s.chip.part.restarted(&t)
	}
	s.began, s.from = now, s.at
	if s.from == 0 || s.s.Slow == 0 || s.starts != s.chip.starts {
		s.from = s.to
	}
	return s.step(now)
}

// step sets the pulse that is due.
func (s *servo) step(now time.Time) error {
	span := (s.s.Open - s.s.Shut).Abs()
	way := time.Duration(0) // of the pulse since the start
	if span > 0 && s.s.Slow > 0 {
		way = time.Duration(float64(span) * (float64(now.Sub(s.began)) / float64(s.s.Slow)))
	}
	pulse := s.to
	if left := s.to - s.from; left.Abs() > way {
		if left < 0 {
			way = -way
		}
		pulse = s.from + way
	}
	if err := s.chip.pulse(s.s.Output, pulse); err != nil {
		return err
	}
	s.at, s.starts = pulse, s.chip.starts
	switch {
	case pulse != s.to:
		s.phase, s.next = ramping, now.Add(rampStep)
	case s.s.Release > 0:
		s.phase, s.next = arriving, now.Add(s.s.Travel+s.s.Release)
	default:
		s.phase = resting
	}
	return nil
}

func (s *servo) due() time.Time {
	if s.phase == resting {
		return time.Time{}
	}
	return s.next
}
