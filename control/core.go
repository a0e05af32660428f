package control

import "time"

// Core decides. See the package comment.
type Core struct{ p Params }

// New returns a Core for the shop, or every error in its description.
func New(p Params) (*Core, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	return &Core{p: p}, nil
}

// Step fires every deadline up to now in order, then applies in.
func (c *Core) Step(now time.Duration, in Input, out *Out) {}

// Next is the earliest deadline.
func (c *Core) Next() (at time.Duration, ok bool) { return 0, false }

// Snapshot copies the state for observers.
func (c *Core) Snapshot() *Snapshot { return &Snapshot{} }

// AppendKey appends the state, of a size that depends on Params only.
func (c *Core) AppendKey(b []byte, now time.Duration) []byte { return b }
