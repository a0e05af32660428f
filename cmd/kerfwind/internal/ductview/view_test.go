package ductview

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"html"
	"io"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"kerfwind/config"
	"kerfwind/control/duct"
)

const ducts = "../../../../testdata/ducts/"

func study(t *testing.T, path string) *Study {
	t.Helper()
	shop, err := config.LoadPlan(path)
	if err != nil {
		t.Fatal(err)
	}
	s, err := New(shop.Name, shop.Units, shop.Duct())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func text(t *testing.T, s *Study, sets []uint64) string {
	t.Helper()
	var b bytes.Buffer
	ok, err := s.WriteText(&b, sets, true)
	if err != nil || !ok {
		t.Fatalf("converged %v, %v", ok, err)
	}
	return b.String()
}

func mustContain(t *testing.T, got string, want ...string) {
	t.Helper()
	for _, w := range want {
		if !strings.Contains(got, w) {
			t.Errorf("no %q in\n%s", w, got)
		}
	}
}

// The report on the reference network: figures as in its stored results (B1 alone
// 489.3 cfm, 5607 ft/min, 2534 ft/min in T1), verdicts, helper gates, run-ons.
func TestReport(t *testing.T) {
	s := study(t, ducts+"reference.toml")
	got := text(t, s, s.Main())
	mustContain(t, got, "Band saw alone", "B1 band saw  489 cfm    344 cfm (port area)  enough", "5610 ft/min", "2530 ft/min",
		"run-on of band saw: 25 s = 20 s to coast + 5 s to clear the duct (chips travel 1.4 s); does not clear T1, T2, T3",
		`chips settle in T1 (2530 ft/min), T2 (2600 ft/min), T3 (2650 ft/min); time alone`,
		`Open "B1" as a helper`, `open "B2" during the run-on`, "transport is doubtful in T2", "Run-on table", Disclaimer)
	s.Units = config.Metric
	got = text(t, s, s.Main())
	mustContain(t, got, "832 m3/h", "28.5 m/s", "Pa", "102 mm")
	if regexp.MustCompile(`cfm|ft/min|inH2O| in\b`).MatchString(strings.ReplaceAll(got, " in ", " ")) {
		t.Errorf("imperial units in the metric report:\n%s", got)
	}
	for _, l := range strings.Split(got, "\n") {
		if len(l) > 130 {
			t.Errorf("a line of %d letters: %s", len(l), l)
		}
	}
	if regexp.MustCompile(`(?i)exposure|safe|healthy`).MatchString(got) {
		t.Error("the report speaks of more than transport and flow")
	}
}

// What the report prints as run-on is what the daemon's table holds.
func TestReportAgreesWithTable(t *testing.T) {
	s := study(t, ducts+"works.toml")
	table, err := duct.NewTable(s.Net)
	if err != nil {
		t.Fatal(err)
	}
	table.Start()
	for _, open := range s.Main() {
		for _, r := range s.Look(open).RunOns {
			if got := table.RunOn(r.Machine, open); got != r.Total {
				t.Errorf("open %b, machine %d: report %v, table %v", open, r.Machine, r.Total, got)
			}
		}
	}
}

// plain is one machine on one branch and a main, with nothing guessed.
func plain(change func(n *duct.Network)) *duct.Network {
	n := &duct.Network{
		Segments: []duct.Segment{
			{Name: "B", To: 1, Diameter: 0.1, Length: 2, Roughness: duct.Exact(5e-5), Gate: 0, Hood: &duct.Hood{Entry: duct.Exact(1)}},
			{Name: "M", To: duct.Collector, Diameter: 0.125, Length: 3, Roughness: duct.Exact(9e-5), Gate: duct.NoGate},
		},
		Gates:     []duct.Gate{{Name: "g", Open: duct.Exact(0.2), Shut: duct.Exact(1e4)}},
		Machines:  []duct.Machine{{Name: "saw", Gates: 1, Hoods: []int{0}}},
		Fan:       duct.Fan{Points: []duct.FanPoint{{Flow: 0, Pressure: 2500}, {Flow: 0.3, Pressure: 1900}, {Flow: 0.6, Pressure: 0}}, Mains: 50, Frequency: 50},
		Filter:    duct.Filter{Now: duct.Exact(500), Clean: 500, Loaded: 500},
		Expansion: true,
	}
	change(n)
	return n
}

// Each remedy is offered where it is the one that does it, and what is claimed
// of it comes out when it is carried out.
func TestRemedies(t *testing.T) {
	want := func(n *duct.Network, part float64) { // a little more than it gets
		s, err := duct.NewSolver(n)
		if err != nil {
			t.Fatal(err)
		}
		n.Segments[0].Hood.Wants = s.Solve(1).Flow[0] * part
	}
	for _, c := range []struct {
		what   string
		change func(n *duct.Network)
		offer  string
		mend   func(n *duct.Network)
	}{
		{"a loaded filter", func(n *duct.Network) {
			n.Filter = duct.Filter{Now: duct.Exact(3000), Clean: 300, Loaded: 3000}
			want(n, 1.1)
		}, "clean the filter", func(n *duct.Network) { n.Filter.Now = duct.Exact(n.Filter.Clean) }},
		{"a rough hose", func(n *duct.Network) {
			n.Segments[0].Roughness, n.Segments[0].Flexible, n.Segments[0].Length = duct.Exact(3e-3), true, 6
			want(n, 1.2)
		}, "smooth pipe instead of the hose in B", func(n *duct.Network) { n.Segments[0].Roughness = duct.SmoothPipe }},
		{"a thin branch", func(n *duct.Network) {
			n.Segments[0].Length, n.Segments[0].Hood.Port = 15, 0.1
			n.Segments[0].Diameter = 0.1
			want(n, 1.1)
		}, "125 mm in B, up to the port", func(n *duct.Network) { n.Segments[0].Diameter = 0.125 }},
		{"a thin port", func(n *duct.Network) {
			n.Segments[0].Length = 3
			n.Segments[0].Hood.Entry = duct.Exact(3)
			want(n, 1.3)
		}, "125 mm in B and at the machine's port", func(n *duct.Network) { n.Segments[0].Diameter, n.Segments[0].Hood.Port = 0.125, 0.125 }},
	} {
		n := plain(c.change)
		s, err := New("shop", config.Metric, n)
		if err != nil {
			t.Fatal(err)
		}
		k := s.Look(1)
		got := strings.Join(s.Verdicts(k), "\n")
		m := regexp.MustCompile(regexp.QuoteMeta(c.offer) + `: ([0-9]+) m3/h`).FindStringSubmatch(got)
		if m == nil {
			t.Errorf("%s: no %q in %s", c.what, c.offer, got)
			continue
		}
		c.mend(n)
		solver, err := duct.NewSolver(n)
		if err != nil {
			t.Fatal(err)
		}
		flow := solver.Solve(1).Flow[0]
		claimed, _ := strconv.ParseFloat(m[1], 64)
		if flow < n.Segments[0].Hood.Wants || math.Abs(flow*3600/claimed-1) > 0.006 {
			t.Errorf("%s: %q claims %g m3/h, it gives %g of %g", c.what, c.offer, claimed, flow*3600, n.Segments[0].Hood.Wants*3600)
		}
	}

	// A weak fan: the factor offered is enough, and a little less is not.
	n := plain(func(n *duct.Network) { n.Segments[0].Hood.Port = 0.1; want(n, 1.5) })
	s, err := New("shop", config.Metric, n)
	if err != nil {
		t.Fatal(err)
	}
	got := strings.Join(s.Verdicts(s.Look(1)), "\n")
	m := regexp.MustCompile(`a bigger collector: ([0-9.]+) times`).FindStringSubmatch(got)
	if m == nil {
		t.Fatalf("no bigger collector in %s", got)
	}
	f, _ := strconv.ParseFloat(m[1], 64)
	for _, c := range []struct {
		factor float64
		enough bool
	}{{f, true}, {f - 0.06, false}} {
		b := n.Clone()
		for i := range b.Fan.Points {
			b.Fan.Points[i].Flow *= c.factor
			b.Fan.Points[i].Pressure *= c.factor
		}
		solver, err := duct.NewSolver(b)
		if err != nil {
			t.Fatal(err)
		}
		if flow := solver.Solve(1).Flow[0]; (flow >= n.Segments[0].Hood.Wants) != c.enough {
			t.Errorf("at %g times the fan: %g of %g m³/s", c.factor, flow, n.Segments[0].Hood.Wants)
		}
	}
	// And where nothing does it, nothing is promised.
	n = plain(func(n *duct.Network) { want(n, 20) })
	if s, err = New("shop", config.Metric, n); err != nil {
		t.Fatal(err)
	}
	got = strings.Join(s.Verdicts(s.Look(1)), "\n")
	if !strings.Contains(got, "still short") || strings.Contains(got, "bigger collector") {
		t.Errorf("wanting the impossible: %s", got)
	}
}

// A 4 inch main behind 5 inch branches: the advice is a wider main and not a bigger
// fan, which stands last; what a change costs elsewhere is counted and named.
func TestAdvice(t *testing.T) {
	n := plain(func(n *duct.Network) {
		n.Segments[0].Diameter, n.Segments[1].Diameter, n.Segments[1].Length = 0.125, 0.1, 12
		second := n.Segments[0]
		hood := *second.Hood
		second.Name, second.Gate, second.Hood = "C", 1, &hood
		n.Segments = append(n.Segments, second)
		n.Gates = append(n.Gates, n.Gates[0])
		n.Machines = append(n.Machines, duct.Machine{Name: "planer", Gates: 2, Hoods: []int{2}})
		for _, i := range []int{0, 2} {
			n.Segments[i].Hood.Wants = 0.28
		}
	})
	s, err := New("shop", config.Metric, n)
	if err != nil {
		t.Fatal(err)
	}
	advice := s.Advice()
	if len(advice) < 2 || advice[0].Change != "125 mm in M" && advice[0].Change != "every main one size wider" || advice[0].Gain < 2 {
		t.Fatalf("%+v", advice)
	}
	if !strings.Contains(strings.Join(s.Verdicts(s.Look(1)), ""), "wider mains, 125 mm in M: ") {
		t.Errorf("%q", s.Verdicts(s.Look(1)))
	}
	for _, name := range []string{"reference.toml", "works.toml", "../demo/shops/barn.toml"} {
		s := study(t, ducts+name)
		for i, e := range s.Advice() {
			if e.Gain+e.Clear <= e.Lose+e.Settle || len(e.Losers) != e.Lose+e.Settle {
				t.Errorf("%s: %+v", name, e)
			}
			if strings.Contains(e.Change, "bigger fan") != e.last || i > 0 && s.Advice()[i-1].last && !e.last {
				t.Errorf("%s: %q stands before a change that needs no other fan", name, e.Change)
			}
		}
	}
	// What is said of a change comes out when it is carried out.
	s = study(t, "../../../../testdata/demo/shops/barn.toml")
	before := s.usage(s.Net)
	clean, err := s.WhatIf("filter=clean")
	if err != nil {
		t.Fatal(err)
	}
	gain := 0
	for x, fed := range s.usage(clean.Net).fed {
		if fed && !before.fed[x] {
			gain++
		}
	}
	found := false
	for _, e := range s.Advice() {
		found = found || e.Change == "clean the filter" && e.Gain == gain && gain > 0
	}
	if !found {
		t.Errorf("a clean filter feeds %d more: %+v", gain, s.Advice())
	}
}

// The readme's worked example: collectors sold as 650 and 750 cfm through ten feet
// of 4 inch hose. Another computation, of 6 ft of hose and 15 ft of pipe behind the
// first, gave 389 cfm with a clean filter and 356 with one of 2 inH2O.
func TestReadmeExample(t *testing.T) {
	readme, err := os.ReadFile("../../../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	s := study(t, ducts+"hose.toml")
	sold := func(x *Study, plate float64) (flow duct.Range, words string) {
		h := x.Look(1).Hoods[0]
		const cfm = 4.719474e-4
		if part := h.Flow.Middle / (plate * cfm); part < 0.4 || part > 0.65 {
			t.Errorf("%g %% of what it is sold as", 100*part)
		}
		return h.Flow, h.Word()
	}
	f650, w650 := sold(s, 650)
	o, err := s.WhatIf("plate=750 cfm @ 6.2 inH2O")
	if err != nil {
		t.Fatal(err)
	}
	f750, w750 := sold(o, 750)
	mustContain(t, strings.Join(strings.Fields(string(readme)), " "), "It moves "+s.Span(config.Flow, f650)+", half of what it is sold as", "a table saw that wants 344 is "+w650,
		"One sold as 750 moves "+s.u(config.Flow, f750.Middle)+": "+w750)
}

// The JSON is one object with these keys and no others, in SI; a change stands
// beside the shop as it is.
func TestJSON(t *testing.T) {
	s := study(t, ducts+"reference.toml")
	o, err := s.WhatIf("B3.diameter=4 in; outdoors=8 in")
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	ok, err := s.WriteJSON(&b, []uint64{0b0101, 0}, []*Study{o})
	if err != nil || !ok {
		t.Fatal(ok, err)
	}
	var got reportJSON
	dec := json.NewDecoder(&b)
	dec.DisallowUnknownFields()
	if err := dec.Decode(&got); err != nil {
		t.Fatal(err)
	}
	if len(got.Studies) != 2 || got.Studies[0].Change != "" || got.Studies[1].Change != o.Name || len(got.Studies[1].Notes) != 2 || got.Disclaimer != Disclaimer {
		t.Fatalf("%+v", got)
	}
	states := got.Studies[0].States
	if len(states) != 2 || strings.Join(states[0].Open, ",") != "B1,B3" || states[1].Open == nil || len(states[1].Open) != 0 || !states[0].Converged || len(states[0].Segments) != 7 {
		t.Fatalf("%+v", states)
	}
	b3 := states[0].Segments["B3"]
	if math.Abs(b3.Flow[1]/0.26485-1) > 0.003 || math.Abs(b3.Velocity[1]/(0.26485/0.012668)-1) > 0.003 || math.Abs(b3.Pressure/(-1.85307*248.84)-1) > 0.005 || b3.Chips != "carries" {
		t.Errorf("B3: %v", b3)
	}
	if h := states[0].Hoods["B1"]; h.Enough != 0 && h.Enough != 1 || h.Wants <= 0 || h.Flow != states[0].Segments["B1"].Flow {
		t.Errorf("B1: %+v", h)
	}
	if r := states[0].RunOns["band saw"]; r == nil || *r < 20 {
		t.Errorf("run-ons %v", states[0].RunOns)
	}
	if other := got.Studies[1].States[0].Segments["B3"]; other.Flow[1] >= b3.Flow[1] {
		t.Errorf("narrower: %v, before %v", other.Flow, b3.Flow)
	}
}

// Every change changes the network in its own way, and is refused when it is
// written wrong.
func TestWhatIf(t *testing.T) {
	s := study(t, ducts+"reference.toml")
	base := s.Look(1).State.Flow[0]
	for _, c := range []struct {
		change string
		more   bool
	}{
		{"B1.diameter=5 in", true}, {"B1.length=20 ft", false}, {"B1.length=-3 m", true}, {"B1.length=+3 m", false}, {"B1.kind=smooth", true},
		{"B1.roughness=3 mm", false}, {"B1.loss=2", false}, {"B1.opening=50 %", false}, {"B4.leak=20 %", false},
		{"mains=50 Hz", false}, {"fan=0 cfm @ 14 in.wg, 800 cfm @ 12 in.wg, 1500 cfm @ 4 in.wg", true}, {"plate=800 cfm @ 6 in.wg", false},
		{"separator=4 in.wg @ 1000 cfm", false}, {"filter=4 in.wg @ 1000 cfm", false}, {"leakage=60 mm", false},
		{"B1.elbows=2", false}, {"B1.elbows=3; B1.elbows=-1", false}, {"B1.wye=60 deg", false}, {"B1.hood=saw", false}, {"B1.hood=0.2", false}, {"B1.port=3 in", false},
		{"relief=T2 @ 4 in", false}, {"second=parallel", true}, {"second=series", true}, {"second=parallel 900 cfm @ 12 in.wg", true}, {"power=5 hp", true}, {"cupboard=5 in", false}, {"outdoors=6 in", false},
		{"density=1.0 kg/m3; fan=0 cfm @ 6 in.wg, 900 cfm @ 1 in.wg", false}, {"B1.kind=smooth; B1.length=-1 ft", true},
	} {
		o, err := s.WhatIf(c.change)
		if err != nil {
			t.Errorf("%s: %v", c.change, err)
			continue
		}
		if got := o.Look(1).State.Flow[0]; (got > base) != c.more || got == base {
			t.Errorf("%s: %g m³/s, before %g", c.change, got, base)
		}
	}
	if math.Abs(s.Look(1).State.Flow[0]/base-1) > 1e-9 {
		t.Error("a change has changed the shop itself")
	}
	o, err := s.WhatIf("altitude=1500 m; temperature=40 °C; transport=28 m/s")
	if err != nil || o.Net.Air.Altitude != 1500 || math.Abs(o.Net.Air.Celsius-40) > 1e-9 || o.Net.Air.Density != 0 || o.Net.Transport.Min != 28 {
		t.Errorf("%+v, %v", o.Net.Air, err)
	}
	f := study(t, "../../../../testdata/demo/shops/barn.toml")
	for change, want := range map[string]float64{"filter=clean": f.Net.Filter.Clean, "filter=loaded": f.Net.Filter.Loaded, "filter=50 %": (f.Net.Filter.Clean + f.Net.Filter.Loaded) / 2} {
		if o, err := f.WhatIf(change); err != nil || math.Abs(o.Net.Filter.Now.Value/want-1) > 1e-12 {
			t.Errorf("%s: %v", change, err)
		}
	}
	// A wider duct leaves the machine's port as it is.
	if o, err := s.WhatIf("B1.diameter=5 in"); err != nil || math.Abs(o.Net.Segments[0].Hood.Port-0.1016) > 1e-9 {
		t.Errorf("the port has become %g m", o.Net.Segments[0].Hood.Port)
	}
	for change, want := range map[string]string{
		"B1": "not a change", "B9.diameter=5 in": `no duct "B9"`, "B1.diameter=5": "no unit", "B1.colour=red": "diameter, length", "B1.kind=tin": "smooth, spiral",
		"B9.opening=50 %": `no gate "B9"`, "B1.opening=0 %": "above 0", "filter=dirty": "clean, loaded", "fan=400 cfm": "@", "mains=fast": "frequency",
		"B1.length=-90 m": "shorter than nothing", "fan=0 cfm @ 1 in.wg, 100 cfm @ 2 in.wg": "does not fall", "colour=red": `no part is called "colour"`, "B1.loss=-1": "number",
		"B1.loss=0.5 m": "number", "separator=4 in.wg": "at which flow", "separator=4 in.wg @ 0 cfm": "above 0", "relief=T1": "how wide", "relief=B1 @ 4 in": "branch with a hood", "relief=T9 @ 4 in": `no duct "T9"`,
		"second=twice": "parallel or series", "power=20 hp": "1 to 5 hp", "B1.elbows=-1": "no such elbow", "B1.elbows=many": "number of elbows", "T3.wye=30 deg": "joins no other", "T3.port=4 in": "has no hood", "B1.hood=tin": "flanged", "cupboard=1 mm": "from 20 mm",
		"B1.flow=0 cfm": "more than 0", "B1.rise=90 m": "rises", "": "changes nothing", " ; ": "changes nothing", "density=0 kg/m3": "more than 0", "density=0": "no unit", "transport=0 m/s": "more than 0", "mains=0 Hz": "more than 0",
	} {
		if _, err := s.WhatIf(change); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", change, err, want)
		}
	}
	var b bytes.Buffer
	five, _ := s.WhatIf("B1.diameter=5 in")
	if ok, err := s.WriteWhatIf(&b, s.Main(), []*Study{five}); err != nil || !ok {
		t.Fatal(ok, err)
	}
	mustContain(t, b.String(), "(0) as they are", "(1) B1.diameter=5 in", "B1 band saw", "slowest", "run-on band saw", Disclaimer)
	// A second fan: twice the flow at a pressure, or twice the pressure at a flow.
	two := []duct.FanPoint{{Flow: 0, Pressure: 2000}, {Flow: 0.5, Pressure: 0}}
	small := []duct.FanPoint{{Flow: 0, Pressure: 1000}, {Flow: 0.25, Pressure: 0}}
	if p := duct.Parallel(two, small); p[0].Pressure != 2000 || p[len(p)-1] != (duct.FanPoint{Flow: 0.75}) || p[1] != (duct.FanPoint{Flow: 0.25, Pressure: 1000}) {
		t.Errorf("side by side: %v", p)
	}
	if p := duct.Series(two, small); p[0].Pressure != 3000 || p[1] != (duct.FanPoint{Flow: 0.25, Pressure: 1000}) {
		t.Errorf("one behind the other: %v", p)
	}
	// A relief throws no chips: it is no hood to serve.
	if o, err := s.WhatIf("relief=T1 @ 4 in"); err != nil || len(o.Look(1).Hoods) != 1 || !o.Net.Segments[7].Hood.Relief {
		t.Errorf("a relief: %v", err)
	}
	// The cupboard says what it does to its doors, outdoors what it does to a flue.
	shut, err := s.WhatIf("cupboard=6 in; outdoors=8 in")
	if err != nil {
		t.Fatal(err)
	}
	mustContain(t, strings.Join(shut.Notes(), "\n"), "pushes a door", "must be", "flue gas", "SAFETY.md")
}

// wellFormed reads the picture as XML and returns how often each class occurs.
func wellFormed(t *testing.T, svg string) map[string]int {
	t.Helper()
	classes := map[string]int{}
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return classes
		}
		if err != nil {
			t.Fatalf("%v", err)
		}
		if e, ok := tok.(xml.StartElement); ok {
			if e.Name.Local == "script" {
				t.Error("a script in the picture")
			}
			for _, a := range e.Attr {
				if a.Name.Local == "class" {
					classes[a.Value]++
				}
			}
		}
	}
}

