// Package broker is an MQTT broker within the program, for the demo and for
// those who run none. It listens on this computer alone unless a password is
// set, and then everybody who has that may publish and listen to everything. It
// keeps nothing over a restart and speaks no TLS: take a broker of its own kind
// for more.
package broker

import (
	"bytes"
	"crypto/subtle"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Broker is a running broker.
type Broker struct {
	server *mqtt.Server
	listen *listeners.TCP
}

// Limits of one broker for one shop, our own choice: they bound its memory.
const (
	maxClients = 200
	maxPacket  = 256 << 10 // bytes
	maxPending = 1024      // messages for a client that does not take them
)

// ErrOpen is the error of a broker that everybody in the network could use.
var ErrOpen = errors.New("without a password the broker listens on this computer alone, such as at 127.0.0.1:1883")

// Start starts a broker at an address. Without a user it must be one of this
// computer alone; with one, nobody gets in without the password.
func Start(addr, user, password string) (*Broker, error) {
	if (user == "" || password == "") && !loopback(addr) {
		return nil, ErrOpen
	}
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumClients, caps.MaximumPacketSize, caps.MaximumClientWritesPending = maxClients, maxPacket, maxPending
	caps.MaximumSessionExpiryInterval, caps.MaximumInflight = 3600, maxPending
	s := mqtt.New(&mqtt.Options{Capabilities: caps, Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	l := listeners.NewTCP(listeners.Config{ID: "tcp", Address: addr})
	err := s.AddHook(&door{user: []byte(user), password: []byte(password)}, nil)
	if err == nil {
		err = s.AddListener(l)
	}
	if err == nil {
		err = s.Serve()
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("broker: %w", err), s.Close())
	}
	return &Broker{s, l}, nil
}

// loopback tells whether only this computer can reach an address.
func loopback(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	ip := net.ParseIP(host)
	return err == nil && (host == "localhost" || ip != nil && ip.IsLoopback())
}

// Addr is where it listens.
func (b *Broker) Addr() string { return b.listen.Address() }

// Close puts everybody out and ends it.
func (b *Broker) Close() error { return b.server.Close() }

// door lets in who knows the password, or everybody where there is none. Who is
// in may do everything.
type door struct {
	mqtt.HookBase
	user, password []byte
}

// ID names the hook.
func (d *door) ID() string { return "door" }

// Provides tells which questions the hook answers.
func (d *door) Provides(b byte) bool {
	return b == mqtt.OnConnectAuthenticate || b == mqtt.OnACLCheck
}

// OnConnectAuthenticate compares name and password.
func (d *door) OnConnectAuthenticate(_ *mqtt.Client, pk packets.Packet) bool {
	if len(d.user) == 0 {
		return true
	}
	return bytes.Equal(pk.Connect.Username, d.user) && subtle.ConstantTimeCompare(pk.Connect.Password, d.password) == 1
}

// OnACLCheck allows everything but the broker's own topics, which are read only.
func (d *door) OnACLCheck(_ *mqtt.Client, topic string, write bool) bool {
	return !write || len(topic) > 0 && topic[0] != '$'
}
