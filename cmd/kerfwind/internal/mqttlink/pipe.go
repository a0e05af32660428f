package mqttlink

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sys/unix"

	"kerfwind/control"
)

// message is one thing to publish, with QoS 1.
type message struct {
	topic    string
	text     string
	retained bool
}

// received is one message from the broker.
type received struct {
	topic    string
	payload  []byte
	retained bool
	at       time.Duration
}

// view is one way to lay the shop out in topics: our own, or Homie's. Its
// methods are called by its pipe's goroutine only.
type view interface {
	will() message
	birth() []message                           // once a connection, first of all
	ready() []message                           // once a connection, after the first states
	bye() []message                             // before the connection is ended
	states(*control.Snapshot) []message         // every state; only what has changed is sent
	filters() []string                          // what to listen to
	take(received) []message                    // what came; returns what to send
	event(parcel) message                       // an event, or a gap
	tick() (out []message, again time.Duration) // what is due, and when to ask again at the latest
	echo() string                               // topic for messages to ourselves; "": none
}

// sweeper is a view that looks through what the broker keeps, at each
// connection.
type sweeper interface{ sweep() []string }

// pipe is one connection to the broker, again and again.
type pipe struct {
	l      *Link
	client string
	view   view
	store  *outbox // nil: it sends no events
	qos    byte    // 1; 0: nothing is acknowledged

	patient bool // of a first try that fails nothing is told
	woken   chan struct{}
	flight  []sending // sent and not acknowledged, oldest first; events survive a connection

	current atomic.Pointer[session]
	echoed  atomic.Bool // a message to ourselves has come back
	unheard atomic.Bool // the last one has not, in time
	ill     trouble     // told last
}

// sending is a message on its way.
type sending struct {
	message
	event bool // it must arrive
	token mqtt.Token
	since time.Time
}

// session is one connection.
type session struct {
	client mqtt.Client
	in     chan received
	lost   chan error        // cap 1
	sent   map[string]string // newest value by topic
	snap   *control.Snapshot // whose states are sent or in todo
	todo   []message         // states to send when there is room
	conn   atomic.Pointer[net.Conn]
	failed mqtt.Token // of the first message that could not be handed over; nil: none
	nonce  string
	asked  time.Time // when the nonce was sent; zero: not waiting
	retry  time.Time // when to send a nonce again; zero: never
}

// window is how many messages may be on their way at once.
const window = 32

// inbound is how many messages may wait to be looked at.
const inbound = 512

func newPipe(l *Link, client string, v view, store *outbox) *pipe {
	return &pipe{l: l, client: client, view: v, store: store, qos: 1, woken: make(chan struct{}, 1)}
}

// wake lets the pipe look at state and events again.
func (p *pipe) wake() {
	select {
	case p.woken <- struct{}{}:
	default:
	}
}

// The kinds of trouble. Each is told once, until another comes or all is well.
type trouble uint8

const (
	well     trouble = iota
	down             // no link
	putOut           // the link was lost soon after the login, and again
	deaf             // a subscription is refused
	notHeard         // what we publish does not come back
)

// tell says a trouble once.
func (p *pipe) tell(kind trouble, format string, args ...any) {
	if kind != p.ill {
		p.ill = kind
		p.l.notice(format, args...)
	}
}

func (p *pipe) run() {
	defer func() { // after a panic
		if s := p.current.Swap(nil); s != nil {
			p.end(s)
		}
	}()
	t := &p.l.o.timing
	wait := time.Duration(0)
	for first := true; ; first = false {
		if !p.pause(wait) {
			return
		}
		began, kind := time.Now(), down
		s, err := p.connect()
		if err == nil {
			p.current.Store(s)
			err = p.serve(s)
			p.current.Store(nil)
			if v, ok := p.view.(interface{ over() }); ok {
				v.over()
			}
			p.end(s)
			if err == nil {
				return // told to stop
			}
			if time.Since(began) >= t.settled {
				wait = 0
			} else if wait > 0 {
				kind = putOut
				err = fmt.Errorf("%w; so soon after the login: does another client use the name %q, or does the broker's access list refuse %s/#?", err, p.client, p.l.base)
			}
		}
		if first && p.patient {
			wait = t.backoff / 4
			continue
		}
		p.tell(kind, "broker %s: %v; control goes on without it", p.l.o.MQTT.Broker, err)
		wait = min(max(2*wait, t.backoff), t.backoffMax)
	}
}

// pause waits, and reports whether to go on.
func (p *pipe) pause(d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-p.l.stop:
		return false
	case <-timer.C:
		return true
	}
}

