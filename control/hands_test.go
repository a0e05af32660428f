package control

import (
	"fmt"
	"testing"
)

// TestHandsMoveNothing: in every state of the table, and again after a restart there, what
// the switches of a gate that does not move report commands nothing of that gate.
func TestHandsMoveNothing(t *testing.T) {
	try := func(name string, b *stage) {
		for i := range b.c.gates {
			if b.c.gates[i].motion != still {
				continue
			}
			for first := ShownUnknown; first <= ShownBoth; first++ {
				for second := ShownUnknown; second <= ShownBoth; second++ {
					d := b.copy()
					d.last = map[string]Command{}
					d.shows(ID(i), first)
					d.shows(ID(i), second)
					if k, yes := d.last[fmt.Sprint(GateOpen, i)]; yes {
						t.Errorf("%s: gate %d shows %s, then %s: %s", name, i, first, second, k.Kind)
					}
				}
			}
		}
	}
	for _, s := range actStates() {
		b := s.stage(t)
		try(s.name, b)
		p := b.c.p
		p.Past.Kept, p.Midway = b.c.Snapshot().Kept, false
		c, err := New(p)
		if err != nil {
			t.Fatal(err)
		}
		b.c, b.due = c, nil
		b.morning()
		try(s.name+", restarted", b)
	}
}
