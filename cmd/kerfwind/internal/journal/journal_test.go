package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/control"
)

// barn names the things of the demo's barn.
func barn(of control.Subject, id control.ID) string {
	list := map[control.Subject][]string{
		control.AMachine: {"band saw", "planer", "drum sander"}, control.AGate: {"saw", "planer", "sander"}, control.ACollector: {"collector"},
		control.AnOutlet: {"air cleaner"}, control.AStop: {"smoke"},
	}[of]
	if int(id) < len(list) {
		return list[id]
	}
	return ""
}

// rig is a journal on a fake clock. wall is what the wall clock is ahead of the
// boot.
type rig struct {
	t       *testing.T
	dir     string
	begun   time.Time
	mono    time.Duration // before begun
	boot    string
	mu      sync.Mutex
	wall    time.Time // at the boot
	trusted bool
	notices []Notice
	j       *Journal
	dead    *atomic.Bool // the power is cut: no commit reaches the disk
}

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC) // a Monday

func newRig(t *testing.T) *rig {
	return &rig{t: t, dir: t.TempDir(), boot: "boot-1", wall: noon, trusted: true}
}

func (r *rig) now() time.Duration { return time.Since(r.begun) }

func (r *rig) stamp() Stamp {
	r.mu.Lock()
	defer r.mu.Unlock()
	m := r.mono + time.Since(r.begun)
	return Stamp{Boot: r.boot, Mono: m, Wall: r.wall.Add(m), Trusted: r.trusted}
}

func (r *rig) setClock(wall time.Time, trusted bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.wall, r.trusted = wall, trusted
}

func (r *rig) options() Options {
	return Options{Dir: r.dir, Clock: r.stamp, Zone: time.UTC, Shop: "barn", NameOf: barn, Program: "test", Budget: 6, Origin: r.mono,
		Notice: func(n Notice) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.notices = append(r.notices, n)
		}}
}

// start begins a session; prepare may change the journal before its worker.
func (r *rig) start(prepare ...func(*Journal)) {
	r.begun = time.Now()
	r.j = newJournal(r.options())
	for _, f := range prepare {
		f(r.j)
	}
	dead, commit := new(atomic.Bool), r.j.commit
	r.dead = dead
	r.j.commit = func() error {
		switch {
		case dead.Load():
			return errors.New("no power")
		case commit != nil:
			return commit()
		}
		return nil
	}
	go r.j.run()
}

// say observes one event now, with a snapshot that knows nothing.
func (r *rig) say(kind control.EventKind, id control.ID) {
	r.j.Observe(&control.Snapshot{At: r.now()}, []control.Event{{At: r.now(), Kind: kind, ID: id}})
}

func (r *rig) flush() {
	r.t.Helper()
	if err := r.j.Flush(context.Background()); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) close() {
	r.t.Helper()
	if err := r.j.Close(); err != nil {
		r.t.Fatal(err)
	}
	r.mono += time.Since(r.begun)
}

// kill ends the worker as a power cut would: nothing is written or closed in
// order. The open file is only given back.
func (r *rig) kill() {
	r.dead.Store(true)
	r.j.stop <- struct{}{} // not closed: Close may come again
	<-r.j.done
	r.mono += time.Since(r.begun)
}

func (r *rig) told() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	var b strings.Builder
	for _, n := range r.notices {
		fmt.Fprintf(&b, "%v %v: %s\n", n.Kind, n.Clear, n.Text)
	}
	return b.String()
}

// read opens the history for reading and checks that its totals agree.
func (r *rig) read() *DB {
	r.t.Helper()
	db, err := OpenReader(context.Background(), r.dir)
	if err != nil {
		r.t.Fatal(err)
	}
	diffs, err := db.Verify(context.Background())
	if err != nil || len(diffs) > 0 {
		r.t.Fatalf("totals: %v\n%s", err, strings.Join(diffs, "\n"))
	}
	return db
}

