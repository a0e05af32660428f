package panel

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// TestLog: rows are lines, and the files stay small.
func TestLog(t *testing.T) {
	l := &Log{Path: filepath.Join(t.TempDir(), "state", "audit.jsonl")}
	row := Row{At: time.Date(2026, 3, 2, 9, 30, 0, 0, time.UTC), Trusted: true, Shop: "barn", Role: "operate", From: "192.168.1.20", What: "/hold",
		With: map[string][]string{"gate": {"planer"}}, Result: "done"}
	if err := l.Add(row); err != nil {
		t.Fatal(err)
	}
	const want = `{"at":"2026-03-02T09:30:00Z","trusted":true,"shop":"barn","role":"operate","from":"192.168.1.20","what":"/hold","with":{"gate":["planer"]},"result":"done"}` + "\n"
	if got, err := os.ReadFile(l.Path); err != nil || string(got) != want {
		t.Errorf("%s, %v", got, err)
	}
	if err := os.WriteFile(l.Path, bytes.Repeat([]byte(want), mostLog/len(want)+1), 0o600); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if err := l.Add(row); err != nil {
			t.Fatal(err)
		}
	}
	now, err := os.ReadFile(l.Path)
	if err != nil || strings.Count(string(now), "\n") != 3 {
		t.Errorf("%d bytes, %v", len(now), err)
	}
	if old, err := os.Stat(l.Path + ".1"); err != nil || old.Size() < mostLog {
		t.Errorf("the older file: %v, %v", old, err)
	}
	for line := range bytes.Lines(now) {
		if err := json.Unmarshal(line, new(Row)); err != nil {
			t.Error(err)
		}
	}
}

// TestTornLog: a row that a power cut, or a full disk, has left half written
// does not take the next one with it.
func TestTornLog(t *testing.T) {
	l := &Log{Path: filepath.Join(t.TempDir(), "audit.jsonl")}
	if err := os.WriteFile(l.Path, []byte("{\"what\":\"/hold\"}\n{\"wh"), 0o600); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := l.Add(Row{What: "/release", Result: "done"}); err != nil {
			t.Fatal(err)
		}
	}
	b, err := os.ReadFile(l.Path)
	if err != nil {
		t.Fatal(err)
	}
	var good []string
	for line := range bytes.Lines(b) {
		var r Row
		if json.Unmarshal(line, &r) == nil {
			good = append(good, r.What)
		}
	}
	if want := []string{"/hold", "/release", "/release"}; !slices.Equal(good, want) {
		t.Errorf("%q, want %q in\n%s", good, want, b)
	}
}

// TestWrongRows: wrong passwords are written down once a minute, and counted.
func TestWrongRows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := newAccess(filepath.Join(t.TempDir(), "none"), nil)
		for i, want := range []int{0, -1, -1, 2, -1, 1} {
			if i == 3 || i == 5 {
				time.Sleep(wrongGap)
			}
			n, write := a.failed()
			if write != (want >= 0) || write && n != want {
				t.Errorf("%d: %d, %v", i, n, write)
			}
		}
	})
}
