// Package seam is the one interface, of values alone, between the shop that runs and
// everybody who looks on or asks. In one process it is called directly; the
// socket carries the same values. So whoever uses it holds no part of the running
// shop, cannot delay it, and could be another program.
//
// Who asks is not for the asker to say: the daemon hands out a Shop for each door
// (the computer's own console, this computer, the page, a topic), and the door
// decides what may be asked through it.
package seam

import (
	"context"
	"errors"
	"fmt"
	"time"

	"kerfwind/control"
	"kerfwind/sensor"
)

// Shop is the running shop, seen through one door. Its methods may be called from
// any goroutine. What they return belongs to the caller or never changes again.
type Shop interface {
	// Hello says who answers. It never waits.
	Hello(context.Context) (Hello, error)

	// State is the state now.
	State(context.Context) (State, error)

	// Follow tells what happens from a sequence number on.
	Follow(context.Context, Want) (Stream, error)

	// Ask carries a request out and returns once it has taken effect; a stand-down,
	// a reset, an aside, or the end of one, would outlast a power cut by then. The error is a *Refused if the
	// request goes against what must hold. The answer carries the request's ID.
	Ask(context.Context, Request) (Answer, error)

	// Check reads a shop file against the rig and changes nothing.
	Check(context.Context, File) (Checked, error)

	// Adopt chooses a shop file for now and for later starts. It takes effect at
	// rest; the ticket says what it waits for.
	Adopt(context.Context, Adoption) (Ticket, error)

	// Await waits until a ticket has taken effect or failed, or ctx is done, and
	// returns it as it is then.
	Await(context.Context, uint64) (Ticket, error)

	// Reload reads the shop file in force and the rig file again, as Adopt does.
	Reload(context.Context) (Ticket, error)

	// Bench takes a shop for a person's tests, in place of the one in force, renews
	// it, or gives it back. Nobody's machines are served meanwhile.
	Bench(context.Context, BenchWish) (Bench, error)

	// Listen has every reading come, also those of other computers, until the lease
	// ends: only changes and the newest now and then come else.
	Listen(ctx context.Context, lease time.Duration) error

	// Tell says what a machine's sensor elsewhere reads. It is believed for its
	// lease, then the sensor is unknown.
	Tell(context.Context, Word) error

	// Cleared says that somebody has cleared a duct of chips by hand.
	Cleared(ctx context.Context, duct string) error

	// Last gives frames of the last minutes, with a sample of each channel of the
	// rig in a scan. The stream ends with io.EOF.
	Last(context.Context, Span) (Stream, error)
}

// Stream gives one thing after the other. It belongs to one goroutine, but for
// Close, which ends Next.
type Stream interface {
	// Next waits for the next item. The error is io.EOF after the last.
	Next(context.Context) (Item, error)
	Close() error
}

// ErrNoShop says that no shop is taken up: one is left, and the next comes.
var ErrNoShop = errors.New("no shop is taken up just now: try again")

// ErrDoor says that something cannot be asked through this door.
var ErrDoor = errors.New("root or the user of the daemon does this, on this computer")

// Door is how a request came in.
type Door uint8

// The doors.
const (
	Console Door = iota + 1 // root or the user of the daemon, at the computer
	Local                   // somebody else on this computer
	Page                    // the page
	Topic                   // a broker's message
)

// Origin is control's name for the door.
func (d Door) Origin() control.Origin {
	switch d {
	case Console, Local:
		return control.Console
	case Page:
		return control.Page
	case Topic:
		return control.Topic
	}
	return 0 // refused
}

// Hello is who answers.
type Hello struct {
	Program   string `json:"program"` // version
	PID       int    `json:"pid"`
	Unit      string `json:"unit"` // what the rig file calls this computer's rig
	Boot      string `json:"boot"` // of this run of the program: revisions and sequence numbers count within it
	Simulated bool   `json:"simulated"`
	Clock     Clock  `json:"clock"`
}

