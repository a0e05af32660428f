package control

import "time"

// outlet is the state of an outlet.
//
//	off -> on  a machine that it follows has run for confirm
//	on -> off  none of them runs and its run-on is over; at once: stop input, stand-down
type outlet struct {
	on     bool
	runOn  time.Duration // on: end of the run-on, once none of its machines runs
	answer time.Duration // the driver's answer is overdue from then on
	seq    uint32        // of the last command; not in the key
}

func (c *Core) runOutlets(out *Out) {
	if c.blocked() != 0 {
		return
	}
	for i := range c.outlets {
		o := &c.outlets[i]
		runs, lasts := c.follows(i)
		switch {
		case lasts && !o.on:
			o.on = true
			o.seq = c.command(OutletOn, i, out)
			o.answer = c.now + c.p.Answer
			c.event(OutletIsOn, ByMachine, i, never, out)
		case o.on && runs:
			o.runOn = never
		case o.on && o.runOn == never:
			o.runOn = c.now + c.p.Outlets[i].RunOn
		}
	}
}

// follows reports whether a machine that outlet i follows runs, and whether its
// run has lasted for confirm.
func (c *Core) follows(i int) (runs, lasts bool) {
	for _, m := range c.p.Outlets[i].Follows {
		if m := &c.machines[m]; m.runs() && m.left != leftAll {
			runs = true
			lasts = lasts || m.run == running
		}
	}
	return runs, lasts
}

// outletOff commands off. With the first step it does so whatever is known.
func (c *Core) outletOff(i int, cause Cause, out *Out) {
	o := &c.outlets[i]
	if o.on {
		c.event(OutletIsOff, cause, i, never, out)
	}
	o.on, o.runOn = false, never
	o.seq = c.command(OutletOff, i, out)
	o.answer = c.now + c.p.Answer
}

func (c *Core) outletDue(i int, out *Out) {
	o := &c.outlets[i]
	if o.runOn <= c.now {
		c.outletOff(i, 0, out)
	}
	if o.answer <= c.now {
		c.outletAnswer(i, Failed, out)
	}
}

// outletAnswer takes the driver's answer. Off is repeated until it is carried out.
func (c *Core) outletAnswer(i int, a Outcome, out *Out) {
	o := &c.outlets[i]
	switch {
	case o.answer == never:
	case a == Done:
		o.answer = never
		c.clear(OutletOutput, BySensor, i, out)
	default:
		c.raise(OutletOutput, ByFault, i, never, out)
		if o.on {
			o.answer = never
		} else if o.answer <= c.now {
			c.outletOff(i, ByFault, out)
		}
	}
}
