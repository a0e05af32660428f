// Package drive moves real gates and switches a real collector: relays and DC
// motors on GPIO lines, servos on PCA9685 chips, contacts as inputs.
//
// Apply queues a command and returns; a worker for each bus or GPIO chip
// carries it out, and the contactor has a worker of its own, so that a hung I2C
// bus cannot keep the collector from being switched. What became of a command,
// and what the contacts say, comes back as reports: wait for Ready, call Take,
// post what it returns.
//
// Every output is off from the instant at which its line is requested, and no
// output is ever read. Halt makes everything inert, from anywhere, in bounded
// time. After it nothing can be switched on again by the same Driver.
package drive

import (
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/control"
)

// Errors that a report may carry.
var (
	// ErrHalted: the outputs are inert for good.
	ErrHalted = errors.New("the outputs are halted")
	// ErrNoAnswer: the command was not carried out within Params.Within.
	ErrNoAnswer = errors.New("no answer from the output in time")
	// ErrNoOutput: nothing is wired that could do it.
	ErrNoOutput = errors.New("no output does this")
)

// Report is one input for control, with what a person should know about it.
type Report struct {
	At    time.Duration // when it happened, on Params.Now
	Input control.Input // Kind 0: only Err is meant
	Err   error         // why a command failed, or what is wrong with a contact
}

// target names what a command is for.
type target struct {
	class uint8 // 'c', 'o', 'g', or 'i' for an indicator
	id    control.ID
}

func targetOf(c control.Command) target {
	switch c.Kind {
	case control.CollectorOn, control.CollectorOff:
		return target{'c', 0}
	case control.OutletOn, control.OutletOff:
		return target{'o', c.ID}
	case control.GateOpen, control.GateShut, control.GateStop:
		return target{'g', c.ID}
	case control.IndicatorOn, control.IndicatorOff:
		return target{'i', c.ID}
	}
	return target{}
}

// calms reports whether a command makes things safer: it goes first, and is
// carried out even after it has been given up.
func calms(k control.CommandKind) bool {
	switch k {
	case control.CollectorOff, control.OutletOff, control.GateStop, control.IndicatorOff:
		return true
	case control.CollectorOn, control.OutletOn, control.GateOpen, control.GateShut, control.IndicatorOn:
	}
	return false
}

// unit carries out the commands for one target. Its methods are called by its
// worker only.
type unit interface {
	do(now time.Time, c control.Command) // answers through Driver.answer, now or later
	due() time.Time                      // when fire wants to be called; zero: never
	fire(now time.Time)                  // what is due; also called when nothing is
}

// Driver drives one rig. Its methods may be called at the same time.
type Driver struct {
	p      Params
	hw     Hardware
	halted atomic.Bool

	closing sync.Once

	lines   []*line // every output, the contactor's first
	buses   []*bus
	parts   []*part       // of these, in the order of Params
	tries   atomic.Int32  // parts that have been sought
	sought  chan struct{} // closed once all have been
	topics  []*topic      // of outlets
	workers []*worker
	routes  map[target]*worker
	sensed  contacts
	beat    *worker

	mu      sync.Mutex
	waiting map[target]*order // commands without an answer

	reports queue
}

// order is a command that waits for its answer.
type order struct {
	c     control.Command
	timer *time.Timer
}

// Open takes hold of what p names, with every output off, and starts the workers.
// What cannot be reached is listed by Missing and told as a report; what depends on
// it fails, all else works, and it is taken up as soon as it can be. Outputs that
// come back are told as control.Lost. Only without the contactor's line there is no
// driver: the error joins all that is wrong, and what could be reached is inert.
func Open(p Params, hw Hardware) (*Driver, error) {
	d, err := lay(p, hw)
	if err != nil {
		return nil, err
	}
	for _, l := range d.lines {
		if l.part != nil {
			l.part.fire(time.Now())
		}
	}
	d.sensed.open(d)
	d.start()
	if p.Collector != nil && !d.lines[0].part.isHeld() {
		err := errors.Join(missings(d.Missing()).err(), d.Halt())
		d.Close()
		return nil, err
	}
	return d, nil
}

// Inert makes the outputs that p names inert, as far as each can be reached,
// and lets go of them: for use after a program that held them was killed. It
// needs nothing of what that program knew, and may be called again. The error
// joins what could not be done.
func Inert(p Params, hw Hardware) error {
	p.Contacts = nil
	d, err := lay(p, hw)
	if err != nil {
		return err
	}
	var bad missings
	for _, l := range d.lines {
		if err := l.seek(); err != nil {
			bad.add(l.user, err, nil)
		}
	}
	for _, b := range d.buses {
		for _, c := range b.chips {
			if err := c.reach(); err != nil {
				bad.add(c.name(), err, nil)
				continue
			}
			c.spoken.Store(true) // by the program before
		}
	}
	err = errors.Join(bad.err(), d.Halt())
	d.Close()
	return err
}

// lay lays out what p names, and touches nothing.
func lay(p Params, hw Hardware) (*Driver, error) {
	if err := p.validate(); err != nil {
		return nil, err
	}
	d := &Driver{p: p, hw: hw, routes: map[target]*worker{}, waiting: map[target]*order{}, sought: make(chan struct{})}
	d.reports.ready = make(chan struct{}, 1)
	b := builder{d: d, byPlace: map[string]*worker{}, chips: map[chipKey]*pca{}}
	b.build()
	return d, nil
}

