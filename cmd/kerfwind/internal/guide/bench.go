package guide

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/config"
	"kerfwind/control"
)

// Bounds of a bench: our own choice.
const (
	benchLease = time.Minute      // one that nobody renews ends by itself
	benchWait  = 15 * time.Minute // for the shop to come to rest: a run-on, and the fan's coasting
	askWait    = 10 * time.Second
)

// Bench is the rig behind a move-in where a kerfwind runs: that one looks and moves.
// It is the same for a terminal and for the page.
type Bench struct {
	Shop   seam.Shop
	Rig    *config.Rig
	Notice func(error)
	Guard  func(do func()) // runs what goes on by itself; nil: a fault in it may end the program

	mu    sync.Mutex
	g     *Guide
	lease uint64
	text  string // in force
	shop  *config.Shop
	rev   uint64
	at    time.Duration // of the stream, when it was got
	got   time.Time
	speed float64
	ctx   context.Context // of what goes on by itself
	stop  context.CancelFunc
	runs  sync.WaitGroup
}

var _ Rig = (*Bench)(nil)

// begin comes before anything else.
func (b *Bench) begin() { b.ctx, b.stop = context.WithCancel(context.Background()) }

// tell says to whom readings and events go.
func (b *Bench) tell(g *Guide) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.g = g
}

// Begin puts the bench in force, which happens at rest.
func (b *Bench) Begin(ctx context.Context, text []byte) error {
	s, err := config.ParseBench(text, b.Rig)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, benchWait)
	defer cancel()
	b.mu.Lock()
	lease, same := b.lease, b.lease != 0 && b.text == string(text)
	b.mu.Unlock()
	if same {
		return nil
	}
	got, err := b.Shop.Bench(ctx, seam.BenchWish{Lease: lease, Text: text, For: benchLease})
	if err == nil && lease != 0 && got.Outcome == seam.Failed { // it lapsed: take another
		got, err = b.Shop.Bench(ctx, seam.BenchWish{Text: text, For: benchLease})
	}
	if err != nil {
		return err
	}
	b.mu.Lock()
	first := b.lease == 0
	b.lease, b.text = got.Lease, ""
	b.mu.Unlock()
	if first {
		if err := b.follow(); err != nil {
			return err
		}
	}
	for got.Outcome == seam.Waits {
		if g := b.guide(); g != nil {
			g.waits(got.For)
		}
		wait := time.NewTimer(time.Second / 2)
		select {
		case <-wait.C:
		case <-ctx.Done():
			wait.Stop()
			if errors.Is(ctx.Err(), context.DeadlineExceeded) {
				return errors.New("the shop does not come to rest: " + got.For)
			}
			return ctx.Err()
		}
		if got, err = b.Shop.Bench(ctx, seam.BenchWish{Lease: got.Lease, For: benchLease}); err != nil {
			return err
		}
	}
	if got.Outcome != seam.TookEffect {
		b.forget()
		return errors.New(got.Why)
	}
	hello, err := b.Shop.Hello(ctx)
	if err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.shop, b.rev, b.text = s, got.Revision, string(text)
	b.at, b.got, b.speed = hello.Clock.Now, time.Now(), hello.Clock.Speed
	return nil
}

// guide is whom readings and events go to, nil if there is nobody yet.
func (b *Bench) guide() *Guide {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.g
}

// forget gives the lease up that has ended.
func (b *Bench) forget() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.lease, b.text, b.shop, b.rev = 0, "", nil, 0
}

// follow passes readings and events on, and renews the lease, from now on.
func (b *Bench) follow() error {
	items, err := b.Shop.Follow(b.ctx, seam.Want{Events: true, Readings: true})
	if err != nil {
		return err
	}
	b.aside(func() {
		defer func() { _ = items.Close() }() // only read
		for {
			x, err := items.Next(b.ctx)
			if err != nil {
				if b.ctx.Err() == nil {
					b.Notice(fmt.Errorf("the running kerfwind says no more: %w", err))
				}
				return
			}
			b.pass(&x)
		}
	})
	b.aside(b.renew)
	return nil
}

