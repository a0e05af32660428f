package panel

import (
	"context"
	"net/http"
	"net/http/httptest"
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
		b.set(Look) // a password anew ends every session
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
