// Package rig runs a shop on real hardware: it opens converters, contacts and
// outputs as the rig file says, ties the state machine's time to the real
// clock, makes every way out leave the outputs inert, and tells the service
// manager how it fares, by the protocol of sd_notify(3).
package rig

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/control/loop"
	"kerfwind/sensor"
)

// Options say what to run and how.
type Options struct {
	Shop     *config.Shop
	Hardware drive.Hardware
	Now      func() time.Duration // the stream's clock
	Speed    float64              // seconds of the stream in a second; 0 is 1

	// Outputs, if not nil, take the place of Hardware: a simulated plant. It
	// also tells of the collector, since its current is in no recording.
	Outputs func(*config.Shop, *control.Params) (Outputs, error)

	// Clock, if not nil, begins the clock of a simulated stream: Now is to be
	// taken from it, before Open. It does not run until Sources are open.
	Clock func() func() time.Duration

	// Sources opens the converters.
	Sources func(*config.Rig, func() time.Duration) ([]sensor.Source, error)

	// Far, if not nil, opens what other computers of the shop sense and drive:
	// called where the rig has nodes; guard runs its goroutines.
	Far func(o Options, guard func(do func())) (Far, error)

	StoodDown bool           // nothing is commanded until that is lifted at the shop
	Past      control.Past   // what is known of the collector; if the power was on, nothing waits for it to settle
	Closed    bool           // the shop is closed just now
	Shares    []sensor.Share // if not nil: what is known of crosstalk, in place of what the shop was told
	Midway    bool           // for a hand on one thing: no waiting after power-up, no homing

	// Notice receives troubles in words. It must not wait.
	Notice func(error)

	// Each may be nil, is called by the loop and must not wait. Frame and
	// Reading see what comes in before it is acted on; After is called after
	// every completed step, with the number of the converter whose frame it was,
	// or -1.
	Frame    func(*sensor.Frame)
	Reading  func(sensor.Reading)
	Applied  func(control.Command) // as it goes to its output
	Answered func(control.Input)   // what became of a command, of real outputs
	Late     func(time.Duration)   // by how much a deadline was missed
	After    func(now time.Duration, source int)
}

// watched tells of commands on their way to real outputs.
type watched struct {
	Outputs
	applied func(control.Command)
}

// Apply passes a command on and tells of it.
func (w watched) Apply(c control.Command) {
	w.Outputs.Apply(c)
	w.applied(c)
}

// Outputs carry out commands and tell what became of them: a *drive.Driver, or
// a simulated plant.
type Outputs interface {
	loop.Actuator
	Ready() <-chan struct{} // receives when there is something to take
	Take([]drive.Report) []drive.Report
	Beat() // after every completed step
	Close()
}

// Live is a shop that is ready to run. Every output is off.
type Live struct {
	Names timeline.Names
	Core  *control.Core
	Air   *Air

	o       Options
	driver  Outputs
	missing func() []drive.Missing // of the outputs and contacts of this computer
	far     Far                    // nil: there is no other computer
	readers *Readers
	params  loop.Params
	asks    chan request
	latest  atomic.Pointer[control.Snapshot]
	remote  remote
	resting atomic.Bool   // Run ends at rest
	refused control.Event // of the request that is being stepped
}

// request is a request on its way to the loop.
type request struct {
	in    control.Input
	reply chan<- control.Event // has room for one; nil: nobody waits
}

