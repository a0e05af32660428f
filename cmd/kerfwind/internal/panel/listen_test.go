package panel

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// doorstep is a listener whose connections come from a channel.
type doorstep struct {
	conns chan net.Conn
	gone  chan struct{}
}

func (d *doorstep) Accept() (net.Conn, error) {
	select {
	case c := <-d.conns:
		return c, nil
	case <-d.gone:
		return nil, net.ErrClosed
	}
}
func (d *doorstep) Close() error   { close(d.gone); return nil }
func (d *doorstep) Addr() net.Addr { return &net.TCPAddr{} }

// caller is the page's end of a connection from an address.
type caller struct {
	net.Conn
	from string
}

func (c caller) RemoteAddr() net.Addr {
	return net.TCPAddrFromAddrPort(netip.MustParseAddrPort(c.from))
}

// call connects from an address.
func (d *doorstep) call(from string) net.Conn {
	mine, theirs := net.Pipe()
	d.conns <- caller{theirs, from}
	return mine
}

// serveOn serves a page over pipes until the test ends.
func serveOn(t *testing.T, b *besieged) *doorstep {
	t.Helper()
	d := &doorstep{conns: make(chan net.Conn), gone: make(chan struct{})}
	ctx, end := context.WithCancel(t.Context())
	h := b.bounded(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := h.Serve(b.door(d)); !errors.Is(err, http.ErrServerClosed) {
			t.Errorf("serving ended: %v", err)
		}
	}()
	t.Cleanup(func() {
		end()
		if err := h.Close(); err != nil {
			t.Error(err)
		}
		<-done
	})
	return d
}

// closedWithin reports whether the page hangs up within a time.
func closedWithin(c net.Conn, limit time.Duration) bool {
	_ = c.SetReadDeadline(time.Now().Add(limit))
	_, err := io.Copy(io.Discard, c)
	return err == nil || !errors.Is(err, os.ErrDeadlineExceeded)
}

// TestSlow: who sends a byte now and then, a header or a form, is cut off, and
// so is who takes no answer.
func TestSlow(t *testing.T) {
	for name, first := range map[string]string{
		"nothing at all": "",
		"half a header":  "GET / HTTP/1.1\r\nHost: localhost\r\nX-",
		"half a form":    "POST /stand-down HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 1000\r\n\r\ngate=",
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := siege(t, Operate)
				d := serveOn(t, b)
				c := d.call("192.168.1.66:1")
				done := make(chan struct{})
				go func() { // a byte a second for ever
					defer close(done)
					if _, err := io.WriteString(c, first); err != nil || first == "" {
						return
					}
					for {
						if _, err := c.Write([]byte("a")); err != nil {
							return
						}
						time.Sleep(time.Second)
					}
				}()
				began := time.Now()
				if !closedWithin(c, time.Minute) {
					t.Error("it is let wait for ever")
				}
				if took := time.Since(began); took > readWait+time.Second {
					t.Errorf("it took %v", took)
				}
				_ = c.Close()
				<-done
				b.unharmed()
			})
		})
	}
	t.Run("takes no answer", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			b := siege(t, Operate)
			d := serveOn(t, b)
			c := d.call("192.168.1.66:1")
			if _, err := io.WriteString(c, "GET /style.css HTTP/1.1\r\nHost: localhost\r\n\r\n"); err != nil {
				t.Fatal(err)
			}
			time.Sleep(writeWait + time.Second)
			synctest.Wait()
			if n, _ := io.Copy(io.Discard, c); n > 0 {
				t.Errorf("%d bytes waited for it", n)
			}
			_ = c.Close()
		})
	})
}

