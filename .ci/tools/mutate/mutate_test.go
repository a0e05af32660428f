package main

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// The mutants of a small package: each operator makes those that it should, all
// of them build in one binary, and those that its test does not find are the ones that a
// reader of the test would name.
func TestSample(t *testing.T) {
	root, err := filepath.Abs("testdata/sample")
	if err != nil {
		t.Fatal(err)
	}
	w, err := load(root, ".", regexp.MustCompile(`.`), regexp.MustCompile(`^$`))
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, m := range w.mutants {
		all = append(all, m.op+": "+m.change())
	}
	for _, want := range []string{
		"boundary: times > 2 => times >= 2",
		"negate: times > 2 => times <= 2",
		"constant: 2 => 3",
		"constant: off => on",
		"conjunct: times > 2 && b.state == off => b.state == off",
		"conjunct: times > 2 && b.state == off => times > 2",
		"drop one: b.state, b.count = on, b.count+times => b.count = b.count+times",
		"arithmetic: b.count+times => b.count - times",
		"arithmetic: b.count++ => b.count--",
		"drop: return true => ",
		"case: off => on",
		"empty: b.state, b.count = on, b.count+times return true => ",
	} {
		if !slices.Contains(all, want) {
			t.Errorf("no mutant %q in\n%s", want, strings.Join(all, "\n"))
		}
	}
	work := t.TempDir()
	s, err := build(root, work, w, ".", nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.survey(work); err != nil {
		t.Fatal(err)
	}
	var lived []string
	tryAll([]*suite{s}, w.mutants, 2, time.Now(), func(m *mutant, v verdict) { t.Errorf("%s is begun after the end", m.name()) })
	tryAll([]*suite{s}, w.mutants, 2, time.Now().Add(time.Hour), func(m *mutant, v verdict) {
		if !v.reached {
			t.Errorf("%s is not reached", m.name())
		}
		if v.by == "" {
			lived = append(lived, m.op+": "+m.change())
		}
	})
	slices.Sort(lived)
	// The test presses three times only, and off is never seen at the switch.
	want := []string{"boundary: times > 2 => times >= 2", "case: off => on", "conjunct: times > 2 && b.state == off => b.state == off"}
	if !slices.Equal(lived, want) {
		t.Errorf("these live: %q, want %q", lived, want)
	}
}

// The list of survivors: reasons, mutants that a test is owed to, and what cannot be read.
func TestSurvivors(t *testing.T) {
	file := filepath.Join(t.TempDir(), "survivors")
	read := func(text string) (map[string]*entry, error) {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return readSurvivors(file)
	}
	list, err := read("# c\nwhy: both end\na | b\nc | d\n\nowed: a table\ne | f\n")
	if err != nil || len(list) != 3 || list["a | b"].why != "both end" || list["c | d"].owed || !list["e | f"].owed || list["e | f"].line != 7 {
		t.Errorf("%v %v", list, err)
	}
	for text, want := range map[string]string{"a | b\n": ":1: no reason stands above", "why: x\na\na\n": ":3: this mutant stands in line 2 already"} {
		if _, err := read(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// A sample is the same for the same seed, about as large as asked, and another for another seed.
func TestDrawn(t *testing.T) {
	var a, b, both int
	for i := range 10000 {
		m := &mutant{file: "f.go", fn: "f", op: "drop", old: strings.Repeat("x", i%100), text: strings.Repeat("y", i/100)}
		inA, inB := drawn(m, 10, "a"), drawn(m, 10, "b")
		if inA != drawn(m, 10, "a") || inA && !drawn(m, 11, "a") || !drawn(m, 100, "a") || drawn(m, 0, "a") {
			t.Fatal("a sample that is none")
		}
		if inA {
			a++
		}
		if inB {
			b++
		}
		if inA && inB {
			both++
		}
	}
	if a < 800 || a > 1200 || b < 800 || b > 1200 || both > 200 {
		t.Errorf("%d and %d of 10000, %d in both", a, b, both)
	}
}

// How many may live: the rest of a whole run; of a sample so many that fewer than 1 draw
// of 100 has more. The bounds of the samples were computed apart, with binomial coefficients.
func TestAllowed(t *testing.T) {
	for _, c := range []struct {
		n     int
		floor float64
		whole bool
		want  int
	}{
		{0, 90, false, 0}, {0, 90, true, 0}, {50, 100, false, 0}, {50, 100, true, 0},
		{1402, 86, true, 196}, {5195, 78, true, 1142},
		{1, 50, false, 1}, {10, 50, false, 9}, {20, 90, false, 6}, {20, 50, false, 15},
	} {
		if got := allowed(c.n, c.floor, c.whole); got != c.want {
			t.Errorf("%d mutants, floor %v, whole %v: %d may live, want %d", c.n, c.floor, c.whole, got, c.want)
		}
	}
}
