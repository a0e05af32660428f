package sim_test

import (
	"fmt"
	"strings"
	"time"

	"kerfwind/control"
)

// A brain is what is judged: the real state machine, or a wrong one made from it.
type brain interface {
	Step(now time.Duration, in control.Input, out *control.Out)
	Next() (time.Duration, bool)
	Snapshot() *control.Snapshot
}

// A maker makes a brain for a shop, as every start of the program does.
type maker func(control.Params) (brain, error)

func realBrain(p control.Params) (brain, error) { return control.New(p) }

// ref says which command an answer is for, so that a story still makes sense
// when something before it is left out.
type ref uint8

const (
	refNone ref = iota // no answer
	refLast            // for the last command of that kind to that target
	refOld             // for one before
)

// An act is one thing that happens to the program from outside.
type act struct {
	at  time.Duration
	in  control.Input
	ref ref
	cut bool // the power is cut and comes back
	bad bool // and what was stored cannot be read
}

// A violation is a rule that was broken.
type violation struct {
	check string
	at    time.Duration
	says  string
}

func (v *violation) Error() string { return fmt.Sprintf("%v: %s: %s", v.at, v.check, v.says) }

// target names what a command moves.
type target struct {
	kind control.CommandKind
	id   control.ID
}

// An engine plays acts to a brain, lets each deadline pass at its own instant
// and shows every step to the checker.
type engine struct {
	s     *oddShop
	mk    maker
	b     brain
	c     *checker
	now   time.Duration
	steps int
	out   control.Out
	last  map[target][2]uint32
	told  func(control.Command) // the plant
	lines []line                // nil: nobody reads them
	keep  bool                  // write the lines down,
	dull  bool                  // also those that tell nothing new
	seen  *tally
}

// A tally counts what has happened, so that a generator which tries nothing is noticed.
type tally struct {
	events [256]int
	faults [256]int
	cmds   [256]int
}

// A line is one step, for a person to read.
type line struct {
	at     time.Duration
	in     control.Input
	cut    bool
	cmds   []control.Command
	events []control.Event
}

func newEngine(s *oddShop, mk maker, collect bool) *engine {
	e := &engine{s: s, mk: mk, last: map[target][2]uint32{}}
	e.c = newChecker(s, collect)
	e.start(s.p)
	return e
}

func (e *engine) start(p control.Params) {
	b, err := e.mk(p)
	if err != nil {
		panic(fmt.Sprintf("seed %d: the generator made a shop that is refused: %v\n%v", e.s.seed, err, e.s))
	}
	e.b = b
	e.c.begin(e.now, p, b.Snapshot())
	e.step(control.Input{Kind: control.Tick})
}

// cut is a power cut: the program starts again with what is stored.
func (e *engine) cut(readable bool) {
	if e.keep {
		e.lines = append(e.lines, line{at: e.now, cut: true})
	}
	e.start(e.c.stored(e.now, e.b.Snapshot(), readable))
}

func (e *engine) step(in control.Input) {
	if e.c.broken != nil {
		return
	}
	e.out.Reset()
	e.b.Step(e.now, in, &e.out)
	e.steps++
	if e.keep {
		l := line{at: e.now, in: in, cmds: append([]control.Command(nil), e.out.Commands...), events: append([]control.Event(nil), e.out.Events...)}
		if e.dull || !l.dull() {
			e.lines = append(e.lines, l)
		}
	}
	if e.seen != nil {
		for _, c := range e.out.Commands {
			e.seen.cmds[c.Kind]++
		}
		for _, ev := range e.out.Events {
			e.seen.events[ev.Kind]++
			if ev.Kind == control.FaultRaised {
				e.seen.faults[ev.Fault]++
			}
		}
	}
	e.c.step(e.now, in, &e.out, e.b.Snapshot())
	for _, c := range e.out.Commands {
		t := target{c.Kind, c.ID}
		e.last[t] = [2]uint32{c.Seq, e.last[t][0]}
		if e.told != nil {
			e.told(c)
		}
	}
}

