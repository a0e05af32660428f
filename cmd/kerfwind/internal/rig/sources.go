package rig

import (
	"errors"
	"fmt"
	"io"
	"time"

	"kerfwind/config"
	"kerfwind/sensor"
	"kerfwind/sensor/adc"
)

// adsAddress is where an ADS1115 answers with its address pin at ground (data
// sheet SBAS444E, table 4).
const adsAddress = 0x48

// framesPerSecond bounds how old a sample is before anything can be done about
// it: half a mains cycle.
const framesPerSecond = 100

// Sources opens a rig's converters on this computer, source i for converter i. Each is tried
// once, so that what is missing is told at the start; later errors come on the
// stream. The error joins everything that does not work.
func Sources(r *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
	var out []sensor.Source
	var errs []error
	limits := adc.Limits{}
	for i := range r.Converters() {
		a := &r.ADCs[i]
		inputs := []int{}
		for _, ch := range r.Of(i) {
			inputs = append(inputs, r.Channels[ch].Input)
		}
		timing := adc.Timing{Rate: a.Rate, Scans: max(1, int(a.Rate/framesPerSecond))}
		var src *adc.Source
		var err error
		switch kind := map[string]adc.MCP{"mcp3208": adc.MCP3208, "mcp3008": adc.MCP3008}[a.Chip]; {
		case len(inputs) == 0:
			err = errors.New("no channel uses it: take it out")
		case kind != 0:
			if limits == (adc.Limits{}) {
				limits, err = adc.ReadLimits("/")
			}
			var open func() (adc.SPI, error)
			if err == nil {
				open, err = adc.OpenSPI(a.Port, kind.Clock())
			}
			if err == nil {
				err = try(open())
			}
			if err == nil {
				src, err = adc.NewMCP(adc.MCPParams{Source: i, Chip: kind, Inputs: inputs, Timing: timing, Limits: limits, Open: open, Now: now})
			}
		case len(inputs) > 1:
			err = fmt.Errorf("an ads1115 is fast enough for one channel, not for %d: use one chip a channel", len(inputs))
		default:
			var open func() (adc.I2C, error)
			if open, err = adc.OpenI2C(a.Port, adsAddress); err == nil {
				err = try(open())
			}
			if err == nil {
				src, err = adc.NewADS(adc.ADSParams{Source: i, Input: inputs[0], Timing: timing, Open: open, Now: now})
			}
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("adc %q: %w", a.Name, err))
			continue
		}
		out = append(out, src)
	}
	if len(errs) > 0 {
		return nil, errors.Join(append(errs, closeAll(out))...)
	}
	return out, nil
}

// try closes what could be opened.
func try[C io.Closer](c C, err error) error {
	if err != nil {
		return err
	}
	return c.Close()
}

// closeAll ends the sources that can be ended.
func closeAll(sources []sensor.Source) error {
	var errs []error
	for _, s := range sources {
		if c, ok := s.(io.Closer); ok {
			errs = append(errs, c.Close())
		}
	}
	return errors.Join(errs...)
}
