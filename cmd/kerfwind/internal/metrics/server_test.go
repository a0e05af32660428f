package metrics

import (
	"errors"
	"io"
	"net"
	"net/http"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/porter"
)

// TestUnfinished: requests that are never finished are closed from the oldest
// on, whoever scrapes goes on, and a foreign name is refused.
func TestUnfinished(t *testing.T) {
	m := New(barn(t), "test")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	door := Door(l)
	server := m.Server([]string{"barn.lan"})
	done := make(chan error)
	go func() { done <- server.Serve(door) }()
	client := &http.Client{Transport: &http.Transport{}}
	scrape := func(host string) int {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+l.Addr().String()+"/metrics", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Host = host
		a, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		_, err = io.Copy(io.Discard, a.Body)
		if err = errors.Join(err, a.Body.Close()); err != nil {
			t.Fatal(err)
		}
		return a.StatusCode
	}
	var open []net.Conn
	for i := range 1000 {
		c, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		open = append(open, c)
		_, _ = io.WriteString(c, "GET /metrics HTTP/1.1\r\nHost: localhost\r\nX-") // it may be closed already
		if i%100 == 99 {
			if code := scrape("barn.lan"); code != http.StatusOK {
				t.Errorf("after %d: %d", i+1, code)
			}
		}
	}
	bound, ok := door.(*porter.Door)
	if !ok {
		t.Fatalf("%T", door)
	}
	if n, _ := bound.Len(); n > mostConns {
		t.Errorf("%d connections are open", n)
	}
	if code := scrape("evil.example"); code != http.StatusMisdirectedRequest {
		t.Errorf("a foreign name: %d", code)
	}
	gone := make(chan bool, len(open))
	for _, c := range open {
		_ = c.SetReadDeadline(time.Now().Add(time.Minute)) // long past what the door needs
		go func() {
			_, err := c.Read(make([]byte, 1))
			gone <- err != nil && errTimeout(err) == nil
		}()
	}
	for i := range len(open) - mostConns {
		if !<-gone {
			t.Fatalf("only %d of %d were closed", i, len(open))
		}
	}
	for _, c := range open {
		_ = c.Close()
	}
	client.CloseIdleConnections()
	if err := server.Close(); err != nil {
		t.Error(err)
	}
	if err := <-done; !errors.Is(err, http.ErrServerClosed) {
		t.Error(err)
	}
}

// errTimeout is err where it is a deadline that passed, else nil.
func errTimeout(err error) error {
	if n := net.Error(nil); errors.As(err, &n) && n.Timeout() {
		return err
	}
	return nil
}
