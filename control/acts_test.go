package control

import (
	"cmp"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
)

var rewrite = flag.Bool("rewrite", false, "write testdata/acts anew")

// TestActs gives every input to the state machine in every one of a list of
// states, and holds each act that follows against testdata/acts: commands and
// events at once and in the time after, and what people are shown. A small
// plant answers: drivers, end switches and the fan's current, as well as a
// state's own faults let them.
func TestActs(t *testing.T) {
	for _, s := range actStates() {
		t.Run(s.name, func(t *testing.T) {
			got := s.table(t)
			file := filepath.Join("..", "testdata", "acts", s.name+".txt")
			if *rewrite {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Fatalf("%s holds something else; read what changes with -rewrite:\n%s", file, firstDifference(string(want), got))
			}
		})
	}
}

func firstDifference(want, got string) string {
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range min(len(w), len(g)) {
		if w[i] != g[i] {
			return fmt.Sprintf("line %d\n- %s\n+ %s", i+1, w[i], g[i])
		}
	}
	return fmt.Sprintf("%d lines were %d", len(g), len(w))
}

// actState is a shop and the way into one state of it.
type actState struct {
	name string
	p    func() Params
	way  func(*stage)
}

// table writes what follows from each input in the state.
func (s actState) table(t *testing.T) string {
	var b strings.Builder
	first := s.stage(t)
	still := first.play(Input{Kind: Tick}, nil)
	fmt.Fprintf(&b, "%s\n", s.name)
	for _, l := range still.shown {
		fmt.Fprintf(&b, "  %s: %s\n", l.name, l.value)
	}
	fmt.Fprintf(&b, "\nwithout any input\n%s", moments(still.log, " "))
	inputs := first.inputs()
	var order []string
	names := map[string][]string{}
	for i := range inputs {
		text := changes(still, first.play(inputs[i], &still))
		if text == "" {
			continue
		}
		if names[text] == nil {
			order = append(order, text)
		}
		name := inputName(inputs[i])
		if in := inputs[i]; in.Kind == OutputIs && in.Seq != first.lastOf(in).Seq {
			name += " to an older command"
		}
		names[text] = append(names[text], name)
	}
	for _, text := range order {
		fmt.Fprintf(&b, "\n%s\n%s", strings.Join(names[text], "; "), text)
	}
	b.WriteString("\nNo other input changes anything.\n")
	return b.String()
}

// changes says what a performance has that another has not, and the other way round.
func changes(still, other played) string {
	without := func(a, b []act) (rest []act) {
		for _, l := range a {
			if !slices.Contains(b, l) {
				rest = append(rest, l)
			}
		}
		return rest
	}
	return moments(without(other.log, still.log), " ") + moments(without(still.log, other.log), " not at ") +
		views("shown", still.shown, other.shown)
}

// moments writes the acts of an instant in a line.
func moments(log []act, intro string) string {
	var b strings.Builder
	for i, l := range log {
		if i > 0 && log[i-1].at == l.at {
			b.WriteString("; " + l.text)
		} else {
			if i > 0 {
				b.WriteString("\n")
			}
			fmt.Fprintf(&b, " %s%v  %s", intro, l.at, l.text)
		}
	}
	if len(log) > 0 {
		b.WriteString("\n")
	}
	return b.String()
}

// views writes what is shown otherwise.
func views(intro string, a, b []view) string {
	var list []string
	for _, l := range b {
		if !slices.Contains(a, l) && l.value != "0s" { // since now: the acts say it
			list = append(list, l.name+" "+l.value)
		}
	}
	for _, l := range a {
		if !slices.ContainsFunc(b, func(o view) bool { return o.name == l.name }) {
			list = append(list, l.name+" nothing")
		}
	}
	if len(list) == 0 {
		return ""
	}
	return "  " + intro + ": " + strings.Join(list, "; ") + "\n"
}

// act is a command or an event, so long after the input.
type act struct {
	at   time.Duration
	text string
}

// view is a field of a snapshot.
type view struct{ name, value string }

// played is what came of one performance.
type played struct {
	log   []act
	shown []view // the snapshot after the input
	key   string // the state after the input
}

// horizon is how long the acts after an input are watched.
const horizon = 45 * time.Second

func (s actState) stage(t *testing.T) *stage {
	p := s.p()
	c, err := New(p)
	if err != nil {
		t.Fatal(err)
	}
	b := &stage{c: c, last: map[string]Command{}, answers: map[Command]Outcome{}, stuck: map[ID]bool{}}
	s.way(b)
	return b
}

