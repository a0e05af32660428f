package replay

import (
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/duct"
)

// air derives run-on and helper gates from the shop's duct, where it is
// described well enough to be computed; else the run-ons of the shop file stay.
// A replay can wait, so a set of gates that is not in the table yet is solved
// on the spot: what comes out does not depend on when.
func air(p *control.Params, s *config.Shop) (*duct.Table, error) {
	n := s.Duct()
	if n == nil {
		return nil, nil
	}
	t, err := duct.NewTable(n)
	if err != nil {
		return nil, err
	}
	p.RunOn = func(machine control.ID, open uint64) time.Duration {
		d := t.RunOn(int(machine), open)
		if t.SolveAsked() > 0 {
			d = t.RunOn(int(machine), open)
		}
		return d
	}
	p.Helper = func(open uint64) uint64 {
		g := t.Helper(open)
		if t.SolveAsked() > 0 {
			g = t.Helper(open)
		}
		return g
	}
	p.Purge = func(open uint64) uint64 {
		g := t.Purge(open)
		if t.SolveAsked() > 0 {
			g = t.Purge(open)
		}
		return g
	}
	return t, nil
}