// runs lists all runs as text, newest first.
func (r *rig) runs() string {
	r.t.Helper()
	db := r.read()
	defer db.Close()
	list, err := db.Runs(context.Background(), RunsOf{From: -1 << 30, To: 1 << 30, Limit: 1000})
	if err != nil {
		r.t.Fatal(err)
	}
	var b strings.Builder
	for _, x := range list {
		fmt.Fprintf(&b, "%s %s %v %s", x.Began.Format("2006-01-02 15:04:05"), x.Machine, x.Time, x.Ending)
		if x.Doubtful {
			b.WriteString(" doubtful")
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// heard wants each of these to have been told since the last time.
func (r *rig) heard(want ...string) {
	r.t.Helper()
	told := r.told()
	for _, w := range want {
		if !strings.Contains(told, w) {
			r.t.Errorf("told:\n%s\nwant in it: %s", told, w)
		}
	}
}

func (r *rig) want(what, got, want string) {
	r.t.Helper()
	if got != want {
		r.t.Errorf("%s:\n%s\nwant:\n%s", what, got, want)
	}
}

func TestRuns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.start()
		time.Sleep(time.Minute)
		r.say(control.MachineStarted, 1)
		r.say(control.GateOpening, 1)
		time.Sleep(900 * time.Millisecond)
		r.say(control.GateIsOpen, 1)
		r.say(control.CollectorIsOn, 0)
		time.Sleep(time.Hour)
		r.say(control.MachineStopped, 1)
		time.Sleep(10 * time.Second)
		r.say(control.MachineStarted, 0)
		time.Sleep(5 * time.Minute)
		r.close()
		r.want("runs", r.runs(), "2026-03-02 13:01:10 band saw 5m0s closed\n2026-03-02 12:01:00 planer 1h0m0.9s seen\n")
		db := r.read()
		defer db.Close()
		for kind, want := range map[string]Total{
			Machines:    {First: dayOf(noon), Name: "band saw", Runs: 1, Time: 5 * time.Minute, Longest: 5 * time.Minute},
			Collectors:  {First: dayOf(noon), Name: "collector", Runs: 1, Time: time.Hour + 310*time.Second, Longest: time.Hour + 310*time.Second},
			kindOpening: {First: dayOf(noon), Name: "planer", Runs: 1, Time: 900 * time.Millisecond, Longest: 900 * time.Millisecond},
		} {
			got, err := db.Totals(context.Background(), kind, "", Day, 0, 1<<30)
			if err != nil || len(got) == 0 || got[0] != want {
				t.Errorf("%s: %+v %v, want %+v", kind, got, err, want)
			}
		}
	})
}

// A run that a power cut ends is closed at the last instant known, at most a
// minute and a bit before the cut, and says so.
func TestPowerCut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.start()
		r.say(control.MachineStarted, 0)
		time.Sleep(10*time.Minute + 30*time.Second)
		r.kill()
		r.want("while it is off", r.runs(), "2026-03-02 12:00:00 band saw 10m2s \n")
		time.Sleep(time.Hour)
		r.boot, r.mono, r.wall = "boot-2", 0, noon.Add(2*time.Hour)
		r.start()
		time.Sleep(time.Minute)
		r.say(control.MachineStarted, 0)
		time.Sleep(time.Minute)
		r.say(control.MachineStopped, 0)
		r.close()
		r.want("runs", r.runs(), "2026-03-02 14:01:00 band saw 1m0s seen\n2026-03-02 12:00:00 band saw 10m2s cut\n")
		db := r.read()
		defer db.Close()
		got, err := db.Totals(context.Background(), Machines, "", All, 0, 1<<30)
		if err != nil || len(got) != 1 || got[0].Cut != 1 || got[0].Runs != 2 {
			t.Errorf("%+v %v", got, err)
		}
	})
}

