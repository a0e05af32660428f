package panel

import (
	"bytes"
	"fmt"
	"html/template"
	"math/rand/v2"
	"net/http/httptest"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/scene"
	"kerfwind/config"
	"kerfwind/control"
)

// oddShop makes a shop: with ducts or without, with a collector that is seen or
// not, up to 16 machines, some at one hood, some with two, some with no gate.
func oddShop(r *rand.Rand) *config.Shop {
	s := &config.Shop{Name: "odd", Rig: &config.Rig{}, Collector: config.Collector{Actuator: config.None, Channel: config.None, Contact: config.None, Hand: config.None,
		Off: config.None, Circuit: config.None, Within: 3 * time.Second}}
	if r.IntN(3) > 0 {
		s.Collector.Contact = 0
	}
	ducts := r.IntN(3) > 0
	if ducts {
		for i := range 1 + r.IntN(4) {
			s.Ducts = append(s.Ducts, config.Duct{Name: fmt.Sprint("T", i), To: i - 1 - r.IntN(min(i, 2)+1)*min(i, 1), Diameter: 0.15, Gate: config.None})
			s.Ducts[i].To = max(s.Ducts[i].To, config.ToCollector)
		}
	}
	gate := func(duct int) int {
		g := len(s.Gates)
		s.Gates = append(s.Gates, config.Gate{Name: fmt.Sprint("gate ", g), Actuator: config.None, Duct: duct, OpenSwitch: config.None, ShutSwitch: config.None, Button: config.None, Aside: config.None})
		if duct >= 0 {
			s.Ducts[duct].Gate = g
		}
		return g
	}
	for d := range s.Ducts {
		if r.IntN(3) == 0 {
			gate(d)
		}
	}
	way := func(d int) (path []int) {
		for ; d >= 0; d = s.Ducts[d].To {
			if g := s.Ducts[d].Gate; g >= 0 {
				path = append(path, g)
			}
		}
		return path
	}
	for i := range r.IntN(17) {
		m := config.Machine{Name: fmt.Sprint("machine ", i), Circuit: config.None, Rank: 1}
		for range 1 + r.IntN(6)/5 {
			switch {
			case !ducts && r.IntN(8) > 0 && len(s.Gates) < 60:
				m.Paths = append(m.Paths, []int{gate(config.None)})
			case ducts && len(s.Gates) < 60:
				d := len(s.Ducts)
				s.Ducts = append(s.Ducts, config.Duct{Name: fmt.Sprint("B", d), To: r.IntN(d), Diameter: 0.1, Gate: config.None, Hoods: []int{i}})
				if r.IntN(8) > 0 {
					gate(d)
				}
				m.Hoods, m.Paths = append(m.Hoods, d), append(m.Paths, way(d))
			default:
				m.Paths = append(m.Paths, nil)
			}
		}
		s.Machines = append(s.Machines, m)
	}
	return s
}

func some[T any](r *rand.Rand, of ...T) T { return of[r.IntN(len(of))] }

// oddState makes a state, whether control could ever be in it or not.
func oddState(r *rand.Rand, s *config.Shop) *control.Snapshot {
	often := func(n int) bool { return r.IntN(n) == 0 }
	noise := some(r, 2, 4, 12, 100000) // the last: nothing is wrong
	why := func() control.Why {
		return control.Why{Cause: control.Cause(r.IntN(int(control.ByMoveIn) + 2)), Machine: control.NoID}
	}
	x := &control.Snapshot{At: 100 * sec, StoodDown: often(4 * noise), Quiet: often(4 * noise), ShopClosed: often(4 * noise), BinFull: often(4 * noise)}
	x.Kept.Stopped, x.MoveIn = often(4*noise), often(4*noise)
	x.Circuits, x.Outlets = make([]control.Load, len(s.Circuits)), make([]control.OutletView, len(s.Outlets))
	on := r.IntN(3) > 0
	x.Collector = control.CollectorView{Commanded: on, StartsLeft: -1, Switch: control.Auto, Why: why(), Since: time.Duration(r.IntN(100)) * sec}
	if s.Collector.Contact >= 0 {
		x.Collector.Sensed = map[bool]control.Verdict{true: control.Running, false: control.Idle}[on]
		if often(noise) {
			x.Collector.Sensed = some(r, 0, control.Unknown, control.Idle, control.Running)
		}
	}
	if often(noise) {
		x.Collector.Switch = control.Hand
	}
	for i := range s.Gates {
		g := control.GateView{Position: some(r, control.PositionOpen, control.PositionShut), Why: why(), Wanted: often(2)}
		if often(noise) {
			g.Position = control.Position(r.IntN(5))
		}
		g.Aside = often(3 * noise)
		if often(3 * noise) {
			g.Fault = control.GateNotOpen + control.FaultKind(r.IntN(5))
			x.Faults = append(x.Faults, control.FaultView{Fault: g.Fault, ID: control.ID(i)})
		}
		if often(8) {
			g.Held = 160 * sec
		}
		x.Gates = append(x.Gates, g)
	}
	for i := range s.Machines {
		m := control.MachineView{Sensed: some(r, control.Idle, control.Idle, control.Running), Why: why()}
		m.Run = m.Sensed == control.Running
		m.Served = m.Run
		if often(noise) {
			m.Sensed, m.Run, m.Served, m.Left = control.Verdict(r.IntN(4)), often(2), often(2), often(4)
		}
		if m.Run && noise > 1000 {
			if m.Served = often(2); !m.Served {
				m.Why.Cause = control.ByPath
			}
			for _, path := range s.Machines[i].Paths {
				for _, g := range path {
					x.Gates[g].Position = control.PositionOpen
				}
			}
		}
		if !m.Run && often(3) {
			m.RunOn = 110 * sec
		}
		if m.Run && often(2*noise) {
			x.Faults = append(x.Faults, control.FaultView{Fault: control.Uncollected, Cause: control.Cause(r.IntN(int(control.ByMoveIn) + 1)), ID: control.ID(i)})
		}
		x.Machines = append(x.Machines, m)
	}
	for f := control.FaultKind(1); int(f) < control.FaultKinds; f++ {
		if f != control.Uncollected && f.Subject() != control.AGate && f.Subject() != control.AMachine && often(20*noise) {
			x.Faults = append(x.Faults, control.FaultView{Fault: f})
			if f.Subject() == control.ACollector && x.Collector.Fault == 0 {
				x.Collector.Fault = f
			}
		}
	}
	return x
}

