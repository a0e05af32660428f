package mqttlink

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
)

// besieged starts a broker for this computer until the test ends.
func besieged(t *testing.T) *Broker {
	t.Helper()
	b, err := StartBroker("127.0.0.1:0", "barn", "secret")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

// raw is a client that does what it likes.
type raw struct {
	net.Conn
	t  *testing.T
	in *bufio.Reader
}

func knock(t *testing.T, b *Broker) *raw {
	t.Helper()
	c, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	_ = c.SetDeadline(time.Now().Add(30 * time.Second)) // bounds a test that would hang
	return &raw{c, t, bufio.NewReader(c)}
}

// send sends a packet. It reports whether the broker still takes any.
func (c *raw) send(encode func(*packets.Packet, *bytes.Buffer) error, pk packets.Packet) bool {
	c.t.Helper()
	var b bytes.Buffer
	if err := encode(&pk, &b); err != nil {
		c.t.Fatal(err)
	}
	_, err := c.Write(b.Bytes())
	return err == nil
}

// get reads the next packet's kind; io.EOF where there is none.
func (c *raw) get() (byte, []byte, error) {
	first, err := c.in.ReadByte()
	if err != nil {
		return 0, nil, err
	}
	n, _, err := packets.DecodeLength(c.in)
	if err != nil {
		return 0, nil, err
	}
	body := make([]byte, n)
	_, err = io.ReadFull(c.in, body)
	return first >> 4, body, err
}

// cutOff reports whether the broker ends the connection.
func (c *raw) cutOff() bool {
	for {
		if _, _, err := c.get(); err != nil {
			late := net.Error(nil)
			return !errors.As(err, &late) || !late.Timeout()
		}
	}
}

// logIn logs in.
func (c *raw) logIn(id string, clean bool) *raw {
	c.t.Helper()
	c.send((*packets.Packet).ConnectEncode, packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Connect}, ProtocolVersion: 4,
		Connect: packets.ConnectParams{ProtocolName: []byte("MQTT"), ClientIdentifier: id, Clean: clean, Keepalive: 60,
			UsernameFlag: true, Username: []byte("barn"), PasswordFlag: true, Password: []byte("secret")}})
	if kind, body, err := c.get(); err != nil || kind != packets.Connack || body[1] != 0 {
		c.t.Fatalf("%s: %d %v %v", id, kind, body, err)
	}
	return c
}

func (c *raw) subscribe(qos byte, filters ...string) {
	c.t.Helper()
	pk := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Subscribe, Qos: 1}, ProtocolVersion: 4, PacketID: 1}
	for _, f := range filters {
		pk.Filters = append(pk.Filters, packets.Subscription{Filter: f, Qos: qos})
	}
	c.send((*packets.Packet).SubscribeEncode, pk)
}

// subscribed waits for the answer.
func (c *raw) subscribed() {
	c.t.Helper()
	if kind, _, err := c.get(); err != nil || kind != packets.Suback {
		c.t.Fatalf("%d %v", kind, err)
	}
}

func (c *raw) publish(topic string, payload []byte, qos byte, retain bool) bool {
	c.t.Helper()
	return c.send((*packets.Packet).PublishEncode, packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Publish, Retain: retain, Qos: qos}, ProtocolVersion: 4,
		TopicName: topic, Payload: payload, PacketID: 1})
}

// settled waits until the broker has taken in what a client sent.
func (c *raw) settled() {
	c.t.Helper()
	c.send((*packets.Packet).PingreqEncode, packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pingreq}})
	for {
		kind, _, err := c.get()
		if err != nil {
			c.t.Fatal(err)
		}
		if kind == packets.Pingresp {
			return
		}
	}
}

// memory returns what the program holds, bytes.
func memory() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc + m.StackInuse
}

// within fails the test if more memory than that came in since before.
func within(t *testing.T, before, most uint64) {
	t.Helper()
	if now := memory(); now > before+most {
		t.Errorf("%d kB more are held, at most %d may be", (now-before)>>10, most>>10)
	}
}

// works fails the test if a client cannot log in and be served.
func works(t *testing.T, b *Broker) {
	t.Helper()
	c := knock(t, b).logIn("owner", true)
	c.subscribe(0, "owner/#")
	c.subscribed()
	c.publish("owner/x", []byte("well"), 0, false)
	if kind, body, err := c.get(); err != nil || kind != packets.Publish || !strings.HasSuffix(string(body), "well") {
		t.Errorf("%d %q %v", kind, body, err)
	}
	_ = c.Close()
}

