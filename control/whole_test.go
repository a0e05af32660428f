package control

import (
	"fmt"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"
	"unsafe"
)

// untold are the fields that are no part of the key: fixed by New, worked out
// afresh by each decision, for people, or counters of which only equality matters.
var untold = map[string]bool{
	"Core.p": true, "Core.paths": true, "Core.ends": true, "Core.actuated": true, "Core.starts": true, "Core.now": true, "Core.seq": true, "Core.since": true,
	"Core.fresh": true, "Core.open": true, "Core.shut": true, "Core.demand": true, "Core.want": true, "Core.helper": true, "Core.keep": true,
	"Core.busy": true, "Core.cut": true, "Core.dropHeld": true, "Core.dropRunOn": true, "Core.dropGate": true,
	"machine.path": true, "machine.hoods": true, "machine.bound": true, "machine.changed": true,
	"gate.path": true, "gate.seq": true, "outlet.seq": true, "indicator.seq": true, "collector.seq": true, "collector.changed": true, "collector.need": true,
}

// differences names the fields of two states that are not alike.
func differences(path string, a, b reflect.Value) (list []string) {
	switch a.Kind() {
	case reflect.Struct:
		for i := range a.NumField() {
			if f := a.Type().Field(i); !untold[a.Type().Name()+"."+f.Name] {
				list = append(list, differences(path+"."+f.Name, a.Field(i), b.Field(i))...)
			}
		}
	case reflect.Slice, reflect.Array:
		for i := range a.Len() {
			list = append(list, differences(fmt.Sprintf("%s[%d]", path, i), a.Index(i), b.Index(i))...)
		}
	default:
		at := func(v reflect.Value) any {
			return reflect.NewAt(v.Type(), unsafe.Pointer(v.UnsafeAddr())).Elem().Interface()
		}
		if x, y := at(a), at(b); x != y {
			list = append(list, fmt.Sprintf("%s: %v, was %v", path, y, x))
		}
	}
	return list
}

// TestKeyIsWhole: a key holds every field that decides what happens next. What was
// read from it is, field by field, what was written.
func TestKeyIsWhole(t *testing.T) {
	same := func(name string, c *Core, narrow bool) {
		t.Helper()
		k := codec{now: c.now, narrow: narrow}
		c.state(&k)
		if !narrow && string(k.b) != string(c.AppendKey(nil, c.now)) {
			t.Errorf("%s: AppendKey writes something else", name)
		}
		d, err := New(c.p)
		if err != nil {
			t.Fatal(err)
		}
		d.now = c.now
		r := codec{b: k.b, now: c.now, narrow: narrow, read: true}
		d.state(&r)
		if r.at != len(k.b) {
			t.Errorf("%s: %d bytes written, %d read", name, len(k.b), r.at)
		}
		for _, x := range differences("", reflect.ValueOf(c).Elem(), reflect.ValueOf(d).Elem()) {
			t.Errorf("%s%s", name, x)
		}
	}
	for _, s := range actStates() {
		b := s.stage(t)
		same(s.name, b.c, false)
		for range 12 { // and on the way from there to rest
			b.wait(700 * time.Millisecond)
			same(s.name+" later", b.c, false)
		}
	}
	// In one byte each, for clocks of a few ticks.
	p := barn(2, func(p *Params) { switches(p, true, true); p.Stops, p.ResetButton = []Stop{{}}, true })
	c, err := New(p)
	if err != nil {
		t.Fatal(err)
	}
	var out Out
	for i, in := range []Input{{Kind: Tick}, InStop(0, Closed), InMachine(0, Running, 0), InGate(0, ShownOpen), InGate(2, ShownOpen), {Kind: Tick}, InAsk(AskHold, Console, 1), {Kind: Tick},
		InMachine(0, Unknown, 0), InReset(Released), InReset(Pressed), {Kind: Tick}, InAsk(AskAside, Page, 1), InStop(0, Open), {Kind: Tick}} {
		c.Step(time.Duration(1000+i), in, &out)
		same(fmt.Sprint("narrow ", i), c, true)
	}
}