// play gives one input to a copy of the stage and lets time pass. Where the input
// leaves the same state as in still, so is what is shown and the time after it.
func (b *stage) play(in Input, still *played) played {
	b = b.copy()
	b.log, b.from = nil, b.now
	b.step(in)
	key := b.c.AppendKey(nil, b.now)
	if still != nil && string(key) == still.key && len(b.log) == 0 {
		return *still
	}
	p := played{shown: fields(b.c.Snapshot(), b.now), key: string(key)}
	if len(b.c.p.Indicators) > 0 {
		b.wait(2 * time.Second) // one of them may blink
	} else {
		b.wait(horizon)
	}
	p.log = b.log
	return p
}

func (b *stage) copy() *stage {
	d := *b
	d.due, d.last = slices.Clone(b.due), maps.Clone(b.last)
	c := *b.c
	own(reflect.ValueOf(&c).Elem())
	d.c = &c
	return &d
}

// own gives what was copied slices of its own. Params never change.
func own(v reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).Type != reflect.TypeFor[Params]() {
				own(v.Field(i))
			}
		}
	case reflect.Array:
		if v.Type().Elem().Kind() == reflect.Struct {
			for i := range v.Len() {
				own(v.Index(i))
			}
		}
	case reflect.Slice:
		mine := reflect.MakeSlice(v.Type(), v.Len(), v.Cap())
		reflect.Copy(mine, reflect.NewAt(v.Type(), v.Addr().UnsafePointer()).Elem())
		reflect.NewAt(v.Type(), v.Addr().UnsafePointer()).Elem().Set(mine) // also of fields that are not exported
	default:
	}
}

// stage is a core with a small plant around it.
type stage struct {
	c    *Core
	now  time.Duration
	from time.Duration // times are written from here
	log  []act
	due  []dueInput
	last map[string]Command // the last command to each target

	answers map[Command]Outcome // of commands of a kind to a target: Failed, or 0 for none; else Done
	stuck   map[ID]bool         // gates that stay where they are
	dead    bool                // the motor takes no current
	welded  bool                // it takes it always
}

type dueInput struct {
	at time.Duration
	in Input
}

func (b *stage) step(in Input) {
	var out Out
	b.c.Step(b.now, in, &out)
	for _, k := range out.Commands {
		b.say("-> %s %d", k.Kind, k.ID)
		b.obey(k)
	}
	for _, e := range out.Events {
		text := fmt.Sprintf("%s %d", e.Kind, e.ID)
		if e.Fault != 0 {
			text += " " + e.Fault.String()
		}
		if e.Cause != 0 {
			text += ", " + e.Cause.String()
		}
		if e.Until != 0 {
			text += fmt.Sprintf(", until %v", e.Until-b.from)
		}
		if e.Onset != 0 {
			text += fmt.Sprintf(", onset %v", e.Onset-b.from)
		}
		b.log = append(b.log, act{e.At - b.from, text})
	}
}

func (b *stage) say(format string, args ...any) {
	b.log = append(b.log, act{b.now - b.from, fmt.Sprintf(format, args...)})
}

// obey lets the plant do what it is told.
func (b *stage) obey(k Command) {
	target := k.Kind
	switch k.Kind {
	case CollectorOff:
		target = CollectorOn
	case OutletOff:
		target = OutletOn
	case IndicatorOff:
		target = IndicatorOn
	case GateShut, GateStop:
		target = GateOpen
	default:
	}
	b.last[fmt.Sprint(target, k.ID)] = k
	answer, set := b.answers[Command{Kind: k.Kind, ID: k.ID}]
	if !set {
		answer = Done
	}
	after := func(d time.Duration, in Input) { b.due = append(b.due, dueInput{b.now + d, in}) }
	const quick = 30 * time.Millisecond
	if k.Kind == GateStop || answer == 0 {
		return
	}
	after(quick, Input{Kind: OutputIs, What: k.Kind, ID: k.ID, Seq: k.Seq, State: uint8(answer)})
	if answer != Done {
		return
	}
	switch k.Kind {
	case CollectorOn:
		if !b.dead {
			after(400*time.Millisecond, Input{Kind: CollectorIs, State: uint8(Running)})
		}
	case CollectorOff:
		if !b.welded {
			after(900*time.Millisecond, Input{Kind: CollectorIs, State: uint8(Idle)})
		}
	case GateOpen, GateShut:
		p := &b.c.p.Gates[k.ID]
		if b.stuck[k.ID] {
			return
		}
		if p.OpenSwitch || p.ShutSwitch {
			after(quick+p.Travel/8, Input{Kind: GateIs, ID: k.ID, State: uint8(ShownBetween)})
		}
		if k.Kind == GateOpen && p.OpenSwitch {
			after(quick+p.Travel/2, Input{Kind: GateIs, ID: k.ID, State: uint8(ShownOpen)})
		}
		if k.Kind == GateShut && p.ShutSwitch {
			after(quick+p.Travel/2, Input{Kind: GateIs, ID: k.ID, State: uint8(ShownShut)})
		}
	default:
	}
}

