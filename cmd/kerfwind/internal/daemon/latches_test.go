package daemon

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/control"
)

// some is a state in which everything is kept: two gates, a machine, both latches.
var some = control.Kept{Stopped: true, Failed: control.CollectorNoCurrent, Aside: 0b101, Left: 0b10}

func stored(t *testing.T, folder string, k control.Kept, s *config.Shop) []byte {
	t.Helper()
	text, err := latchesOf(&k, s).encode()
	if err == nil {
		err = state.Write(folder, latchesFile, text)
	}
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// heldIn is what a program that starts holds on to, and what it says of that.
func heldIn(folder string, s *config.Shop) (k control.Kept, why []string) {
	_, k = newKeeper(folder, func(string) {}, func(err error) { why = append(why, err.Error()) }).held(s)
	return k, why
}

// TestKeepForAWhile: what changes in a shop that runs for a hand on one thing, or
// for a move-in, is stored; what another shop has stored stays beside it.
func TestKeepForAWhile(t *testing.T) {
	home, bench := barn(t), barn(t, `"the barn"`, `"the move-in"`)
	one := control.Kept{Aside: 0b10, Left: 0b1}
	for _, c := range []struct {
		name   string
		stored *control.Kept // of home; nil: nothing
		in     *config.Shop
		to     func(k *control.Kept)
		want   control.Kept // at home
	}{
		{"nothing happens", &one, bench, func(*control.Kept) {}, one},
		{"a first start", nil, home, func(k *control.Kept) { k.Stopped = true }, control.Kept{Stopped: true}},
		{"a stop", &one, home, func(k *control.Kept) { k.Stopped = true }, control.Kept{Stopped: true, Aside: 0b10, Left: 0b1}},
		{"a stop elsewhere", &one, bench, func(k *control.Kept) { k.Stopped = true }, control.Kept{Stopped: true, Aside: 0b10, Left: 0b1}},
		{"no current elsewhere", &one, bench, func(k *control.Kept) { k.Failed = control.CollectorNoCurrent }, control.Kept{Failed: control.CollectorNoCurrent, Aside: 0b10, Left: 0b1}},
		{"a reset elsewhere", &some, bench, func(k *control.Kept) { k.Stopped, k.Failed = false, 0 }, control.Kept{Aside: some.Aside, Left: some.Left}},
		{"a gate set aside elsewhere", &control.Kept{Left: 0b1}, bench, func(k *control.Kept) { k.Aside |= 0b100 }, control.Kept{Aside: 0b100, Left: 0b1}},
		{"a gate taken back elsewhere", &some, bench, func(k *control.Kept) { k.Aside &^= 0b100 }, control.Kept{Stopped: true, Failed: some.Failed, Aside: 0b1, Left: some.Left}},
		{"a machine is served again", &one, home, func(k *control.Kept) { k.Left = 0 }, control.Kept{Aside: 0b10}},
	} {
		folder := t.TempDir()
		if c.stored != nil {
			stored(t, folder, *c.stored, home)
		}
		keep := NewKeep(folder, func(string) {}, func(error) {})
		_, kept, obs := keep.Up(c.in)
		if c.stored != nil && c.in == home && kept != *c.stored {
			t.Errorf("%s: taken up with %+v", c.name, kept)
		}
		c.to(&kept)
		obs.Observe(&control.Snapshot{Kept: kept}, nil)
		keep.End()
		if got, why := heldIn(folder, home); got != c.want || why != nil {
			t.Errorf("%s: %+v, %q; want %+v", c.name, got, why, c.want)
		}
	}
	// A wired stand-down is stored too, and nothing is written for nothing.
	folder := t.TempDir()
	keep := NewKeep(folder, func(string) {}, func(error) {})
	_, _, obs := keep.Up(home)
	obs.Observe(&control.Snapshot{}, nil)
	keep.End()
	if list, err := os.ReadDir(folder); err != nil || len(list) != 0 {
		t.Errorf("written for nothing: %v %v", list, err)
	}
	keep = NewKeep(folder, func(string) {}, func(error) {})
	_, _, obs = keep.Up(home)
	obs.Observe(&control.Snapshot{StoodDown: true}, []control.Event{{Kind: control.StoodDown}})
	keep.End()
	if down, _ := StoodDown(folder); !down {
		t.Error("a stand-down is not stored")
	}
}

// What was stored comes back as it was; where no file is, nothing was.
func TestHeld(t *testing.T) {
	s, folder := barn(t), t.TempDir()
	if k, why := heldIn(folder, s); k != (control.Kept{}) || why != nil {
		t.Errorf("a first start: %+v, %q", k, why)
	}
	for _, k := range []control.Kept{{}, {Stopped: true}, {Failed: control.ShutTooOften}, {Aside: 1}, {Left: 1}, some} {
		stored(t, folder, k, s)
		if got, why := heldIn(folder, s); got != k || why != nil {
			t.Errorf("stored %+v, got %+v, %q", k, got, why)
		}
	}
}

// Whatever damage a file has, it counts as latched and every gate as set aside,
// and the error names the file and what to do.
func TestHeldDamaged(t *testing.T) {
	s, folder := barn(t), t.TempDir()
	for _, k := range []control.Kept{{}, some} {
		text := stored(t, folder, k, s)
		path := filepath.Join(folder, latchesFile)
		bad := map[string][]byte{"empty": {}, "another format": text, "only zeros": make([]byte, len(text)), "not ours": []byte("{}\n" + sumLine([]byte("{}\n")))}
		line := strings.Replace(string(text[:slices.Index(text, '\n')+1]), `"format":1`, `"format":2`, 1)
		bad["another format"] = []byte(line + sumLine([]byte(line)))
		line = strings.Replace(line, `"format":2`, `"format":1,"more":1`, 1)
		bad["a key that nobody knows"] = []byte(line + sumLine([]byte(line)))
		line = strings.Replace(string(text[:slices.Index(text, '\n')+1]), `"failed":""`, `"failed":"no such fault"`, 1)
		if k.Failed == 0 {
			bad["a fault that nobody knows"] = []byte(line + sumLine([]byte(line)))
		}
		for name, b := range bad {
			if _, err := decodeLatches(b); err == nil {
				t.Errorf("%s is believed", name)
			}
		}
		for n := range text {
			if _, err := decodeLatches(text[:n]); err == nil {
				t.Errorf("cut to %d bytes it is believed", n)
			}
			for bit := range 8 {
				b := slices.Clone(text)
				b[n] ^= 1 << bit
				if _, err := decodeLatches(b); err == nil {
					t.Errorf("bit %d of byte %d flipped: it is believed", bit, n)
				}
			}
		}
		if err := os.WriteFile(path, text[:len(text)/2], 0o600); err != nil {
			t.Fatal(err)
		}
		if got, why := heldIn(folder, s); got != control.Unreadable || len(why) != 1 || !strings.Contains(why[0], path) || !strings.Contains(why[0], "reset it there") {
			t.Errorf("%+v, %q", got, why)
		}
		if err := errors.Join(os.Remove(path), os.Mkdir(path, 0o700)); err != nil { // it cannot be read at all
			t.Fatal(err)
		}
		if got, why := heldIn(folder, s); got != control.Unreadable || len(why) != 1 {
			t.Errorf("%+v, %q", got, why)
		}
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
}

// A gate that has another name is found by its actuator. What belongs to another
// shop is taken the safe way: latches hold, and of gates and machines all. Told.
func TestHeldElsewhere(t *testing.T) {
	s, folder := barn(t), t.TempDir()
	stored(t, folder, some, s)
	renamed := barn(t, `"`+s.Gates[0].Name+`"`, `"other"`)
	want := some
	want.Left = some.Left
	if k, why := heldIn(folder, renamed); k.Aside != want.Aside || !k.Stopped || why != nil {
		t.Errorf("renamed: %+v, %q", k, why)
	}
	shed := barn(t, `"the barn"`, `"the shed"`)
	k, why := heldIn(folder, shed)
	if k.Aside != control.Unreadable.Aside || k.Left != control.Unreadable.Left || !k.Stopped || k.Failed != some.Failed {
		t.Errorf("another shop: %+v", k)
	}
	if all := strings.Join(why, "\n"); !strings.Contains(all, "every gate is set aside") || !strings.Contains(all, `latched off in the shop "the barn"`) {
		t.Errorf("told: %q", why)
	}
	stored(t, folder, control.Kept{}, s)
	if k, why := heldIn(folder, shed); k != (control.Kept{}) || why != nil {
		t.Errorf("nothing kept, another shop: %+v, %q", k, why)
	}
	// A shop that takes another's place while the program runs has the same rig.
	if k, why := latchesOf(&control.Kept{Aside: 0b101}, s).in(shed, true); k.Aside != 0b101 || why != nil {
		t.Errorf("the same rig: %+v, %q", k, why)
	}
}

// A stop and an aside are on the disk at once, and an aside before it is
// acknowledged; both hold at the next start until somebody at the shop ends them.
func TestLatchesLast(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder, s := t.TempDir(), barn(t)
		router := slices.IndexFunc(s.Gates, func(g config.Gate) bool { return g.Name == "router" })
		x := begin(t, folder, s, nil, nil)
		time.Sleep(15 * time.Second)
		for _, ask := range []struct{ what, gate, refused string }{{"return", "router", "no such thing"}, {"aside", "no such gate", "no gate"}, {"aside", "", "name a gate"}} {
			if a := x.ask(ask.what, ask.gate); !strings.Contains(a.Refused+a.Error, ask.refused) || a == (said{}) {
				t.Errorf("%v: %+v", ask, a)
			}
		}
		if a := x.askAt(seam.Topic, "aside", "router", 0); !strings.Contains(a.Refused, "not allowed from there") {
			t.Errorf("a topic set it aside: %+v", a)
		}
		if a := x.askAt(seam.Page, "aside", "router", 0); a.Refused != "" || a.Error != "" {
			t.Errorf("%+v", a)
		}
		if k, _ := heldIn(folder, s); k.Aside != 1<<router {
			t.Errorf("acknowledged, and on the disk is %+v", k)
		}
		if a := x.ask("aside", "router"); a.Note != "it was set aside already" {
			t.Errorf("%+v", a)
		}
		for at, why := range map[seam.Door]string{seam.Page: "not allowed from there", seam.Topic: "not allowed from there", seam.Local: "own button, or by root"} {
			if a := x.askAt(at, "return", "router", 0); !strings.Contains(a.Refused+a.Error, why) {
				t.Errorf("%d: %+v", at, a)
			}
		}
		if a := x.ask("reset", ""); a.Note != "nothing was latched" {
			t.Errorf("%+v", a)
		}
		if k, _ := heldIn(folder, s); k.Aside != 1<<router {
			t.Errorf("a reset took a gate back: %+v", k)
		}
		x.session().live.Ask(control.InStop(0, control.Open))
		synctest.Wait()
		time.Sleep(100 * time.Millisecond)
		if k, _ := heldIn(folder, s); !k.Stopped {
			t.Errorf("a stop input acted, and on the disk is %+v", k)
		}
		if a := x.ask("reset", ""); !strings.Contains(a.Refused, "stop input") {
			t.Errorf("reset while the stop is open: %+v", a)
		}
		x.stop()

		x = begin(t, folder, s, nil, nil)
		time.Sleep(30 * time.Second) // the saw runs
		st := x.Status()
		if !st.Latched || x.happened("collector-on") != 0 || x.happened("gate-aside") != 1 {
			t.Errorf("after the restart: %+v", st)
		}
		if a := x.askAt(seam.Page, "reset", "", 0); a.Refused == "" {
			t.Errorf("the page reset it: %+v", a)
		}
		for range 2 { // two resets: the second finds nothing
			if a := x.ask("reset", ""); a.Refused != "" || a.Error != "" {
				t.Errorf("%+v", a)
			}
		}
		if k, _ := heldIn(folder, s); k.Stopped || k.Aside != 1<<router {
			t.Errorf("after the reset: %+v", k)
		}
		if a := x.ask("return", "router"); a.Refused != "" || a.Error != "" {
			t.Errorf("%+v", a)
		}
		if k, _ := heldIn(folder, s); k.Aside != 0 || x.happened("collector-on") != 0 {
			t.Errorf("after the return: %+v", k)
		}
		x.stop()
	})
}

