// Package socket carries the seam to other commands on the same computer: a local
// stream socket beside the rig's lock, one JSON object a line. A request is one line
// and gets one line, or a stream of lines until the client goes.
//
// A client that does not read or write is cut off; it never delays the daemon.
// What a request may do is for the door to say: this package only says who asks, by
// the kernel's word (SO_PEERCRED).
package socket

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/sensor"
)

// Version is that of the lines. A daemon refuses another one.
const Version = 2

// maxRequest bounds a request's line: a shop file of 64 machines has 30 kB.
const maxRequest = 256 << 10

// Name is the socket's file in the runtime folder.
const Name = "control.sock"

// Request is a client's question: a method of seam.Shop, and its argument.
type Request struct {
	Version int             `json:"v"`
	Do      string          `json:"do"`
	Want    *seam.Want      `json:"want,omitempty"`
	Ask     *seam.Request   `json:"ask,omitempty"`
	File    *seam.File      `json:"file,omitempty"`
	Adopt   *seam.Adoption  `json:"adopt,omitempty"`
	Ticket  uint64          `json:"ticket,omitempty"`
	Bench   *seam.BenchWish `json:"bench,omitempty"`
	Lease   time.Duration   `json:"lease,omitempty"`
	Word    *seam.Word      `json:"word,omitempty"`
	Duct    string          `json:"duct,omitempty"`
	Span    *seam.Span      `json:"span,omitempty"`
}

// What a Request may do.
const (
	doHello  = "hello"
	doState  = "state"
	doFollow = "follow" // streams items
	doAsk    = "ask"
	doCheck  = "check"
	doAdopt  = "adopt"
	doAwait  = "await"
	doReload = "reload"
	doBench  = "bench"
	doListen = "listen"
	doTell   = "tell"
	doClear  = "cleared"
	doLast   = "last" // streams items; the last line has End
)

// Answer is one line of the daemon's.
type Answer struct {
	Version int           `json:"v"`
	Error   string        `json:"error,omitempty"`   // why not, in words; then nothing else is set but NoShop
	NoShop  bool          `json:"no_shop,omitempty"` // because none is taken up
	Refused *seam.Refused `json:"refused,omitempty"` // it goes against what must hold
	Hello   *seam.Hello   `json:"hello,omitempty"`
	State   *seam.State   `json:"state,omitempty"`
	Done    *seam.Answer  `json:"done,omitempty"`
	Checked *seam.Checked `json:"checked,omitempty"`
	Ticket  *seam.Ticket  `json:"ticket,omitempty"`
	Bench   *seam.Bench   `json:"bench,omitempty"`
	Item    *seam.Item    `json:"item,omitempty"`
	End     bool          `json:"end,omitempty"` // of a stream: it is complete
}

// ParseRequest reads a request's line. It refuses what it does not know, so
// that an older daemon never does half of what a newer client means.
func ParseRequest(line []byte) (Request, error) {
	var r Request
	d := json.NewDecoder(bytes.NewReader(line))
	d.DisallowUnknownFields()
	if err := d.Decode(&r); err != nil {
		return Request{}, fmt.Errorf("not a request: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return Request{}, errors.New("not a request: more than one JSON value on the line")
	}
	if r.Version != Version {
		return Request{}, fmt.Errorf("the request is of version %d, this daemon speaks version %d: use the kerfwind that it runs", r.Version, Version)
	}
	if err := r.check(); err != nil {
		return Request{}, err
	}
	return r, nil
}

// check says what is wrong with a request.
func (r *Request) check() error {
	// What each request takes, and whether this one has it.
	has := map[string]bool{
		doFollow: r.Want != nil, doAsk: r.Ask != nil, doCheck: r.File != nil, doAdopt: r.Adopt != nil, doAwait: r.Ticket != 0,
		doBench: r.Bench != nil, doListen: r.Lease != 0, doTell: r.Word != nil, doClear: r.Duct != "", doLast: r.Span != nil,
	}
	for do, is := range has {
		if is && do != r.Do {
			return fmt.Errorf("%q does not take what %q does", r.Do, do)
		}
	}
	switch r.Do {
	case doHello, doState, doReload:
		return nil
	case doFollow, doAsk, doCheck, doAdopt, doAwait, doBench, doListen, doTell, doClear, doLast:
		if !has[r.Do] {
			return fmt.Errorf("%q needs its argument", r.Do)
		}
	default:
		return fmt.Errorf("cannot do %q: ask for hello, state, follow, ask, check, adopt, await, reload, bench, listen, tell, cleared or last", r.Do)
	}
	switch {
	case r.Want != nil && (r.Want.Source < -1 || !r.Want.Frames && r.Want.Source != 0):
		return errors.New("\"source\" is the number of a converter, from 0, or -1 for all, and goes with \"frames\"")
	case r.Ask != nil:
		return r.Ask.Check()
	case r.Bench != nil && r.Bench.For < 0, r.Lease < 0, r.Word != nil && r.Word.Lease < 0:
		return errors.New("a lease is not negative")
	case r.Word != nil && (r.Word.Verdict < sensor.Unknown || r.Word.Verdict > sensor.Running):
		return errors.New("a sensor says unknown (1), idle (2) or running (3)")
	case r.Span != nil && (r.Span.From < 0 || r.Span.To < r.Span.From):
		return errors.New("a span is from an instant to a later one")
	}
	return nil
}