// The clock begins in 1970, becomes right, and later goes back an hour.
func TestClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.setClock(time.Unix(0, 0), false)
		r.start()
		time.Sleep(time.Minute)
		r.say(control.MachineStarted, 0)
		time.Sleep(time.Minute)
		r.say(control.MachineStopped, 0)
		r.say(control.BinIsFull, 0)
		time.Sleep(time.Minute)
		r.say(control.MachineStarted, 1) // lasts while the clock is set
		time.Sleep(time.Minute)
		r.flush()
		r.want("before", r.runs(), "1970-01-01 00:03:00 planer 2s  doubtful\n1970-01-01 00:01:00 band saw 1m0s seen doubtful\n")
		r.setClock(noon, true)
		time.Sleep(150 * time.Second) // nothing happens, and still it is noticed
		r.want("after", r.runs(), "2026-03-02 12:03:00 planer 3m0s \n2026-03-02 12:01:00 band saw 1m0s seen\n")
		r.setClock(noon.Add(-time.Hour), true)
		time.Sleep(210 * time.Second)
		r.say(control.MachineStopped, 1)
		r.say(control.MachineStarted, 0)
		time.Sleep(time.Minute)
		r.say(control.MachineStopped, 0)
		r.close()
		// The length of a run is not the clock's business, nor is the order.
		r.want("set back", r.runs(), "2026-03-02 11:10:00 band saw 1m0s seen\n2026-03-02 12:03:00 planer 7m0s seen\n2026-03-02 12:01:00 band saw 1m0s seen\n")
		db := r.read()
		defer db.Close()
		first, last, ok, err := db.Extent(context.Background(), Machines)
		if err != nil || !ok || first != dayOf(noon) || last != first {
			t.Errorf("totals from %v to %v: %v", DayTime(first), DayTime(last), err)
		}
		var doubtful int
		if err := db.sql.QueryRow(`SELECT (SELECT count(*) FROM mark WHERE doubtful) + (SELECT count(*) FROM session WHERE doubtful)`).Scan(&doubtful); err != nil || doubtful != 0 {
			t.Errorf("%d rows still doubtful: %v", doubtful, err)
		}
	})
}

// Rows of a boot that never learned the time stay doubtful, whatever the next
// boot learns.
func TestClockOtherBoot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.setClock(time.Unix(0, 0), false)
		r.start()
		r.say(control.MachineStarted, 0)
		time.Sleep(time.Minute)
		r.say(control.MachineStopped, 0)
		r.close()
		r.boot, r.mono = "boot-2", 0
		r.setClock(noon, true)
		r.start()
		time.Sleep(2 * time.Minute)
		r.close()
		r.want("runs", r.runs(), "1970-01-01 00:00:00 band saw 1m0s seen doubtful\n")
	})
}

// The disk fails in one way after another; control is never held up, nothing
// that fits in the queue is missing afterwards, and what does not is counted.
func TestDiskFails(t *testing.T) {
	tests := []struct {
		name string
		err  error
	}{
		{"full", errors.New("database or disk is full")},
		{"read-only", errors.New("attempt to write a readonly database")},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t)
				fails := true
				r.start(func(j *Journal) {
					j.commit = func() error {
						r.mu.Lock()
						defer r.mu.Unlock()
						if fails {
							return tt.err
						}
						return nil
					}
				})
				r.say(control.MachineStarted, 0)
				time.Sleep(5 * time.Minute)
				r.say(control.MachineStopped, 0)
				time.Sleep(5 * time.Minute)
				if err := r.j.Flush(context.Background()); !errors.Is(err, tt.err) {
					t.Errorf("flush: %v", err)
				}
				r.mu.Lock()
				fails = false
				r.mu.Unlock()
				time.Sleep(2 * lastTry)
				r.flush()
				told := r.told()
				if strings.Count(told, "no-storage false") != 1 || !strings.Contains(told, tt.err.Error()) || strings.Count(told, "no-storage true") != 1 {
					t.Errorf("told:\n%s", told)
				}
				if c := r.j.Counts(); c.Failed < 5 || c.Failed > 30 || c.Dropped != 0 {
					t.Errorf("%+v", c)
				}
				r.close()
				r.want("runs", r.runs(), "2026-03-02 12:00:00 band saw 5m0s seen\n")
			})
		})
	}
}

