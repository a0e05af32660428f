package rig

import (
	"context"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/duct"
	barnfiles "kerfwind/testdata/barn"
)

const folder = "../../../../testdata/demo/"

// barn is the demo's shop.
func barn(t *testing.T) *config.Shop {
	t.Helper()
	rig, err := config.LoadRig(folder + "rig.toml")
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.LoadShop(folder+"shops/barn.toml", rig)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Off the loop: a set of gates has the upper bound until Run has solved it, and
// nobody waits for that, however many ask.
func TestSolvedLater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := barn(t)
		p := s.Control()
		a, err := NewAir(&p, s, false)
		if err != nil {
			t.Fatal(err)
		}
		const three = 0b0111 | 1<<5 // and the gate in the main: no pair, so not solved at start-up
		for range 3 * waiting {
			a.Solved(0b11010) // there is nobody to solve it yet
		}
		ctx, end := context.WithCancel(t.Context())
		go a.Run(ctx)
		synctest.Wait()
		if _, ok := a.Solved(0b0001); !ok {
			t.Error("a single is not solved after the start")
		}
		bound := p.RunOn(0, three)
		if got := a.RunOn(0); bound != 80*time.Second || got != "1 min 20 s at most: these gates are being computed" {
			t.Errorf("run-on %v, %q: want the bound", bound, got)
		}
		synctest.Wait()
		x, ok := a.Solved(three)
		if !ok || !x.Converged || p.RunOn(0, three) != x.RunOns[0].Total || x.RunOns[0].Total >= bound {
			t.Errorf("solved %v: %v after the bound", ok, p.RunOn(0, three))
		}
		if p.Helper(three) != x.Helpers || p.Purge(three) != x.Purge {
			t.Error("helpers are not the solution's")
		}
		end()
	})
}

// On the spot: the first answer is the last.
func TestSolvedOnTheSpot(t *testing.T) {
	s := barn(t)
	p := s.Control()
	a, err := NewAir(&p, s, true)
	if err != nil {
		t.Fatal(err)
	}
	const three = 0b0111 | 1<<5
	first := p.RunOn(0, three)
	if x, ok := a.Solved(three); !ok || first != x.RunOns[0].Total {
		t.Errorf("%v, solved %v", first, ok)
	}
}

// Without a duct the run-ons are the shop file's, and there is no air to look at.
func TestNoDuct(t *testing.T) {
	s := config.StandIn(barn(t).Rig, config.StandInOptions{})
	p := s.Control()
	before := p.RunOn(0, 1)
	a, err := NewAir(&p, s, false)
	if err != nil {
		t.Fatal(err)
	}
	if x, ok := a.Solved(1); ok || x != nil || p.RunOn(0, 1) != before || a.RunOn(0) != "" {
		t.Errorf("%v, %v, %q", x, p.RunOn(0, 1), a.RunOn(0))
	}
	ctx, end := context.WithCancel(t.Context())
	end()
	a.Run(ctx) // ends
}

