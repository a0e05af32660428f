// Package simrig is a rig that is not there: converters that read a made
// recording, again and again, at the pace of the clock, and a simulated plant
// in the place of relays, motors and contacts. Everything between them is what
// runs in a shop.
package simrig

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
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

// shortest bounds how often a converter looks at a clock that stands.
const shortest = 100 * time.Microsecond

// ahead is how far the stream's clock may run on beyond what a converter has
// given: our own choice, well below the time after which a sensor is lost.
const ahead = sensor.DefaultStale / 3

// Rig is a simulated rig. It may be opened again once its converters are closed.
type Rig struct {
	script *trace.Script
	speed  float64
	clock  *clock // of the converters that are opened next; nil: they have another
}

// New returns a rig whose converters read their channels from the script. speed
// is how many seconds of the stream pass in a second.
func New(s *trace.Script, speed float64) *Rig { return &Rig{script: s, speed: speed} }

// Clock begins the stream's clock of the converters that are opened next, and
// stands until they are. It runs at the rig's speed but waits for its converters,
// and for who takes their frames: a computer that is too busy slows the stream
// and loses no sensor. What the script leaves out is not waited for.
func (r *Rig) Clock() func() time.Duration {
	c := &clock{speed: r.speed, began: time.Now()}
	r.clock = c
	return c.now
}

// Sources opens the converters of a rig. now is the stream's clock. Each
// converter may be closed from any goroutine.
func (r *Rig) Sources(of *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
	layout := trace.NewMaker(r.script, false).Layout()
	if layout.Unit != trace.Counts {
		return nil, errors.New("the script has no converter: add a line such as \"converter 12 bits, 3.3 V\"")
	}
	var missing []string
	for i := range of.Channels {
		if name := of.Channels[i].Name; !slices.Contains(layout.Names, name) {
			missing = append(missing, name)
		}
	}
	if len(missing) > 0 {
		return nil, fmt.Errorf("the script has no channel %s: it has %s", strings.Join(missing, ", "), strings.Join(layout.Names, ", "))
	}
	var out []sensor.Source
	var all []*converter
	for i := range of.ADCs {
		c := &converter{number: i, script: r.script, maker: trace.NewMaker(r.script, false), now: now, speed: r.speed, closed: make(chan struct{}),
			most: max(1, int(layout.Rate/framesPerSecond))}
		for _, ch := range of.Of(i) {
			c.columns = append(c.columns, slices.Index(layout.Names, of.Channels[ch].Name))
		}
		c.reach.Store(int64(ahead))
		out, all = append(out, c), append(all, c)
	}
	if r.clock != nil {
		r.clock.follow(all)
		r.clock = nil
	}
	return out, nil
}

// clock is the clock of one stream. See [Rig.Clock].
type clock struct {
	speed float64
	began time.Time

	mu   sync.Mutex
	open bool
	all  []*converter
	lost time.Duration // of the stream, in which it stood
}

// follow lets the clock go, as far as converters do.
func (c *clock) follow(all []*converter) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.read()
	c.open, c.all = true, all
}

func (c *clock) now() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.read()
}

// read is the time, under the lock. What was lost is not made up for: the
// converters would have to hurry.
func (c *clock) read() time.Duration {
	at := time.Duration(float64(time.Since(c.began))*c.speed) - c.lost
	most := time.Duration(0)
	if c.open {
		most = math.MaxInt64
		for _, v := range c.all {
			most = min(most, time.Duration(v.reach.Load()))
		}
	}
	if at > most {
		c.lost += at - most
		at = most
	}
	return at
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

	reach atomic.Int64 // the instant that the clock may get to while Next does not give more
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
			c.reach.Store(math.MaxInt64)
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
	c.reach.Store(int64(end + ahead)) // over a gap of the script the clock runs on
	wait := time.NewTimer(0)
	defer wait.Stop()
	for {
		select {
		case <-c.closed:
			return io.EOF
		case <-wait.C:
		}
		left := end - c.now()
		if left <= 0 {
			return nil
		}
		wait.Reset(max(time.Duration(float64(left)/c.speed), shortest)) // the clock may stand
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
	o.first = []control.Input{control.InBin(control.Room), control.InStandDown(control.Closed)}
	for i := range p.Stops {
		o.first = append(o.first, control.InStop(control.ID(i), control.Closed))
	}
	if p.Collector.Switch {
		o.first = append(o.first, control.InSwitch(control.Auto))
	}
	for i := range s.Machines {
		if len(s.Machines[i].Contacts) > 0 {
			o.first = append(o.first, control.InMachine(control.ID(i), control.Idle, 0))
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
