package control

import (
	"fmt"
	"hash/maphash"
	"os"
	"strings"
	"sync"
	"testing"
	"time"
)

// The walk visits every state that the shipped Step can reach in a small shop,
// breadth-first, whatever its surroundings do and whenever they do it. One
// tick of the clock is one of the inputs. Delays are 1 to 4 ticks; a tick is a
// nanosecond, which Step cannot tell. Every transition is checked (check_test.go)
// and from every state the way to rest is tried (rest_test.go).

// vector is one small shop with what its surroundings may do.
type vector struct {
	name    string
	p       Params
	unknown bool    // sensors of machines may be lost
	shown   []Shown // what end switches may show, at any time
	slow    bool    // drivers answer late, never, or "failed"; else at once
	also    []Input // further inputs, at any time
	full    bool    // only under KERFWIND_WALK=full
	skip    int     // liveness is tried from every skip-th state; 0 from every one
}

// TestWalk is the exhaustive walk, of the small shops; KERFWIND_WALK=full walks the
// large ones too.
func TestWalk(t *testing.T) {
	full := os.Getenv("KERFWIND_WALK") == "full"
	var lock sync.Mutex
	var states, transitions int
	t.Cleanup(func() { fmt.Printf("%d states, %d transitions\n", states, transitions) })
	gate := make(chan struct{}, 2)
	for _, v := range vectors() {
		if v.full && !full {
			continue
		}
		t.Run(v.name, func(t *testing.T) {
			t.Parallel()
			gate <- struct{}{}
			defer func() { <-gate }()
			w := newWalk(t, v)
			w.run()
			lock.Lock()
			defer lock.Unlock()
			states += w.count
			transitions += w.steps
			t.Logf("%s: %d states, %d transitions, key %d bytes", v.name, w.count, w.steps, w.size)
		})
	}
}

type walk struct {
	t     *testing.T
	v     vector
	size  int // of a narrow key
	seen  table
	good  table // states from which rest is known to be reached, with the way to it
	from  []uint32
	by    []uint8
	count int
	steps int
	a, b  *Core // before, after
	h     *Core // for the way to rest
	out   Out
	quiet Out
	seeds [2]maphash.Seed
	check checker
}

func newWalk(t *testing.T, v vector) *walk {
	w := &walk{t: t, v: v, seeds: [2]maphash.Seed{maphash.MakeSeed(), maphash.MakeSeed()}}
	for _, c := range []**Core{&w.a, &w.b, &w.h} {
		var err error
		if *c, err = New(v.p); err != nil {
			t.Fatal(err)
		}
	}
	w.check = checker{p: &v.p}
	return w
}

// load sets a core to a narrow key, at time 0.
func load(c *Core, key []byte) {
	c.now, c.seq = base, 0
	k := codec{b: key, now: base, narrow: true, read: true}
	c.state(&k)
	c.wants(&Out{}) // what every decision works out afresh
	c.survey()
	c.chooseRest()
}

// base is the time of every restored state: late enough that nothing passes 0.
const base = time.Duration(1000)

func save(c *Core, b []byte) []byte {
	k := codec{b: b, now: c.now, narrow: true}
	c.state(&k)
	return k.b
}

func (w *walk) hash(key []byte) [2]uint64 {
	return [2]uint64{maphash.Bytes(w.seeds[0], key), maphash.Bytes(w.seeds[1], key)}
}

func (w *walk) run() {
	w.a.now = base
	w.a.Step(base, Input{Kind: Tick}, &w.out)
	if err := w.answer(w.a, &w.out); err != nil {
		w.t.Fatal(err)
	}
	if w.a.boot != base+w.v.p.PowerUp || w.a.col.on || w.a.down != w.v.p.StoodDown {
		w.t.Fatalf("power returns: nothing must start for %v", w.v.p.PowerUp)
	}
	key := save(w.a, nil)
	w.size = len(key)
	level := [][]byte{key}
	first := uint32(0)
	w.seen.add(w.hash(key), 0)
	w.from, w.by, w.count = []uint32{0}, []uint8{0}, 1
	if err := w.rest(key); err != nil {
		w.t.Fatal(err)
	}
	buf := make([]byte, 0, w.size)
	var ins []Input
	for len(level) > 0 {
		var next [][]byte
		const chunk = 1 << 16
		var arena []byte
		id := first
		for _, block := range level {
			for ; len(block) > 0; block = block[w.size:] {
				key := block[:w.size]
				load(w.a, key)
				ins = w.inputs(w.a, ins[:0])
				for n, in := range ins {
					load(w.b, key)
					err := w.step(in)
					w.steps++
					if err == nil {
						err = w.check.step(w.a, in, &w.out, w.b)
					}
					if err != nil {
						w.fail(id, n, err)
					}
					buf = save(w.b, buf[:0])
					if !w.seen.add(w.hash(buf), 0) {
						continue
					}
					if err := w.check.state(w.b); err != nil {
						w.fail(id, n, err)
					}
					w.from, w.by = append(w.from, id), append(w.by, uint8(n))
					w.count++
					if w.v.skip == 0 || w.count%w.v.skip == 0 {
						if err := w.rest(buf); err != nil {
							w.fail(id, n, err)
						}
					}
					if len(arena)+w.size > cap(arena) {
						if len(arena) > 0 {
							next = append(next, arena)
						}
						arena = make([]byte, 0, chunk*w.size)
					}
					arena = append(arena, buf...)
				}
				id++
			}
		}
		if len(arena) > 0 {
			next = append(next, arena)
		}
		first = id
		level = next
	}
}

