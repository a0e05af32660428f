package control

import (
	"bytes"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestNames: every kind has a name of its own, and what is none says so.
func TestNames(t *testing.T) {
	seen := map[string]bool{}
	once := func(list, s string) {
		if s == "" || s == "invalid" || seen[list+s] || s != strings.ToLower(s) || strings.Contains(s, " ") {
			t.Errorf("%s: bad or repeated name %q", list, s)
		}
		seen[list+s] = true
	}
	for k := EventKind(1); k < eventKinds; k++ {
		once("event ", k.String())
	}
	for f := FaultKind(0); f < faultKinds; f++ {
		once("fault ", f.String())
	}
	for c := Cause(0); c < causes; c++ {
		once("cause ", c.String())
	}
	for a := AskKind(1); a < askKinds; a++ {
		once("ask ", a.String())
	}
	for k := InputKind(1); k < inputKinds; k++ {
		once("input ", k.String())
	}
	for k := CollectorOn; k <= GateStop; k++ {
		once("command ", k.String())
	}
	for _, s := range []string{EventKind(0).String(), eventKinds.String(), Cause(200).String(), Verdict(0).String(), Origin(9).String(), Load(0).String(),
		Shown(0).String(), Selector(4).String(), Position(9).String()} {
		if s != "invalid" {
			t.Errorf("%q is a name for nothing", s)
		}
	}
}

// TestValidate: every error at once.
func TestValidate(t *testing.T) {
	p := Defaults()
	if err := p.Validate(); err == nil || err.Error() != "no run-on function" {
		t.Errorf("the defaults: %v", err)
	}
	p = Params{
		Machines:  []Machine{{Name: "planer", Circuit: 3, Inrush: -1}, {Name: "saw", Hoods: []Hood{{Gates: []ID{7}}, {Gates: []ID{0, 0}}}, Circuit: NoID}},
		Gates:     []Gate{{Name: "g"}, {Name: "h", Actuated: true, Travel: -time.Second, Downstream: []ID{1}, Answer: -1}},
		Outlets:   []Outlet{{Name: "o", Follows: []ID{9}, RunOn: -1}},
		Circuits:  []Circuit{{Name: "north"}},
		Stops:     make([]Stop, 33),
		Collector: Collector{Name: "c", Starts: 1, Feedback: 9, Circuit: NoID, MinOn: 1e18},
		MaxOpen:   -1, Retries: 10, PowerUp: -1,
	}
	err := p.Validate()
	if err == nil {
		t.Fatal("all is well?")
	}
	for _, want := range []string{
		`33 stop inputs: at most 32`, `machine "planer": no hood`, `machine "planer": no circuit 3`, `machine "planer": inrush -1ns`,
		`machine "saw": no gate 7`, `machine "saw": gate "g" twice on one way`, `gate "g": neither actuator nor open switch`, `gate "h": downstream of itself`,
		`gate "h": travel -1s`, `gate "h": answer time -1ns`, `outlet "o": no machine 9`, `outlet "o": run-on -1ns`, `circuit "north": breaker rating 0 A`, `collector "c": one start would never leave a further one`,
		`collector "c": no feedback kind 9`, `collector "c": minimum time on`, `no run-on function`, `-1 open branches`, `10 retries`, `power-up wait -1ns`,
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("not said: %s", want)
		}
	}
	if _, err := New(p); err == nil {
		t.Error("New takes it")
	}
}

// TestNothingPanics throws any bytes at Step: what names nothing is ignored, a
// request of that sort is refused.
func TestNothingPanics(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	c := fresh(t, big(5))
	var out Out
	for range 20000 {
		out.Reset()
		any1(c, r.Uint64(), r.Uint64(), &out)
	}
}

// any1 makes an input of any bits.
func any1(c *Core, a, b uint64, out *Out) {
	in := Input{Kind: InputKind(a % 15), State: uint8(a >> 8 % 12), Origin: Origin(a >> 16 % 6), What: CommandKind(a >> 24 % 9), ID: ID(a >> 32 % 9), Seq: c.seq - uint32(a>>40%3),
		For: time.Duration(int64(b) >> 20), Expires: time.Duration(b >> 60 * 1e9), Onset: time.Duration(b >> 50)}
	if a>>60 == 0 {
		in.ID = ID(a >> 32)
	}
	c.Step(c.now+time.Duration(b%3e9)-1e8, in, out)
}

