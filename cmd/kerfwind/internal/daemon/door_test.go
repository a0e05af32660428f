package daemon

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
	"kerfwind/testdata"
)

// shopText is the demo's shop file under another name.
func shopText(t *testing.T, name string) []byte {
	t.Helper()
	b, err := testdata.Demo.ReadFile("demo/shops/barn.toml")
	if err != nil {
		t.Fatal(err)
	}
	return []byte(strings.Replace(string(b), `"the barn"`, `"`+name+`"`, 1))
}

// until waits until the state is as wanted.
func (x *trial) until(what string, yes func(*seam.State) bool) seam.State {
	x.t.Helper()
	var st seam.State
	for range 300 {
		var err error
		if st, err = x.Door(seam.Local).State(x.t.Context()); err != nil {
			x.t.Fatal(err)
		}
		if yes(&st) {
			return st
		}
		time.Sleep(time.Second)
	}
	x.t.Fatalf("never %s: %+v, %q", what, st.Shop, x.said)
	return st
}

// fromFiles reads the files that a choice names.
func fromFiles(t *testing.T) func(Choice) (*config.Shop, error) {
	return func(c Choice) (*config.Shop, error) {
		b := barn(t)
		if !c.Chosen {
			return b, nil
		}
		return config.LoadShop(c.File, b.Rig)
	}
}

// A bench takes the place of the shop at rest, only parts that look on there too
// work, the choice stays as it was, and it ends by itself when nobody renews it: also
// where the program is killed, and where its hardware cannot be opened.
func TestBench(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		marked := func(want bool) {
			t.Helper()
			synctest.Wait()
			if _, left, err := First(folder, "barn.toml"); err != nil || left != want {
				t.Errorf("a bench is marked: %v, want %v, %v", left, want, err)
			}
		}
		x := begin(t, folder, barn(t), fromFiles(t), nil, Part{Name: "everywhere", Bench: true, Start: func(*Host) (Watcher, error) { return Watcher{}, nil }})
		page, ctx := x.Door(seam.Page), t.Context()
		time.Sleep(25 * time.Second) // the saw runs
		if _, err := x.Door(seam.Topic).Bench(ctx, seam.BenchWish{Text: shopText(t, "bench"), For: time.Minute}); err == nil {
			t.Error("a topic takes a bench")
		}
		if _, err := page.Bench(ctx, seam.BenchWish{Text: []byte("format = 9"), For: time.Minute}); err == nil {
			t.Error("a bench of no shop")
		}
		b, err := page.Bench(ctx, seam.BenchWish{Text: shopText(t, "bench"), For: 2 * time.Minute})
		if err != nil || b.Outcome != seam.Waits || !strings.Contains(b.For, "at rest") {
			t.Errorf("%+v, %v", b, err)
		}
		if _, err := page.Bench(ctx, seam.BenchWish{Text: shopText(t, "bench"), For: time.Minute}); !errors.As(err, new(*seam.Refused)) {
			t.Errorf("two benches: %v", err)
		}
		st := x.until("the bench", func(s *seam.State) bool { return s.Shop.Bench && s.Ready })
		if st.Shop.Name != "bench" || st.Shop.File != "barn.toml" || len(st.Parts) != 1 || st.Parts[0].Name != "everywhere" {
			t.Errorf("%+v", st)
		}
		if b, err = page.Bench(ctx, seam.BenchWish{Lease: b.Lease, For: time.Minute}); err != nil || b.Outcome != seam.TookEffect || b.Revision != st.Shop.Revision {
			t.Errorf("%+v, %v", b, err)
		}
		marked(true)
		// Nobody else chooses a shop meanwhile, files that are read again wait, and then
		// nobody renews it.
		if _, err := page.Adopt(ctx, seam.Adoption{File: seam.File{Text: shopText(t, "shed")}, Name: "shed"}); !errors.As(err, new(*seam.Refused)) {
			t.Errorf("adopted meanwhile: %v", err)
		}
		again, err := x.Door(seam.Console).Reload(ctx)
		if err != nil || !strings.Contains(again.For, "until the move-in ends") {
			t.Errorf("%+v, %v", again, err)
		}
		time.Sleep(59 * time.Second)
		if s := x.until("nothing", func(*seam.State) bool { return true }); !s.Shop.Bench {
			t.Error("it ended before its time")
		}
		x.until("the shop before", func(s *seam.State) bool { return !s.Shop.Bench && s.Ready && s.Shop.Name == "the barn" })
		if k, err := page.Await(ctx, again.ID); err != nil || k.Outcome != seam.TookEffect {
			t.Errorf("%+v, %v", k, err)
		}
		if b, err = page.Bench(ctx, seam.BenchWish{Lease: b.Lease, For: time.Minute}); err != nil || b.Outcome != seam.Failed || b.Why != whyLapsed {
			t.Errorf("%+v, %v", b, err)
		}
		marked(false)
		// One that cannot be opened has failed, and the shop before is served.
		x.until("rest", func(s *seam.State) bool { return s.Rested })
		x.dead.Store(true)
		if b, err = page.Bench(ctx, seam.BenchWish{Text: shopText(t, "bench"), For: time.Hour}); err != nil {
			t.Error(err)
		}
		x.until("the shop that stays", func(s *seam.State) bool { return !x.dead.Load() && s.Ready && !s.Shop.Bench && s.Shop.Waiting == "" })
		if b, err = page.Bench(ctx, seam.BenchWish{Lease: b.Lease, For: time.Minute}); err != nil || b.Outcome != seam.Failed || !strings.Contains(b.Why, "no such bus") {
			t.Errorf("%+v, %v", b, err)
		}
		// One that only waits is given back: nothing is homed again for it.
		time.Sleep(15 * time.Second)
		before := x.until("a machine", func(s *seam.State) bool { return !s.Rested })
		if b, err = page.Bench(ctx, seam.BenchWish{Text: shopText(t, "bench"), For: time.Hour}); err != nil || b.Outcome != seam.Waits {
			t.Errorf("%+v, %v", b, err)
		}
		if b, err = page.Bench(ctx, seam.BenchWish{Lease: b.Lease}); err != nil || b.Why != whyBack {
			t.Errorf("%+v, %v", b, err)
		}
		x.until("rest", func(s *seam.State) bool { return s.Rested })
		time.Sleep(5 * time.Second)
		if after := x.until("nothing", func(*seam.State) bool { return true }); after.Shop.Revision != before.Shop.Revision {
			t.Error("the shop was taken up anew although nothing waited")
		}
		if active, err := ActiveShop(folder); active != "" || err != nil {
			t.Errorf("%q is chosen, %v", active, err)
		}
		x.stop()
	})
}