// until lets all deadlines up to t pass, each at its own instant.
func (e *engine) until(t time.Duration) {
	same := 0
	for e.c.broken == nil {
		at, ok := e.b.Next()
		if !ok || at > t {
			break
		}
		if at <= e.now {
			if same++; same > 20 {
				e.c.broken = &violation{"deadlines-pass", e.now, fmt.Sprintf("Next still names %v after 20 steps at that instant", at)}
				return
			}
		} else {
			same = 0
		}
		e.now = max(e.now, at)
		e.step(control.Input{Kind: control.Tick})
	}
	e.now = max(e.now, t)
}

func (e *engine) do(a act) {
	e.until(a.at)
	if e.c.broken != nil {
		return
	}
	if a.cut {
		e.cut(!a.bad)
		return
	}
	if a.ref != refNone {
		seq := e.last[target{a.in.What, a.in.ID}]
		a.in.Seq = seq[0]
		if a.ref == refOld {
			a.in.Seq = seq[1]
		}
		if a.in.Seq == 0 {
			return
		}
	}
	e.step(a.in)
}

// replay plays a story to a new brain and returns what is broken.
func replay(s *oddShop, mk maker, story []act, end time.Duration, keep bool) (*violation, []line) {
	e := newEngine(s, mk, false)
	e.keep = keep
	if keep { // also the first step
		e.lines = append(e.lines, line{at: 0, in: control.Input{Kind: control.Tick}, cmds: append([]control.Command(nil), e.out.Commands...), events: append([]control.Event(nil), e.out.Events...)})
	}
	for _, a := range story {
		if e.c.broken != nil {
			break
		}
		e.do(a)
	}
	e.until(end)
	return e.c.broken, e.lines
}

// shrink leaves out of a story what is not needed to break the same rule.
func shrink(s *oddShop, mk maker, story []act, v *violation) ([]act, *violation) {
	end, plays := v.at, 0
	for n := (len(story) + 1) / 2; n >= 1; {
		short := false
		for from := 0; from < len(story) && plays < 2000; plays++ {
			to := min(from+n, len(story))
			less := append(append([]act(nil), story[:from]...), story[to:]...)
			if w, _ := replay(s, mk, less, end, false); w != nil && w.check == v.check {
				story, v, end, short = less, w, w.at, true
				continue
			}
			from = to
		}
		if n == 1 && !short || plays >= 2000 {
			break
		}
		if n > 1 {
			n = (n + 1) / 2
		}
	}
	return story, v
}

// tell writes a broken rule down for a person.
func tell(s *oddShop, mk maker, story []act, v *violation) string {
	full := len(story)
	story, v = shrink(s, mk, story, v)
	v2, lines := replay(s, mk, story, v.at, true)
	if v2 != nil {
		v = v2
	}
	var b strings.Builder
	fmt.Fprintf(&b, "seed %d breaks %s at %v: %s\n", s.seed, v.check, v.at, v.says)
	if c := checkOf(v.check); c != nil {
		fmt.Fprintf(&b, "rule: %s\n", c.rule)
		if c.reading != "" {
			fmt.Fprintf(&b, "read as: %s\n", c.reading)
		}
	}
	fmt.Fprint(&b, s.describe(takesPart(s, lines)))
	fmt.Fprintf(&b, "the story, %d of %d inputs, its last steps:\n", len(story), full)
	for _, l := range lines[max(0, len(lines)-40):] {
		fmt.Fprintln(&b, " ", l)
	}
	return b.String()
}

