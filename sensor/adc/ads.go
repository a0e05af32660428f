package adc

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"time"
)

// I2C is an open I2C device.
type I2C interface {
	Tx(w, r []byte) error // writes w, then reads r
	io.Closer
}

// Registers and bits of the ADS1115, data sheet SBAS444E, section 8.
const (
	adsConversion = 0x00
	adsConfig     = 0x01

	adsStart      = 0x8000 // OS: begin a conversion; reads 1 while none runs
	adsGround     = 0x4000 // MUX: input against ground, the input in bits 13 and 12
	adsRange      = 9      // PGA: the place of the number of the range
	adsContinuous = 0x0000 // MODE
	adsFastest    = 0x00E0 // DR: 860 samples a second
	adsNoCompare  = 0x0003 // COMP_QUE
)

// ADSRanges are the full scales of the ADS1115 in volts, by the number that PGA
// has for each.
var ADSRanges = [...]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256}

// rangeOf is the number of a range, -1 if there is none.
func rangeOf(full float64) int {
	return slices.IndexFunc(ADSRanges[:], func(v float64) bool { return math.Abs(v-full) < 0.5e-3 })
}

// MaxADSRate is the highest rate at which the ADS1115 may be read: it makes 860
// samples a second, to 10 %, and none is read twice at a rate below that.
const MaxADSRate = 770.0

// ADSParams describes an ADS1115 that serves one input. The chip makes 860
// samples a second for all its inputs together, and a change of input costs two
// conversions, so it is good for one transformer. A mains cycle has 12 to 15
// samples: enough to tell running from idle, not for short events. The samples
// are up to 1.3 ms older than their time stamps. Each costs a transfer of its
// own.
type ADSParams struct {
	Source int                 // goes into Frame.Source
	Inputs []int               // one, 0 to 3, against ground
	Full   float64             // V of the largest code, one of ADSRanges
	Timing Timing              // Rate must be set, and Every not
	Open   func() (I2C, error) // opens the bus, also after an error; see OpenI2C
	Now    func() time.Duration
}

// NewADS makes a source that reads the chip. Codes are -32768 to 32767 for
// -Full to Full.
func NewADS(p ADSParams) (*Source, error) {
	switch {
	case len(p.Inputs) != 1:
		return nil, fmt.Errorf("adc: the ADS1115 is fast enough for one input, not for %d", len(p.Inputs))
	case p.Inputs[0] < 0 || p.Inputs[0] > 3:
		return nil, fmt.Errorf("adc: the ADS1115 has inputs 0 to 3, not %d", p.Inputs[0])
	case rangeOf(p.Full) < 0:
		return nil, fmt.Errorf("adc: the ADS1115 has no range of %g V: give one of %v", p.Full, ADSRanges)
	case !(p.Timing.Rate > 0 && p.Timing.Rate <= MaxADSRate):
		return nil, fmt.Errorf("adc: the ADS1115 can be read %g times a second at most, not %g", MaxADSRate, p.Timing.Rate)
	case p.Timing.Every != 0:
		return nil, errors.New("adc: the ADS1115 is not read in bursts")
	}
	return newSource(p.Source, 1, p.Timing, p.Now, func() (chip, error) {
		bus, err := p.Open()
		if err != nil {
			return nil, fmt.Errorf("ADS1115: %w", err)
		}
		c := &ads{bus: bus}
		if err := c.begin(p.Inputs[0], rangeOf(p.Full)); err != nil {
			return nil, errors.Join(fmt.Errorf("ADS1115: %w", err), bus.Close())
		}
		return c, nil
	})
}

type ads struct {
	bus I2C
	rx  [2]byte
}

// begin sets the chip to continuous conversion, checks that it took the
// setting, and points it at the result.
func (a *ads) begin(input, pga int) error {
	config := uint16(adsGround | input<<12 | pga<<adsRange | adsContinuous | adsFastest | adsNoCompare)
	if err := a.bus.Tx([]byte{adsConfig, byte(config >> 8), byte(config)}, nil); err != nil {
		return err
	}
	if err := a.bus.Tx([]byte{adsConfig}, a.rx[:]); err != nil {
		return err
	}
	if got := uint16(a.rx[0])<<8 | uint16(a.rx[1]); got&^adsStart != config {
		return fmt.Errorf("its configuration reads %04x, not %04x: is another chip at this address?", got&^adsStart, config)
	}
	return a.bus.Tx([]byte{adsConversion}, nil)
}

func (a *ads) Close() error { return a.bus.Close() }

func (a *ads) read(raw []float32) error {
	for i := range raw {
		if err := a.bus.Tx(nil, a.rx[:]); err != nil {
			return fmt.Errorf("ADS1115: %w", err)
		}
		raw[i] = float32(int16(uint16(a.rx[0])<<8 | uint16(a.rx[1])))
	}
	return nil
}
