package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/movein/moveintest"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
)

// newcomer goes through a move-in in a made shop. answer gives an answer and
// returns once it was taken.
type newcomer struct {
	t      *testing.T
	w      *moveintest.World
	g      *guide.Guide
	answer func(v movein.View, changed <-chan struct{}, text string)
	met    map[string]bool
}

// told is what the newcomer knows by himself.
var toldAtMoveIn = map[string]string{
	"name": "garage", "units": "1", "supply": "230 V 50 Hz", "circuits": "workbench 16 A; machines 20 A",
	"circuit/planer": "machines", "circuit/band saw": "machines", "circuit/drum sander": "workbench", "circuit/router": "workbench", "circuit/the collector": "machines",
	"rated/planer": "matched", "rated/drum sander": "230 V 50 Hz", "rated/router": "matched", "rated/the collector": "240 V 50 Hz",
	"sensor/the collector": "skip", "coast/router": "12 s", "duct": "copy", "activate": "yes",
}

// moveIn answers to the end, or to a step.
func (n *newcomer) moveIn(until string) {
	n.t.Helper()
	n.while(func(step string) bool { return step != until })
}

// step answers until the step is another one.
func (n *newcomer) step(step string) {
	n.t.Helper()
	n.while(func(now string) bool { return now == step })
}

// while answers as long as the step is such, to the end at most.
func (n *newcomer) while(going func(step string) bool) {
	n.t.Helper()
	for range 2000 {
		v, changed := n.g.View()
		what, of, _ := strings.Cut(v.Step, "/")
		n.met[what] = true
		switch {
		case v.Done, !going(v.Step):
			return
		case v.Working && what != "gate":
			n.wait(changed)
		case toldAtMoveIn[v.Step] != "":
			n.answer(v, changed, toldAtMoveIn[v.Step])
		case what == "sensor" && v.Keep == "":
			n.w.Pass(2500 * time.Millisecond)
			n.w.Run(of, 5*time.Second)
			n.w.Pass(time.Second)
		case what == "gate" && v.Working:
			n.w.Pass(100 * time.Millisecond)
		case what == "gate" && v.Keep == "":
			answer := "machine:" + n.w.Moved
			switch n.w.Moved {
			case "far end":
				answer = "main"
			case "floor sweep":
				answer = "sweep"
			}
			i := slices.IndexFunc(v.Choices, func(c movein.Choice) bool { return c.Answer == answer })
			if i < 0 {
				n.t.Fatalf("%s moved: %+v", n.w.Moved, v)
			}
			n.answer(v, changed, v.Choices[i].Answer)
		case what == "learn" && v.Live && v.Keep == "":
			switch text := v.Text[0]; {
			case strings.HasPrefix(text, "Switch the "+of+" on"):
				n.w.Switch(of, true)
			case strings.HasPrefix(text, "Switch the "+of+" off"):
				n.w.Switch(of, false)
			}
			n.w.Pass(500 * time.Millisecond)
		case what == "learn" && strings.HasPrefix(v.Text[0], "Switch"):
			n.w.Switch(of, true)
			n.w.Pass(500 * time.Millisecond)
		case what == "learn" && v.Live:
			n.w.Pass(3 * time.Second) // the tool coasts
			n.answer(v, changed, "")
		case what == "way":
			n.answer(v, changed, "1")
		case v.Keep != "":
			n.answer(v, changed, "")
		default:
			n.t.Fatalf("nobody knows what to answer: %+v", v)
		}
	}
	v, _ := n.g.View()
	n.t.Fatalf("it does not end: %+v", v)
}

// wait waits for a change.
func (n *newcomer) wait(changed <-chan struct{}) {
	n.t.Helper()
	select {
	case <-changed:
	case <-time.After(30 * time.Second): //clock:ok bounds a test that hangs
		v, _ := n.g.View()
		n.t.Fatalf("nothing happens: %+v", v)
	}
}

// right checks a shop file against what really is where.
func (n *newcomer) right(file string) {
	n.t.Helper()
	shop, err := config.LoadShop(file, n.w.Rig)
	if err != nil {
		n.t.Fatal(err)
	}
	for i := range shop.Machines {
		if m := &shop.Machines[i]; !slices.Equal(m.Channels, n.w.Sensor[m.Name]) {
			n.t.Errorf("%s: %v, want %v", m.Name, m.Channels, n.w.Sensor[m.Name])
		}
	}
	for i := range shop.Gates {
		if g := &shop.Gates[i]; n.w.Gate[n.w.Rig.Actuators[g.Actuator].Name] != g.Name {
			n.t.Errorf("gate %s is on %s", g.Name, n.w.Rig.Actuators[g.Actuator].Name)
		}
	}
	if len(shop.Machines) != 4 || len(shop.Gates) != 6 {
		n.t.Errorf("%d machines, %d gates", len(shop.Machines), len(shop.Gates))
	}
}