// aside runs something until the bench is left.
func (b *Bench) aside(do func()) {
	b.runs.Go(func() {
		if b.Guard == nil {
			do()
			return
		}
		b.Guard(do)
	})
}

// pass passes an item of the bench on.
func (b *Bench) pass(x *seam.Item) {
	b.mu.Lock()
	ours := b.shop != nil && x.Revision == b.rev && b.g != nil
	if ours {
		b.at, b.got = x.At, time.Now()
	}
	g := b.g
	b.mu.Unlock()
	switch {
	case !ours:
	case x.Kind == seam.AReading && x.Reading.Channel < len(b.Rig.Channels):
		g.Read(x.Reading)
	case x.Kind == seam.AnEvent && x.Event.Kind != control.RequestRefused: // Ask returns its own
		g.Event(x.Event, "")
	}
}

// renew keeps the lease until the bench is left, or lost.
func (b *Bench) renew() {
	again := time.NewTicker(benchLease / 4)
	defer again.Stop()
	for {
		select {
		case <-again.C:
		case <-b.ctx.Done():
			return
		}
		b.mu.Lock()
		lease, g := b.lease, b.g
		b.mu.Unlock()
		if lease == 0 || g == nil {
			continue
		}
		ctx, cancel := context.WithTimeout(b.ctx, askWait)
		_ = b.Shop.Listen(ctx, benchLease/2) // else readings of other computers come now and then
		got, err := b.Shop.Bench(ctx, seam.BenchWish{Lease: lease, For: benchLease})
		cancel()
		if err == nil && got.Outcome == seam.Failed {
			b.forget()
			g.Lost(got.Why)
		}
	}
}

// Now is the clock of the readings.
func (b *Bench) Now() time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.got.IsZero() {
		return 0
	}
	return b.at + time.Duration(float64(time.Since(b.got))*b.speed)
}

// Ask asks for a test move or its end. A refusal comes as an event would.
func (b *Bench) Ask(r movein.Request) error {
	b.mu.Lock()
	s, rev, g := b.shop, b.rev, b.g
	b.mu.Unlock()
	ask, id, err := request(s, r)
	if err != nil {
		return err
	}
	ask.Revision = rev
	b.aside(func() {
		ctx, cancel := context.WithTimeout(b.ctx, askWait)
		defer cancel()
		_, err := b.Shop.Ask(ctx, ask)
		if err == nil || r.Kind != movein.Move {
			return
		}
		no := control.Event{Kind: control.RequestRefused, At: b.Now(), ID: id}
		if st, err := b.Shop.State(ctx); err == nil && st.Begun && !st.Rested {
			no.Cause = control.ByBusy // it passes
		}
		g.Event(no, err.Error())
	})
	return nil
}

// request translates a session's request for the shop.
func request(s *config.Shop, r movein.Request) (seam.Request, control.ID, error) {
	ask := seam.Request{Kind: control.AskTestEnd}
	if s == nil {
		return ask, control.NoID, errors.New("the rig is not open yet: try again in a moment")
	}
	if r.Kind == movein.EndMove {
		return ask, control.NoID, nil
	}
	for i := range s.Gates {
		if s.Gates[i].Name == r.Actuator {
			return seam.Request{Kind: control.AskTestOpen, Target: r.Actuator, For: r.For}, control.ID(i), nil
		}
	}
	return ask, control.NoID, fmt.Errorf("output %s cannot be moved", r.Actuator)
}

// Leave gives the rig back: the earlier shop takes effect again, unless another was
// chosen.
func (b *Bench) Leave() error {
	b.mu.Lock()
	lease := b.lease
	b.mu.Unlock()
	b.stop()
	b.runs.Wait()
	b.forget()
	if lease == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), askWait)
	defer cancel()
	if _, err := b.Shop.Bench(ctx, seam.BenchWish{Lease: lease}); err != nil {
		return fmt.Errorf("the rig is not given back: %w; kerfwind takes up the shop before within %s", err, config.FormatDuration(benchLease))
	}
	return nil
}
