package adc

import (
	"errors"
	"time"

	"periph.io/x/conn/v3/spi"
)

// clock is a clock that only moves when told to.
type clock struct {
	t     time.Duration
	waits []time.Duration // instants waited for
	late  time.Duration   // the next wait ends this much late
}

func (c *clock) now() time.Duration { return c.t }

func (c *clock) wait(until time.Duration) bool {
	c.waits = append(c.waits, until)
	c.t = max(c.t, until) + c.late
	c.late = 0
	return true
}

// fakeMCP is an MCP3208 or MCP3008 by the bit, after figures 5-1 and 6-1 of
// the data sheets DS21298E and DS21295D: it waits for a start bit, takes four
// bits of configuration, samples for a clock, and answers a null bit and the
// code, most significant bit first, then the rest of the code the other way
// round, then zeros. While it does not drive its output the line reads 1.
type fakeMCP struct {
	clock *clock
	bits  int
	input func(channel int, t time.Duration) int // code
	call  time.Duration                          // cost of a call
	each  time.Duration                          // cost of a transfer
	stall time.Duration                          // once, in the next call

	dead   bool // no chip: the line stays at 1
	stuck  bool // the line is held at 0
	broken error
	calls  []int // packets of each call
	closed bool
}

func (m *fakeMCP) Close() error { m.closed = true; return nil }

func (m *fakeMCP) TxPackets(ps []spi.Packet) error {
	if m.closed {
		return errors.New("used after Close")
	}
	if m.broken != nil {
		return m.broken
	}
	m.calls = append(m.calls, len(ps))
	m.clock.t += m.call + m.stall
	m.stall = 0
	for _, p := range ps {
		if p.KeepCS || p.BitsPerWord != 0 || len(p.W) != len(p.R) {
			return errors.New("bad packet")
		}
		m.clock.t += m.each
		m.transfer(p.W, p.R)
	}
	return nil
}

func (m *fakeMCP) transfer(w, r []byte) {
	since := -1 // clocks since the start bit
	config, code := 0, 0
	for i := range w {
		r[i] = 0
		for bit := 7; bit >= 0; bit-- {
			in := int(w[i]>>bit) & 1
			out := 1
			if since < 0 {
				if in == 1 {
					since = 0
				}
			} else {
				since++
				switch n := since - 7; {
				case since <= 4:
					config = config<<1 | in
					if since == 4 {
						code = 0
						if config&8 != 0 { // single-ended
							code = m.input(config&7, m.clock.t)
						}
					}
				case since == 5: // sampling
				case since == 6:
					out = 0
				case n < m.bits:
					out = code >> (m.bits - 1 - n) & 1
				case n < 2*m.bits-1:
					out = code >> (n - m.bits + 1) & 1
				default:
					out = 0
				}
			}
			if m.dead {
				out = 1
			}
			if m.stuck {
				out = 0
			}
			r[i] |= byte(out << bit)
		}
	}
}

// fakeADS is an ADS1115 by its registers, after SBAS444E sections 8.1 and 9.6.
type fakeADS struct {
	clock  *clock
	volts  func(input int, t time.Duration) float64
	config uint16
	at     byte
	other  bool // another chip: writes are lost
	broken error
	closed bool
}

func (a *fakeADS) Close() error { a.closed = true; return nil }

func (a *fakeADS) Tx(w, r []byte) error {
	if a.broken != nil {
		return a.broken
	}
	a.clock.t += 90 * time.Microsecond
	if len(w) > 0 {
		a.at = w[0] & 3
	}
	if len(w) == 3 && a.at == 1 && !a.other {
		a.config = uint16(w[1])<<8 | uint16(w[2])
	}
	v := uint16(0)
	switch a.at {
	case 0:
		v = uint16(int16(a.convert()))
	case 1:
		v = a.config | 0x8000 // idle between two conversions
	}
	for i := range r {
		r[i] = byte(v >> (8 * (1 - i)))
	}
	return nil
}

func (a *fakeADS) convert() int {
	if a.config&0x0100 != 0 || a.config&0x4000 == 0 || a.config>>5&7 != 7 {
		return 0 // single shot, not against ground, or slow
	}
	full := []float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}[a.config>>9&7]
	code := int(a.volts(int(a.config>>12&3), a.clock.t) / full * 32768)
	return max(-32768, min(32767, code))
}