// TestInputs: each maker of an input says what it is about, and its state.
func TestInputs(t *testing.T) {
	for _, c := range []struct{ got, want Input }{
		{InMachine(3, Running, 7), Input{Kind: MachineIs, ID: 3, State: uint8(Running), Onset: 7}},
		{InCurrent(3, Gone), Input{Kind: CurrentIs, ID: 3, State: uint8(Gone)}},
		{InCircuit(3, Over), Input{Kind: CircuitIs, ID: 3, State: uint8(Over)}},
		{InGate(3, ShownBoth), Input{Kind: GateIs, ID: 3, State: uint8(ShownBoth)}},
		{InOutput(Command{Seq: 9, Kind: GateShut, ID: 3}, Failed), Input{Kind: OutputIs, What: GateShut, ID: 3, Seq: 9, State: uint8(Failed)}},
		{InCollector(Idle), Input{Kind: CollectorIs, State: uint8(Idle)}},
		{InSwitch(Off), Input{Kind: SwitchIs, State: uint8(Off)}},
		{InStop(3, Broken), Input{Kind: StopIs, ID: 3, State: uint8(Broken)}},
		{InStandDown(Open), Input{Kind: StandDownIs, State: uint8(Open)}},
		{InBin(Full), Input{Kind: BinIs, State: uint8(Full)}},
		{InShop(ShopClosed), Input{Kind: ShopIs, State: uint8(ShopClosed)}},
		{InMains(OtherThanFiled), Input{Kind: MainsIs, State: uint8(OtherThanFiled)}},
		{InReset(Pressed), Input{Kind: ResetIs, State: uint8(Pressed)}},
		{InAside(3, Pressed), Input{Kind: AsideIs, ID: 3, State: uint8(Pressed)}},
		{InAsk(AskReturn, Wired, 3), Input{Kind: Ask, State: uint8(AskReturn), Origin: Wired, ID: 3}},
	} {
		if c.got != c.want {
			t.Errorf("%+v, want %+v", c.got, c.want)
		}
	}
}

// TestFacts holds the facts of the faults against the table that is published, in
// deploy/TOPICS.md: the gravest first.
func TestFacts(t *testing.T) {
	text, err := os.ReadFile("../deploy/TOPICS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, table, ok := strings.Cut(string(text), "| `fault` | of | severity | ends |\n")
	if !ok {
		t.Fatal("TOPICS.md has no table of faults")
	}
	subjects := map[string]Subject{"–": NoSubject, "machine": AMachine, "gate": AGate, "collector": ACollector, "outlet": AnOutlet, "stop": AStop, "indicator": AnIndicator}
	ends := map[string]Lift{"by itself": LiftItself, "by itself or with the next start": LiftItself | LiftStart, "with the next start": LiftStart, "by a reset at the shop": LiftReset}
	f := FaultKind(0)
	for _, line := range strings.Split(table, "\n")[1:] {
		cells := strings.Split(line, " | ")
		if len(cells) != 4 {
			break
		}
		f++
		lift := ends[strings.TrimSuffix(cells[3], " |")]
		want := Facts{Name: strings.Trim(cells[0], "| `"), Subject: subjects[cells[1]], Grave: cells[2] == "alarm", Latches: lift == LiftReset, Lift: lift}
		if got := f.Facts(); got != want || lift == 0 {
			t.Errorf("%+v, published is %+v", got, want)
		}
		latches := f.Facts().Latches
		for _, l := range latching {
			latches = latches && l != f
		}
		if latches != (f == StopLatched || f == StopStored) {
			t.Errorf("%v latches, and a reset does not lift it, or the other way round", f)
		}
	}
	if int(f) != FaultKinds-1 {
		t.Errorf("%d faults are published, %d there are", f, FaultKinds-1)
	}
}

// TestKeptInWords: what a snapshot says of what is kept.
func TestKeptInWords(t *testing.T) {
	for k, latched := range map[Kept]bool{{}: false, {Aside: 1, Left: 1}: false, {Stopped: true}: true, {Failed: ShutTooOften}: true} {
		if s := (&Snapshot{Kept: k}); s.Latched() != latched {
			t.Errorf("%+v: latched %v", k, !latched)
		}
	}
	s := &Snapshot{Faults: []FaultView{{Fault: Uncollected, ID: 1, Cause: ByGate}, {Fault: SensorLost, ID: 2, Cause: BySensor}, {Fault: Uncollected, ID: 3, Cause: ByAside}}}
	for id, want := range []Cause{0, ByGate, 0, ByAside} {
		if why, yes := s.Uncollected(ID(id)); why != want || yes != (want != 0) {
			t.Errorf("machine %d: %v %v", id, why, yes)
		}
	}
}
