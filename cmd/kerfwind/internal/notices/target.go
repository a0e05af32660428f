package notices

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/url"
	"time"

	"kerfwind/config"
)

// target is one address.
type target struct {
	s      *Sender
	notice config.Notice
	queue  chan queuedMessage
}

// put queues a message; where the queue is full the oldest makes room.
func (t *target) put(m *Message) {
	q := queuedMessage{m, time.Now()}
	for {
		select {
		case t.queue <- q:
			return
		default:
		}
		select {
		case <-t.queue:
			t.s.dropped.Add(1)
		default: // the other end took one meanwhile
		}
	}
}

// run sends one message after the other.
func (t *target) run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			t.s.dropped.Add(int64(len(t.queue)))
			return
		case q := <-t.queue:
			if !t.deliver(ctx, q) {
				t.s.dropped.Add(1)
			}
		}
	}
}

// deliver tries until the message has arrived, is refused, or is stale.
func (t *target) deliver(ctx context.Context, q queuedMessage) bool {
	data, err := json.Marshal(q.m)
	if err != nil { // a float that is no number
		t.s.log("notice %s: %v", t.notice.Name, err)
		return false
	}
	wait := first
	for tries := 1; ; tries++ {
		err := t.try(ctx, data)
		var no *refused
		switch {
		case err == nil && tries > 1:
			t.s.log("notice %s: delivered at try %d", t.notice.Name, tries)
			return true
		case err == nil:
			return true
		case ctx.Err() != nil:
			return false
		case errors.As(err, &no):
			t.s.log("notice %s: %v; given up", t.notice.Name, err)
			return false
		case time.Since(q.at)+wait > stale:
			t.s.log("notice %s: %v; given up after %d tries", t.notice.Name, err, tries)
			return false
		case tries == 1:
			t.s.log("notice %s: %v; kerfwind tries again", t.notice.Name, err)
		}
		// Half to whole, so that many senders do not come back all at once.
		timer := time.NewTimer(wait/2 + rand.N(wait/2))
		select {
		case <-ctx.Done():
			timer.Stop()
			return false
		case <-timer.C:
		}
		wait = min(2*wait, longest)
	}
}

// refused is an answer that another try would not change.
type refused struct{ code int }

func (r *refused) Error() string {
	return fmt.Sprintf("the server answers %d %s", r.code, http.StatusText(r.code))
}

// try posts once. Its errors hold nothing of the address but the host.
func (t *target) try(ctx context.Context, data []byte) error {
	ctx, cancel := context.WithTimeout(ctx, attempt)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, t.notice.URL, bytes.NewReader(data))
	if err != nil {
		return errors.New("its url is not a web address") // err quotes it
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "kerfwind")
	client := http.Client{
		Transport: t.s.o.Transport,
		// A notice goes where its owner wrote it should, and nowhere else.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	resp, err := client.Do(req)
	if err != nil {
		var ue *url.Error
		if errors.As(err, &ue) {
			err = ue.Err // without the address
		}
		if ctx.Err() != nil {
			return fmt.Errorf("no answer within %v", attempt)
		}
		return err
	}
	_, _ = io.CopyN(io.Discard, resp.Body, body) // what it says is no matter
	_ = resp.Body.Close()                        // nor how it ends
	switch c := resp.StatusCode; {
	case c >= 200 && c < 300:
		return nil
	case c >= 500, c == http.StatusRequestTimeout, c == http.StatusTooManyRequests, c == http.StatusTooEarly:
		return fmt.Errorf("the server answers %d %s", c, http.StatusText(c))
	default:
		return &refused{c}
	}
}
