// Package socket is how commands on the same computer speak with the daemon: a
// local stream socket beside the rig's lock, one JSON object a line. A request
// is one line and gets one line, or a stream of lines until the client goes.
//
// A client that does not read or write is cut off; it never delays the daemon.
// What a request may do is decided where it is carried out; this package only
// says who asks, by the kernel's word (SO_PEERCRED).
package socket

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"kerfwind/control"
)

// Version is that of the lines. A daemon refuses another one.
const Version = 1

// maxRequest bounds a request's line.
const maxRequest = 4 << 10

// Name is the socket's file in the runtime folder.
const Name = "control.sock"

// Request is what a client asks.
type Request struct {
	Version int    `json:"v"`
	Do      string `json:"do"` // "status", "ask", "use", "reload", "events", "readings", "frames" or "last"

	// Of "ask".
	Ask  string  `json:"ask,omitempty"`  // name of a control.AskKind
	Gate string  `json:"gate,omitempty"` // by name
	For  float64 `json:"for,omitempty"`  // seconds; 0 takes the longest allowed

	// Of "use": a shop file, absolute or counted from the state folder; "" is the
	// one that the daemon was started with.
	Shop string `json:"shop,omitempty"`

	// Of "frames": number of the converter.
	Source int `json:"source,omitempty"`

	// Of "last": the newest so many seconds; 0 takes all that there is.
	Last float64 `json:"last,omitempty"`
}

// What a Request may do.
const (
	DoStatus   = "status"   // answered by an Answer with Status
	DoAsk      = "ask"      // answered by an Answer
	DoUse      = "use"      // answered by an Answer with Waits
	DoReload   = "reload"   // answered by an Answer; files that cannot be used are told of by the daemon
	DoEvents   = "events"   // streams Answers with Event
	DoReadings = "readings" // streams Answers with Reading
	DoFrames   = "frames"   // streams Answers with Frame
	DoLast     = "last"     // streams Answers with Frame of what is in memory, all channels of the rig in each; the last Answer has End
)

// Answer is one line of the daemon's.
type Answer struct {
	Version int             `json:"v"`
	Error   string          `json:"error,omitempty"`   // why not, in words; then nothing else is set
	Refused string          `json:"refused,omitempty"` // the request stands against what must hold: why, in words
	Note    string          `json:"note,omitempty"`    // where what was done is less than was asked, in words
	Waits   bool            `json:"waits,omitempty"`   // it comes in force once the shop is at rest
	Status  *Status         `json:"status,omitempty"`
	Event   json.RawMessage `json:"event,omitempty"` // an event line
	Text    string          `json:"text,omitempty"`  // the event for people
	Reading *Reading        `json:"reading,omitempty"`
	Frame   *Frame          `json:"frame,omitempty"`
	End     bool            `json:"end,omitempty"`    // of "last": it is complete
	Missed  int             `json:"missed,omitempty"` // lines that were dropped before this one: the client is too slow
}

// Reading is a sensor.Reading.
type Reading struct {
	Channel string  `json:"channel"`
	T       float64 `json:"t"` // seconds of the stream
	Verdict string  `json:"verdict"`
	Amps    float32 `json:"amps"`
	Health  string  `json:"health"`
}

// Frame is a sensor.Frame.
type Frame struct {
	Source   int     `json:"source"`
	Channels int     `json:"channels"`
	Index    uint64  `json:"index"`
	At       int64   `json:"at"`            // nanoseconds of the stream
	Rate     float64 `json:"rate"`          // scans a second
	Raw      []byte  `json:"raw,omitempty"` // float32, little endian
	Error    string  `json:"error,omitempty"`
}

// maxSeconds bounds a request's length of time: more overflows nothing.
const maxSeconds = 1e6

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
	if r.Do != DoAsk && (r.Ask != "" || r.Gate != "" || r.For != 0) {
		return Request{}, fmt.Errorf("%q takes neither \"ask\" nor \"gate\" nor \"for\"", r.Do)
	}
	if r.Do != DoUse && r.Shop != "" {
		return Request{}, fmt.Errorf("%q takes no \"shop\"", r.Do)
	}
	if r.Do != DoFrames && r.Source != 0 {
		return Request{}, fmt.Errorf("%q takes no \"source\"", r.Do)
	}
	if r.Do != DoLast && r.Last != 0 {
		return Request{}, fmt.Errorf("%q takes no \"last\"", r.Do)
	}
	switch r.Do {
	case DoStatus, DoUse, DoReload, DoEvents, DoReadings:
	case DoLast:
		if !(r.Last >= 0 && r.Last <= maxSeconds) {
			return Request{}, fmt.Errorf("\"last\" is seconds from 0 to %g", maxSeconds)
		}
	case DoFrames:
		if r.Source < 0 {
			return Request{}, errors.New("\"source\" is the number of a converter, from 0")
		}
	case DoAsk:
		if kind(r.Ask) == 0 {
			return Request{}, fmt.Errorf("nobody can ask for %q", r.Ask)
		}
		if math.IsNaN(r.For) || r.For < 0 || r.For > maxSeconds {
			return Request{}, fmt.Errorf("\"for\" is seconds from 0 to %g", maxSeconds)
		}
		if takesGate(kind(r.Ask)) != (r.Gate != "") {
			return Request{}, fmt.Errorf("%q: a gate is wanted for hold, release, test-open and test-shut, and for nothing else", r.Ask)
		}
	default:
		return Request{}, fmt.Errorf("cannot do %q: status, ask, use, reload, events, readings, frames and last are what can be done", r.Do)
	}
	return r, nil
}

// kind is the request of a name, or 0.
func kind(name string) control.AskKind {
	for k := control.AskHold; k <= control.AskReset; k++ {
		if k.String() == name {
			return k
		}
	}
	return 0
}

// takesGate tells whether a request is about a gate.
func takesGate(k control.AskKind) bool {
	switch k {
	case control.AskHold, control.AskRelease, control.AskTestOpen, control.AskTestShut:
		return true
	default:
		return false
	}
}

// Input is what the request asks of the state machine. gate finds a gate by
// name. Who asks, and when it is too late, is for the caller to say.
func (r *Request) Input(gate func(string) (control.ID, bool)) (control.Input, error) {
	in := control.Input{Kind: control.Ask, State: uint8(kind(r.Ask)), ID: control.NoID, For: time.Duration(r.For * 1e9)}
	if r.Gate != "" {
		id, ok := gate(r.Gate)
		if !ok {
			return in, fmt.Errorf("the shop has no gate %q", r.Gate)
		}
		in.ID = id
	}
	return in, nil
}