// TestLatchedReload: a latched shop takes up a mended file, and stays latched; the
// latch is also told while no shop is taken up.
func TestLatchedReload(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		x := begin(t, folder, barn(t), func(Choice) (*config.Shop, error) { return barn(t, `"the barn"`, `"the shed"`), nil }, nil)
		time.Sleep(45 * time.Second) // the saw has run, and the fan has coasted down
		x.session().live.Ask(control.InStop(0, control.Open))
		time.Sleep(time.Minute)
		x.Reload()
		time.Sleep(15 * time.Second)
		if st := x.Status(); st.Shop != "the shed" || st.Reload != "" || !st.Latched {
			t.Errorf("%+v", st)
		}
		x.session().live.Ask(control.InStop(0, control.Closed))
		if a := x.ask("hold", "router"); a.Refused == "" {
			t.Errorf("held while latched: %+v", a)
		}
		if a := x.ask("reset", ""); a.Refused != "" || a.Error != "" || a.Note != "" || x.Status().Latched {
			t.Errorf("%+v, %+v", a, x.Status())
		}
		x.session().live.Ask(control.InStop(0, control.Open))
		time.Sleep(time.Second)
		x.stop()
		for _, shop := range []seam.Shop{x.Door(seam.Console), &Stored{Folder: folder}} {
			if st, err := shop.State(t.Context()); err != nil || !st.NoShop || !st.Snapshot.Latched() || st.Snapshot.StoodDown {
				t.Errorf("without a shop: %+v, %v", st, err)
			}
		}
	})
}