// TestDoor: one address cannot take all the room, all together not more than
// there is, and whoever has signed in is served all the same.
func TestDoor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := siege(t, Look)
		d := serveOn(t, b)
		flood := func(n int, from func(i int) string) (open []net.Conn) {
			for i := range n {
				open = append(open, d.call(from(i)))
			}
			synctest.Wait()
			return open
		}
		alive := func(all []net.Conn) (n int) {
			for _, c := range all {
				if !closedWithin(c, time.Millisecond) {
					n++
				}
			}
			return n
		}
		cookie := b.enter(Look)
		served := func(from string) {
			t.Helper()
			c := d.call(from)
			defer func() { _ = c.Close() }()
			if _, err := io.WriteString(c, "GET / HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nCookie: "+cookie.Name+"="+cookie.Value+"\r\n\r\n"); err != nil {
				t.Errorf("put out: %v", err)
				return
			}
			r, err := http.ReadResponse(bufio.NewReader(c), nil)
			if err != nil {
				t.Errorf("not served: %v", err)
				return
			}
			_, err = io.Copy(io.Discard, r.Body)
			_ = r.Body.Close()
			if err != nil || r.StatusCode != http.StatusOK {
				t.Errorf("%d %v", r.StatusCode, err)
			}
		}
		for name, from := range map[string]func(int) string{
			"one address":      func(int) string { return "192.168.1.66:1" },
			"one IPv6 network": func(i int) string { return fmt.Sprintf("[2001:db8:0:1::%x]:1", i+1) },
			"many":             func(i int) string { return fmt.Sprintf("10.0.%d.%d:1", i/250, i%250+1) },
			"this computer":    func(int) string { return "127.0.0.1:1" },
		} {
			most := mostFrom
			if name == "many" || name == "this computer" {
				most = strangers
			}
			all := flood(500, from)
			if n := alive(all); n != most {
				t.Errorf("%s: %d connections are open, want %d", name, n, most)
			}
			served("192.168.1.20:1")
			served(from(0))
			for _, c := range all {
				_ = c.Close()
			}
			synctest.Wait()
		}
	})
}

// TestStreams: one visitor has only so many streams, strangers not all of them,
// and whoever has signed in gets one.
func TestStreams(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := siege(t, Operate)
		cookie := b.enter(Operate)
		d := serveOn(t, b)
		open := func(from, cookie string) (c net.Conn, status int, header http.Header) {
			t.Helper()
			c = d.call(from)
			if _, err := io.WriteString(c, "GET /events HTTP/1.1\r\nHost: localhost\r\nAccept: text/event-stream\r\n"+cookie+"\r\n"); err != nil {
				t.Fatal(err)
			}
			r, err := http.ReadResponse(bufio.NewReader(c), nil) //nolint:bodyclose // the goroutine below closes it
			if err != nil {
				t.Fatal(err)
			}
			go func() {
				_, _ = io.Copy(io.Discard, r.Body) // until c is closed
				_ = r.Body.Close()
			}()
			return c, r.StatusCode, r.Header
		}
		var all []net.Conn
		take := func(n, want int, from func(int) string) {
			t.Helper()
			got := 0
			for i := range n {
				c, status, header := open(from(i), "")
				all = append(all, c)
				if status == http.StatusOK {
					got++
				} else if status != http.StatusServiceUnavailable || header.Get("Retry-After") == "" {
					t.Errorf("%d %v", status, header)
				}
			}
			if got != want {
				t.Errorf("%d streams from %s, want %d", got, from(0), want)
			}
		}
		take(2*streamsEach, streamsEach, func(int) string { return "192.168.1.66:1" })
		take(2*streamsEach, streamsEach, func(i int) string { return fmt.Sprintf("[2001:db8:0:1::%x]:1", i+1) })
		take(strange, strange, func(i int) string { return fmt.Sprintf("10.0.0.%d:1", i+1) }) // who has more makes room
		if n, m := b.streams.Len(); n != strange || m != strange {
			t.Errorf("%d streams, %d of strangers", n, m)
		}
		mine, status, _ := open("192.168.1.20:1", "Cookie: "+cookie.Name+"="+cookie.Value+"\r\n")
		if status != http.StatusOK {
			t.Errorf("whoever has signed in: %d", status)
		}
		time.Sleep(5 * readWait) // a stream outlives what a request may take
		for _, c := range all {
			_ = c.Close()
		}
		time.Sleep(5 * time.Second) // until they are written to
		if n, _ := b.streams.Len(); n != 1 {
			t.Errorf("%d streams after all but one have gone", n)
		}
		_ = mine.Close()
	})
}

// pair writes a certificate for localhost and its key.
func pair(t *testing.T, certFile, keyFile string, number int64) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(number), Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"}, NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, c, c, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	kder, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for file, block := range map[string]*pem.Block{certFile: {Type: "CERTIFICATE", Bytes: der}, keyFile: {Type: "PRIVATE KEY", Bytes: kder}} {
		if err := os.WriteFile(file, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
		at := time.Unix(number, 0) // each pair is of another time
		if err := os.Chtimes(file, at, at); err != nil {
			t.Fatal(err)
		}
	}
}

