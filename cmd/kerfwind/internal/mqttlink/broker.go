package mqttlink

import (
	"bytes"
	"crypto/subtle"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"sync"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"kerfwind/cmd/kerfwind/internal/porter"
)

// Broker is a running broker.
type Broker struct {
	server *mqtt.Server
	listen *brokerListener
}

// brokerListener puts a porter before each connection, and a queue behind it.
type brokerListener struct {
	*porter.Door
	boxes *outboxes
}

// Accept waits for the next connection that may stay.
func (l *brokerListener) Accept() (net.Conn, error) {
	c, err := l.Door.Accept()
	if err != nil {
		return nil, err
	}
	return l.boxes.open(c), nil
}

// Bounds of one broker for one shop: our own choice. They bound its memory.
const (
	maxClients  = 200 // sessions too, which outlive a connection
	maxStrange  = 32  // connections that have not logged in
	maxFrom     = 64  // connections from one address, but of this computer
	maxPacket   = 256 << 10
	maxWill     = 16 << 10
	maxPending  = 1024 // messages for a client that are not in its outbox yet
	maxInflight = 64   // messages that a client has not acknowledged
	maxUnacked  = 8 << 20
	maxFilters  = 256 // subscriptions of a client
	maxAliases  = 16
	maxKept     = 1000 // retained messages
	maxKeptRoom = 4 << 20
	maxOutbox   = 6 << 20 // bytes for one client: all retained messages at once, and more
	maxOutboxes = 12 << 20

	greetWait   = 10 * time.Second // until a client has logged in
	takesWait   = 10 * time.Second
	partingWait = time.Second
)

// ErrOpen is the error of a broker that everybody in the network could use.
var ErrOpen = errors.New("without a password the broker listens on this computer alone, such as at 127.0.0.1:1883")