// A shop is adopted by its content, against the revision before: it becomes a file of
// its own, a ticket says what became of it, and it ends a bench if that is wanted.
func TestAdopt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		x := begin(t, folder, barn(t), fromFiles(t), nil)
		page, ctx := x.Door(seam.Page), t.Context()
		time.Sleep(5 * time.Second)
		shed := seam.Adoption{File: seam.File{Text: shopText(t, "the shed")}, Name: "the shed", Before: 1}
		if c, err := page.Check(ctx, shed.File); err != nil || c.Name != "the shed" {
			t.Errorf("%+v, %v", c, err)
		}
		if _, err := page.Check(ctx, seam.File{Text: []byte("format = 9")}); err == nil {
			t.Error("a bad file passes")
		}
		for _, at := range []seam.Door{seam.Local, seam.Topic} {
			if _, err := x.Door(at).Adopt(ctx, shed); err == nil {
				t.Errorf("somebody at door %d chooses the shop", at)
			}
		}
		stale := shed
		stale.Before = 7
		if _, err := page.Adopt(ctx, stale); !errors.As(err, new(*seam.Refused)) {
			t.Errorf("against another revision: %v", err)
		}
		k, err := page.Adopt(ctx, shed)
		if err != nil || k.Outcome != seam.Waits || k.File != filepath.Join(folder, "shops/the-shed.1.toml") {
			t.Fatalf("%+v, %v", k, err)
		}
		if k, err = page.Await(ctx, k.ID); err != nil || k.Outcome != seam.TookEffect || k.Revision != 2 {
			t.Errorf("%+v, %v", k, err)
		}
		// What has changed since it was looked at is not adopted.
		other := seam.Adoption{File: seam.File{Path: "shops/the-shed.1.toml", Text: []byte("format = 1")}}
		if _, err := page.Adopt(ctx, other); !errors.As(err, new(*seam.Refused)) {
			t.Errorf("other content: %v", err)
		}
		if _, err := page.Adopt(ctx, seam.Adoption{File: seam.File{Path: "/nothing.toml"}}); err == nil {
			t.Error("no file is adopted")
		}
		// The newest wish wins, and ends a bench.
		x.until("rest", func(s *seam.State) bool { return s.Rested })
		b, err := page.Bench(ctx, seam.BenchWish{Text: shopText(t, "bench"), For: time.Hour})
		if err != nil {
			t.Fatal(err)
		}
		x.until("the bench", func(s *seam.State) bool { return s.Shop.Bench && s.Ready })
		one, err := page.Adopt(ctx, seam.Adoption{Always: true})
		if err != nil {
			t.Fatal(err)
		}
		two, err := page.Adopt(ctx, seam.Adoption{File: seam.File{Path: "shops/the-shed.1.toml"}, Always: true})
		if err != nil {
			t.Fatal(err)
		}
		if one, err = page.Await(ctx, one.ID); err != nil || one.Outcome != seam.Failed || one.Why != whyNewer {
			t.Errorf("%+v, %v", one, err)
		}
		if two, err = page.Await(ctx, two.ID); err != nil || two.Outcome != seam.TookEffect {
			t.Errorf("%+v, %v", two, err)
		}
		if b, err = page.Bench(ctx, seam.BenchWish{Lease: b.Lease, For: time.Minute}); err != nil || b.Why != whyReplaced {
			t.Errorf("%+v, %v", b, err)
		}
		x.stop()
	})
}