// step gives b one input; a tick lets one tick pass. Where drivers are quick
// they answer within the step.
func (w *walk) step(in Input) error {
	w.out.Reset()
	now := w.b.now
	if in.Kind == Tick {
		now++
	}
	w.b.Step(now, in, &w.out)
	return w.answer(w.b, &w.out)
}

func (w *walk) answer(c *Core, out *Out) error {
	if w.v.slow {
		return nil
	}
	return answerAll(c, out)
}

// answerAll answers every command that waits: done. Answers that only bring new
// commands, without end, are an error.
func answerAll(c *Core, out *Out) error {
	const most = 100
	for i, n := 0, 0; i < len(c.gates); i++ {
		if g := &c.gates[i]; g.motion == ordered {
			k := GateOpen
			if g.target == toShut {
				k = GateShut
			}
			if n++; n > most {
				return fmt.Errorf("gate %d: more than %d gate commands at one instant", i, most)
			}
			c.Step(c.now, Input{Kind: OutputIs, What: k, ID: ID(i), Seq: g.seq, State: uint8(Done)}, out)
			i = -1 // with travel 0 the next command may follow at once
		}
	}
	for i := range c.lamps {
		if l := &c.lamps[i]; l.answer != never {
			k := IndicatorOff
			if l.on {
				k = IndicatorOn
			}
			c.Step(c.now, InOutput(Command{Kind: k, ID: ID(i), Seq: l.seq}, Done), out)
		}
	}
	if c.col.answer != never {
		c.Step(c.now, Input{Kind: OutputIs, What: onOff(c.col.on), Seq: c.col.seq, State: uint8(Done)}, out)
	}
	for i := range c.outlets {
		if o := &c.outlets[i]; o.answer != never {
			k := OutletOff
			if o.on {
				k = OutletOn
			}
			c.Step(c.now, Input{Kind: OutputIs, What: k, ID: ID(i), Seq: o.seq, State: uint8(Done)}, out)
		}
	}
	return nil
}

func onOff(on bool) CommandKind {
	if on {
		return CollectorOn
	}
	return CollectorOff
}

// inputs lists what can happen in a state.
func (w *walk) inputs(c *Core, ins []Input) []Input {
	ins = append(ins, Input{Kind: Tick})
	for i := range c.machines {
		for v := Unknown; v <= Running; v++ {
			if v != c.machines[i].sensed && (v != Unknown || w.v.unknown) {
				ins = append(ins, Input{Kind: MachineIs, ID: ID(i), State: uint8(v)})
			}
		}
	}
	for i := range c.gates {
		g, p := &c.gates[i], &c.p.Gates[i]
		for _, s := range w.v.shown {
			if s != g.shown && (p.OpenSwitch || s != ShownOpen) && (p.ShutSwitch || s != ShownShut) && (p.OpenSwitch || p.ShutSwitch) {
				ins = append(ins, Input{Kind: GateIs, ID: ID(i), State: uint8(s)})
			}
		}
		if w.v.slow && g.motion == ordered {
			k := GateOpen
			if g.target == toShut {
				k = GateShut
			}
			for _, o := range [...]Outcome{Done, Failed} {
				ins = append(ins, Input{Kind: OutputIs, What: k, ID: ID(i), Seq: g.seq, State: uint8(o)})
			}
		}
	}
	k := &c.col
	if w.v.slow && k.answer != never {
		for _, o := range [...]Outcome{Done, Failed} {
			ins = append(ins, Input{Kind: OutputIs, What: onOff(k.on), Seq: k.seq, State: uint8(o)})
		}
	}
	for _, in := range w.v.also {
		switch in.Kind {
		case CollectorIs:
			if Verdict(in.State) == k.sensed {
				continue
			}
		case SwitchIs:
			if Selector(in.State) == k.selector {
				continue
			}
		case StopIs:
			if Contact(in.State) == c.stops[in.ID] {
				continue
			}
		case StandDownIs:
			if Contact(in.State) == c.wire {
				continue
			}
		case BinIs:
			if Level(in.State) == k.bin {
				continue
			}
		case ShopIs:
			if (Hours(in.State) == ShopClosed) == c.closed {
				continue
			}
		case CircuitIs:
			if Load(in.State) == c.circuits[in.ID].load {
				continue
			}
		case ResetIs:
			if Press(in.State) == c.reset.is {
				continue
			}
		case AsideIs:
			if Press(in.State) == c.gates[in.ID].button.is {
				continue
			}
		case MainsIs:
			if (Supply(in.State) == OtherThanFiled) == c.has(OtherMains, 0) {
				continue
			}
		case CurrentIs:
			if m := &c.machines[in.ID]; m.run != starting || (Flow(in.State) == Gone) == (m.gap != never || m.due == never) {
				continue
			}
		case Tick, MachineIs, GateIs, OutputIs, Ask:
		}
		ins = append(ins, in)
	}
	return ins
}

