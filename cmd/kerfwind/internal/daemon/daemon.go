// Package daemon keeps a shop running: it takes the shop up, looks after what
// must outlast a restart, answers other commands, tells the service manager how
// it fares, and takes up changed files once the shop is at rest.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/notify"
	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/cmd/kerfwind/internal/timeline"
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
	Load    func(Choice) (*config.Shop, error) // reads the files
	Rig     rig.Options                        // how hardware is opened; the daemon sets the rest
	Parts   []Part

	// Clock goes on over a restart, until boot is another one. nil: there is none.
	Clock func() (boot string, now time.Duration)

	// Wall is the time of day, and whether it is to be trusted, for the shop's
	// hours. nil: never.
	Wall func() (now time.Time, trusted bool)

	Manager *notify.Manager // nil: none listens

	// Say tells people what happens, Notice what is wrong. They must not wait.
	Say    func(string)
	Notice func(error)
}

// Daemon is a running kerfwind. It is the socket's handler.
type Daemon struct {
	o      Options
	keep   *keeper
	motor  *motor
	hub    hub
	herald *herald
	reload chan struct{}
	back   chan Choice // to be stored again: what took its place could not be opened
	files  sync.Mutex  // held by who reads the files or chooses one

	mu      sync.Mutex
	current *session // nil while none is taken up
	served  int      // shops that were
	pending *taken   // waits for rest
	waits   string   // why new files are not in force
}

// taken is a shop, and why it is this one.
type taken struct {
	shop   *config.Shop
	choice Choice
}

var _ socket.Handler = (*Daemon)(nil)

// session is one shop, from when it is taken up until it is left.
type session struct {
	taken
	live  *rig.Live
	now   func() time.Duration
	speed float64
	parts parts
	done  chan struct{} // closed when it is left

	ready atomic.Bool
	seen  []bool // converters that gave a frame since the watchdog was fed; the loop's
	next  time.Duration

	memory *record.Memory // nil: the rig has no converter
}