// Open takes hold of the hardware. The error joins all that is wrong with it.
func Open(o Options) (*Live, error) {
	s := o.Shop
	l := &Live{o: o, Names: Names(s), asks: make(chan request, 16)}
	l.remote.heard = make(chan sensor.Reading, 2*control.MaxMachines)
	p := s.Control()
	p.StoodDown, p.ShopClosed, p.Past = o.StoodDown, o.Closed, o.Past
	if o.Past.Powered {
		p.PowerUp = 0
	}
	if o.Midway {
		p.PowerUp, p.Midway = 0, true
	}
	wires, err := Wiring(s)
	if err != nil {
		return nil, err
	}
	answers(&p, &wires)
	if err := farAnswers(&p, s); err != nil {
		return nil, err
	}
	if l.Air, err = NewAir(&p, s, false); err != nil {
		return nil, err
	}
	if l.Core, err = control.New(p); err != nil {
		return nil, err
	}
	l.params = loop.Params{Machines: len(p.Machines), Circuits: p.Circuits}
	detect := s.Sensor()
	if o.Outputs == nil {
		detect = detect[:s.Rig.Converters()] // a node's channels are read there
	}
	for _, sp := range detect {
		if o.Shares != nil {
			sp.Shares = o.Shares
		}
		d, err := sensor.New(sp)
		if err != nil {
			return nil, err
		}
		l.params.Detectors = append(l.params.Detectors, d)
	}
	for _, use := range s.Channels() {
		c := loop.Channel{Machine: use.Machine, Collector: use.Collector, Circuits: use.Circuits}
		if o.Outputs != nil {
			c.Collector = control.NoID
		}
		l.params.Channels = append(l.params.Channels, c)
	}
	for range 2 * len(s.Machines) {
		l.params.Channels = append(l.params.Channels, loop.Channel{Machine: control.NoID, Collector: control.NoID})
	}
	for i := range s.Machines {
		if len(s.Machines[i].Contacts) > 0 {
			l.params.Channels[byContacts(s, i)].Machine = control.ID(i)
		}
		if s.Machines[i].Topic != "" {
			l.params.Channels[byTopic(s, i)].Machine = control.ID(i)
		}
	}
	// A topic that never speaks is unknown, and does not silence the others.
	for i := range s.Machines {
		if s.Machines[i].Topic != "" {
			now := o.Now()
			l.Heard(sensor.Reading{Channel: i, At: now, Onset: now, Verdict: sensor.Unknown, Health: sensor.Missing}) // there is room for all
		}
	}
	// Both, so that all that is wrong comes at once.
	var errs [2]error
	l.driver, errs[0] = outputs(&o, &p, wires, &l.remote)
	if d, real := l.driver.(interface{ Missing() []drive.Missing }); real {
		l.missing = d.Missing
	}
	own := s.Rig
	if o.Outputs == nil {
		own = s.Rig.Own()
	}
	sources, failed := o.Sources(own, o.Now)
	errs[1], l.readers = failed, NewReaders(own, sources, o.Notice)
	err = errors.Join(errs[:]...)
	if err == nil && o.Outputs == nil && o.Far != nil && len(s.Rig.Nodes) > 0 {
		if l.far, err = o.Far(o, l.Guard); err == nil {
			l.driver = withFar{l.driver, l.far}
		}
	}
	if err != nil {
		l.close()
		return nil, err
	}
	return l, nil
}

// outputs opens what carries out commands.
func outputs(o *Options, p *control.Params, w drive.Params, link drive.Publisher) (Outputs, error) {
	if o.Outputs != nil {
		return o.Outputs(o.Shop, p)
	}
	w.Now, w.Publish = o.Now, link
	d, err := drive.Open(w, o.Hardware)
	if err != nil {
		return nil, err // not a nil *Driver in an interface
	}
	return d, nil
}

// Ask passes a request to the running loop. It reports whether there was room.
func (l *Live) Ask(in control.Input) bool { return l.put(request{in: in}) }

// Request passes a request to the running loop and returns where the answer
// comes: the event that refuses it, or one of kind 0 once it is in force. It
// returns nil if there was no room.
func (l *Live) Request(in control.Input) <-chan control.Event {
	reply := make(chan control.Event, 1)
	if !l.put(request{in, reply}) {
		return nil
	}
	return reply
}

func (l *Live) put(r request) bool {
	select {
	case l.asks <- r:
		return true
	default:
		return false
	}
}

// Sources is how many converters of this computer are read.
func (l *Live) Sources() int { return l.readers.Len() }

