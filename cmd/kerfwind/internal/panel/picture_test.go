package panel

import (
	"context"
	"math/rand/v2"
	"net/http"
	"strings"
	"testing"

	"kerfwind/control"
)

// Every gate and machine of whatever shop has its place in the picture, and none lies
// over another.
func TestPicture(t *testing.T) {
	for seed := range 300 {
		shop := oddShop(rand.New(rand.NewPCG(uint64(seed), 7)))
		p := newPicture(onPage(shop, 0))
		gates, machines, last := map[string]bool{}, map[string]bool{}, fanHigh-rowHigh
		for _, r := range p.Rows {
			if r.Y < last+rowHigh || r.Y+boxHigh > p.High || r.BoxX+r.BoxWide > p.Wide || r.BoxWide < leastBox-1 || len(r.Short) == 0 {
				t.Errorf("shop %d: %+v after %d in %d x %d", seed, r, last, p.Wide, p.High)
			}
			last = r.Y
			gates[r.GateKey], machines[r.MachineKey] = true, true
		}
		for _, m := range p.Mains {
			gates[m.GateKey] = true
			for _, r := range p.Rows {
				if m.GateKey != "" && m.TapY() < r.Y+boxHigh && r.Y < m.TapY()+50 {
					t.Errorf("shop %d: %+v lies over %+v", seed, m, r)
				}
			}
		}
		for g := range shop.Gates {
			if !gates[key("g", g)] {
				t.Errorf("shop %d: no gate %d", seed, g)
			}
		}
		for m := range shop.Machines {
			if !machines[key("m", m)] {
				t.Errorf("shop %d: no machine %d", seed, m)
			}
		}
	}
}

// A gate and a machine say why they are as they are, what they did last and what
// would change it; a hold that would be refused is not offered.
func TestThing(t *testing.T) {
	in := barnIn(t)
	in.Snap.Machines[sander] = control.MachineView{Sensed: control.Running, Run: true, Why: control.Why{Cause: control.ByGate, Machine: sander}}
	in.Snap.Gates[sander].Fault = control.GateNotOpen
	in.Snap.Gates[planer].NoHold = control.ByAside
	in.Snap.Faults = []control.FaultView{{Fault: control.Uncollected, ID: sander, Cause: control.ByGate}, {Fault: control.GateNotOpen, ID: sander}}
	s, shop := New(Options{Notice: func(err error) { t.Error(err) }}), onPage(in.Shop, in.Now)
	shop.Ask = func(context.Context, control.Input) error { return nil }
	shop.Observe(in.Snap, []control.Event{
		{At: 40 * sec, Kind: control.GateOpening, ID: sander}, {At: 41 * sec, Kind: control.GateOpening, ID: planer},
		{At: 50 * sec, Kind: control.FaultRaised, Fault: control.GateNotOpen, ID: sander}, {At: 60 * sec, Kind: control.MachineStarted, ID: sander},
	})
	s.Show(shop)
	for address, want := range map[string][]string{
		"/thing?gate=2":    {"Gate drum sander", "STUCK", "FAULT drum sander: the gate does not open", "09:30:50", "drum sander gate opening", "look for packed chips"},
		"/thing?machine=2": {"drum sander started", "09:31:00", "Its gate is stuck.", "Stop the cut.", `href="/thing?gate=2"`, `href="/thing?gate=5"`},
		"/thing?gate=5":    {"It opens when drum sander starts.", "it opens with what lies behind it"},
	} {
		reads(t, look(s, address), http.StatusOK, want...)
	}
	if page := look(s, "/thing?gate=2").Body.String(); strings.Contains(page, "planer gate opening") || strings.Contains(page, "started") {
		t.Error("the gate tells of others")
	}
	for _, query := range []string{"", "?gate=6", "?machine=4", "?gate=-1", "?gate=x", "?gate=1&machine=1", "?machine=99999999999999999999"} {
		reads(t, look(s, "/thing"+query), http.StatusBadRequest, "picture")
	}
}
