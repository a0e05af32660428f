package daemon

import (
	"context"
	"fmt"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
)

// Stored is a shop that does not run: which one the next start takes up can be seen
// and chosen, and nothing else.
type Stored struct {
	seam.Refuses
	Folder string                             // of the state
	Load   func(Choice) (*config.Shop, error) // reads rig file and shop file
	Parse  func(path string, text []byte) (*config.Shop, error)
}

var _ seam.Shop = (*Stored)(nil)

// State says which shop was chosen.
func (s *Stored) State(context.Context) (seam.State, error) {
	c, err := Choose(s.Folder, "")
	st := seam.State{NoShop: true, Shop: seam.InForce{File: c.File, Why: c.Why(), Chosen: c.Chosen, Bench: c.Chosen && c.File == in(s.Folder, benchFile)}}
	k := newKeeper(s.Folder, func(string) {}, func(error) {})
	st.Snapshot.StoodDown, st.Snapshot.Kept = k.down, k.latched()
	return st, err
}

// Check reads a shop file.
func (s *Stored) Check(_ context.Context, f seam.File) (seam.Checked, error) {
	shop, err := s.Parse(f.Path, f.Text)
	if err != nil {
		return seam.Checked{}, err
	}
	return seam.Checked{Name: shop.Name}, nil
}

// Adopt chooses a shop file for the next start.
func (s *Stored) Adopt(_ context.Context, a seam.Adoption) (seam.Ticket, error) {
	c, stored := Choice{}, ""
	switch path := in(s.Folder, a.Path); {
	case path != "":
		c, stored = Choice{path, true}, path
	case a.Text != nil:
		if _, err := s.Parse("the new shop", a.Text); err != nil {
			return seam.Ticket{}, err
		}
		f, err := state.WriteShop(s.Folder, a.Name, a.Text)
		if err != nil {
			return seam.Ticket{}, err
		}
		stored = f.Path()
		c = Choice{in(s.Folder, stored), true}
	}
	if c.Chosen {
		if _, err := s.Load(c); err != nil {
			return seam.Ticket{}, err
		}
	}
	if err := SetActiveShop(s.Folder, stored); err != nil {
		if a.Path == "" && a.Text != nil {
			err = fmt.Errorf("%s is written, but it does not take effect: %w", stored, err)
		}
		return seam.Ticket{}, err
	}
	return seam.Ticket{Outcome: seam.Waits, File: c.File, For: "the next start takes it up"}, nil
}
