package control

import "time"

// button is the state of a wired push button. It acts when it is released after a
// short press, so that one that is stuck or short-circuited does nothing (in the
// manner of the manual reset of ISO 13849-1, from memory).
type button struct {
	is    Press         // 0 before the first report
	armed bool          // pressed, and to act when it is released
	stuck time.Duration // pressed: stuck from then on
}

// take takes in a report. It acts where acts, and is at fault where bad. A press
// that may not act is for nothing.
func (b *button) take(p Press, may bool, stuck time.Duration) (acts, bad bool) {
	was := b.is
	b.is = p
	switch {
	case p == was:
		return false, false
	case p == Released:
		acts = b.armed
		b.armed, b.stuck = false, never
		return acts, false
	case p == Pressed && was == Released:
		b.armed, b.stuck = may, stuck
		return false, false
	}
	b.armed, b.stuck = false, never
	return false, true // it cannot be read, or was pressed before anybody looked
}

// due reports whether it has been pressed for too long.
func (b *button) due(now time.Duration) bool {
	if b.stuck > now {
		return false
	}
	b.armed, b.stuck = false, never
	return true
}

// resetIs takes in the wired reset button. A press while a stop input is open is
// for nothing.
func (c *Core) resetIs(p Press, out *Out) {
	acts, bad := c.reset.take(p, c.allClosed(), c.now+c.p.Stuck)
	switch {
	case bad:
		c.raise(ResetStuck, BySensor, 0, never, out)
	case p == Released:
		c.clear(ResetStuck, BySensor, 0, out)
	}
	if acts && c.allClosed() {
		c.liftLatches(ByReset, out)
	}
}

// asideIs takes in a gate's own button. A press sets the gate aside at once; the
// next press takes it back when it is released.
func (c *Core) asideIs(i int, p Press, out *Out) {
	g := &c.gates[i]
	acts, bad := g.button.take(p, c.aside>>i&1 != 0, c.now+c.p.Stuck)
	switch {
	case bad:
		c.raise(AsideStuck, BySensor, i, never, out)
	case p == Released:
		c.clear(AsideStuck, BySensor, i, out)
	}
	switch {
	case acts:
		c.takeBack(i, ByButton, out)
	case p == Pressed && !c.has(AsideStuck, i): // bad, or stuck since before
		c.setAside(i, ByButton, out)
	}
}