// screen is a terminal's text.
type screen struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *screen) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(b)
}

func (s *screen) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// keepIn keeps the new shop in a state folder, and notes its file.
func keepIn(dir string, used *string) func(string, []byte) (string, error) {
	return func(name string, text []byte) (string, error) {
		f, err := state.WriteShop(dir, name, text)
		*used = f.Path()
		return *used, err
	}
}

// startMoveIn opens the move-in of a made shop.
func startMoveIn(t *testing.T, w *moveintest.World, old []byte, dir string) (*guide.Guide, *string) {
	t.Helper()
	used := new(string)
	g, err := guide.Open(guide.Options{State: dir, Rig: w.Rig, Link: w, Before: movein.Before{File: "shops/barn.toml", Text: old},
		Adopt: keepIn(dir, used),
		Today: func() string { return "2026-11-25" }, Notice: func(err error) { t.Error(err) }})
	if err != nil {
		t.Fatal(err)
	}
	w.To = g
	t.Cleanup(g.Close)
	return g, used
}

// TestMoveInTerminal: a whole move-in on a terminal of 60 columns, left in the
// middle and taken up again.
func TestMoveInTerminal(t *testing.T) {
	w, old, err := moveintest.Barn(1)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	out := &screen{}
	n := &newcomer{t: t, w: w, met: map[string]bool{}}
	var used *string
	for _, until := range []string{"sensor/drum sander", "gate/g3", ""} {
		n.g, used = startMoveIn(t, w, old, dir)
		in, typing := io.Pipe()
		n.answer = func(_ movein.View, changed <-chan struct{}, text string) {
			fmt.Fprintln(typing, text)
			n.wait(changed)
		}
		ended := make(chan error)
		go func() { ended <- guide.NewTerminal(n.g, out).Run(context.Background(), in) }()
		n.moveIn(until)
		if until != "" {
			fmt.Fprintln(typing, "q")
		}
		if err := <-ended; err != nil {
			t.Fatal(err)
		}
		n.g.Close()
		w.LetGo()
	}
	n.right(filepath.Join(dir, *used))
	if *used != "shops/garage.1.toml" {
		t.Error(*used)
	}
	for _, what := range []string{"name", "sensor", "gate", "travel", "learn", "coast", "missing", "air", "dry", "activate"} {
		if !n.met[what] {
			t.Errorf("the step %s never came", what)
		}
	}
	text := out.String()
	for _, line := range strings.Split(text, "\n") {
		if len([]rune(line)) > 62 {
			t.Errorf("a line of %d columns: %s", len([]rune(line)), line)
		}
	}
	for _, want := range []string{"Do not connect the planer", "Enter = ", "Left. Your answers are kept", "Which gate moved?", "one for each leg", "Moved in"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q was never shown", want)
		}
	}
	learned, err := os.ReadFile(filepath.Join(dir, "learned.json"))
	if err != nil || strings.Count(string(learned), `"volts": 230`) != 4 {
		t.Errorf("%v\n%s", err, learned)
	}
	if t.Failed() {
		t.Log(text)
	}
}

// TestMoveInEachStep: the program ends in each step, and the next one goes on
// there.
func TestMoveInEachStep(t *testing.T) {
	w, old, err := moveintest.Barn(2)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	n := &newcomer{t: t, w: w, met: map[string]bool{}}
	seen := map[string]bool{}
	var used *string
	n.answer = func(v movein.View, changed <-chan struct{}, text string) {
		t.Helper()
		if err := n.g.Answer(v.Revision, text); err != nil {
			t.Fatal(err)
		}
		n.wait(changed)
	}
	for {
		n.g, used = startMoveIn(t, w, old, dir)
		v, _ := n.g.View()
		if seen[v.Step] {
			t.Fatalf("%s comes again after a restart", v.Step)
		}
		seen[v.Step] = true
		if n.step(v.Step); *used != "" {
			break
		}
		n.g.Close()
		w.LetGo()
	}
	n.right(filepath.Join(dir, *used))
	v, _ := n.g.View()
	if err := errors.Join(n.g.Back(v.Revision), n.g.Go(v.Revision, "name")); strings.Count(fmt.Sprint(err), "already in use") != 2 {
		t.Errorf("after the end: %v", err)
	}
	if len(seen) < 55 {
		t.Errorf("%d steps", len(seen))
	}
}

