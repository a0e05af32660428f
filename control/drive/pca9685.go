package drive

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"sync/atomic"
	"time"
)

// Registers and bits of the PCA9685. Source: NXP data sheet PCA9685, Rev. 4,
// 16 April 2015, tables 4 to 8 and section 7.3.
const (
	regMode1    = 0x00
	regMode2    = 0x01
	regLED0     = 0x06 // ON_L, ON_H, OFF_L, OFF_H of output 0; four more for each output
	regAllOffH  = 0xFD // OFF_H of all outputs
	regPrescale = 0xFE

	mode1Restart = 1 << 7
	mode1AI      = 1 << 5 // the register number rises with each byte
	mode1Sleep   = 1 << 4
	mode2OutDrv  = 1 << 2 // totem pole
	fullOff      = 1 << 4 // in OFF_H; wins over everything

	outputs = 16
	steps   = 4096 // counts in a period
	// oscillator is the internal one, Hz. It is some percent off from chip to
	// chip, which the pulses that are set for each servo make up for.
	oscillator = 25e6

	// settle is how long the oscillator needs after SLEEP is cleared.
	settle = 500 * time.Microsecond
)

// servoRate is how often a pulse is sent, Hz: what hobby servos expect.
const servoRate = 50

// bus is an I2C bus. A transfer on it may hang.
type bus struct {
	d     *Driver
	name  string
	lock  lock // held during a transfer, so that Halt's is the last
	dev   Bus  // nil: it is not open
	chips []*pca
}

// open opens the bus, unless it is.
func (b *bus) open() error {
	b.lock.take()
	defer b.lock.free()
	if b.d.halted.Load() {
		return ErrHalted
	}
	if b.dev != nil {
		return nil
	}
	dev, err := b.d.hw.Bus(b.name)
	if err == nil {
		b.dev = dev
	}
	return err
}

// reopen has the bus opened again when a chip on it is sought next, unless another
// chip on it answers.
func (b *bus) reopen() {
	for _, c := range b.chips {
		if c.part.isHeld() {
			return
		}
	}
	b.lock.take()
	defer b.lock.free()
	if b.dev != nil && !b.d.halted.Load() {
		_ = b.dev.Close() // nothing on it answers
		b.dev = nil
	}
}

func (b *bus) tx(addr int, w, r []byte) error {
	b.lock.take()
	defer b.lock.free()
	if b.d.halted.Load() {
		return ErrHalted
	}
	if b.dev == nil {
		return errMissing
	}
	return b.dev.Tx(uint16(addr), w, r)
}

// halt silences every chip on the bus. One that has never answered sends nothing by
// this program.
func (b *bus) halt() error {
	b.lock.take()
	defer b.lock.free()
	var first error
	for _, c := range b.chips {
		if !c.spoken.Load() {
			continue
		}
		var err error
		if b.dev == nil { // nothing on it answered
			b.dev, err = b.d.hw.Bus(b.name)
		}
		for range tries {
			if b.dev == nil {
				break
			}
			if err = b.dev.Tx(uint16(c.addr), []byte{regAllOffH, fullOff}, nil); err == nil {
				break
			}
		}
		if err != nil && first == nil {
			first = fmt.Errorf("servo pulses may still be there: %w", c.explain(err))
		}
	}
	return first
}

// tries is how often a transfer is tried: one disturbed one is nothing.
const tries = 2

// pca is a PCA9685.
type pca struct {
	bus    *bus
	addr   int
	enable *line // nil: the pin is tied
	part   *part
	spoken atomic.Bool // it took a word: Halt silences it
	starts int         // how often it was set up
}

func (c *pca) name() string { return fmt.Sprintf("servo chip 0x%02x on %s", c.addr, c.bus.name) }

// reach opens what leads to the chip.
func (c *pca) reach() error {
	if c.enable != nil {
		if err := c.enable.seek(); err != nil {
			return err
		}
	}
	return c.bus.open()
}

// seek takes hold of the chip, silent.
func (c *pca) seek() error {
	err := c.reach()
	if err == nil {
		err = c.setUp()
	}
	if err != nil {
		c.bus.reopen()
	}
	return err
}

// look reads whether the chip answers and has its settings, which it forgets when
// its supply dips.
func (c *pca) look() (again bool, err error) {
	ok, err := c.isSetUp()
	switch {
	case err != nil:
	case !ok:
		again, err = true, c.again()
	case c.enable != nil:
		err = c.enable.set(true)
	}
	return again, err
}

