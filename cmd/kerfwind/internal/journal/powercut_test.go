package journal

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"kerfwind/control"
)

// Environment of the tests that need root and loop devices, see .ci/powercut,
// and of their writer.
const (
	envCuts   = "KERFWIND_POWERCUT" // how many cuts
	envDir    = "KERFWIND_POWERCUT_DIR"
	envFirst  = "KERFWIND_POWERCUT_FIRST"
	runEvery  = 10 * time.Second // of the writer's own time
	writerArg = "-test.run=^TestWriter$"
)

// runTime is how long the writer's run n lasts: it tells runs apart.
func runTime(n int) time.Duration { return time.Duration(n%9000+1) * time.Millisecond }

// TestWriter is no test: it is the process whose power is cut. It records runs
// and tells the number of each that is on the disk.
func TestWriter(t *testing.T) {
	dir := os.Getenv(envDir)
	if dir == "" {
		t.Skip("this is the writer of TestPowercut and TestKill9")
	}
	first, err := strconv.Atoi(os.Getenv(envFirst))
	if err != nil {
		t.Fatal(err)
	}
	var now atomic.Int64
	now.Store(int64(first) * int64(runEvery))
	j := Start(Options{Dir: dir, Zone: time.UTC, Shop: "barn", NameOf: barn, Program: "test",
		Clock: func() Stamp {
			m := time.Duration(now.Load())
			return Stamp{Boot: "boot", Mono: m, Wall: noon.Add(m), Trusted: true}
		},
		Notice: func(n Notice) { fmt.Printf("notice %v %v %s\n", n.Kind, n.Clear, n.Text) }})
	say := func(at time.Duration, kinds ...control.EventKind) {
		now.Store(int64(at))
		for _, k := range kinds {
			j.Observe(&control.Snapshot{At: at}, []control.Event{{At: at, Kind: k}})
		}
		if err := j.Flush(context.Background()); err != nil {
			fmt.Printf("notice flush %v\n", err)
		}
	}
	for n := first; ; n++ {
		at := time.Duration(n) * runEvery
		say(at, control.MachineStarted, control.GateOpening, control.GateIsOpen, control.CollectorIsOn)
		say(at+runTime(n), control.MachineStopped)
		fmt.Printf("run %d\n", n) // one write: it is told or it is not
		say(at+5*time.Second, control.CollectorIsOff, control.GateClosing, control.GateIsClosed)
	}
}

// writer is a running TestWriter.
type writer struct {
	t     *testing.T
	cmd   *exec.Cmd
	acked atomic.Int64 // number of the newest run told; -1 none
	ended chan struct{}
}

func startWriter(t *testing.T, dir string, first int) *writer {
	t.Helper()
	w := &writer{t: t, ended: make(chan struct{})}
	w.acked.Store(int64(first - 1))
	w.cmd = exec.Command(os.Args[0], writerArg)
	w.cmd.Env = append(os.Environ(), envDir+"="+dir, envFirst+"="+strconv.Itoa(first), "GOMAXPROCS=1")
	w.cmd.Stderr = os.Stderr
	out, err := w.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := w.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(w.ended)
		s := bufio.NewScanner(out)
		for s.Scan() {
			if n, ok := strings.CutPrefix(s.Text(), "run "); ok {
				if v, err := strconv.Atoi(n); err == nil {
					w.acked.Store(int64(v))
				}
			} else if !strings.Contains(s.Text(), "repaired") || strings.Contains(s.Text(), "damaged") {
				t.Errorf("the writer says: %s", s.Text())
			}
		}
	}()
	return w
}

// until waits until the writer has told run n.
func (w *writer) until(n int64) {
	for w.acked.Load() < n {
		select {
		case <-w.ended:
			w.t.Fatal("the writer has ended by itself")
		case <-time.After(time.Millisecond): //clock:ok another process writes
		}
	}
}

func (w *writer) kill() {
	if err := w.cmd.Process.Kill(); err != nil {
		w.t.Error(err)
	}
	<-w.ended
	_ = w.cmd.Wait() // "killed" is what was wanted
}