// Slow stretches are marked by pattern, and by a word, not by colour alone.
func TestSVG(t *testing.T) {
	s := study(t, ducts+"reference.toml")
	var b bytes.Buffer
	if ok, err := s.WriteSVG(&b, []uint64{0b0001}, nil); err != nil || !ok {
		t.Fatal(ok, err)
	}
	got := b.String()
	c := wellFormed(t, got)
	// One in the legend each. T1 to T3 settle, B1 carries, B2 to B4 leak.
	if c["pipe in settles"] != 4 || c["pipe in carries"] != 2 || c["pipe in idle"] != 4 || c["pipe in doubtful"] != 1 {
		t.Errorf("classes %v", c)
	}
	mustContain(t, got, `stroke="url(#kw-settles)"`, `id="kw-settles"`, "2530 ft/min settles", "prefers-color-scheme: dark", "@media print", Disclaimer, "<desc")
	// Widths are to scale.
	four, six := strings.Index(got, `stroke-width="12.7"`), strings.Index(got, `stroke-width="19.`)
	if four < 0 || six < 0 {
		t.Errorf("widths of 4 and 6 in at 8 mm a pixel are 12.7 and 19.05")
	}
	// A name from a file is text, whatever it holds; and a picture of any shop fits.
	s.Net.Machines[0].Name = `</text><script>alert("x")</script> and a very long name indeed that runs on`
	b.Reset()
	if _, err := s.WriteSVG(&b, s.Main(), nil); err != nil {
		t.Fatal(err)
	}
	wellFormed(t, b.String())
	x := regexp.MustCompile(`<text[^>]* x="([0-9.]+)"[^>]*>([^<]*)</text>`)
	for _, m := range x.FindAllStringSubmatch(b.String(), -1) {
		at, _ := strconv.ParseFloat(m[1], 64)
		if at+float64(len([]rune(html.UnescapeString(m[2]))))*6 > pictureWidth {
			t.Errorf("%q at %g runs out of the picture", m[2], at)
		}
	}
	for _, name := range []string{"works.toml"} {
		s := study(t, ducts+name)
		b.Reset()
		if ok, err := s.WriteSVG(&b, s.Main(), nil); err != nil || !ok {
			t.Fatal(ok, err)
		}
		wellFormed(t, b.String())
	}
	// Hoods straight on the collector.
	star := plain(func(n *duct.Network) {
		n.Segments = n.Segments[:1]
		n.Segments[0].To = duct.Collector
		second := n.Segments[0]
		second.Name, second.Gate, second.Hood = "C", duct.NoGate, &duct.Hood{}
		n.Segments = append(n.Segments, second)
	})
	if s, err := New("star", config.Metric, star); err != nil {
		t.Error(err)
	} else {
		b.Reset()
		if ok, err := s.WriteSVG(&b, []uint64{1}, nil); err != nil || !ok || wellFormed(t, b.String())["spine"] != 1 {
			t.Error(ok, err)
		}
	}
}

