package main

import (
	"context"
	"crypto/rand"
	"errors"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/broker"
	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/metrics"
	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/cmd/kerfwind/internal/node"
	"kerfwind/control"
)

// ownBroker runs a broker within the program where the rig file asks for one.
// It has nothing to observe; it ends with the shop, after the link has.
func (t *topics) ownBroker(s *daemon.Shop) (daemon.Watcher, error) {
	conf := s.Rig.Broker
	if conf == nil {
		return daemon.Watcher{}, nil
	}
	password := ""
	if conf.PasswordFile != "" {
		var err error
		if password, err = mqttlink.Password(mqttlink.Place(conf.PasswordFile, filepath.Dir(s.Rig.File))); err != nil {
			return daemon.Watcher{}, err
		}
	}
	b, err := broker.Start(conf.Listen, conf.User, password)
	if err != nil {
		return daemon.Watcher{}, err
	}
	return daemon.Watcher{Observer: idle{}, Close: func() error {
		t.said.Wait()
		return b.Close()
	}}, nil
}

// idle observes nothing.
type idle struct{}

// Observe does nothing.
func (idle) Observe(*control.Snapshot, []control.Event) {}

// topics is the link to the broker.
type topics struct {
	state string // folder
	link  atomic.Pointer[mqttlink.Link]
	said  sync.WaitGroup // the link's last words are out; they take two seconds at most
}

// emptiedWithin bounds how long it takes to write down that the bin was
// emptied.
const emptiedWithin = 5 * time.Second

// start starts the link where the rig file names a broker.
func (t *topics) start(s *daemon.Shop) (daemon.Watcher, error) {
	if s.Rig.MQTT == nil {
		return daemon.Watcher{}, nil
	}
	clock, _, err := stamps(s)
	if err != nil {
		return daemon.Watcher{}, err
	}
	password, secure, err := mqttlink.Secrets(*s.Rig.MQTT, filepath.Dir(s.Rig.File))
	if err != nil {
		return daemon.Watcher{}, err
	}
	l, err := mqttlink.Start(mqttlink.Options{
		MQTT: *s.Rig.MQTT, Password: password, TLS: secure, Shop: s.Shop, Names: *s.Names, Version: versionText(), Boot: rand.Text(),
		Now:   s.Now,
		Clock: func() (time.Time, bool) { st := clock(); return st.Wall, st.Trusted },
		Post:  s.Live.Ask,
		Read:  s.Live.Heard,
		Emptied: func() error {
			ctx, cancel := context.WithTimeout(context.Background(), emptiedWithin)
			defer cancel()
			db, err := journal.OpenGuest(ctx, stateFolder(t.state))
			if err != nil {
				return err
			}
			return errors.Join(db.Reset(ctx, "bin", "topic", clock(), time.Local), db.Close())
		},
		Keep:   s.Ask,
		Notice: s.Notice,
		Guard:  s.Guard,
		Sense:  s.Live.Guard, // as of any sensor: the outputs become inert, and the program ends
	})
	if err != nil {
		return daemon.Watcher{}, err
	}
	t.link.Store(l)
	t.said.Add(1)
	s.Live.Link(l)
	return daemon.Watcher{
		Observer: l,
		Second: func(snap *control.Snapshot, _ time.Duration) {
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
			s.Live.Link(nil)
			t.link.Store(nil)
			l.Close()
			return nil
		},
	}, nil
}

// nodes tells how the other computers of the shop fare.
func nodes(s *daemon.Shop) (daemon.Watcher, error) {
	d, ok := s.Live.Far().(*node.Decider)
	if !ok {
		return daemon.Watcher{}, nil
	}
	return daemon.Watcher{Observer: idle{}, Second: func(*control.Snapshot, time.Duration) { s.Fares(d.Down()) }}, nil
}

// measure adds the link to the metrics, where the rig has one.
func (t *topics) measure(m *metrics.Metrics, s *daemon.Shop) {
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