// checkAcked opens a history as the next start would, and looks for every run
// from 0 to last, each of the right length.
func checkAcked(t *testing.T, dir string, last int64) {
	t.Helper()
	var damage []Notice
	j := Start(Options{Dir: dir, Zone: time.UTC, NameOf: barn, Clock: func() Stamp { return Stamp{Boot: "next", Wall: noon, Trusted: true} },
		Notice: func(n Notice) { damage = append(damage, n) }})
	err := j.Flush(context.Background())
	if e := j.Close(); err != nil || e != nil || len(damage) > 0 {
		t.Fatalf("the next start: %v %v %v", err, e, damage)
	}
	ctx := context.Background()
	db, err := OpenReader(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if diffs, err := db.Verify(ctx); err != nil || len(diffs) > 0 {
		t.Fatal(diffs, err)
	}
	var bad string
	if err := db.sql.QueryRow("PRAGMA integrity_check").Scan(&bad); err != nil || bad != "ok" {
		t.Fatal(bad, err)
	}
	have := map[int64]int64{}
	rows, err := db.sql.Query(`SELECT at, ms FROM span WHERE kind = 'machine' AND ending = 'seen'`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var at, ms int64
		if err := rows.Scan(&at, &ms); err != nil {
			t.Fatal(err)
		}
		have[at/runEvery.Milliseconds()] = ms
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	var lost []int64
	for n := int64(0); n <= last; n++ {
		if have[n] != runTime(int(n)).Milliseconds() {
			lost = append(lost, n)
		}
	}
	if len(lost) > 0 {
		t.Fatalf("of %d runs told, %d are lost, from %d to %d", last+1, len(lost), lost[0], lost[len(lost)-1])
	}
}

// Killed again and again, the history goes on where it was.
func TestKill9(t *testing.T) {
	kills := 5
	if testing.Short() {
		kills = 2
	}
	if n, err := strconv.Atoi(os.Getenv(envCuts)); err == nil {
		kills = n
	}
	dir := t.TempDir()
	next := 0
	rng := rand.New(rand.NewPCG(3, 4))
	for range kills {
		w := startWriter(t, dir, next)
		w.until(int64(next + 1 + rng.IntN(30)))
		w.kill()
		last := w.acked.Load()
		checkAcked(t, dir, last)
		next = int(last) + 2 // run last+1 may be there, told or not
		// It counts as told from here on.
		fill1(t, dir, int(last)+1)
	}
}

// fill1 makes sure that one run that may have been cut is there.
func fill1(t *testing.T, dir string, n int) {
	t.Helper()
	db, err := OpenGuest(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	at := (time.Duration(n) * runEvery).Milliseconds()
	if _, err := db.sql.Exec(`DELETE FROM span WHERE kind = 'machine' AND at = ?1;
		INSERT INTO span(session, kind, name, cause, at, ms, wall, day, doubtful, ending) VALUES(1, 'machine', 'band saw', '', ?1, ?2, 0, 0, 0, 'seen')`,
		at, runTime(n).Milliseconds()); err != nil {
		t.Fatal(err)
	}
	if err := db.Rebuild(context.Background()); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// root skips where there is no root or no loop device, or nobody asked.
func root(t *testing.T) (cuts int) {
	t.Helper()
	cuts, err := strconv.Atoi(os.Getenv(envCuts))
	if err != nil {
		t.Skipf("set %s to the number of cuts; needs root and loop devices, see .ci/powercut", envCuts)
	}
	if os.Geteuid() != 0 {
		t.Fatal("mounting needs root")
	}
	return cuts
}

func sh(t *testing.T, args ...string) {
	t.Helper()
	if out, err := exec.Command(args[0], args[1:]...).CombinedOutput(); err != nil {
		t.Fatalf("%v: %v\n%s", args, err, out)
	}
}

// mount mounts something on a folder for the length of the test.
func mount(t *testing.T, dir string, args ...string) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	sh(t, append(append([]string{"mount"}, args...), dir)...)
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, syscall.MNT_DETACH); err != nil && !errors.Is(err, syscall.EINVAL) {
			t.Error(err)
		}
	})
}

