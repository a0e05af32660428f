package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/jog"
	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// The hardware behind a move-in on a terminal: the rig itself where no kerfwind
// runs, else the one that runs.

// reading is a reading, or an event with what it says.
type reading struct {
	sensor.Reading
	event control.Event
	why   string
}

// to passes it on.
func (r *reading) to(g *guide.Guide) {
	if r.event.Kind != 0 {
		g.Event(r.event, r.why)
		return
	}
	g.Read(r.Reading)
}

// benchLink brings readings and events to the guide by a goroutine of its own,
// so that neither the loop nor the socket waits while an answer is written.
// What is too much is dropped.
type benchLink struct {
	rig    *config.Rig
	read   func(reading)
	notice func(error)
	down   func() bool     // stood down
	guard  func(do func()) // keeps a fault to itself; nil: it may end the program

	mu    sync.Mutex
	now   func() time.Duration
	queue chan reading
	done  sync.WaitGroup
}

// benchQueue is more than a second of eight channels gives.
const benchQueue = 2048

// begin lets readings through.
func (l *benchLink) begin() {
	queue := make(chan reading, benchQueue)
	l.mu.Lock()
	l.queue = queue
	l.mu.Unlock()
	pass := func() {
		for r := range queue {
			l.read(r)
		}
	}
	l.done.Go(func() {
		if l.guard == nil {
			pass()
			return
		}
		l.guard(pass)
		for range queue { // after a fault
		}
	})
}

// end waits until nothing is passed on any more.
func (l *benchLink) end() {
	l.mu.Lock()
	if l.queue != nil {
		close(l.queue)
		l.queue = nil
	}
	l.mu.Unlock()
	l.done.Wait()
}

func (l *benchLink) put(r reading) {
	l.mu.Lock()
	defer l.mu.Unlock()
	select {
	case l.queue <- r: // never to a nil queue
	default:
	}
}

// Now is the clock of the readings.
func (l *benchLink) Now() time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.now == nil {
		return 0
	}
	return l.now()
}

func (l *benchLink) clock(now func() time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.now = now
}

// ask is the request of the state machine for one of a move-in.
func (l *benchLink) ask(s *config.Shop, r movein.Request) (control.Input, error) {
	in := control.Input{Kind: control.Ask, Origin: control.Console, State: uint8(control.AskTestEnd), ID: control.NoID}
	if s == nil {
		return in, errors.New("the rig is not open yet: try again in a moment")
	}
	if r.Kind == movein.EndMove {
		return in, nil
	}
	for i := range s.Gates {
		if s.Gates[i].Name == r.Actuator {
			in.State, in.ID, in.For = uint8(control.AskTestOpen), control.ID(i), r.For
			return in, nil
		}
	}
	return in, fmt.Errorf("output %s cannot be moved", r.Actuator)
}

// nearBench opens the rig itself.
type nearBench struct {
	*benchLink
	runtime string
	how     rig.Options // hardware and sources, and the speed of a simulation
	lock    *rig.Lock
	shop    *config.Shop
	live    *rig.Live
	stop    context.CancelFunc
	runs    sync.WaitGroup
}

// Begin opens the rig with the bench shop.
func (b *nearBench) Begin(_ context.Context, bench []byte) error {
	s, err := config.ParseShop("the move-in's shop", bench, b.rig)
	if err != nil {
		return err
	}
	b.halt()
	if b.lock == nil {
		if b.lock, err = rig.TakeLock(rig.Folder(b.runtime)); err != nil {
			return err
		}
	}
	began, o := time.Now(), b.how
	now := func() time.Duration { return time.Since(began) }
	if o.Speed > 0 {
		now = func() time.Duration { return time.Duration(float64(time.Since(began)) * o.Speed) }
	}
	o.Shop, o.StoodDown, o.Midway, o.Notice, o.Now = s, b.down(), true, b.notice, now
	o.Reading = func(r sensor.Reading) { b.put(reading{Reading: r}) }
	live, err := rig.Open(o)
	if err != nil {
		return err
	}
	b.clock(now)
	ctx, stop := context.WithCancel(context.Background())
	b.mu.Lock()
	b.shop, b.live, b.stop = s, live, stop
	b.mu.Unlock()
	b.runs.Go(func() {
		if err := live.Run(ctx, benchEvents{b.benchLink, &live.Names}); err != nil {
			b.notice(fmt.Errorf("the outputs are not all inert: %w", err))
		}
	})
	return nil
}

