// Package rig runs a shop on real hardware: it opens converters, contacts and
// outputs as the rig file says, ties the state machine's time to the real
// clock, and sees to it that every way out leaves the outputs inert.
package rig

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/setup"
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

	// Sources opens the converters.
	Sources func(*config.Rig, func() time.Duration) ([]sensor.Source, error)

	StoodDown bool // nothing is commanded until that is lifted at the shop
	Midway    bool // for a hand on one thing: no waiting after power-up, no homing

	// Notice is told of troubles in words. It must not wait.
	Notice func(error)
}

// Live is a shop that is ready to run. Every output is off.
type Live struct {
	Names timeline.Names
	Core  *control.Core
	Air   *setup.Air

	o       Options
	driver  *drive.Driver
	sources []sensor.Source
	readers sync.WaitGroup
	params  loop.Params
	asks    chan control.Input
}

// Open takes hold of the hardware. The error joins all that is wrong with it.
func Open(o Options) (*Live, error) {
	s := o.Shop
	l := &Live{o: o, Names: setup.Names(s), asks: make(chan control.Input, 16)}
	p := s.Control()
	p.StoodDown = o.StoodDown
	if o.Midway {
		p.PowerUp, p.Midway = 0, true
	}
	var err error
	if l.Air, err = setup.NewAir(&p, s, false); err != nil {
		return nil, err
	}
	if l.Core, err = control.New(p); err != nil {
		return nil, err
	}
	l.params = loop.Params{Machines: len(p.Machines), Circuits: p.Circuits}
	for _, sp := range s.Sensor() {
		d, err := sensor.New(sp)
		if err != nil {
			return nil, err
		}
		l.params.Detectors = append(l.params.Detectors, d)
	}
	for _, use := range s.Channels() {
		l.params.Channels = append(l.params.Channels, loop.Channel{Machine: use.Machine, Collector: use.Collector, Circuits: use.Circuits})
	}
	// The contacts of a machine speak as one more channel of it.
	for i := range s.Machines {
		c := loop.Channel{Machine: control.NoID, Collector: control.NoID}
		if len(s.Machines[i].Contacts) > 0 {
			c.Machine = control.ID(i)
		}
		l.params.Channels = append(l.params.Channels, c)
	}
	w, err := Wiring(s)
	if err != nil {
		return nil, err
	}
	w.Now = o.Now
	// Both, so that all that is wrong comes at once.
	var errs [2]error
	l.driver, errs[0] = drive.Open(w, o.Hardware)
	l.sources, errs[1] = o.Sources(s.Rig, o.Now)
	if err := errors.Join(errs[:]...); err != nil {
		l.close()
		return nil, err
	}
	return l, nil
}

// Ask passes a request to the running loop. It tells whether there was room.
func (l *Live) Ask(in control.Input) bool {
	select {
	case l.asks <- in:
		return true
	default:
		return false
	}
}

// longestNap bounds how long the loop sleeps, so that its heartbeat goes on.
const longestNap = 50 * time.Millisecond

// Run runs the shop until ctx is done. Whatever ends it, a panic too, it makes
// the outputs inert first. Nothing can be run again after it.
func (l *Live) Run(ctx context.Context, obs ...loop.Observer) (err error) {
	ctx, cancel := context.WithCancel(ctx)
	solve, solved := l.solve()
	defer solved()
	defer func() { // before anything that may take its time
		err = errors.Join(err, l.driver.Halt())
		cancel()
		l.close()
	}()
	lp, err := loop.New(l.Core, l.params, l.driver, obs...)
	if err != nil {
		return err
	}
	in := l.read(ctx)
	ill := make([]string, len(l.sources)) // what was last said of each
	var reports []drive.Report
	nap := time.NewTimer(0)
	defer nap.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case f := <-in:
			lp.Feed(&f.Frame)
			now := ""
			if f.Err != nil {
				now = f.Err.Error()
			}
			if now != ill[f.Source] && now != "" {
				l.o.Notice(fmt.Errorf("adc %q: %w", l.o.Shop.Rig.ADCs[f.Source].Name, f.Err))
			}
			ill[f.Source] = now
			f.free <- f
		case <-l.driver.Ready():
			reports = l.driver.Take(reports[:0])
			for _, r := range reports {
				l.take(lp, r)
			}
		case in := <-l.asks:
			lp.Post(l.o.Now(), in)
		case <-nap.C:
		}
		lp.Advance(l.o.Now())
		l.driver.Beat()
		solve()
		long := longestNap
		if at, ok := lp.Next(); ok {
			long = min(long, at-l.o.Now())
		}
		nap.Reset(max(long, 0))
	}
}