// takesPart is what has a part in a story: gates and machines.
func takesPart(s *oddShop, lines []line) (gates, machines uint64) {
	for _, l := range lines {
		switch l.in.Kind {
		case control.MachineIs:
			machines |= 1 << (l.in.ID % 64)
		case control.GateIs, control.AsideIs:
			gates |= 1 << (l.in.ID % 64)
		case control.Ask:
			if l.in.ID != control.NoID {
				gates |= 1 << (l.in.ID % 64)
			}
		default:
		}
		for _, c := range l.cmds {
			if c.Kind == control.GateOpen || c.Kind == control.GateShut || c.Kind == control.GateStop {
				gates |= 1 << c.ID
			}
		}
	}
	for m := range s.hoods {
		if machines&(1<<m) != 0 {
			gates |= s.gatesOf(m)
		}
	}
	return gates, machines
}

// dull reports whether a line tells nothing but that off is repeated.
func (l line) dull() bool {
	if l.at == 0 || l.cut || l.in.Kind != control.Tick || len(l.events) > 0 {
		return false
	}
	for _, c := range l.cmds {
		switch c.Kind {
		case control.CollectorOff, control.OutletOff, control.IndicatorOn, control.IndicatorOff:
		default:
			return false
		}
	}
	return true
}

func (l line) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%10v ", l.at)
	if l.cut {
		return b.String() + "the power is cut and comes back"
	}
	fmt.Fprint(&b, sayInput(l.in))
	for _, c := range l.cmds {
		fmt.Fprintf(&b, "; %v %d (#%d)", c.Kind, c.ID, c.Seq)
	}
	for _, e := range l.events {
		fmt.Fprintf(&b, "; [%v", e.Kind)
		if e.Fault != 0 {
			fmt.Fprintf(&b, " %v", e.Fault)
		}
		if e.Subject() != control.NoSubject {
			fmt.Fprintf(&b, " %d", int8(e.ID))
		}
		if e.Cause != 0 {
			fmt.Fprintf(&b, " by %v", e.Cause)
		}
		if e.Until != 0 {
			fmt.Fprintf(&b, " until %v", e.Until)
		}
		fmt.Fprint(&b, "]")
	}
	return b.String()
}

func sayInput(in control.Input) string {
	s := fmt.Sprint(in.Kind)
	switch in.Kind {
	case control.Tick:
	case control.MachineIs:
		s += fmt.Sprintf(" m%d %v", in.ID, control.Verdict(in.State))
	case control.CircuitIs:
		s += fmt.Sprintf(" c%d %v", in.ID, control.Load(in.State))
	case control.GateIs:
		s += fmt.Sprintf(" g%d %v", in.ID, control.Shown(in.State))
	case control.OutputIs:
		s += fmt.Sprintf(" %v %d #%d %s", in.What, in.ID, in.Seq, [...]string{"?", "done", "failed", "lost"}[min(in.State, 3)%4])
	case control.CollectorIs:
		s += fmt.Sprintf(" %v", control.Verdict(in.State))
	case control.SwitchIs:
		s += fmt.Sprintf(" %v", control.Selector(in.State))
	case control.StopIs, control.StandDownIs:
		s += fmt.Sprintf(" %d %s", in.ID, [...]string{"?", "closed", "open", "broken"}[in.State%4])
	case control.BinIs:
		s += [...]string{"?", " unknown", " room", " full"}[in.State%4]
	case control.ResetIs, control.AsideIs:
		s += fmt.Sprintf(" %d %s", int8(in.ID), [...]string{"?", "released", "pressed", "unreadable"}[in.State%4])
	case control.MainsIs:
		s += [...]string{"?", " as filed", " other than filed", "?"}[in.State%4]
	case control.CurrentIs:
		s += fmt.Sprintf(" m%d %s", in.ID, [...]string{"?", "flows", "gone", "?"}[in.State%4])
	case control.ShopIs:
		s += [...]string{"?", " open", " closed", "?"}[in.State%4]
	case control.Ask:
		s += fmt.Sprintf(" %v %d by %v for %v expires %v", control.AskKind(in.State), int8(in.ID), in.Origin, in.For, in.Expires)
	default:
		s += fmt.Sprintf(" %d %d", in.ID, in.State)
	}
	return s
}
