package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"kerfwind/cmd/kerfwind/internal/histview"
	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/control"
	"kerfwind/testdata/peers"
)

// barnNames are those of the histories that tests make.
var barnNames = map[control.Subject][]string{
	control.AMachine:   {"band saw", "thickness planer", "drum sander"},
	control.AGate:      {"saw", "planer", "sander"},
	control.ACollector: {"collector"},
}

// makeHistory records some invented weeks of work in a state directory, from
// Monday 2026-02-02 on. The filter fills: the collector draws less each week.
func makeHistory(dir string, weeks int) error {
	begin := time.Date(2026, 2, 2, 8, 0, 0, 0, time.UTC)
	var mu sync.Mutex
	var at time.Duration
	set := func(d time.Duration) {
		mu.Lock()
		defer mu.Unlock()
		at = d
	}
	j := journal.Start(journal.Options{Dir: dir, Zone: time.UTC, Shop: "barn", Program: "test", Budget: 6,
		Clock: func() journal.Stamp {
			mu.Lock()
			defer mu.Unlock()
			return journal.Stamp{Boot: "boot", Mono: at, Wall: begin.Add(at), Trusted: true}
		},
		NameOf: func(of control.Subject, id control.ID) string {
			if l := barnNames[of]; int(id) < len(l) {
				return l[id]
			}
			return ""
		}})
	ctx := context.Background()
	say := func(now time.Duration, open control.ID, on bool, kinds ...control.EventKind) {
		set(now)
		s := &control.Snapshot{At: now, Gates: make([]control.GateView, 3), Collectors: []control.CollectorView{{Commanded: on}}}
		if on {
			s.Gates[open].Position = control.PositionOpen
		}
		var events []control.Event
		for _, k := range kinds {
			id := open
			if k.Subject() == control.ACollector {
				id = 0
			}
			events = append(events, control.Event{At: now, Kind: k, ID: id})
		}
		j.Observe(s, events)
	}
	for day := range weeks * 7 {
		if day%7 > 4 {
			continue
		}
		t := time.Duration(day) * 24 * time.Hour
		for run := range 6 {
			m := control.ID((day + run) % 3)
			t += 20 * time.Minute
			say(t, m, true, control.MachineStarted, control.GateOpening, control.GateIsOpen, control.CollectorIsOn)
			length := time.Duration(3+2*run+day%4) * time.Minute
			amps := (10 - float64(m)) * (1 - 0.01*float64(day/7)) // 1 % a week
			for s := time.Duration(20); s < 50; s++ {
				j.Draw(t+s*time.Second, amps+0.02*math.Sin(float64(s)))
			}
			t += length
			say(t, m, false, control.MachineStopped)
			say(t+20*time.Second, m, false, control.CollectorIsOff, control.GateClosing, control.GateIsClosed)
			if err := j.Flush(ctx); err != nil {
				return err
			}
		}
		if day%7 == 4 && day/7%2 == 1 {
			say(t+time.Minute, 0, false, control.BinIsFull, control.BinHasRoom)
		}
	}
	return errors.Join(j.Flush(ctx), j.Close())
}

// barnHistory is the scripts' command "barn-history DIR": makeHistory.
func barnHistory(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: barn-history DIR")
	}
	ts.Check(makeHistory(ts.MkAbs(args[0]), 8))
}

func TestParseEvery(t *testing.T) {
	tests := []struct {
		text  string
		moves bool
		want  int64
		err   string
	}{
		{"40 h", false, 40 * 3600 * 1000, ""},
		{"never", false, 0, ""},
		{"never", true, 0, ""},
		{"20000 moves", true, 20000, ""},
		{"500", true, 500, ""},
		{"40", false, 0, "unit"},
		{"40 s", false, 0, "between 1 h"},
		{"-3", true, 0, "number of openings"},
		{"40 h", true, 0, "number of openings"},
	}
	for _, tt := range tests {
		got, err := parseEvery(tt.text, tt.moves)
		if got != tt.want || (err == nil) != (tt.err == "") || err != nil && !strings.Contains(err.Error(), tt.err) {
			t.Errorf("%q: %d %v", tt.text, got, err)
		}
	}
}