// A sync takes 200 ms: Observe never waits, and nothing is lost.
func TestSlowDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.start(func(j *Journal) {
			j.commit = func() error { time.Sleep(200 * time.Millisecond); return nil }
		})
		for range 200 {
			before := time.Now()
			r.say(control.MachineStarted, 0)
			if d := time.Since(before); d != 0 {
				t.Fatalf("Observe took %v", d)
			}
			time.Sleep(30 * time.Millisecond)
			r.say(control.MachineStopped, 0)
			time.Sleep(70 * time.Millisecond)
		}
		r.close()
		db := r.read()
		defer db.Close()
		got, err := db.Totals(context.Background(), Machines, "", All, 0, 1<<30)
		if err != nil || len(got) != 1 || got[0].Runs != 200 || got[0].Time != 6*time.Second {
			t.Errorf("%+v %v", got, err)
		}
		if c := r.j.Counts(); c.Dropped != 0 || c.Commits > 25 {
			t.Errorf("%+v: events that come together belong in one commit", c)
		}
	})
}

// The disk hangs until the queue is full. What is dropped is counted, and the
// next snapshot brings the rows back into step.
func TestQueueFull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		hang := make(chan struct{})
		r.start(func(j *Journal) {
			j.work = make(chan note, 4)
			j.commit = func() error { <-hang; return nil }
		})
		synctest.Wait()
		r.say(control.MachineStarted, 0) // these fit
		r.say(control.MachineStopped, 0)
		time.Sleep(time.Minute)
		r.say(control.MachineStarted, 1)
		r.say(control.GateOpening, 1)
		time.Sleep(time.Minute)
		r.say(control.MachineStopped, 1) // these do not
		time.Sleep(time.Minute)
		started := r.now()
		r.say(control.MachineStarted, 2)
		r.say(control.GateIsOpen, 1)
		if c := r.j.Counts(); c.Dropped != 3 || c.Waiting != c.Room {
			t.Errorf("%+v", c)
		}
		close(hang)
		r.flush()
		time.Sleep(time.Minute)
		s := &control.Snapshot{At: r.now(), Machines: []control.MachineView{{}, {Since: 2 * time.Minute}, {Run: true, Since: started}}}
		r.j.Observe(s, []control.Event{{At: r.now(), Kind: control.ShopIsClosed}})
		r.flush()
		r.heard("events-lost false: 3 events")
		time.Sleep(time.Minute)
		r.say(control.MachineStopped, 2)
		r.flush()
		if told := r.told(); strings.Count(told, "events-lost true") != 1 {
			t.Errorf("told:\n%s", told)
		}
		r.close()
		r.want("runs", r.runs(), "2026-03-02 12:03:00 drum sander 2m0s seen\n2026-03-02 12:01:00 planer 1m0s lost\n2026-03-02 12:00:00 band saw 0s seen\n")
	})
}

func TestNewer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.start()
		r.say(control.MachineStarted, 0)
		r.close()
		db, err := open(context.Background(), Path(r.dir), writing)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := db.sql.Exec("PRAGMA user_version = 99"); err != nil {
			t.Fatal(err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		before, err := os.ReadFile(Path(r.dir))
		if err != nil {
			t.Fatal(err)
		}
		var newer *NewerError
		if _, err := OpenReader(context.Background(), r.dir); !errors.As(err, &newer) || newer.Has != 99 {
			t.Errorf("reader: %v", err)
		}
		r.start()
		r.say(control.MachineStarted, 0)
		time.Sleep(time.Hour)
		r.say(control.MachineStopped, 0)
		time.Sleep(time.Hour)
		if told := r.told(); strings.Count(told, "refused false") != 1 || !strings.Contains(told, "written by a newer kerfwind") || strings.Contains(told, "no-storage") {
			t.Errorf("told:\n%s", told)
		}
		if err := r.j.Flush(context.Background()); !errors.Is(err, errRefused) {
			t.Errorf("flush: %v", err)
		}
		if c := r.j.Counts(); c.Dropped != 2 {
			t.Errorf("%+v", c)
		}
		if err := r.j.Close(); err != nil {
			t.Error(err)
		}
		if after, err := os.ReadFile(Path(r.dir)); err != nil || string(after) != string(before) {
			t.Error("the file was changed")
		}
	})
}

