package adc

import (
	"fmt"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/host/v3/sysfs"
)

// OpenSPI returns what opens the SPI device at path, for example
// "/dev/spidev0.0", in mode 0 at a clock in Hz.
func OpenSPI(path string, clock float64) (func() (SPI, error), error) {
	var bus, cs int
	if n, err := fmt.Sscanf(path+" ", "/dev/spidev%d.%d ", &bus, &cs); err != nil || n != 2 {
		return nil, fmt.Errorf("adc: %q is no SPI device: want, for example, \"/dev/spidev0.0\"", path)
	}
	return func() (SPI, error) {
		p, err := sysfs.NewSPI(bus, cs)
		if err != nil {
			return nil, fmt.Errorf("%w. Is SPI switched on in the board's settings, and may this user open %s (group spi)?", err, path)
		}
		c, err := p.Connect(physic.Frequency(clock)*physic.Hertz, spi.Mode0, 8)
		if err != nil {
			_ = p.Close() // the first error says more
			return nil, err
		}
		return &spiDevice{c, p}, nil
	}, nil
}

type spiDevice struct {
	spi.Conn
	port *sysfs.SPI
}

func (d *spiDevice) Close() error { return d.port.Close() }

// OpenI2C returns what opens the device with an address on the I2C bus at path,
// for example "/dev/i2c-1".
func OpenI2C(path string, address uint16) (func() (I2C, error), error) {
	var bus int
	if n, err := fmt.Sscanf(path+" ", "/dev/i2c-%d ", &bus); err != nil || n != 1 {
		return nil, fmt.Errorf("adc: %q is no I2C bus: want, for example, \"/dev/i2c-1\"", path)
	}
	if address < 0x08 || address > 0x77 {
		return nil, fmt.Errorf("adc: %#x is no I2C address: want 0x08 to 0x77", address)
	}
	return func() (I2C, error) {
		b, err := sysfs.NewI2C(bus)
		if err != nil {
			return nil, fmt.Errorf("%w. Is I2C switched on in the board's settings, and may this user open %s (group i2c)?", err, path)
		}
		return &i2cDevice{b, address}, nil
	}, nil
}

type i2cDevice struct {
	bus     *sysfs.I2C
	address uint16
}

func (d *i2cDevice) Tx(w, r []byte) error { return d.bus.Tx(d.address, w, r) }
func (d *i2cDevice) Close() error         { return d.bus.Close() }
