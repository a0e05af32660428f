package journal

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"kerfwind/control"
)

// bigRuns is how many runs the big history holds: ten years of 250 days with
// 200 runs each, with the collector's spans and the gates' moves.
const bigRuns = 500_000

// big makes the big history once and returns its folder. The figures in it are
// invented.
var big = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "kerfwind-big-")
	if err != nil {
		return "", err
	}
	return dir, fill(dir, bigRuns)
})

func fill(dir string, runs int) error {
	ctx := context.Background()
	db, _, err := openWriter(ctx, dir, noon, migrations)
	if err != nil {
		return err
	}
	if _, err := db.sql.Exec("PRAGMA synchronous = OFF"); err != nil { // only here: nothing of it is to last
		return err
	}
	tx, err := db.sql.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	if _, err := tx.Exec(`INSERT INTO session VALUES(1, 'boot', 0, 0, 0, 0, 'barn', 'test', 6, 'closed')`); err != nil {
		return err
	}
	ins, err := tx.Prepare(`INSERT INTO span(session, kind, name, cause, at, ms, wall, day, doubtful, ending) VALUES(1,?,?,'',?,?,?,?,0,'seen')`)
	if err != nil {
		return err
	}
	rng := rand.New(rand.NewPCG(1, 2))
	machines := []string{"band saw", "planer", "drum sander", "router table", "floor sweep"}
	first := time.Date(2016, 1, 4, 8, 0, 0, 0, time.UTC)
	n := 0
	for day := 0; n < runs; day++ {
		at := first.AddDate(0, 0, day)
		if w := at.Weekday(); w == time.Saturday || w == time.Sunday {
			continue
		}
		for i := 0; i < 200 && n < runs; i++ {
			at = at.Add(time.Duration(20+rng.IntN(200)) * time.Second)
			ms := int64(2000 + rng.IntN(90_000))
			m := machines[min(len(machines)-1, int(rng.ExpFloat64()*1.5))]
			row := func(kind, name string, ms int64) {
				if err == nil {
					_, err = ins.Exec(kind, name, at.UnixMilli(), ms, at.UnixMilli(), dayOf(at))
				}
			}
			row(kindOpening, m, 900)
			row(kindMachine, m, ms)
			if i%2 == 0 {
				row(kindCollector, "collector", ms+20_000)
				row(kindClosing, m, 900)
			}
			n++
		}
	}
	if err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return err
	}
	if err := db.Rebuild(ctx); err != nil {
		return err
	}
	return db.Close()
}

func TestMain(m *testing.M) {
	code := m.Run()
	if made {
		if dir, err := big(); err == nil {
			if err := os.RemoveAll(dir); err != nil {
				fmt.Fprintln(os.Stderr, err)
			}
		}
	}
	os.Exit(code)
}

var made bool // the big history, so that it is to be removed

func bigDB(b *testing.B) *DB {
	b.Helper()
	made = true
	dir, err := big()
	if err != nil {
		b.Fatal(err)
	}
	db, err := OpenReader(context.Background(), dir)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		if err := db.Close(); err != nil {
			b.Error(err)
		}
	})
	return db
}

// Over 500,000 runs every report is to take at most 50 ms.
func BenchmarkReport(b *testing.B) {
	db := bigDB(b)
	for _, p := range []Period{Day, Week, Month, All} {
		b.Run(p.String(), func(b *testing.B) {
			for b.Loop() {
				got, err := db.Totals(context.Background(), Machines, "", p, 0, 1<<30)
				if err != nil || len(got) < 5 {
					b.Fatal(len(got), err)
				}
			}
		})
	}
	b.Run("upkeep", func(b *testing.B) {
		_, last, _, err := db.Extent(context.Background(), Machines)
		if err != nil {
			b.Fatal(err)
		}
		for b.Loop() {
			got, err := db.Upkeep(context.Background(), last)
			if err != nil || len(got) < 7 {
				b.Fatal(len(got), err)
			}
		}
	})
	b.Run("starts", func(b *testing.B) {
		_, last, _, err := db.Extent(context.Background(), Machines)
		if err != nil {
			b.Fatal(err)
		}
		for b.Loop() {
			if _, most, err := db.Starts(context.Background(), DayTime(last).Add(24*time.Hour), 30); err != nil || most == 0 {
				b.Fatal(most, err)
			}
		}
	})
}

