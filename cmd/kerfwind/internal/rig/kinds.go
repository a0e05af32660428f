package rig

import (
	"time"

	"kerfwind/config"
	"kerfwind/control/drive"
	"kerfwind/sensor/adc"
)

// Which driver carries out each kind of the rig file. TestKinds names what is
// missing here.

// converter holds what a driver needs to open a converter.
type converter struct {
	adc    *config.ADC
	source int
	inputs []int
	timing adc.Timing
	now    func() time.Duration
	ports  Ports
}

// Ports open what converters hang on. Kernel is the real ones; tests have their own.
type Ports struct {
	SPI    func(path string, clock float64) (func() (adc.SPI, error), error)
	I2C    func(path string, address uint16) (func() (adc.I2C, error), error)
	Limits func() (adc.Limits, error) // of an SPI transfer
}

// Kernel is the ports of this computer.
func Kernel() Ports {
	return Ports{adc.OpenSPI, adc.OpenI2C, func() (adc.Limits, error) { return adc.ReadLimits("/") }}
}

var converters = [...]func(*converter) (*adc.Source, error){
	config.MCP3208: mcp(adc.MCP3208),
	config.MCP3008: mcp(adc.MCP3008),
	config.ADS1115: ads,
}

// wired is how an output that hangs on this computer is driven: as a gate with a
// travel time, and as an outlet or the contactor. nil: it serves for no such thing.
type wired struct {
	gate   func(a *config.Actuator, travel time.Duration) drive.Gate
	outlet func(a *config.Actuator) drive.Outlet
}

var drivers = [...]wired{
	config.Relay: {func(a *config.Actuator, _ time.Duration) drive.Gate {
		return drive.Gate{Relay: relay(a), Shuts: a.Shuts}
	}, func(a *config.Actuator) drive.Outlet { return drive.Outlet{Relay: relay(a)} }},
	config.Servo:   {gate: servo},
	config.Motor:   {gate: motor},
	config.OnTopic: {func(a *config.Actuator, _ time.Duration) drive.Gate { return drive.Gate{Topic: topic(a)} }, func(a *config.Actuator) drive.Outlet { return drive.Outlet{Topic: topic(a)} }},
}

// means says what a contact of each kind reports.
var means = [...]drive.Means{
	config.MachineContact: drive.MachineRuns, config.GateOpenSwitch: drive.GateIsOpen, config.GateShutSwitch: drive.GateIsShut,
	config.CollectorContact: drive.CollectorRuns, config.StopContact: drive.StopActs, config.BinContact: drive.BinFull,
	config.HandContact: drive.HandMode, config.OffContact: drive.OffMode, config.ButtonContact: drive.ButtonHolds,
	config.StandDownContact: drive.StandDown, config.ResetContact: drive.ResetPressed, config.AsideContact: drive.AsidePressed,
}

// of is the entry of a table for a kind, or the zero value.
func of[K ~uint8, E any](table []E, kind K) (e E) {
	if int(kind) < len(table) {
		e = table[kind]
	}
	return e
}

// mcp reads a converter of that family. What the kernel takes at once is asked again
// while there is no SPI, and counts as little until then.
func mcp(chip adc.MCP) func(*converter) (*adc.Source, error) {
	return func(c *converter) (*adc.Source, error) {
		limits, missing := c.ports.Limits()
		if missing != nil {
			limits = adc.Strictest
		}
		bus, err := c.ports.SPI(c.adc.Port, chip.Clock())
		if err != nil {
			return nil, err
		}
		open := func() (adc.SPI, error) {
			if missing != nil {
				if _, missing = c.ports.Limits(); missing != nil {
					return nil, missing
				}
			}
			return bus()
		}
		return adc.NewMCP(adc.MCPParams{Source: c.source, Chip: chip, Inputs: c.inputs, Timing: c.timing, Limits: limits, Open: open, Now: c.now})
	}
}

// ads reads an ADS1115.
func ads(c *converter) (*adc.Source, error) {
	open, err := c.ports.I2C(c.adc.Port, uint16(c.adc.Address))
	if err != nil {
		return nil, err
	}
	return adc.NewADS(adc.ADSParams{Source: c.source, Inputs: c.inputs, Full: c.adc.Vref, Timing: c.timing, Open: open, Now: c.now})
}

func relay(a *config.Actuator) *drive.Relay {
	return &drive.Relay{Name: a.Name, Line: drive.Line{Chip: a.Chip, Offset: a.Line}, ActiveLow: a.ActiveLow}
}

func topic(a *config.Actuator) *drive.Topic {
	return &drive.Topic{Name: a.Topic, On: a.On, Off: a.Off}
}

func motor(a *config.Actuator, travel time.Duration) drive.Gate {
	line := func(n int) drive.Line { return drive.Line{Chip: a.Chip, Offset: n} }
	return drive.Gate{Motor: &drive.Motor{Name: a.Name, Open: line(a.OpenLine), Shut: line(a.ShutLine), ActiveLow: a.ActiveLow, Longest: travel}}
}

func servo(a *config.Actuator, travel time.Duration) drive.Gate {
	return drive.Gate{Servo: &drive.Servo{Name: a.Name, Bus: a.Bus, Address: a.Address, Output: a.Output,
		Open: a.PulseOpen, Shut: a.PulseShut, Travel: travel, Slow: a.Slow, Release: a.Release}}
}
