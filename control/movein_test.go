package control

import (
	"math/rand/v2"
	"testing"
)

// TestMoveIn: whatever is reported and asked while the rig is matched to a shop, no
// machine is served, each that runs is said at once to be uncollected because of
// that, and nothing but a test move or what the fan does uncommanded opens a gate.
func TestMoveIn(t *testing.T) {
	runs := 0
	for _, shop := range []func() Params{actShop, tight, refusing, driven, helped, handmade} {
		p := shop()
		p.MoveIn = true
		c := fresh(t, p)
		r := rand.New(rand.NewPCG(3, 4))
		var out Out
		said := make([]bool, len(p.Machines))
		for range 20000 {
			out.Reset()
			any1(c, r.Uint64(), r.Uint64(), &out)
			s := c.Snapshot()
			for _, k := range out.Commands {
				if k.Kind == CollectorOn {
					t.Fatal("the collector is commanded on")
				}
			}
			for _, e := range out.Events {
				switch {
				case e.Kind == GateOpening && e.Cause != ByTest && e.Cause != ByRest && e.Cause != ByHand && e.Cause != ByStillOn && e.Cause != ByRetry:
					t.Fatalf("gate %d opens by %s", e.ID, e.Cause)
				case e.Fault == Uncollected && e.Kind == FaultRaised:
					said[e.ID] = true
					if e.Cause != ByMoveIn {
						t.Fatalf("uncollected by %s", e.Cause)
					}
				case e.Fault == Uncollected:
					said[e.ID] = false
				}
			}
			for i, m := range s.Machines {
				why, yes := s.Uncollected(ID(i))
				if yes != m.Run || said[i] != m.Run || yes && why != ByMoveIn || m.Served {
					t.Fatalf("machine %d runs %v, stands as uncollected %v by %s, events say %v, served %v", i, m.Run, yes, why, said[i], m.Served)
				}
				if m.Run {
					runs++
				}
			}
		}
	}
	if runs == 0 {
		t.Fatal("no machine ever ran")
	}
}
