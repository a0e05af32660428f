package mqttlink

import (
	"net"
	"os"
	"sync"
	"time"
)

// outboxes hold what clients have not taken yet. Writing to one never waits: if
// it did, the library's own queues would fill with messages of any size.
type outboxes struct {
	each, all int           // bytes that may wait for one client, and for all together
	takes     time.Duration // a client who takes nothing for so long is cut off
	parting   time.Duration // for what waits when the connection is closed

	senders sync.WaitGroup
	mu      sync.Mutex
	full    map[*clientBox]struct{} // those in which something waits
	sum     int                     // bytes in them
}

// clientBox is a connection with a queue before it.
type clientBox struct {
	net.Conn
	of      *outboxes
	waiting []byte // of.mu guards it
	more    chan struct{}
	ended   chan struct{}
	end     func()
}

// mostChunk is how many bytes are written at a time.
const mostChunk = 16 << 10

// open puts a queue before a connection.
func (o *outboxes) open(c net.Conn) *clientBox {
	x := &clientBox{Conn: c, of: o, more: make(chan struct{}, 1), ended: make(chan struct{})}
	x.end = sync.OnceFunc(func() { close(x.ended) })
	o.senders.Go(x.send)
	return x
}

// Write puts bytes in the queue. Where they do not fit, the client for whom most
// waits is cut off.
func (x *clientBox) Write(b []byte) (int, error) {
	select {
	case <-x.ended:
		return 0, net.ErrClosed
	default:
	}
	cut, ok := x.of.put(x, b)
	for _, y := range cut {
		y.end()
		_ = y.Conn.Close() // its reader ends, and with it the client
	}
	if !ok {
		return 0, os.ErrDeadlineExceeded
	}
	select {
	case x.more <- struct{}{}:
	default: // it is awake
	}
	return len(b), nil
}

// put adds to a queue and returns who has to be cut off.
func (o *outboxes) put(x *clientBox, b []byte) (cut []*clientBox, ok bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(x.waiting)+len(b) > o.each {
		o.drop(x)
		return []*clientBox{x}, false
	}
	for o.sum+len(b) > o.all {
		most := x
		for y := range o.full {
			if len(y.waiting) > len(most.waiting) {
				most = y
			}
		}
		o.drop(most)
		cut = append(cut, most)
		if most == x {
			return cut, false
		}
	}
	x.waiting = append(x.waiting, b...)
	o.sum += len(b)
	o.full[x] = struct{}{}
	return cut, true
}

// next takes the next bytes out of a queue; none: it is empty.
func (o *outboxes) next(x *clientBox) []byte {
	o.mu.Lock()
	defer o.mu.Unlock()
	b := x.waiting[:min(len(x.waiting), mostChunk)]
	x.waiting = x.waiting[len(b):]
	o.sum -= len(b)
	if len(x.waiting) == 0 {
		x.waiting = nil
		delete(o.full, x)
	}
	return b
}

// drop throws away what waits for a client. mu is held.
func (o *outboxes) drop(x *clientBox) {
	o.sum -= len(x.waiting)
	x.waiting = nil
	delete(o.full, x)
}

// send sends what waits until the connection is closed and nothing waits.
func (x *clientBox) send() {
	defer func() {
		_ = x.Conn.Close() // nothing more can be done for it
		x.of.mu.Lock()
		defer x.of.mu.Unlock()
		x.of.drop(x)
		x.end()
	}()
	limit := x.of.takes
	for ended := x.ended; ; {
		b := x.of.next(x)
		if len(b) == 0 {
			if ended == nil {
				return
			}
			select {
			case <-x.more:
			case <-ended:
				ended, limit = nil, x.of.parting
			}
			continue
		}
		_ = x.SetWriteDeadline(time.Now().Add(limit))
		if _, err := x.Conn.Write(b); err != nil {
			return
		}
	}
}

// SetDeadline sets the one for reading: that for writing is the queue's.
func (x *clientBox) SetDeadline(t time.Time) error { return x.SetReadDeadline(t) }

// Close ends the connection once what waits is sent, or does not get through.
func (x *clientBox) Close() error {
	x.end()
	_ = x.SetReadDeadline(time.Now())
	return x.SetWriteDeadline(time.Now().Add(x.of.parting))
}
