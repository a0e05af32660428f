package guide

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/movein/moveintest"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/seam/seamtest"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// counted counts how often the rig is given back.
type counted struct{ n int }

func (c *counted) Leave() error { c.n++; return nil }

// made is a made rig, and the shop before.
func made(t *testing.T) (*moveintest.World, []byte) {
	t.Helper()
	w, old, err := moveintest.Barn(1)
	if err != nil {
		t.Fatal(err)
	}
	return w, old
}

// A move-in that nobody answers any more is left by itself, and never another one
// that was begun since.
func TestQuiet(t *testing.T) {
	w, old := made(t)
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		left, said := &counted{}, ""
		p := &Page{State: dir, Notice: func(err error) { said += err.Error() }}
		p.Open = func() (*Guide, Leave, error) {
			g, err := Open(Options{State: dir, Rig: w.Rig, Link: w, Before: movein.Before{File: "/barn.toml", Text: old}, Notice: func(err error) { t.Error(err) }})
			return g, left, err
		}
		begin := func(step string) {
			t.Helper()
			if err := p.Begin(t.Context(), false); err != nil || p.Question().Step != step {
				t.Fatalf("%v, %+v", err, p.Question())
			}
		}
		begin("name")
		time.Sleep(quietMost - time.Minute)
		if err := p.Answer(p.Question().Revision, "garage"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(quietMost - time.Minute)
		if synctest.Wait(); left.n != 0 || p.Question() == nil {
			t.Error("it was left although somebody answered")
		}
		time.Sleep(2 * time.Minute)
		if synctest.Wait(); left.n != 1 || p.Question() != nil || !strings.Contains(said, "nobody has answered the move-in for 3 h") {
			t.Errorf("left %d times, %q", left.n, said)
		}
		begin("units")
		// The timer of one that was left fires while another one is under way.
		first := p.g
		if err := p.Leave(t.Context()); err != nil {
			t.Error(err)
		}
		begin("units")
		if ended, err := p.end(first); ended || err != nil || p.Question() == nil || left.n != 2 {
			t.Errorf("a timer ended a newer move-in: %v, %v", ended, err)
		}
		if err := p.Leave(t.Context()); err != nil {
			t.Error(err)
		}
		time.Sleep(2 * quietMost)
		if synctest.Wait(); left.n != 3 {
			t.Errorf("left %d times", left.n)
		}
	})
}

// A fault in what a move-in does beside ends nothing else.
func TestBeside(t *testing.T) {
	said := ""
	Beside(func(err error) { said += err.Error() })(func() { panic("the bus") })
	if !strings.Contains(said, "the bus; control goes on without it") {
		t.Error(said)
	}
}

// One who takes a bench waits until it takes effect, hears what it reads, asks for
// moves at it, and is told when it is lost: for a terminal and for the page alike.
func TestBench(t *testing.T) {
	w, old := made(t)
	dir := t.TempDir()
	file := filepath.Join(dir, "barn.toml")
	if err := os.WriteFile(file, old, 0o600); err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		f := seamtest.New(t)
		hello := seam.Hello{Clock: seam.Clock{Now: time.Minute, Speed: 2}}
		f.Now(hello, seam.State{NoShop: true})
		o := Options{State: dir, Rig: w.Rig, Notice: func(err error) { t.Error(err) }, Today: func() string { return "today" }}
		if _, _, err := Through(t.Context(), f, o); !errors.Is(err, seam.ErrNoShop) {
			t.Error(err)
		}
		f.Now(hello, seam.State{Begun: true, Shop: seam.InForce{Revision: 3, File: file, Chosen: true}})
		g, left, err := Through(t.Context(), f, o)
		if err != nil {
			t.Fatal(err)
		}
		if b := g.s.Before(); b.File != file || !b.Chosen || string(b.Text) != string(old) {
			t.Errorf("%+v", b)
		}
		b, ok := left.(*Bench)
		if !ok {
			t.Fatalf("%T", left)
		}
		text := old
		want := func(w seam.BenchWish, x seam.Bench) { f.Will("Bench", w, x, nil) }
		want(seam.BenchWish{Text: text, For: benchLease}, seam.Bench{Lease: 7, Outcome: seam.Waits, For: "rest"})
		want(seam.BenchWish{Lease: 7, For: benchLease}, seam.Bench{Lease: 7, Outcome: seam.Waits, For: "rest"})
		want(seam.BenchWish{Lease: 7, For: benchLease}, seam.Bench{Lease: 7, Outcome: seam.TookEffect, Revision: 4})
		if err := b.Begin(t.Context(), text); err != nil {
			t.Fatal(err)
		}
		if err := b.Begin(t.Context(), text); err != nil { // it is in force already
			t.Error(err)
		}
		time.Sleep(time.Second)
		if now := b.Now(); now != time.Minute+2*time.Second {
			t.Error(now)
		}
		// Readings of the bench count, those of the shop before do not.
		f.Send(seam.Item{Kind: seam.AReading, Revision: 3, At: time.Hour}, seam.Item{Kind: seam.AReading, Revision: 4, At: 2 * time.Minute, Reading: sensor.Reading{At: 2 * time.Minute, Amps: 3, Verdict: sensor.Running}})
		synctest.Wait()
		if now := b.Now(); now != 2*time.Minute {
			t.Error(now)
		}
		// A move is asked for at this bench; what is refused comes as an event would.
		f.Will("Ask", seam.Request{Kind: control.AskTestOpen, Target: "planer", For: time.Second, Revision: 4}, nil, nil)
		f.Will("Ask", seam.Request{Kind: control.AskTestEnd, Revision: 4}, nil, nil)
		for _, r := range []movein.Request{{Kind: movein.Move, Actuator: "planer", For: time.Second}, {Kind: movein.EndMove}} {
			if err := b.Ask(r); err != nil {
				t.Error(err)
			}
			synctest.Wait()
		}
		if err := b.Ask(movein.Request{Kind: movein.Move, Actuator: "none"}); err == nil {
			t.Error("something is moved that is not there")
		}
		// It is renewed, until it is lost.
		renew := func(x seam.Bench) {
			f.Will("Listen", benchLease/2, nil, nil)
			want(seam.BenchWish{Lease: 7, For: benchLease}, x)
		}
		renew(seam.Bench{Lease: 7, Outcome: seam.TookEffect, Revision: 4})
		time.Sleep(benchLease / 4)
		renew(seam.Bench{Lease: 7, Outcome: seam.Failed, Why: "somebody has chosen another shop"})
		time.Sleep(benchLease / 4)
		synctest.Wait()
		if !f.Done() || b.Ask(movein.Request{Kind: movein.EndMove}) == nil {
			t.Error("it still has a bench")
		}
		// Begun again, it is given back at the end.
		want(seam.BenchWish{Text: text, For: benchLease}, seam.Bench{Lease: 8, Outcome: seam.TookEffect, Revision: 6})
		if err := b.Begin(t.Context(), text); err != nil {
			t.Error(err)
		}
		// Whoever is away too long takes a new one.
		more := append([]byte("# more\n"), text...)
		want(seam.BenchWish{Lease: 8, Text: more, For: benchLease}, seam.Bench{Lease: 8, Outcome: seam.Failed, Why: "lapsed"})
		want(seam.BenchWish{Text: more, For: benchLease}, seam.Bench{Lease: 9, Outcome: seam.Failed, Why: "its hardware cannot be opened: no such bus"})
		if err := b.Begin(t.Context(), more); err == nil || !strings.Contains(err.Error(), "no such bus") {
			t.Error(err)
		}
		want(seam.BenchWish{Text: text, For: benchLease}, seam.Bench{Lease: 10, Outcome: seam.TookEffect, Revision: 8})
		if err := b.Begin(t.Context(), text); err != nil {
			t.Error(err)
		}
		want(seam.BenchWish{Lease: 10}, seam.Bench{})
		g.Close()
		if err := left.Leave(); err != nil {
			t.Error(err)
		}
	})
}

