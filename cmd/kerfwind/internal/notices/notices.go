// Package notices tells web addresses of chosen news: faults, and upkeep that
// is due. Each address has a bounded queue and a goroutine of its own, so that
// neither control nor another address ever waits for one that hangs.
package notices

import (
	"context"
	"crypto/rand"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/config"
	"kerfwind/control"
)

// Message holds what an address is sent, as JSON. Fields may be added; none of
// these changes its meaning while Format is 1.
type Message struct {
	Format  int     `json:"format"`
	ID      string  `json:"id"`   // the same in every try: what arrives twice can be told
	Shop    string  `json:"shop"` // its name
	Event   string  `json:"event"`
	Fault   string  `json:"fault,omitempty"`   // with fault-raised and fault-cleared
	Subject string  `json:"subject,omitempty"` // the machine, gate, ... by name, or what is due
	Text    string  `json:"text"`              // for people
	T       float64 `json:"t,omitempty"`       // seconds since the daemon started, of events
	Time    string  `json:"time,omitempty"`    // RFC 3339; missing while the clock cannot be trusted
}

// Upkeep is the Event of a message about something that is due.
const Upkeep = "upkeep-due"

// Options say whom to tell and how.
type Options struct {
	Shop    string
	Notices []config.Notice

	// Words tells an event's subject and text.
	Words func(control.Event) (subject, text string)
	// Wall is the time of day, or false while the clock cannot be trusted.
	Wall func() (time.Time, bool)
	// Log takes a line about what cannot be delivered. It must not wait. No
	// line holds more of an address than its host.
	Log func(string)
	// Transport carries requests. nil takes the usual one.
	Transport http.RoundTripper
	// Guard runs the goroutine of an address and deals with a panic in it: no
	// more is sent there. nil: a panic goes on.
	Guard func(do func())
}

// Bounds, our own choice.
const (
	queued  = 64               // messages that wait for one address; then the oldest is dropped
	attempt = 10 * time.Second // that one try may take
	first   = 2 * time.Second  // between the first two tries; doubled with each
	longest = 10 * time.Minute // between two tries
	stale   = 12 * time.Hour   // a message that could not be delivered for this long is dropped
	body    = 4 << 10          // bytes of an answer that are read, so that the connection can be used again
)

// Sender is an observer that sends notices. Its methods may be called from
// several goroutines.
type Sender struct {
	o       Options
	boot    string // tells the IDs of this run from those of others
	seq     atomic.Uint64
	targets []*target
	dropped atomic.Int64

	mu  sync.Mutex
	due []string // items of upkeep that were due at the last call
}

// New makes a sender; Run makes it send.
func New(o Options) *Sender {
	s := &Sender{o: o, boot: rand.Text()[:12]}
	if s.o.Transport == nil {
		s.o.Transport = http.DefaultTransport
	}
	for _, n := range o.Notices {
		s.targets = append(s.targets, &target{s: s, notice: n, queue: make(chan queuedMessage, queued)})
	}
	return s
}

// queuedMessage is a message and when it was made.
type queuedMessage struct {
	m  *Message
	at time.Time // with its monotonic part: how old it is does not depend on the clock being set
}

// Observe queues what somebody wants to hear of. It never waits.
func (s *Sender) Observe(_ *control.Snapshot, events []control.Event) {
	for _, e := range events {
		var m *Message
		for _, t := range s.targets {
			if !wants(t.notice.On, e) {
				continue
			}
			if m == nil {
				m = s.message(e.Kind.String())
				m.T = e.At.Seconds()
				m.Subject, m.Text = s.o.Words(e)
				if e.Kind == control.FaultRaised || e.Kind == control.FaultCleared {
					m.Fault = e.Fault.String()
				}
			}
			t.put(m)
		}
	}
}

// wants reports whether the words of a notice choose an event.
func wants(on []string, e control.Event) bool {
	fault := e.Kind == control.FaultRaised || e.Kind == control.FaultCleared
	return slices.ContainsFunc(on, func(word string) bool {
		switch word {
		case config.NoticeFaults:
			return fault
		case config.NoticeUpkeep:
			return e.Kind == control.BinIsFull
		case e.Kind.String():
			return true
		}
		return fault && word == e.Fault.String()
	})
}

// Item is one thing that is due.
type Item struct{ Name, Text string }

// Due says what is due now. An item is told when it falls due, and again only
// after it was reset. It never waits.
func (s *Sender) Due(items []Item) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var names []string
	for _, it := range items {
		names = append(names, it.Name)
		if slices.Contains(s.due, it.Name) {
			continue
		}
		m := s.message(Upkeep)
		m.Subject, m.Text = it.Name, it.Text
		for _, t := range s.targets {
			if slices.Contains(t.notice.On, config.NoticeUpkeep) {
				t.put(m)
			}
		}
	}
	s.due = names
}

// message begins a message.
func (s *Sender) message(event string) *Message {
	m := &Message{Format: 1, ID: s.boot + "-" + strconv.FormatUint(s.seq.Add(1), 10), Shop: s.o.Shop, Event: event}
	if now, ok := s.o.Wall(); ok {
		m.Time = now.UTC().Format(time.RFC3339)
	}
	return m
}

// Dropped is how many messages were given up, of all addresses.
func (s *Sender) Dropped() int64 { return s.dropped.Load() }

// Run sends until ctx ends; what waits then is dropped and counted.
func (s *Sender) Run(ctx context.Context) {
	var all sync.WaitGroup
	for _, t := range s.targets {
		all.Go(func() {
			if s.o.Guard == nil {
				t.run(ctx)
				return
			}
			s.o.Guard(func() { t.run(ctx) })
		})
	}
	all.Wait()
}

// log prints a line about an address.
func (s *Sender) log(format string, a ...any) { s.o.Log(fmt.Sprintf(format, a...)) }
