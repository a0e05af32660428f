// Package simrig is a rig that is not there: converters that read a made
// recording, again and again, at the pace of the clock, and a simulated plant
// in the place of relays, motors and contacts. Everything between them is what
// runs in a shop.
package simrig

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/control/sim"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// framesPerSecond is how many frames a converter gives in a second of the
// stream: as many as a real one.
const framesPerSecond = 100

// Sources returns what opens the converters of a rig: each reads its channels
// from the script. speed is how many seconds of the stream pass in a second;
// now is the stream's clock. Each converter may be closed from any goroutine.
func Sources(s *trace.Script, speed float64) func(*config.Rig, func() time.Duration) ([]sensor.Source, error) {
	return func(r *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
		layout := trace.NewMaker(s, false).Layout()
		if layout.Unit != trace.Counts {
			return nil, errors.New("the script has no converter: add a line such as \"converter 12 bits, 3.3 V\"")
		}
		var missing []string
		for i := range r.Channels {
			if name := r.Channels[i].Name; !slices.Contains(layout.Names, name) {
				missing = append(missing, name)
			}
		}
		if len(missing) > 0 {
			return nil, fmt.Errorf("the script has no channel %s: it has %s", strings.Join(missing, ", "), strings.Join(layout.Names, ", "))
		}
		var out []sensor.Source
		for i := range r.ADCs {
			c := &converter{number: i, script: s, maker: trace.NewMaker(s, false), now: now, speed: speed, closed: make(chan struct{}),
				most: max(1, int(layout.Rate/framesPerSecond))}
			for _, ch := range r.Of(i) {
				c.columns = append(c.columns, slices.Index(layout.Names, r.Channels[ch].Name))
			}
			out = append(out, c)
		}
		return out, nil
	}
}

// converter is one simulated converter.
type converter struct {
	number  int
	script  *trace.Script
	maker   *trace.Maker
	columns []int // of the script, for each of its channels
	most    int   // scans a frame
	now     func() time.Duration
	speed   float64
	close   sync.Once
	closed  chan struct{}

	base uint64       // scans of the rounds before
	made sensor.Frame // what the script gave last
	used int          // scans of it
}

// Next waits until the next frame would have been read.
func (c *converter) Next(f *sensor.Frame) error {
	for c.used == c.made.Scans() {
		c.used = 0
		switch err := c.maker.Next(&c.made); {
		case errors.Is(err, io.EOF):
			c.base += uint64(c.maker.Scans())
			c.maker = trace.NewMaker(c.script, false)
			c.made.Raw = c.made.Raw[:0]
		case err != nil:
			return err
		}
	}
	n := min(c.most, c.made.Scans()-c.used)
	*f = sensor.Frame{Source: c.number, Channels: len(c.columns), Index: c.base + c.made.Index + uint64(c.used), Rate: c.made.Rate, Raw: f.Raw[:0]}
	f.At = trace.Instant(f.Index, f.Rate)
	for i := range n {
		scan := c.made.Raw[(c.used+i)*c.made.Channels:]
		for _, col := range c.columns {
			f.Raw = append(f.Raw, scan[col])
		}
	}
	c.used += n
	end := trace.Instant(f.Index+uint64(n), f.Rate)
	wait := time.NewTimer(time.Duration(float64(end-c.now()) / c.speed))
	defer wait.Stop()
	select {
	case <-wait.C:
		return nil
	case <-c.closed:
		return io.EOF
	}
}

// Close ends Next.
func (c *converter) Close() error {
	c.close.Do(func() { close(c.closed) })
	return nil
}

// Outputs makes the simulated plant of a shop, whose contacts show that all is
// well.
func Outputs(s *config.Shop, p *control.Params) *Plant {
	sp := sim.Default(*p)
	if s.Collector.RunUp > 0 {
		sp.Collector.RunUp = s.Collector.RunUp
	}
	o := &Plant{plant: sim.New(sp), ready: make(chan struct{}, 1)}
	o.first = []control.Input{
		{Kind: control.BinIs, State: uint8(control.Room)},
		{Kind: control.StandDownIs, State: uint8(control.Closed)},
	}
	for i := range p.Stops {
		o.first = append(o.first, control.Input{Kind: control.StopIs, ID: control.ID(i), State: uint8(control.Closed)})
	}
	if p.Collector.Switch {
		o.first = append(o.first, control.Input{Kind: control.SwitchIs, State: uint8(control.Auto)})
	}
	for i := range s.Machines {
		if len(s.Machines[i].Contacts) > 0 {
			o.first = append(o.first, control.Input{Kind: control.MachineIs, ID: control.ID(i), State: uint8(control.Idle)})
		}
	}
	o.ready <- struct{}{}
	return o
}

// Plant stands in the place of the drivers. Its outcomes come at instants of
// the stream's time, by the loop's Timed.
type Plant struct {
	mu    sync.Mutex // Halt may come from another goroutine, in a panic
	plant *sim.Plant
	first []control.Input
	ready chan struct{}
}

// Apply queues a command.
func (p *Plant) Apply(c control.Command) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.plant.Apply(c)
}

// Halt brings everything to a stand.
func (p *Plant) Halt() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.plant.Halt()
}

// Next is when the next outcome is due.
func (p *Plant) Next() (time.Duration, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.plant.Next()
}

// Advance lets time pass and appends the outcomes.
func (p *Plant) Advance(now time.Duration, in []control.Input) []control.Input {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.plant.Advance(now, in)
}

// Inert tells whether the collector is off.
func (p *Plant) Inert() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return !p.plant.Powered()
}

// Ready receives once: what the contacts say at first.
func (p *Plant) Ready() <-chan struct{} { return p.ready }

// Take appends what the contacts say at first.
func (p *Plant) Take(to []drive.Report) []drive.Report {
	for _, in := range p.first {
		to = append(to, drive.Report{Input: in})
	}
	p.first = nil
	return to
}

// Beat does nothing: no heartbeat line is simulated.
func (p *Plant) Beat() {}

// Close does nothing: nothing is held.
func (p *Plant) Close() {}