// connect makes a new client and logs in.
func (p *pipe) connect() (*session, error) {
	t := &p.l.o.timing
	s := &session{in: make(chan received, inbound), lost: make(chan error, 1), sent: map[string]string{}}
	will := p.view.will()
	o := mqtt.NewClientOptions().AddBroker(p.l.o.MQTT.Broker).SetClientID(p.client).SetProtocolVersion(4)
	o.SetUsername(p.l.o.MQTT.User).SetPassword(p.l.o.Password)
	if will.topic != "" {
		o.SetWill(will.topic, will.text, 1, will.retained)
	}
	o.SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).SetStore(mqtt.NewMemoryStore())
	o.SetConnectTimeout(t.connect).SetWriteTimeout(t.write).SetKeepAlive(t.keepAlive).SetPingTimeout(t.ping)
	// The handler below never waits, so messages may as well come in order.
	o.SetOrderMatters(true)
	o.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) {
		select {
		case s.in <- received{m.Topic(), m.Payload(), m.Retained(), p.l.o.Now()}:
		default:
			p.l.lost.Add(1)
		}
	})
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		select {
		case s.lost <- err:
		default:
		}
	})
	o.SetCustomOpenConnectionFn(func(u *url.URL, _ mqtt.ClientOptions) (net.Conn, error) {
		c, err := p.dial(u)
		if err == nil {
			s.conn.Store(&c)
		}
		return c, err
	})
	s.client = mqtt.NewClient(o)
	token := s.client.Connect()
	select {
	case <-token.Done():
		if err := token.Error(); err != nil {
			p.end(s)
			login := "login without a name"
			if p.l.o.MQTT.User != "" {
				login = fmt.Sprintf("login as %q", p.l.o.MQTT.User)
			}
			return nil, fmt.Errorf("%s: %w", login, err)
		}
		return s, nil
	case <-p.l.stop:
		p.end(s)
		return nil, errors.New("stopped")
	case <-time.After(2 * t.connect):
		p.end(s)
		return nil, errors.New("no answer to the login")
	}
}

// dial opens the connection. The kernel gives it up when what was sent is not
// acknowledged in time (TCP_USER_TIMEOUT, tcp(7)).
func (p *pipe) dial(u *url.URL) (net.Conn, error) {
	t := &p.l.o.timing
	d := net.Dialer{Timeout: t.connect, KeepAlive: t.keepAlive, Control: func(_, _ string, c syscall.RawConn) error {
		var err error
		if e := c.Control(func(fd uintptr) {
			err = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(t.ack.Milliseconds()))
		}); e != nil {
			return e
		}
		return err
	}}
	c, err := d.Dial("tcp", u.Host)
	if err != nil || u.Scheme != "ssl" {
		return c, err
	}
	conf := p.l.o.TLS.Clone()
	if conf.ServerName == "" {
		conf.ServerName = u.Hostname()
	}
	tc := tls.Client(c, conf)
	err = c.SetDeadline(time.Now().Add(t.connect))
	if err == nil {
		err = tc.Handshake()
	}
	if err == nil {
		err = c.SetDeadline(time.Time{})
	}
	if err != nil {
		return nil, errors.Join(err, c.Close())
	}
	return tc, nil
}

// end lets go of a connection, whatever state it is in.
func (p *pipe) end(s *session) {
	var done sync.WaitGroup
	done.Go(func() { guard(p.l.o.Guard, func() { s.client.Disconnect(100) }) })
	if c := s.conn.Load(); c != nil {
		defer func() {
			done.Wait()
			_ = (*c).Close() // it may be closed already
		}()
	}
}

// serve works one connection until it is lost, or returns nil when the link is
// to stop.
func (p *pipe) serve(s *session) error {
	t := &p.l.o.timing
	if err := p.listen(s); err != nil {
		return err
	}
	// Events again, in order; states are made again.
	p.flight = slices.DeleteFunc(p.flight, func(x sending) bool { return !x.event })
	for i := range p.flight {
		p.send(s, &p.flight[i])
	}
	p.publish(s, p.view.birth())
	p.ask(s)
	ready := false
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		again := p.work(s)
		if s.failed != nil {
			return s.failed.Error()
		}
		if !ready && s.snap != nil && len(s.todo) == 0 {
			ready = true
			p.publish(s, p.view.ready())
		}
		var oldest <-chan struct{}
		if len(p.flight) > 0 {
			oldest = p.flight[0].token.Done()
			left := t.ack - time.Since(p.flight[0].since)
			if left <= 0 {
				return fmt.Errorf("no acknowledgement within %v", t.ack)
			}
			again = min(again, left)
		}
		timer.Reset(again)
		select {
		case <-p.l.stop:
			p.goodbye(s)
			return nil
		case err := <-s.lost:
			return err
		case m := <-s.in:
			p.got(s, m)
		case <-oldest:
			if err := p.flight[0].token.Error(); err != nil {
				return err
			}
			p.flight = p.flight[1:]
		case <-p.woken:
		case <-timer.C:
		}
	}
}

