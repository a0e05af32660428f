package live

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"kerfwind/cmd/kerfwind/internal/scene"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
	"kerfwind/sensor"
)

var rewrite = flag.Bool("rewrite", false, "write the expected frames anew")

const sec = time.Second

// barn is a moment in a small shop, put down by hand.
func barn() (*Options, *state) {
	o := &Options{Title: "kerfwind demo: the barn", Speed: 10,
		Names: timeline.Names{Machines: []string{"band saw", "planer", "drum sander", "router"},
			Gates:      []string{"band saw", "planer", "drum sander", "router", "floor sweep", "far end"},
			Collectors: []string{"collector"}, Outlets: []string{"air cleaner"}},
		Channels: []Channel{{"c0", 0, 1.5, 1}, {"c1", 1, 2.5, 1.5}, {"c2", 2, 1.5, 1}, {"c3", 3, 1, 0.6}, {"c4", control.NoID, 0, 0}}}
	s := &state{now: 134 * sec, speed: 10, scale: 20,
		channels: []current{{amps: 0.1, verdict: sensor.Idle}, {amps: 13.4, verdict: sensor.Running}, {amps: 0, verdict: sensor.Unknown}, {amps: 0.05, verdict: sensor.Idle}, {amps: 31, verdict: sensor.Running}},
		snap: &control.Snapshot{At: 130 * sec,
			Machines: []control.MachineView{
				{Sensed: control.Idle}, {Sensed: control.Running, Run: true, Served: true}, {Sensed: control.Unknown}, {Sensed: control.Idle, RunOn: 140 * sec}},
			Gates: []control.GateView{{Position: control.PositionShut}, {Position: control.PositionOpen}, {Position: control.PositionOpening},
				{Position: control.PositionShutting}, {Position: control.PositionUnknown, Fault: control.GateNotOpen}, {Position: control.PositionShut}},
			Collector: control.CollectorView{Commanded: true, Sensed: control.Running, StartsLeft: 4, Why: control.Why{Cause: control.ByRunOn, Machine: 1, Until: 139500 * time.Millisecond}},
			Outlets:   []control.OutletView{{Commanded: true, RunOn: 700 * sec}},
			Faults:    []control.FaultView{{Fault: control.GateNotOpen, ID: 4}},
		}}
	for i := range 12 {
		s.lines = append(s.lines, entry{time.Duration(100+i) * sec, i%5 == 4, fmt.Sprintf("line %d: router gate opening, a machine runs", i+1)})
	}
	s.lines[11].words = "line 12: Fräse started"
	return o, s
}

// TestFrames holds frames for common sizes. With -rewrite they are written
// again: look at them then.
func TestFrames(t *testing.T) {
	o, s := barn()
	atRest := &state{now: 3 * sec, scale: 20, channels: make([]current, 5), snap: &control.Snapshot{
		StoodDown: true, Machines: make([]control.MachineView, 4), Gates: make([]control.GateView, 6), Collector: control.CollectorView{StartsLeft: 1}}}
	var b strings.Builder
	for _, tt := range []struct {
		s    *state
		w, h int
		k    look
	}{
		{s, 100, 30, look{false, true}}, {s, 60, 20, look{false, true}}, {s, 40, 16, look{false, true}},
		{s, 80, 24, look{false, false}}, {s, 40, 16, look{false, false}}, {s, 60, 16, look{true, true}}, {s, 24, 8, look{false, true}},
		{atRest, 80, 24, look{false, true}}, {&state{scale: 20, channels: make([]current, 5)}, 60, 20, look{false, true}},
	} {
		fmt.Fprintf(&b, "=== %d x %d, colour %v, UTF-8 %v\n", tt.w, tt.h, tt.k.color, tt.k.utf8)
		for _, l := range render(o, tt.s, tt.w, tt.h, tt.k) {
			b.WriteString(strings.ReplaceAll(l, "\x1b", "^") + "\n")
		}
	}
	name := filepath.Join("..", "..", "..", "..", "testdata", "live", "frames.txt")
	if *rewrite {
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(b.String(), "\n")); diff != "" {
		t.Errorf("frames changed; look at them and run the test with -rewrite (-want +got):\n%s", diff)
	}
}

