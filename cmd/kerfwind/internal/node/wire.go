// Package node ties several computers into one shop over an ordinary broker:
// nodes, which only sense and drive, and the one that decides. Both ends are
// here: Node is a node's whole program, Decider is the part of the deciding computer's
// loop sees of its nodes. The messages are described in deploy/TOPICS.md.
//
// No two computers share a clock, so a message carries ages, not times. Each end
// numbers its messages and says in each which number of the other it has heard
// last and how long ago. From that the other reckons how old the message can be
// at most: the whole way there and back since it sent that number, less the
// time it lay at the other end. What may be too old is not believed and not
// carried out.
//
// A session is one start of the deciding program with one start of a node. It
// begins with a plan: what each thing at the node is in the shop. Commands of
// another session are refused. When either program starts again the outputs are
// off, and the state machine is told so: gates are homed as after power-up.
package node

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// Times of our own choice. All but ttl are between messages, none is a
// deadline of control.
const (
	// beat is how often a node reports at the least. Each report is answered.
	beat = 500 * time.Millisecond
	// ttl is the greatest age of a command or a plan. Control waits that much longer
	// for the gates of nodes; a contactor and an outlet that it has given up are
	// told off after that.
	ttl = rig.Way
	// lease is how long a node sends every reading after an order that asks for
	// them, taping how long it gathers them.
	lease  = 3 * time.Second
	taping = 100 * time.Millisecond
)

// maxMessage bounds a message, in bytes: every list full is a third of it.
const maxMessage = 64 << 10

// maxList bounds each list in a message.
const maxList = 256

// head holds what every message begins with.
type head struct {
	Boot  string  `json:"boot"`            // of who sends; differs at every start
	Seq   uint64  `json:"seq"`             // rises by one from 1
	Heard uint64  `json:"heard,omitempty"` // number of the other's newest message; 0: none yet
	After seconds `json:"after,omitempty"` // since that came
}

// report holds what a node says: all that it senses, and what became of commands.
type report struct {
	head
	Session  string    `json:"session,omitempty"` // boot of whose plan is in force
	Rig      string    `json:"rig"`               // fingerprint of its rig file
	Why      string    `json:"why,omitempty"`     // why no plan is in force, or what is wrong
	Channels []channel `json:"channels,omitempty"`
	Facts    []fact    `json:"facts,omitempty"`
	News     []news    `json:"news,omitempty"`
	Tape     []taped   `json:"tape,omitempty"` // every reading since the last report, where that is asked for; in their order
}

// channel is the newest reading of a channel.
type channel struct {
	ID     int                  `json:"id"`
	Is     word[sensor.Verdict] `json:"is"`
	Health word[sensor.Health]  `json:"health"`
	Amps   float32              `json:"amps"`
	Since  seconds              `json:"since"` // age of the onset
	Other  float32              `json:"other_hz,omitempty"`
}

func (c *channel) valid() bool {
	return c.ID >= 0 && c.Is.v != 0 && c.Health.v != 0 && c.Amps >= 0 && c.Amps < 1e6 && c.Other >= 0 && c.Other < 1e3
}

// taped is a reading of before.
type taped struct {
	channel
	Ago seconds `json:"ago"`
}

// fact holds what contacts say together.
type fact struct {
	Of word[control.InputKind] `json:"of"`
	ID int                     `json:"id"`
	Is string                  `json:"is"` // a word of saidBy
}

// news holds what must arrive once. It is repeated until it has been heard.
type news struct {
	N     uint64                    `json:"n"`             // rises by one from 1 in a session
	Kind  newsKind                  `json:"news"`          // which of these it is
	Do    word[control.CommandKind] `json:"do,omitzero"`   // answer, lost: the command
	ID    int                       `json:"id"`            // of the gate, outlet or stop input
	Seq   uint32                    `json:"cmd,omitempty"` // answer: the command's number
	Why   string                    `json:"why,omitempty"` // answer: why it failed
	For   seconds                   `json:"for,omitempty"` // press: how long the gate is held
	first uint64                    // report in which it was first sent; 0: none yet
	at    time.Duration             // when it happened
}

// newsKind is the subject of news. The zero value is invalid.
type newsKind string

const (
	newsDone   newsKind = "done"   // a command was carried out
	newsFailed newsKind = "failed" // it could not be
	newsLost   newsKind = "lost"   // an output was switched off by the node itself
	newsPress  newsKind = "press"  // a button was pressed
	newsStop   newsKind = "stop"   // a stop input acted
)

// order holds what the deciding computer says.
type order struct {
	head
	To       string    `json:"to"` // boot of the node
	Plan     *plan     `json:"plan,omitempty"`
	Commands []command `json:"commands,omitempty"`
	Bye      bool      `json:"bye,omitempty"`   // it ends: outputs off
	Rest     bool      `json:"rest,omitempty"`  // the shop is at rest
	Every    bool      `json:"every,omitempty"` // every reading is wanted, for the next seconds
}

// command is one command.
type command struct {
	Seq uint32                    `json:"cmd"`
	Do  word[control.CommandKind] `json:"do"`
	ID  int                       `json:"id"`
}

