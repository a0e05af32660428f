package seam

import (
	"context"
	"time"
)

// Node is the state of a computer that senses and drives for another one.
type Node struct {
	Name    string  `json:"name"`
	State   string  `json:"state"`
	Why     string  `json:"why,omitempty"`     // nobody decides: what was wrong with the last plan
	Broker  bool    `json:"broker"`            // connected
	Decides string  `json:"decides,omitempty"` // names the start of the program that decides; "": none
	Shop    string  `json:"shop,omitempty"`    // its shop
	Order   float64 `json:"order_age"`         // seconds since its newest order; -1: there was none
	Rest    bool    `json:"rest"`              // the shop was at rest then
	Quiet   bool    `json:"quiet"`             // nothing is on, moves or runs here, and the shop is at rest
	Ready   bool    `json:"ready"`             // the converters speak
	Running int     `json:"machines_on"`       // machines that run, as far as it knows
	Reload  string  `json:"reload,omitempty"`  // why a new file has not taken effect yet
	Senses  []Thing `json:"senses"`
	Drives  []Thing `json:"drives"`
	Stops   []Thing `json:"stops"`
}

// Thing is one thing, what it does and why, in words.
type Thing struct {
	Name  string  `json:"name"`
	State string  `json:"state"`
	Why   string  `json:"why,omitempty"`
	Until float64 `json:"until,omitempty"`
}

// Refuses is a Shop that refuses everything. What answers less than a shop embeds
// it.
type Refuses struct{ Err error }

var _ Shop = Refuses{}

// Hello refuses.
func (r Refuses) Hello(context.Context) (Hello, error) { return Hello{}, r.Err }

// State refuses.
func (r Refuses) State(context.Context) (State, error) { return State{}, r.Err }

// Follow refuses.
func (r Refuses) Follow(context.Context, Want) (Stream, error) { return nil, r.Err }

// Ask refuses.
func (r Refuses) Ask(context.Context, Request) (Answer, error) { return Answer{}, r.Err }

// Check refuses.
func (r Refuses) Check(context.Context, File) (Checked, error) { return Checked{}, r.Err }

// Adopt refuses.
func (r Refuses) Adopt(context.Context, Adoption) (Ticket, error) { return Ticket{}, r.Err }

// Await refuses.
func (r Refuses) Await(context.Context, uint64) (Ticket, error) { return Ticket{}, r.Err }

// Reload refuses.
func (r Refuses) Reload(context.Context) (Ticket, error) { return Ticket{}, r.Err }

// Bench refuses.
func (r Refuses) Bench(context.Context, BenchWish) (Bench, error) { return Bench{}, r.Err }

// Listen refuses.
func (r Refuses) Listen(context.Context, time.Duration) error { return r.Err }

// Tell refuses.
func (r Refuses) Tell(context.Context, Word) error { return r.Err }

// Cleared refuses.
func (r Refuses) Cleared(context.Context, string) error { return r.Err }

// Last refuses.
func (r Refuses) Last(context.Context, Span) (Stream, error) { return nil, r.Err }