var sgr = regexp.MustCompile("\x1b\\[[0-9;]*m")

// TestFits: whatever is shown, a frame fits its terminal and holds no control
// characters but those of its own styles; without colour they are bold and
// reverse only.
func TestFits(t *testing.T) {
	word := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"\x1b[2J", "planer", "\u202eabc", "鉋盤", "e\u0301", "\xff\xfe", "a very long name of a machine that does not end", "", "🪚"}))
	rapid.Check(t, func(t *rapid.T) {
		o, s := barn()
		words := func(list []string) {
			for i := range list {
				list[i] = word.Draw(t, "name")
			}
		}
		words(o.Names.Machines)
		words(o.Names.Gates)
		words(o.Names.Collectors)
		words(o.Names.Outlets)
		o.Title = word.Draw(t, "title")
		for i := range o.Channels {
			o.Channels[i].Label = word.Draw(t, "label")
			o.Channels[i].Machine = rapid.SampledFrom([]control.ID{0, 1, 2, 3, 99, control.NoID}).Draw(t, "machine")
			s.channels[i].amps = rapid.SampledFrom([]float32{0, 1, 19.99, 20, 1e9, -1, float32(math.NaN()), float32(math.Inf(1))}).Draw(t, "amps")
		}
		for i := range s.lines {
			s.lines[i].words = word.Draw(t, "line")
		}
		if rapid.Bool().Draw(t, "no snapshot") {
			s.snap = nil
		} else {
			s.snap.Faults = []control.FaultView{{Fault: control.Uncollected, Cause: control.ByGate, ID: 1}}
		}
		s.now = time.Duration(rapid.Int64Min(0).Draw(t, "now"))
		w, h := rapid.IntRange(-1, 140).Draw(t, "width"), rapid.IntRange(-1, 50).Draw(t, "height")
		k := look{rapid.Bool().Draw(t, "colour"), rapid.Bool().Draw(t, "utf8")}
		lines := render(o, s, w, h, k)
		if len(lines) > max(h, 1) {
			t.Fatalf("%d lines on %d", len(lines), h)
		}
		for _, l := range lines {
			for _, e := range sgr.FindAllString(l, -1) {
				if !k.color && e != "\x1b[0m" && e != "\x1b[1m" && e != "\x1b[1;7m" {
					t.Fatalf("style %q without colour", e)
				}
			}
			text := sgr.ReplaceAllString(l, "")
			if width(text) > max(w, 1) {
				t.Fatalf("%d columns on %d: %q", width(text), w, text)
			}
			for _, r := range text {
				if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || !k.utf8 && r > 0x7e {
					t.Fatalf("character %U in %q", r, text)
				}
			}
		}
	})
}

// TestUncollected: a machine that runs while its dust goes nowhere stands first, and
// reads so in its own line.
func TestUncollected(t *testing.T) {
	o, s := barn()
	s.snap.Machines[1].Run, s.snap.Machines[1].Sensed = true, control.Running
	s.snap.Faults = []control.FaultView{{Fault: control.Uncollected, Cause: control.ByGate, ID: 1}}
	s.snap.StoodDown = true
	lines := render(o, s, 100, 40, look{})
	first, own := -1, false
	for i, l := range lines {
		text := sgr.ReplaceAllString(l, "")
		switch {
		case strings.Contains(text, "Planer is NOT collected: "):
			first = i
		case strings.Contains(text, "Stood down") && first < 0:
			t.Error("the stand-down stands above it")
		case strings.Contains(text, o.Names.Machines[1]) && strings.Contains(text, "NOT served"):
			own = true
		}
	}
	if first < 0 || !own {
		t.Errorf("row %d, %v:\n%s", first, own, strings.Join(lines, "\n"))
	}
}

