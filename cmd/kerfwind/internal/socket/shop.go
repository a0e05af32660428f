package socket

import (
	"context"
	"errors"
	"io"
	"os"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
)

// At is the running shop of a runtime folder. Each call is a conversation of its
// own; its error is ErrNobody where no daemon runs.
func At(folder string) seam.Shop { return shop{folder} }

// shop is a shop over the socket.
type shop struct{ folder string }

// do has one request answered.
func (s shop) do(ctx context.Context, r Request) (Answer, error) {
	c, err := Dial(s.folder)
	if err != nil {
		return Answer{}, err
	}
	defer func() { _ = c.Close() }() // the answer has come
	a, err := c.do(ctx, r)
	if ctx.Err() != nil {
		err = ctx.Err()
	}
	return a, err
}

var errEmpty = errors.New("the daemon's answer holds nothing: use the kerfwind that it runs")

// value holds the content of an answer.
func value[T any](x *T, err error) (T, error) {
	if x == nil {
		var none T
		if err == nil {
			err = errEmpty
		}
		return none, err
	}
	return *x, err
}

// Hello says who answers.
func (s shop) Hello(ctx context.Context) (seam.Hello, error) {
	a, err := s.do(ctx, Request{Do: doHello})
	return value(a.Hello, err)
}

// State is the state now.
func (s shop) State(ctx context.Context) (seam.State, error) {
	a, err := s.do(ctx, Request{Do: doState})
	return value(a.State, err)
}

// Ask carries a request out.
func (s shop) Ask(ctx context.Context, r seam.Request) (seam.Answer, error) {
	a, err := s.do(ctx, Request{Do: doAsk, Ask: &r})
	return value(a.Done, err)
}

// Check reads a shop file.
func (s shop) Check(ctx context.Context, f seam.File) (seam.Checked, error) {
	a, err := s.do(ctx, Request{Do: doCheck, File: &f})
	return value(a.Checked, err)
}

// Adopt chooses a shop file.
func (s shop) Adopt(ctx context.Context, x seam.Adoption) (seam.Ticket, error) {
	a, err := s.do(ctx, Request{Do: doAdopt, Adopt: &x})
	return value(a.Ticket, err)
}

// Await waits for a ticket: the daemon does so for some seconds at a time.
func (s shop) Await(ctx context.Context, id uint64) (t seam.Ticket, err error) {
	for {
		a, err := s.do(ctx, Request{Do: doAwait, Ticket: id})
		if t, err = value(a.Ticket, err); err != nil || t.Outcome != seam.Waits {
			return t, err
		}
	}
}

// Reload has the files read again.
func (s shop) Reload(ctx context.Context) (seam.Ticket, error) {
	a, err := s.do(ctx, Request{Do: doReload})
	return value(a.Ticket, err)
}

// Bench takes a bench, renews it or gives it back.
func (s shop) Bench(ctx context.Context, w seam.BenchWish) (seam.Bench, error) {
	a, err := s.do(ctx, Request{Do: doBench, Bench: &w})
	return value(a.Bench, err)
}

// Listen has every reading come.
func (s shop) Listen(ctx context.Context, lease time.Duration) error {
	_, err := s.do(ctx, Request{Do: doListen, Lease: lease})
	return err
}

// Tell says what a machine's sensor elsewhere reads.
func (s shop) Tell(ctx context.Context, w seam.Word) error {
	_, err := s.do(ctx, Request{Do: doTell, Word: &w})
	return err
}

// Cleared says that somebody has cleared a duct.
func (s shop) Cleared(ctx context.Context, duct string) error {
	_, err := s.do(ctx, Request{Do: doClear, Duct: duct})
	return err
}

// Follow tells what happens.
func (s shop) Follow(ctx context.Context, w seam.Want) (seam.Stream, error) {
	return s.stream(ctx, Request{Do: doFollow, Want: &w})
}

// Last gives the frames of the last minutes.
func (s shop) Last(ctx context.Context, p seam.Span) (seam.Stream, error) {
	return s.stream(ctx, Request{Do: doLast, Span: &p})
}

func (s shop) stream(ctx context.Context, r Request) (seam.Stream, error) {
	c, err := Dial(s.folder)
	if err != nil {
		return nil, err
	}
	stop := context.AfterFunc(ctx, func() { _ = c.Close() })
	defer stop()
	if err := c.start(r); err != nil {
		return nil, errors.Join(err, c.Close())
	}
	return &items{c}, nil
}

// items is a stream over the socket. One that breaks off does not pass for a whole
// one.
type items struct{ c *Client }

// Next waits for the next item.
func (s *items) Next(ctx context.Context) (seam.Item, error) {
	stop := context.AfterFunc(ctx, func() { _ = s.c.c.SetReadDeadline(time.Unix(1, 0)) }) // ends the wait
	defer stop()
	for {
		_ = s.c.c.SetReadDeadline(time.Time{}) // of a broken connection the reading tells
		if ctx.Err() != nil {
			return seam.Item{}, ctx.Err()
		}
		a, err := s.c.next()
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded): // of this wait, or of one before
		case errors.Is(err, io.EOF):
			return seam.Item{}, io.ErrUnexpectedEOF
		case err != nil:
			return seam.Item{}, err
		case a.End:
			return seam.Item{}, io.EOF
		case a.Item != nil:
			return *a.Item, nil
		}
	}
}

// Close ends the stream.
func (s *items) Close() error { return s.c.Close() }
