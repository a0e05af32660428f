// Package seamtest is a fake of a running shop, so that whatever uses the
// seam is tested alone.
package seamtest

import (
	"context"
	"fmt"
	"io"
	"reflect"
	"sync"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
)

// Fake is a shop that answers as it was told to. A call without such an answer,
// and one that does not come, fail the test.
type Fake struct {
	t testing.TB

	mu        sync.Mutex
	hello     seam.Hello
	state     seam.State
	will      []call
	followers map[*stream]struct{}
	last      []seam.Item
	tells     []seam.Item
}

// call is one that is to come, and what it is answered.
type call struct {
	method string
	arg    any
	result any
	err    error
}

var _ seam.Shop = (*Fake)(nil)

// New returns a fake shop. At the end of the test it reports every call that did
// not come and every stream that was not closed.
func New(t testing.TB) *Fake {
	f := &Fake{t: t, followers: map[*stream]struct{}{}}
	t.Cleanup(func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		for _, c := range f.will {
			t.Errorf("%s(%+v) was not called", c.method, c.arg)
		}
		if n := len(f.followers); n > 0 {
			t.Errorf("%d streams were not closed", n)
		}
	})
	return f
}

// Now sets what Hello and State answer from here on.
func (f *Fake) Now(h seam.Hello, s seam.State) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.hello, f.state = h, s
}

// Keeps sets what Last gives.
func (f *Fake) Keeps(items ...seam.Item) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.last = items
}

// Tells sets what whoever follows is told; then the stream ends, as that of a daemon
// that goes away.
func (f *Fake) Tells(items ...seam.Item) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.tells = items
}

// Will says that a method is to be called with an argument, and what it answers.
// Calls of one method come in the order of Will; a request's ID may be any.
func (f *Fake) Will(method string, arg, result any, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.will = append(f.will, call{method, arg, result, err})
}

// Done reports whether every call has come.
func (f *Fake) Done() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.will) == 0
}

// Send gives an item to whoever follows and wants its kind.
func (f *Fake) Send(items ...seam.Item) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for s := range f.followers {
		for _, x := range items {
			if s.want.Takes(&x) {
				s.items <- x
			}
		}
	}
}

// End ends every stream, as a daemon that goes away does.
func (f *Fake) End() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for s := range f.followers {
		close(s.items)
	}
	clear(f.followers)
}

// Followers is how many streams are open.
func (f *Fake) Followers() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.followers)
}

// take answers a call.
func take[R any](f *Fake, method string, arg any) (r R, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i, c := range f.will {
		if c.method != method {
			continue
		}
		f.will = append(f.will[:i:i], f.will[i+1:]...)
		if !reflect.DeepEqual(c.arg, arg) {
			f.t.Errorf("%s(%+v), expected %+v", method, arg, c.arg)
		}
		if c.result != nil {
			var ok bool
			if r, ok = c.result.(R); !ok {
				f.t.Errorf("%s answers %T, which is not its kind", method, c.result)
			}
		}
		return r, c.err
	}
	f.t.Errorf("%s(%+v) was not expected", method, arg)
	return r, fmt.Errorf("%s was not expected", method)
}

// Hello answers what Now was given.
func (f *Fake) Hello(context.Context) (seam.Hello, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.hello, nil
}

// State answers what Now was given.
func (f *Fake) State(context.Context) (seam.State, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.state, nil
}

// Ask answers what Will was given, with the request's ID.
func (f *Fake) Ask(_ context.Context, r seam.Request) (seam.Answer, error) {
	id := r.ID
	r.ID = 0
	a, err := take[seam.Answer](f, "Ask", r)
	a.ID = id
	return a, err
}

// Check answers what Will was given.
func (f *Fake) Check(_ context.Context, x seam.File) (seam.Checked, error) {
	return take[seam.Checked](f, "Check", x)
}

// Adopt answers what Will was given.
func (f *Fake) Adopt(_ context.Context, a seam.Adoption) (seam.Ticket, error) {
	return take[seam.Ticket](f, "Adopt", a)
}

// Await answers what Will was given.
func (f *Fake) Await(_ context.Context, id uint64) (seam.Ticket, error) {
	return take[seam.Ticket](f, "Await", id)
}

// Reload answers what Will was given.
func (f *Fake) Reload(context.Context) (seam.Ticket, error) {
	return take[seam.Ticket](f, "Reload", nil)
}

// Bench answers what Will was given.
func (f *Fake) Bench(_ context.Context, w seam.BenchWish) (seam.Bench, error) {
	return take[seam.Bench](f, "Bench", w)
}

// Cleared answers what Will was given.
func (f *Fake) Cleared(_ context.Context, duct string) error {
	_, err := take[struct{}](f, "Cleared", duct)
	return err
}

// Listen answers what Will was given.
func (f *Fake) Listen(_ context.Context, lease time.Duration) error {
	_, err := take[struct{}](f, "Listen", lease)
	return err
}

// Tell answers what Will was given.
func (f *Fake) Tell(_ context.Context, w seam.Word) error {
	_, err := take[struct{}](f, "Tell", w)
	return err
}

// Follow begins a stream of what is sent from here on.
func (f *Fake) Follow(_ context.Context, w seam.Want) (seam.Stream, error) {
	s := &stream{want: w, items: make(chan seam.Item, 1024), closed: make(chan struct{})}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.tells != nil {
		var list []seam.Item
		for _, x := range f.tells {
			if w.Takes(&x) {
				list = append(list, x)
			}
		}
		return full(list), nil
	}
	f.followers[s] = struct{}{}
	s.end = func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		delete(f.followers, s)
	}
	return s, nil
}

// Last gives what Keeps was given.
func (f *Fake) Last(context.Context, seam.Span) (seam.Stream, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return full(f.last), nil
}

// full is a stream of some items.
func full(items []seam.Item) *stream {
	s := &stream{items: make(chan seam.Item, len(items)), closed: make(chan struct{})}
	for _, x := range items {
		s.items <- x
	}
	close(s.items)
	return s
}

// stream holds what a follower reads.
type stream struct {
	want   seam.Want
	items  chan seam.Item
	closed chan struct{}
	once   sync.Once
	end    func()
}

// Next waits for the next item.
func (s *stream) Next(ctx context.Context) (seam.Item, error) {
	select {
	case x, ok := <-s.items:
		if !ok {
			return x, io.EOF
		}
		return x, nil
	case <-s.closed:
		return seam.Item{}, io.EOF
	case <-ctx.Done():
		return seam.Item{}, ctx.Err()
	}
}

// Close ends the stream.
func (s *stream) Close() error {
	s.once.Do(func() {
		close(s.closed)
		if s.end != nil {
			s.end()
		}
	})
	return nil
}