// The picture fits its frame, and a browser draws all of it.
func TestHistoryPicture(t *testing.T) {
	dir := t.TempDir()
	if err := makeHistory(dir, 8); err != nil {
		t.Fatal(err)
	}
	svg := filepath.Join(dir, "hours.svg")
	for _, by := range []string{"day", "week", "month", "all"} {
		f := historyFlags{state: dir, by: by, svg: svg, force: true, limit: 1}
		if err := history(os.Stdout, &f); err != nil {
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
	if err := history(os.Stdout, &f); err != nil {
		t.Errorf("days before the first record take no room: %v", err)
	}
	if to := os.Getenv("KERFWIND_LOOK"); to != "" { // a folder for those who want to see it
		if err := os.Rename(svg, filepath.Join(to, "hours.svg")); err != nil {
			t.Fatal(err)
		}
	}
}

func FuzzParseDay(f *testing.F) {
	for _, s := range []string{"2026-03-02", "1969-12-31", "2026-02-30", "", "0000-01-01", "9999-12-31"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		day, err := histview.ParseDay(text)
		if err != nil {
			return
		}
		if got := journal.DayTime(day).Format(time.DateOnly); got != text {
			t.Fatalf("%q is day %d, which is %s", text, day, got)
		}
	})
}

// A restore brings back what a backup holds, and a damaged one changes nothing.
func TestBackupRestore(t *testing.T) {
	src, dst := t.TempDir(), t.TempDir()
	demo := filepath.Join(moduleRoot, "testdata", "demo")
	put := func(from, to string) {
		t.Helper()
		data, err := os.ReadFile(from)
		if err == nil {
			err = os.MkdirAll(filepath.Dir(to), 0o750)
		}
		if err == nil {
			err = os.WriteFile(to, data, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	from := backupFlags{config: filepath.Join(src, "etc"), state: filepath.Join(src, "state")}
	put(filepath.Join(demo, "rig.toml"), filepath.Join(from.config, "rig.toml"))
	put(filepath.Join(demo, "shops", "barn.toml"), filepath.Join(from.config, "shops", "barn.toml"))
	put(filepath.Join(demo, "shops", "barn.toml"), filepath.Join(from.state, "shops", "barn.2.toml"))
	if err := makeHistory(from.state, 2); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(from.state, "standdown"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(src, "barn.zip")
	var out, notices strings.Builder
	if err := backup(&out, &notices, file, &from, time.Now()); err != nil {
		t.Fatal(err)
	}
	if err := backup(&out, &notices, file, &from, time.Now()); err == nil || !strings.Contains(err.Error(), "--force") {
		t.Errorf("a second backup over the first: %v", err)
	}
	if notices.Len() > 0 {
		t.Errorf("all is there: %s", &notices)
	}
	to := backupFlags{config: filepath.Join(dst, "etc"), state: filepath.Join(dst, "state")}
	if err := restore(&out, file, &to, time.Now()); err != nil {
		t.Fatal(err)
	}
	report := func(dir string) string {
		var b strings.Builder
		if err := history(&b, &historyFlags{state: dir, by: "day", limit: 1, csv: true}); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	if a, b := report(from.state), report(to.state); a != b {
		t.Errorf("the history differs:\n%s\n%s", a, b)
	}
	for _, name := range []string{"etc/rig.toml", "etc/shops/barn.toml", "state/shops/barn.2.toml"} {
		a, _ := os.ReadFile(filepath.Join(src, name))
		b, err := os.ReadFile(filepath.Join(dst, name))
		if err != nil || string(a) != string(b) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := os.Stat(filepath.Join(to.state, "standdown")); err == nil {
		t.Error("a stand-down was restored")
	}
	tree := func() string {
		var b strings.Builder
		err := filepath.WalkDir(dst, func(p string, d os.DirEntry, err error) error {
			if err == nil && !d.IsDir() && d.Name() != "history.lock" {
				data, e := os.ReadFile(p)
				fmt.Fprintf(&b, "%s %d %x\n", strings.TrimPrefix(p, dst), len(data), data[:min(len(data), 8)])
				return e
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	before := tree()
	if err := restore(&out, file, &to, time.Now()); err == nil || !strings.Contains(err.Error(), "there already") {
		t.Errorf("restore over something: %v", err)
	}
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	to.force = true
	for _, cut := range []int{10, len(whole) / 2, len(whole) - 1} {
		if err := os.WriteFile(file, whole[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		if err := restore(&out, file, &to, time.Now()); err == nil {
			t.Errorf("restored the first %d bytes", cut)
		}
	}
	for i := 200; i < len(whole); i += len(whole) / 5 {
		bad := []byte(string(whole))
		bad[i] ^= 0x40
		if err := os.WriteFile(file, bad, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := restore(&out, file, &to, time.Now()); err == nil {
			t.Errorf("restored with byte %d wrong", i)
		}
	}
	if after := tree(); after != before {
		t.Errorf("a restore that failed changed something:\n%s\nwas\n%s", after, before)
	}
	lock, err := journal.Lock(to.state)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, whole, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := restore(&out, file, &to, time.Now()); err == nil || !strings.Contains(err.Error(), "stop the daemon") {
		t.Errorf("restore beside the daemon: %v", err)
	}
	if err := lock.Close(); err != nil {
		t.Fatal(err)
	}
	out.Reset()
	if err := restore(&out, file, &to, time.Now()); err != nil {
		t.Fatal(err)
	}
	kept, _ := filepath.Glob(filepath.Join(dst, "*", "before-restore-*", "*"))
	if len(kept) != 4 || !strings.Contains(out.String(), "before-restore-") { // rig.toml, shops; history.db, shops
		t.Errorf("kept aside: %v\n%s", kept, out.String())
	}
}

// The figures of a report agree with SQLite's own program reading the rows.
func TestHistorySQLite(t *testing.T) {
	sqlite := peers.Require(t, "sqlite3", "Debian package sqlite3")
	dir := t.TempDir()
	if err := makeHistory(dir, 3); err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := history(&b, &historyFlags{state: dir, by: "day", from: "2026-01-01", machine: "band saw", limit: 1, csv: true}); err != nil {
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