// The program may be killed between any two writes of a choice: the next start takes
// up the shop before or the new one, and never a bench.
func TestKilledBetweenWrites(t *testing.T) {
	for killed, want := range []struct {
		file string
		left bool
	}{{"", false}, {"", false}, {"shops/shed.1.toml", false}, {"shops/shed.1.toml", true}} {
		folder := t.TempDir()
		d := New(Options{State: folder, Say: func(string) {}, Notice: func(err error) { t.Error(err) }})
		steps := []func(){
			func() {},
			func() {
				if err := os.MkdirAll(filepath.Join(folder, "shops"), 0o750); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(folder, "shops/shed.1.toml"), shopText(t, "shed"), 0o600); err != nil {
					t.Fatal(err)
				}
			},
			func() {
				if err := SetActiveShop(folder, "shops/shed.1.toml"); err != nil {
					t.Fatal(err)
				}
			},
			func() { d.mark(true) },
		}
		for _, step := range steps[:killed+1] {
			step()
		}
		c, left, err := First(folder, "")
		if err != nil || c.File != in(folder, want.file) || left != want.left {
			t.Errorf("killed after write %d: %+v, %v, %v", killed, c, left, err)
		}
	}
	// An earlier version of the program named the bench as the shop in force.
	folder := t.TempDir()
	if err := SetActiveShop(folder, benchFile); err != nil {
		t.Fatal(err)
	}
	if c, left, err := First(folder, "barn.toml"); c != (Choice{File: "barn.toml"}) || !left || err != nil {
		t.Errorf("%+v, %v, %v", c, left, err)
	}
	if err := os.WriteFile(filepath.Join(folder, "movein.json"), []byte(`{"old_file": "/old.toml", "old_chosen": true}`), 0o600); err != nil {
		t.Fatal(err)
	}
	if c, left, err := First(folder, "barn.toml"); c != (Choice{"/old.toml", true}) || !left || err != nil {
		t.Errorf("%+v, %v, %v", c, left, err)
	}
}

// The door sets the origin, whatever is asked: a topic may hold nothing open that
// starts the collector, and nobody but those at the computer lifts a stand-down.
func TestDoors(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		x := begin(t, t.TempDir(), barn(t), nil, nil)
		time.Sleep(15 * time.Second)
		if a := x.askAt(seam.Topic, "hold", "planer", time.Minute); a.Refused == "" {
			t.Errorf("a topic starts the collector: %+v", a)
		}
		if a := x.askAt(seam.Page, "stand-down", "", 0); a.Error+a.Refused != "" {
			t.Errorf("%+v", a)
		}
		for _, at := range []seam.Door{seam.Page, seam.Topic, seam.Local, 0} {
			if a := x.askAt(at, "lift", "", 0); a.Error+a.Refused == "" {
				t.Errorf("door %d lifts a stand-down", at)
			}
		}
		if _, err := x.Door(seam.Console).Ask(t.Context(), seam.Request{ID: 3, Kind: control.AskLift, Revision: 77}); !errors.As(err, new(*seam.Refused)) {
			t.Errorf("for another shop: %v", err)
		}
		if a := x.askAt(seam.Console, "lift", "", 0); a.Error+a.Refused != "" {
			t.Errorf("%+v", a)
		}
		x.stop()
	})
}