// A figure for a page has no style and no script of its own, and fits too.
func TestFigure(t *testing.T) {
	s := study(t, ducts+"reference.toml")
	s.Net.Machines[0].Name = `</text><script>alert("x")</script> and a very long name indeed that runs on`
	for _, open := range []uint64{0, 1, 0b11} {
		fig, err := s.Figure(s.Look(open))
		if err != nil {
			t.Fatal(err)
		}
		got := string(fig)
		classes := wellFormed(t, got)
		if classes["ducts"] != 1 || strings.Contains(got, "style") {
			t.Errorf("%b: %v in\n%s", open, classes, got)
		}
		if open == 1 && classes["pipe in settles"] != 4 {
			t.Errorf("%v", classes)
		}
		x := regexp.MustCompile(`<text[^>]* x="([0-9.]+)"[^>]*>([^<]*)</text>`)
		for _, m := range x.FindAllStringSubmatch(got, -1) {
			at, _ := strconv.ParseFloat(m[1], 64)
			if at+float64(len([]rune(html.UnescapeString(m[2]))))*7 > pictureWidth {
				t.Errorf("%q at %g runs out of the picture", m[2], at)
			}
		}
	}
}

// A range holds its figure; odds and words agree with it; of a hood that may or
// may not get its air it is said what the range comes from and what to measure.
func TestOdds(t *testing.T) {
	s := study(t, "../../../../testdata/demo/shops/barn.toml")
	said := 0
	for _, want := range []float64{0.15, 0.2, 0.24, 0.26, 0.3, 0.4} { // m³/s
		s.Net.Segments[0].Hood.Wants = want
		for _, open := range s.Net.StartSets() {
			c := s.Look(open)
			for i := range c.Hoods {
				h := &c.Hoods[i]
				f := h.Flow
				if !(f.Low < f.Middle && f.Middle < f.High) {
					t.Errorf("range %v", f)
				}
				if (h.Want < f.Low) && h.Odds < 0.9 || h.Want > f.High && h.Odds > 0.1 || (h.Want < f.Middle) != h.Enough() {
					t.Errorf("%v, wants %g: odds %g", f, h.Want, h.Odds)
				}
				if strings.HasPrefix(h.Word(), "enough") != h.Enough() || !strings.HasSuffix(h.Word(), "case") && !strings.HasSuffix(h.Word(), "cases") {
					t.Errorf("%g: %q", h.Odds, h.Word())
				}
			}
			for i := range c.Carry {
				if p := c.Swift[i] + c.Stuck[i]; p > 1 || c.Carry[i] == duct.Carries && c.Swift[i] < 0.2 {
					t.Errorf("%s: %v, carries %g, settles %g", s.Net.Segments[i].Name, c.Carry[i], c.Swift[i], c.Stuck[i])
				}
			}
			for _, d := range s.Doubts(c) {
				said++
				mustContain(t, d, "most of that range comes from ", " cfm: ")
			}
		}
	}
	if said == 0 {
		t.Error("no hood in doubt")
	}
	for odds, want := range map[float64]string{1: "in every case", 0.97: "in nearly every case", 0.94: "in 9 of 10 cases", 0.5: "in 5 of 10 cases", 0.051: "in 1 of 10 cases", 0.04: "in hardly any case", 0: "in no case"} {
		if got := InCases(odds); got != want {
			t.Errorf("%g: %q", odds, got)
		}
	}
	// The guess that counts most stands first: a filter about which all is open.
	n := s.Net.Clone()
	n.Filter.Now = duct.Guess(3000, 30, 30000)
	wide, err := New("", s.Units, n)
	if err != nil {
		t.Fatal(err)
	}
	if g := wide.Guesses(); len(g) != len(n.Guesses) || !strings.HasPrefix(g[0], "the filter") {
		t.Errorf("%q first", g[0])
	}
	n.Segments[1].Hood.Wants = 0.33
	found := false
	for _, d := range wide.Doubts(wide.Look(2)) {
		found = found || strings.Contains(d, "comes from the filter. Measure ") && strings.Contains(d, " this range")
	}
	if !found {
		t.Errorf("%q", wide.Doubts(wide.Look(2)))
	}
}