// FuzzStep: no bytes make Step panic, leave a deadline behind or allow a start
// under stand-down.
func FuzzStep(f *testing.F) {
	f.Add([]byte("a busy morning in the barn, with everything that can go wrong"))
	f.Add(bytes.Repeat([]byte{2, 3, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0}, 8))
	f.Fuzz(func(t *testing.T, data []byte) {
		c := fresh(t, big(5))
		var out Out
		for ; len(data) >= 16; data = data[16:] {
			var a, b uint64
			for i := range 8 {
				a, b = a<<8|uint64(data[i]), b<<8|uint64(data[8+i])
			}
			out.Reset()
			any1(c, a, b, &out)
			if at, ok := c.Next(); ok && at <= c.now {
				t.Fatalf("a deadline at %v is left behind at %v", at, c.now)
			}
			if (c.down || stopLatched(c)) && c.col.on {
				t.Fatal("on under stand-down or stop")
			}
			c.Snapshot()
		}
	})
}

// TestKeyIsTheState: a core that is read back from its key does what the first
// one does, step for step; so the walk misses nothing that the key leaves out.
func TestKeyIsTheState(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	p := big(6)
	c, err := New(p)
	if err != nil {
		t.Fatal(err)
	}
	d, err := New(p)
	if err != nil {
		t.Fatal(err)
	}
	size := len(c.AppendKey(nil, 0))
	var out, twin Out
	for range 20000 {
		key := c.AppendKey(nil, c.now)
		if len(key) != size {
			t.Fatalf("a key of %d bytes, before %d", len(key), size)
		}
		d.now, d.seq = c.now, c.seq
		for i := range c.gates {
			d.gates[i].seq = c.gates[i].seq
		}
		for i := range c.outlets {
			d.outlets[i].seq = c.outlets[i].seq
		}
		d.col.seq = c.col.seq
		d.state(&codec{b: key, now: d.now, read: true})
		d.wants(&Out{})
		d.survey()
		d.chooseRest()
		a, b := r.Uint64(), r.Uint64()
		out.Reset()
		twin.Reset()
		any1(c, a, b, &out)
		any1(d, a, b, &twin)
		if string(c.AppendKey(nil, c.now)) != string(d.AppendKey(nil, d.now)) || len(out.Commands) != len(twin.Commands) || len(out.Events) != len(twin.Events) {
			t.Fatalf("the twin does otherwise: %+v and %+v", out, twin)
		}
	}
}

// TestKeyForgetsTime: the same state at another time has the same key.
func TestKeyForgetsTime(t *testing.T) {
	var keys []string
	for _, start := range []time.Duration{0, 77 * time.Hour} {
		c, err := New(big(4))
		if err != nil {
			t.Fatal(err)
		}
		var out Out
		c.Step(start, Input{Kind: StopIs, State: uint8(Closed)}, &out)
		c.Step(start+time.Second, Input{Kind: MachineIs, State: uint8(Running)}, &out)
		keys = append(keys, string(c.AppendKey(nil, start+2*time.Second)))
	}
	if keys[0] != keys[1] {
		t.Error("the key depends on when it was")
	}
}

// TestBudgetDefaults holds the defaults of the start budget against NEMA MG 10
// table 2-3: 2-pole, polyphase, design A and B motors, load torque by the square
// of the speed; starts per hour and minimum rest between starts. The figures are
// those that a motor repairers' association reprints. Single-phase motors, which
// small shops have, are no better: the motor maker's figure comes first.
func TestBudgetDefaults(t *testing.T) {
	for _, m := range []struct {
		hp     float64
		starts float64
		rest   time.Duration
	}{{1, 15, 75 * time.Second}, {1.5, 12.9, 76 * time.Second}, {2, 11.5, 77 * time.Second}, {3, 9.9, 80 * time.Second}, {5, 8.1, 83 * time.Second}, {7.5, 7.0, 88 * time.Second}} {
		if DefaultStarts > m.starts {
			t.Errorf("%v hp: %v starts an hour by default, the table allows %v", m.hp, DefaultStarts, m.starts)
		}
		if DefaultMinOff < m.rest {
			t.Errorf("%v hp: %v off by default, the table wants %v", m.hp, DefaultMinOff, m.rest)
		}
	}
}

