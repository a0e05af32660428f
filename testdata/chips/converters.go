// Package chips models the chips of a rig by their registers and bits, for tests.
package chips

import (
	"errors"
	"time"

	"periph.io/x/conn/v3/spi"
)

// MCP is an MCP3208 or MCP3008 by the bit, after figures 5-1 and 6-1 of
// the data sheets DS21298E and DS21295D: it waits for a start bit, takes four
// bits of configuration, samples for a clock, and answers a null bit and the
// code, most significant bit first, then the rest of the code the other way
// round, then zeros. While it does not drive its output the line reads 1.
type MCP struct {
	Bits  int
	Input func(channel int) int // code
	Pass  func(time.Duration)   // lets time pass; nil: none does
	Call  time.Duration         // cost of a call
	Each  time.Duration         // cost of a transfer
	Stall time.Duration         // once, in the next call

	Dead   bool // no chip: the line stays at 1
	Stuck  bool // the line is held at 0
	Broken error
	Calls  []int // packets of each call
	Closed bool
}

// Close implements the driver's bus.
func (m *MCP) Close() error { m.Closed = true; return nil }

// TxPackets makes one transfer after the other.
func (m *MCP) TxPackets(ps []spi.Packet) error {
	if m.Closed {
		return errors.New("used after Close")
	}
	if m.Broken != nil {
		return m.Broken
	}
	m.Calls = append(m.Calls, len(ps))
	pass(m.Pass, m.Call+m.Stall)
	m.Stall = 0
	for _, p := range ps {
		if p.KeepCS || p.BitsPerWord != 0 || len(p.W) != len(p.R) {
			return errors.New("bad packet")
		}
		pass(m.Pass, m.Each)
		m.transfer(p.W, p.R)
	}
	return nil
}

func (m *MCP) transfer(w, r []byte) {
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
							code = m.Input(config & 7)
						}
					}
				case since == 5: // sampling
				case since == 6:
					out = 0
				case n < m.Bits:
					out = code >> (m.Bits - 1 - n) & 1
				case n < 2*m.Bits-1:
					out = code >> (n - m.Bits + 1) & 1
				default:
					out = 0
				}
			}
			if m.Dead {
				out = 1
			}
			if m.Stuck {
				out = 0
			}
			r[i] |= byte(out << bit)
		}
	}
}

// ADS1115 is an ADS1115 by its registers, after SBAS444E sections 8.1 and 9.6.
type ADS1115 struct {
	Volts  func(input int) float64
	Pass   func(time.Duration) // lets time pass; nil: none does
	Config uint16
	Other  bool // another chip: writes are lost
	Broken error
	Closed bool

	at byte
}

// Close implements the driver's bus.
func (a *ADS1115) Close() error { a.Closed = true; return nil }

// Tx writes w, then reads into r.
func (a *ADS1115) Tx(w, r []byte) error {
	if a.Broken != nil {
		return a.Broken
	}
	pass(a.Pass, 90*time.Microsecond)
	if len(w) > 0 {
		a.at = w[0] & 3
	}
	if len(w) == 3 && a.at == 1 && !a.Other {
		a.Config = uint16(w[1])<<8 | uint16(w[2])
	}
	v := uint16(0)
	switch a.at {
	case 0:
		v = uint16(int16(a.convert()))
	case 1:
		v = a.Config | 0x8000 // idle between two conversions
	}
	for i := range r {
		r[i] = byte(v >> (8 * (1 - i)))
	}
	return nil
}

func (a *ADS1115) convert() int {
	if a.Config&0x0100 != 0 || a.Config&0x4000 == 0 || a.Config>>5&7 != 7 {
		return 0 // single shot, not against ground, or slow
	}
	full := []float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}[a.Config>>9&7]
	code := int(a.Volts(int(a.Config>>12&3)) / full * 32768)
	return max(-32768, min(32767, code))
}

// pass lets time pass.
func pass(f func(time.Duration), d time.Duration) {
	if f != nil {
		f(d)
	}
}
