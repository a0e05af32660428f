package parts

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/metrics"
	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/config"
	"kerfwind/control"
)

// ownBroker runs a broker within the program where the rig file asks for one.
// It has nothing to observe; it ends with the shop, after the link has.
func (t *topics) ownBroker(s *daemon.Host) (daemon.Watcher, error) {
	conf := s.Rig.Broker
	password := ""
	if conf.PasswordFile != "" {
		var err error
		if password, err = mqttlink.Password(mqttlink.Place(conf.PasswordFile, filepath.Dir(s.Rig.File))); err != nil {
			return daemon.Watcher{}, err
		}
	}
	b, err := mqttlink.StartBroker(conf.Listen, conf.User, password)
	if err != nil {
		return daemon.Watcher{}, err
	}
	return daemon.Watcher{Close: func() error {
		t.said.Wait()
		return b.Close()
	}}, nil
}

// topics is the link to the broker.
type topics struct {
	state   string // folder
	version string
	tally   *tally
	link    atomic.Pointer[mqttlink.Link]
	said    sync.WaitGroup // the link's last words are out; they take two seconds at most
}

// emptiedWithin bounds how long it takes to write down that the bin was
// emptied.
const emptiedWithin = 5 * time.Second

// start starts the link where the rig file names a broker.
func (t *topics) start(s *daemon.Host) (daemon.Watcher, error) {
	clock, _, err := stamps(s)
	if err != nil {
		return daemon.Watcher{}, err
	}
	password, secure, err := mqttlink.Secrets(*s.Rig.MQTT, filepath.Dir(s.Rig.File))
	if err != nil {
		return daemon.Watcher{}, err
	}
	asks := newTopicAsks(s)
	l, err := mqttlink.Start(mqttlink.Options{
		MQTT: *s.Rig.MQTT, Password: password, TLS: secure, Shop: s.Shop, Names: *s.Names, Version: t.version, Boot: rand.Text(),
		Now:   s.Now,
		Clock: func() (time.Time, bool) { st := clock(); return st.Wall, st.Trusted },
		Ask:   asks.post,
		Tally: t.tally.latest,
		Air: func(open uint64) (total float64, flow []float64, ok bool) {
			a := stateOf(s).Air
			return a.Total, a.Flow, a.Known && a.Open == open
		},
		Emptied: func() error {
			ctx, cancel := context.WithTimeout(context.Background(), emptiedWithin)
			defer cancel()
			db, err := journal.OpenGuest(ctx, t.state)
			if err != nil {
				return err
			}
			return errors.Join(db.Reset(ctx, "bin", "topic", clock(), time.Local), db.Close())
		},
		Keep:   asks.ask,
		Notice: s.Notice,
		Guard:  s.Guard,
	})
	if err != nil {
		asks.end()
		return daemon.Watcher{}, err
	}
	t.link.Store(l)
	t.said.Add(1)
	return daemon.Watcher{
		Observer: l, Reading: l.Reading,
		Second: func(snap *control.Snapshot, _ time.Duration) {
			st := stateOf(s)
			around := mqttlink.Around{Waits: st.Shop.Waiting, Page: st.Page}
			for _, x := range st.Air.Settled {
				around.Settled = append(around.Settled, mqttlink.Settled{Duct: x.Duct, Minutes: int(math.Ceil(x.Slow.Minutes()))})
			}
			l.Around(around)
			l.Snapshot(snap)
			switch c := l.Counts(); {
			case !c.Connected:
				s.Fares(errors.New("no link to the broker"))
			case c.Unheard:
				s.Fares(errors.New("what is published does not come back: look at the broker's access list"))
			default:
				s.Fares(nil)
			}
		},
		Close: func() error {
			defer t.said.Done()
			asks.end()
			t.link.Store(nil)
			l.Close()
			return nil
		},
	}, nil
}

// onTopics reports whether a sensor, a gate or an output of the shop hangs on a topic.
func onTopics(s *config.Shop) bool {
	return slices.ContainsFunc(s.Machines, func(m config.Machine) bool { return m.Topic != "" }) ||
		slices.ContainsFunc(s.Rig.Actuators, func(a config.Actuator) bool { return a.Kind == config.OnTopic })
}