// Fresh reports whether every converter has spoken since it last did so, see
// Readers.Fresh. It is for what the loop calls only.
func (l *Live) Fresh() bool { return l.readers.Fresh() }

// Missing lists the parts of this computer's rig that cannot be reached now, and what
// each serves. Any goroutine may call it.
func (l *Live) Missing() []drive.Missing {
	var out []drive.Missing
	if l.missing != nil {
		out = l.missing()
	}
	uses := l.o.Shop.Channels()
	for i := range l.readers.Len() {
		why := l.readers.Ill(i)
		if why == nil {
			continue
		}
		m := drive.Missing{Name: fmt.Sprintf("adc %q", l.o.Shop.Rig.ADCs[i].Name), Err: why}
		for _, ch := range l.o.Shop.Rig.Of(i) {
			if u := uses[ch]; u.Machine != control.NoID {
				m.For = append(m.For, drive.Thing{Subject: control.AMachine, ID: u.Machine})
			} else if u.Collector != control.NoID {
				m.For = append(m.For, drive.Thing{Subject: control.ACollector, ID: u.Collector})
			}
		}
		out = append(out, m)
	}
	return out
}

// Far returns the part that senses and drives over other computers, or nil.
func (l *Live) Far() Far { return l.far }

// Listen has every reading of the other computers come for so long, where there
// are any. Call it again before that is over.
func (l *Live) Listen(long time.Duration) {
	if l.far != nil {
		l.far.Listen(long)
	}
}

// Snapshot is the state as of the newest event, at most a second old; nil
// before the first step.
func (l *Live) Snapshot() *control.Snapshot { return l.latest.Load() }

// Mains is the mains frequency in force, and whether a converter measures it.
// It is for what the loop calls only.
func (l *Live) Mains() (hz float64, measured bool) {
	for _, d := range l.params.Detectors {
		if hz, measured = d.Mains(); measured {
			return hz, true
		}
	}
	return hz, false
}

// Shares appends what channels show of each other's current, see
// sensor.Detector.Shares. It is for what the loop calls only.
func (l *Live) Shares(out []sensor.Share) []sensor.Share {
	for _, d := range l.params.Detectors {
		out = d.Shares(out)
	}
	return out
}

// Rest sets whether Run ends as soon as the shop is at rest.
func (l *Live) Rest(wanted bool) { l.resting.Store(wanted) }

// Rested reports whether a snapshot shows a shop that may be left alone for a
// moment: nothing runs, moves, is held or on, as far as is known. A latched one may:
// the shop that follows is latched as this one is.
func Rested(s *control.Snapshot) bool {
	if s == nil {
		return false
	}
	for range s.Stirs() {
		return false
	}
	return true
}

// own is the loop's own observer: it publishes the state and notes refusals.
type own struct{ *Live }

// Observe publishes the state and notes a refusal.
func (o own) Observe(s *control.Snapshot, events []control.Event) {
	o.latest.Store(s)
	for _, e := range events {
		if e.Kind == control.RequestRefused {
			o.refused = e
		}
	}
}

// publishEvery bounds the age of a snapshot, in the stream's time.
const publishEvery = time.Second

// longestNap bounds how long the loop sleeps, so that its heartbeat goes on.
const longestNap = 50 * time.Millisecond

// shortestNap is short for every deadline, and no busy wait.
const shortestNap = 50 * time.Microsecond