// benchEvents passes events on.
type benchEvents struct {
	*benchLink
	names *timeline.Names
}

// Observe passes events on.
func (b benchEvents) Observe(_ *control.Snapshot, list []control.Event) {
	for _, e := range list {
		r := reading{event: e}
		if e.Kind == control.RequestRefused {
			r.why = timeline.Sentence(e, b.names)
		}
		b.put(r)
	}
}

// Ask asks for a test move or its end.
func (b *nearBench) Ask(r movein.Request) error {
	b.mu.Lock()
	s, live := b.shop, b.live
	b.mu.Unlock()
	in, err := b.ask(s, r)
	if err == nil && !live.Ask(in) {
		err = errors.New("the rig has too much to do: answer again")
	}
	return err
}

// halt makes the outputs inert.
func (b *nearBench) halt() {
	b.mu.Lock()
	stop := b.stop
	b.stop, b.live, b.shop = nil, nil, nil
	b.mu.Unlock()
	if stop != nil {
		stop()
		b.runs.Wait()
	}
}

func (b *nearBench) end() {
	b.halt()
	if b.lock != nil {
		_ = b.lock.Free() // the kernel does it otherwise
	}
}

// farBench lets the kerfwind that runs look and move.
type farBench struct {
	*benchLink
	runtime, state string
	shop           *config.Shop
	before         func() string   // the shop file to go back to
	left           bool            // it was left
	ctx            context.Context // of the streams
	stop           context.CancelFunc
	runs           sync.WaitGroup
}

// request asks and waits for the answer.
func (b *farBench) request(ctx context.Context, r socket.Request) (socket.Answer, error) {
	c, err := socket.Dial(b.runtime)
	if err != nil {
		return socket.Answer{}, err
	}
	defer func() { _ = c.Close() }() // the answer has come
	a, err := c.Do(ctx, r)
	if err == nil && a.Refused != "" {
		err = errors.New(a.Refused)
	}
	return a, err
}

// benchWait bounds how long the shop may need to come to rest: a run-on, and
// the fan's coasting.
const benchWait = 15 * time.Minute

// Begin lets the daemon take up the bench shop, which happens at rest, and
// follows it.
func (b *farBench) Begin(ctx context.Context, bench []byte) error {
	s, err := config.ParseShop("the move-in's shop", bench, b.rig)
	if err != nil {
		return err
	}
	a, err := b.request(ctx, socket.Request{Do: socket.DoStatus})
	if err != nil {
		return err
	}
	b.left = true
	if err := state.Write(b.state, guide.BenchFile, bench); err != nil {
		return err
	}
	b.halt()
	if _, err := b.request(ctx, socket.Request{Do: socket.DoUse, Shop: guide.BenchFile}); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, benchWait)
	defer cancel()
	for {
		if a, err = b.request(ctx, socket.Request{Do: socket.DoStatus}); err != nil {
			return err
		}
		if st := a.Status; filepath.Base(st.File) == guide.BenchFile && st.Shop == s.Name && st.Ready && st.Reload == "" {
			break
		}
		wait := time.NewTimer(time.Second)
		select {
		case <-wait.C:
		case <-ctx.Done():
			wait.Stop()
			return errors.New("the shop does not come to rest: " + a.Status.Reload)
		}
	}
	return b.follow(s, a.Status.T)
}

