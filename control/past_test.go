package control

import (
	"slices"
	"strings"
	"testing"
	"time"
)

// pastShop has one machine and one gate, a budget of three starts an hour, and
// times that are easy to follow.
func pastShop(past Past) Params {
	const s = time.Second
	p := Defaults()
	p.PowerUp = 0
	p.Gates = []Gate{{Name: "saw", Travel: s, Actuated: true}}
	p.Machines = []Machine{{Name: "saw", Hoods: []Hood{{Gates: []ID{0}}}, Circuit: NoID}}
	p.RunOn = func(ID, uint64) time.Duration { return 8 * s }
	p.Collector.Starts, p.Collector.Window = 3, time.Hour
	p.Collector.Confirm, p.Collector.MinOn, p.Collector.MinOff = 0, 0, 90*s
	p.Past = past
	return p
}

// What is known from before holds the collector as if the program had run on:
// it stops only while a further start is left, what a start takes from the
// minimum time off is added to the run-on, and a start beyond the budget is
// reported. It never delays a start, and starts nothing.
func TestPast(t *testing.T) {
	const s, m = time.Second, time.Minute
	for name, x := range map[string]struct {
		past Past
		off  time.Duration // the collector stops, after a run from 10 s to 40 s
		over bool          // that start is beyond the budget
	}{
		"nothing known":           {Past{}, 48 * s, false},
		"one start":               {Past{Starts: []time.Duration{10 * m}}, 48 * s, false},
		"two starts":              {Past{Starts: []time.Duration{10 * m, 50 * m}}, 10 * m, false},
		"two, any order":          {Past{Starts: []time.Duration{50 * m, 10 * m}}, 10 * m, false},
		"one is too old":          {Past{Starts: []time.Duration{10 * m, 60 * m}}, 48 * s, false},
		"three":                   {Past{Starts: []time.Duration{20 * m, 30 * m, 50 * m}}, 30 * m, true},
		"only the latest count":   {Past{Starts: []time.Duration{59 * m, 58 * m, 20 * m, 30 * m, 50 * m}}, 30 * m, true},
		"owed":                    {Past{MinOff: 60 * s}, 97 * s, false},
		"the minimum off is over": {Past{MinOff: 10 * s}, 48 * s, false},
	} {
		t.Run(name, func(t *testing.T) {
			c, err := New(pastShop(x.past))
			if err != nil {
				t.Fatal(err)
			}
			var out, all Out
			var step func(at time.Duration, in Input)
			step = func(at time.Duration, in Input) { // every driver answers at once
				out.Reset()
				c.Step(at, in, &out)
				all.Events = append(all.Events, out.Events...)
				for _, cmd := range slices.Clone(out.Commands) {
					step(at, Input{Kind: OutputIs, What: cmd.Kind, ID: cmd.ID, Seq: cmd.Seq, State: uint8(Done)})
				}
			}
			until := func(end time.Duration) {
				for at, ok := c.Next(); ok && at < end; at, ok = c.Next() {
					step(at, Input{Kind: Tick})
				}
			}
			machine := func(at time.Duration, v Verdict) {
				until(at)
				step(at, Input{Kind: MachineIs, State: uint8(v)})
			}
			machine(0, Idle)
			machine(10*s, Running)
			machine(40*s, Idle)
			until(2 * time.Hour)
			var on, off time.Duration
			over := false
			for _, e := range all.Events {
				switch e.Kind {
				case CollectorIsOn:
					on = e.At
				case CollectorIsOff:
					off = e.At
				case BudgetExceeded:
					over = true
				default:
				}
			}
			if on != 11*s { // the gate's travel
				t.Errorf("on at %v", on)
			}
			if off != x.off || over != x.over {
				t.Errorf("off at %v, beyond the budget: %v; want %v, %v", off, over, x.off, x.over)
			}
		})
	}
}

// A machine that is found running did not start by itself if the power was on.
func TestPastPowered(t *testing.T) {
	for powered, want := range map[bool]Cause{false: ByFoundRunning, true: BySensor} {
		c, err := New(pastShop(Past{Powered: powered}))
		if err != nil {
			t.Fatal(err)
		}
		var out Out
		c.Step(0, Input{Kind: MachineIs, State: uint8(Running)}, &out)
		i := slices.IndexFunc(out.Events, func(e Event) bool { return e.Kind == MachineStarted })
		if i < 0 || out.Events[i].Cause != want {
			t.Errorf("powered %v: %+v", powered, out.Events)
		}
	}
}

func TestPastInvalid(t *testing.T) {
	for want, past := range map[string]Past{"time since a start": {Starts: []time.Duration{-1}}, "rest of the minimum time off": {MinOff: -1}} {
		if _, err := New(pastShop(past)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v", err)
		}
	}
}