// things connects the rig with sensors and outputs on topics: a part of its own, apart
// from what tells others.
func (t *topics) things(s *daemon.Host) (daemon.Watcher, error) {
	password, secure, err := mqttlink.Secrets(*s.Rig.MQTT, filepath.Dir(s.Rig.File))
	if err != nil {
		return daemon.Watcher{}, err
	}
	l, err := mqttlink.StartThings(mqttlink.Options{
		MQTT: *s.Rig.MQTT, Password: password, TLS: secure, Shop: s.Shop, Names: *s.Names, Version: t.version, Boot: rand.Text(), Now: s.Now,
		Post: s.Source.Post, Read: s.Source.Heard, Notice: s.Notice, Guard: s.Guard,
		Sense: s.Source.Guard, // as of any sensor: the outputs become inert, and the program ends
	})
	if err != nil {
		return daemon.Watcher{}, err
	}
	s.Source.Drive(l)
	t.said.Add(1)
	return daemon.Watcher{
		Second: func(*control.Snapshot, time.Duration) {
			if l.Counts().Connected {
				s.Fares(nil)
			} else {
				s.Fares(errors.New("no link to the broker"))
			}
		},
		Close: func() error {
			defer t.said.Done()
			s.Source.Drive(nil)
			l.Close()
			return nil
		},
	}, nil
}

// topicAsks passes requests of topics on, one after the other: the link does not wait
// for what becomes of them, which it sees as events.
type topicAsks struct {
	s     *daemon.Host
	queue chan topicAsk
	ctx   context.Context
	stop  context.CancelFunc
	done  sync.WaitGroup
}

// topicAsk is one request, and who is told what becomes of it.
type topicAsk struct {
	in   control.Input
	done func(error)
}

// asksWaiting is how many requests may wait: more than come in a burst.
const asksWaiting = 16

func newTopicAsks(s *daemon.Host) *topicAsks {
	a := &topicAsks{s: s, queue: make(chan topicAsk, asksWaiting)}
	a.ctx, a.stop = context.WithCancel(context.Background())
	a.done.Go(func() { s.Guard(a.run) })
	return a
}

func (a *topicAsks) run() {
	for {
		select {
		case x := <-a.queue:
			err := a.ask(a.ctx, x.in)
			if err != nil && !errors.As(err, new(*seam.Refused)) && a.ctx.Err() == nil {
				a.s.Notice(fmt.Errorf("mqtt: a request did not get through: %w", err))
			}
			x.done(err)
		case <-a.ctx.Done():
			return
		}
	}
}

// ask passes a request on and waits for what becomes of it.
func (a *topicAsks) ask(ctx context.Context, in control.Input) error {
	r := seam.Request{Kind: control.AskKind(in.State), For: in.For, Revision: a.s.Revision}
	if in.ID != control.NoID {
		r.Target = a.s.Gates[in.ID].Name
	}
	_, err := a.s.Seam.Ask(ctx, r)
	return err
}

// post takes a request. It reports whether there was room.
func (a *topicAsks) post(in control.Input, done func(error)) bool {
	select {
	case a.queue <- topicAsk{in, done}:
		return true
	default:
		return false
	}
}

func (a *topicAsks) end() {
	a.stop()
	a.done.Wait()
}

// nodes tells how the other computers of the shop fare.
func nodes(s *daemon.Host) (daemon.Watcher, error) {
	return daemon.Watcher{Second: func(*control.Snapshot, time.Duration) {
		st, err := s.Seam.State(context.Background())
		errs := []error{err}
		for _, n := range st.Nodes {
			if n.Down != "" {
				errs = append(errs, fmt.Errorf("node %s: %s", n.Name, n.Down))
			}
		}
		s.Fares(errors.Join(errs...))
	}}, nil
}

// measure adds the link to the metrics, where the rig has one.
func (t *topics) measure(m *metrics.Metrics, s *daemon.Host) {
	if s.Rig.MQTT == nil {
		return
	}
	counts := func() (c mqttlink.Counts) {
		if l := t.link.Load(); l != nil {
			c = l.Counts()
		}
		return c
	}
	m.Broker(func() bool { c := counts(); return c.Connected && c.Echo })
	m.Queue("mqtt", func() metrics.Queue {
		c := counts()
		return metrics.Queue{Waiting: c.Waiting, Room: c.Room, Dropped: c.Dropped}
	})
}