// Whoever follows from a sequence number is told every event since, or how many are
// missing; one who is too slow as well.
func TestFollowFrom(t *testing.T) {
	var h hub
	for range 3 * eventsKept {
		h.event(control.Event{Kind: control.MachineStarted})
	}
	read := func(f *follower) (seqs []uint64, missed uint64) {
		t.Helper()
		f.end()
		for {
			x, err := f.Next(t.Context())
			if errors.Is(err, io.EOF) {
				return seqs, missed
			}
			if err != nil {
				t.Fatal(err)
			}
			seqs, missed = append(seqs, x.Seq), missed+x.Missed
		}
	}
	newest := h.newest()
	if seqs, missed := read(h.follow(seam.Want{Events: true, From: newest - 2})); !slices.Equal(seqs, []uint64{newest - 1, newest}) || missed != 0 {
		t.Errorf("%v, %d missed", seqs, missed)
	}
	if seqs, missed := read(h.follow(seam.Want{Events: true, From: 1})); uint64(len(seqs))+missed != newest-1 || missed == 0 || len(seqs) < eventsKept {
		t.Errorf("%d events, %d missed of %d", len(seqs), missed, newest)
	}
	if seqs, missed := read(h.follow(seam.Want{Events: true})); len(seqs) != 0 || missed != 0 {
		t.Errorf("%v, %d missed", seqs, missed)
	}
	slow := h.follow(seam.Want{Events: true})
	for range followRoom + 10 {
		h.event(control.Event{})
	}
	h.mu.Lock()
	slow.queue = slow.queue[:0]
	h.mu.Unlock()
	h.event(control.Event{})
	if seqs, missed := read(slow); len(seqs) != 1 || missed != 10 {
		t.Errorf("%v, %d missed", seqs, missed)
	}
}

// What is told of a machine elsewhere is believed for its lease; then its sensor is
// unknown, not stopped.
func TestTell(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := barn(t)
		for i := range s.Machines {
			if s.Machines[i].Name == "router" {
				s.Machines[i].Topic = "shed/router"
			}
		}
		x := begin(t, t.TempDir(), s, nil, nil)
		ctx, topic := t.Context(), x.Door(seam.Topic)
		sensed := func() control.Verdict {
			t.Helper()
			time.Sleep(1100 * time.Millisecond)
			st, err := topic.State(ctx)
			if err != nil {
				t.Fatal(err)
			}
			return st.Snapshot.Machines[slices.Index(st.Names.Machines, "router")].Sensed
		}
		time.Sleep(3 * time.Second)
		word := seam.Word{Machine: "router", Verdict: sensor.Running, Lease: 5 * time.Second}
		for _, bad := range []seam.Word{{Machine: "lathe", Verdict: sensor.Idle, Lease: 1}, {Machine: "planer", Verdict: sensor.Idle, Lease: 1},
			{Machine: "router", Verdict: 9, Lease: 1}, {Machine: "router", Verdict: sensor.Running}} {
			if topic.Tell(ctx, bad) == nil {
				t.Errorf("%+v is believed", bad)
			}
		}
		if err := x.Door(seam.Page).Tell(ctx, word); !errors.Is(err, seam.ErrDoor) {
			t.Errorf("the page tells of a sensor: %v", err)
		}
		if err := topic.Tell(ctx, word); err != nil || sensed() != control.Running {
			t.Errorf("%v, %v", err, sensed())
		}
		for range 3 { // renewed
			time.Sleep(3 * time.Second)
			if err := topic.Tell(ctx, word); err != nil || sensed() != control.Running {
				t.Errorf("%v, %v", err, sensed())
			}
		}
		time.Sleep(5 * time.Second)
		if got := sensed(); got != control.Unknown {
			t.Errorf("after its lease: %v", got)
		}
		if err := topic.Tell(ctx, seam.Word{Machine: "router", Verdict: sensor.Idle, Lease: time.Hour}); err != nil || sensed() != control.Idle {
			t.Errorf("%v, %v", err, sensed())
		}
		x.stop()
	})
}
