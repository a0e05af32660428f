package sim

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"kerfwind/control"
)

var rewrite = flag.Bool("rewrite", false, "write what happened into the scenarios")

// scenario is a script: a shop, then what happens in it. Lines that begin with
// ">" are what kerfwind did; they are what the test checks.
type scenario struct {
	p       control.Params
	plant   Params
	actions []action
}

type action struct {
	line int // of the script, from 0
	at   time.Duration
	do   func(w *world) error
}

// TestScenarios plays every script in testdata/scenarios. With -rewrite it
// writes what happened into them instead of checking it.
func TestScenarios(t *testing.T) {
	files, err := filepath.Glob(filepath.Join("..", "..", "testdata", "scenarios", "*.txt"))
	if err != nil || len(files) < 25 {
		t.Fatalf("%d scenarios (%v): want at least 25", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			got, err := play(filepath.Base(file), string(text))
			if err != nil {
				t.Fatal(err)
			}
			if got == string(text) {
				return
			}
			if *rewrite {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			t.Errorf("it went otherwise (go test ./control/sim -run TestScenarios -rewrite writes it down):\n%s", difference(string(text), got))
		})
	}
}

// difference shows the first lines that differ.
func difference(want, got string) string {
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range g {
		if i >= len(w) || w[i] != g[i] {
			from := max(i-3, 0)
			return fmt.Sprintf("line %d\nwant:\n%s\ngot:\n%s", i+1, strings.Join(w[min(from, len(w)):min(i+8, len(w))], "\n"), strings.Join(g[from:min(i+8, len(g))], "\n"))
		}
	}
	return "the script goes on where nothing more happened"
}

// play runs a script and returns it with what happened.
func play(name, text string) (string, error) {
	lines := strings.Split(text, "\n")
	lines = slices.DeleteFunc(lines, func(l string) bool { return strings.HasPrefix(strings.TrimSpace(l), ">") })
	s, err := parseScenario(name, lines)
	if err != nil {
		return "", err
	}
	w, err := newWorld(s.p, s.plant)
	if err != nil {
		return "", fmt.Errorf("%s: %w", name, err)
	}
	w.boot()
	happened := make(map[int][]string)
	line := len(lines) - 1 // of the shop's last line: what happens when it starts
	if len(s.actions) > 0 {
		line = max(s.actions[0].line-1, 0)
	}
	for _, a := range s.actions {
		w.settle(a.at)
		happened[line] = append(happened[line], w.take()...)
		line = a.line
		if err := a.do(w); err != nil {
			return "", fmt.Errorf("%s:%d: %w", name, a.line+1, err)
		}
		w.settle(w.now)
		happened[line] = append(happened[line], w.take()...)
	}
	var out []string
	for i, l := range lines {
		out = append(out, l)
		for _, h := range happened[i] {
			out = append(out, "    > "+h)
		}
	}
	return strings.Join(out, "\n"), nil
}

func (w *world) take() []string {
	l := w.lines
	w.lines = nil
	return l
}

