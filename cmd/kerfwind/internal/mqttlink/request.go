package mqttlink

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"sync"
	"time"

	"kerfwind/control"
)

// request holds what somebody asks for, on the topic ask.
type request struct {
	Ask  string   `json:"ask"`            // hold, release, stand-down, bin-emptied
	Gate string   `json:"gate,omitempty"` // of hold and release: its name, or its name in topics
	For  float64  `json:"for,omitempty"`  // of hold: seconds; 0: the longest allowed
	At   *float64 `json:"at,omitempty"`   // when it was sent, seconds since 1970
	ID   string   `json:"id,omitempty"`   // comes back in the answer
}

// answer goes to the topic answer.
type answer struct {
	ID     string `json:"id,omitempty"`
	Ask    string `json:"ask,omitempty"`
	Gate   string `json:"gate,omitempty"`
	Answer string `json:"answer"` // taken, then done or refused; or refused or failed at once
	Why    string `json:"why,omitempty"`
}

// Limits of requests, our own choice.
const (
	maxRequest = 1024             // bytes
	maxText    = 100              // bytes of a name or an id
	maxAge     = 10 * time.Second // of one that says when it was sent, and what a clock may differ
	askExpires = 5 * time.Second  // to reach the loop
	askBurst   = 10               // at once
	askEvery   = time.Second      // and one more each
)

// parseRequest reads a request strictly.
func parseRequest(payload []byte) (request, error) {
	var r request
	if len(payload) > maxRequest {
		return r, fmt.Errorf("longer than %d bytes", maxRequest)
	}
	d := json.NewDecoder(bytes.NewReader(payload))
	d.DisallowUnknownFields()
	if err := d.Decode(&r); err != nil {
		return request{}, fmt.Errorf(`not a request like {"ask":"hold","gate":"NAME","for":300}: %w`, err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return request{}, errors.New("more than one JSON object")
	}
	switch {
	case len(r.ID) > maxText || len(r.Gate) > maxText || len(r.Ask) > maxText:
		return request{}, fmt.Errorf("a text is longer than %d bytes", maxText)
	case r.For < 0 || r.For > 86400:
		return r, errors.New(`"for" must be seconds, a day at most`)
	case r.At != nil && math.Abs(*r.At) > 1e11:
		return r, errors.New(`"at" must be seconds since 1970`)
	}
	return r, nil
}

// bucket limits how often requests are listened to.
type bucket struct {
	mu         sync.Mutex
	room, left int
	at         time.Duration // when left last grew
	told       time.Duration // when it was last said that they come too often
	ever       bool
}

// take takes one, if there is one.
func (b *bucket) take(now time.Duration) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if n := int((now - b.at) / askEvery); n > 0 {
		b.left = min(b.room, b.left+n)
		b.at += time.Duration(n) * askEvery
	}
	if b.left == 0 {
		return false
	}
	b.left--
	return true
}

// tell reports whether to say so now: once a while.
func (b *bucket) tell(now time.Duration) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.ever && now-b.told < askEvery {
		return false
	}
	b.told, b.ever = now, true
	return true
}

// handle carries a request out as far as a topic may, and returns the answer;
// ok is false where there is none to give.
func (l *Link) handle(v *plain, m received) (a answer, ok bool) {
	r, err := parseRequest(m.payload)
	a = answer{ID: r.ID, Ask: r.Ask, Gate: r.Gate, Answer: "refused"}
	// Standing down is the safe side: it is not counted.
	if r.Ask != "stand-down" && !l.asks.take(m.at) {
		a.Why = "too often"
		return a, l.asks.tell(m.at)
	}
	switch {
	case m.retained:
		a.Why = "retained, so it would come again at every start: send it without the retain flag, and clear the topic"
	case err != nil:
		a.Why = err.Error()
	case r.Ask == "stand-down" && l.o.Keep != nil:
		return l.standDown(v, a)
	default:
		if err := l.carryOut(v, r, m.at); err != nil {
			a.Why = err.Error()
		} else {
			a.Answer = "taken"
			if r.Ask == "bin-emptied" {
				a.Answer = "done"
			}
		}
	}
	if i := v.gate(r.Gate); i >= 0 && a.Answer == "refused" {
		v.refused.put(i, a.Why)
	}
	return a, true
}