// TestCircuitClass holds the classes against the currents of IEC 60898-1 (from
// memory): a breaker does not trip within its conventional time at 1.13 times its
// rating, does at 1.45 times, and at 2.55 times between 1 s and 60 s. Over is said well
// before the end of these times. It may come after the quickest breaker has
// tripped at 2.55 times: a warning that comes sooner would come at every start
// of a motor. "Probably a breaker" tells then.
func TestCircuitClass(t *testing.T) {
	const notTripping, tripping = 1.13, 1.45
	for _, rating := range []float64{10, 13, 16, 20, 25, 32} {
		c := Circuit{Rating: rating}
		for _, x := range []struct {
			amps float64
			want Load
		}{{0, Fits}, {0.8 * rating, Fits}, {0.81 * rating, Near}, {rating, Near}, {1.01 * rating, Over}, {notTripping * rating, Over}, {tripping * rating, Over}, {-1, LoadUnknown}} {
			if got := c.Class(x.amps); got != x.want {
				t.Errorf("%v A on a breaker of %v A: %s, want %s", x.amps, rating, got, x.want)
			}
		}
	}
	if latest := time.Minute; DefaultCircuitSettle >= latest/10 {
		t.Errorf("over is said after %v; at 2.55 times its rating a breaker trips within %v", DefaultCircuitSettle, latest)
	}
}

// TestBreaker: "probably a breaker" when the current goes from over the rating to
// zero, by the onset where it is known; not when the overload was over before, and
// not on another circuit.
func TestBreaker(t *testing.T) {
	ms := time.Millisecond
	for _, x := range []struct {
		name    string
		fits    time.Duration // when the circuit fits again
		stop    time.Duration // when the stop is reported
		onset   time.Duration // when it was
		machine ID
		want    bool
	}{
		{"together", 20 * time.Second, 20 * time.Second, 0, 0, true},
		{"reported late, with its onset", 20 * time.Second, 21*time.Second + 200*ms, 20 * time.Second, 0, true},
		{"at the edge", 20 * time.Second, 20*time.Second + 500*ms, 0, 0, true},
		{"just past the edge", 20 * time.Second, 20*time.Second + 501*ms, 0, 0, false},
		{"reported late, long over", 20 * time.Second, 25 * time.Second, 24 * time.Second, 0, false},
		{"still over", 99 * time.Second, 25 * time.Second, 0, 0, false},
		{"another circuit", 20 * time.Second, 20 * time.Second, 0, 1, false},
	} {
		c := fresh(t, big(2))
		var out Out
		step := func(at time.Duration, in Input) { c.Step(at, in, &out) }
		step(0, Input{Kind: Tick})
		step(time.Second, Input{Kind: MachineIs, ID: x.machine, State: uint8(Running)})
		step(10*time.Second, Input{Kind: CircuitIs, State: uint8(Over)})
		if x.fits <= x.stop {
			step(x.fits, Input{Kind: CircuitIs, State: uint8(Fits)})
		}
		step(x.stop, Input{Kind: MachineIs, ID: x.machine, State: uint8(Idle), Onset: x.onset})
		if got := c.has(ProbablyBreaker, int(x.machine)); got != x.want {
			t.Errorf("%s: %v, want %v", x.name, got, x.want)
		}
		said := false
		for _, e := range out.Events {
			said = said || e.Kind == CircuitOver && e.At == 10*time.Second+DefaultCircuitSettle
		}
		if !said {
			t.Errorf("%s: the overload was not said after %v", x.name, DefaultCircuitSettle)
		}
	}
}

