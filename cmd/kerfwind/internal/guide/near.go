package guide

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/loop"
	"kerfwind/sensor"
)

// Near is the rig behind a move-in where no kerfwind runs: it is opened here.
type Near struct {
	Runtime string // folder of the rig's lock
	Rig     *config.Rig
	How     rig.Options // hardware and sources, and the speed of a simulation
	Notice  func(error)

	// Up says what is stored for a shop: whether it is stood down, latched, and
	// which gates are set aside; obs stores what changes of that.
	Up func(*config.Shop) (down bool, kept control.Kept, obs loop.Observer)

	queue chan heard
	reads sync.WaitGroup

	mu   sync.Mutex
	lock *rig.Lock
	now  func() time.Duration
	shop *config.Shop
	live *rig.Live
	stop context.CancelFunc
	runs sync.WaitGroup
}

var _ Rig = (*Near)(nil)

// Through opens a move-in on this rig. shop is where the new shop is kept.
func (n *Near) Through(_ context.Context, shop seam.Shop, o Options) (*Guide, Leave, error) {
	n.Rig, n.Notice = o.Rig, o.Notice
	n.queue = make(chan heard, nearQueue)
	o.Link, o.Adopt = n, adopt(shop, o.State)
	g, err := Open(o)
	if err != nil {
		return nil, nil, errors.Join(err, n.Leave())
	}
	n.tell(g)
	return g, n, nil
}

// heard is a reading, or an event with what it says.
type heard struct {
	reading sensor.Reading
	event   control.Event
	why     string
}

// nearQueue is more than a second of eight channels gives. What is too much is
// dropped, so that the loop never waits while an answer is written.
const nearQueue = 2048

// tell says to whom readings and events go.
func (n *Near) tell(g *Guide) {
	n.reads.Go(func() {
		for x := range n.queue {
			if x.event.Kind != 0 {
				g.Event(x.event, x.why)
			} else {
				g.Read(x.reading)
			}
		}
	})
}

func (n *Near) put(x heard) {
	select {
	case n.queue <- x:
	default:
	}
}

// Begin opens the rig with the bench shop.
func (n *Near) Begin(_ context.Context, bench []byte) error {
	s, err := config.ParseBench(bench, n.Rig)
	if err != nil {
		return err
	}
	n.halt()
	if n.lock == nil {
		if n.lock, err = rig.TakeLock(rig.Folder(n.Runtime)); err != nil {
			return err
		}
	}
	began, o := time.Now(), n.How
	now := func() time.Duration { return time.Since(began) }
	if o.Speed > 0 {
		now = func() time.Duration { return time.Duration(float64(time.Since(began)) * o.Speed) }
	}
	o.Shop, o.Midway, o.Notice, o.Now = s, true, n.Notice, now
	var keeps loop.Observer
	o.StoodDown, o.Past.Kept, keeps = n.Up(s)
	o.Reading = func(r sensor.Reading) { n.put(heard{reading: r}) }
	live, err := rig.Open(o)
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(context.Background())
	n.mu.Lock()
	n.now, n.shop, n.live, n.stop = now, s, live, stop
	n.mu.Unlock()
	n.runs.Go(func() {
		if err := live.Run(ctx, keeps, nearEvents{n, &live.Names}); err != nil {
			n.Notice(fmt.Errorf("the outputs are not all inert: %w", err))
		}
	})
	return nil
}

// nearEvents passes events on.
type nearEvents struct {
	n     *Near
	names *timeline.Names
}

// Observe passes events on.
func (x nearEvents) Observe(_ *control.Snapshot, list []control.Event) {
	for _, e := range list {
		h := heard{event: e}
		if e.Kind == control.RequestRefused {
			h.why = timeline.Sentence(e, x.names)
		}
		x.n.put(h)
	}
}

// Now is the clock of the readings.
func (n *Near) Now() time.Duration {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.now == nil {
		return 0
	}
	return n.now()
}

// Ask asks for a test move or its end.
func (n *Near) Ask(r movein.Request) error {
	n.mu.Lock()
	s, live := n.shop, n.live
	n.mu.Unlock()
	ask, id, err := request(s, r)
	if err != nil {
		return err
	}
	in := control.InAsk(ask.Kind, control.Console, id)
	in.For = ask.For
	if !live.Ask(in) {
		return errors.New("the rig has too much to do: answer again")
	}
	return nil
}

// halt makes the outputs inert.
func (n *Near) halt() {
	n.mu.Lock()
	stop := n.stop
	n.stop, n.live, n.shop = nil, nil, nil
	n.mu.Unlock()
	if stop != nil {
		stop()
		n.runs.Wait()
	}
}

// Leave makes the outputs inert and gives the rig back.
func (n *Near) Leave() error {
	n.halt()
	close(n.queue)
	n.reads.Wait()
	if n.lock == nil {
		return nil
	}
	return n.lock.Free()
}