// fanOff is our own reckoning of whether air cannot move.
func fanOff(c *control.CollectorView) bool {
	switch {
	case c.Fault == control.CollectorStillOn, c.Sensed == control.Running:
		return false
	case c.Commanded:
		return c.Sensed == control.Idle
	}
	return true
}

// dustGoesNowhere is our own reckoning of whether a machine runs without all of its
// hoods being collected.
func dustGoesNowhere(s *config.Shop, x *control.Snapshot, machine int) bool {
	m := &x.Machines[machine]
	if !m.Run && m.Sensed != control.Running {
		return false
	}
	for _, path := range s.Machines[machine].Paths {
		for _, g := range path {
			if x.Gates[g].Position != control.PositionOpen || x.Gates[g].Aside {
				return true
			}
		}
	}
	return !m.Served || fanOff(&x.Collector)
}

var (
	escapes = regexp.MustCompile("\x1b\\[[0-9;?]*[a-zA-Z]")
	flowing = regexp.MustCompile(`data-s="p[dj]\d+" data-state="(flows|settles|doubtful)`)
)

// onTerminal is what the terminal's live view shows, in words one blank apart.
func onTerminal(t *testing.T, in *nowIn) string {
	var b bytes.Buffer
	v := live.New(live.Screen{Out: &b, Size: func() (int, int) { return 160, 120 }}, live.Options{Names: *in.Names, Layout: in.Plan})
	if err := v.Open(); err != nil {
		t.Fatal(err)
	}
	v.Observe(in.Snap, nil)
	if err := v.Pace(t.Context(), in.Now); err != nil {
		t.Fatal(err)
	}
	b.Reset()
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
	return strings.Join(strings.Fields(escapes.ReplaceAllString(b.String(), " ")), " ")
}

// TestNoContradiction: whatever the state of whatever shop, nothing that shows it
// is calmer than it is, nor says anything else than the others.
func TestNoContradiction(t *testing.T) {
	states := 500
	if os.Getenv("KERFWIND_LONG") != "" {
		states = 10000
	}
	server := New(Options{Notice: func(err error) { t.Error(err) }})
	tones := map[scene.Tone]int{}
	var shop *config.Shop
	for seed := range states {
		r := rand.New(rand.NewPCG(uint64(seed), 20))
		switch {
		case seed%50 == 0:
			shop = demoShop(t)
		case seed%5 == 0:
			shop = oddShop(r)
		}
		p := onPage(shop, 100*sec)
		x := oddState(r, shop)
		p.Observe(x, nil)
		p.spoke.Store(int64(100 * sec))
		in := p.nowIn()
		v := makeNow(in)
		bad := contradictions(t, shop, &in, v)
		tones[v.Scene.Tone]++
		for i, part := range []*Part{&nowPart, &wallPart} {
			if seed%3 != i { // each takes a third of the time
				continue
			}
			w := httptest.NewRecorder()
			server.show(&Visit{W: w, R: httptest.NewRequestWithContext(t.Context(), "GET", part.Path, nil), Part: part, Shop: p, Role: Operate, s: server}, 200, "")
			bad = append(bad, inPage(x, v, part.Path, w.Body.String())...)
		}
		if len(bad) > 0 {
			t.Fatalf("state %d:\n%s\n%q %q %v\n%+v", seed, strings.Join(bad, "\n"), v.Scene.Say, v.Scene.Do, v.Scene.Tone, x)
		}
	}
	for tone := scene.Fine; tone <= scene.Bad; tone++ {
		if tones[tone] < states/100 {
			t.Errorf("%d of %d states are %v: too few to show anything", tones[tone], states, tone)
		}
	}
}