// Where the fan's curve ends it is said, and what it asks of its motor.
func TestFanWords(t *testing.T) {
	s := study(t, ducts+"reference.toml")
	mustContain(t, text(t, s, s.Main()), "Motor: with all gates open the fan moves 862 cfm")
	points := s.Net.Fan.Points
	for _, c := range []struct {
		from, to int
		open     uint64
		want     string
	}{
		{0, 3, 0b0111, "right of the last point of its curve, 800 cfm: it is drawn on straight there, a guess"},
		{2, 5, 1, "left of the first point of its curve, 800 cfm: it is taken as level there, but may stall"},
		{0, 5, 1, "the fan moves 31 % of its free flow: if its blades are curved backward it may stall"},
		{0, 5, 0b0111, ""},
	} {
		n := s.Net.Clone()
		n.Fan.Points = points[c.from:c.to]
		o, err := New("", s.Units, n)
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Join(o.Doubts(o.Look(c.open)), "\n"); (got == "") != (c.want == "") || !strings.Contains(got, c.want) {
			t.Errorf("points %d to %d: %q, want %q", c.from, c.to, got, c.want)
		}
	}
	o, err := s.WhatIf("mains=50 Hz")
	if err != nil {
		t.Fatal(err)
	}
	mustContain(t, text(t, o, nil), "At 50 Hz the fan asks for 0.58 times the power that it asks for at 60 Hz")
}