// fail reports how a state was reached, one input a line, with what came of it.
func (w *walk) fail(id uint32, n int, why error) {
	w.t.Helper()
	steps := []uint8{uint8(n)}
	for ; id != 0; id = w.from[id] {
		steps = append(steps, w.by[id])
	}
	c, err := New(w.v.p)
	if err != nil {
		w.t.Fatal(err)
	}
	w.b = c
	c.now = base
	w.out.Reset()
	c.Step(base, Input{Kind: Tick}, &w.out)
	_ = w.answer(c, &w.out) // why says it
	var text strings.Builder
	for i := len(steps) - 1; i >= 0; i-- {
		in := w.inputs(c, nil)[steps[i]]
		_ = w.step(in)
		fmt.Fprintf(&text, "%d  %s\n", c.now-base, inputText(in))
		for _, k := range w.out.Commands {
			fmt.Fprintf(&text, "        -> %s %d\n", k.Kind, k.ID)
		}
		for _, e := range w.out.Events {
			fmt.Fprintf(&text, "        . %s\n", eventText(e))
		}
	}
	w.t.Fatalf("%v\nafter\n%s", why, text.String())
}

func inputText(in Input) string {
	switch in.Kind {
	case MachineIs, CollectorIs:
		return fmt.Sprintf("%s %d %s", in.Kind, in.ID, Verdict(in.State))
	case GateIs:
		return fmt.Sprintf("gate %d shows %s", in.ID, Shown(in.State))
	case SwitchIs:
		return "switch to " + Selector(in.State).String()
	case Ask:
		return fmt.Sprintf("%s asks %s %d", in.Origin, AskKind(in.State), in.ID)
	case Tick, CircuitIs, OutputIs, StopIs, BinIs, StandDownIs, ShopIs, CurrentIs, ResetIs, AsideIs, MainsIs:
	}
	return fmt.Sprintf("%s %d state %d (%s)", in.Kind, in.ID, in.State, in.What)
}

func eventText(e Event) string {
	return fmt.Sprintf("%s %d %s %s", e.Kind, e.ID, e.Cause, e.Fault)
}

// table is a set of hashes, each with a number.
type table struct {
	keys [][2]uint64
	nums []uint16
	n    int
}

// add puts a hash in and reports whether it was new.
func (s *table) add(h [2]uint64, num uint16) bool {
	if h == ([2]uint64{}) {
		h[0] = 1
	}
	if 10*s.n >= 7*len(s.keys) {
		old := *s
		*s = table{keys: make([][2]uint64, max(1024, 2*len(old.keys))), nums: make([]uint16, max(1024, 2*len(old.keys)))}
		for i, k := range old.keys {
			if k != ([2]uint64{}) {
				s.add(k, old.nums[i])
			}
		}
	}
	i := s.slot(h)
	if s.keys[i] == h {
		return false
	}
	s.keys[i], s.nums[i] = h, num
	s.n++
	return true
}

func (s *table) get(h [2]uint64) (uint16, bool) {
	if len(s.keys) == 0 {
		return 0, false
	}
	if h == ([2]uint64{}) {
		h[0] = 1
	}
	i := s.slot(h)
	return s.nums[i], s.keys[i] == h
}

func (s *table) slot(h [2]uint64) int {
	mask := uint64(len(s.keys) - 1)
	i := h[0] & mask
	for s.keys[i] != ([2]uint64{}) && s.keys[i] != h {
		i = (i + 1) & mask
	}
	return int(i)
}
