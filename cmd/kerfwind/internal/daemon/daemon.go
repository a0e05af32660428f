// Package daemon keeps a shop running: it takes the shop up, looks after what
// must outlast a restart, answers other commands, tells the service manager how
// it fares, and takes up changed files once the shop is at rest.
package daemon

import (
	"context"
	"crypto/rand"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// Options say what to run.
type Options struct {
	Program   string // version
	State     string // state folder
	Runtime   string // folder in memory, for what a restart should know; "" none
	Simulated bool

	Default string                             // the owner's shop file, where none was chosen
	Load    func(Choice) (*config.Shop, error) // reads rig file and shop file
	Rig     rig.Options                        // how hardware is opened; the daemon sets the rest
	Parts   []Part

	// Clock goes on over a restart, until boot is another one. nil: there is none.
	Clock func() (boot string, now time.Duration)

	// Wall is the time of day, and whether it is to be trusted, for the shop's
	// hours. nil: never.
	Wall func() (now time.Time, trusted bool)

	Manager *rig.Manager // nil: none listens

	// Say tells people what happens, Notice what is wrong. They must not wait.
	Say    func(string)
	Notice func(error)
}

// Daemon is a running kerfwind. Door shows it to others.
type Daemon struct {
	o       Options
	boot    string
	began   time.Time
	keep    *keeper
	motor   *motor
	hub     hub
	herald  *herald
	reload  chan struct{}
	chores  chan func()                // what may wait for the disk
	files   sync.Mutex                 // held by who reads the files or chooses one
	parting map[string]<-chan struct{} // closed once the newest part of a name has ended

	mu      sync.Mutex
	owner   *owner
	current *session // nil while none is taken up
	news    chan struct{}
	lapse   *time.Timer // of a bench
	lacks   error       // why no shop could be taken up yet
}

// session is one place, from when it is taken up until it is left.
type session struct {
	place
	revision uint64
	live     *rig.Live
	keeps    *keeping
	now      func() time.Duration
	speed    float64
	parts    parts
	words    words
	done     chan struct{} // closed when it is left

	ready atomic.Bool
	mains atomic.Pointer[seam.Mains]
	next  time.Duration
	hears hears

	memory *record.Memory // nil: the rig has no converter

	settled   []rig.Lying // as it was last written, or read
	settledAt time.Duration
}

// New prepares a daemon. A stored stand-down is in force from the start, and so are
// stored latches.
func New(o Options) *Daemon {
	if o.Rig.Speed == 0 {
		o.Rig.Speed = 1
	}
	d := &Daemon{o: o, boot: rand.Text(), began: time.Now(), keep: newKeeper(o.State, o.Say, o.Notice), reload: make(chan struct{}, 1), chores: make(chan func(), 8),
		parting: map[string]<-chan struct{}{}, news: make(chan struct{})}
	d.owner = newOwner(taken{shop: &config.Shop{}})
	d.lapse = time.AfterFunc(longest, d.lapsed)
	d.lapse.Stop()
	clock, folder := o.Clock, o.Runtime
	if clock == nil {
		began := time.Now()
		clock, folder = func() (string, time.Duration) { return "", time.Since(began) }, ""
	}
	d.motor = newMotor(folder, clock, o.Notice)
	d.herald = newHerald(o.Manager, o.Notice)
	return d
}

// OpenError is the error of hardware that cannot be opened. Nothing was
// switched.
type OpenError struct{ Err error }

func (e *OpenError) Error() string { return e.Err.Error() }
func (e *OpenError) Unwrap() error { return e.Err }

// Reload asks for the files to be read again, that of the choice too. They take
// effect at rest. It never waits.
func (d *Daemon) Reload() {
	select {
	case d.reload <- struct{}{}:
	default: // asked already
	}
}

// since is the owner's clock.
func (d *Daemon) since() time.Duration { return time.Since(d.began) }

// Run runs the shop, and what takes its place, until ctx is done. It returns an
// error if the contactor's line cannot be had, unless a service manager listens: then it
// waits for the line. It returns one too if not all of the hardware is inert at the end.
func (d *Daemon) Run(ctx context.Context, shop *config.Shop, choice Choice) error {
	d.mu.Lock()
	d.owner = newOwner(taken{shop, choice})
	d.mu.Unlock()
	s, err := d.first(ctx)
	if s == nil {
		return err
	}
	d.took(move{place: s.place}, s)
	d.chore(func() { d.unname(choice) })
	var before parts
	defer func() { before.wait() }()
	for {
		// These go on until the outputs are inert.
		var aside sync.WaitGroup
		inner, end := context.WithCancel(context.WithoutCancel(ctx))
		live := s.live
		for _, do := range []func(context.Context){d.keep.run, d.motor.run, d.herald.run, d.attend} {
			aside.Go(func() { live.Guard(func() { do(inner) }) })
		}
		stopping := context.AfterFunc(ctx, func() { d.herald.say("ending: outputs off", stoppingNews) })
		err := d.serve(ctx, s)
		before = s.parts
		stopping()
		end()
		aside.Wait()
		if err != nil || ctx.Err() != nil {
			d.mu.Lock()
			d.lapse.Stop()
			d.mu.Unlock()
			return err
		}
		if s, err = d.reopen(); err != nil {
			return err
		}
	}
}

// startEvery is how often the hardware is tried while the contactor's line is missing.
const startEvery = 2 * time.Second

// first takes the first shop up. Under a service manager it waits until the hardware
// can be opened, since a restart would do no more and say less.
func (d *Daemon) first(ctx context.Context) (*session, error) {
	said := ""
	for {
		s, err := d.open(d.owner.runs, false)
		d.mu.Lock()
		d.lacks = err
		d.mu.Unlock()
		if err == nil || d.o.Manager == nil {
			return s, err
		}
		if said != err.Error() {
			said = err.Error()
			d.o.Notice(fmt.Errorf("nothing is served until this is mended; it is tried again and again: %w", err))
		}
		d.herald.told(d.o.Manager.Begins(10*startEvery, "nothing is served: "+said))
		wait := time.NewTimer(startEvery)
		select {
		case <-ctx.Done():
			wait.Stop()
			return nil, nil
		case <-wait.C:
		}
	}
}

// reopen takes up what was waiting or, if its hardware cannot be opened, the shop
// before.
func (d *Daemon) reopen() (*session, error) {
	d.mu.Lock()
	was, m := d.owner.runs, d.owner.comes()
	d.mu.Unlock()
	for {
		s, err := d.open(m.place, true)
		if err == nil {
			d.took(m, s)
			d.announce(was, m.place)
			return s, nil
		}
		d.o.Notice(fmt.Errorf("reload: %w: the shop stays as it was", err))
		d.mu.Lock()
		failed := m
		m = d.owner.failed(failed, err)
		base := d.owner.base
		d.pace()
		d.mu.Unlock()
		if failed.choice != base.choice && failed.bench == 0 {
			d.chore(func() { d.restore(failed.choice, base.choice) })
		}
		if failed.place == m.place {
			return nil, err
		}
	}
}

// announce says what has taken effect.
func (d *Daemon) announce(was, now place) {
	switch {
	case now.bench != 0:
		d.o.Say("the move-in looks at the rig: no machine is served")
		return
	case was.bench != 0:
		d.o.Say("the move-in has given the rig back: the gates are homed again")
	default:
		d.o.Say("the new files take effect: the gates are homed again")
	}
	if now.choice != was.choice {
		d.o.Say("the shop is " + now.choice.String())
	}
}

// took says that a place is taken up.
func (d *Daemon) took(m move, s *session) {
	d.mu.Lock()
	d.owner.opened(m)
	s.revision = d.owner.revision
	d.pace()
	d.mu.Unlock()
	d.hub.begin(s.revision)
	d.chore(func() { d.mark(m.bench != 0) })
}

// open takes a shop up, the first or, at a reload, another. Every output is off.
func (d *Daemon) open(t place, reload bool) (*session, error) {
	s := &session{place: t, speed: d.o.Rig.Speed, done: make(chan struct{}), keeps: d.keep.of(t.shop)}
	began := time.Now()
	s.now = func() time.Duration { return time.Duration(float64(time.Since(began)) * s.speed) }
	if d.o.Rig.Clock != nil {
		s.now = d.o.Rig.Clock()
	}
	s.memory = remember(t.shop.Rig, d.o.Notice)
	o := d.o.Rig
	o.Shop, o.Now, o.Notice = t.shop, s.now, d.o.Notice
	o.Past = d.motor.past(t.shop.Collector.MinOff, s.speed)
	o.StoodDown, o.Past.Kept = d.keep.held(t.shop)
	o.Past.Powered = reload
	o.Closed = d.closed(t.shop)
	o.Shares = d.pairs(t.shop.Rig)
	o.Frame = func(f *sensor.Frame) {
		if s.memory != nil {
			s.memory.Add(f)
		}
		d.hub.frame(f, s.now())
	}
	o.Reading = d.hub.reading
	o.Applied = func(c control.Command) { d.hub.command(c, s.now()) }
	o.Answered = func(in control.Input) { d.hub.answer(in, s.now()) }
	o.Late = func(by time.Duration) { d.hub.delay(by, s.now()) }
	o.After = func(now time.Duration, source int) { d.after(s, now, source) }
	var err error
	if s.live, err = rig.Open(o); err != nil {
		return nil, &OpenError{err}
	}
	s.hears.kept = s.live.Shares(nil)
	d.restoreSettled(s)
	return s, nil
}

// serve runs a shop until ctx is done or what waits may take its place.
func (d *Daemon) serve(ctx context.Context, s *session) error {
	begin := d.parts(s)
	d.mu.Lock()
	d.current = s
	d.pace()
	d.mu.Unlock()
	begin()
	err := s.live.Run(ctx, s.keeps, d.motor, &d.hub)
	d.mu.Lock()
	d.current = nil
	d.mu.Unlock()
	close(s.done)
	d.keepSettled(s)
	s.words.end()
	s.parts.leave()
	return err
}

func (d *Daemon) session() *session {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.current
}

// chore has something done that may wait for the disk.
func (d *Daemon) chore(do func()) {
	select {
	case d.chores <- do:
	default: // the disk hangs: it is said elsewhere
	}
}

// attend reads the files when it is asked for, and does chores.
func (d *Daemon) attend(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			select {
			case do := <-d.chores:
				do()
			default:
			}
			return
		case do := <-d.chores:
			do()
		case <-d.reload:
			if _, err := d.readAgain(); err != nil {
				d.o.Notice(fmt.Errorf("reload: the shop stays as it was:\n%w", err))
			}
		}
	}
}