// A file that is something else is left alone.
func TestForeign(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		db, err := open(context.Background(), Path(r.dir), writing)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := db.sql.Exec("CREATE TABLE recipes(x)"); err != nil {
			t.Fatal(err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		r.start()
		time.Sleep(time.Minute)
		r.heard("not a kerfwind history")
		if err := r.j.Close(); err != nil {
			t.Error(err)
		}
		if _, err := OpenReader(context.Background(), r.dir); !errors.Is(err, errForeign) {
			t.Errorf("reader: %v", err)
		}
	})
}

func TestLock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.start()
		r.say(control.MachineStarted, 0)
		r.flush()
		if _, err := Lock(r.dir); !errors.Is(err, ErrInUse) {
			t.Errorf("lock: %v", err)
		}
		r.close()
		f, err := Lock(r.dir)
		if err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	})
}

func TestNoHistory(t *testing.T) {
	if _, err := OpenReader(context.Background(), t.TempDir()); !errors.Is(err, ErrNone) || !strings.Contains(err.Error(), "--state") {
		t.Errorf("got %v", err)
	}
	if _, err := OpenReader(context.Background(), filepath.Join(t.TempDir(), "nowhere")); !errors.Is(err, ErrNone) {
		t.Errorf("got %v", err)
	}
}

// What the card pays: three commits a run, one a minute while something lasts,
// none in an idle hour.
func TestCommits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.start()
		time.Sleep(5 * time.Minute)
		commits := func(what string, want int64, f func()) {
			t.Helper()
			before := r.j.Counts().Commits
			f()
			if got := r.j.Counts().Commits - before; got != want {
				t.Errorf("%s: %d commits, want %d", what, got, want)
			}
		}
		run := func(length time.Duration) {
			r.say(control.MachineStarted, 0)
			r.say(control.GateOpening, 0)
			time.Sleep(900 * time.Millisecond)
			r.say(control.GateIsOpen, 0)
			r.say(control.CollectorIsOn, 0)
			time.Sleep(length)
			r.say(control.MachineStopped, 0)
			time.Sleep(20 * time.Second)
			r.say(control.CollectorIsOff, 0)
			time.Sleep(5 * time.Second)
		}
		commits("a run of half a minute", 3, func() { run(30 * time.Second) })
		commits("a run of ten minutes", 3+10, func() { run(10*time.Minute + 5*time.Second) })
		commits("an idle hour", 0, func() { time.Sleep(time.Hour) })
		commits("an hour of an idle collector's current", 0, func() {
			for range 3600 {
				r.j.Draw(r.now(), 0.1)
				time.Sleep(time.Second)
			}
		})
		r.close()
	})
}

// The program is started again before the clock is right: the rows of its first
// session get their label too.
func TestClockSameBoot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.setClock(time.Unix(0, 0), false)
		r.start()
		r.say(control.MachineStarted, 0)
		time.Sleep(time.Minute)
		r.say(control.MachineStopped, 0)
		r.close()
		r.setClock(noon, true)
		r.start()
		r.flush()
		r.close()
		r.want("runs", r.runs(), "2026-03-02 12:00:00 band saw 1m0s seen\n")
	})
}

// A fault of the journal's own ends the recording and nothing else.
func TestOwnFault(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.start(func(j *Journal) { j.commit = func() error { panic("a bug") } })
		r.say(control.MachineStarted, 0)
		time.Sleep(time.Minute)
		r.say(control.MachineStopped, 0)
		if err := r.j.Flush(context.Background()); !errors.Is(err, errRefused) {
			t.Errorf("flush: %v", err)
		}
		r.heard("a fault in the program", "a bug")
		if err := r.j.Close(); err != nil {
			t.Error(err)
		}
	})
}

