package control

import (
	"encoding/binary"
	"time"
)

// codec writes the state into bytes, or reads it back: one list of fields
// serves both, so that nothing is written that is not read.
type codec struct {
	b      []byte
	now    time.Duration
	narrow bool // times in one byte, for integer clocks of a few ticks; never is 255
	read   bool
	at     int // next byte to read
}

func (k *codec) byte(v byte) byte {
	if k.read {
		v = k.b[k.at]
		k.at++
		return v
	}
	k.b = append(k.b, v)
	return v
}

func small[T ~uint8](k *codec, v *T) { *v = T(k.byte(byte(*v))) }

func (k *codec) flags(vs ...*bool) {
	var b byte
	for i, v := range vs {
		if *v {
			b |= 1 << i
		}
	}
	b = k.byte(b)
	for i, v := range vs {
		*v = b>>i&1 != 0
	}
}

func (k *codec) word(v *uint64) {
	if k.narrow {
		*v = uint64(k.byte(byte(*v)))
		return
	}
	if k.read {
		*v = binary.LittleEndian.Uint64(k.b[k.at:])
		k.at += 8
		return
	}
	k.b = binary.LittleEndian.AppendUint64(k.b, *v)
}

// length writes a length of time.
func (k *codec) length(v *time.Duration) {
	u := uint64(*v)
	k.word(&u)
	*v = time.Duration(u)
}

// deadline writes a deadline as the time that is left; one that has passed
// counts as none left, one that is not set as never.
func (k *codec) deadline(v *time.Duration) {
	left := *v
	if left != never {
		left = max(left-k.now, 0)
	} else if k.narrow {
		left = 255
	}
	k.length(&left)
	if !k.read {
		return
	}
	if left == never || k.narrow && left == 255 {
		*v = never
	} else {
		*v = k.now + left
	}
}

// state lists every field that decides what happens next.
func (c *Core) state(k *codec) {
	k.flags(&c.begun, &c.weak, &c.test.open, &c.down, &c.closed, &c.quiet, &c.col.on, &c.col.seen)
	k.deadline(&c.boot)
	k.word(&c.aside)
	k.word(&c.freed)
	if c.p.ResetButton {
		c.reset.state(k)
	}
	for i := range c.machines {
		m := &c.machines[i]
		small(k, &m.run)
		small(k, &m.left)
		small(k, &m.sensed)
		k.flags(&m.refused)
		for _, d := range [...]*time.Duration{&m.due, &m.gap, &m.serve, &m.late, &m.settle} {
			k.deadline(d)
		}
	}
	for i := range c.gates {
		g := &c.gates[i]
		small(k, &g.target)
		small(k, &g.motion)
		small(k, &g.shown)
		small(k, &g.tries)
		k.flags(&g.elapsed, &g.reached, &g.back, &g.hands, &g.reset)
		for _, d := range [...]*time.Duration{&g.due, &g.held, &g.limit, &g.late, &g.runOn, &g.wait} {
			k.deadline(d)
		}
		if c.p.Gates[i].Button {
			g.button.state(k)
		}
	}
	for i := range c.lamps {
		l := &c.lamps[i]
		k.flags(&l.on)
		k.deadline(&l.due)
		k.deadline(&l.answer)
	}
	for i := range c.outlets {
		o := &c.outlets[i]
		k.flags(&o.on)
		k.deadline(&o.runOn)
		k.deadline(&o.answer)
	}
	for i := range c.circuits {
		q := &c.circuits[i]
		small(k, &q.load)
		small(k, &q.said)
		k.deadline(&q.due)
		k.deadline(&q.forget)
	}
	for i := range c.stops {
		small(k, &c.stops[i])
	}
	q := &c.col
	k.flags(&q.faulted)
	small(k, &q.sensed)
	small(k, &q.selector)
	small(k, &q.bin)
	small(k, &q.heldBack)
	k.length(&q.owed)
	for _, d := range [...]*time.Duration{&q.stayUntil, &q.minOn, &q.minOff, &q.coast, &q.check, &q.allShut, &q.answer, &q.offAt, &q.shuts[0], &q.shuts[1]} {
		k.deadline(d)
	}
	for i := range q.starts[:c.starts] {
		k.deadline(&q.starts[i])
	}
	k.word(&c.rest)
	small(k, &c.wire)
	small(k, &c.test.gate)
	k.deadline(&c.test.until)
	for f := FaultKind(1); f < faultKinds; f++ {
		k.word(&c.faults[f])
	}
}

func (b *button) state(k *codec) {
	small(k, &b.is)
	k.flags(&b.armed)
	k.deadline(&b.stuck)
}

// AppendKey appends the state to b, in a size that depends on Params only.
// Deadlines are written as the time left at now. Two cores of the same Params
// with equal keys behave alike from then on, but for the times and sequence
// numbers that they count from.
func (c *Core) AppendKey(b []byte, now time.Duration) []byte {
	k := codec{b: b, now: now}
	c.state(&k)
	return k.b
}