// New prepares a daemon. A stored stand-down is in force from the start.
func New(o Options) *Daemon {
	if o.Rig.Speed == 0 {
		o.Rig.Speed = 1
	}
	down, why := StoodDown(o.State)
	if down {
		o.Say("stood down: " + why)
	}
	d := &Daemon{o: o, keep: newKeeper(o.State, down, o.Notice), reload: make(chan struct{}, 1), back: make(chan Choice, 1)}
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

// Reload asks for the files to be read again, that of the choice too. They come
// in force at rest.
func (d *Daemon) Reload() {
	select {
	case d.reload <- struct{}{}:
	default: // asked already
	}
}

// Use chooses a shop file for now and for later starts: an absolute name, or
// one that counts from the state folder; "" is the owner's default again. It
// reads the file first; an error says what is wrong, and changes nothing. The
// shop comes in force at rest, a moment later or, if the shop is at work
// (waits), once it is not; the newest wish wins. If its hardware cannot be
// opened then, the shop and the choice stay as they were. Use does not wait for
// any of this.
func (d *Daemon) Use(file string) (waits bool, err error) {
	d.files.Lock()
	defer d.files.Unlock()
	c := Choice{File: d.o.Default}
	if file != "" {
		c = Choice{in(d.o.State, file), true}
	}
	shop, err := d.o.Load(c)
	if err != nil {
		return false, err
	}
	if err := SetActiveShop(d.o.State, file); err != nil {
		return false, err
	}
	d.o.Say("the shop is to be " + c.String())
	return d.follow(taken{shop, c}), nil
}

// follow lets a shop take the place of the current one, at rest. It tells
// whether it has to wait.
func (d *Daemon) follow(next taken) (waits bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.pending, d.waits = &next, "changed files wait until the shop is at rest"
	s := d.current
	if s == nil {
		return false
	}
	if next.choice != s.choice {
		d.waits = next.choice.File + " waits until the shop is at rest"
	}
	if !rig.Rested(s.live.Snapshot()) {
		waits = true
		d.o.Say(d.waits)
	}
	s.live.Rest()
	return waits
}

// Run runs the shop, and those that come after it by Reload or Use, until ctx
// is done. It returns an error if the hardware cannot be opened, or if not all
// of it is inert at the end.
func (d *Daemon) Run(ctx context.Context, shop *config.Shop, choice Choice) error {
	s, err := d.open(taken{shop, choice}, false)
	if err != nil {
		return err
	}
	for {
		// These go on until the outputs are inert and the parts are closed.
		var aside sync.WaitGroup
		inner, end := context.WithCancel(context.WithoutCancel(ctx))
		live := s.live
		for _, do := range []func(context.Context){d.keep.run, d.motor.run, d.herald.run, d.reloads} {
			aside.Go(func() { live.Guard(func() { do(inner) }) })
		}
		stopping := context.AfterFunc(ctx, func() { d.herald.say("ending: outputs off", stoppingNews) })
		err := d.serve(ctx, s)
		stopping()
		end()
		aside.Wait()
		if err != nil || ctx.Err() != nil {
			return err
		}
		if s, err = d.reopen(s.taken); err != nil {
			return err
		}
	}
}

// reopen takes up the shop that was waiting or, if its hardware cannot be
// opened, the old one again.
func (d *Daemon) reopen(old taken) (*session, error) {
	d.mu.Lock()
	next := old
	if d.pending != nil {
		next = *d.pending
	}
	d.pending, d.waits = nil, ""
	d.mu.Unlock()
	s, err := d.open(next, true)
	if err == nil {
		d.o.Say("the files were read again and are in force: gates are homed anew")
		if next.choice != old.choice {
			d.o.Say("the shop is " + next.choice.String())
		}
		return s, nil
	}
	d.o.Notice(fmt.Errorf("reload: %w: the shop stays as it was", err))
	if next.choice != old.choice {
		select {
		case d.back <- old.choice:
		default: // one that waits is as old
		}
	}
	if s, err = d.open(old, true); err != nil {
		return nil, err
	}
	return s, nil
}

// open takes a shop up, the first or, at a reload, another. Every output is off.
func (d *Daemon) open(t taken, reload bool) (*session, error) {
	s := &session{taken: t, speed: d.o.Rig.Speed, done: make(chan struct{})}
	began := time.Now()
	s.now = func() time.Duration { return time.Duration(float64(time.Since(began)) * s.speed) }
	if d.o.Rig.Clock != nil {
		s.now = d.o.Rig.Clock()
	}
	s.memory = remember(t.shop.Rig, d.o.Notice)
	o := d.o.Rig
	o.Shop, o.Now, o.Notice = t.shop, s.now, d.o.Notice
	o.StoodDown, _ = d.keep.now()
	o.Past = d.motor.past(t.shop.Collector.MinOff, s.speed)
	o.Past.Powered = reload
	o.Closed = d.closed(t.shop)
	o.Frame, o.Reading = s.frame(d), s.reading(d)
	o.Applied = func(c control.Command) { s.parts.applied(c, s.now()) }
	o.Answered = func(in control.Input) { s.parts.answered(in, s.now()) }
	o.Late = func(by time.Duration) { s.parts.late(by) }
	o.After = func(now time.Duration, source int) { d.after(s, now, source) }
	var err error
	if s.live, err = rig.Open(o); err != nil {
		return nil, &OpenError{err}
	}
	s.seen = make([]bool, s.live.Sources())
	return s, nil
}

// serve runs a shop until ctx is done or a waiting shop may take its place.
func (d *Daemon) serve(ctx context.Context, s *session) error {
	s.parts = start(d.o.Parts, Shop{Shop: s.shop, Names: &s.live.Names, Now: s.now, Speed: s.speed, Live: s.live, Choice: s.choice, Use: d.Use, Notice: d.o.Notice, Memory: s.memory,
		Ask: func(ctx context.Context, in control.Input) error { return d.ask(ctx, s, in) }})
	d.mu.Lock()
	d.current = s
	d.served++
	if d.pending != nil {
		s.live.Rest()
	}
	d.mu.Unlock()
	err := s.live.Run(ctx, d.keep, d.motor, s.parts, &lines{d, &s.live.Names})
	d.mu.Lock()
	d.current = nil
	d.mu.Unlock()
	close(s.done)
	s.parts.close(d.o.Notice)
	return err
}

func (d *Daemon) session() *session {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.current
}

// reloads reads the files when it is asked for.
func (d *Daemon) reloads(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			select {
			case c := <-d.back:
				d.restore(c)
			default:
			}
			return
		case c := <-d.back:
			d.restore(c)
		case <-d.reload:
			if err := d.readAgain(); err != nil {
				d.o.Notice(fmt.Errorf("reload: the shop stays as it was:\n%w", err))
			}
		}
	}
}

// readAgain reads the choice and the files.
func (d *Daemon) readAgain() error {
	d.files.Lock()
	defer d.files.Unlock()
	c, err := Choose(d.o.State, d.o.Default)
	if err != nil {
		return err
	}
	shop, err := d.o.Load(c)
	if err != nil {
		return err
	}
	d.follow(taken{shop, c})
	return nil
}

