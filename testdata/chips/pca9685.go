package chips

import (
	"testing"
	"time"
)

// PCA9685 is a PCA9685 register by register, after the data sheet (NXP, Rev. 4,
// 16 April 2015). It fails the test on anything that the data sheet forbids or
// that would do nothing.
type PCA9685 struct {
	t         testing.TB
	now       func() time.Duration
	reg       [256]byte
	ptr       byte
	awake     time.Duration // since then; meaningful while SLEEP is clear
	Transfers int           // so far
}

// NewPCA9685 is one after power-on.
func NewPCA9685(t testing.TB, now func() time.Duration) *PCA9685 {
	m := &PCA9685{t: t, now: now}
	m.Reset()
	return m
}

// Reset is a power-on reset: table 4 for the values.
func (m *PCA9685) Reset() {
	m.reg = [256]byte{}
	m.reg[0x00], m.reg[0x01], m.reg[0xFE] = 0x11, 0x04, 0x1E
	for n := range 16 {
		m.reg[0x06+4*n+3] = 0x10
	}
}

func (m *PCA9685) ai() bool { return m.reg[0]&0x20 != 0 }

// next moves the register pointer: 0 to 69 wrap to 0, 250 to 254 wrap to 0
// (section 7.3).
func (m *PCA9685) next() {
	if !m.ai() {
		return
	}
	switch m.ptr {
	case 69, 254:
		m.ptr = 0
	default:
		m.ptr++
	}
}

// Transfer is one transaction: write, then read, then STOP.
func (m *PCA9685) Transfer(w, r []byte) {
	m.Transfers++
	if len(w) > 0 {
		m.ptr = w[0]
		if len(w) > 2 && !m.ai() {
			m.t.Errorf("% x: several bytes while AI is off all land in one register", w)
		}
		for _, v := range w[1:] {
			m.write(m.ptr, v)
			m.next()
		}
	}
	for i := range r {
		r[i] = m.read(m.ptr)
		m.next()
	}
}

func (m *PCA9685) read(reg byte) byte {
	if reg >= 0xFA && reg <= 0xFD {
		return 0 // the ALL_LED registers are write-only
	}
	return m.reg[reg]
}

func (m *PCA9685) write(reg, v byte) {
	switch {
	case reg == 0x00:
		was := m.reg[0]
		if v&0x80 == 0 {
			v |= was & 0x80 // RESTART is cleared by writing 1
		} else {
			v &^= 0x80
		}
		if was&0x10 == 0 && v&0x10 != 0 && m.Running() {
			v |= 0x80 // went to sleep with pulses on
		}
		if was&0x10 != 0 && v&0x10 == 0 {
			m.awake = m.now()
		}
		m.reg[0] = v
	case reg == 0x01:
		m.reg[1] = v & 0x1F
	case reg == 0xFE:
		if m.reg[0]&0x10 == 0 {
			m.t.Error("PRE_SCALE is written while SLEEP is clear: it is ignored")
			return
		}
		m.reg[reg] = max(v, 3)
	case reg >= 0xFA && reg <= 0xFD:
		for n := range 16 {
			m.reg[0x06+4*n+int(reg-0xFA)] = v
		}
	case reg >= 0x06 && reg <= 0x45:
		if (reg-0x06)%4 == 3 && v&0x10 == 0 && (m.reg[0]&0x10 != 0 || m.now()-m.awake < 500*time.Microsecond) {
			m.t.Errorf("register 0x%02x: a pulse is asked for before the oscillator runs", reg)
		}
		m.reg[0] &^= 0x80 // a write to a PWM register clears RESTART
		m.reg[reg] = v
	default:
		m.t.Errorf("register 0x%02x is written: it is not ours", reg)
	}
}

// Running reports whether it sends pulses on any output.
func (m *PCA9685) Running() bool {
	for n := range 16 {
		if m.reg[0x06+4*n+3]&0x10 == 0 {
			return true
		}
	}
	return false
}

// Pulse is the pulse of an output as a servo sees it; 0: none.
func (m *PCA9685) Pulse(n int) time.Duration {
	r := m.reg[0x06+4*n:]
	if r[3]&0x10 != 0 || m.reg[0]&0x10 != 0 {
		return 0
	}
	on, off := int(r[0])|int(r[1]&0xF)<<8, int(r[2])|int(r[3]&0xF)<<8
	period := 4096 * (int(m.reg[0xFE]) + 1) // clocks of 25 MHz
	return time.Duration(off-on) * time.Duration(period/4096) * 40 * time.Nanosecond
}
