package porter

import (
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"
)

// crowd is a room with guests who have names.
type crowd struct {
	*Room
	t   *testing.T
	in  map[string]*Guest
	out []string // who was put out, in order
}

func newCrowd(t *testing.T, l Limits) *crowd {
	return &crowd{Room: NewRoom(l), t: t, in: map[string]*Guest{}}
}

// enter lets in a guest "source/name" a second after the one before.
func (c *crowd) enter(name string, s Standing) bool {
	time.Sleep(time.Second)
	source, _, _ := strings.Cut(name, "/")
	g := c.Enter(source, s, func() {
		c.out = append(c.out, name)
		delete(c.in, name)
	})
	if g != nil {
		c.in[name] = g
	}
	return g != nil
}

// expect compares who was put out since the last time.
func (c *crowd) expect(names ...string) {
	c.t.Helper()
	if fmt.Sprint(c.out) != fmt.Sprint(names) {
		c.t.Errorf("put out %v, want %v", c.out, names)
	}
	c.out = nil
}

// TestRoom: who gives its place to whom.
func TestRoom(t *testing.T) {
	for name, do := range map[string]func(c *crowd){
		"idle longest first": func(c *crowd) {
			for _, g := range []string{"a/1", "b/1", "c/1", "d/1"} {
				c.enter(g, Stranger)
			}
			c.in["a/1"].Busy()() // it was served meanwhile
			c.enter("e/1", Stranger)
			c.expect("b/1")
		},
		"idle before busy": func(c *crowd) {
			for _, g := range []string{"a/1", "b/1", "c/1", "d/1"} {
				c.enter(g, Stranger)
			}
			c.in["a/1"].Busy()
			c.in["b/1"].Busy()
			c.enter("e/1", Stranger)
			c.expect("c/1")
		},
		"the source with most first": func(c *crowd) {
			for _, g := range []string{"a/1", "b/1", "b/2", "b/3"} {
				c.enter(g, Stranger)
			}
			c.in["b/1"].Busy()
			c.enter("c/1", Stranger)
			c.expect("b/2")
		},
		"one source has its bound": func(c *crowd) {
			for _, g := range []string{"a/1", "a/2", "a/3", "a/4"} {
				c.enter(g, Stranger)
			}
			c.expect("a/1")
			if all, strangers := c.Len(); all != 3 || strangers != 3 {
				c.t.Errorf("%d in, %d strangers", all, strangers)
			}
		},
		"busy ones stay where their source has no more": func(c *crowd) {
			for _, g := range []string{"a/1", "b/1", "c/1", "d/1"} {
				c.enter(g, Stranger)
				c.in[g].Busy()
			}
			c.enter("e/1", Stranger) // it has none yet
			c.expect("a/1")
			c.in["e/1"].Busy()
			if c.enter("e/2", Stranger) {
				c.t.Error("it has as many as the others")
			}
			c.expect()
		},
		"strangers have not all": func(c *crowd) {
			for i := range 10 {
				c.enter(fmt.Sprintf("s%d/1", i), Stranger)
			}
			if all, strangers := c.Len(); all != 4 || strangers != 4 {
				c.t.Errorf("%d in, %d strangers", all, strangers)
			}
			c.out = nil
			for _, g := range []string{"a/1", "b/1"} {
				if !c.enter(g, Familiar) {
					c.t.Error("no room for somebody familiar")
				}
			}
			c.expect()
			c.enter("c/1", Known)
			c.expect("s6/1")
		},
		"strangers put out nobody else": func(c *crowd) {
			for i := range 6 {
				c.enter(fmt.Sprintf("k%d/1", i), Known)
			}
			if c.enter("s/1", Stranger) {
				c.t.Error("a stranger took the place of somebody known")
			}
			c.expect()
			if !c.enter("f/1", Familiar) {
				c.t.Error("no room for somebody familiar while others do nothing")
			}
			c.expect("k0/1")
		},
		"known ones at work stay": func(c *crowd) {
			for i := range 6 {
				name := fmt.Sprintf("k%d/1", i)
				c.enter(name, Known)
				c.in[name].Busy()
			}
			if c.enter("f/1", Familiar) {
				c.t.Error("somebody at work was put out")
			}
			c.expect()
		},
		"to rise": func(c *crowd) {
			for _, g := range []string{"a/1", "b/1", "c/1", "d/1"} {
				c.enter(g, Stranger)
			}
			c.in["a/1"].Rise(Known)
			c.in["a/1"].Rise(Familiar) // nobody sinks
			c.in["a/1"].Rise(Known)
			c.enter("e/1", Stranger)
			c.enter("f/1", Stranger)
			c.expect("b/1")
			if all, strangers := c.Len(); all != 5 || strangers != 4 {
				c.t.Errorf("%d in, %d strangers", all, strangers)
			}
		},
		"to leave twice": func(c *crowd) {
			c.enter("a/1", Known)
			g := c.in["a/1"]
			g.Leave()
			g.Leave()
			g.Rise(Known)
			if all, strangers := c.Len(); all != 0 || strangers != 0 || len(c.from) != 0 {
				c.t.Errorf("%d in, %d strangers, %v", all, strangers, c.from)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { do(newCrowd(t, Limits{All: 6, Strangers: 4, From: 3})) })
		})
	}
}