// again sets the chip up once more.
func (c *pca) again() error {
	c.part.d.trouble(c.explain(errors.New("it had lost its settings: does its supply dip?")))
	return c.setUp()
}

// prescale is the value for a rate: round(oscillator / (4096 * rate)) - 1, at
// least 3 (data sheet, 7.3.5).
func prescale(rate float64) byte {
	return byte(min(max(math.Round(oscillator/(steps*rate))-1, 3), 255))
}

// servoScale is the value for servos.
var servoScale = prescale(servoRate)

// counts is a pulse in counts of the chip.
func counts(pulse time.Duration) int {
	return int(math.Round(pulse.Seconds() * oscillator / float64(int(servoScale)+1)))
}

// explain names the chip in an error.
func (c *pca) explain(err error) error {
	return fmt.Errorf("%s: %w", c.name(), err)
}

// write writes registers and tries again if the bus was disturbed.
func (c *pca) write(regs ...byte) (err error) {
	for range tries {
		if err = c.bus.tx(c.addr, regs, nil); err == nil {
			c.spoken.Store(true)
			return nil
		}
	}
	return c.explain(err)
}

// read reads registers from reg on.
func (c *pca) read(reg byte, into []byte) (err error) {
	for range tries {
		if err = c.bus.tx(c.addr, []byte{reg}, into); err == nil {
			return nil
		}
	}
	return c.explain(err)
}

// Ask waits for an answer of the servo chip at an address of a bus. It reads and
// writes nothing, so no servo moves.
func Ask(hw Hardware, device string, address int) error {
	dev, err := hw.Bus(device)
	if err != nil {
		return err
	}
	defer func() { _ = dev.Close() }() // nothing was written
	b := &bus{d: &Driver{}, dev: dev, name: device, lock: newLock()}
	var mode [1]byte
	return (&pca{bus: b, addr: address}).read(regMode1, mode[:])
}

// setUp silences the chip, which may still send the pulses of a program that
// died, and sets its rate. PRE_SCALE can only be written while SLEEP is set.
func (c *pca) setUp() error {
	c.starts++
	for _, regs := range [][]byte{
		{regAllOffH, fullOff},
		{regMode2, mode2OutDrv},
		{regMode1, mode1Sleep | mode1AI},
		{regPrescale, servoScale},
		{regMode1, mode1AI},
	} {
		if err := c.write(regs...); err != nil {
			return err
		}
	}
	time.Sleep(settle)
	if ok, err := c.isSetUp(); err != nil {
		return err
	} else if !ok {
		return c.explain(fmt.Errorf("it does not keep what is written to it: is it a PCA9685, and its supply sound?"))
	}
	if c.enable != nil {
		return c.enable.set(true)
	}
	return nil
}

// isSetUp reads back whether the chip still has its settings: it forgets them
// when its supply dips.
func (c *pca) isSetUp() (bool, error) {
	var mode [2]byte
	var scale [1]byte
	if err := c.read(regMode1, mode[:]); err != nil {
		return false, err
	}
	if err := c.read(regPrescale, scale[:]); err != nil {
		return false, err
	}
	return mode[0]&^mode1Restart == mode1AI && mode[1] == mode2OutDrv && scale[0] == servoScale, nil
}

// pulse sets the pulse of an output and reads it back.
func (c *pca) pulse(output int, d time.Duration) error {
	n := counts(d)
	return c.put(byte(regLED0+4*output), 0, 0, byte(n), byte(n>>8))
}

// off ends the pulses of an output.
func (c *pca) off(output int) error {
	return c.put(byte(regLED0+4*output+3), fullOff)
}

// put writes registers in one transaction and compares what it then reads back.
func (c *pca) put(reg byte, values ...byte) (err error) {
	if err := c.part.missing(); err != nil {
		return c.explain(err)
	}
	defer func() {
		if err != nil {
			c.part.doubt()
		}
	}()
	back := make([]byte, len(values))
	for range tries {
		if err := c.write(append([]byte{reg}, values...)...); err != nil {
			return err
		}
		if err := c.read(reg, back); err != nil {
			return err
		}
		if bytes.Equal(back, values) {
			return nil
		}
	}
	return c.explain(fmt.Errorf("register 0x%02x reads % x after % x was written", reg, back, values))
}