// follow passes readings and events of the daemon on.
func (b *farBench) follow(s *config.Shop, at float64) error {
	began := time.Now()
	b.clock(func() time.Duration { return time.Duration(at*1e9) + time.Since(began) })
	ctx, stop := context.WithCancel(context.Background())
	number := map[string]int{}
	for i := range b.rig.Channels {
		number[b.rig.Channels[i].Name] = i
	}
	verdicts := map[string]sensor.Verdict{sensor.Idle.String(): sensor.Idle, sensor.Running.String(): sensor.Running}
	for do, pass := range map[string]func(socket.Answer){
		socket.DoReadings: func(a socket.Answer) {
			if r := a.Reading; r != nil {
				ch, ok := number[r.Channel]
				if !ok {
					return
				}
				x := reading{Reading: sensor.Reading{Channel: ch, At: time.Duration(r.T * 1e9), Verdict: sensor.Unknown, Amps: r.Amps}}
				if v, ok := verdicts[r.Verdict]; ok {
					x.Verdict, x.Health = v, sensor.Healthy
				}
				b.put(x)
			}
		},
		socket.DoEvents: func(a socket.Answer) {
			if a.Event != nil {
				e := jog.EventOf(a.Event, s)
				e.At = b.Now()
				if e.Kind != control.RequestRefused { // Ask is told of its own
					b.put(reading{event: e})
				}
			}
		},
	} {
		c, err := socket.Dial(b.runtime)
		if err == nil {
			err = c.Start(socket.Request{Do: do})
		}
		if err != nil {
			stop()
			return err
		}
		context.AfterFunc(ctx, func() { _ = c.Close() }) // ends Next
		b.runs.Go(func() {
			for {
				a, err := c.Next()
				if err != nil {
					if ctx.Err() == nil {
						b.notice(fmt.Errorf("the running kerfwind says no more: %w", err))
					}
					return
				}
				pass(a)
			}
		})
	}
	b.mu.Lock()
	b.shop, b.ctx, b.stop = s, ctx, stop
	b.mu.Unlock()
	return nil
}

// Ask asks for a test move or its end. A refusal comes as an event would.
func (b *farBench) Ask(r movein.Request) error {
	b.mu.Lock()
	s, ctx := b.shop, b.ctx
	b.mu.Unlock()
	in, err := b.ask(s, r)
	if err != nil {
		return err
	}
	ask := socket.Request{Do: socket.DoAsk, Ask: control.AskKind(in.State).String(), For: in.For.Seconds()}
	if in.ID != control.NoID {
		ask.Gate = r.Actuator
	}
	b.runs.Go(func() {
		_, err := b.request(ctx, ask)
		if err == nil || r.Kind != movein.Move {
			return
		}
		no := reading{event: control.Event{Kind: control.RequestRefused, At: b.Now(), ID: in.ID}, why: err.Error()}
		if a, err := b.request(ctx, socket.Request{Do: socket.DoStatus}); err == nil && a.Status.Moving {
			no.event.Cause = control.ByBusy // it passes
		}
		b.put(no)
	})
	return nil
}

// use puts a new shop in force.
func (b *farBench) use(file string) error {
	_, err := b.request(context.Background(), socket.Request{Do: socket.DoUse, Shop: file})
	return err
}

// halt ends the streams.
func (b *farBench) halt() {
	b.mu.Lock()
	stop := b.stop
	b.stop, b.shop = nil, nil
	b.mu.Unlock()
	if stop != nil {
		stop()
		b.runs.Wait()
	}
}

// end goes back to the shop before, unless another was put in force.
func (b *farBench) end() {
	b.halt()
	if !b.left {
		return
	}
	if chosen, err := benchChosen(b.state); err == nil && !chosen {
		return
	}
	if _, err := b.request(context.Background(), socket.Request{Do: socket.DoUse, Shop: b.before()}); err != nil {
		b.notice(notBack(err))
	}
}

// typedAsIs delivers the lines of the person.
func typedAsIs(r io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(r); s.Scan(); {
			lines <- strings.TrimSpace(s.Text())
		}
	}()
	return lines
}
