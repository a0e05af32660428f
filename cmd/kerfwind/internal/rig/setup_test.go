package rig

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/config"
)

const folder = "../../../../testdata/demo/"

// barn is the demo's shop.
func barn(t *testing.T) *config.Shop {
	t.Helper()
	rig, err := config.LoadRig(folder + "rig.toml")
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.LoadShop(folder+"shops/barn.toml", rig)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Off the loop: a set of gates has the upper bound until Run has solved it, and
// nobody waits for that, however many ask.
func TestSolvedLater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := barn(t)
		p := s.Control()
		a, err := NewAir(&p, s, false)
		if err != nil {
			t.Fatal(err)
		}
		const three = 0b0111 | 1<<5 // and the gate in the main: no pair, so not solved at start-up
		for range 3 * waiting {
			a.Solved(0b11010) // there is nobody to solve it yet
		}
		ctx, end := context.WithCancel(t.Context())
		go a.Run(ctx)
		synctest.Wait()
		if _, ok := a.Solved(0b0001); !ok {
			t.Error("a single is not solved after the start")
		}
		bound := p.RunOn(0, three)
		if got := a.RunOn(0); bound != 80*time.Second || got != "1 min 20 s at most: these gates are being computed" {
			t.Errorf("run-on %v, %q: want the bound", bound, got)
		}
		synctest.Wait()
		x, ok := a.Solved(three)
		if !ok || !x.Converged || p.RunOn(0, three) != x.RunOns[0].Total || x.RunOns[0].Total >= bound {
			t.Errorf("solved %v: %v after the bound", ok, p.RunOn(0, three))
		}
		if p.Helper(three) != x.Helpers || p.Purge(three) != x.Purge {
			t.Error("helpers are not the solution's")
		}
		end()
	})
}

// On the spot: the first answer is the last.
func TestSolvedOnTheSpot(t *testing.T) {
	s := barn(t)
	p := s.Control()
	a, err := NewAir(&p, s, true)
	if err != nil {
		t.Fatal(err)
	}
	const three = 0b0111 | 1<<5
	first := p.RunOn(0, three)
	if x, ok := a.Solved(three); !ok || first != x.RunOns[0].Total {
		t.Errorf("%v, solved %v", first, ok)
	}
}

// Without a duct the run-ons are the shop file's, and there is no air to look at.
func TestNoDuct(t *testing.T) {
	s := config.StandIn(barn(t).Rig, config.StandInOptions{})
	p := s.Control()
	before := p.RunOn(0, 1)
	a, err := NewAir(&p, s, false)
	if err != nil {
		t.Fatal(err)
	}
	if x, ok := a.Solved(1); ok || x != nil || p.RunOn(0, 1) != before || a.RunOn(0) != "" {
		t.Errorf("%v, %v, %q", x, p.RunOn(0, 1), a.RunOn(0))
	}
	ctx, end := context.WithCancel(t.Context())
	end()
	a.Run(ctx) // ends
}