// contradictions lists what is wrong with the view of a state.
func contradictions(t *testing.T, shop *config.Shop, in *nowIn, v *nowView) (bad []string) {
	wrong := func(format string, args ...any) { bad = append(bad, fmt.Sprintf(format, args...)) }
	x, s, head := in.Snap, v.Scene, makeHead(v)
	for i := range x.Machines {
		if dustGoesNowhere(shop, x, i) {
			if s.Tone == scene.Fine || head.State == "calm" || s.Machines[i].State == scene.MachineCollected {
				wrong("machine %d runs and is not collected; tone %v, head %+v, %v", i, s.Tone, head, s.Machines[i].State)
			}
			if m := &v.Machines[i]; m.State == "run" && m.Note == "" {
				wrong("machine %d runs and is not collected: %+v", i, m)
			}
		}
		if _, not := x.Uncollected(control.ID(i)); not && (s.Tone != scene.Bad || !strings.Contains(s.Say, "NOT collected") || v.Machines[i].State != "warn") {
			wrong("machine %d is uncollected: %+v", i, v.Machines[i])
		}
	}
	if (len(x.Faults) > 0 || x.StoodDown || x.MoveIn || x.Latched() || x.BinFull) && (s.Tone < scene.Warn || head.Word == "no fault") {
		wrong("something stands, and the head says %q", head.Word)
	}
	if fanOff(&x.Collector) {
		for i, p := range s.Pipes {
			if p.State == scene.PipeFlows || p.Carry != 0 {
				wrong("air moves in node %d while the fan is off", i)
			}
		}
		if s.Flow == scene.Moves || s.Total != 0 {
			wrong("%v, %v m3/s while the fan is off", s.Flow, s.Total)
		}
	}
	for i := range x.Gates {
		g := &x.Gates[i]
		if !g.Aside && g.Fault == 0 && g.Position != control.PositionUnknown {
			continue
		}
		if st := s.Gates[i].State; st == scene.GateOpen || st == scene.GateShut || s.Gates[i].Word == "open" || s.Gates[i].Word == "shut" ||
			strings.HasPrefix(v.Gates[i].State, "open") || strings.HasPrefix(v.Gates[i].State, "shut") {
			wrong("gate %d: %v, %q, %+v", i, st, s.Gates[i].Word, v.Gates[i])
		}
	}
	if said := onTerminal(t, in); !strings.Contains(said, s.Say) {
		wrong("the page says %q, the terminal %s", s.Say, said)
	}
	return bad
}

// inPage lists what is wrong with a part of the page.
func inPage(x *control.Snapshot, v *nowView, path, page string) (bad []string) {
	if !strings.Contains(page, `data-v="say">`+template.HTMLEscapeString(v.Scene.Say)+"<") || !strings.Contains(page, `data-s="tone" data-state="`+v.Scene.Tone.String()) {
		bad = append(bad, path+" does not say "+v.Scene.Say)
	}
	for i, g := range v.Scene.Gates {
		if !strings.Contains(page, fmt.Sprintf(`data-s="pg%d" data-state="%v"`, i, g.State)) {
			bad = append(bad, fmt.Sprintf("%s does not draw gate %d as %v", path, i, g.State))
		}
	}
	for i, m := range v.Scene.Machines {
		if !strings.Contains(page, fmt.Sprintf(`data-s="pm%d" data-state="%v"`, i, m.State)) {
			bad = append(bad, fmt.Sprintf("%s does not draw machine %d as %v", path, i, m.State))
		}
	}
	if air := flowing.FindString(page); air != "" && fanOff(&x.Collector) {
		bad = append(bad, path+" draws air while the fan is off: "+air)
	}
	return bad
}

// A shop in which all is well is fine, whether a machine runs in it or not.
func TestFineIsFine(t *testing.T) {
	in := barnIn(t)
	for _, runs := range []bool{false, true} {
		want := "Nothing runs. kerfwind is ready."
		if runs {
			want = "Planer runs; its dust is collected."
			in.Snap.Machines[planer] = control.MachineView{Sensed: control.Running, Run: true, Served: true, Why: control.Why{Cause: control.ByMachine, Machine: planer}}
			in.Snap.Gates[planer].Position = control.PositionOpen
			in.Snap.Collector.Commanded, in.Snap.Collector.Sensed = true, control.Running
		}
		if s := makeNow(in).Scene; s.Tone != scene.Fine || s.Say != want || s.Do != "" {
			t.Errorf("%v: %q, %q", s.Tone, s.Say, s.Do)
		}
	}
}