// TestCounts: whatever guests do, no bound is broken and each count is right.
func TestCounts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := Limits{All: rapid.IntRange(1, 8).Draw(t, "all"), From: rapid.IntRange(0, 4).Draw(t, "from")}
		l.Strangers = rapid.IntRange(1, l.All).Draw(t, "strangers")
		r := NewRoom(l)
		in := map[*Guest]bool{}
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			var some []*Guest
			for g := range r.guests {
				some = append(some, g)
			}
			switch what := rapid.IntRange(0, 5).Draw(t, "what"); {
			case what < 3 || len(some) == 0:
				var me *Guest
				me = r.Enter(rapid.SampledFrom([]string{"", "a", "b", "c"}).Draw(t, "source"), Standing(rapid.IntRange(0, 2).Draw(t, "standing")), func() {
					if !in[me] {
						t.Fatal("put out twice, or after it left")
					}
					delete(in, me)
				})
				if me != nil {
					in[me] = true
				}
			case what == 3:
				some[0].Rise(Standing(rapid.IntRange(0, 2).Draw(t, "standing")))
			case what == 4:
				some[0].Busy()
			default:
				some[0].Leave()
				delete(in, some[0])
			}
			all, strangers := r.Len()
			from, known := map[string]int{}, 0
			for g := range r.guests {
				from[g.source]++
				if g.standing > Stranger {
					known++
				}
				if !in[g] {
					t.Fatal("it was put out, and is counted")
				}
			}
			if all != len(in) || all > l.All || strangers != all-known || strangers > l.Strangers {
				t.Fatalf("%d in, %d strangers, bounds %+v, really %d and %d", all, strangers, l, len(in), all-known)
			}
			for source, n := range from {
				if r.from[source] != n || l.From > 0 && source != "" && n > l.From {
					t.Fatalf("%d from %q, counted %d, bound %d", n, source, r.from[source], l.From)
				}
			}
			if len(r.from) != len(from) {
				t.Fatalf("sources %v, really %v", r.from, from)
			}
		}
	})
}

// hall is a listener whose connections come from a channel.
type hall struct{ conns chan net.Conn }

func (h *hall) Accept() (net.Conn, error) {
	c, ok := <-h.conns
	if !ok {
		return nil, net.ErrClosed
	}
	return c, nil
}
func (h *hall) Close() error   { close(h.conns); return nil }
func (h *hall) Addr() net.Addr { return &net.TCPAddr{} }

// caller is one end of a connection from an address.
type caller struct {
	net.Conn
	from string
}

func (c caller) RemoteAddr() net.Addr {
	return net.TCPAddrFromAddrPort(netip.MustParseAddrPort(c.from))
}

