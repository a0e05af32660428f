package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/journal/journaltest"
	"kerfwind/testdata/peers"
)

// barnHistory is the scripts' command "barn-history DIR": makeHistory.
func barnHistory(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: barn-history DIR")
	}
	ts.Check(journaltest.Make(ts.MkAbs(args[0]), 8))
}

// The picture fits its frame, and a browser draws all of it.
func TestHistoryPicture(t *testing.T) {
	dir := t.TempDir()
	if err := journaltest.Make(dir, 8); err != nil {
		t.Fatal(err)
	}
	svg := filepath.Join(dir, "hours.svg")
	for _, by := range []string{"day", "week", "month", "all"} {
		f := historyFlags{state: dir, by: by, svg: svg, force: true, limit: 1}
		if err := history(t.Context(), os.Stdout, &f); err != nil {
			t.Fatal(err)
		}
		data, err := os.ReadFile(svg)
		if err != nil {
			t.Fatal(err)
		}
		if n := strings.Count(string(data), `class="base"`); n != 4 {
			t.Errorf("%s: %d strips", by, n)
		}
	}
	f := historyFlags{state: dir, by: "day", from: "2025-01-01", svg: svg, force: true, limit: 1}
	if err := history(t.Context(), os.Stdout, &f); err != nil {
		t.Errorf("days before the first record take no room: %v", err)
	}
	if to := os.Getenv("KERFWIND_LOOK"); to != "" { // a folder for those who want to see it
		if err := os.Rename(svg, filepath.Join(to, "hours.svg")); err != nil {
			t.Fatal(err)
		}
	}
}

// The figures of a report agree with SQLite's own program reading the rows.
func TestHistorySQLite(t *testing.T) {
	sqlite := peers.Require(t, "sqlite3", "Debian package sqlite3")
	dir := t.TempDir()
	if err := journaltest.Make(dir, 3); err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := history(t.Context(), &b, &historyFlags{state: dir, by: "day", from: "2026-01-01", machine: "band saw", limit: 1, csv: true}); err != nil {
		t.Fatal(err)
	}
	want := sqlite3(t, sqlite, journal.Path(dir), `SELECT date(wall/1000,'unixepoch'), count(*), sum(ms)/1000, max(ms)/1000 FROM span
		WHERE kind = 'machine' AND name = 'band saw' GROUP BY 1 ORDER BY 1`)
	var got strings.Builder
	for _, line := range strings.Split(strings.TrimSpace(b.String()), "\n")[1:] {
		f := strings.Split(line, ",")
		fmt.Fprintf(&got, "%s|%s|%s|%s\n", f[0], f[4], f[5], f[6])
	}
	if got.String() != want || want == "" {
		t.Errorf("report:\n%s\nsqlite3:\n%s", got.String(), want)
	}
	if check := sqlite3(t, sqlite, journal.Path(dir), "PRAGMA integrity_check; PRAGMA foreign_key_check"); check != "ok\n" {
		t.Errorf("integrity: %s", check)
	}
}

func sqlite3(t *testing.T, program, file, query string) string {
	t.Helper()
	out, err := exec.Command(program, "-readonly", file, query).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return string(out)
}
