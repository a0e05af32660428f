// Package simrig is a simulated rig in a simulated workshop:
// converters that read a made recording, again and again, at the pace of the clock, and
// a simulated plant in the place of relays, motors and contacts. Everything between
// them runs as in a shop. People can put their hands in it: see [World].
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
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// framesPerSecond is how many frames a converter gives in a second of the
// stream: as many as a real one.
const framesPerSecond = 100

// shortest bounds how often a converter looks at a stopped clock.
const shortest = 100 * time.Microsecond

// ahead is how far the stream's clock may run on beyond what a converter has
// given: our own choice, well below the time after which a sensor is lost. Where people
// hurry it is two frames, so that what is decided then is dated well.
const (
	ahead        = sensor.DefaultStale / 3
	aheadInHurry = 2 * time.Second / framesPerSecond
)

// Rig is a simulated rig. It may be opened again once its converters are closed.
type Rig struct {
	script func(adc int) (*trace.Script, error)
	world  *World // nil: nobody can touch anything
	pace   *pace
	clock  *clock // of the converters that are opened next; nil: they have another
}

// pace is how many seconds of the stream pass in a second.
type pace struct{ bits atomic.Uint64 }

func (p *pace) get() float64  { return math.Float64frombits(p.bits.Load()) }
func (p *pace) set(v float64) { p.bits.Store(math.Float64bits(v)) }

// New returns a rig whose converters read their channels from the script. speed
// is how many seconds of the stream pass in a second.
func New(s *trace.Script, speed float64) *Rig {
	r := &Rig{script: func(int) (*trace.Script, error) { return s, nil }, pace: new(pace)}
	r.pace.set(speed)
	return r
}

// In returns the rig in a world, whose machines do what text, a script, says until
// somebody touches them; an empty one leaves all off. name is for errors.
func In(w *World, name, text string, speed float64) *Rig {
	r := &Rig{world: w, script: func(adc int) (*trace.Script, error) { return w.Script(adc, name, text) }, pace: new(pace)}
	r.pace.set(speed)
	return r
}

// Hurry sets how many seconds of the stream pass in a second, from now on. A busy
// computer does not get as far.
func (r *Rig) Hurry(speed float64) { r.pace.set(speed) }

// Clock begins the stream's clock of the converters that are opened next, and
// does not run until they are. It runs at the rig's speed but waits for its converters,
// and for who takes their frames: a computer that is too busy slows the stream
// and loses no sensor. What the script leaves out is not waited for.
func (r *Rig) Clock() func() time.Duration {
	c := &clock{pace: r.pace, read: time.Now()}
	r.clock = c
	return c.now
}

// Sources opens the converters of a rig. now is the stream's clock. Each
// converter may be closed from any goroutine.
func (r *Rig) Sources(of *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
	var out []sensor.Source
	var all []*converter
	for i := range of.ADCs {
		script, err := r.script(i)
		if err != nil {
			return nil, err
		}
		layout := trace.NewMaker(script, false).Layout()
		if layout.Unit != trace.Counts {
			return nil, errors.New("the script has no converter: add a line such as \"converter 12 bits, 3.3 V\"")
		}
		c := &converter{number: i, script: script, world: r.world, now: now, pace: r.pace, closed: make(chan struct{}),
			most: max(1, int(layout.Rate/framesPerSecond))}
		c.maker = c.made()
		var missing []string
		for _, ch := range of.Of(i) {
			at := slices.Index(layout.Names, of.Channels[ch].Name)
			if at < 0 {
				missing = append(missing, of.Channels[ch].Name)
			}
			c.columns = append(c.columns, at)
		}
		if len(missing) > 0 {
			return nil, fmt.Errorf("the script has no channel %s: it has %s", strings.Join(missing, ", "), strings.Join(layout.Names, ", "))
		}
		c.ahead = ahead
		if c.world != nil {
			c.ahead = aheadInHurry
		}
		c.reach.Store(int64(c.ahead))
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
	pace *pace

	mu   sync.Mutex
	open bool
	all  []*converter
	at   time.Duration // of the stream, when it was last read
	read time.Time
}

// follow lets the clock go, as far as converters do.
func (c *clock) follow(all []*converter) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.move()
	c.open, c.all = true, all
}

func (c *clock) now() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.move()
}

// move is the time, under the lock. What it had to wait is not made up for: the
// converters would have to hurry.
func (c *clock) move() time.Duration {
	t := time.Now()
	at := c.at + time.Duration(float64(t.Sub(c.read))*c.pace.get())
	most := time.Duration(0)
	if c.open {
		most = math.MaxInt64
		for _, v := range c.all {
			most = min(most, time.Duration(v.reach.Load()))
		}
	}
	c.at, c.read = min(at, max(most, c.at)), t
	return c.at
}

// converter is one simulated converter.
type converter struct {
	number  int
	script  *trace.Script
	maker   *trace.Maker
	columns []int  // of the script, for each of its channels
	most    int    // scans a frame
	world   *World // nil: nobody touches anything
	ahead   time.Duration
	now     func() time.Duration
	pace    *pace
	close   sync.Once
	closed  chan struct{}

	base uint64       // scans of the rounds before
	last sensor.Frame // what the script gave last
	used int          // scans of it

	reach atomic.Int64 // the instant that the clock may get to while Next does not give more
}

// made begins a round of the script.
func (c *converter) made() *trace.Maker { return trace.NewMaker(c.script, false) }

// Next waits until the next frame would have been read.
func (c *converter) Next(f *sensor.Frame) error {
	for c.used == c.last.Scans() {
		c.used = 0
		if c.world != nil {
			c.maker.Obey(c.world.hand.Load(), c.most)
		}
		switch err := c.maker.Next(&c.last); {
		case errors.Is(err, io.EOF):
			c.base += uint64(c.maker.Scans())
			c.maker = c.made()
			c.last.Raw = c.last.Raw[:0]
		case err != nil:
			c.reach.Store(math.MaxInt64)
			return err
		}
	}
	n := min(c.most, c.last.Scans()-c.used)
	*f = sensor.Frame{Source: c.number, Channels: len(c.columns), Index: c.base + c.last.Index + uint64(c.used), Rate: c.last.Rate, Raw: f.Raw[:0]}
	f.At = trace.Instant(f.Index, f.Rate)
	for i := range n {
		scan := c.last.Raw[(c.used+i)*c.last.Channels:]
		for _, col := range c.columns {
			f.Raw = append(f.Raw, scan[col])
		}
	}
	c.used += n
	end := trace.Instant(f.Index+uint64(n), f.Rate)
	c.reach.Store(int64(end + c.ahead)) // over a gap of the script the clock runs on
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
		wait.Reset(max(time.Duration(float64(left)/c.pace.get()), shortest)) // the clock may stand
	}
}

// Close ends Next.
func (c *converter) Close() error {
	c.close.Do(func() { close(c.closed) })
	return nil
}