// StartBroker starts a broker at an address. Without a user it must be one of this
// computer alone; with one, nobody gets in without the password.
func StartBroker(addr, user, password string) (*Broker, error) {
	if (user == "" || password == "") && !loopback(addr) {
		return nil, ErrOpen
	}
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumClients, caps.MaximumPacketSize, caps.MaximumClientWritesPending = maxClients, maxPacket, maxPending
	caps.MaximumSessionExpiryInterval, caps.MaximumInflight, caps.ReceiveMaximum, caps.TopicAliasMaximum = 3600, maxInflight, maxInflight, maxAliases
	s := mqtt.New(&mqtt.Options{Capabilities: caps, Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	socket, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	l := &brokerListener{porter.Listen(socket, porter.Limits{All: maxClients + maxStrange, Strangers: maxStrange, From: maxFrom}, porter.Greeting(greetWait)),
		&outboxes{each: maxOutbox, all: maxOutboxes, takes: takesWait, parting: partingWait, full: map[*clientBox]struct{}{}}}
	d := &door{server: s, user: []byte(user), password: []byte(password), retained: retained{most: maxKept, bytes: maxKeptRoom, forget: forgetIn(s), all: map[string]*kept{}}}
	err = s.AddHook(d, nil)
	if err == nil {
		err = s.AddListener(listeners.NewNet("tcp", l))
	}
	if err == nil {
		err = s.Serve()
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("broker: %w", err), s.Close(), socket.Close())
	}
	return &Broker{s, l}, nil
}

// loopback reports whether only this computer can reach an address.
func loopback(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	ip := net.ParseIP(host)
	return err == nil && (host == "localhost" || ip != nil && ip.IsLoopback())
}

// Close puts everybody out and ends it.
func (b *Broker) Close() error {
	err := b.server.Close()
	b.listen.boxes.senders.Wait()
	return err
}

// door lets in who knows the password, or everybody where there is none. Who is
// in may do everything, within bounds.
type door struct {
	mqtt.HookBase
	server         *mqtt.Server
	user, password []byte
	retained       retained

	mu    sync.Mutex
	since int // bytes published with an acknowledgement since unacknowledged ones were counted
}

// ID names the hook.
func (d *door) ID() string { return "door" }

// Provides reports which questions the hook answers.
func (d *door) Provides(b byte) bool {
	switch b {
	case mqtt.OnConnect, mqtt.OnConnectAuthenticate, mqtt.OnSessionEstablish, mqtt.OnACLCheck, mqtt.OnPacketRead, mqtt.OnPublish, mqtt.OnRetainMessage, mqtt.OnRetainedExpired:
		return true
	}
	return false
}

// OnConnect refuses a will that would take too much room.
func (d *door) OnConnect(_ *mqtt.Client, pk packets.Packet) error {
	if len(pk.Connect.WillPayload)+len(pk.Connect.WillTopic) > maxWill {
		return packets.ErrPacketTooLarge
	}
	return nil
}

// OnConnectAuthenticate compares name and password. Whoever gets in is no
// stranger any more.
func (d *door) OnConnectAuthenticate(cl *mqtt.Client, pk packets.Packet) bool {
	if len(d.user) > 0 && (!bytes.Equal(pk.Connect.Username, d.user) || subtle.ConstantTimeCompare(pk.Connect.Password, d.password) != 1) {
		return false
	}
	if x, ok := cl.Net.Conn.(*clientBox); ok {
		if c, ok := x.Conn.(*porter.Conn); ok {
			c.Rise(porter.Known)
		}
	}
	return true
}

// OnSessionEstablish makes room among the sessions: the one whose client has
// been away longest ends.
func (d *door) OnSessionEstablish(cl *mqtt.Client, _ packets.Packet) {
	all := d.server.Clients.GetAll()
	if _, old := all[cl.ID]; old || len(all) < maxClients {
		return
	}
	var away *mqtt.Client
	for _, x := range all {
		if t := x.StopTime(); t > 0 && (away == nil || t < away.StopTime()) {
			away = x
		}
	}
	if away != nil { // or there are as many connections, which have their own bound
		d.end(away)
	}
}

// end ends a session.
func (d *door) end(cl *mqtt.Client) {
	cl.Stop(packets.ErrQuotaExceeded)
	cl.ClearInflights()
	d.server.UnsubscribeClient(cl)
	d.server.Clients.Delete(cl.ID)
}

// OnACLCheck allows everything but the broker's own topics, which are read only.
func (d *door) OnACLCheck(_ *mqtt.Client, topic string, write bool) bool {
	return !write || len(topic) > 0 && topic[0] != '$'
}

// OnPacketRead ends a client that subscribes to too much.
func (d *door) OnPacketRead(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Type == packets.Subscribe && cl.State.Subscriptions.Len()+len(pk.Filters) > maxFilters {
		return pk, packets.ErrRejectPacket // no other error ends the connection
	}
	return pk, nil
}

// OnPublish counts what clients have not acknowledged, now and then: the session
// with the most ends where it is too much.
func (d *door) OnPublish(_ *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Qos == 0 {
		return pk, nil
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.since += len(pk.Payload) * d.server.Clients.Len(); d.since < maxUnacked/8 { // each client has a copy of its own
		return pk, nil
	}
	d.since = 0
	for {
		sum, most := 0, 0
		var who *mqtt.Client
		for _, cl := range d.server.Clients.GetAll() {
			n := 0
			for _, m := range cl.State.Inflight.GetAll(false) {
				n += len(m.Payload) + len(m.TopicName)
			}
			if sum += n; n > most {
				who, most = cl, n
			}
		}
		if sum <= maxUnacked {
			return pk, nil
		}
		d.end(who)
	}
}

// OnRetainMessage bounds what is kept.
func (d *door) OnRetainMessage(_ *mqtt.Client, pk packets.Packet, _ int64) { d.retained.took(pk) }

// OnRetainedExpired notes what is kept no longer.
func (d *door) OnRetainedExpired(topic string) { d.retained.expired(topic) }
