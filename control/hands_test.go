package control

import (
	"fmt"
	"maps"
	"testing"
)

// TestHandsMoveNothing: in every state of the table, later on, and again after a restart
// there, what the switches of a gate that does not move report commands nothing of
// that gate, and at rest nothing at all.
func TestHandsMoveNothing(t *testing.T) {
	try := func(name string, b *stage) {
		rests := b.c.want == 0 && !b.c.air() && !b.c.anyMoves()
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
					maps.DeleteFunc(d.last, func(_ string, k Command) bool { return k.Kind >= IndicatorOn }) // a lamp may say so
					if _, yes := d.last[fmt.Sprint(GateOpen, i)]; yes || rests && len(d.last) > 0 {
						t.Errorf("%s: gate %d shows %s, then %s: %v", name, i, first, second, d.last)
					}
				}
			}
		}
	}
	for _, s := range actStates() {
		b := s.stage(t)
		try(s.name, b)
		b.wait(horizon)
		try(s.name+", later", b)
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