// Clock is the time.
type Clock struct {
	Now     time.Duration `json:"now"`   // of the stream; 0 while no shop is taken up
	Speed   float64       `json:"speed"` // seconds of the stream in a second
	Wall    time.Time     `json:"wall"`
	Trusted bool          `json:"trusted"` // Wall is
}

// State is the state of the shop and of the program around it.
type State struct {
	NoShop   bool             `json:"no_shop,omitempty"` // none is taken up just now: of the rest, Shop, Snapshot.StoodDown and Snapshot.Latched hold
	Shop     InForce          `json:"shop"`
	Seq      uint64           `json:"seq"`      // of the newest event
	Now      time.Duration    `json:"now"`      // of the stream
	Ready    bool             `json:"ready"`    // outputs are safe and the converters speak
	Rested   bool             `json:"rested"`   // nothing runs, moves, is held or on, as far as is known
	Begun    bool             `json:"begun"`    // Snapshot holds something
	Snapshot control.Snapshot `json:"snapshot"` // as of the newest event, at most a second old
	Names    Names            `json:"names"`
	Channels []string         `json:"channels,omitempty"` // of the rig, by name
	Page     string           `json:"page,omitempty"`     // its address
	Parts    []Part           `json:"parts,omitempty"`
	Nodes    []Part           `json:"nodes,omitempty"`   // other computers of the shop
	Missing  []Missing        `json:"missing,omitempty"` // parts of this computer's rig that cannot be reached
	Memory   Span             `json:"memory"`            // what Last can give
	Sources  int              `json:"sources"`           // converters of this computer
	Mains    Mains            `json:"mains"`
	Hears    []string         `json:"hears,omitempty"` // which channels hear each other much, in words
	Air      Air              `json:"air,omitzero"`
	Node     *Node            `json:"node,omitempty"` // this computer is a node; only Ready and Rested hold beside it
}

// InForce is which shop is in force, and which one waits.
type InForce struct {
	Revision uint64 `json:"revision"` // counts the shops taken up; 0: none yet
	Name     string `json:"name"`
	File     string `json:"file,omitempty"`    // "": no file, each channel is a machine
	Why      string `json:"why"`               // who wants this file
	Chosen   bool   `json:"chosen"`            // it was chosen, which goes before the owner's default
	Bench    bool   `json:"bench"`             // a bench is in its place: no machine is served
	Waiting  string `json:"waiting,omitempty"` // what comes next, and what it waits for
	Next     string `json:"next,omitempty"`    // the file that waits
}

// Names are those of the things that numbers index.
type Names struct {
	Machines, Gates, Collectors, Outlets, Circuits, Stops, Indicators []string
}

// Part is how a part of the program fares.
type Part struct {
	Name string `json:"name"`
	Down string `json:"down,omitempty"` // why it does not work
}

// Missing is a part of the rig that cannot be reached. It is taken up by itself.
type Missing struct {
	Name string   `json:"name"`
	Why  string   `json:"why"`           // and what to do
	For  []string `json:"for,omitempty"` // what it serves: "gate planer"
}

// Air is the computed air for the gates that are open.
type Air struct {
	Open  uint64    `json:"open"`           // the gates, gate 0 in bit 0
	Known bool      `json:"known"`          // it is computed
	Total float64   `json:"total"`          // at the collector, m3/s
	Flow  []float64 `json:"flow,omitempty"` // m3/s in each segment of the duct

	Settled []Settled `json:"settled,omitempty"` // pieces in which chips probably lie, whatever is open now
}

// Settled is a piece of the duct in which chips probably lie: they came along too
// slowly, and no air that lifts them has passed for long enough since.
type Settled struct {
	Segment int           `json:"segment"` // as in Flow
	Duct    string        `json:"duct"`    // its name
	Slow    time.Duration `json:"slow"`    // how long they came along too slowly
	Least   float64       `json:"least"`   // the slowest air meanwhile, m/s
	Needs   float64       `json:"needs"`   // what carries them, m/s
	Lift    float64       `json:"lift"`    // what lifts them once they lie, m/s
	Swept   time.Duration `json:"swept"`   // how long such air has passed since
	Last    time.Time     `json:"last,omitzero"`
	Clear   *Clear        `json:"clear,omitempty"` // nil: it is being worked out
	Words   string        `json:"words"`           // all this, and what to do
}

