package movein_test

import (
	"encoding/json"
	"os"
	"slices"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/movein/moveintest"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/loop"
	"kerfwind/control/sim"
)

// TestBenchNeverStarts: no request, wherever it comes from, starts the collector
// while a move-in looks at the rig.
func TestBenchNeverStarts(t *testing.T) {
	w, old, err := moveintest.Barn(1)
	if err != nil {
		t.Fatal(err)
	}
	kept, err := json.Marshal(map[string]any{"format": 1, "revision": 1, "at": "name", "old_file": "barn.toml", "old": string(old),
		"answers": map[string]string{"name": "garage", "units": "metric", "supply": "230 V 50 Hz", "relay/k0": "collector"}})
	if err != nil {
		t.Fatal(err)
	}
	s, err := movein.Restore(w.Rig, nil, kept)
	if err != nil {
		t.Fatal(err)
	}
	shop, err := config.ParseBench(s.Bench(), w.Rig)
	if err != nil {
		t.Fatal(err)
	}
	p := shop.Control()
	p.PowerUp, p.Midway = 0, true
	for _, o := range []control.Origin{control.Wired, control.Console, control.Page, control.Topic} {
		core, err := control.New(p)
		if err != nil {
			t.Fatal(err)
		}
		plant := sim.New(sim.Default(p))
		started, refused := false, control.Cause(0)
		lp := loop.Params{Machines: len(p.Machines), Circuits: p.Circuits}
		l, err := loop.New(core, lp, plant, watch(func(e control.Event) {
			started = started || e.Kind == control.CollectorIsOn
			if e.Kind == control.RequestRefused {
				refused = e.Cause
			}
		}))
		if err != nil {
			t.Fatal(err)
		}
		l.Post(0, control.Input{Kind: control.BinIs, State: uint8(control.Room)})
		l.Post(0, control.Input{Kind: control.StandDownIs, State: uint8(control.Closed)})
		for i := range p.Stops {
			l.Post(0, control.Input{Kind: control.StopIs, ID: control.ID(i), State: uint8(control.Closed)})
		}
		if p.Collector.Switch {
			l.Post(0, control.Input{Kind: control.SwitchIs, State: uint8(control.Auto)})
		}
		l.Advance(time.Second)
		l.Post(time.Second, control.Input{Kind: control.Ask, State: uint8(control.AskHold), Origin: o, ID: 0, For: time.Minute})
		for now := time.Second; now < 30*time.Second; now += 10 * time.Millisecond {
			l.Advance(now)
		}
		if started || refused != control.ByNoHolds {
			t.Errorf("a hold asked for from %v: collector started %v, refused because %v", o, started, refused)
		}
	}
}

// TestBenchMachines: whatever senses a machine is one on the bench, by its own name,
// and the bench says of it that it is not served.
func TestBenchMachines(t *testing.T) {
	read := func(name string) []byte {
		text, err := os.ReadFile("../../../../testdata/config/valid/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	rig, err := config.ParseRig("rig", read("rig-full.toml"))
	if err != nil {
		t.Fatal(err)
	}
	kept, err := json.Marshal(map[string]any{"format": 1, "revision": 1, "at": "name", "old_file": "barn.toml", "old": string(read("shop-full.toml")),
		"answers": map[string]string{"name": "garage", "units": "metric", "supply": "230 V 50 Hz", "relay/k0": "collector"}})
	if err != nil {
		t.Fatal(err)
	}
	s, err := movein.Restore(rig, nil, kept)
	if err != nil {
		t.Fatal(err)
	}
	shop, err := config.ParseBench(s.Bench(), rig)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for i := range shop.Machines {
		names = append(names, shop.Machines[i].Name)
	}
	if want := []string{"c0", "c1", "c2", "c4", "k", "lathe switch", "sander"}; !slices.Equal(names, want) || !shop.Control().MoveIn {
		t.Errorf("on the bench: %q, want %q", names, want)
	}
	if _, err := config.ParseShop("no bench", s.Bench(), rig); err == nil {
		t.Error("a bench counts as a shop")
	}
}

// watch is an observer of events.
type watch func(control.Event)

func (w watch) Observe(_ *control.Snapshot, list []control.Event) {
	for _, e := range list {
		w(e)
	}
}