// TestSnapshot: "a stopped, duct clear in 6 s", and that a copy stays as it was.
func TestSnapshot(t *testing.T) {
	p := barn(2, func(p *Params) {
		p.PowerUp, p.Answer = 0, DefaultAnswer
		p.RunOn = func(ID, uint64) time.Duration { return 6 * time.Second }
	})
	c, err := New(p)
	if err != nil {
		t.Fatal(err)
	}
	var out Out
	step := func(at time.Duration, in Input) {
		c.Step(at, in, &out)
		if err := answerAll(c, &out); err != nil {
			t.Fatal(err)
		}
	}
	step(0, Input{Kind: Tick})
	for i := range p.Machines {
		step(time.Second, Input{Kind: MachineIs, ID: ID(i), State: uint8(Idle)})
	}
	step(10*time.Second, Input{Kind: MachineIs, State: uint8(Running)})
	step(11*time.Second, Input{Kind: Tick})
	on := c.Snapshot()
	step(20*time.Second, Input{Kind: MachineIs, State: uint8(Idle)})
	s := c.Snapshot()
	if m := on.Machines[0]; !m.Run || !m.Served || m.Why.Cause != ByMachine || m.Since != 10*time.Second {
		t.Errorf("running: %+v", m)
	}
	if m := s.Machines[0]; m.Run || m.Why != (Why{Cause: ByRunOn, Machine: 0, Until: 26 * time.Second}) || m.RunOn != 26*time.Second {
		t.Errorf("stopped: %+v", m)
	}
	if g := s.Gates[0]; g.Position != PositionOpen || g.Why != (Why{Cause: ByRunOn, Machine: 0, Until: 26 * time.Second}) {
		t.Errorf("gate: %+v", g)
	}
	if k := s.Collector; !k.Commanded || k.Why != (Why{Cause: ByRunOn, Machine: 0, Until: 26 * time.Second}) || k.StartsLeft != -1 {
		t.Errorf("collector: %+v", k)
	}
	if !on.Machines[0].Run || on.At != 11*time.Second {
		t.Error("the older copy has changed")
	}
}

// TestGateAnswer: a gate whose driver may take longer is given up later.
func TestGateAnswer(t *testing.T) {
	p := barn(2, func(p *Params) { p.Gates[1].Answer = 5; p.Midway, p.PowerUp = true, 0 })
	c, err := New(p)
	if err != nil {
		t.Fatal(err)
	}
	var out Out
	for i := range 2 {
		c.Step(10, Input{Kind: MachineIs, ID: ID(i), State: uint8(Running)}, &out)
	}
	for at := time.Duration(10); at < 20; at++ {
		c.Step(at, Input{Kind: Tick}, &out)
		for i, within := range []time.Duration{1, 5} {
			if got, want := c.gates[i].motion == ordered, at < 10+within; got != want && at <= 10+within {
				t.Errorf("at %d gate %d waits for an answer: %v, want %v", at, i, got, want)
			}
		}
	}
}

// TestTestMoveEndsWhileAirMoves: a collector that runs uncommanded ends a test
// move that shuts the last path. A path is open then, and a second tick at the
// same instant commands nothing.
func TestTestMoveEndsWhileAirMoves(t *testing.T) {
	c, err := New(barn(1, func(p *Params) { p.Collector.Feedback, p.TestLongest = ByContact, 9 }))
	if err != nil {
		t.Fatal(err)
	}
	var out Out
	step := func(in Input) {
		t.Helper()
		out.Reset()
		c.Step(c.now+1, in, &out)
		if err := answerAll(c, &out); err != nil {
			t.Fatal(err)
		}
	}
	for range 3 { // the wait after power-up
		step(Input{Kind: Tick})
	}
	step(Input{Kind: MachineIs, State: uint8(Running)})
	step(Input{Kind: Tick})
	step(Input{Kind: MachineIs, State: uint8(Idle)})
	for range 6 {
		step(Input{Kind: Tick})
	}
	step(asks(AskTestShut, Page, 0))
	step(Input{Kind: Tick})
	if c.test.gate != 0 || c.shut&1 == 0 {
		t.Fatal("at rest, the test move does not shut the gate")
	}
	step(Input{Kind: CollectorIs, State: uint8(Running)})
	if c.test.gate != NoID || !slices.ContainsFunc(out.Events, func(e Event) bool { return e.Kind == TestEnded && e.Cause == ByStillOn }) {
		t.Errorf("air moves and the test goes on: %+v", out.Events)
	}
	step(Input{Kind: Tick})
	step(Input{Kind: Tick})
	if !c.drawn() || !c.whole(c.rest) {
		t.Errorf("the collector runs uncommanded: %v, its path is open: %v", c.drawn(), c.whole(c.rest))
	}
	for range 3 {
		out.Reset()
		c.Step(c.now, Input{Kind: Tick}, &out)
		if len(out.Commands) > 0 {
			t.Errorf("a second tick at the same instant commands %+v", out.Commands)
		}
	}
}