// TestDoor: connections are counted by address, IPv6 by the network of a house;
// one that says nothing is closed; what is put out is closed.
func TestDoor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := &hall{make(chan net.Conn)}
		d := Listen(h, Limits{All: 8, Strangers: 6, From: 2}, Greeting(10*time.Second), Knows(func(a netip.Addr) bool { return a == netip.MustParseAddr("10.0.0.9") }))
		accepted := make(chan *Conn, 100)
		done := make(chan error)
		go func() {
			for {
				c, err := d.Accept()
				if err != nil {
					done <- err
					return
				}
				if conn, ok := c.(*Conn); ok { // else nobody is let in, and the test says so
					accepted <- conn
				}
			}
		}()
		call := func(from string) net.Conn {
			mine, theirs := net.Pipe()
			h.conns <- caller{theirs, from}
			synctest.Wait()
			return mine
		}
		open := func(c net.Conn) bool {
			_ = c.SetReadDeadline(time.Now().Add(time.Millisecond))
			_, err := c.Read(make([]byte, 1))
			var late net.Error
			return errors.As(err, &late) && late.Timeout()
		}
		count := func(n int, from func(i int) string) (in int) {
			var all []net.Conn
			for i := range n {
				all = append(all, call(from(i)))
			}
			for _, c := range all {
				if open(c) {
					in++
				}
				_ = c.Close()
			}
			for len(accepted) > 0 {
				_ = (<-accepted).Close()
			}
			if all, _ := d.Len(); all != 0 {
				t.Errorf("%d are counted after all have gone", all)
			}
			return in
		}
		for name, x := range map[string]struct {
			from func(int) string
			want int
		}{
			"one address":    {func(int) string { return "10.0.0.1:7" }, 2},
			"a house":        {func(i int) string { return fmt.Sprintf("[2001:db8::%x]:7", i+1) }, 2},
			"mapped":         {func(i int) string { return [2]string{"10.0.0.1:7", "[::ffff:10.0.0.1]:7"}[i%2] }, 2},
			"houses":         {func(i int) string { return fmt.Sprintf("[2001:db8:0:%x::1]:7", i+1) }, 6},
			"this computer":  {func(int) string { return "127.0.0.1:7" }, 6},
			"a familiar one": {func(int) string { return "10.0.0.9:7" }, 2},
		} {
			if n := count(20, x.from); n != x.want {
				t.Errorf("%s: %d connections are open, want %d", name, n, x.want)
			}
		}
		c := call("10.0.0.1:7")
		in := <-accepted
		began := time.Now()
		if _, err := in.Read(make([]byte, 1)); err == nil || time.Since(began) != 10*time.Second {
			t.Errorf("one that says nothing: %v after %v", err, time.Since(began))
		}
		_, _ = in.Close(), c.Close()
		_ = d.Close()
		if err := <-done; !errors.Is(err, net.ErrClosed) {
			t.Error(err)
		}
	})
}

// TestOf: a handler finds its connection.
func TestOf(t *testing.T) {
	found := make(chan *Conn, 1)
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { found <- Of(r.Context()) }))
	s.Config.ConnContext = ConnContext
	s.Listener = Listen(s.Listener, Limits{All: 4})
	s.StartTLS()
	defer s.Close()
	r, err := s.Client().Get(s.URL)
	if err != nil {
		t.Fatal(err)
	}
	_ = r.Body.Close()
	if c := <-found; c == nil {
		t.Error("none within TLS")
	}
	if c := Of(t.Context()); c != nil {
		t.Errorf("%v where there is none", c)
	}
}

// TestGuard: a request under a foreign name reaches nothing.
func TestGuard(t *testing.T) {
	var n Names
	n.Set("Barn.lan.")
	h := n.Guard(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusTeapot) }), "Use its address.")
	for host, want := range map[string]int{"localhost:9464": http.StatusTeapot, "192.168.1.20:9464": http.StatusTeapot, "barn.lan": http.StatusTeapot,
		"evil.example": http.StatusMisdirectedRequest, "": http.StatusMisdirectedRequest, "[::1%25lo]": http.StatusMisdirectedRequest} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Host = host
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != want || want == http.StatusMisdirectedRequest && !strings.Contains(w.Body.String(), "Use its address.") {
			t.Errorf("%q: %d %s", host, w.Code, w.Body)
		}
	}
	if new(Names).Allow("localhost") {
		t.Error("a name before any is set")
	}
}

// FuzzHost: nothing but the names that are known and plain addresses is let
// through, however it is written.
func FuzzHost(f *testing.F) {
	for _, s := range []string{"localhost", "localhost:8080", "[::1]:80", "127.0.0.1:80", "barn.lan.", "evil.example", "[::1%25lo]:80", "a:b:c", "[", "]:", ":80"} {
		f.Add(s)
	}
	var n Names
	n.Set("barn.lan")
	f.Fuzz(func(t *testing.T, host string) {
		if !n.Allow(host) {
			return
		}
		// What a browser makes of it has the same name.
		u, err := url.Parse("http://" + host + "/")
		if err != nil {
			return // no browser sends it
		}
		name := strings.ToLower(strings.TrimSuffix(u.Hostname(), "."))
		if !(*n.names.Load())[name] && strings.Trim(name, "0123456789abcdef.:") != "" {
			t.Errorf("%q is let through as %q", host, name)
		}
	})
}
