package control

import (
	"testing"
	"time"
)

// big is a shop of n machines, each with a branch gate, a gate in every fourth
// main, circuits, outlets, holds and a helper: nothing is left out.
func big(n int) Params {
	p := Defaults()
	p.PowerUp = 0
	p.MaxOpen = 3
	p.RunOn = func(ID, uint64) time.Duration { return 8 * time.Second }
	p.Helper = func(open uint64) uint64 { return open << 1 & 0xff }
	p.Circuits = []Circuit{{Name: "north", Rating: 20}, {Name: "south", Rating: 20}}
	p.Collector.Circuit, p.Collector.Feedback, p.Collector.Coast = 0, ByCurrent, 20*time.Second
	for i := range n {
		trunk := ID(n + i/4)
		p.Machines = append(p.Machines, Machine{Name: "m", Hoods: []Hood{{Gates: []ID{ID(i), trunk}}}, Rank: i % 3, Circuit: ID(i % 2), Inrush: 500 * time.Millisecond})
		p.Gates = append(p.Gates, Gate{Name: "g", Travel: time.Second, OpenSwitch: true, ShutSwitch: true, Actuated: true, Downstream: []ID{trunk}, RunOn: time.Second})
	}
	for range (n + 3) / 4 {
		p.Gates = append(p.Gates, Gate{Name: "t", Travel: time.Second, Actuated: true})
	}
	p.Outlets = []Outlet{{Name: "o", Follows: []ID{0, 1}, RunOn: time.Minute}}
	p.Stops = []Stop{{Name: "s"}}
	return p
}

// fresh is a core whose stop inputs have reported.
func fresh(t testing.TB, p Params) *Core {
	t.Helper()
	c, err := New(p)
	if err != nil {
		t.Fatal(err)
	}
	var out Out
	for i := range p.Stops {
		c.Step(0, Input{Kind: StopIs, ID: ID(i), State: uint8(Closed)}, &out)
	}
	return c
}

// morning steps a core through n inputs of a busy morning, starting at step from.
func morning(c *Core, from, n int, out *Out) {
	for k := from; k < from+n; k++ {
		now := time.Duration(k) * 100 * time.Millisecond
		i := ID(k / 3 % len(c.machines))
		in := Input{Kind: Tick}
		switch k % 3 {
		case 0:
			in = Input{Kind: MachineIs, ID: i, State: uint8(Idle) + uint8(k/7%2)}
		case 1:
			in = Input{Kind: GateIs, ID: i, State: uint8(ShownOpen) + uint8(k/5%3)}
			if g := &c.gates[i]; g.motion == ordered {
				in = Input{Kind: OutputIs, What: GateOpen, ID: i, Seq: g.seq, State: uint8(Done)}
			}
		case 2:
			if c.col.answer != never {
				in = Input{Kind: OutputIs, What: onOff(c.col.on), Seq: c.col.seq, State: uint8(Done)}
			}
		}
		out.Reset()
		c.Step(now, in, out)
	}
}

// BenchmarkStep16 steps a shop of 16 machines and 20 gates through a busy
// morning: one op is one input with the deadlines before it.
func BenchmarkStep16(b *testing.B) {
	c := fresh(b, big(16))
	var out Out
	morning(c, 0, 10000, &out)
	b.ReportAllocs()
	b.ResetTimer()
	morning(c, 10000, b.N, &out)
}

// BenchmarkSnapshot16 copies the state of the same shop.
func BenchmarkSnapshot16(b *testing.B) {
	c := fresh(b, big(16))
	var out Out
	morning(c, 0, 1000, &out)
	b.ReportAllocs()
	for b.Loop() {
		if c.Snapshot().At == 0 {
			b.Fatal("no time")
		}
	}
}

// TestStepAllocatesNothing: once the buffers have grown, Step does not allocate.
func TestStepAllocatesNothing(t *testing.T) {
	c := fresh(t, big(16))
	out := Out{Commands: make([]Command, 0, 256), Events: make([]Event, 0, 256)}
	at := 0
	if n := testing.AllocsPerRun(20, func() {
		morning(c, at, 500, &out)
		at += 500
	}); n != 0 {
		t.Errorf("%v allocations in 500 steps", n)
	}
	if c.seq < 100 {
		t.Errorf("only %d commands: the morning was not busy", c.seq)
	}
}
