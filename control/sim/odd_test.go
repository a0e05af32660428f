package sim_test

import (
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"kerfwind/control"
)

// TestOdd plays random steps over odd shops and judges each of them from what
// goes in and what comes out, by the rules in odd_rules_test.go.
func TestOdd(t *testing.T) {
	steps := 40_000
	if s := os.Getenv("KERFWIND_STEPS"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			t.Fatalf("KERFWIND_STEPS: %v", err)
		}
		steps = n
	}
	var seen tally
	done, shops := 0, 0
	broken, stories := map[string]int{}, []string{}
	for seed := uint64(1); done < steps; seed++ {
		s := makeShop(seed)
		w := newWorld(s, realBrain, false)
		w.e.seen = &seen
		w.play(min(steps-done, 300+int(seed%7)*500))
		done += w.e.steps
		shops++
		if v := w.e.c.broken; v != nil {
			if broken[v.check]++; broken[v.check] == 1 {
				stories = append(stories, tell(s, realBrain, w.story, v))
			}
		}
	}
	for _, s := range stories {
		t.Error(s)
	}
	if len(broken) > 0 {
		t.Errorf("broken: %v", broken)
	}
	t.Logf("%d steps in %d shops, %d starts of the fan", done, shops, seen.cmds[control.CollectorOn])
	if steps < 1_000_000 {
		return
	}
	for k := control.EventKind(1); k < 200 && k.String() != "invalid"; k++ {
		if seen.events[k] == 0 {
			t.Errorf("no event %v in all these steps", k)
		}
	}
	for f := control.FaultKind(1); int(f) < control.FaultKinds; f++ {
		if seen.faults[f] == 0 {
			t.Errorf("no fault %v in all these steps", f)
		}
	}
}

// TestOddTold shows that a broken rule is told as a short story.
func TestOddTold(t *testing.T) {
	for i := range wrongs {
		w := &wrongs[i]
		if w.name != "opens no gate" {
			continue
		}
		for seed := uint64(1); seed < 50; seed++ {
			s := makeShop(seed)
			world := newWorld(s, w.maker(s), false)
			world.play(700)
			v := world.e.c.broken
			if v == nil || v.check != "path-is-commanded" {
				continue
			}
			story, v := shrink(s, w.maker(s), world.story, v)
			if again, _ := replay(s, w.maker(s), story, v.at, false); again == nil || *again != *v {
				t.Fatalf("the short story breaks %v, told was %v", again, v)
			}
			if len(story) > 12 {
				t.Errorf("a story of %d inputs for a gate that is not opened:\n%s", len(story), tell(s, w.maker(s), story, v))
			}
			return
		}
	}
	t.Fatal("the brain that opens no gate was not found")
}

// TestOddCut lets deadlines pass late, in the step of the next input: that
// changes nothing.
func TestOddCut(t *testing.T) {
	for seed := uint64(1); seed <= 60; seed++ {
		s := makeShop(seed)
		w := newWorld(s, realBrain, true)
		w.e.keep, w.e.dull = true, true
		w.play(1000)
		b, err := control.New(s.p)
		if err != nil {
			t.Fatal(err)
		}
		var eager, late control.Out
		step := func(at time.Duration, in control.Input) { b.Step(at, in, &late) }
		step(0, control.Input{Kind: control.Tick})
		eager = late
		eager.Commands, eager.Events = slices.Clone(late.Commands), slices.Clone(late.Events)
		end := time.Duration(0)
		for _, l := range w.e.lines {
			if l.cut {
				break
			}
			end = l.at
			eager.Commands = append(eager.Commands, l.cmds...)
			eager.Events = append(eager.Events, l.events...)
			if l.in.Kind != control.Tick {
				step(l.at, l.in)
			}
		}
		step(end, control.Input{Kind: control.Tick})
		if !slices.Equal(eager.Commands, late.Commands) || !slices.Equal(eager.Events, late.Events) {
			n := 0
			for n < min(len(eager.Events), len(late.Events)) && eager.Events[n] == late.Events[n] {
				n++
			}
			t.Fatalf("seed %d: from event %d on late steps give other events, or other commands: %+v and %+v\n%v", seed, n, eager.Events[n:min(n+3, len(eager.Events))], late.Events[n:min(n+3, len(late.Events))], s)
		}
	}
}