// wait lets time pass, each deadline and each act of the plant at its instant.
func (b *stage) wait(d time.Duration) {
	end := b.now + d
	for n := 0; ; n++ {
		slices.SortStableFunc(b.due, func(x, y dueInput) int { return cmp.Compare(x.at, y.at) })
		at, ok := b.c.Next()
		in := Input{Kind: Tick}
		if len(b.due) > 0 && (!ok || b.due[0].at < at) {
			at, ok, in = b.due[0].at, true, b.due[0].in
			b.due = b.due[1:]
		}
		if n > 2000 {
			b.say("more than 2000 steps")
			return
		}
		if !ok || at > end {
			break
		}
		b.now = max(at, b.now)
		b.step(in)
	}
	b.now = end
	b.step(Input{Kind: Tick})
}

// inputs lists every input, with every state, sensible or not.
func (b *stage) inputs() []Input {
	var all []Input
	p := &b.c.p
	for k := MachineIs; k < inputKinds; k++ {
		things := 1
		switch k {
		case MachineIs, CurrentIs:
			things = len(p.Machines)
		case GateIs, AsideIs:
			things = len(p.Gates)
		case CircuitIs:
			things = len(p.Circuits)
		case StopIs:
			things = len(p.Stops)
		case OutputIs:
			for _, name := range slices.Sorted(maps.Keys(b.last)) {
				c := b.last[name]
				for o := Outcome(1); o <= Lost+1; o++ {
					all = append(all, Input{Kind: k, What: c.Kind, ID: c.ID, Seq: c.Seq, State: uint8(o)})
				}
				all = append(all, Input{Kind: k, What: c.Kind, ID: c.ID, Seq: c.Seq - 1, State: uint8(Failed)})
			}
			continue
		case Ask:
			all = append(all, b.asks()...)
			continue
		default:
		}
		for id := range things + 1 {
			for s := uint8(0); s <= 5; s++ {
				if id == things && s != 1 {
					continue // there is no such thing
				}
				all = append(all, Input{Kind: k, ID: ID(id), State: s})
				if k == MachineIs && Verdict(s) == Idle && b.now > time.Second {
					all = append(all, Input{Kind: k, ID: ID(id), State: s, Onset: b.now - 200*time.Millisecond})
				}
			}
		}
	}
	return all
}

func (b *stage) lastOf(in Input) Command {
	for _, c := range b.last {
		if c.Kind == in.What && c.ID == in.ID {
			return c
		}
	}
	return Command{}
}

func (b *stage) asks() []Input {
	var all []Input
	for k := AskKind(0); k <= askKinds; k++ {
		gates := []int{int(NoID)}
		if k == AskHold || k == AskRelease || k == AskTestOpen || k == AskTestShut || k == AskAside || k == AskReturn {
			gates = nil
			gates = append(gates, 0, 2, 3, 4, len(b.c.p.Gates)) // of each sort, and none
		}
		for _, g := range gates {
			for o := Origin(0); o <= origins; o++ {
				if o != Console && g != gates[0] {
					continue
				}
				all = append(all, Input{Kind: Ask, State: uint8(k), Origin: o, ID: ID(g)})
			}
			if len(gates) > 1 {
				for _, in := range []Input{{For: 2 * time.Second}, {For: time.Hour}, {For: -1}, {Expires: b.now}, {Expires: b.now - 1}} {
					in.Kind, in.State, in.Origin, in.ID = Ask, uint8(k), Page, ID(g)
					if g == gates[0] {
						all = append(all, in)
					}
				}
			}
		}
	}
	return all
}

func inputName(in Input) string {
	s := inputText(in)
	if in.Kind == OutputIs {
		s = fmt.Sprintf("%s %d answers state %d", in.What, in.ID, in.State)
	}
	if in.For != 0 {
		s += fmt.Sprintf(" for %v", in.For)
	}
	if in.Expires != 0 {
		s += fmt.Sprintf(" expires %v", in.Expires)
	}
	if in.Onset != 0 {
		s += " with onset"
	}
	return s
}

// fields writes each field of a snapshot that says something. Times are from now on.
func fields(v any, now time.Duration) []view {
	var all []view
	var walk func(path string, v reflect.Value)
	walk = func(path string, v reflect.Value) {
		switch v.Kind() {
		case reflect.Pointer:
			walk(path, v.Elem())
		case reflect.Struct:
			for i := range v.NumField() {
				walk(strings.TrimPrefix(path+"."+v.Type().Field(i).Name, "."), v.Field(i))
			}
		case reflect.Slice:
			for i := range v.Len() {
				walk(fmt.Sprintf("%s %d", path, i), v.Index(i))
			}
		default:
			if v.IsZero() || v.Interface() == NoID {
				return
			}
			text := fmt.Sprint(v.Interface())
			if d, ok := v.Interface().(time.Duration); ok {
				text = (d - now).String()
			}
			all = append(all, view{path, text})
		}
	}
	walk("", reflect.ValueOf(v))
	return all
}