// What is said in brief is what is said at length.
func TestBrief(t *testing.T) {
	s := study(t, ducts+"works.toml")
	near := func(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Abs(b) }
	for _, open := range append(s.Main(), 0) {
		c, b := s.Look(open), s.Brief(open)
		if len(c.Hoods) != len(b.Hoods) || c.Converged != b.Converged {
			t.Fatalf("%b: %+v, want %+v", open, b, c)
		}
		for i := range b.Hoods {
			if h, w := b.Hoods[i], c.Hoods[i]; h.Segment != w.Segment || h.Flow != w.Flow || h.Odds != w.Odds || h.Want != w.Want || h.Word() != w.Word() {
				t.Errorf("%b: %+v, want %+v", open, h, w)
			}
		}
		if i := s.slowest(c); i != b.Slowest || i >= 0 && (!near(b.Velocity, c.State.Velocity[i]) || b.Carry != c.Carry[i]) {
			t.Errorf("%b: %+v, want segment %d", open, b, i)
		}
	}
}

func TestOpenAndTitles(t *testing.T) {
	s := study(t, "../../../../testdata/demo/shops/barn.toml")
	for text, want := range map[string]uint64{"none": 0, "band saw": 1, "band saw, planer": 3, "drum sander,far end": 0b100100} {
		if got, err := s.ParseOpen(text); err != nil || got != want {
			t.Errorf("%q: %b, %v", text, got, err)
		}
	}
	if _, err := s.ParseOpen("plainer"); err == nil || !strings.Contains(err.Error(), "planer") {
		t.Errorf("%v", err)
	}
	for set, want := range map[uint64]string{0: "all gates shut", 1: "band saw", 0b100100: "drum sander", 0b110000: "gate floor sweep", 0b100: "gate drum sander", 0b11: "band saw and planer"} {
		if got := s.Title(set); got != want {
			t.Errorf("%b: %q, want %q", set, got, want)
		}
	}
	// A gate that is open behind a shut one is pointed out.
	var b bytes.Buffer
	if _, err := s.WriteText(&b, []uint64{0b000100}, false); err != nil {
		t.Fatal(err)
	}
	mustContain(t, b.String(), "open for nothing, since a gate further on is shut: drum sander")
}