// A file that cannot be read is told, latches and sets every gate aside; so it is
// written, and each gate is taken back by itself.
func TestLatchesUnreadable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder, s := t.TempDir(), barn(t)
		if err := os.WriteFile(filepath.Join(folder, latchesFile), nil, 0o600); err != nil {
			t.Fatal(err)
		}
		x := begin(t, folder, s, nil, nil)
		time.Sleep(30 * time.Second) // the saw runs
		if !x.heard("check sum") || !x.Status().Latched || x.happened("collector-on")+x.happened("gate-opening") != 0 || x.happened("gate-aside") != len(s.Gates) {
			t.Errorf("%+v, %q", x.Status(), x.said)
		}
		if a := x.ask("reset", ""); a.Refused != "" || a.Error != "" {
			t.Errorf("%+v", a)
		}
		for i := range s.Gates {
			if k, _ := heldIn(folder, s); k.Stopped || k.Aside != (1<<len(s.Gates)-1)&^(1<<i-1) {
				t.Errorf("before the return of gate %d: %+v", i, k)
			}
			if a := x.ask("return", s.Gates[i].Name); a.Refused != "" || a.Error != "" {
				t.Errorf("%+v", a)
			}
		}
		x.stop()
	})
}

// The service manager's line is never calmer than the state.
func TestStatusLine(t *testing.T) {
	s := &control.Snapshot{Machines: []control.MachineView{{Run: true}, {Run: true}}, Kept: control.Kept{Stopped: true},
		Faults: []control.FaultView{{Fault: control.Uncollected, ID: 1}, {Fault: control.StopLatched}}}
	if got, want := statusLine(s), "NOT collected: 1 machine, latched, 2 machines run, 2 faults"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got := statusLine(&control.Snapshot{}); got != "at rest" {
		t.Errorf("%q", got)
	}
}