// With another shop the names are its own, and what lasts ends.
func TestMoveTo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.start()
		r.say(control.MachineStarted, 0)
		time.Sleep(time.Minute)
		other := func(control.Subject, control.ID) string { return "lathe" }
		if err := r.j.MoveTo(context.Background(), Move{Shop: "cellar", NameOf: other, Budget: 4}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute) // the move is written when it is met, within two seconds
		r.say(control.MachineStarted, 0)
		time.Sleep(time.Minute)
		r.say(control.MachineStopped, 0)
		r.close()
		db := r.read()
		defer db.Close()
		list, err := db.Runs(context.Background(), RunsOf{From: 0, To: 1 << 30, Limit: 10})
		if err != nil || len(list) != 2 {
			t.Fatal(list, err)
		}
		if x := list[0]; x.Machine != "lathe" || x.Shop != "cellar" || x.Ending != "seen" {
			t.Errorf("%+v", x)
		}
		if x := list[1]; x.Machine != "band saw" || x.Shop != "barn" || x.Ending != "closed" || x.Time < time.Minute || x.Time > time.Minute+linger {
			t.Errorf("%+v", x)
		}
		if s, err := db.Latest(context.Background()); err != nil || s.Shop != "cellar" || s.Budget != 4 || s.Lives {
			t.Errorf("%+v %v", s, err)
		}
	})
}

// The collector's own current is learned for a set of open gates, and its
// lasting drop is told and recorded. A reset of the filter learns it again. The
// figures are invented.
func TestAir(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.start()
		run := func(length int, amps float64) {
			on := &control.Snapshot{At: r.now(), Gates: []control.GateView{{}, {Position: control.PositionOpen}}, Collector: control.CollectorView{Commanded: true}}
			r.j.Observe(on, []control.Event{{At: r.now(), Kind: control.CollectorIsOn}})
			for range length {
				time.Sleep(time.Second)
				r.j.Draw(r.now(), amps)
			}
			r.say(control.CollectorIsOff, 0)
			time.Sleep(time.Minute)
		}
		for range 3 {
			run(60, 10)
		}
		run(60, 9.5)
		r.want("told", r.told(), "")
		run(30, 7) // too short to last
		r.want("told", r.told(), "")
		run(60, 7)
		r.want("told", r.told(), `air-weak false: weak air with ["planer"] open: the collector draws 7.0 A instead of 9.9 A. Look for a blockage, a full filter or a stuck gate`+"\n")
		run(60, 9.8)
		if told := r.told(); strings.Count(told, "air-weak true") != 1 {
			t.Errorf("told:\n%s", told)
		}
		guest, err := OpenGuest(context.Background(), r.dir)
		if err != nil {
			t.Fatal(err)
		}
		if err := guest.Reset(context.Background(), itemFilter, "owner", r.stamp(), time.UTC); err != nil {
			t.Fatal(err)
		}
		if err := guest.Close(); err != nil {
			t.Fatal(err)
		}
		run(60, 7) // this ends without a level: it is forgotten when this is written
		time.Sleep(24 * time.Hour)
		r.mu.Lock()
		r.notices = nil
		r.mu.Unlock()
		run(60, 7)
		r.want("told", r.told(), "")
		r.close()
		db := r.read()
		defer db.Close()
		draws, err := db.Draws(context.Background(), "barn")
		if err != nil || len(draws) != 1 || draws[0].Stretches != 1 || draws[0].Gates != `["planer"]` {
			t.Errorf("%+v %v", draws, err)
		}
		var marks string
		if err := db.sql.QueryRow(`SELECT group_concat(kind || ' ' || value) FROM mark WHERE kind LIKE 'air-%'`).Scan(&marks); err != nil || !strings.HasPrefix(marks, "air-weak 7") || !strings.Contains(marks, ",air-good 9") {
			t.Errorf("%s %v", marks, err)
		}
		weak, err := db.WeakAirs(context.Background(), 2)
		if err != nil || len(weak) != 2 || !weak[0].Good || weak[1].Good || !slices.Equal(weak[1].Gates, []string{"planer"}) || weak[1].Part > 0.8 || weak[0].Part < 0.9 || weak[0].Wall.Before(weak[1].Wall) {
			t.Errorf("%+v %v", weak, err)
		}
	})
}

// A control that has nothing to say of its state does no harm.
func TestNoSnapshot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.start()
		r.j.lost.Store(3)
		r.j.Observe(nil, []control.Event{{Kind: control.MachineStarted}, {At: time.Second, Kind: control.MachineStopped}})
		time.Sleep(time.Minute)
		r.close()
		r.want("runs", r.runs(), "2026-03-02 12:00:00 band saw 1s seen\n")
	})
}