// The lines that a fit prints keep the readings in the shop file: all that is computed
// then agrees with them, until the ducts change.
func TestKeptReadings(t *testing.T) {
	const path = "../../../../testdata/demo/shops/barn.toml"
	plain := study(t, path)
	ms, err := plain.ParseMeasures([]string{"open=band saw; at=T3; pressure=-1963 Pa", "open=band saw; at=B1; velocity=28.7 m/s; within=3 %"})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := plain.WriteFit(&b, Adjust{}, ms, "2026-11-30"); err != nil {
		t.Fatal(err)
	}
	_, lines, ok := strings.Cut(b.String(), "until the ducts change:\n")
	lines, _, ended := strings.Cut(lines, "  ]\n")
	if !ok || !ended {
		t.Fatalf("no lines to keep the readings:\n%s", b.String())
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	file := strings.Replace(string(text), "\ngate = [", "\nair = { "+strings.TrimSpace(lines)+"] }\ngate = [", 1)
	kept := func(old, new string) (*Study, string) {
		t.Helper()
		shop, err := config.ParsePlan("barn.toml", []byte(strings.Replace(file, old, new, 1)))
		if err != nil {
			t.Fatal(err)
		}
		s, err := New(shop.Name, shop.Units, shop.Duct())
		if err != nil {
			t.Fatal(err)
		}
		var doubts []string
		for _, w := range shop.Warnings {
			doubts = append(doubts, w.Message)
		}
		return s, strings.Join(doubts, "\n")
	}
	width := func(s *Study) float64 {
		f := s.Look(1).Hoods[0].Flow
		return f.High - f.Low
	}
	s, doubts := kept("", "")
	if strings.Contains(doubts, "read") || s.Calibration() != "The ranges hold what agrees with 2 readings of 2026-11-30." || width(s) > 0.7*width(plain) {
		t.Errorf("%q, %q: %g wide, %g without readings", doubts, s.Calibration(), width(s), width(plain))
	}
	b.Reset()
	if err := s.WriteFit(&b, Adjust{}, nil, ""); err != nil {
		t.Fatal(err)
	}
	mustContain(t, b.String(), `2 readings of "the barn"`)
	if err := plain.WriteFit(io.Discard, Adjust{}, nil, ""); !errors.Is(err, ErrNoMeasure) {
		t.Errorf("a fit to nothing: %v", err)
	}
	for _, c := range [][3]string{
		{`length = "8 ft"`, `length = "9 ft"`, "it was read in other ducts"},
		{`pressure = "-7.89 inH2O"`, `pressure = "-1 inH2O"`, "outside what the guesses leave possible"},
	} {
		s, doubts := kept(c[0], c[1])
		if !strings.Contains(doubts, c[2]) || s.Calibration() != "" || width(s) < 0.99*width(plain) {
			t.Errorf("%s: %q, %q", c[1], doubts, s.Calibration())
		}
	}
	// A change keeps what was told of all that it leaves alone.
	o, err := s.WhatIf("B1.diameter=5 in")
	if err != nil {
		t.Fatal(err)
	}
	mustContain(t, o.Calibration(), "in the ducts as they are")
}

func TestFitText(t *testing.T) {
	s := study(t, "../../../../testdata/demo/shops/barn.toml")
	fit := func(adjust string, texts ...string) string {
		t.Helper()
		ms, err := s.ParseMeasures(texts)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		part, err := s.ParseAdjust(adjust)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.WriteFit(&b, part, ms, "2026-11-30"); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	// Readings as a duct gives them that is the middle of the guesses but for one
	// change.
	from := func(n *duct.Network, whole bool) (out []string) {
		solver, err := duct.NewSolver(n)
		if err != nil {
			t.Fatal(err)
		}
		for _, g := range []string{"band saw", "router"} {
			open, _ := s.ParseOpen(g)
			st := solver.Solve(open)
			tap := func(i int) string {
				return fmt.Sprintf("open=%s; at=%s; pressure=%.1f Pa", g, n.Segments[i].Name, st.Static[i])
			}
			out = append(out, tap(7))
			if whole {
				b := map[string]int{"band saw": 0, "router": 3}[g]
				out = append(out, tap(b), fmt.Sprintf("open=%s; at=%s; velocity=%.3f m/s", g, n.Segments[b].Name, st.Velocity[b]), fmt.Sprintf("open=%s; filter=%.2f Pa", g, st.Filter))
			}
		}
		return out
	}
	n := s.Net.Clone()
	n.Fan.PressureFactor = duct.Exact(0.6)
	mustContain(t, fit("", from(n, true)...), "It is the fan's pressure: times 0.", "fan = [", Disclaimer)
	mustContain(t, fit("hose", from(n, true)...), "It does not fit: the roughness of the hoses B1, B2, B3 cannot explain", "Likelier is the fan's pressure")
	n = s.Net.Clone()
	n.Segments[0].Hood.Entry = duct.Exact(9)
	mustContain(t, fit("", from(n, true)...), "It is the loss of the hood of B1: times 4.", `duct "B1": hood = { loss = 8.`)
	n = s.Net.Clone()
	n.Filter.Now = duct.Exact(5 * n.Filter.Now.Value)
	mustContain(t, fit("filter", from(n, true)...), "It is the filter: times ", "collector: filter = { flow =")
	n = s.Net.Clone()
	n.Segments[7].Pieces = append(n.Segments[7].Pieces, duct.Piece{Kind: duct.RawLoss, Loss: duct.Exact(6)})
	mustContain(t, fit("", from(n, true)...), "It is something that lies in T3: velocity pressures: 6", "Open T3 and look")
	// One tap tells nothing from nothing.
	got := fit("", from(n, false)[0])
	mustContain(t, got, "Nothing need be off", "Nothing is adjusted")
	n = s.Net.Clone()
	n.Fan.PressureFactor = duct.Exact(1.32)
	got = fit("", from(n, false)[0])
	mustContain(t, got, "These readings cannot tell", "Measure ", "there the two differ")
	mustContain(t, fit("hose", from(s.Net, false)[1]), "hardly depend on the roughness of the hoses")
	bad := fit("", append(from(s.Net, true), "open=band saw; at=B1; velocity=90 m/s")...)
	mustContain(t, bad, "It does not fit: no single part explains these readings")
	for _, text := range []string{got, bad} {
		if strings.Contains(text, "In the shop file") {
			t.Error("a fit that does not fit is recommended")
		}
	}
	for adjust, want := range map[string]string{"colour": `not "colour"`, "hood B9": `no duct "B9"`, "hood B2": "nothing to adjust"} {
		ms, _ := s.ParseMeasures(from(s.Net, false))
		part, err := s.ParseAdjust(adjust)
		if err == nil {
			err = s.WriteFit(io.Discard, part, ms, "")
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", adjust, err)
		}
	}
	// Readings narrow the report, unless they contradict it; a change keeps them.
	ms, err := s.ParseMeasures(from(s.Net, true))
	if err != nil {
		t.Fatal(err)
	}
	wide := s.Look(1).Hoods[0].Flow
	if err := s.Given(ms); err != nil {
		t.Fatal(err)
	}
	if f := s.Look(1).Hoods[0].Flow; f.High-f.Low > 0.6*(wide.High-wide.Low) {
		t.Errorf("%v with readings, %v without", f, wide)
	}
	o, err := s.WhatIf("B1.loss=0.01")
	if err != nil {
		t.Fatal(err)
	}
	if f := o.Look(1).Hoods[0].Flow; f.High-f.Low > 0.6*(wide.High-wide.Low) {
		t.Errorf("%v with readings and a change, %v without", f, wide)
	}
	mustContain(t, text(t, s, []uint64{1}), "agrees with 8 readings")
	ms[0].Value *= 3
	if err := s.Given(ms); err == nil || !strings.Contains(err.Error(), "ducts fit") {
		t.Error(err)
	}
	for text, want := range map[string]string{
		"": "which gates", "open=router": "say where", "open=router; at=T3": "pressure or a velocity", "open=B9; at=T3; pressure=1 Pa": `no gate "B9"`,
		"open=router; at=T9; pressure=1 Pa": `no duct "T9"`, "open=router; at=T3; pressure=1 m/s": "velocity, not a pressure", "open=router; at=T3; flow=1": `no "flow"`,
		"open=router; at=T3; pressure=1 Pa; velocity=1 m/s": "one figure", "open=router; at=T3; pressure=0 Pa": "is 0", "rubbish": "write it as",
		"open=router; filter=1 Pa; within=90 %": "between 0.1 and 50",
	} {
		if _, err := s.ParseMeasure(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
	if m, err := s.ParseMeasure("open=none; filter=400 Pa; within=3 %"); err != nil || m.Quantity != duct.FilterDrop || m.Value != 400 || math.Abs(m.Error-0.03) > 1e-12 {
		t.Errorf("%+v, %v", m, err)
	}
}