// plan says what each thing at a node is in the shop.
type plan struct {
	Shop      string        `json:"shop,omitempty"`  // its name, for people
	Mains     float64       `json:"mains,omitempty"` // Hz; left out: find out
	Exact     bool          `json:"exact,omitempty"`
	Channels  []planChannel `json:"channels,omitempty"`
	Contacts  []planContact `json:"contacts,omitempty"`
	Gates     []planGate    `json:"gates,omitempty"`
	Outlets   []planOutlet  `json:"outlets,omitempty"`
	Contactor *planOutlet   `json:"contactor,omitempty"`
	Lost      seconds       `json:"lost"` // without an order for this long the deciding computer is lost
}

type planChannel struct {
	Name   string  `json:"name"` // as the node calls it
	ID     int     `json:"id"`
	Start  float64 `json:"start"` // A
	Stop   float64 `json:"stop"`  // A
	Hold   seconds `json:"hold,omitempty"`
	Mean   float64 `json:"mean,omitempty"`   // A, learned idle level
	Spread float64 `json:"spread,omitempty"` // A
}

type planContact struct {
	Name string  `json:"name"`
	ID   int     `json:"id"` // of the machine, gate or stop input
	Hold seconds `json:"hold,omitempty"`
}

type planGate struct {
	ID       int     `json:"id"`
	Actuator string  `json:"actuator"`
	Travel   seconds `json:"travel"`
	Reversed bool    `json:"reversed,omitempty"` // the actuator's open shuts it
}

type planOutlet struct {
	ID       int     `json:"id"`
	Actuator string  `json:"actuator"`
	Off      seconds `json:"off"` // on when the deciding computer is lost: off this long after that
}

// word is a value in JSON by its name.
type word[T interface {
	~uint8
	String() string
}] struct{ v T }

// MarshalText writes the name.
func (w word[T]) MarshalText() ([]byte, error) { return []byte(w.v.String()), nil }

// UnmarshalText finds the value of a name. The names begin at 1.
func (w *word[T]) UnmarshalText(b []byte) error {
	for v := T(1); v.String() != T(0).String(); v++ {
		if v.String() == string(b) {
			w.v = v
			return nil
		}
	}
	return fmt.Errorf("unknown word %q", b)
}

// saidBy are the words of what contacts say, by kind of input, from state 1.
var saidBy = map[control.InputKind][]string{
	control.MachineIs:   {"unknown", "idle", "running"},
	control.CollectorIs: {"unknown", "idle", "running"},
	control.GateIs:      {"unknown", "open", "shut", "between", "both"},
	control.SwitchIs:    {"auto", "hand", "off"},
	control.StopIs:      {"closed", "open", "broken"},
	control.BinIs:       {"unknown", "room", "full"},
}

// factOf words an input. ok is false where a node has no business to tell it.
func factOf(in control.Input) (f fact, ok bool) {
	words := saidBy[in.Kind]
	if in.State < 1 || int(in.State) > len(words) {
		return fact{}, false
	}
	return fact{word[control.InputKind]{in.Kind}, int(in.ID), words[in.State-1]}, true
}

// input is the input that a fact tells.
func (f *fact) input() (in control.Input, ok bool) {
	i := slices.Index(saidBy[f.Of.v], f.Is)
	if i < 0 || f.ID < 0 || f.ID >= int(control.NoID) {
		return in, false
	}
	return control.Input{Kind: f.Of.v, ID: control.ID(f.ID), State: uint8(i + 1)}, true
}

// seconds is a length of time in JSON: seconds.
type seconds time.Duration

// longest is the longest length of time in a message.
const longest = 48 * time.Hour

// MarshalJSON writes seconds to the microsecond.
func (s seconds) MarshalJSON() ([]byte, error) {
	return json.Marshal(math.Round(time.Duration(s).Seconds()*1e6) / 1e6)
}

// UnmarshalJSON reads seconds from 0 to two days.
func (s *seconds) UnmarshalJSON(b []byte) error {
	var x float64
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	if !(x >= 0 && x <= longest.Seconds()) {
		return fmt.Errorf("%v is not a length of time here: give seconds, two days at most", x)
	}
	*s = seconds(x * 1e9)
	return nil
}

// parse reads a message strictly, and checks what every message has.
func parse(payload []byte, into any, h *head) error {
	if len(payload) > maxMessage {
		return fmt.Errorf("longer than %d bytes", maxMessage)
	}
	d := json.NewDecoder(bytes.NewReader(payload))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return errors.New("more than one JSON object")
	}
	if h.Boot == "" || len(h.Boot) > 64 || h.Seq == 0 {
		return errors.New("no boot id, or no number")
	}
	return nil
}