// start runs the workers, waits a moment for the servo chips, tells what is missing,
// and lets the contacts speak for the first time.
func (d *Driver) start() {
	for _, w := range d.workers {
		w.start()
		if w != d.beat { // only the loop wakes it
			w.wake()
		}
	}
	if int(d.tries.Load()) < len(d.parts) {
		limit := time.NewTimer(firstWait)
		defer limit.Stop()
		select {
		case <-d.sought:
		case <-limit.C:
		}
	}
	for _, p := range d.parts {
		p.tell()
	}
	for _, m := range d.Missing() {
		d.trouble(&m)
	}
	d.sensed.start(d)
}

// tried notes that a part has been sought for the first time.
func (d *Driver) tried() {
	if int(d.tries.Add(1)) == len(d.parts) {
		close(d.sought)
	}
}

// Apply queues c and returns. A newer command for the same target replaces an
// older one that has not been begun, which then gets no answer; off and stop
// go before all else that waits.
func (d *Driver) Apply(c control.Command) {
	t := targetOf(c)
	o := &order{c: c}
	d.mu.Lock()
	if old := d.waiting[t]; old != nil {
		old.timer.Stop()
	}
	d.waiting[t] = o
	o.timer = time.AfterFunc(d.p.Within(c), func() { d.answer(c, ErrNoAnswer) })
	d.mu.Unlock()
	w := d.routes[t]
	switch {
	case w != nil:
		w.put(t, c)
	case calms(c.Kind):
		d.answer(c, nil) // what does not exist is off
	default:
		d.answer(c, ErrNoOutput)
	}
}

// answer reports what became of c, once, and only while no newer command for
// its target has replaced it.
func (d *Driver) answer(c control.Command, err error) {
	t := targetOf(c)
	d.mu.Lock()
	o := d.waiting[t]
	if o == nil || o.c != c {
		d.mu.Unlock()
		return
	}
	o.timer.Stop()
	delete(d.waiting, t)
	d.mu.Unlock()
	state := control.Done
	if err != nil {
		state = control.Failed
	}
	d.report(Report{At: d.p.Now(), Err: err, Input: control.InOutput(c, state)})
}

// wanted reports whether c should still be carried out: it has not been replaced
// and not been given up. What calms always is.
func (d *Driver) wanted(c control.Command) bool {
	if calms(c.Kind) {
		return true
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	o := d.waiting[targetOf(c)]
	return o != nil && o.c == c
}

// report queues a report.
func (d *Driver) report(r Report) { d.reports.put(r) }

// trouble reports something that is not the answer to a command.
func (d *Driver) trouble(err error) { d.report(Report{At: d.p.Now(), Err: err}) }

// Ready receives a value when there is something to take.
func (d *Driver) Ready() <-chan struct{} { return d.reports.ready }

// Take appends the reports that have come since the last call, oldest first.
func (d *Driver) Take(to []Report) []Report {
	to, lost := d.reports.take(to)
	if lost {
		// Nobody took for so long that the queue was full: say afresh where
		// every contact is.
		to = append(to, Report{At: d.p.Now(), Err: errors.New("reports were lost: nobody took them")})
		to = d.sensed.say(d.p.Now(), to)
	}
	return to
}

// Beat lets the heartbeat line toggle. Call it from the loop, after a step, and
// from nowhere else: it must stop when the loop does. It never waits.
func (d *Driver) Beat() {
	if d.beat != nil {
		d.beat.wake()
	}
}

// haltWithin bounds Halt: an I2C transfer that hangs ends after a second (the
// kernel's usual time-out), and the one that silences the chip comes after it.
const haltWithin = 2 * time.Second

// Halt makes every output inert: relays off, motors still, no servo pulses. It
// does so on every bus at once and waits for all of them, but never longer
// than two seconds. It may be called again and from a panic.
func (d *Driver) Halt() error {
	d.halted.Store(true)
	n := len(d.lines) + len(d.buses) + len(d.topics)
	done := make(chan error, n)
	// The lines first: the contactor is the first of them.
	for _, l := range d.lines {
		go func() { done <- l.halt() }()
	}
	for _, b := range d.buses {
		go func() { done <- b.halt() }()
	}
	for _, t := range d.topics {
		go func() { done <- t.halt() }()
	}
	limit := time.NewTimer(haltWithin)
	defer limit.Stop()
	var errs []error
	for i := range n {
		select {
		case err := <-done:
			if err != nil {
				errs = append(errs, err)
			}
		case <-limit.C:
			errs = append(errs, fmt.Errorf("%d of %d outputs and buses did not answer within %v: cut their supply", n-i, n, haltWithin))
			return errors.Join(errs...)
		}
	}
	return errors.Join(errs...)
}

// Close ends the workers and lets go of lines and buses. Call Halt first: a
// line that is let go keeps its last level or floats, as its driver likes. A
// worker or contact that hangs is left behind after a while. It may be called
// again.
func (d *Driver) Close() { d.closing.Do(d.close) }

func (d *Driver) close() {
	d.halted.Store(true)
	end := make(chan struct{})
	var all sync.WaitGroup
	all.Go(d.sensed.close)
	all.Go(func() {
		for _, w := range d.workers {
			w.stop()
		}
		for _, l := range d.lines {
			if l.out != nil {
				_ = l.out.Close() // it is off; nobody can act on this
			}
		}
		for _, b := range d.buses {
			if b.dev != nil {
				_ = b.dev.Close()
			}
		}
	})
	go func() {
		defer close(end)
		all.Wait()
	}()
	limit := time.NewTimer(haltWithin)
	defer limit.Stop()
	select {
	case <-end:
	case <-limit.C:
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, o := range d.waiting {
		o.timer.Stop()
	}
}