// take passes on what a driver reports.
func (l *Live) take(lp *loop.Loop, r drive.Report) {
	if r.Err != nil {
		l.o.Notice(r.Err)
	}
	switch {
	case r.Input.Kind == 0:
	case reading(r.Input):
		lp.Read(sensor.Reading{Channel: len(l.o.Shop.Rig.Channels) + int(r.Input.ID), At: r.At, Onset: r.At, Verdict: sensor.Verdict(r.Input.State)})
	default:
		lp.Post(r.At, r.Input)
	}
}

// frame is a frame on its way from a reader to the loop and back.
type frame struct {
	sensor.Frame
	free chan *frame
}

// read starts a reader for each source. A converter that hangs blocks only its
// own.
func (l *Live) read(ctx context.Context) <-chan *frame {
	in := make(chan *frame, len(l.sources))
	for i, src := range l.sources {
		free := make(chan *frame, 2)
		free <- &frame{free: free}
		free <- &frame{free: free}
		l.readers.Go(func() {
			l.guard(func() { l.follow(ctx, i, src, free, in) })
		})
	}
	return in
}

// follow reads source i until it or ctx ends.
func (l *Live) follow(ctx context.Context, i int, src sensor.Source, free chan *frame, in chan<- *frame) {
	for {
		var f *frame
		select {
		case f = <-free:
		case <-ctx.Done():
			return
		}
		err := src.Next(&f.Frame)
		if ctx.Err() != nil {
			return
		}
		if err != nil {
			if !errors.Is(err, io.EOF) {
				l.o.Notice(fmt.Errorf("adc %q: %w", l.o.Shop.Rig.ADCs[i].Name, err))
			}
			return
		}
		select {
		case in <- f:
		case <-ctx.Done():
			return
		}
	}
}

// solve returns what hands sets of gates that are not in the duct's table to a
// goroutine that works them out, and what waits for it to end.
func (l *Live) solve() (ask, end func()) {
	table := l.Air.Table
	if table == nil {
		return func() {}, func() {}
	}
	jobs := make(chan []uint64, 1)
	var done sync.WaitGroup
	done.Go(func() {
		l.guard(func() {
			for sets := range jobs {
				table.Solve(sets...)
			}
		})
	})
	ask = func() {
		if len(jobs) == 0 { // only this goroutine fills it
			if sets := table.Asked(nil); len(sets) > 0 {
				jobs <- sets
			}
		}
	}
	return ask, func() { close(jobs); done.Wait() }
}

// guard makes the outputs inert before a panic in a goroutine ends the program.
func (l *Live) guard(do func()) {
	defer func() {
		if r := recover(); r != nil {
			_ = l.driver.Halt() // the panic tells more
			panic(r)
		}
	}()
	do()
}

// hangs bounds how long the end waits for a converter that hangs.
const hangs = time.Second

// close lets go of everything.
func (l *Live) close() {
	if l.driver != nil {
		_ = l.driver.Halt() // told before
		l.driver.Close()
	}
	_ = closeAll(l.sources) // they are only read
	end := make(chan struct{})
	go func() {
		defer close(end)
		l.readers.Wait()
	}()
	limit := time.NewTimer(hangs)
	defer limit.Stop()
	select {
	case <-end:
	case <-limit.C:
	}
}
