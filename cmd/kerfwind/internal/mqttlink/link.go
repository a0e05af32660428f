// Package mqttlink tells the world over MQTT 3.1.1 what the shop does, takes
// requests from topics, and reads sensors and moves gates that hang on topics.
// The topics are described in deploy/TOPICS.md.
//
// It is an observer: Observe copies events into a bounded store and takes the
// snapshot by pointer; a goroutine of its own does everything that may wait.
// An absent, slow, hung or refusing broker delays nothing but itself.
//
// A [Broker] within the program is for the demo and for those who run none. It
// listens on this computer alone unless a password is set; then everybody who has
// it may publish and listen to everything. It keeps nothing over a restart and
// speaks no TLS: for more, run a broker of its own.
//
// Each event has a number that rises by one from the start of the program; it
// is sent until the broker has acknowledged it, in order, and may so arrive
// twice. What does not fit the store is dropped, the oldest first, and said in
// its place. A state is sent when it has changed, and only its newest value.
//
// The client library is used for one connection at a time: its own ways to
// reconnect and to keep messages lose or repeat them without saying so. Each
// connection is a new client that knows nothing of the one before.
package mqttlink

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// Options describe a link.
type Options struct {
	MQTT     config.MQTT
	Password string      // of MQTT.User
	TLS      *tls.Config // for an ssl:// broker; see TLS
	Shop     *config.Shop
	Names    timeline.Names
	Version  string // of the program
	Boot     string // names this run of the program; must differ from every other

	// Now is the instant of the stream. Clock is the time of day, and whether
	// it can be trusted.
	Now   func() time.Duration
	Clock func() (time.Time, bool)

	// Ask passes a request on and reports whether there was room; it must not wait. done is
	// told once what has become of it: nil, or why it was refused.
	Ask func(in control.Input, done func(error)) bool

	// Tally returns what the history has counted, Air the computed air; either may be nil.
	Tally func() *upkeep.Tally
	Air   Air

	// Post passes an input to the loop, Read what a remote sensor says of a
	// machine; Channel is the machine's index. Both tell whether there was room
	// and must not wait. Emptied is told that the bin was emptied, and says
	// whether it could be noted down.
	Post    func(control.Input) bool
	Read    func(sensor.Reading) bool
	Emptied func() error

	// Keep asks for a stand-down and returns once it would outlast a power cut,
	// or why it may not; it may wait, and ends with its context. nil: a
	// stand-down goes the way of other requests.
	Keep func(context.Context, control.Input) error

	// Notice takes troubles in words, and must not wait.
	Notice func(error)

	// Guard runs a goroutine of the link and deals with a panic in it: that
	// connection ends. Sense does the same for the one that passes on what
	// sensors and gates report and finds out that they are silent; it must not
	// let control go on without that. nil: a panic goes on.
	Guard func(do func())
	Sense func(do func())

	timing timing // zero: the defaults
}

// timing is how long the link waits for what. Our own choice.
type timing struct {
	connect    time.Duration // for a connection and the broker's welcome
	ack        time.Duration // for an acknowledgement; then the link is given up
	write      time.Duration // for a place in the library's queue, and for the socket
	echo       time.Duration // for a message to ourselves
	echoAgain  time.Duration // until the next try of that
	backoff    time.Duration // before the second try to connect; doubled after each
	backoffMax time.Duration
	settled    time.Duration // a link that lived this long was a good one
	bye        time.Duration // to send what waits, at the end
	keepAlive  time.Duration
	ping       time.Duration // for the answer to a ping
}

var usual = timing{connect: 10 * time.Second, ack: 10 * time.Second, write: 5 * time.Second, echo: 5 * time.Second, echoAgain: time.Minute,
	backoff: time.Second, backoffMax: time.Minute, settled: 30 * time.Second, bye: 2 * time.Second, keepAlive: 15 * time.Second, ping: 5 * time.Second}

// Link is the observer. See the package comment.
type Link struct {
	o    Options
	base string
	id   string // of the device, for the hub and for Homie

	store  outbox
	snap   atomic.Pointer[control.Snapshot]
	pipes  []*pipe
	remote remote
	meter  *meter // of a link that tells what the shop does
	asks   bucket

	standing chan struct{}   // stand-downs that wait for the disk
	ctx      context.Context // of what waits aside; done when the link ends
	cancel   context.CancelFunc

	stop chan struct{}
	end  sync.Once
	done sync.WaitGroup
	lost atomic.Int64 // inbound messages dropped
}

