package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The ways of a sample, an event, a request and a shop file in DEVELOPERS.md are
// those of the code: of two rooms next to each other one imports the other.
func TestWays(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(moduleRoot, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, files := parseModule(t)
	imports := map[[2]string]bool{}
	for _, f := range files {
		if f.test {
			continue
		}
		for _, imp := range importsOf(f.ast) {
			imports[[2]string{f.pkg, strings.TrimPrefix(imp, module+"/")}] = true
		}
	}
	long := func(room string) string {
		if strings.HasPrefix(room, "internal/") {
			return "cmd/kerfwind/" + room
		}
		return room
	}
	found := 0
	for _, way := range regexp.MustCompile(`(?m)^    (an? [a-z ]+): +(.*)$`).FindAllStringSubmatch(string(text), -1) {
		found++
		rooms := strings.Split(way[2], " > ")
		for i := 1; i < len(rooms); i++ {
			a, b := long(rooms[i-1]), long(rooms[i])
			if !imports[[2]string{a, b}] && !imports[[2]string{b, a}] {
				t.Errorf("the way of %s goes from %s to %s, and neither imports the other", way[1], rooms[i-1], rooms[i])
			}
		}
	}
	if found != 4 {
		t.Errorf("%d ways in DEVELOPERS.md, want those of a sample, an event, a request and a shop file", found)
	}
}

// Package main is wiring: a file a subcommand, and short.
func TestMainIsWiring(t *testing.T) {
	names, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	all := 0
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		lines := bytes.Count(text, []byte("\n"))
		all += lines
		if lines > 200 {
			t.Errorf("%s has %d lines: what is no wiring belongs into a package of internal", name, lines)
		}
	}
	if all > 3500 {
		t.Errorf("package main has %d lines, at most 3500 are wiring", all)
	}
}