// TestStates: each state reads without colour: its own sign and its own word.
func TestStates(t *testing.T) {
	for _, k := range []look{{utf8: true}, {}} {
		seen := map[string]scene.GateState{}
		for p := scene.GateUnknown; p <= scene.GateAside; p++ {
			sign, word, _ := gateState(scene.Gate{State: p, Word: p.String()}, k)
			for _, s := range []string{sign, word} {
				if other, ok := seen[s]; ok {
					t.Errorf("%v and %v both show %q", p, other, s)
				}
				seen[s] = p
			}
			if width(sign) != 3 {
				t.Errorf("%v: sign %q is not 3 wide", p, sign)
			}
		}
	}
	o, s := barn()
	c := &s.snap.Collector
	for _, tt := range []struct {
		change func()
		want   string
	}{
		{func() {}, "collector ON, running: duct clearing, 6 s left   4 starts left"},
		{func() { c.Sensed = 0 }, "collector ON: duct clearing, 6 s left   4 starts left"},
		{func() { c.StartsLeft = 1; c.Why.Until = 0 }, "collector ON: duct clearing   1 start left"},
		{func() { c.StartsLeft = -1; c.Why = control.Why{Cause: control.ByMachine, Machine: 1} }, "collector ON: planer runs"},
		{func() { c.Fault = control.CollectorNoCurrent }, "collector  ON ! : planer runs"},
		{func() { c.Commanded, c.Fault, c.Sensed = false, 0, control.Running; c.Why.Cause = control.ByHand }, "collector  RUNS, not commanded : switch in hand"},
		{func() { c.Sensed = control.Idle; c.Why.Cause = control.ByNoDemand }, "collector off: nothing needs it"},
	} {
		tt.change()
		rows := collectorRow(o, s, 80, look{})
		if got := sgr.ReplaceAllString(rows[0].write(80, look{}), ""); got != tt.want {
			t.Errorf("got %q, want %q", got, tt.want)
		}
	}
}

func TestClean(t *testing.T) {
	for _, tt := range []struct{ in, utf, ascii string }{
		{"planer", "planer", "planer"},
		{"a\x1b[31mb\x07\n\x9b", "a?[31mb???", "a?[31mb???"},
		{"x\u202ey", "x?y", "x?y"},
		{"\xff", "?", "?"},
		{"Fräse ×2…", "Fräse ×2…", "Fr?se x2..."},
	} {
		if got := clean(tt.in, true); got != tt.utf {
			t.Errorf("clean(%q) = %q, want %q", tt.in, got, tt.utf)
		}
		if got := clean(tt.in, false); got != tt.ascii {
			t.Errorf("clean(%q) in ASCII = %q, want %q", tt.in, got, tt.ascii)
		}
	}
	if w := width("鉋e\u0301a"); w != 4 {
		t.Errorf("width %d, want 4", w)
	}
	if got := cut("abcdef", 4, true); got != "abc…" {
		t.Errorf("cut: %q", got)
	}
	if got := cut("鉋盤鉋", 4, false); got != "鉋~" {
		t.Errorf("cut of wide characters: %q", got)
	}
}

func TestHabits(t *testing.T) {
	for _, tt := range []struct {
		env        map[string]string
		color, utf bool
	}{
		{map[string]string{}, true, false},
		{map[string]string{"LANG": "en_GB.UTF-8"}, true, true},
		{map[string]string{"LANG": "en_GB.UTF-8", "LC_ALL": "C"}, true, false},
		{map[string]string{"LANG": "C", "LC_CTYPE": "C.utf8"}, true, true},
		{map[string]string{"NO_COLOR": "1", "LANG": "de_DE.UTF-8"}, false, true},
	} {
		color, utf := habits(func(k string) string { return tt.env[k] })
		if color != tt.color || utf != tt.utf {
			t.Errorf("%v: colour %v, UTF-8 %v", tt.env, color, utf)
		}
	}
	f, err := os.Open(os.DevNull)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	if _, ok := Terminal(f, func(string) string { return "xterm" }); ok {
		t.Error("the null device passes for a terminal")
	}
}