// listen subscribes, and says what the broker refuses.
func (p *pipe) listen(s *session) error {
	filters := map[string]byte{}
	if v, ok := p.view.(sweeper); ok {
		for _, f := range v.sweep() {
			filters[f] = 0
		}
	}
	for _, f := range p.view.filters() {
		filters[f] = 1
	}
	if e := p.view.echo(); e != "" {
		filters[e] = 1
	}
	if len(filters) == 0 {
		return nil
	}
	token := s.client.SubscribeMultiple(filters, nil)
	if !token.WaitTimeout(p.l.o.timing.ack) {
		return errors.New("no answer to a subscription")
	}
	if sub, ok := token.(*mqtt.SubscribeToken); ok {
		for f, code := range sub.Result() {
			if code > 2 {
				p.tell(deaf, "the broker does not let %q listen to %s: look at its access list", p.l.o.MQTT.User, f)
			}
		}
	}
	return token.Error()
}

// ask sends a message to ourselves: the only way to learn whether the broker
// lets us publish, since it acknowledges what it refuses.
func (p *pipe) ask(s *session) {
	topic := p.view.echo()
	if topic == "" {
		return
	}
	s.asked, s.retry = time.Now(), time.Time{}
	s.nonce = fmt.Sprintf("%s %d", p.l.o.Boot, s.asked.UnixNano())
	p.publish(s, []message{{topic: topic, text: s.nonce}})
}

// got takes a message.
func (p *pipe) got(s *session, m received) {
	if m.topic == p.view.echo() {
		if string(m.payload) == s.nonce && !s.asked.IsZero() {
			s.asked = time.Time{}
			p.ill = well
			p.echoed.Store(true)
			p.unheard.Store(false)
			if v, ok := p.view.(sweeper); ok {
				s.client.Unsubscribe(v.sweep()...) // what the broker kept has come
			}
		}
		return
	}
	p.publish(s, p.view.take(m))
}

// work sends what is to be sent, and tells when to be called again at the
// latest.
func (p *pipe) work(s *session) time.Duration {
	t := &p.l.o.timing
	out, again := p.view.tick()
	p.publish(s, out)
	switch now := time.Now(); {
	case !s.asked.IsZero() && now.Sub(s.asked) >= t.echo:
		s.asked, s.retry = time.Time{}, now.Add(t.echoAgain)
		again = min(again, t.echoAgain)
		p.echoed.Store(false)
		p.unheard.Store(true)
		p.tell(notHeard, "broker %s takes messages of %q and does not pass them on: look at its access list for %s/#", p.l.o.MQTT.Broker, p.l.o.MQTT.User, p.l.base)
	case !s.asked.IsZero():
		again = min(again, t.echo-now.Sub(s.asked))
	case !s.retry.IsZero() && !now.Before(s.retry):
		p.ask(s)
	case !s.retry.IsZero():
		again = min(again, s.retry.Sub(now))
	}
	if snap := p.l.snap.Load(); snap != s.snap {
		s.snap, s.todo = snap, s.todo[:0]
		for _, m := range p.view.states(snap) {
			if s.sent[m.topic] != m.text {
				s.todo = append(s.todo, m)
			}
		}
	}
	for len(s.todo) > 0 && len(p.flight) < window {
		s.sent[s.todo[0].topic] = s.todo[0].text
		p.publish(s, s.todo[:1])
		s.todo = s.todo[1:]
	}
	for p.store != nil && len(p.flight) < window {
		x, ok := p.store.take()
		if !ok {
			break
		}
		p.flight = append(p.flight, sending{message: p.view.event(x), event: true})
		p.send(s, &p.flight[len(p.flight)-1])
	}
	return again
}

// publish sends messages that another connection need not repeat.
func (p *pipe) publish(s *session, list []message) {
	for _, m := range list {
		p.flight = append(p.flight, sending{message: m})
		p.send(s, &p.flight[len(p.flight)-1])
	}
}

// send hands a message to the library. It may wait as long as timing.write, but
// only once: after that the connection is as good as lost.
func (p *pipe) send(s *session, x *sending) {
	x.token, x.since = s.failed, time.Now()
	if s.failed != nil {
		return
	}
	x.token = s.client.Publish(x.topic, p.qos, x.retained, x.text)
	select {
	case <-x.token.Done():
		if x.token.Error() != nil {
			s.failed = x.token
		}
	default:
	}
}

// goodbye sends what waits and the last words, within a limit, and keeps of
// what was on its way only events.
func (p *pipe) goodbye(s *session) {
	until := time.Now().Add(p.l.o.timing.bye)
	drain := func() bool {
		for len(p.flight) > 0 {
			if !p.flight[0].token.WaitTimeout(max(time.Until(until), 0)) || p.flight[0].token.Error() != nil {
				return false
			}
			p.flight = p.flight[1:]
		}
		return true
	}
	for drain() {
		if p.work(s); len(p.flight) == 0 {
			p.publish(s, p.view.bye())
			drain()
			return
		}
	}
	// The broker does not keep up; it is told at least that we go.
	for _, m := range p.view.bye() {
		s.client.Publish(m.topic, 1, m.retained, m.text).WaitTimeout(100 * time.Millisecond)
	}
}