// TestBinLevel: an unknown level changes nothing. What is said, and whether a
// start is still held back, follows the last level that was known.
func TestBinLevel(t *testing.T) {
	for _, x := range []struct {
		levels []Level
		said   []EventKind
		full   bool
	}{
		{[]Level{LevelUnknown}, nil, false},
		{[]Level{LevelUnknown, Room}, nil, false},
		{[]Level{LevelUnknown, Full}, []EventKind{BinIsFull}, true},
		{[]Level{Room, LevelUnknown, Room}, nil, false},
		{[]Level{Full, LevelUnknown}, []EventKind{BinIsFull}, true},
		{[]Level{Full, LevelUnknown, Full}, []EventKind{BinIsFull}, true},
		{[]Level{Full, LevelUnknown, Room}, []EventKind{BinIsFull, BinHasRoom}, false},
	} {
		p := big(2)
		p.BinBlocks = true
		c := fresh(t, p)
		var out Out
		for _, l := range x.levels {
			c.Step(c.now, Input{Kind: BinIs, State: uint8(l)}, &out)
		}
		var said []EventKind
		for _, e := range out.Events {
			said = append(said, e.Kind)
		}
		if !slices.Equal(said, x.said) {
			t.Errorf("%v: says %v, want %v", x.levels, said, x.said)
		}
		if back := c.bar(); (back == ByBin) != x.full {
			t.Errorf("%v: a start is held back by %v", x.levels, back)
		}
	}
}

// TestTimeDoesNotRunBackwards: a time before the last step's counts as that.
func TestTimeDoesNotRunBackwards(t *testing.T) {
	c := fresh(t, big(2))
	var out Out
	c.Step(time.Hour, Input{Kind: MachineIs, State: uint8(Running)}, &out)
	out.Reset()
	c.Step(time.Minute, Input{Kind: MachineIs, State: uint8(Idle)}, &out)
	for _, e := range out.Events {
		if e.At != time.Hour {
			t.Errorf("an event at %v", e.At)
		}
	}
}

// TestLateSteps: a caller who comes late finds every deadline passed at its own
// instant: the commands and events are those of one who stepped at each.
func TestLateSteps(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	late, prompt := fresh(t, big(6)), fresh(t, big(6))
	var a, b Out
	now := time.Duration(0)
	events := 0
	for range 20000 {
		now += time.Duration(r.Uint64() % 9e9)
		in := Input{Kind: InputKind(1 + r.IntN(5)), State: uint8(1 + r.IntN(3)), ID: ID(r.IntN(6)), What: CollectorOn, Seq: late.seq}
		a.Reset()
		b.Reset()
		late.Step(now, in, &a)
		for at, ok := prompt.Next(); ok && at < now; at, ok = prompt.Next() {
			prompt.Step(at, Input{Kind: Tick}, &b)
		}
		prompt.Step(now, in, &b)
		if late.begun && events > 0 && (!slices.Equal(a.Events, b.Events) || !slices.Equal(a.Commands, b.Commands)) {
			t.Fatalf("late: %+v\nprompt: %+v", a, b)
		}
		events += len(a.Events)
	}
	if events < 1000 {
		t.Errorf("only %d events", events)
	}
}
