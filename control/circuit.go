package control

import "time"

// Limits of a circuit's classes, as parts of its breaker's rating. Near is the
// North American rule of 80 % for continuous load (from memory). Over begins
// at the rating: a breaker to IEC 60898-1 may trip from 1.13 times its rating
// and must from 1.45 times (conventional currents, from memory), so the
// warning comes first.
const (
	NearPart = 0.8
	OverPart = 1.0
)

// Class classes a circuit's current in amperes, true RMS.
func (c Circuit) Class(amps float64) Load {
	switch {
	case amps > float64(OverPart*c.Rating):
		return Over
	case amps > float64(NearPart*c.Rating):
		return Near
	case amps >= 0:
		return Fits
	}
	return LoadUnknown
}

// circuit is the state of a circuit.
type circuit struct {
	load   Load          // 0 before the first report
	said   Load          // what was last said of it; 0 nothing, which counts as Fits
	due    time.Duration // load differs from said: said from then on
	forget time.Duration // a past overload no longer matters from then on; breakerMemory before, it explains a stop
}

// breakerMemory is how much later than it happened a stop may be reported: it
// is longer than any stop hold of the sensing.
const breakerMemory = 10 * time.Second

func (c *Core) circuitIs(i int, l Load) {
	k := &c.circuits[i]
	switch {
	case l == Over:
		k.forget = never
	case k.load == Over:
		k.forget = c.now + c.p.Breaker + breakerMemory
	}
	k.load = l
	switch {
	case l == k.said, l == LoadUnknown, l == Fits && k.said == 0: // not known says nothing new
		k.due = never
	case k.due == never:
		k.due = c.now + c.p.CircuitSettle
	}
}

func (c *Core) circuitDue(i int, out *Out) {
	k := &c.circuits[i]
	if k.forget <= c.now {
		k.forget = never
	}
	if k.due > c.now {
		return
	}
	k.due = never
	k.said = k.load
	switch k.load {
	case Near:
		c.event(CircuitNear, BySensor, i, never, out)
	case Over:
		c.event(CircuitOver, BySensor, i, never, out)
	case Fits:
		c.event(CircuitFits, BySensor, i, never, out)
	case LoadUnknown: // never due
	}
}

// breakerCheck says so when machine i stopped just as its circuit fell from
// over its breaker's rating.
func (c *Core) breakerCheck(i int, onset time.Duration, out *Out) {
	id := c.p.Machines[i].Circuit
	if id == NoID {
		return
	}
	k := &c.circuits[id]
	at := c.now
	if onset != 0 {
		at = min(onset, at)
	}
	if k.forget != never && at <= k.forget-breakerMemory {
		c.raise(ProbablyBreaker, BySensor, i, never, out)
	}
}
