package journal

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"kerfwind/control"
)

// A backup a day, seven are kept, and none is made while a machine runs.
func TestBackups(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.start()
		for range 10 {
			r.say(control.MachineStarted, 0)
			time.Sleep(time.Hour)
			r.say(control.MachineStopped, 0)
			time.Sleep(23 * time.Hour)
		}
		r.close()
		all, err := backups(filepath.Join(r.dir, backupsDir))
		if err != nil || len(all) != Keep {
			t.Fatalf("%v %v", all, err)
		}
		if got := filepath.Base(all[Keep-1]); got != "000011-2026-03-12.db" { // the last is of the eleventh day, just after midnight
			t.Errorf("newest is %s", got)
		}
		for _, name := range all {
			if err := CheckFile(context.Background(), name); err != nil {
				t.Error(err)
			}
		}
		if left, _ := filepath.Glob(filepath.Join(r.dir, backupsDir, "*")); len(left) != Keep {
			t.Errorf("also there: %v", left)
		}
	})
}

func TestBackupDue(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"000003-2026-03-02.db", "notes.txt", "000009-no-date.db", "12-2026-03-09.db"} {
		if err := os.WriteFile(filepath.Join(dir, name), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	tests := []struct {
		now     time.Time
		trusted bool
		want    bool
	}{
		{noon, true, false},
		{noon.Add(24 * time.Hour), true, true},
		{noon.Add(24 * time.Hour), false, true},
		{noon.Add(-48 * time.Hour), true, true}, // the clock was wrong, and is not now
		{time.Unix(0, 0), false, false},
	}
	for _, tt := range tests {
		if got, err := backupDue(dir, tt.now, tt.trusted); got != tt.want || err != nil {
			t.Errorf("%v %v: %v %v", tt.now, tt.trusted, got, err)
		}
	}
}

// damages are ways in which a card spoils a file.
var damages = map[string]func([]byte) []byte{
	"zeroed pages": func(b []byte) []byte { clear(b[4096:12288]); return b },
	"header":       func(b []byte) []byte { copy(b, "no header at all"); return b },
	"cut in half":  func(b []byte) []byte { return b[:len(b)/2+100] },
	"noise in tree": func(b []byte) []byte {
		rng := rand.New(rand.NewPCG(1, 2))
		for i := 4096; i < len(b); i += 37 {
			b[i] = byte(rng.Uint32())
		}
		return b
	},
}

// A damaged file is set aside, the newest good backup takes its place, and
// events go on.
func TestDamaged(t *testing.T) {
	for name, damage := range damages {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t)
				r.start()
				r.say(control.MachineStarted, 0)
				time.Sleep(time.Hour)
				r.say(control.MachineStopped, 0)
				time.Sleep(2 * time.Hour) // the backup is made here
				r.say(control.MachineStarted, 1)
				time.Sleep(time.Hour)
				r.close()
				// The newest backup is damaged too.
				all, err := backups(filepath.Join(r.dir, backupsDir))
				if err != nil || len(all) != 1 {
					t.Fatal(all, err)
				}
				spoil(t, all[0], filepath.Join(filepath.Dir(all[0]), "000099-2026-03-03.db"), damage)
				spoil(t, Path(r.dir), Path(r.dir), damage)
				spoilt, _ := os.ReadFile(Path(r.dir))

				r.start()
				r.say(control.MachineStarted, 2)
				time.Sleep(time.Minute)
				r.say(control.MachineStopped, 2)
				r.close()
				if told := r.told(); strings.Count(told, "repaired") != 1 || !strings.Contains(told, "continues from the backup 000001-2026-03-02.db") {
					t.Errorf("told:\n%s", told)
				}
				r.want("runs", r.runs(), "2026-03-02 16:00:00 drum sander 1m0s seen\n2026-03-02 12:00:00 band saw 1h0m0s seen\n")
				aside, _ := filepath.Glob(filepath.Join(r.dir, "history.damaged-*.db"))
				if len(aside) != 1 {
					t.Fatalf("aside: %v", aside)
				}
				if got, _ := os.ReadFile(aside[0]); string(got) != string(spoilt) {
					t.Error("what was set aside is not what was there")
				}
			})
		})
	}
}

