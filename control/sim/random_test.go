package sim

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"kerfwind/control"

	"pgregory.net/rapid"
)

// steps is how many steps of Core a random test takes at least: KERFWIND_STEPS,
// or few.
func steps(t *testing.T, few int) int {
	s := os.Getenv("KERFWIND_STEPS")
	if s == "" {
		return few
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 {
		t.Fatalf("KERFWIND_STEPS=%q: give a number of steps", s)
	}
	return n
}

// drawShop draws a shop of up to most machines, as lines of a scenario.
func drawShop(t *rapid.T, most int, faulty bool) (lines, machines, gates, branches []string) {
	ms := func(name string, lo, hi int) string { return fmt.Sprintf("%dms", rapid.IntRange(lo, hi).Draw(t, name)) }
	add := func(format string, args ...any) { lines = append(lines, fmt.Sprintf(format, args...)) }
	n := rapid.IntRange(1, rapid.SampledFrom([]int{3, 6, most}).Draw(t, "at most")).Draw(t, "machines")
	mains := rapid.IntRange(0, 2).Draw(t, "mains")
	kinds := []string{"", ", switch open", ", switch shut", ", switch none"}
	kind := func() string { return rapid.SampledFrom(kinds).Draw(t, "switches") }
	add("circuit north: 20")
	for i := range mains {
		gates = append(gates, fmt.Sprintf("main %d", i+1))
		add("gate main %d: travel %s%s", i+1, ms("travel", 100, 2000), kind())
	}
	for i := range n {
		name := fmt.Sprintf("%c", 'a'+i)
		gates, branches, machines = append(gates, name), append(branches, name), append(machines, name)
		then, hood := "", name
		if m := rapid.IntRange(0, mains).Draw(t, "through"); m > 0 {
			then, hood = fmt.Sprintf(", then main %d", m), fmt.Sprintf("%s + main %d", name, m)
		}
		add("gate %s: travel %s, run-on %s%s%s", name, ms("travel", 100, 2000), ms("gate run-on", 0, 8000), kind(), then)
		circuit := ""
		if rapid.Bool().Draw(t, "wired") {
			circuit = ", circuit north, inrush " + ms("inrush", 0, 1500)
		}
		add("machine %s: hood %s, run-on %s, rank %d%s", name, hood, ms("run-on", 0, 15000), rapid.IntRange(0, 2).Draw(t, "rank"), circuit)
	}
	add("collector: confirm %s, coast %s, starts %d, window %s, min-on %s, min-off %s%s%s", ms("confirm", 0, 500), ms("coast", 0, 9000),
		rapid.IntRange(2, 5).Draw(t, "starts"), ms("window", 10000, 90000), ms("min-on", 0, 9000), ms("min-off", 0, 9000),
		rapid.SampledFrom([]string{"", ", circuit north"}).Draw(t, "collector wired"), rapid.SampledFrom([]string{"", ", sensed", ", sensed, switch"}).Draw(t, "seen"))
	add("stop door: closed")
	rest := rapid.SampledFrom([]string{"", ", close-at-rest"}).Draw(t, "rest")
	if faulty {
		rest += rapid.SampledFrom([]string{"", ", limit 2", ", limit 1, refuse"}).Draw(t, "limit")
	}
	add("shop: power-up %s, unknown-hold %s%s", ms("power-up", 0, 10000), ms("hold", 1000, 20000), rest)
	return lines, machines, gates, branches
}

// drawSchedule draws what happens, as lines of a scenario.
func drawSchedule(t *rapid.T, machines, gates, branches []string, faulty bool) (lines []string) {
	at := 0
	running := map[string]bool{}
	power := true
	n := rapid.IntRange(1, 40).Draw(t, "actions")
	for range n {
		at += rapid.IntRange(1, 12000).Draw(t, "pause")
		what := ""
		kinds := 14
		if faulty {
			kinds = 26
		}
		if !power {
			lines = append(lines, fmt.Sprintf("%dms power returns", at))
			power = true
			continue
		}
		gate := func() string { return rapid.SampledFrom(gates).Draw(t, "gate") }
		switch k := rapid.IntRange(1, kinds).Draw(t, "kind"); {
		case k <= 8:
			m := rapid.SampledFrom(machines).Draw(t, "machine")
			running[m] = !running[m]
			what = m + map[bool]string{true: " starts", false: " stops"}[running[m]]
		case k == 9:
			what = rapid.SampledFrom(machines).Draw(t, "machine") + " cannot be sensed"
		case k == 10:
			what = fmt.Sprintf("page holds %s for %dms", rapid.SampledFrom(branches).Draw(t, "branch"), rapid.IntRange(1, 20000).Draw(t, "for"))
		case k == 11:
			what = "page releases " + rapid.SampledFrom(branches).Draw(t, "branch")
		case k == 12:
			what = rapid.SampledFrom([]string{"page stands down", "console lifts"}).Draw(t, "down")
		case k == 13:
			what = rapid.SampledFrom([]string{"stop door opens", "stop door closes", "stop door breaks"}).Draw(t, "door")
		case k == 14:
			what = rapid.SampledFrom([]string{"console resets", "console lifts"}).Draw(t, "reset")
		case k <= 19:
			what = "gate " + gate() + " " + rapid.SampledFrom([]string{"sticks", "frees", "slows", "hurries", "open switch sticks", "open switch dies", "open switch heals",
				"shut switch sticks", "shut switch dies", "shut switch heals", "switches are lost", "switches are back", "is pushed open", "is pushed shut"}).Draw(t, "fault")
		case k <= 21:
			what = rapid.SampledFrom([]string{"bus dies", "bus recovers", "outputs fail", "outputs work"}).Draw(t, "bus")
		case k <= 24:
			what = rapid.SampledFrom([]string{"collector trips", "collector resets", "contactor welds", "contactor frees", "collector to hand", "collector to off",
				"collector to auto", "collector current is lost", "collector current is back", "bin fills", "bin is emptied"}).Draw(t, "collector")
		case k == 25:
			what = "page tests open " + gate() + " for 3s"
		default:
			what = "power fails"
			power = false
		}
		lines = append(lines, fmt.Sprintf("%dms %s", at, what))
	}
	if !power {
		lines = append(lines, fmt.Sprintf("%dms power returns", at+1))
	}
	return lines
}

// playRandom plays a drawn shop and schedule with an audit and returns how many
// steps that took. What goes wrong is reported as a scenario.
func playRandom(t *rapid.T, lines []string, audit func(w *world, in control.Input) error, after func(w *world, lines []string) error) int {
	s, err := parseScenario("random", lines)
	if err != nil {
		t.Fatalf("%v\n%s", err, strings.Join(lines, "\n"))
	}
	w, err := newWorld(s.p, s.plant)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	fail := func(err error) {
		played := lines
		for i, a := range s.actions {
			if a.at > w.now {
				played = lines[:s.actions[i].line]
				break
			}
		}
		text, perr := play("random", "# what went wrong\n"+strings.Join(played, "\n")+fmt.Sprintf("\n%v the end", w.now))
		if perr != nil {
			text = perr.Error()
		}
		t.Fatalf("at %v: %v\n%s", w.now, err, text)
	}
	w.audit = func(w *world, in control.Input) {
		n++
		if err := audit(w, in); err != nil {
			fail(err)
		}
	}
	w.boot()
	for _, a := range s.actions {
		w.settle(a.at)
		if err := a.do(w); err != nil {
			t.Fatal(err)
		}
		w.settle(w.now)
	}
	if err := after(w, lines); err != nil {
		fail(err)
	}
	return n
}

// TestOracle plays random schedules in healthy shops of up to 24 machines
// against the slow second implementation of oracle_test.go.
func TestOracle(t *testing.T) {
	rounds(t, 6000, 25, func(t *rapid.T) int {
		lines, machines, gates, branches := drawShop(t, 24, false)
		lines = append(lines, drawSchedule(t, machines, gates, branches, false)...)
		var o *oracle
		return playRandom(t, lines, func(w *world, in control.Input) error {
			if o == nil {
				o = newOracle(w.p, w.now)
			}
			o.take(w.now, in, w.out.Commands)
			if err := o.offAllowed(w.now, w.out.Commands); err != nil {
				return err
			}
			return o.verdict(w.now)
		}, atRest)
	})
}

// rounds plays rounds of drawn schedules until they have taken enough steps:
// KERFWIND_STEPS, or few. With -rapid.seed each round draws from a seed of its own.
func rounds(t *testing.T, few, checks int, play func(t *rapid.T) int) {
	want := steps(t, few)
	set(t, "rapid.checks", strconv.Itoa(checks))
	set(t, "rapid.nofailfile", "true")
	set(t, "rapid.shrinktime", "10s")
	given := flag.Lookup("rapid.seed").Value.String()
	defer set(t, "rapid.seed", given)
	seed, err := strconv.ParseUint(given, 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	n, done := 0, 0
	for ; done < want && !t.Failed(); n++ {
		if given != "0" {
			set(t, "rapid.seed", strconv.FormatUint(seed+uint64(n)<<32, 10))
		}
		rapid.Check(t, func(t *rapid.T) { done += play(t) })
	}
	t.Logf("%d schedules, %d steps", n*checks, done)
}

func set(t *testing.T, name, value string) {
	t.Helper()
	if f := flag.Lookup(name); f == nil || f.Value.Set(value) != nil {
		t.Fatalf("no flag %s", name)
	}
}

// atRest lets everything stop and heal, and wants the shop at rest in the end.
func atRest(w *world, lines []string) error {
	if w.off {
		if err := w.power(true); err != nil {
			return err
		}
	}
	for i := range w.p.Gates {
		for _, f := range []What{GateFrees, GateHurries, OpenSwitchHeals, ShutSwitchHeals, SwitchesBack} {
			w.strike(Fault{What: f, ID: i})
		}
	}
	for _, f := range []What{BusRecovers, OutputsWork, CollectorResets, ContactorFrees, CollectorAuto, FeedbackBack, BinEmptied, StandDownCloses} {
		w.strike(Fault{What: f})
	}
	for i := range w.p.Stops {
		w.strike(Fault{What: StopCloses, ID: i})
	}
	for i := range w.sensed {
		w.sensed[i] = control.Idle
		w.step(control.Input{Kind: control.MachineIs, ID: control.ID(i), State: uint8(control.Idle)})
	}
	// A gate that failed is left until somebody acts, and what was lifted stays
	// as it is until something is started: do both.
	act := func() {
		for _, k := range []control.AskKind{control.AskLift, control.AskReset} {
			w.step(control.Input{Kind: control.Ask, State: uint8(k), Origin: control.Console, ID: control.NoID})
		}
	}
	act()
	w.settle(w.now + 5*time.Minute)
	act()
	for m := range w.p.Machines {
		if m > 0 && len(w.core.Snapshot().Faults) == 0 && !w.astray(m, lines) {
			continue // what has failed or gone astray is tried again by a new start there
		}
		w.step(control.InMachine(control.ID(m), control.Running, 0))
		w.settle(w.now + 10*time.Second)
		v := w.core.Snapshot()
		if !v.Machines[m].Served {
			return fmt.Errorf("all is well, and machine %s is not served: %+v; %+v; %+v", w.names.machines[m], v.Machines[m], v.Collector, v.Faults)
		}
		w.step(control.InMachine(control.ID(m), control.Idle, 0))
		w.settle(w.now + 5*time.Minute)
	}
	v := w.core.Snapshot()
	v.Faults = slices.DeleteFunc(v.Faults, func(f control.FaultView) bool { // nothing is ever started there
		return f.Fault.Subject() == control.AGate && !w.used(int(f.ID))
	})
	if v.Collector.Commanded || w.plant.Powered() {
		return fmt.Errorf("no rest: the collector is on: %+v", v.Collector)
	}
	if len(v.Faults) != 0 {
		return fmt.Errorf("no rest: faults %+v", v.Faults)
	}
	open := 0
	for i := range v.Gates {
		switch {
		case w.plant.Open(i):
			open++
		case !w.plant.Shut(i):
			return fmt.Errorf("no rest: gate %s is half-way: %+v", w.names.gates[i], v.Gates[i])
		}
	}
	pushed := strings.Contains(strings.Join(lines, " "), "pushed") // what somebody has pushed by hand is left
	if !pushed && (open > 2 || open == 0 && !w.p.CloseAtRest || open > 0 && w.p.CloseAtRest) {
		return fmt.Errorf("at rest %d gates are open", open)
	}
	return nil
}

// astray reports whether a gate on the way of a machine, or its shut switch, was
// stuck: where it stands otherwise than shown, or moved when it came free, only a
// new start there moves it again.
func (w *world) astray(machine int, lines []string) bool {
	text := strings.Join(lines, "\n")
	for _, h := range w.p.Machines[machine].Hoods {
		for _, g := range h.Gates {
			name := "gate " + w.names.gates[g]
			if strings.Contains(text, name+" sticks") || strings.Contains(text, name+" shut switch sticks") {
				return true
			}
		}
	}
	return false
}

// used reports whether a gate is on the way of a machine.
func (w *world) used(gate int) bool {
	for _, m := range w.p.Machines {
		for _, h := range m.Hoods {
			if slices.Contains(h.Gates, control.ID(gate)) {
				return true
			}
		}
	}
	return false
}

func (w *world) strike(f Fault) {
	for _, in := range w.plant.strike(f, nil) {
		w.step(in)
	}
	w.settle(w.now)
}