// parseScenario reads a script. Errors name the line.
func parseScenario(name string, lines []string) (*scenario, error) {
	s := &scenario{p: control.Defaults()}
	s.p.Collector.Name = "collector"
	runOn := map[control.ID]time.Duration{}
	s.p.RunOn = func(m control.ID, _ uint64) time.Duration { return runOn[m] }
	var errs []error
	real := map[int]func(*Gate) error{}
	last := time.Duration(0)
	for n, line := range lines {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		var err error
		if head, tail, is := strings.Cut(line, ":"); is {
			err = s.describe(head, tail, runOn, real)
		} else {
			var a action
			if a, err = s.action(line); err == nil && a.at < last {
				err = fmt.Errorf("%v comes before the line above", a.at)
			}
			a.line, last = n, max(last, a.at)
			s.actions = append(s.actions, a)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("%s:%d: %w", name, n+1, err))
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	if err := s.p.Validate(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	s.plant = Default(s.p)
	for i, f := range real {
		if err := f(&s.plant.Gates[i]); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	return s, nil
}

func index(list []string, name string) (control.ID, error) {
	if i := slices.Index(list, name); i >= 0 {
		return control.ID(i), nil
	}
	return 0, fmt.Errorf("no %q here: %s", name, strings.Join(list, ", "))
}

func (s *scenario) names() (n shopNames) {
	for i := range s.p.Machines {
		n.machines = append(n.machines, s.p.Machines[i].Name)
	}
	for i := range s.p.Gates {
		n.gates = append(n.gates, s.p.Gates[i].Name)
	}
	for i := range s.p.Outlets {
		n.outlets = append(n.outlets, s.p.Outlets[i].Name)
	}
	for i := range s.p.Circuits {
		n.circuits = append(n.circuits, s.p.Circuits[i].Name)
	}
	for i := range s.p.Stops {
		n.stops = append(n.stops, s.p.Stops[i].Name)
	}
	return n
}

// path reads names joined by "+".
func (s *scenario) path(text string) ([]control.ID, error) {
	var ids []control.ID
	for _, g := range strings.Split(text, "+") {
		id, err := index(s.names().gates, strings.TrimSpace(g))
		if err != nil {
			return nil, err
		}
		ids = append(ids, id)
	}
	return ids, nil
}

// describe reads a line of the shop: "gate planer: travel 900ms, ...".
func (s *scenario) describe(head, tail string, runOn map[control.ID]time.Duration, real map[int]func(*Gate) error) error {
	kind, name, _ := strings.Cut(head, " ")
	var err error
	each := func(f func(key, value string)) {
		for _, o := range strings.Split(tail, ",") {
			if o = strings.TrimSpace(o); o != "" {
				key, value, _ := strings.Cut(o, " ")
				f(key, strings.TrimSpace(value))
			}
		}
	}
	dur := func(v string) time.Duration {
		d, e := time.ParseDuration(v)
		if e != nil {
			err = e
		}
		return d
	}
	num := func(v string) int {
		n, e := strconv.Atoi(v)
		if e != nil {
			err = e
		}
		return n
	}
	unknown := func(key string) { err = fmt.Errorf("%s: what is %q?", head, key) }
	switch kind {
	case "gate":
		g := control.Gate{Name: name, Actuated: true, OpenSwitch: true, ShutSwitch: true, Travel: time.Second}
		i := len(s.p.Gates)
		each(func(key, v string) {
			switch key {
			case "travel":
				g.Travel = dur(v)
			case "switch":
				g.OpenSwitch, g.ShutSwitch = v == "open", v == "shut"
			case "hand":
				g.Actuated = false
			case "run-on":
				g.RunOn = dur(v)
			case "bounces":
				b := dur(v)
				real[i] = func(g *Gate) error { g.Bounce = b; return nil }
			case "then":
				var e error
				if g.Downstream, e = s.path(v); e != nil {
					err = e
				}
			default:
				unknown(key)
			}
		})
		s.p.Gates = append(s.p.Gates, g)
	case "machine":
		m := control.Machine{Name: name, Circuit: control.NoID}
		each(func(key, v string) {
			switch key {
			case "hood":
				h, e := s.path(v)
				if e != nil {
					err = e
				}
				m.Hoods = append(m.Hoods, control.Hood{Gates: h})
			case "run-on":
				runOn[control.ID(len(s.p.Machines))] = dur(v)
			case "rank":
				m.Rank = num(v)
			case "circuit":
				if m.Circuit, err = index(s.names().circuits, v); err != nil {
					return
				}
			case "inrush":
				m.Inrush = dur(v)
			default:
				unknown(key)
			}
		})
		s.p.Machines = append(s.p.Machines, m)
	case "collector":
		c := &s.p.Collector
		each(func(key, v string) {
			switch key {
			case "confirm":
				c.Confirm = dur(v)
			case "coast":
				c.Coast = dur(v)
			case "starts":
				c.Starts = num(v)
			case "window":
				c.Window = dur(v)
			case "min-on":
				c.MinOn = dur(v)
			case "min-off":
				c.MinOff = dur(v)
			case "sensed":
				c.Feedback = control.ByCurrent
			case "switch":
				c.Switch = true
			case "circuit":
				if c.Circuit, err = index(s.names().circuits, v); err != nil {
					return
				}
			default:
				unknown(key)
			}
		})
	case "outlet":
		o := control.Outlet{Name: name}
		each(func(key, v string) {
			switch key {
			case "follows":
				m, e := index(s.names().machines, v)
				if e != nil {
					err = e
				}
				o.Follows = append(o.Follows, m)
			case "run-on":
				o.RunOn = dur(v)
			default:
				unknown(key)
			}
		})
		s.p.Outlets = append(s.p.Outlets, o)
	case "circuit":
		s.p.Circuits = append(s.p.Circuits, control.Circuit{Name: name, Rating: float64(num(strings.TrimSpace(tail)))})
	case "stop":
		s.p.Stops = append(s.p.Stops, control.Stop{Name: name})
	case "shop":
		each(func(key, v string) {
			switch key {
			case "limit":
				s.p.MaxOpen = num(v)
			case "refuse":
				s.p.RefuseRunning = true
			case "close-at-rest":
				s.p.CloseAtRest = true
			case "bin-blocks":
				s.p.BinBlocks = true
			case "topic-may-start":
				s.p.TopicMayStart = true
			case "stood-down":
				s.p.StoodDown = true
			case "closed":
				s.p.ShopClosed = true
			case "power-up":
				s.p.PowerUp = dur(v)
			case "unknown-hold":
				s.p.UnknownHold = dur(v)
			case "helper":
				helper, of, _ := strings.Cut(v, " for ")
				h, e := s.path(helper)
				f, e2 := s.path(of)
				if err = errors.Join(e, e2); err == nil {
					s.p.Helper = func(open uint64) uint64 {
						if open&(1<<f[0]) != 0 {
							return 1 << h[0]
						}
						return 0
					}
				}
			default:
				unknown(key)
			}
		})
	default:
		return fmt.Errorf("what is a %q?", kind)
	}
	return err
}

// action reads a line of what happens: "12s planer starts".
func (s *scenario) action(line string) (action, error) {
	when, what, _ := strings.Cut(line, " ")
	at, err := time.ParseDuration(when)
	if err != nil || at < 0 {
		return action{}, fmt.Errorf("%q: begin with a time, as in 12s", line)
	}
	what = strings.TrimSpace(what)
	n := s.names()
	a := action{at: at}
	input := func(in control.Input) { a.do = func(w *world) error { w.step(in); return nil } }
	machine := func(suffix string, v control.Verdict) bool {
		name, ok := strings.CutSuffix(what, suffix)
		i, e := index(n.machines, name)
		if !ok || e != nil {
			return false
		}
		a.do = func(w *world) error {
			w.sensed[i] = v
			w.step(control.Input{Kind: control.MachineIs, ID: i, State: uint8(v)})
			return nil
		}
		return true
	}
	switch {
	case machine(" starts", control.Running), machine(" stops", control.Idle), machine(" is still running", control.Running),
		machine(" cannot be sensed", control.Unknown), machine(" is idle", control.Idle):
		return a, nil
	case what == "the end":
		a.do = func(*world) error { return nil }
		return a, nil
	case what == "power fails", what == "power returns":
		a.do = func(w *world) error { return w.power(what == "power returns") }
		return a, nil
	case what == "shop closes":
		input(control.Input{Kind: control.ShopIs, State: uint8(control.ShopClosed)})
		return a, nil
	case what == "shop opens":
		input(control.Input{Kind: control.ShopIs, State: uint8(control.ShopOpen)})
		return a, nil
	}
	if f, err := ParseFault(what, Names{Gates: n.gates, Stops: n.stops}); err == nil {
		a.do = func(w *world) error {
			for _, in := range w.plant.strike(f, nil) {
				w.step(in)
			}
			return nil
		}
		return a, nil
	}
	words := strings.Fields(what)
	if len(words) < 2 {
		return a, fmt.Errorf("%q: what is that?", what)
	}
	if words[0] == "circuit" {
		load := map[string]control.Load{"fits": control.Fits, "near": control.Near, "over": control.Over}[words[len(words)-1]]
		i, err := index(n.circuits, strings.Join(words[1:len(words)-1], " "))
		input(control.Input{Kind: control.CircuitIs, ID: i, State: uint8(load)})
		return a, err
	}
	origin, ok := map[string]control.Origin{"button": control.Wired, "console": control.Console, "page": control.Page, "topic": control.Topic}[words[0]]
	if !ok {
		return a, fmt.Errorf("%q: what is that? %q, for example, stops", what, "planer stops")
	}
	in := control.Input{Kind: control.Ask, Origin: origin, ID: control.NoID}
	rest := strings.Join(words[1:], " ")
	if r, long, is := strings.Cut(rest, " for "); is {
		rest = r
		if in.For, err = time.ParseDuration(long); err != nil {
			return a, err
		}
	}
	for verb, kind := range map[string]control.AskKind{"holds ": control.AskHold, "releases ": control.AskRelease, "tests open ": control.AskTestOpen, "tests shut ": control.AskTestShut} {
		if g, is := strings.CutPrefix(rest, verb); is {
			in.State = uint8(kind)
			if in.ID, err = index(n.gates, g); err != nil {
				return a, err
			}
		}
	}
	switch rest {
	case "ends test":
		in.State = uint8(control.AskTestEnd)
	case "stands down":
		in.State = uint8(control.AskStandDown)
	case "lifts":
		in.State = uint8(control.AskLift)
	case "resets":
		in.State = uint8(control.AskReset)
	}
	if in.State == 0 {
		return a, fmt.Errorf("%q: %s does what?", what, words[0])
	}
	input(in)
	return a, nil
}