func spoil(t *testing.T, from, to string, damage func([]byte) []byte) {
	t.Helper()
	b, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, damage(b), 0o600); err != nil {
		t.Fatal(err)
	}
}

// Without any good backup a new history begins.
func TestDamagedNoBackup(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		if err := os.WriteFile(Path(r.dir), []byte(strings.Repeat("rubbish ", 2000)), 0o600); err != nil {
			t.Fatal(err)
		}
		r.start()
		r.say(control.MachineStarted, 0)
		time.Sleep(time.Minute)
		r.close()
		r.heard("no backup was good")
		r.want("runs", r.runs(), "2026-03-02 12:00:00 band saw 1m0s closed\n")
	})
}

// A file that becomes damaged while it is written is replaced too, and what
// lasts is begun again from the snapshot.
func TestDamagedWhileOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		bad := false
		r.start(func(j *Journal) {
			j.commit = func() error {
				if bad {
					bad = false
					for _, end := range []string{"", "-wal"} {
						if err := os.WriteFile(Path(r.dir)+end, []byte(strings.Repeat("rubbish ", 5000)), 0o600); err != nil {
							t.Error(err)
						}
					}
					return fmt.Errorf("written at the wrong place: %w", errDamaged)
				}
				return nil
			}
		})
		r.say(control.MachineStarted, 0)
		r.flush()
		time.Sleep(time.Hour)
		started := r.now() - time.Hour
		bad = true
		s := &control.Snapshot{At: r.now(), Machines: []control.MachineView{{Run: true, Since: started}}}
		r.j.Observe(s, []control.Event{{At: r.now(), Kind: control.ShopIsClosed}})
		time.Sleep(time.Minute)
		r.say(control.MachineStopped, 0)
		r.close()
		r.heard("repaired")
		r.want("runs", r.runs(), "2026-03-02 12:00:00 band saw 1h1m0s seen\n")
	})
}

// Totals that do not agree with the rows are made again before the next backup.
func TestTotalsMended(t *testing.T) {
	for _, wrong := range []string{
		"UPDATE day_total SET ms = ms + 1", "DELETE FROM day_total", "INSERT INTO day_total VALUES(7, 'machine', 'ghost', 1, 1, 1, 0, 0)",
		"UPDATE counter SET n = n + 1", "DELETE FROM counter", "UPDATE day_total SET longest = 0",
	} {
		t.Run(wrong, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t)
				r.start()
				r.say(control.MachineStarted, 0)
				time.Sleep(time.Minute)
				r.close()
				db, err := open(context.Background(), Path(r.dir), writing)
				if err != nil {
					t.Fatal(err)
				}
				if _, err := db.sql.Exec(wrong); err != nil {
					t.Fatal(err)
				}
				if diffs, err := db.Verify(context.Background()); len(diffs) == 0 || err != nil {
					t.Errorf("Verify found nothing: %v", err)
				}
				if err := db.Close(); err != nil {
					t.Fatal(err)
				}
				r.start()
				time.Sleep(25 * time.Hour)
				r.close()
				r.heard("rebuilt them")
				db = r.read()
				if err := db.Close(); err != nil {
					t.Error(err)
				}
			})
		})
	}
}

// A migration makes a backup first; without one it does not happen.
func TestMigration(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.start()
		r.say(control.MachineStarted, 0)
		r.close()
		two := append(append([]string{}, migrations...), "ALTER TABLE session ADD COLUMN owner TEXT NOT NULL DEFAULT ''")
		dir := filepath.Join(r.dir, backupsDir)
		all, err := backups(dir)
		if err != nil {
			t.Fatal(err)
		}
		if len(all) != 0 {
			t.Fatalf("a backup already: %v", all)
		}
		ctx := context.Background()
		broken := append(append([]string{}, migrations...), "ALTER TABLE session ADD COLUMN owner TEXT; no such statement")
		if _, _, err := openWriter(ctx, r.dir, noon, broken); err == nil {
			t.Error("a migration that fails must say so")
		}
		db, rep, err := openWriter(ctx, r.dir, noon, two)
		if err != nil || !rep.Migrated {
			t.Fatal(err)
		}
		var version int
		if err := db.sql.QueryRow("PRAGMA user_version").Scan(&version); err != nil || version != 2 {
			t.Errorf("version %d %v", version, err)
		}
		if err := db.Close(); err != nil {
			t.Error(err)
		}
		all, err = backups(dir)
		if err != nil || len(all) != 2 { // of the one that failed, too
			t.Fatal(all, err)
		}
		if err := CheckFile(ctx, all[0]); err != nil {
			t.Error(err)
		}
		if _, err := OpenReader(ctx, r.dir); err == nil || !strings.Contains(err.Error(), "newer kerfwind") {
			t.Errorf("this program reads version 2: %v", err)
		}
	})
}