// TestPowercut copies the disk under the running writer, at one instant, and
// starts from the copy, as after a power cut: what the file system had not
// written to its device by then is gone, in the middle of a sync too. The image
// lies on XFS, whose clone of a file is of one instant: an ordinary copy would
// mix blocks of several. It does not tear single sectors, and this disk does not
// lie about what it has written.
func TestPowercut(t *testing.T) {
	cuts := root(t)
	base := t.TempDir()
	outer, host := filepath.Join(base, "xfs"), filepath.Join(base, "host")
	sh(t, "truncate", "-s", "1G", outer)
	sh(t, "mkfs.xfs", "-q", "-m", "reflink=1", outer)
	mount(t, host, "-o", "loop", outer)
	image := filepath.Join(host, "disk")
	sh(t, "truncate", "-s", "64M", image)
	sh(t, "mkfs.ext4", "-q", "-F", image)
	live, after := filepath.Join(base, "live"), filepath.Join(base, "after")
	mount(t, live, "-o", "loop", image)
	if err := os.MkdirAll(after, 0o755); err != nil {
		t.Fatal(err)
	}
	w := startWriter(t, live, 0)
	defer w.kill()
	rng := rand.New(rand.NewPCG(1, 2))
	told := int64(0)
	for cut := range cuts {
		w.until(w.acked.Load() + 1 + rng.Int64N(60))
		time.Sleep(time.Duration(rng.IntN(5_000)) * time.Microsecond) //clock:ok another process writes; anywhere in what it does
		told = w.acked.Load()
		// A name of its own: a loop device of the copy before may linger, with
		// what it has cached.
		copied := filepath.Join(host, fmt.Sprintf("copy-%d", cut))
		sh(t, "cp", "--reflink=always", image, copied)
		func() {
			sh(t, "mount", "-o", "loop", copied, after)
			defer sh(t, "umount", after)
			checkAcked(t, after, told)
		}()
		if err := os.Remove(copied); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d cuts, %d runs told, none lost", cuts, told+1)
}

// A disk of 1 MiB fills up. Nothing that was told is lost, Observe does not
// wait, and when there is room again the rest is written.
func TestDiskFull(t *testing.T) {
	root(t)
	dir := filepath.Join(t.TempDir(), "small")
	mount(t, dir, "-t", "tmpfs", "-o", "size=1m", "tmpfs")
	var now atomic.Int64
	var failing, lost atomic.Bool
	j := Start(Options{Dir: dir, Zone: time.UTC, Shop: "barn", NameOf: barn, Queue: 1 << 16,
		Clock: func() Stamp { return Stamp{Boot: "boot", Mono: time.Duration(now.Load()), Wall: noon, Trusted: true} },
		Notice: func(n Notice) {
			t.Logf("%v %v: %s", n.Kind, n.Clear, n.Text)
			failing.Store(n.Kind == NoStorage && !n.Clear)
			lost.Store(lost.Load() || n.Kind == EventsLost)
		}})
	ballast := filepath.Join(dir, "ballast")
	if err := j.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(ballast, make([]byte, 500_000), 0o600); err != nil {
		t.Fatal(err)
	}
	n := 0
	run := func() {
		at := time.Duration(n) * runEvery
		now.Store(int64(at))
		j.Observe(&control.Snapshot{At: at}, []control.Event{{At: at, Kind: control.MachineStarted}, {At: at + runTime(n), Kind: control.MachineStopped}})
		n++
	}
	var err error
	for ; err == nil && n < 100_000; err = j.Flush(context.Background()) {
		run()
	}
	if err == nil || !failing.Load() {
		t.Fatalf("the disk did not fill up: %v", err)
	}
	full := n
	for range 500 {
		run()
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	for i := 0; ; i++ {
		if err = j.Flush(context.Background()); err == nil {
			break
		}
		if i > 10 {
			t.Fatal(err)
		}
	}
	if err := j.Close(); err != nil || failing.Load() || lost.Load() {
		t.Fatal(err, failing.Load(), lost.Load())
	}
	t.Logf("full after %d runs; %d more came meanwhile", full, n-full)
	checkAcked(t, dir, int64(n-1))
}

// A disk that is read-only at the start, as after a file system error, and
// writable later.
func TestReadOnlyDisk(t *testing.T) {
	root(t)
	base := t.TempDir()
	image, dir := filepath.Join(base, "disk"), filepath.Join(base, "ro")
	sh(t, "truncate", "-s", "16M", image)
	sh(t, "mkfs.ext4", "-q", "-F", image)
	mount(t, dir, "-o", "loop", image)
	first := Start(Options{Dir: dir, NameOf: barn, Zone: time.UTC, Clock: func() Stamp { return Stamp{Boot: "before", Wall: noon, Trusted: true} }})
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	sh(t, "mount", "-o", "remount,ro", dir)
	told := make(chan Notice, 10)
	j := Start(Options{Dir: dir, NameOf: barn, Zone: time.UTC, Clock: func() Stamp { return Stamp{Boot: "boot", Wall: noon, Trusted: true} },
		Notice: func(n Notice) { told <- n }})
	for n := range 100 {
		at := time.Duration(n) * runEvery
		j.Observe(&control.Snapshot{At: at}, []control.Event{{At: at, Kind: control.MachineStarted}, {At: at + runTime(n), Kind: control.MachineStopped}})
	}
	if n := <-told; n.Kind != NoStorage || n.Clear {
		t.Errorf("told %+v", n)
	}
	// It can be read meanwhile.
	db, err := OpenReader(context.Background(), dir)
	if err != nil {
		t.Error(err)
	} else if err := db.Close(); err != nil {
		t.Error(err)
	}
	sh(t, "mount", "-o", "remount,rw", dir)
	if n := <-told; n.Kind != NoStorage || !n.Clear {
		t.Errorf("told %+v", n)
	}
	if err := j.Flush(context.Background()); err != nil {
		t.Error(err)
	}
	if err := j.Close(); err != nil {
		t.Error(err)
	}
	checkAcked(t, dir, 99)
}
