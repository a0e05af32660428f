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

// framesPerSecond bounds how old a sample is before anything can be done about
// it: half a mains cycle.
const framesPerSecond = 100

// Sources opens a rig's converters by the ports of this computer.
func Sources(r *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
	return Kernel().Sources(r, now)
}

// Sources makes the sources of a rig's converters on this computer, source i for
// converter i. A converter that does not answer is an error on its stream, at the start
// as later, and is tried again. The error joins everything that no driver can read.
func (p Ports) Sources(r *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
	var out []sensor.Source
	var errs []error
	for i := range r.Converters() {
		src, err := p.open(r, i, max(1, int(r.ADCs[i].Rate/framesPerSecond)), now)
		if err != nil {
			errs = append(errs, fmt.Errorf("adc %q: %w", r.ADCs[i].Name, err))
			continue
		}
		out = append(out, src)
	}
	if len(errs) > 0 {
		return nil, errors.Join(append(errs, closeAll(out))...)
	}
	return out, nil
}

// open opens converter i, which delivers frames of so many scans.
func (p Ports) open(r *config.Rig, i, scans int, now func() time.Duration) (*adc.Source, error) {
	a := &r.ADCs[i]
	c := converter{adc: a, source: i, timing: adc.Timing{Rate: a.Rate, Scans: scans}, now: now, ports: p}
	for _, ch := range r.Of(i) {
		c.inputs = append(c.inputs, r.Channels[ch].Input)
	}
	if int(a.Chip) >= len(converters) || converters[a.Chip] == nil {
		return nil, fmt.Errorf("no driver reads a %s", a.Chip)
	}
	return converters[a.Chip](&c)
}

// Probe reads one scan of converter i by its driver, as a run does, and says
// what is wrong with it. No kerfwind may run beside it.
func (p Ports) Probe(r *config.Rig, i int, now func() time.Duration) error {
	src, err := p.open(r, i, 1, now)
	if err != nil {
		return err
	}
	var f sensor.Frame
	if err := src.Next(&f); err != nil {
		return err
	}
	err = f.Err
	_ = src.Close() // ends the stream; Next then lets go of the bus
	_ = src.Next(&f)
	return err
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
