package panel

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"testing"
	"testing/synctest"
	"time"
)

// TestStreamEnds: a stream ends with the session that it was opened in.
func TestStreamEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := siege(t, Look)
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		r := httptest.NewRequestWithContext(ctx, http.MethodGet, "http://localhost/events", nil)
		r.RemoteAddr = "192.168.1.20:4000"
		r.AddCookie(b.enter(Look))
		done := make(chan struct{})
		w := httptest.NewRecorder()
		go func() {
			defer close(done)
			b.ServeHTTP(w, r)
		}()
		time.Sleep(time.Minute)
		select {
		case <-done:
			t.Fatalf("it ends by itself: %d", w.Code)
		default:
		}
		b.set(Look) // a password again ends every session
		time.Sleep(3 * time.Second)
		select {
		case <-done:
		default:
			t.Error("it goes on without a session")
		}
		cancel()
		<-done
	})
}

// TestPasswordChangesMeanwhile: a password that is looked at while it is changed
// lets nobody in.
func TestPasswordChangesMeanwhile(t *testing.T) {
	b := siege(t, Operate)
	b.access.fits = func(Key, string) bool {
		b.set(Look, Operate)
		return true
	}
	w := b.send(form("POST", "/sign-in", url.Values{"role": {"operate"}, "password": {words[Operate]}}.Encode()), nil)
	if w.Code != http.StatusForbidden || len(w.Result().Cookies()) > 0 {
		t.Errorf("%d %v", w.Code, w.Result().Cookies())
	}
}

// TestStreamLasts: what bounds a request does not end a stream, whose visitor
// says nothing more.
func TestStreamLasts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := siege(t)
		c := serveOn(t, b).call("127.0.0.1:1")
		if _, err := io.WriteString(c, "GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n"); err != nil {
			t.Fatal(err)
		}
		r, err := http.ReadResponse(bufio.NewReader(c), nil) //nolint:bodyclose // the goroutine below closes it
		if err != nil {
			t.Fatal(err)
		}
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			_, _ = io.Copy(io.Discard, r.Body) // until c is closed
			_ = r.Body.Close()
		}()
		time.Sleep(5 * (readWait + writeWait))
		select {
		case <-ended:
			t.Error("it has ended")
		default:
		}
		_ = c.Close()
		<-ended
	})
}

// half is a memory that fails in the middle of a recording.
type half struct{}

func (half) Kept() (from, to time.Duration) { return 0, time.Minute }
func (half) Extension() string              { return ".flac" }
func (half) Write(w io.Writer, _, _ time.Duration) error {
	_, err := io.WriteString(w, "fLaC")
	return errors.Join(err, errors.New("no more"))
}

// TestHalfDownload: what fails in the middle is broken off, so that nobody takes
// a piece for the whole.
func TestHalfDownload(t *testing.T) {
	b := siege(t)
	b.shop.Load().Tape = half{}
	r := httptest.NewRequest(http.MethodGet, "http://localhost/signals/last", nil)
	r.RemoteAddr = "127.0.0.1:4000"
	w := httptest.NewRecorder()
	defer func() {
		if got := recover(); got != http.ErrAbortHandler { //nolint:errorlint // it is this very value
			t.Errorf("%v: %d %s", got, w.Code, w.Body)
		}
	}()
	b.ServeHTTP(w, r)
}

// TestPaceRoom: whoever comes from ever new addresses takes no more memory, and
// keeps nobody else out.
func TestPaceRoom(t *testing.T) {
	p := newPace(time.Hour, 1)
	from := netip.MustParseAddr("10.0.0.1")
	for i := range mostSources + 10 {
		if d := p.wait(from); d > 0 {
			t.Fatalf("address %d waits %v", i, d)
		}
		from = from.Next()
	}
	if len(p.all) > mostSources {
		t.Errorf("%d addresses are told apart", len(p.all))
	}
}