// TestTLS: the certificate is read again when it changes, the cookie is for
// TLS alone, and a pair that does not fit leaves the old one.
func TestTLS(t *testing.T) {
	b := siege(t, Operate)
	dir := t.TempDir()
	at := Place{Listen: "127.0.0.1:0", CertFile: filepath.Join(dir, "cert.pem"), KeyFile: filepath.Join(dir, "key.pem")}
	pair(t, at.CertFile, at.KeyFile, 1)
	var why error
	b.Open(at, func(err error) { why = err })
	defer b.Close()
	if why != nil {
		t.Fatal(why)
	}
	ask := func() (serial int64, c *http.Cookie) {
		tr := &http.Transport{DisableKeepAlives: true, TLSClientConfig: &tls.Config{InsecureSkipVerify: true}} //nolint:gosec // the test looks at the certificate itself
		client := &http.Client{Transport: tr, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		r, err := client.PostForm("https://"+b.Addr().String()+"/sign-in", url.Values{"role": {"operate"}, "password": {words[Operate]}})
		if err != nil {
			t.Fatal(err)
		}
		_ = r.Body.Close()
		if r.StatusCode != http.StatusSeeOther || len(r.Cookies()) != 1 {
			t.Fatal(r.Status)
		}
		return r.TLS.PeerCertificates[0].SerialNumber.Int64(), r.Cookies()[0]
	}
	n, c := ask()
	if n != 1 || !c.Secure || !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Name != "__Host-kerfwind" || c.Path != "/" || c.Domain != "" {
		t.Errorf("certificate %d, cookie %v", n, c)
	}
	pair(t, at.CertFile, at.KeyFile, 2)
	if n, _ := ask(); n != 2 {
		t.Errorf("a new certificate is not shown, but %d", n)
	}
	pair(t, at.CertFile, filepath.Join(dir, "other.pem"), 3)
	if n, _ := ask(); n != 2 || len(b.notices) != 1 || !strings.Contains(b.notices[0].Error(), "stays in use") {
		t.Errorf("certificate %d, told %v", n, b.notices)
	}
}

// TestOpenAgain: a place that stays is not interrupted by a change of the
// shop; one that is taken is tried again.
func TestOpenAgain(t *testing.T) {
	b := siege(t)
	said := make(chan error, 8)
	fares := func(err error) { said <- err }
	b.Open(Place{Listen: "127.0.0.1:0"}, fares)
	defer b.Close()
	if err := <-said; err != nil {
		t.Fatal(err)
	}
	first := b.Addr()
	b.Open(Place{Listen: "127.0.0.1:0", Hosts: []string{"barn.lan"}}, fares)
	if err := <-said; err != nil || b.Addr() != first || !b.names.Allow("barn.lan") {
		t.Errorf("it was interrupted: %v, %v", err, b.Addr())
	}
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	v := &service{at: Place{Listen: taken.Addr().String()}, again: time.Millisecond, done: make(chan struct{}), fares: fares}
	v.ctx, v.end = context.WithCancel(t.Context())
	v.server, v.door = b.bounded(v.ctx), b.door
	if _, err := v.listen(); err == nil {
		t.Fatal("it is not taken")
	}
	go func() {
		defer close(v.done)
		v.serve(nil)
	}()
	if err := <-said; err == nil {
		t.Error("nobody is told that it cannot be listened at")
	}
	if err := taken.Close(); err != nil {
		t.Fatal(err)
	}
	for err = <-said; err != nil; err = <-said {
	}
	v.end()
	_ = v.server.Close()
	<-v.done
}

// TestHangs: a request that hangs, as on a disk that does, does not hold up who
// takes up the next shop.
func TestHangs(t *testing.T) {
	b := siege(t)
	begun, goOn, asked := make(chan struct{}), make(chan struct{}), make(chan struct{})
	b.shop.Load().Down = func(func(string, error)) { // asked by every page; it heeds no end
		close(begun)
		<-goOn
	}
	b.Open(Place{Listen: "127.0.0.1:0"}, func(error) {})
	go func() {
		defer close(asked)
		r, err := http.Get("http://" + b.Addr().String() + "/")
		if err == nil {
			_ = r.Body.Close()
		}
	}()
	<-begun
	closed := make(chan struct{})
	go func() {
		defer close(closed)
		b.Close()
	}()
	select {
	case <-closed:
	case <-time.After(4 * hangGap): //clock:ok bounds a test that would hang
		t.Error("a request that hangs holds up the end")
	}
	close(goOn)
	<-closed
	<-asked
}
