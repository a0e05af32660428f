package control

import "time"

// indicator is the state of a lamp or a horn. Nothing depends on it: it is
// commanded under a stop input and a stand-down too.
type indicator struct {
	on     bool
	due    time.Duration // it blinks: it changes then
	answer time.Duration // the driver's answer is overdue from then on
	seq    uint32        // of the last command; not in the key
}

// shows reports whether what indicator i follows is so.
func (c *Core) shows(i int) bool {
	switch c.p.Indicators[i].Shows {
	case Collecting:
		return c.col.on && !c.col.still()
	case AnyUncollected:
		return c.faults[Uncollected] != 0
	case AnyLatch:
		return c.latched() || c.failed() != 0
	case AnyFault:
		for f := range c.faults {
			if c.faults[f] != 0 {
				return true
			}
		}
	default: // New takes no other
	}
	return false
}

// runLamps lets the indicators show what they follow.
func (c *Core) runLamps(out *Out) {
	for i := range c.lamps {
		l := &c.lamps[i]
		half := c.p.Indicators[i].Half
		switch is := c.shows(i); {
		case !is:
			l.due = never
			if l.on {
				c.light(i, false, out)
			}
		case half == 0 && !l.on:
			c.light(i, true, out)
		case half != 0 && l.due == never:
			l.due = c.now + half
			c.light(i, true, out)
		}
	}
}

func (c *Core) light(i int, on bool, out *Out) {
	l := &c.lamps[i]
	k := IndicatorOff
	if on {
		k = IndicatorOn
	}
	l.on = on
	l.seq = c.command(k, i, out)
	l.answer = c.now + c.p.Answer
}

func (c *Core) lampDue(i int, out *Out) {
	l := &c.lamps[i]
	if l.answer <= c.now {
		c.lampAnswer(i, Failed, out)
	}
	if l.due <= c.now {
		l.due = c.now + c.p.Indicators[i].Half
		c.light(i, !l.on, out)
	}
}

// lampAnswer takes the driver's answer. A command is repeated until it is carried
// out.
func (c *Core) lampAnswer(i int, o Outcome, out *Out) {
	l := &c.lamps[i]
	if l.answer == never {
		return
	}
	if o == Done {
		l.answer = never
		c.clear(IndicatorOutput, BySensor, i, out)
		return
	}
	c.raise(IndicatorOutput, ByFault, i, never, out)
	if l.answer <= c.now {
		c.light(i, l.on, out)
	}
}
