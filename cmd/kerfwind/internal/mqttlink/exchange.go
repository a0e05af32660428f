package mqttlink

import (
	"sync"
	"time"

	"kerfwind/control"
)

// Exchange is a connection of its own for messages between the computers of one
// shop. It keeps nothing over a connection: what could not be sent at once is
// worth nothing later.
type Exchange struct {
	l    *Link
	pipe *pipe
	view *exchange
}

// Letter is one message of an Exchange.
type Letter struct {
	Topic    string
	Payload  []byte
	Retained bool          // it is old: the broker kept it
	At       time.Duration // when it came
}

// ExchangeOptions describe an Exchange. Of Options it takes MQTT, Password,
// TLS, Boot, Now, Notice and Guard.
type ExchangeOptions struct {
	Options
	Client  string               // what it logs in as
	Topics  []string             // what to listen to
	Status  string               // topic of its status, kept by the broker: online or offline
	Taken   func(Letter)         // called by a goroutine of the connection; must not wait
	Changed func(connected bool) // the same
}

// NewExchange returns an exchange that connects from now on.
func NewExchange(o ExchangeOptions) *Exchange {
	if o.timing == (timing{}) {
		o.timing = usual
		// A computer that waits for another must not wait a minute for the broker.
		o.timing.backoffMax, o.timing.ack, o.timing.keepAlive = 2*time.Second, 5*time.Second, 5*time.Second
	}
	x := &Exchange{l: newLink(o.Options)}
	x.view = &exchange{x: x, o: o}
	x.pipe = newPipe(x.l, o.Client, x.view, nil)
	// Acknowledgements would only wait for each other in the broker's socket:
	// what is lost is said again or missed by the other end.
	x.pipe.qos = 0
	// The program's own broker begins later than this does.
	x.pipe.patient = true
	x.l.pipes = append(x.l.pipes, x.pipe)
	x.l.done.Go(func() { guard(o.Guard, x.pipe.run) })
	return x
}

// waiting bounds what waits for the connection's goroutine: more than a second
// of a large shop.
const waiting = 256

// Send sends a message over the present connection. It never waits; without a
// connection, and when too much waits, it drops the message and says so.
func (x *Exchange) Send(topic string, payload []byte) bool {
	ok := x.view.put(message{topic: topic, text: string(payload)})
	if ok {
		x.pipe.wake()
	}
	return ok
}

// Connected reports whether there is a connection.
func (x *Exchange) Connected() bool { return x.pipe.current.Load() != nil }

// Close sends what waits, says goodbye and ends the connection, within two
// seconds.
func (x *Exchange) Close() { x.l.Close() }

// exchange is the view of an Exchange.
type exchange struct {
	x *Exchange
	o ExchangeOptions

	mu    sync.Mutex
	open  bool // listening
	queue []message
}

func (v *exchange) put(m message) bool {
	v.mu.Lock()
	defer v.mu.Unlock()
	if !v.open || len(v.queue) >= waiting {
		return false
	}
	v.queue = append(v.queue, m)
	return true
}

// tick sends what waits.
func (v *exchange) tick() ([]message, time.Duration) {
	v.mu.Lock()
	defer v.mu.Unlock()
	out := v.queue
	v.queue = nil
	return out, time.Hour
}

func (v *exchange) will() message  { return message{v.o.Status, offline, true} }
func (v *exchange) bye() []message { return []message{v.will()} }

// birth comes first on a new connection, once it listens.
func (v *exchange) birth() []message {
	v.set(true)
	return []message{{v.o.Status, online, true}}
}

// over is told that the connection has ended.
func (v *exchange) over() { v.set(false) }

func (v *exchange) set(open bool) {
	v.mu.Lock()
	changed := v.open != open
	v.open, v.queue = open, nil
	v.mu.Unlock()
	if changed && v.o.Changed != nil {
		v.o.Changed(open)
	}
}

func (v *exchange) take(m received) []message {
	v.o.Taken(Letter{m.topic, m.payload, m.retained, m.at})
	return nil
}

func (v *exchange) filters() []string                  { return v.o.Topics }
func (v *exchange) ready() []message                   { return nil }
func (v *exchange) states(*control.Snapshot) []message { return nil }
func (v *exchange) event(parcel) message               { return message{} } // it has no store
func (v *exchange) echo() string                       { return v.o.Status + "/echo" }