// readAgain reads the choice and the files.
func (d *Daemon) readAgain() (seam.Ticket, error) {
	d.files.Lock()
	defer d.files.Unlock()
	c, err := Choose(d.o.State, d.o.Default)
	if err != nil {
		return seam.Ticket{}, err
	}
	shop, err := d.o.Load(c)
	if err != nil {
		return seam.Ticket{}, err
	}
	return d.move(func() seam.Ticket { return d.owner.again(taken{shop, c}) }), nil
}

// restore stores an older choice, since the newer one could not be opened.
func (d *Daemon) restore(newer, older Choice) {
	d.files.Lock()
	defer d.files.Unlock()
	now, err := Choose(d.o.State, d.o.Default)
	if err != nil || now != newer { // the files were chosen again since
		return
	}
	file := ""
	if older.Chosen {
		file = older.File
	}
	if err := SetActiveShop(d.o.State, file); err != nil {
		d.o.Notice(fmt.Errorf("the next start will try the other shop again: %w", err))
	}
}

// fed tells the service manager that the shop is ready, and that it lives.
func (d *Daemon) fed(s *session) {
	if !s.ready.Swap(true) {
		d.herald.say("outputs are safe; shop: "+s.choice.String(), readyNews)
	}
	d.herald.beat(s.live.Snapshot())
}

// after is called by the loop after every completed step.
func (d *Daemon) after(s *session, now time.Duration, source int) {
	second := now >= s.next
	if (source >= 0 || second) && s.live.Fresh() {
		d.fed(s)
	}
	if second {
		s.next = now + time.Second
		hz, measured := s.live.Mains()
		s.mains.Store(&seam.Mains{Hertz: hz, Measured: measured})
		d.hear(s, now)
		d.settle(s, now)
		snap := s.live.Snapshot()
		s.keeps.look(snap)
		d.hub.snapshot(snap, now)
		if closed := d.closed(s.shop); closed != snap.ShopClosed {
			hours := control.ShopOpen
			if closed {
				hours = control.ShopClosed
			}
			s.live.Ask(control.InShop(hours)) // if there is no room, in a second
		}
	}
}

// closed reports whether a shop is closed now. A clock that cannot be trusted
// closes none.
func (d *Daemon) closed(s *config.Shop) bool {
	if s.Hours == nil || d.o.Wall == nil {
		return false
	}
	now, trusted := d.o.Wall()
	return trusted && !s.OpenAt(now)
}
