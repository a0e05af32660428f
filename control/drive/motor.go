package drive

import (
	"errors"
	"fmt"
	"time"

	"kerfwind/control"
)

// way is the way a motor runs or ran.
type way int8

const (
	standing way = 0
	opening  way = 1
	shutting way = -1
)

// motor is the unit for a gate with a DC motor.
//
//	standing -> waiting   a command; the other way was on within the dead time
//	standing -> running   a command, or the dead time is over
//	running  -> standing  the end switch, the run-time limit, stuck at its end, a
//	                      stop, a reversal
type motor struct {
	d          *Driver
	m          *Motor
	id         control.ID
	open, shut *line

	runs  way       // the line that is on
	last  way       // the way it last ran
	off   time.Time // when it was last switched off
	want  way       // standing: the way it will run from begin on
	begin time.Time
	c     control.Command // of want
	until time.Time       // running: the limit
	leave time.Time       // running: the other end's switch must have opened, or it is stuck; zero: it has been looked at
	stuck bool            // a line could not be switched off: tried again
	retry time.Time
}

// offRetry is how soon a line that could not be switched off is tried again.
const offRetry = 50 * time.Millisecond

func (m *motor) do(now time.Time, c control.Command) {
	m.want = standing
	to := opening
	switch c.Kind {
	case control.GateShut:
		to = shutting
	case control.GateOpen:
	default: // stop
		m.d.answer(c, m.rest(now))
		return
	}
	if m.runs == to && !m.stuck {
		m.d.answer(c, nil)
		return
	}
	if m.runs != standing {
		if err := m.rest(now); err != nil {
			m.d.answer(c, err)
			return
		}
	}
	m.want, m.c, m.begin = to, c, now
	if free := m.off.Add(DeadTime); m.last == -to && free.After(now) {
		m.begin = free
	}
}

// made reports whether the switch of an end shows that the gate is there.
func (m *motor) made(end way) bool {
	open, shut := m.d.sensed.ends(m.id)
	if end == opening {
		return open
	}
	return shut
}

func (m *motor) fire(now time.Time) {
	if m.stuck && !now.Before(m.retry) {
		_ = m.rest(now) // told when it failed first
	}
	if m.want != standing && !m.stuck && !now.Before(m.begin) {
		m.run(now)
	}
	if m.runs == standing || m.stuck {
		return
	}
	var err error
	switch to := m.runs; {
	case m.made(to):
		err = m.rest(now)
	case !now.Before(m.until):
		err = m.rest(now)
		if err == nil && m.d.sensed.has(m.id, to) {
			err = fmt.Errorf("motor %q: not at its end switch after %v: switched off", m.m.Name, m.m.Longest)
		}
	case !m.leave.IsZero() && !now.Before(m.leave):
		m.leave = time.Time{}
		if m.made(-to) {
			if err = m.rest(now); err == nil {
				err = fmt.Errorf("motor %q: it has not left its end after %v: stuck, switched off", m.m.Name, m.m.Longest/2)
			}
		}
	}
	if err != nil {
		m.d.trouble(err)
	}
}

// run switches the wanted way on, after making sure that the other is off.
func (m *motor) run(now time.Time) {
	to, c := m.want, m.c
	m.want = standing
	if !m.d.wanted(c) {
		return
	}
	if m.made(to) {
		m.d.answer(c, nil) // it is there
		return
	}
	this, other := m.open, m.shut
	if to == shutting {
		this, other = other, this
	}
	err := other.set(false)
	if err == nil {
		m.runs, m.last = to, to
		m.until = now.Add(m.m.Longest)
		m.leave = now.Add(m.m.Longest / 2)
		if err = this.set(true); err != nil {
			_ = m.rest(now) // the first error tells more
		}
	}
	m.d.answer(c, err)
}

// rest switches both ways off. While that fails the motor counts as running.
func (m *motor) rest(now time.Time) error {
	err := m.open.set(false)
	if e := m.shut.set(false); err == nil {
		err = e
	}
	m.stuck = err != nil
	if m.stuck {
		m.retry = now.Add(offRetry)
		if errors.Is(err, errMissing) {
			m.retry = now.Add(seekEvery)
		}
		return err
	}
	if m.runs != standing {
		m.off = now
	}
	m.runs = standing
	return nil
}

func (m *motor) due() time.Time {
	switch {
	case m.stuck:
		return m.retry
	case m.want != standing:
		return m.begin
	case m.runs == standing:
		return time.Time{}
	case !m.leave.IsZero() && m.leave.Before(m.until):
		return m.leave
	}
	return m.until
}
