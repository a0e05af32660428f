package adc

import "time"

// clock is a clock that only moves when told to.
type clock struct {
	t     time.Duration
	waits []time.Duration // instants waited for
	late  time.Duration   // the next wait ends this much late
}

func (c *clock) pass(d time.Duration) { c.t += d }

func (c *clock) now() time.Duration { return c.t }

func (c *clock) wait(until time.Duration) bool {
	c.waits = append(c.waits, until)
	c.t = max(c.t, until) + c.late
	c.late = 0
	return true
}