// Any events in any order, lost and cut at any point: the totals agree with the
// rows, no row lasts but the last session's, and nothing fails.
func TestAnyEvents(t *testing.T) {
	shops := 0
	rapid.Check(t, func(rt *rapid.T) {
		if shops++; shops > 40 && testing.Short() {
			return
		}
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t)
			for range rapid.IntRange(1, 2).Draw(rt, "sessions") {
				r.setClock(noon.Add(time.Duration(rapid.IntRange(-2, 2).Draw(rt, "days"))*24*time.Hour), rapid.Bool().Draw(rt, "trusted"))
				queue := rapid.SampledFrom([]int{1, 1000}).Draw(rt, "queue")
				r.start(func(j *Journal) { j.work = make(chan note, queue) })
				for range rapid.IntRange(0, 12).Draw(rt, "events") {
					var events []control.Event
					for range rapid.IntRange(1, 3).Draw(rt, "together") {
						events = append(events, control.Event{At: r.now(), Kind: control.EventKind(rapid.IntRange(0, 45).Draw(rt, "kind")),
							Fault: control.FaultKind(rapid.IntRange(0, 20).Draw(rt, "fault")), ID: control.ID(rapid.SampledFrom([]int{0, 1, 2, 255}).Draw(rt, "id")),
							Onset: time.Duration(rapid.Int64Range(0, int64(r.now())+1).Draw(rt, "onset"))})
					}
					s := &control.Snapshot{At: r.now(), Machines: make([]control.MachineView, 3)}
					for i := range s.Machines {
						s.Machines[i].Run = rapid.Bool().Draw(rt, "runs")
					}
					r.j.Observe(s, events)
					r.j.Draw(r.now(), rapid.Float64Range(0, 20).Draw(rt, "amps"))
					time.Sleep(time.Duration(rapid.IntRange(0, 90_000).Draw(rt, "ms")) * time.Millisecond)
				}
				r.setClock(noon, true)
				time.Sleep(time.Duration(rapid.IntRange(0, 100).Draw(rt, "s")) * time.Second)
				if rapid.Bool().Draw(rt, "cut") {
					r.kill()
				} else {
					r.close()
				}
			}
			r.start()
			time.Sleep(time.Second)
			r.close()
			if told := r.told(); strings.Contains(told, "no power") && strings.Contains(told, "constraint") {
				rt.Fatal(told)
			}
			db := r.read() // checks the totals
			defer db.Close()
			var lasting int
			if err := db.sql.QueryRow(`SELECT count(*) FROM span WHERE ms IS NULL`).Scan(&lasting); err != nil || lasting != 0 {
				rt.Fatalf("%d rows last after the end: %v", lasting, err)
			}
		})
	})
}

// Setting aside twice in the same second keeps both.
func TestSetAsideTwice(t *testing.T) {
	dir := t.TempDir()
	for i, want := range []string{"history.damaged-20260302T120000.db", "history.damaged-20260302T120000-2.db"} {
		if err := os.WriteFile(Path(dir), []byte{byte(i)}, 0o600); err != nil {
			t.Fatal(err)
		}
		got, err := setAside(Path(dir), noon)
		if err != nil || filepath.Base(got) != want {
			t.Errorf("%s %v", got, err)
		}
		if _, err := os.Stat(Path(dir)); !errors.Is(err, fs.ErrNotExist) {
			t.Error("it is still there")
		}
	}
}
