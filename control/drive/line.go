package drive

import (
	"errors"
	"fmt"
	"time"

	"kerfwind/control"
)

// line is an output line. It is off from the moment it was requested.
type line struct {
	d    *Driver
	at   Line
	low  bool
	user string
	part *part // nil: that of a servo chip has it
	lock lock  // held while the line is set, so that Halt's off is the last word

	out  Output // nil: it is not held
	once bool   // it was held
	on   bool
	ill  bool // the last set has failed
}

func (l *line) name() string { return l.user + ", " + l.at.String() }

func (l *line) set(on bool) error {
	l.lock.take()
	defer l.lock.free()
	if on && l.d.halted.Load() {
		return ErrHalted
	}
	err := l.put(on)
	if err != nil {
		if l.part != nil {
			l.part.doubt()
		}
		return fmt.Errorf("%s: %w", l.name(), err)
	}
	return nil
}

// put sets the line. The caller has the lock.
func (l *line) put(on bool) error {
	if l.out == nil {
		if l.part != nil {
			return l.part.missing()
		}
		return errMissing
	}
	err := l.out.Set(on)
	l.ill = err != nil
	if err == nil {
		l.on = on
	}
	return err
}

// seek takes hold of the line, off.
func (l *line) seek() error {
	l.lock.take()
	defer l.lock.free()
	switch {
	case l.d.halted.Load():
		return ErrHalted
	case l.out != nil && l.put(false) == nil:
		return nil
	case l.out != nil:
		_ = l.out.Close() // what it was is gone
		l.out = nil
	}
	out, err := l.d.hw.Output(l.at, l.low, l.user)
	if err != nil {
		return err
	}
	l.out, l.once, l.on, l.ill = out, true, false, false
	return nil
}

// look says again what the line was told, since an output cannot be read. The
// contactor's is never told on again: whether it has dropped, its current shows.
func (l *line) look() (again bool, err error) {
	l.lock.take()
	defer l.lock.free()
	if l.d.halted.Load() {
		return false, ErrHalted
	}
	on := l.on && !l.ill
	if on && l.part.drives(target{'c', 0}) {
		return false, nil
	}
	return false, l.put(on)
}

// halt switches the line off. One that was never held cannot be on by this program.
func (l *line) halt() error {
	l.lock.take()
	defer l.lock.free()
	if l.out == nil && !l.once {
		return nil
	}
	if err := l.put(false); err != nil {
		return fmt.Errorf("%s: %w", l.name(), err)
	}
	return nil
}

// lock is a mutex that a test's clock can see through: whoever holds it may
// hang in the kernel.
type lock chan struct{}

func newLock() lock  { return make(lock, 1) }
func (l lock) take() { l <- struct{}{} }
func (l lock) free() { <-l }

// relay is the unit for one relay: the contactor's, an outlet's or a gate's.
type relay struct {
	d     *Driver
	line  *line
	shuts bool      // it is a gate's, which is shut while it is on
	retry time.Time // it could not be switched off: tried again then; zero: it could
}

func (r *relay) do(now time.Time, c control.Command) {
	on := r.shuts
	switch c.Kind {
	case control.GateStop:
		r.d.answer(c, nil) // it cannot stop half-way
		return
	case control.CollectorOn, control.OutletOn, control.GateOpen, control.IndicatorOn:
		on = !on
	case control.CollectorOff, control.OutletOff, control.GateShut, control.IndicatorOff:
	}
	if !on {
		r.d.answer(c, r.off(now))
		return
	}
	r.retry = time.Time{}
	r.d.answer(c, r.line.set(true))
}

// off switches off. While that fails it is tried again, whatever control does
// about the answer.
func (r *relay) off(now time.Time) error {
	r.retry = time.Time{}
	err := r.line.set(false)
	if err != nil && !errors.Is(err, errMissing) { // else it is off when it comes back
		r.retry = now.Add(offRetry)
	}
	return err
}

func (r *relay) due() time.Time { return r.retry }

func (r *relay) fire(now time.Time) {
	if r.retry.IsZero() || now.Before(r.retry) {
		return
	}
	if r.off(now) == nil { // a failure was told when it came first
		r.d.trouble(fmt.Errorf("%s: it would not switch off, and now has", r.line.name()))
	}
}

// topic is the unit for an outlet or a gate that is told over a topic.
type topic struct {
	d *Driver
	t *Topic
}

func (t *topic) publish(payload string) error {
	if t.d.p.Publish == nil {
		return fmt.Errorf("topic %q: %w: there is no link to a broker", t.t.Name, ErrNoOutput)
	}
	if err := t.d.p.Publish.Publish(t.t.Name, payload); err != nil {
		return fmt.Errorf("topic %q: %w", t.t.Name, err)
	}
	return nil
}

// halt tells an outlet that it is off.
func (t *topic) halt() error {
	if t.d.p.Publish == nil {
		return nil // nothing was ever told
	}
	return t.publish(t.t.Off)
}

func (t *topic) do(_ time.Time, c control.Command) {
	switch c.Kind {
	case control.OutletOff:
		t.d.answer(c, t.halt())
	case control.GateStop:
		t.d.answer(c, nil) // it cannot be stopped
	default:
		if t.d.halted.Load() {
			t.d.answer(c, ErrHalted)
			return
		}
		payload := t.t.On
		if c.Kind == control.GateShut {
			payload = t.t.Off
		}
		t.d.answer(c, t.publish(payload))
	}
}

func (t *topic) due() time.Time { return time.Time{} }
func (t *topic) fire(time.Time) {}

// heart toggles the heartbeat line when its worker is woken, and by nothing
// else: only the loop wakes it.
type heart struct {
	d     *Driver
	line  *line
	every time.Duration
	last  time.Time
	on    bool
	ill   bool
}

func (h *heart) do(time.Time, control.Command) {}
func (h *heart) due() time.Time                { return time.Time{} }

func (h *heart) fire(now time.Time) {
	if !h.last.IsZero() && now.Sub(h.last) < h.every {
		return
	}
	h.last, h.on = now, !h.on
	err := h.line.set(h.on)
	if err != nil && !h.ill && !errors.Is(err, ErrHalted) {
		h.d.trouble(fmt.Errorf("heartbeat: %w", err))
	}
	h.ill = err != nil
}