// parseReport reads a report.
func parseReport(payload []byte) (*report, error) {
	var r report
	if err := parse(payload, &r, &r.head); err != nil {
		return nil, err
	}
	if len(r.Channels) > maxList || len(r.Facts) > maxList || len(r.News) > maxList || len(r.Tape) > maxList || len(r.Why) > 2000 || len(r.Rig) > 64 || len(r.Session) > 64 {
		return nil, errors.New("a list or a text is too long")
	}
	r.Why = config.OneLine(r.Why)
	for i := range r.Channels {
		if c := &r.Channels[i]; !c.valid() {
			return nil, fmt.Errorf("channel %d is invalid", c.ID)
		}
	}
	for i := range r.Tape {
		if x := &r.Tape[i]; !x.valid() || i > 0 && x.Ago > r.Tape[i-1].Ago {
			return nil, fmt.Errorf("reading %d of the tape is invalid", i)
		}
	}
	for _, f := range r.Facts {
		if _, ok := f.input(); !ok {
			return nil, fmt.Errorf("fact of %d is invalid", f.ID)
		}
	}
	for i := range r.News {
		n := &r.News[i]
		n.Why = config.OneLine(n.Why)
		if n.N == 0 || n.ID < 0 || n.ID >= int(control.NoID) || len(n.Why) > 2000 {
			return nil, fmt.Errorf("news %d is invalid", n.N)
		}
	}
	return &r, nil
}

// parseOrder reads an order.
func parseOrder(payload []byte) (*order, error) {
	var o order
	if err := parse(payload, &o, &o.head); err != nil {
		return nil, err
	}
	if len(o.Commands) > maxList {
		return nil, errors.New("a list is too long")
	}
	for _, c := range o.Commands {
		if c.ID < 0 || c.ID >= int(control.NoID) || c.Do.v == 0 {
			return nil, fmt.Errorf("command %d is invalid", c.Seq)
		}
	}
	if p := o.Plan; p != nil {
		if len(p.Channels) > maxList || len(p.Contacts) > maxList || len(p.Gates) > control.MaxGates || len(p.Outlets) > control.MaxOutlets {
			return nil, errors.New("a list of the plan is too long")
		}
		if len(p.Shop) > 1000 {
			return nil, errors.New("the name of the shop is too long")
		}
		for _, g := range p.Gates {
			if g.ID < 0 || g.ID >= control.MaxGates || g.Travel <= 0 {
				return nil, fmt.Errorf("gate %d of the plan is invalid", g.ID)
			}
		}
		for _, x := range p.Outlets {
			if x.ID < 0 || x.ID >= control.MaxOutlets {
				return nil, fmt.Errorf("outlet %d of the plan is invalid", x.ID)
			}
		}
		if p.Lost <= 0 {
			return nil, errors.New("the plan does not say when the deciding computer is lost")
		}
	}
	return &o, nil
}

// ages reckons how old messages of the other end can be. It belongs to one end;
// the caller locks.
type ages struct {
	boot  string // our own
	seq   uint64 // of the newest message sent
	sent  [1024]time.Duration
	heard uint64        // newest number of the other
	came  time.Duration // when that came
}

// next is the head of the next message, sent now.
func (a *ages) next(now time.Duration) head {
	a.seq++
	a.sent[a.seq%uint64(len(a.sent))] = now
	h := head{Boot: a.boot, Seq: a.seq}
	if a.heard > 0 {
		h.Heard, h.After = a.heard, seconds(now-a.came)
	}
	return h
}

// take notes a message that came at now, and tells how old it can be at most.
// ok is false where that cannot be told: it has heard nothing of us yet, or
// nothing recent.
func (a *ages) take(h *head, now time.Duration) (oldest time.Duration, ok bool) {
	a.heard, a.came = h.Seq, now
	return a.oldest(h, now)
}

// oldest tells how old a message that came at now can be at most.
func (a *ages) oldest(h *head, now time.Duration) (oldest time.Duration, ok bool) {
	if h.Heard == 0 || h.Heard > a.seq || a.seq-h.Heard >= uint64(len(a.sent)) {
		return 0, false
	}
	return max(now-a.sent[h.Heard%uint64(len(a.sent))]-time.Duration(h.After), 0), true
}

// forget starts with another program at the other end.
func (a *ages) forget() { a.heard, a.came = 0, 0 }

// post carries messages: a *mqttlink.Exchange.
type post interface {
	Send(topic string, payload []byte) bool
	Connected() bool
	Close()
}

// dial opens a post. Tests have their own.
type dial func(mqttlink.ExchangeOptions) post

func dialBroker(o mqttlink.ExchangeOptions) post { return mqttlink.NewExchange(o) }

// topics of a node.
func reportTopic(base, name string) string { return base + "/node/" + name + "/report" }
func orderTopic(base, name string) string  { return base + "/node/" + name + "/order" }
func statusTopic(base, name string) string { return base + "/node/" + name + "/status" }

// Fingerprint tells one rig from another: two copies of a file have the same.
// Comments and what is said of the broker do not count.
func Fingerprint(r *config.Rig) string {
	own := r.Own()
	sum := sha256.Sum256(fmt.Appendf(nil, "%+v %+v %+v %+v %+v", own.ADCs, own.Channels, own.Contacts, own.Actuators, own.ServoChips))
	return hex.EncodeToString(sum[:8])
}