// Clear is the best set of open gates to clear a piece with, while no machine runs
// and all others are shut.
type Clear struct {
	Open  uint64  `json:"open"`  // the gates, gate 0 in bit 0
	Speed float64 `json:"speed"` // there, m/s
	Odds  float64 `json:"odds"`  // that it clears the piece; below a half it is not good enough
}

// Mains is the mains frequency in force.
type Mains struct {
	Hertz    float64 `json:"hertz"`
	Measured bool    `json:"measured"`
}

// Span is a part of the stream.
type Span struct {
	From time.Duration `json:"from"`
	To   time.Duration `json:"to"`
}

// Want says what to follow.
type Want struct {
	// From is the sequence number after which events are wanted; those that are not
	// kept any more are counted as missed. 0 is from now on.
	From      uint64 `json:"from,omitempty"`
	Events    bool   `json:"events,omitempty"`
	Snapshots bool   `json:"snapshots,omitempty"` // after events, and about once a second
	Readings  bool   `json:"readings,omitempty"`
	Frames    bool   `json:"frames,omitempty"`
	Source    int    `json:"source,omitempty"`   // of frames: number of the converter; -1 all
	Outcomes  bool   `json:"outcomes,omitempty"` // commands, what became of them, and deadlines missed
}

// ItemKind says what an item holds. The zero value is a sign of life.
type ItemKind uint8

// The kinds of item.
const (
	AnEvent ItemKind = iota + 1
	ASnapshot
	AReading
	AFrame
	ACommand // on its way to a real output
	AnAnswer // of a real output
	ADelay   // a deadline was missed
)

// Item is one thing that happened.
type Item struct {
	Kind     ItemKind         `json:"kind"`
	Seq      uint64           `json:"seq"`              // of the newest event, this one if it is one
	Revision uint64           `json:"revision"`         // of the shop that its numbers belong to
	Missed   uint64           `json:"missed,omitempty"` // items before this one that are lost
	At       time.Duration    `json:"at"`               // of the stream
	Event    control.Event    `json:"event,omitzero"`
	Snapshot control.Snapshot `json:"snapshot,omitzero"`
	Reading  sensor.Reading   `json:"reading,omitzero"`
	Frame    Frame            `json:"frame,omitzero"`
	Command  control.Command  `json:"command,omitzero"`
	Answer   control.Input    `json:"answer,omitzero"`
	Delay    time.Duration    `json:"delay,omitempty"`
}

// Frame is a sensor.Frame.
type Frame struct {
	Source   int           `json:"source"`
	Channels int           `json:"channels"`
	Index    uint64        `json:"index"`
	At       time.Duration `json:"at"`
	Rate     float64       `json:"rate"` // scans a second
	Raw      Samples       `json:"raw,omitempty"`
	Error    string        `json:"error,omitempty"`
}

// Request asks for something at the shop.
type Request struct {
	ID       uint64          `json:"id"` // the asker's own
	Kind     control.AskKind `json:"kind"`
	Target   string          `json:"target,omitempty"`   // a gate, by name
	For      time.Duration   `json:"for,omitempty"`      // 0: the longest allowed
	Revision uint64          `json:"revision,omitempty"` // of the shop that the asker means; 0: whichever is in force
}

// Answer says that a request has taken effect.
type Answer struct {
	ID   uint64 `json:"id"`
	Note string `json:"note,omitempty"` // where it does less than was asked, in words
}

// Refused is the error of a request that goes against what must hold.
type Refused struct {
	ID    uint64        `json:"id"`
	Cause control.Cause `json:"cause"`
	Why   string        `json:"why"` // in words
}