// restore stores an older choice, since the newer one could not be opened.
func (d *Daemon) restore(c Choice) {
	d.files.Lock()
	defer d.files.Unlock()
	d.mu.Lock()
	newer := d.pending != nil || d.current != nil && d.current.choice != c
	d.mu.Unlock()
	if newer { // the files were chosen anew since
		return
	}
	file := ""
	if c.Chosen {
		file = c.File
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
	if source >= 0 && source < len(s.seen) {
		s.seen[source] = true
		fresh := true
		for _, x := range s.seen {
			fresh = fresh && x
		}
		if fresh { // every converter has spoken
			clear(s.seen)
			d.fed(s)
		}
	}
	if now >= s.next {
		s.next = now + time.Second
		if len(s.seen) == 0 { // it only decides: every converter is at a node
			d.fed(s)
		}
		snap := s.live.Snapshot()
		s.parts.second(snap, now)
		if closed := d.closed(s.shop); closed != snap.ShopClosed {
			in := control.Input{Kind: control.ShopIs, State: uint8(control.ShopOpen)}
			if closed {
				in.State = uint8(control.ShopClosed)
			}
			s.live.Ask(in) // if there is no room, in a second
		}
	}
}

// closed tells whether a shop is closed now. A clock that cannot be trusted
// closes none.
func (d *Daemon) closed(s *config.Shop) bool {
	if s.Hours == nil || d.o.Wall == nil {
		return false
	}
	now, trusted := d.o.Wall()
	return trusted && !s.OpenAt(now)
}

// lines hands events to those that look on over the socket.
type lines struct {
	d     *Daemon
	names *timeline.Names
}

// Observe hands events on.
func (l *lines) Observe(_ *control.Snapshot, events []control.Event) {
	for _, e := range events {
		l.d.hub.send(socket.DoEvents, 0, func() socket.Answer {
			x := timeline.FromEvent(e, l.names)
			return socket.Answer{Event: x.AppendJSON(nil), Text: string(timeline.AppendText(nil, e, l.names))}
		})
	}
}

func (s *session) frame(d *Daemon) func(*sensor.Frame) {
	return func(f *sensor.Frame) {
		d.hub.send(socket.DoFrames, f.Source, func() socket.Answer { return socket.Answer{Frame: socket.NewFrame(f)} })
		if s.memory != nil {
			s.memory.Add(f)
		}
		s.parts.frame(f, s.now())
	}
}

func (s *session) reading(d *Daemon) func(sensor.Reading) {
	return func(r sensor.Reading) {
		if r.Channel < len(s.shop.Rig.Channels) {
			d.hub.send(socket.DoReadings, 0, func() socket.Answer {
				return socket.Answer{Reading: &socket.Reading{Channel: s.shop.Rig.Channels[r.Channel].Name, T: r.At.Seconds(),
					Verdict: r.Verdict.String(), Amps: r.Amps, Health: r.Health.String()}}
			})
		}
		s.parts.reading(r)
	}
}

// Ask carries out a request that comes over the socket. A stand-down, and its
// end, are answered once they would outlast a power cut.
func (d *Daemon) Ask(ctx context.Context, r socket.Request, peer socket.Peer) socket.Answer {
	fail := func(format string, args ...any) socket.Answer {
		return socket.Answer{Error: fmt.Sprintf(format, args...)}
	}
	s := d.session()
	if s == nil {
		return fail("no shop is taken up just now: try again")
	}
	in, err := r.Input(s.gate)
	if err != nil {
		return fail("%v", err)
	}
	kind := control.AskKind(in.State)
	if kind == control.AskLift && !peer.Owner() {
		return fail("a stand-down is lifted by its switch, or by root or the user of the daemon on this computer")
	}
	if kind == control.AskReset && !peer.Owner() {
		return fail("a latch is reset by its switch, or by root or the user of the daemon on this computer")
	}
	in.Origin = control.Console
	note := s.remark(in)
	err = d.ask(ctx, s, in)
	if no := (*Refused)(nil); errors.As(err, &no) {
		return socket.Answer{Refused: no.Why}
	}
	if err != nil {
		return fail("%v", err)
	}
	return socket.Answer{Note: note}
}

// remark says where a request, if it is not refused, does less than is asked.
func (s *session) remark(in control.Input) string {
	snap := s.live.Snapshot()
	switch kind := control.AskKind(in.State); {
	case kind == control.AskHold:
		if most := s.shop.Control().HoldLongest; in.For == 0 || in.For > most {
			return "for " + config.FormatDuration(most) + ", the longest that the shop file allows"
		}
	case snap == nil:
	case kind == control.AskLift && !snap.StoodDown:
		return "it was not stood down"
	case kind == control.AskStandDown && snap.StoodDown:
		return "it was stood down already"
	}
	return ""
}

// gate finds a gate by its name.
func (s *session) gate(name string) (control.ID, bool) {
	for i := range s.shop.Gates {
		if s.shop.Gates[i].Name == name {
			return control.ID(i), true
		}
	}
	return control.NoID, false
}

// Stream starts a stream for a client.
func (d *Daemon) Stream(ctx context.Context, r socket.Request) (<-chan socket.Answer, error) {
	s := d.session()
	if s == nil {
		return nil, errors.New("no shop is taken up just now: try again")
	}
	if r.Do == socket.DoFrames && r.Source >= s.live.Sources() {
		return nil, fmt.Errorf("the rig has no converter %d", r.Source)
	}
	if r.Do == socket.DoLast {
		return s.last(ctx, time.Duration(r.Last*1e9), d.o.Notice)
	}
	if r.Do == socket.DoReadings {
		go s.live.Guard(func() { d.listen(ctx) })
	}
	return d.hub.subscribe(ctx, r), nil
}

// listenFor is for how long the other computers are asked for every reading at a
// time: our own choice.
const listenFor = 2 * time.Second

// listen has every reading of the other computers come until ctx is done.
func (d *Daemon) listen(ctx context.Context) {
	tick := time.NewTicker(listenFor / 2)
	defer tick.Stop()
	for {
		if s := d.session(); s != nil {
			s.live.Listen(listenFor)
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}