// TestMoveInLost: somebody puts another shop in force meanwhile; that is said,
// and one answer goes on.
func TestMoveInLost(t *testing.T) {
	w, old, err := moveintest.Barn(3)
	if err != nil {
		t.Fatal(err)
	}
	n := &newcomer{t: t, w: w, met: map[string]bool{}}
	n.g, _ = startMoveIn(t, w, old, t.TempDir())
	defer n.g.Close()
	n.answer = func(v movein.View, changed <-chan struct{}, text string) {
		t.Helper()
		if err := n.g.Answer(v.Revision, text); err != nil {
			t.Fatal(err)
		}
		n.wait(changed)
	}
	n.moveIn("sensor/planer")
	v, changed := n.g.View()
	for v.Working {
		n.wait(changed)
		v, changed = n.g.View()
	}
	w.LetGo()
	n.g.Lost("somebody has chosen another shop")
	n.wait(changed)
	if v, changed = n.g.View(); !strings.Contains(v.Wrong, "has chosen another shop") || len(v.Choices) != 1 {
		t.Errorf("%+v", v)
	}
	if err := n.g.Answer(v.Revision, v.Keep); err != nil {
		t.Fatal(err)
	}
	n.wait(changed)
	if v, _ = n.g.View(); v.Wrong != "" || v.Step != "sensor/planer" {
		t.Errorf("%+v", v)
	}
	n.step("sensor/planer")
}

// TestMoveInAside: a file of a move-in that cannot be read is set aside.
func TestMoveInAside(t *testing.T) {
	w, old, err := moveintest.Barn(1)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	path := filepath.Join(dir, guide.File)
	if err := os.WriteFile(path, []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	said := ""
	g, err := guide.Open(guide.Options{State: dir, Rig: w.Rig, Link: w, Before: movein.Before{File: "x", Text: old}, Today: func() string { return "" }, Notice: func(err error) { said += err.Error() }})
	if err != nil {
		t.Fatal(err)
	}
	defer g.Close()
	if v, _ := g.View(); v.Step != "name" || !strings.Contains(said, "set aside") {
		t.Errorf("%+v, %q", v, said)
	}
	if b, err := os.ReadFile(path + ".unreadable"); err != nil || string(b) != "{" {
		t.Errorf("%q, %v", b, err)
	}
}

// TestMoveInTold: an answer that cannot be kept, or that came too late, is told.
func TestMoveInTold(t *testing.T) {
	w, old, err := moveintest.Barn(1)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	g, _ := startMoveIn(t, w, old, dir)
	out := &screen{}
	term := guide.NewTerminal(g, out)
	if err := term.Run(context.Background(), strings.NewReader("garage\nfurlongs\n")); err != nil {
		t.Fatal(err)
	}
	if text := out.String(); strings.Count(text, `"furlongs" is not one of the answers`) != 1 {
		t.Error(text)
	}
	// Nothing can be written any more.
	if err := os.Remove(filepath.Join(dir, guide.File)); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(dir, guide.File, "full"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err = term.Run(context.Background(), strings.NewReader("metric\n")); err != nil || !strings.Contains(strings.Join(strings.Fields(out.String()), " "), "cannot be written") {
		t.Errorf("%v\n%s", err, out.String())
	}
}

// TestMoveInTwoPrograms: what another program has answered is shown, and the
// answer to the old question refused.
func TestMoveInTwoPrograms(t *testing.T) {
	w, old, err := moveintest.Barn(1)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	one, _ := startMoveIn(t, w, old, dir)
	two, _ := startMoveIn(t, w, old, dir)
	v1, _ := one.View()
	v2, _ := two.View()
	if err := one.Answer(v1.Revision, "garage"); err == nil || !strings.Contains(err.Error(), "has changed since") {
		t.Errorf("the second program has begun a question of its own: %v", err)
	}
	v1, _ = one.View()
	if err := one.Answer(v1.Revision, "garage"); err != nil {
		t.Fatal(err)
	}
	if err := two.Answer(v2.Revision, "cellar"); err == nil || !strings.Contains(err.Error(), "has changed since") {
		t.Error(err)
	}
	if v2, _ = two.View(); v2.Step != "units" {
		t.Errorf("%+v", v2)
	}
}