func (r *Refused) Error() string { return r.Why }

// File is a shop file.
type File struct {
	Path string `json:"path,omitempty"` // where it is, for messages; a relative one counts from the state folder
	Text []byte `json:"text,omitempty"`
}

// Checked is the result for a shop file that can be used.
type Checked struct {
	Name     string   `json:"name"` // of the shop
	Warnings []string `json:"warnings,omitempty"`
}

// Adoption is a wish for another shop. A file that lies somewhere is named by its
// path, and its text, if given, must be what the asker has seen. A text without a
// path becomes a new file in the state folder. Neither is the owner's default.
type Adoption struct {
	File
	Name   string `json:"name,omitempty"`   // of a text without a path: the name of its versions
	Before uint64 `json:"before,omitempty"` // revision that the asker has seen: refused if another is in force or waits; 0: any
	Always bool   `json:"always,omitempty"` // also while somebody has a bench, which it ends
}

// Outcome says what became of a ticket.
type Outcome uint8

// The outcomes.
const (
	Waits Outcome = iota + 1
	TookEffect
	Failed
)

// Ticket is a shop on its way.
type Ticket struct {
	ID       uint64  `json:"id"`
	Outcome  Outcome `json:"outcome"`
	File     string  `json:"file,omitempty"`
	Revision uint64  `json:"revision,omitempty"` // once it has taken effect
	For      string  `json:"for,omitempty"`      // what it waits for; "": it comes now
	Why      string  `json:"why,omitempty"`      // it failed
}

// BenchWish asks for a bench, renews one, or gives it back.
type BenchWish struct {
	Lease uint64        `json:"lease,omitempty"` // 0: a new one
	Text  []byte        `json:"text,omitempty"`  // its shop file; empty: as it is
	For   time.Duration `json:"for,omitempty"`   // from now on; 0 gives it back
}

// Bench is a shop for a person's tests. It ends by itself when its lease does.
type Bench struct {
	Lease    uint64  `json:"lease"`
	Outcome  Outcome `json:"outcome"`
	Revision uint64  `json:"revision,omitempty"` // once it has taken effect
	For      string  `json:"for,omitempty"`      // what it waits for
	Why      string  `json:"why,omitempty"`      // it failed
}

// Word is a reading of a machine's sensor elsewhere.
type Word struct {
	Machine string         `json:"machine"`
	Verdict sensor.Verdict `json:"verdict"`
	Lease   time.Duration  `json:"lease"`
}

// Takes reports whether an item is wanted. A sign of life always is.
func (w *Want) Takes(x *Item) bool {
	switch x.Kind {
	case AnEvent:
		return w.Events
	case ASnapshot:
		return w.Snapshots
	case AReading:
		return w.Readings
	case AFrame:
		return w.Frames && (w.Source < 0 || w.Source == x.Frame.Source)
	case ACommand, AnAnswer, ADelay:
		return w.Outcomes
	}
	return true
}

// Running is how many machines of a snapshot run.
func Running(s *control.Snapshot) int {
	n := 0
	for i := range s.Machines {
		if m := &s.Machines[i]; m.Run || m.Sensed == control.Running {
			n++
		}
	}
	return n
}

// Check says what is wrong with a request that nobody can ask.
func (r *Request) Check() error {
	gate := false
	switch r.Kind {
	case control.AskHold, control.AskRelease, control.AskTestOpen, control.AskTestShut, control.AskAside, control.AskReturn:
		gate = true
	case control.AskTestEnd, control.AskStandDown, control.AskLift, control.AskReset:
	default:
		return fmt.Errorf("nobody can ask for request %d", r.Kind)
	}
	switch {
	case r.For < 0:
		return errors.New("\"for\" is not negative")
	case gate != (r.Target != ""):
		return fmt.Errorf("%q: name a gate for hold, release, test-open, test-shut, aside and return, and for nothing else", r.Kind)
	}
	return nil
}
