package mqttlink

import (
	"bytes"
	"io"
	"net"
	"sync"
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// proxy passes TCP on, reads along, and can stall: then it neither takes nor
// brings anything, and closes nothing.
type proxy struct {
	addr, to string
	l        net.Listener
	done     sync.WaitGroup

	mu      sync.Mutex
	go_     *sync.Cond
	stalled bool
	closed  bool
	conns   []net.Conn
	acked   []received // in the order of their acknowledgements
}

func proxied(t *testing.T, to string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{addr: l.Addr().String(), to: to, l: l}
	p.go_ = sync.NewCond(&p.mu)
	p.done.Go(p.accept)
	t.Cleanup(func() {
		_ = l.Close()
		p.mu.Lock()
		p.closed, p.stalled = true, false
		p.go_.Broadcast()
		for _, c := range p.conns {
			_ = c.Close()
		}
		p.mu.Unlock()
		p.done.Wait()
	})
	return p
}

func (p *proxy) stall(on bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.stalled = on
	p.go_.Broadcast()
}

// acknowledged lists the messages that the broker has acknowledged.
func (p *proxy) acknowledged() []received {
	p.mu.Lock()
	defer p.mu.Unlock()
	var out []received
	for _, m := range p.acked {
		if m.topic == "kerfwind/event" {
			out = append(out, m)
		}
	}
	return out
}

func (p *proxy) accept() {
	for {
		c, err := p.l.Accept()
		if err != nil {
			return
		}
		d, err := net.Dial("tcp", p.to)
		if err != nil {
			_ = c.Close()
			continue
		}
		p.mu.Lock()
		p.conns = append(p.conns, c, d)
		if p.closed {
			_, _ = c.Close(), d.Close()
		}
		p.mu.Unlock()
		sent := map[uint16]received{} // of this connection
		p.done.Go(func() { p.pass(c, d, sent) })
		p.done.Go(func() { p.pass(d, c, sent) })
	}
}

// pass passes packets on, one way.
func (p *proxy) pass(from, to net.Conn, sent map[uint16]received) {
	defer func() { _, _ = from.Close(), to.Close() }()
	for {
		var raw bytes.Buffer
		packet, err := packets.ReadPacket(io.TeeReader(from, &raw))
		if err != nil {
			return
		}
		p.mu.Lock()
		for p.stalled {
			p.go_.Wait()
		}
		switch x := packet.(type) {
		case *packets.PublishPacket:
			if x.Qos == 1 {
				if _, ours := sent[x.MessageID]; !ours || x.TopicName != "" {
					sent[x.MessageID] = received{topic: x.TopicName, payload: x.Payload, retained: x.Retain}
				}
			}
		case *packets.PubackPacket:
			if m, ok := sent[x.MessageID]; ok {
				p.acked = append(p.acked, m)
				delete(sent, x.MessageID)
			}
		}
		p.mu.Unlock()
		if _, err := to.Write(raw.Bytes()); err != nil {
			return
		}
	}
}