// TestSilent: connections that say nothing are closed from the oldest on, and
// clients go on.
func TestSilent(t *testing.T) {
	b := besieged(t)
	before := memory()
	mine := knock(t, b).logIn("mine", true)
	var all []net.Conn
	defer func() {
		for _, c := range all {
			_ = c.Close()
		}
	}()
	for i := range 1000 {
		c, err := net.Dial("tcp", b.Addr())
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, c)
		if i%2 == 0 {
			_, _ = c.Write([]byte{0x10, 0xff, 0x7f}) // it claims that 16 kB will follow
		}
	}
	works(t, b)
	mine.settled()
	if all, strangers := b.listen.Len(); strangers > maxStrange || all > maxStrange+2 {
		t.Errorf("%d connections, %d of strangers", all, strangers)
	}
	within(t, before, 8<<20)
}

// TestRetainedFlood: what is kept is bounded in number and bytes, and who floods
// loses his own.
func TestRetainedFlood(t *testing.T) {
	b := besieged(t)
	before := memory()
	mine := knock(t, b).logIn("mine", true)
	mine.publish("kerfwind/status", []byte("online"), 0, true)
	mine.settled()
	c := knock(t, b).logIn("flood", true)
	for i := range 268 {
		c.publish(fmt.Sprint("junk/large/", i), make([]byte, 250_000), 0, true)
	}
	c.settled()
	for i := range 3 * maxKept {
		c.publish(fmt.Sprint("junk/small/", i), []byte("x"), 0, true)
	}
	c.settled()
	n, sum := 0, 0
	for _, pk := range b.server.Topics.Retained.GetAll() {
		if !strings.HasPrefix(pk.TopicName, "$SYS/") {
			n++
			sum += len(pk.Payload)
		}
	}
	if n > maxKept || n < maxKept/2 || sum > maxKeptRoom {
		t.Errorf("%d messages of %d bytes are kept", n, sum)
	}
	if pk, ok := b.server.Topics.Retained.Get("kerfwind/status"); !ok || string(pk.Payload) != "online" {
		t.Error("the flood washed away what another client keeps")
	}
	within(t, before, maxKeptRoom+8<<20)
	mine.publish("kerfwind/status", nil, 0, true)
	mine.settled()
	if _, ok := b.server.Topics.Retained.Get("kerfwind/status"); ok {
		t.Error("an empty message takes it away")
	}
	works(t, b)
}

// TestTakesNothing: a client that takes nothing is cut off and costs little.
func TestTakesNothing(t *testing.T) {
	b := besieged(t)
	before := memory()
	slow := knock(t, b).logIn("slow", true)
	slow.subscribe(0, "junk/#")
	slow.subscribed()
	c := knock(t, b).logIn("flood", true)
	for range 500 {
		c.publish("junk/x", make([]byte, 250_000), 0, false)
	}
	c.settled()
	within(t, before, maxOutboxes+8<<20)
	if !slow.cutOff() {
		t.Error("it is waited for")
	}
	works(t, b)
}

// TestUnacknowledged: what clients do not acknowledge is bounded, whether they
// are there or away.
func TestUnacknowledged(t *testing.T) {
	b := besieged(t)
	before := memory()
	for i := range 20 {
		c := knock(t, b).logIn(fmt.Sprint("away", i), false)
		c.subscribe(1, "junk/#")
		c.subscribed()
		if i%2 == 0 {
			_ = c.Close()
		}
	}
	c := knock(t, b).logIn("flood", true)
	for range 200 {
		c.publish("junk/x", make([]byte, 100_000), 1, false)
	}
	c.settled()
	sum := 0
	for _, cl := range b.server.Clients.GetAll() {
		for _, m := range cl.State.Inflight.GetAll(false) {
			sum += len(m.Payload)
		}
	}
	if most := maxUnacked + maxUnacked/8 + 20*100_000; sum > most {
		t.Errorf("%d bytes wait, at most %d may", sum, most)
	}
	within(t, before, maxUnacked+maxOutboxes+12<<20)
	works(t, b)
}