// gate is the number of a gate by its name, or its name in topics; -1: there is none.
func (v *plain) gate(name string) int {
	i := slices.Index(v.l.o.Names.Gates, name)
	if i < 0 {
		i = slices.Index(v.gates, name)
	}
	return i
}

// refusals are why the last request about each gate was refused.
type refusals struct {
	mu   sync.Mutex
	list map[int]string
}

func (r *refusals) put(gate int, why string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.list == nil {
		r.list = map[int]string{}
	}
	r.list[gate] = why
}

func (r *refusals) of(gate int) string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.list[gate]
}

// standDowns is how many may wait for the disk at once: each asks for the same.
const standDowns = 8

// standDown asks to stand down, and answers once that would outlast a power
// cut. The connection does not wait for it.
func (l *Link) standDown(v *plain, a answer) (answer, bool) {
	select {
	case l.standing <- struct{}{}:
	default:
		a.Why = "already asked: wait for the answer"
		return a, true
	}
	l.done.Go(func() {
		guard(l.o.Guard, func() {
			defer func() { <-l.standing }()
			a.Answer = "taken"
			if err := l.o.Keep(l.ctx, control.InAsk(control.AskStandDown, control.Topic, control.NoID)); err != nil {
				a.Answer, a.Why = "failed", err.Error()
			}
			v.later(a)
		})
	})
	return answer{}, false
}

// carryOut passes a request on. What the state machine makes of it is answered later.
func (l *Link) carryOut(v *plain, r request, at time.Duration) error {
	if err := l.fresh(r); err != nil && r.Ask != "stand-down" && r.Ask != "release" { // these are never too late
		return err
	}
	in := control.Input{Kind: control.Ask, Origin: control.Topic, ID: control.NoID, Expires: at + askExpires}
	switch r.Ask {
	case "hold", "release":
		i := v.gate(r.Gate)
		if i < 0 {
			return fmt.Errorf("no gate %q", r.Gate)
		}
		in.ID, in.State = control.ID(i), uint8(control.AskRelease)
		if r.Ask == "hold" {
			in.State, in.For = uint8(control.AskHold), time.Duration(r.For*float64(time.Second))
		}
	case "stand-down":
		in.State, in.Expires = uint8(control.AskStandDown), 0
	case "bin-emptied":
		if l.o.Emptied == nil {
			return errors.New("nothing counts the bin here")
		}
		return l.o.Emptied()
	case "lift", "reset", "aside", "return", "test-open", "test-shut":
		return errors.New("only at the shop")
	default:
		return fmt.Errorf("ask for hold, release, stand-down or bin-emptied, not for %q", r.Ask)
	}
	if !l.o.Ask(in, func(err error) { v.outcome(r, in.ID, err) }) {
		return errors.New("too busy: ask again")
	}
	return nil
}

// outcome answers what has become of a request that was taken.
func (v *plain) outcome(r request, gate control.ID, err error) {
	a := answer{ID: r.ID, Ask: r.Ask, Gate: r.Gate, Answer: "done"}
	if err != nil {
		a.Answer, a.Why = "refused", err.Error()
	}
	if gate != control.NoID {
		v.refused.put(int(gate), a.Why)
	}
	v.later(a)
}

// fresh checks when a request was sent, where it says so.
func (l *Link) fresh(r request) error {
	if r.At == nil {
		return nil
	}
	now, ok := l.o.Clock()
	if !ok {
		return errors.New(`the clock here is not set, so its age is unknown: leave out "at"`)
	}
	age := now.Sub(time.UnixMilli(int64(*r.At * 1000)))
	if age > maxAge || age < -maxAge {
		return fmt.Errorf("stale: it was sent %.0f s ago", age.Seconds())
	}
	return nil
}