// ready fills in what is usual, and says what is missing.
func (o Options) ready() (Options, error) {
	if o.timing == (timing{}) {
		o.timing = usual
	}
	if o.Tally == nil {
		o.Tally = func() *upkeep.Tally { return nil }
	}
	if o.Boot == "" {
		return o, errors.New("mqtt: no boot id")
	}
	if strings.HasPrefix(o.MQTT.Broker, "ssl:") && o.TLS == nil {
		return o, errors.New("mqtt: an ssl:// broker needs TLS")
	}
	return o, nil
}

// Start returns a link that connects from now on. It tells what the shop does, and
// takes requests; see StartThings for sensors and outputs.
func Start(o Options) (*Link, error) {
	o, err := o.ready()
	if err != nil {
		return nil, err
	}
	l := newLink(o)
	l.meter = newMeter(o.Shop, o.Air, o.Tally)
	plain := newPlain(l)
	l.pipes = append(l.pipes, newPipe(l, o.MQTT.Client, plain, &l.store))
	if o.MQTT.Homie {
		l.pipes = append(l.pipes, newPipe(l, o.MQTT.Client+"-homie", newHomie(plain), nil))
	}
	for _, p := range l.pipes {
		l.done.Go(func() { guard(o.Guard, p.run) })
	}
	return l, nil
}

// guard runs do under a guard, if there is one.
func guard(by func(func()), do func()) {
	if by == nil {
		do()
		return
	}
	by(do)
}

func newLink(o Options) *Link {
	id := config.Slug(o.MQTT.Topic)
	if !strings.HasPrefix(id, "kerfwind") {
		id = "kerfwind-" + id
	}
	l := &Link{o: o, base: o.MQTT.Topic, id: id, stop: make(chan struct{}), standing: make(chan struct{}, standDowns)}
	l.ctx, l.cancel = context.WithCancel(context.Background())
	l.store.init(o.MQTT.Keep)
	l.asks.room, l.asks.left = askBurst, askBurst
	return l
}

// Observe stores the events and takes the state after them. It never waits.
func (l *Link) Observe(s *control.Snapshot, events []control.Event) {
	l.store.put(events)
	l.Snapshot(s)
}

// Snapshot takes the state between events.
func (l *Link) Snapshot(s *control.Snapshot) {
	l.snap.Store(s)
	for _, p := range l.pipes {
		p.wake()
	}
}

// Reading takes over what a sensor says. It never waits.
func (l *Link) Reading(r sensor.Reading) { l.meter.reading(r) }

// Around takes over what is around the shop.
func (l *Link) Around(a Around) {
	l.meter.mu.Lock()
	defer l.meter.mu.Unlock()
	l.meter.beside = a
}

// Close says that the program ends, sends what waits as far as it gets within
// two seconds, and ends the connection.
func (l *Link) Close() {
	l.end.Do(func() { close(l.stop); l.cancel() })
	l.done.Wait()
}

// Counts holds what the link tells of itself.
type Counts struct {
	Waiting, Room int   // events
	Dropped       int64 // events
	Lost          int64 // inbound messages for which there was no room
	Connected     bool
	Echo          bool // a message to ourselves has come back
	Unheard       bool // the last one has not, in time
}

// Counts may be asked by anybody.
func (l *Link) Counts() Counts {
	c := l.store.counts()
	c.Lost = l.lost.Load()
	c.Connected = l.pipes[0].current.Load() != nil
	c.Echo, c.Unheard = l.pipes[0].echoed.Load(), l.pipes[0].unheard.Load()
	return c
}

// publishWait is how long Publish waits for the broker: less than a driver may
// take to answer, and than the outputs may take to become inert.
const publishWait = 1500 * time.Millisecond

// Publish tells something on a topic what to do. It returns once the broker has
// the message, or why it has not, after 1.5 seconds at most. The message is not
// retained: a command is for now.
func (l *Link) Publish(topic, payload string) error {
	s := l.pipes[0].current.Load()
	if s == nil {
		return errors.New("no link to the broker")
	}
	began := time.Now()
	done := make(chan error, 1)
	go guard(l.o.Guard, func() { // the library may wait for its own queue
		t := s.client.Publish(topic, 1, false, payload)
		if !t.WaitTimeout(publishWait - min(time.Since(began), publishWait)) {
			done <- errors.New("the broker does not answer")
			return
		}
		done <- t.Error()
	})
	limit := time.NewTimer(publishWait)
	defer limit.Stop()
	select {
	case err := <-done:
		return err
	case <-limit.C:
		return errors.New("the broker does not answer")
	}
}

// notice passes a trouble on.
func (l *Link) notice(format string, args ...any) {
	if l.o.Notice != nil {
		l.o.Notice(fmt.Errorf("mqtt: "+format, args...))
	}
}