// TestSessions: sessions of clients that went away make room for others.
func TestSessions(t *testing.T) {
	b := besieged(t)
	for i := range maxClients + 50 {
		c := knock(t, b).logIn(fmt.Sprint("away", i), false)
		c.send((*packets.Packet).DisconnectEncode, packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Disconnect}, ProtocolVersion: 4})
		if !c.cutOff() {
			t.Fatal("it does not end")
		}
	}
	if n := b.server.Clients.Len(); n > maxClients {
		t.Errorf("%d sessions", n)
	}
	works(t, b)
}

// TestFilters: a client that subscribes to too much is cut off, and so is one
// whose will is too long.
func TestFilters(t *testing.T) {
	b := besieged(t)
	c := knock(t, b).logIn("greedy", true)
	for i := range maxFilters + 1 {
		c.subscribe(0, fmt.Sprint("a/", i))
	}
	if !c.cutOff() {
		t.Error("it may subscribe to as much as it likes")
	}
	c = knock(t, b)
	c.send((*packets.Packet).ConnectEncode, packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Connect}, ProtocolVersion: 4,
		Connect: packets.ConnectParams{ProtocolName: []byte("MQTT"), ClientIdentifier: "will", Clean: true, WillFlag: true, WillTopic: "x", WillPayload: make([]byte, maxWill),
			UsernameFlag: true, Username: []byte("barn"), PasswordFlag: true, Password: []byte("secret")}})
	if kind, _, err := c.get(); err == nil {
		t.Errorf("a long will is answered with %d", kind)
	}
	works(t, b)
}

// TestOutbox: what was written before the end gets through; one who takes
// nothing is cut off; the one for whom most waits makes room.
func TestClientBox(t *testing.T) {
	within := func(t *testing.T, do func(o *outboxes)) {
		synctest.Test(t, func(t *testing.T) {
			o := &outboxes{each: 1 << 20, all: 1 << 21, takes: takesWait, parting: partingWait, full: map[*clientBox]struct{}{}}
			do(o)
			o.senders.Wait()
			if o.sum != 0 || len(o.full) != 0 {
				t.Errorf("%d bytes wait for nobody", o.sum)
			}
		})
	}
	t.Run("last words", func(t *testing.T) {
		within(t, func(o *outboxes) {
			theirs, mine := net.Pipe()
			x := o.open(mine)
			_, _ = x.Write([]byte("good"))
			_, _ = x.Write([]byte("bye"))
			_ = x.Close()
			if _, err := x.Write([]byte("late")); err == nil {
				t.Error("it takes words after the end")
			}
			if b, err := io.ReadAll(theirs); string(b) != "goodbye" {
				t.Errorf("%q %v", b, err)
			}
		})
	})
	for _, close := range []bool{false, true} {
		t.Run(fmt.Sprint("takes nothing, closed ", close), func(t *testing.T) {
			within(t, func(o *outboxes) {
				_, mine := net.Pipe()
				x := o.open(mine)
				began := time.Now()
				_, _ = x.Write([]byte("good"))
				want := takesWait
				if close {
					synctest.Wait()
					_ = x.Close()
					want = partingWait
				} else {
					_ = x.SetDeadline(time.Time{}) // as the library does for a client without a keep-alive
				}
				o.senders.Wait()
				if took := time.Since(began); took != want {
					t.Errorf("it took %v", took)
				}
			})
		})
	}
	t.Run("too much for one", func(t *testing.T) {
		within(t, func(o *outboxes) {
			_, mine := net.Pipe()
			x := o.open(mine)
			ok := 0
			for range 100 {
				if _, err := x.Write(make([]byte, 64<<10)); err == nil {
					ok++
				}
			}
			if ok > 17 {
				t.Errorf("%d pieces of 64 kB wait", ok)
			}
			_ = x.Close()
		})
	})
	t.Run("too much for all", func(t *testing.T) {
		within(t, func(o *outboxes) {
			var all []*clientBox
			for i := range 8 {
				_, mine := net.Pipe()
				x := o.open(mine)
				all = append(all, x)
				if _, err := x.Write(make([]byte, (8-i)*90<<10)); err != nil {
					t.Errorf("%d: %v", i, err)
				}
			}
			synctest.Wait()
			if all[0].waiting != nil || all[7].waiting == nil {
				t.Error("it was not the one with most that made room")
			}
			for _, x := range all {
				_ = x.Close()
			}
		})
	})
}