// Whatever the rig, the running kerfwind is asked for the bench made of it: who asks
// reads it as that one does, with machines of which nothing says where their dust
// goes.
func TestBenchOfEveryRig(t *testing.T) {
	var files []string
	for _, where := range []string{"*/rig.toml", "config/*/rig.toml", "config/valid/rig-*.toml"} {
		found, err := filepath.Glob(filepath.Join("../../../../testdata", where))
		if err != nil || len(found) == 0 {
			t.Fatalf("%s: %v, %v", where, found, err)
		}
		files = append(files, found...)
	}
	machines := 0
	for _, file := range files {
		t.Run(file, func(t *testing.T) {
			rig, err := config.LoadRig(file)
			if err != nil {
				t.Fatal(err)
			}
			fan := slices.IndexFunc(rig.Actuators, func(a config.Actuator) bool { return a.Kind.Serves(config.ForContactor) })
			if fan < 0 {
				t.Fatal("nothing switches a collector: there is no bench")
			}
			kept, err := json.Marshal(map[string]any{"format": 1, "revision": 1, "at": "name",
				"answers": map[string]string{"units": "metric", "supply": "230 V 50 Hz", "relay/" + rig.Actuators[fan].Name: "collector"}})
			if err != nil {
				t.Fatal(err)
			}
			s, err := movein.Restore(rig, &sensor.Learned{}, kept)
			if err != nil {
				t.Fatal(err)
			}
			text := s.Bench()
			shop, err := config.ParseBench(text, rig) // as the running kerfwind does
			if err != nil {
				t.Fatalf("%v\n%s", err, text)
			}
			f := seamtest.New(t)
			f.Now(seam.Hello{Clock: seam.Clock{Speed: 1}}, seam.State{Begun: true})
			f.Will("Bench", seam.BenchWish{Text: text, For: benchLease}, seam.Bench{Lease: 1, Outcome: seam.TookEffect, Revision: 2}, nil)
			f.Will("Bench", seam.BenchWish{Lease: 1}, seam.Bench{}, nil)
			b := &Bench{Shop: f, Rig: rig, Notice: func(err error) { t.Error(err) }}
			b.begin()
			if err := errors.Join(b.Begin(t.Context(), text), b.Leave()); err != nil || !f.Done() {
				t.Errorf("%v\n%s", err, text)
			}
			machines += len(shop.Machines)
			if _, err := config.ParseShop("x", text, rig); err == nil && len(shop.Machines) > 0 {
				t.Error("an owner's shop may have machines of which nothing says where their dust goes")
			}
		})
	}
	if machines == 0 {
		t.Error("no bench has a machine")
	}
}

// The new shop is adopted by its content, and ends the bench.
func TestAdopt(t *testing.T) {
	f := seamtest.New(t)
	f.Will("Adopt", seam.Adoption{File: seam.File{Text: []byte("format = 1")}, Name: "garage", Always: true}, seam.Ticket{ID: 1, File: "/state/shops/garage.1.toml"}, nil)
	if file, err := adopt(f, "/state")("garage", []byte("format = 1")); err != nil || file != "shops/garage.1.toml" {
		t.Error(file, err)
	}
	f.Will("Adopt", seam.Adoption{File: seam.File{Text: []byte("")}, Name: "x", Always: true}, nil, errors.New("no name"))
	if _, err := adopt(f, "/state")("x", []byte("")); err == nil {
		t.Error("no error")
	}
}