// Run runs the shop until ctx is done. Whatever ends it, a panic too, it makes
// the outputs inert first. Nothing can be run again after it.
func (l *Live) Run(ctx context.Context, obs ...loop.Observer) (err error) {
	ctx, cancel := context.WithCancel(ctx)
	var solving sync.WaitGroup
	defer solving.Wait()
	defer func() { // before anything that may take its time
		err = errors.Join(err, l.driver.Halt())
		cancel()
		l.close()
	}()
	l.params.Reading = l.o.Reading
	var act loop.Actuator = l.driver
	if _, timed := act.(loop.Timed); l.o.Applied != nil && !timed { // a plant is wanted as it is
		act = watched{l.driver, l.o.Applied}
	}
	lp, err := loop.New(l.Core, l.params, act, append([]loop.Observer{own{l}}, obs...)...)
	if err != nil {
		return err
	}
	speed := l.o.Speed
	if speed == 0 {
		speed = 1
	}
	published := -publishEvery
	solving.Go(func() { l.Guard(func() { l.Air.Run(ctx) }) })
	in := l.readers.Start(ctx, l.Guard)
	var reports []drive.Report
	var readings []sensor.Reading
	var far <-chan struct{} // nil: never
	if l.far != nil {
		far = l.far.Ready()
	}
	nap := time.NewTimer(0)
	defer nap.Stop()
	for {
		source := -1
		select {
		case <-ctx.Done():
			return nil
		case f := <-in:
			source = f.Source
			if l.o.Frame != nil {
				l.o.Frame(&f.Frame)
			}
			lp.Feed(&f.Frame)
			l.readers.Done(f)
		case <-l.driver.Ready():
			reports = l.driver.Take(reports[:0])
			for _, r := range reports {
				l.take(lp, r)
			}
		case <-far:
			reports, readings = l.far.Take(reports[:0], readings[:0])
			for _, r := range readings {
				lp.Read(r)
			}
			for _, r := range reports {
				l.take(lp, r)
			}
		case r := <-l.remote.heard:
			lp.Read(r)
		case r := <-l.asks:
			l.refused = control.Event{}
			lp.Post(l.o.Now(), r.in)
			if r.reply != nil {
				r.reply <- l.refused
			}
		case <-nap.C:
		}
		now := l.o.Now()
		if at, ok := lp.Next(); ok && at < now && l.o.Late != nil {
			l.o.Late(now - at)
		}
		lp.Advance(now)
		if lp.Now() >= published+publishEvery {
			published = lp.Now()
			snap := l.Core.Snapshot()
			l.latest.Store(snap)
			if l.far != nil {
				l.far.AtRest(Rested(snap))
			}
		}
		l.driver.Beat()
		if l.o.After != nil {
			l.o.After(lp.Now(), source)
		}
		if l.resting.Load() && Rested(l.Core.Snapshot()) {
			return nil
		}
		long := longestNap
		if at, ok := lp.Next(); ok {
			left := at - l.o.Now()
			long = min(long, time.Duration(float64(left)/speed))
			if left > 0 { // a simulated clock may stand just before it
				long = max(long, shortestNap)
			}
		}
		nap.Reset(max(long, 0))
	}
}

// byContacts and byTopic are the channels of the loop as which a machine's
// contacts and its topic speak: after those of the rig, one each a machine.
func byContacts(s *config.Shop, machine int) int { return len(s.Rig.Channels) + machine }

func byTopic(s *config.Shop, machine int) int {
	return len(s.Rig.Channels) + len(s.Machines) + machine
}

// take passes on what a driver reports.
func (l *Live) take(lp *loop.Loop, r drive.Report) {
	if r.Err != nil {
		l.o.Notice(r.Err)
	}
	switch {
	case r.Input.Kind == 0:
	case reading(r.Input):
		lp.Read(sensor.Reading{Channel: byContacts(l.o.Shop, int(r.Input.ID)), At: r.At, Onset: r.At, Verdict: sensor.Verdict(r.Input.State)})
	default:
		if l.o.Answered != nil {
			l.o.Answered(r.Input)
		}
		lp.Post(r.At, r.Input)
	}
}

// Guard makes the outputs inert before a panic in a goroutine ends the program.
func (l *Live) Guard(do func()) {
	defer func() {
		if r := recover(); r != nil {
			_ = l.driver.Halt() // the panic tells more
			panic(r)
		}
	}()
	do()
}

// close lets go of everything.
func (l *Live) close() {
	if l.driver != nil {
		_ = l.driver.Halt() // told before
		l.driver.Close()
	}
	l.readers.Close()
}