// A page of the list of runs is to take at most 20 ms, wherever it is.
func BenchmarkPage(b *testing.B) {
	db := bigDB(b)
	first, last, _, err := db.Extent(context.Background(), Machines)
	if err != nil {
		b.Fatal(err)
	}
	mid := (first + last) / 2
	for _, bb := range []struct {
		name string
		of   RunsOf
	}{
		{"newest", RunsOf{From: 0, To: 1 << 30, Limit: 100}},
		{"middle", RunsOf{From: 0, To: mid, Limit: 100}},
		{"one-day", RunsOf{From: last, To: last, Limit: 100}},
		{"machine", RunsOf{Machine: "floor sweep", From: 0, To: mid, Limit: 100}},
		{"no-such-machine", RunsOf{Machine: "lathe", From: 0, To: 1 << 30, Limit: 100}},
		{"page-after", RunsOf{From: 0, To: 1 << 30, Before: 400_001, Limit: 100}},
	} {
		b.Run(bb.name, func(b *testing.B) {
			if bb.of.Before > 0 { // the number of some run near there
				if err := db.sql.QueryRow(`SELECT max(id) FROM span WHERE id < ? AND kind = 'machine'`, bb.of.Before).Scan(&bb.of.Before); err != nil {
					b.Fatal(err)
				}
			}
			for b.Loop() {
				got, err := db.Runs(context.Background(), bb.of)
				if err != nil || len(got) == 0 && bb.of.Machine != "lathe" {
					b.Fatal(len(got), err)
				}
			}
		})
	}
}

// What the checks of every start take, in the worker.
func BenchmarkChecks(b *testing.B) {
	db := bigDB(b)
	b.Run("pages", func(b *testing.B) {
		for b.Loop() {
			if err := db.Check(context.Background()); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("totals", func(b *testing.B) {
		for b.Loop() {
			if d, err := db.Verify(context.Background()); err != nil || len(d) > 0 {
				b.Fatal(d, err)
			}
		}
	})
}

// What control pays for one batch of events.
func BenchmarkObserve(b *testing.B) {
	j := newJournal(Options{Clock: func() Stamp { return Stamp{} }, NameOf: barn, Queue: 1 << 20})
	events := []control.Event{{Kind: control.MachineStarted}, {Kind: control.GateOpening}}
	s := &control.Snapshot{}
	b.ReportAllocs()
	for b.Loop() {
		j.Observe(s, events)
	}
}

// What one run costs on a real disk: a start, its gate and the collector, and
// an end, in the commits that they fall into.
func BenchmarkRun(b *testing.B) {
	dir := b.TempDir()
	begun := time.Now()
	j := Start(Options{Dir: dir, NameOf: barn, Zone: time.UTC,
		Clock: func() Stamp { return Stamp{Boot: "b", Mono: time.Since(begun), Wall: time.Now(), Trusted: true} }})
	say := func(kinds ...control.EventKind) {
		for _, k := range kinds {
			at := time.Since(begun)
			j.Observe(&control.Snapshot{At: at}, []control.Event{{At: at, Kind: k}})
		}
		if err := j.Flush(context.Background()); err != nil {
			b.Fatal(err)
		}
	}
	say(control.ShopIsOpen)
	for b.Loop() {
		say(control.MachineStarted, control.GateOpening, control.GateIsOpen, control.CollectorIsOn)
		say(control.MachineStopped)
		say(control.GateClosing, control.GateIsClosed, control.CollectorIsOff)
	}
	b.StopTimer()
	if err := j.Close(); err != nil {
		b.Fatal(err)
	}
	if st, err := os.Stat(filepath.Join(dir, fileName)); err == nil {
		b.ReportMetric(float64(st.Size())/float64(b.N), "file-bytes/op")
	}
}
