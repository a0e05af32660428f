package porter

import (
	"context"
	"net"
	"net/netip"
	"time"
)

// Door is a listener whose connections have to fit into a room.
type Door struct {
	net.Listener
	room     *Room
	greet    time.Duration
	familiar func(netip.Addr) bool
}

// Option sets up a Door.
type Option func(*Door)

// Greeting cuts off a connection that has sent nothing of use after a time,
// unless whoever reads it sets another deadline.
func Greeting(d time.Duration) Option { return func(p *Door) { p.greet = d } }

// Knows makes connections from some addresses familiar, but none from this
// computer: behind a proxy everybody comes from there.
func Knows(familiar func(netip.Addr) bool) Option { return func(p *Door) { p.familiar = familiar } }

// Listen puts a porter before a listener. This computer's own addresses have no
// bound of their own, since it may be a proxy.
func Listen(l net.Listener, limits Limits, options ...Option) *Door {
	d := &Door{Listener: l, room: NewRoom(limits), familiar: func(netip.Addr) bool { return false }}
	for _, o := range options {
		o(d)
	}
	return d
}

// Accept waits for the next connection that may stay.
func (d *Door) Accept() (net.Conn, error) {
	for {
		c, err := d.Listener.Accept()
		if err != nil {
			return nil, err
		}
		from := Address(c.RemoteAddr().String())
		source, standing := "", Stranger
		if !from.IsLoopback() {
			source = Source(from).String()
			if d.familiar(from) {
				standing = Familiar
			}
		}
		g := d.room.Enter(source, standing, func() { _ = c.Close() }) // it is gone either way
		if g == nil {
			_ = c.Close()
			continue
		}
		if d.greet > 0 {
			_ = c.SetDeadline(time.Now().Add(d.greet)) // one that takes no deadline is closed by now
		}
		return &Conn{Conn: c, Guest: g}, nil
	}
}

// Len is how many connections are open, and how many of strangers.
func (d *Door) Len() (all, strangers int) { return d.room.Len() }

// Conn is a connection that was let in.
type Conn struct {
	net.Conn
	*Guest
}

// Close closes the connection and makes room for another.
func (c *Conn) Close() error {
	c.Leave()
	return c.Conn.Close()
}

// connKey is where a request's context has its connection.
type connKey struct{}

// ConnContext lets a handler find its connection: it is for http.Server.
func ConnContext(ctx context.Context, c net.Conn) context.Context {
	if t, ok := c.(interface{ NetConn() net.Conn }); ok { // within TLS
		c = t.NetConn()
	}
	return context.WithValue(ctx, connKey{}, c)
}

// Of is the connection that a request came over, or nil.
func Of(ctx context.Context) *Conn {
	c, _ := ctx.Value(connKey{}).(*Conn)
	return c
}
