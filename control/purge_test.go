package control

import (
	"slices"
	"testing"
	"time"
)

// A purge gate opens only while run-ons alone keep the collector on: not while a
// machine runs, not during a hold nor while a fault stands, and it closes with the run-on.
func TestPurge(t *testing.T) {
	const s = time.Second
	p := Defaults()
	p.PowerUp = 0
	for i := range 3 {
		p.Gates = append(p.Gates, Gate{Name: string(rune('a' + i)), Travel: s, Actuated: true, RunOn: 5 * s})
	}
	for i := range 2 {
		p.Machines = append(p.Machines, Machine{Name: p.Gates[i].Name, Hoods: []Hood{{Gates: []ID{ID(i)}}}, Circuit: NoID})
	}
	p.RunOn = func(ID, uint64) time.Duration { return 8 * s }
	p.Purge = func(open uint64) uint64 {
		if open == 1 {
			return 1 << 2
		}
		return 0
	}
	c, err := New(p)
	if err != nil {
		t.Fatal(err)
	}
	var out Out
	var step func(at time.Duration, in Input)
	step = func(at time.Duration, in Input) { // every driver answers at once
		out.Reset()
		c.Step(at, in, &out)
		for _, cmd := range slices.Clone(out.Commands) {
			step(at, Input{Kind: OutputIs, What: cmd.Kind, ID: cmd.ID, Seq: cmd.Seq, State: uint8(Done)})
		}
	}
	now := time.Duration(0)
	until := func(at time.Duration) { // a driver that answers late is a fault
		for ; now < at; now += s / 10 {
			step(now, Input{Kind: Tick})
		}
	}
	is := func(at time.Duration, machine ID, v Verdict) {
		until(at)
		step(at, Input{Kind: MachineIs, State: uint8(v), ID: machine})
	}
	purges := func(at time.Duration, want bool) {
		t.Helper()
		until(at)
		step(at, Input{Kind: Tick})
		if got := c.want>>2&1 == 1; got != want {
			t.Errorf("at %v the purge gate is wanted open: %v, want %v", at, got, want)
		}
	}
	is(0, 0, Idle)
	is(0, 1, Idle)
	is(10*s, 0, Running)
	purges(12*s, false)
	is(20*s, 0, Idle)
	purges(21*s, true)
	is(22*s, 1, Running) // another machine wants the air
	purges(23*s, false)
	is(24*s, 1, Idle)
	purges(27*s, false) // a and b run on together: the set is another
	purges(29*s, false)
	is(100*s, 0, Running)
	purges(105*s, false)
	is(110*s, 0, Idle)
	until(111 * s)
	step(111*s, asks(AskHold, Wired, 1))
	purges(112*s, false) // a hold wants air too
	step(113*s, asks(AskRelease, Wired, 1))
	is(500*s, 0, Running)
	is(510*s, 0, Idle)
	purges(511*s, true)
	purges(519*s, false) // over with the run-on
	is(600*s, 0, Running)
	is(610*s, 0, Idle)
	purges(611*s, true)
	is(612*s, 1, Unknown)
	purges(613*s, false) // a fault stands: the other machine's sensor is lost
	is(613*s, 1, Idle)
	purges(614*s, true)
}