// The drum sander alone settles chips in T2 and T3. They lie there, in words too,
// until the air that is proposed has passed for long enough; and a restart knows.
func TestLying(t *testing.T) {
	s := barn(t)
	p := s.Control()
	a, err := NewAir(&p, s, true)
	if err != nil {
		t.Fatal(err)
	}
	segment := func(name string) int {
		for i := range a.net.Segments {
			if a.net.Segments[i].Name == name {
				return i
			}
		}
		t.Fatal(name)
		return -1
	}
	now := time.Duration(0)
	wall := time.Date(2026, 11, 30, 9, 0, 0, 0, time.UTC)
	pass := func(open uint64, on bool, running int, d time.Duration) {
		snap := control.Snapshot{Collector: control.CollectorView{Commanded: on}, Machines: make([]control.MachineView, len(s.Machines)), Gates: make([]control.GateView, len(s.Gates))}
		for i := range snap.Gates {
			if snap.Gates[i].Position = control.PositionShut; open>>i&1 == 1 {
				snap.Gates[i].Position = control.PositionOpen
			}
		}
		if running >= 0 {
			snap.Machines[running].Run = true
		}
		for range d / time.Second {
			now += time.Second
			a.Pass(&snap, now, wall)
		}
	}
	sander := slices.IndexFunc(s.Machines, func(m config.Machine) bool { return m.Name == "drum sander" })
	open := a.net.Machines[sander].Gates
	pass(open, false, sander, time.Minute)
	pass(open, true, -1, time.Minute)
	if got := a.Lying(); len(got) != 0 {
		t.Fatalf("without air, and without chips: %+v", got)
	}
	now += time.Hour // a gap counts for nothing
	pass(open, true, sander, time.Minute)
	got := a.Lying()
	if len(got) != 2 || got[0].Piece != segment("T2") || got[1].Piece != segment("T3") || !got[0].Lies() || got[1].Slow < 59*time.Second || got[1].Slow > time.Minute || got[1].Last != wall {
		t.Fatalf("after a minute: %+v", got)
	}
	text := a.LyingWords(s, &got[1])
	const want = "chips probably lie in T3: for 59 s they came along at 2620 ft/min or less, and it takes 3940 ft/min to carry them. " +
		"With no machine running, hold planer and router open for 20 s, all else shut: 4690 ft/min there, enough to lift them in 3 of 10 cases; then look into the duct"
	if text != want {
		t.Errorf("%q, want %q", text, want)
	}
	again, err := NewAir(&p, s, true)
	if err != nil {
		t.Fatal(err)
	}
	again.Restore(got)
	if !slices.Equal(again.Lying(), got) {
		t.Errorf("after a restart: %+v", again.Lying())
	}
	w, ok := a.Clear(&got[1])
	if !ok || w.Clears() {
		t.Fatalf("%+v, %v", w, ok)
	}
	before := a.Lying()
	pass(w.Open, true, -1, duct.SweepTime)
	if !slices.Equal(a.Lying(), before) { // it lifts in 3 of 10 cases
		t.Errorf("that was taken to be enough: %+v", a.Lying())
	}
}

// With a stronger fan a run-on can lift what lies in T3: where the owner wants that,
// it opens the gates for it and lasts longer, until it is lifted.
func TestPurge(t *testing.T) {
	const saw, planer, sander, router, sweep, far = 1, 2, 4, 8, 16, 32
	const t3 = 7
	for _, c := range []struct {
		name    string
		change  []string
		machine int
		open    uint64
		gates   uint64
		more    time.Duration
	}{
		{"not wanted", nil, 1, planer, 0, 0},
		{"its own air lifts", []string{"units  =", "air = { purge = true }\nunits  ="}, 1, planer, 0, duct.SweepTime - 5*time.Second},
		{"further gates lift", []string{"units  =", "air = { purge = true }\nunits  ="}, 2, sander | far, sweep, duct.SweepTime - 5*time.Second},
		{"no gate more", []string{"units  =", "air = { purge = true }\nunits  =", "max_open = 2", "max_open = 1"}, 2, sander | far, 0, 0},
		{"the owner's run-on", []string{"units  =", "air = { purge = true }\nunits  ="}, 3, router, saw, 0},
		{"too weak a fan", []string{"units  =", "air = { purge = true }\nunits  =", `"2 hp"`, `"1.9 hp"`}, 1, planer, 0, 0},
	} {
		s := barnfiles.Shop(t, append(c.change, `"2 hp"`, `"5 hp"`)...)
		p := s.Control()
		a, err := NewAir(&p, s, true)
		if err != nil {
			t.Fatal(err)
		}
		calm, purge := p.RunOn(control.ID(c.machine), c.open), p.Purge(c.open)
		a.Restore([]Lying{{Piece: t3, Lying: duct.Lying{Slow: time.Minute, Least: 12, Needs: duct.MinChips, Swept: 5 * time.Second}}})
		if more := p.RunOn(control.ID(c.machine), c.open) - calm; more != c.more {
			t.Errorf("%s: the run-on lasts %v longer, want %v", c.name, more, c.more)
		}
		if words := a.RunOn(control.ID(c.machine)); strings.Contains(words, "to lift chips that lie in it") != (c.more > 0) {
			t.Errorf("%s: %q", c.name, words)
		}
		if got := p.Purge(c.open); got != purge|c.gates {
			t.Errorf("%s: opens %b, want %b", c.name, got, purge|c.gates)
		}
		if !a.Cleared("T3") || p.Purge(c.open) != purge || p.RunOn(control.ID(c.machine), c.open) != calm {
			t.Errorf("%s: it goes on once T3 is clear", c.name)
		}
	}
}
