package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/movein/moveintest"
	"kerfwind/config"
)

// TestLeaveMoveIn: leaving puts the shop before in force again, also in the
// moment in which none is, and never in place of one that somebody has chosen.
func TestLeaveMoveIn(t *testing.T) {
	w, old, err := moveintest.Barn(1)
	if err != nil {
		t.Fatal(err)
	}
	barnShop, err := config.ParseShop("barn.toml", old, w.Rig)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		active  string
		between bool // no shop is in force when it is left
		used    bool
	}{
		"bench in force":   {guide.BenchFile, false, true},
		"bench comes":      {guide.BenchFile, true, true},
		"another is":       {"shops/attic.1.toml", false, false},
		"none was changed": {"", false, false},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			barn := filepath.Join(dir, "barn.toml")
			if err := os.WriteFile(barn, old, 0o600); err != nil {
				t.Fatal(err)
			}
			var used []string
			b := newPageBench(dir, func(err error) { t.Error(err) })
			shop := func(c daemon.Choice) *daemon.Shop {
				s := &daemon.Shop{Choice: c, Now: w.Now}
				s.Shop = barnShop
				s.Use = func(file string) (bool, error) { used = append(used, file); return false, nil }
				s.Guard = func(do func()) { do() }
				return s
			}
			first := shop(daemon.Choice{File: barn, Chosen: true})
			b.attach(first)
			if err := b.page.Begin(t.Context(), false); err != nil {
				t.Fatal(err)
			}
			if err := daemon.SetActiveShop(dir, c.active); err != nil {
				t.Fatal(err)
			}
			bench := shop(daemon.Choice{File: filepath.Join(dir, guide.BenchFile), Chosen: true})
			done := make(chan struct{})
			bench.Guard = func(do func()) { do(); close(done) }
			if b.detach(first); !c.between {
				b.attach(bench)
				<-done
			}
			if err := b.page.Leave(t.Context()); err != nil {
				t.Fatal(err)
			}
			if c.between {
				b.attach(bench)
				<-done
			}
			if (len(used) == 1) != c.used || c.used && used[0] != barn {
				t.Errorf("chosen: %q", used)
			}
		})
	}
}

// TestQuietMoveIn: a move-in that nobody answers any more is left by itself.
func TestQuietMoveIn(t *testing.T) {
	w, old, err := moveintest.Barn(1)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		left, said := 0, ""
		p := &moveInPage{
			open: func() (*guide.Guide, error) {
				return guide.Open(guide.Options{State: dir, Rig: w.Rig, Link: w, Before: movein.Before{File: "/barn.toml", Text: old}, Notice: func(err error) { t.Error(err) }})
			},
			leave: func(context.Context, *guide.Guide) error { left++; return nil },
			said:  func(err error) { said += err.Error() },
		}
		if err := p.Begin(t.Context(), false); err != nil {
			t.Fatal(err)
		}
		time.Sleep(quietMost - time.Minute)
		if err := p.Answer(p.Question().Revision, "garage"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(quietMost - time.Minute)
		if synctest.Wait(); left != 0 || p.Question() == nil {
			t.Error("it was left although somebody answered")
		}
		time.Sleep(2 * time.Minute)
		if synctest.Wait(); left != 1 || p.Question() != nil || !strings.Contains(said, "nobody has answered the move-in for 3 h") {
			t.Errorf("left %d times, %q", left, said)
		}
		if err := p.Begin(t.Context(), false); err != nil || p.Question().Step != "units" {
			t.Errorf("it does not go on: %v", err)
		}
		if err := p.Leave(t.Context()); err != nil {
			t.Error(err)
		}
		time.Sleep(2 * quietMost)
		if synctest.Wait(); left != 2 {
			t.Errorf("left %d times", left)
		}
	})
}

// TestFaultyMoveIn: a fault in what a move-in does beside ends nothing else.
func TestFaultyMoveIn(t *testing.T) {
	said := make(chan string, 2)
	b := newPageBench(t.TempDir(), func(err error) { said <- err.Error() })
	l := &benchLink{guard: b.guard, read: func(reading) { panic("a reading") }}
	l.begin()
	for range benchQueue + 2 {
		l.put(reading{})
	}
	l.end()
	if text := <-said; !strings.Contains(text, "a reading; control goes on") || len(said) > 0 {
		t.Errorf("%q", text)
	}
	w, old, err := moveintest.Barn(1)
	if err != nil {
		t.Fatal(err)
	}
	g, err := guide.Open(guide.Options{State: t.TempDir(), Rig: w.Rig, Link: faultyRig{w}, Before: movein.Before{File: "/barn.toml", Text: old}, Guard: b.guard, Notice: func(err error) { t.Error(err) }})
	if err != nil {
		t.Fatal(err)
	}
	n := &newcomer{t: t, w: w, g: g, met: map[string]bool{}}
	n.answer = func(v movein.View, _ <-chan struct{}, text string) {
		if err := g.Answer(v.Revision, text); err != nil {
			t.Fatal(err)
		}
	}
	n.moveIn("sensor/band saw")
	if text := <-said; !strings.Contains(text, "the bus; control goes on") {
		t.Errorf("%q", text)
	}
	g.Close()
}

type faultyRig struct{ *moveintest.World }

func (faultyRig) Begin(context.Context, []byte) error { panic("the bus") }
