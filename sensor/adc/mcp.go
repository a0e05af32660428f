package adc

import (
	"errors"
	"fmt"
	"io"
	"time"

	"periph.io/x/conn/v3/spi"
)

// MCP is a converter of Microchip's family on SPI.
type MCP uint8

// The chips known.
const (
	MCP3208 MCP = iota + 1 // 12 bits; data sheet DS21298E
	MCP3008                // 10 bits; data sheet DS21295D
)

// String is the chip's name.
func (m MCP) String() string {
	switch m {
	case MCP3208:
		return "MCP3208"
	case MCP3008:
		return "MCP3008"
	}
	return "invalid"
}

// Inputs of either chip.
const mcpInputs = 8

// Clock is the fastest SPI clock that the data sheet guarantees at a supply of
// 2.7 V, in Hz.
func (m MCP) Clock() float64 {
	if m == MCP3008 {
		return 1.35e6
	}
	return 1e6
}

// command returns the bits that start a conversion of one input, single-ended: leading
// zeros, a start bit, single-ended, the number of the input, and clocks for the
// answer (figures 6-1 of the data sheets).
func (m MCP) command(input int) [3]byte {
	if m == MCP3008 {
		return [3]byte{0x01, 0x80 | byte(input)<<4, 0}
	}
	return [3]byte{0x06 | byte(input)>>2, byte(input&3) << 6, 0}
}

// decode takes the answer apart. ok is false if the null bit before the code
// is not 0: nobody answers.
func (m MCP) decode(rx []byte) (code uint16, ok bool) {
	if m == MCP3008 {
		return uint16(rx[1]&0x03)<<8 | uint16(rx[2]), rx[1]&0x04 == 0
	}
	return uint16(rx[1]&0x0F)<<8 | uint16(rx[2]), rx[1]&0x10 == 0
}

// SPI is an open SPI device that makes many transfers in one call, each with
// its own chip select.
type SPI interface {
	TxPackets(p []spi.Packet) error
	io.Closer
}

// MCPParams describes a converter of the family.
type MCPParams struct {
	Source int                 // goes into Frame.Source
	Chip   MCP                 //
	Inputs []int               // inputs of the chip in the order of a scan
	Timing Timing              //
	Limits Limits              // of the machine at hand, see ReadLimits
	Open   func() (SPI, error) // opens the bus, also after an error; see OpenSPI
	Now    func() time.Duration
}

// ErrNoAnswer fails a read when the chip does not drive its data
// line.
var ErrNoAnswer = errors.New("no answer: the null bit is not 0. Look at the chip's supply, at its data output and at the select line")

// ErrZeros fails a read when all inputs read zero, which the bias
// does not allow.
var ErrZeros = errors.New("all inputs read zero. Look at the chip's supply and at its data output, which seems to be held low")

// NewMCP makes a source that reads the chip.
func NewMCP(p MCPParams) (*Source, error) {
	if p.Chip != MCP3208 && p.Chip != MCP3008 {
		return nil, errors.New("adc: no such chip")
	}
	for _, in := range p.Inputs {
		if in < 0 || in >= mcpInputs {
			return nil, fmt.Errorf("adc: the %v has inputs 0 to %d, not %d", p.Chip, mcpInputs-1, in)
		}
	}
	packets := p.Limits.Packets(3)
	if len(p.Inputs) > packets {
		return nil, fmt.Errorf("adc: a scan of %d inputs does not fit the %d transfers that this machine takes at once", len(p.Inputs), packets)
	}
	return newSource(p.Source, len(p.Inputs), p.Timing, p.Now, func() (chip, error) {
		bus, err := p.Open()
		if err != nil {
			return nil, fmt.Errorf("%v: %w", p.Chip, err)
		}
		return newMCP(p.Chip, p.Inputs, packets, bus), nil
	})
}

type mcp struct {
	kind    MCP
	bus     SPI
	inputs  []int
	packets []spi.Packet // a call's worth, whole scans
	rx      []byte
}

func newMCP(kind MCP, inputs []int, packets int, bus SPI) *mcp {
	n := packets / len(inputs) * len(inputs)
	m := &mcp{kind: kind, bus: bus, inputs: inputs, packets: make([]spi.Packet, n), rx: make([]byte, 3*n)}
	tx := make([]byte, 3*n)
	for i := range m.packets {
		c := kind.command(inputs[i%len(inputs)])
		copy(tx[3*i:], c[:])
		m.packets[i] = spi.Packet{W: tx[3*i : 3*i+3], R: m.rx[3*i : 3*i+3]}
	}
	return m
}

func (m *mcp) Close() error { return m.bus.Close() }

func (m *mcp) read(raw []float32) error {
	zeros := true
	for done := 0; done < len(raw); {
		n := min(len(raw)-done, len(m.packets))
		clear(m.rx[:3*n])
		if err := m.bus.TxPackets(m.packets[:n]); err != nil {
			return fmt.Errorf("%v: %w", m.kind, err)
		}
		for i := range n {
			code, ok := m.kind.decode(m.rx[3*i : 3*i+3])
			if !ok {
				return fmt.Errorf("%v, input %d: %w", m.kind, m.inputs[i%len(m.inputs)], ErrNoAnswer)
			}
			zeros = zeros && code == 0
			raw[done+i] = float32(code)
		}
		done += n
	}
	if zeros && len(m.inputs) > 1 {
		return fmt.Errorf("%v: %w", m.kind, ErrZeros)
	}
	return nil
}
