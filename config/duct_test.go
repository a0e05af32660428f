package config

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"kerfwind/control/duct"
)

// The networks as shop files give what the water-network solver found: flows
// within 0.3 %, pressures within 0.5 %.
func TestReferenceNetworks(t *testing.T) {
	t.Run("reference", func(t *testing.T) { sameAsStored(t, "reference", 6) })
	t.Run("works", func(t *testing.T) { sameAsStored(t, "works", 7) })
}

func sameAsStored(t *testing.T, name string, states int) {
	s, err := LoadPlan("../testdata/ducts/" + name + ".toml")
	if err != nil {
		t.Fatal(err)
	}
	n := s.Duct()
	if n == nil || len(n.Guesses) != 0 {
		t.Fatalf("network %v, guesses %v", n != nil, n.Guesses)
	}
	solver, err := duct.NewSolver(n)
	if err != nil {
		t.Fatal(err)
	}
	var want []struct {
		Open uint64             `json:"open"`
		Flow map[string]float64 `json:"flow_m3_s"`
		Head map[string]float64 `json:"pressure_pa"`
	}
	b, err := os.ReadFile("../testdata/ducts/" + name + ".epanet.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &want); err != nil || len(want) != states {
		t.Fatalf("%d states, %v", len(want), err)
	}
	for _, w := range want {
		st := solver.Solve(w.Open)
		for i, seg := range n.Segments {
			if !(math.Abs(st.Flow[i]/w.Flow[seg.Name]-1) < 0.003) || !(math.Abs(st.Pressure[i]/w.Head[seg.Name]-1) < 0.005) {
				t.Errorf("open %b, %s: %g m³/s, %g Pa; want %g, %g", w.Open, seg.Name, st.Flow[i], st.Pressure[i], w.Flow[seg.Name], w.Head[seg.Name])
			}
		}
	}
}

const ductHead = `format = 1
units = "metric"
mains = { frequency = "50 Hz", voltage = "230 V" }
`

const ductFan = `collector = { fan = [{ flow = "0 m3/h", pressure = "2500 Pa" }, { flow = "2400 m3/h", pressure = "300 Pa" }] }
`

const ductPlain = ductHead + ductFan + `
duct = [
  { name = "B1", to = "M", diameter = "100 mm", length = "3 m", kind = "hose" },
  { name = "B2", to = "M", diameter = "100 mm", length = "2 m", kind = "smooth" },
  { name = "M", to = "collector", diameter = "150 mm", length = "6 m", kind = "spiral" },
]
gate = [ { name = "saw", duct = "B1" }, { name = "sweep", duct = "B2" } ]
machine = [ { name = "saw", hoods = ["B1"], coast = "8 s", flow = "600 m3/h" } ]
`

func planned(t *testing.T, text string) *duct.Network {
	t.Helper()
	s, err := ParsePlan("shop.toml", []byte(text))
	if err != nil {
		t.Fatalf("%v", err)
	}
	n := s.Duct()
	if n == nil {
		t.Fatal("no network")
	}
	return n
}

// ductKeyTests changes one key about air at a time; the flow at the saw's hood
// must follow: fall, rise, or stay where the key is about something else, which
// TestDuctNetwork then looks at.
var ductKeyTests = map[string][]struct {
	old, new string
	way      int
}{
	"shop.duct.roughness":               {{hose, hose + `, roughness = "3 mm"`, less}},
	"shop.duct.ribs":                    {{hose, hose + `, ribs = "0.2 mm"`, more}},
	"shop.duct.elbow":                   {{hose, hose + `, elbow = [{ }]`, less}},
	"shop.duct.elbow.angle":             {{hose, hose + `, elbow = [{ angle = "1 deg" }]`, less}, {hose, hose + `, elbow = [{ angle = "180 deg" }]`, less}},
	"shop.duct.elbow.radius":            {{hose, hose + `, elbow = [{ radius = "50 mm" }]`, less}},
	"shop.duct.elbow.pieces":            {{hose, hose + `, elbow = [{ pieces = 2 }]`, less}},
	"shop.duct.elbow.count":             {{hose, hose + `, elbow = [{ count = 5 }]`, less}},
	"shop.duct.elbow.loss":              {{hose, hose + `, elbow = [{ loss = 0.4, count = 2 }]`, less}},
	"shop.duct.reducer.loss":            {{hose, hose + `, reducer = { from = "50 mm", loss = 0.3 }`, less}},
	"shop.duct.reducer":                 {{hose, hose + `, reducer = { from = "60 mm" }`, less}},
	"shop.duct.reducer.from":            {{hose, hose + `, reducer = { from = "50 mm" }`, less}},
	"shop.duct.reducer.taper":           {{hose, hose + `, reducer = { from = "60 mm", taper = "20 deg" }`, less}},
	"shop.duct.hood":                    {{hose, hose + `, hood = { loss = 4 }`, less}},
	"shop.duct.hood.kind":               {{hose, hose + `, hood = { kind = "flanged" }`, more}},
	"shop.duct.hood.loss":               {{hose, hose + `, hood = { loss = 5 }`, less}},
	"shop.duct.hood.port":               {{hose, hose + `, hood = { port = "60 mm" }`, less}},
	"shop.duct.hood.flow":               {{hose, hose + `, hood = { flow = "700 m3/h" }`, same}},
	"shop.gate.opening":                 {{`duct = "B1"`, `duct = "B1", opening = "50 %"`, less}},
	"shop.gate.leak":                    {{`duct = "B2"`, `duct = "B2", leak = "10 %"`, less}, {`duct = "B2"`, `duct = "B2", leak = "0 %"`, more}},
	"shop.machine.transport":            {{`coast = "8 s"`, `coast = "8 s", transport = "28 m/s"`, same}},
	"shop.collector.fan":                {{ductFan, "collector = { power = \"750 W\" }\n", less}},
	"shop.collector.fan.flow":           {{`"2400 m3/h"`, `"2000 m3/h"`, less}},
	"shop.collector.fan.pressure":       {{`"2500 Pa"`, `"3 kPa"`, more}},
	"shop.collector.free_flow":          {{ductFan, "collector = { power = \"1.5 kW\", free_flow = \"1200 m3/h\" }\n", less}},
	"shop.collector.shut_off":           {{ductFan, "collector = { power = \"1.5 kW\", shut_off = \"6 kPa\" }\n", more}},
	"shop.collector.fan_frequency":      {{collector, collector + `fan_frequency = "60 Hz",`, less}},
	"shop.collector.fan_density":        {{collector, collector + `fan_density = "1.5 kg/m3",`, less}},
	"shop.collector.filter":             {{collector, collector + `filter = { flow = "1000 m3/h", clean = "1500 Pa" },`, less}},
	"shop.collector.filter.flow":        {{collector, collector + `filter = { flow = "100 m3/h", clean = "150 Pa" },`, less}},
	"shop.collector.filter.clean":       {{collector, collector + `filter = { flow = "1000 m3/h", clean = "10 Pa" },`, more}},
	"shop.collector.filter.loaded":      {{collector, collector + `filter = { flow = "1000 m3/h", clean = "10 Pa", loaded = "3 kPa" },`, less}},
	"shop.collector.filter.now":         {{collector, collector + `filter = { flow = "1000 m3/h", clean = "10 Pa", loaded = "3 kPa", now = "1 %" },`, more}},
	"shop.collector.separator":          {{collector, collector + `separator = { flow = "1000 m3/h", pressure = "800 Pa" },`, less}},
	"shop.collector.separator.flow":     {{collector, collector + `separator = { flow = "100 m3/h", pressure = "10 Pa" },`, less}},
	"shop.collector.separator.pressure": {{collector, collector + `separator = { flow = "1000 m3/h", pressure = "900 Pa" },`, less}},
	"shop.collector.leakage":            {{collector, collector + `leakage = "60 mm",`, less}},
	"shop.air.expansion":                {{"units", "air = { expansion = false }\nunits", more}},
	"shop.air.transport":                {{"units", "air = { transport = \"25 m/s\" }\nunits", same}},
	"shop.air.slip":                     {{"units", "air = { slip = 0.5 }\nunits", same}},
	"shop.air.settle":                   {{"units", "air = { settle = \"3 m/s\" }\nunits", same}},
	"shop.air.together":                 {{"units", "air = { together = [[\"saw\"]] }\nunits", same}},

	"shop.air.measured":          {{"units", measured(`open = ["saw"], duct = "M", pressure = "-1500 Pa"`), same}},
	"shop.air.measured.open":     {{"units", measured(`open = ["saw"], duct = "M", pressure = "-1500 Pa"`), same}},
	"shop.air.measured.duct":     {{"units", measured(`open = ["saw"], duct = "M", pressure = "-1500 Pa"`), same}},
	"shop.air.measured.pressure": {{"units", measured(`open = ["saw"], duct = "M", pressure = "-1500 Pa"`), same}},
	"shop.air.measured.velocity": {{"units", measured(`open = ["saw"], duct = "B1", velocity = "30 m/s"`), same}},
	"shop.air.measured.filter":   {{"units", measured(`open = ["saw"], filter = "200 Pa"`), same}},
	"shop.air.measured.within":   {{"units", measured(`open = ["saw"], filter = "200 Pa", within = "5 %"`), same}},
	"shop.air.measured.date":     {{"units", measured(`open = ["saw"], filter = "200 Pa", date = "2026-11-30"`), same}},
	"shop.air.measured.of":       {{"units", measured(`open = ["saw"], filter = "200 Pa", of = "12345678"`), same}},

	// keyTests has these as well; here the air must follow them.
	"shop.duct.kind":       {{hose, `kind = "smooth"`, more}, {hose, `kind = "spiral"`, more}},
	"shop.duct.elbows":     {{hose, hose + `, elbows = 2`, less}},
	"shop.duct.wye":        {{hose, hose + `, wye = "90 deg"`, less}},
	"shop.duct.loss":       {{hose, hose + `, loss = 1.5`, less}},
	"shop.duct.rise":       {{hose, hose + `, rise = "2 m"`, same}},
	"shop.gate.loss_open":  {{`duct = "B1"`, `duct = "B1", loss_open = 1`, less}},
	"shop.gate.loss_shut":  {{`duct = "B2"`, `duct = "B2", loss_shut = 200`, less}},
	"shop.air.density":     {{"units", "air = { density = \"1 kg/m3\" }\nunits", less}},
	"shop.air.altitude":    {{"units", "air = { altitude = \"2000 m\" }\nunits", less}},
	"shop.air.temperature": {{"units", "air = { temperature = \"60 °C\" }\nunits", less}},
}

const (
	hose             = `kind = "hose"`
	collector        = "collector = { "
	less, more, same = -1, 1, 0
)

// Every key about air reaches the network.
func TestDuctKeys(t *testing.T) {
	flow := func(n *duct.Network) float64 {
		s, err := duct.NewSolver(n)
		if err != nil {
			t.Fatal(err)
		}
		st := s.Solve(1)
		if !st.Converged {
			t.Fatalf("%v", st)
		}
		return st.Flow[0]
	}
	base := flow(planned(t, ductPlain))
	for key, tests := range ductKeyTests {
		for _, c := range tests {
			if !strings.Contains(ductPlain, c.old) {
				t.Fatalf("%q is not in the text", c.old)
			}
			got := flow(planned(t, strings.Replace(ductPlain, c.old, c.new, 1)))
			way := same
			if got < base*(1-1e-6) {
				way = less
			} else if got > base*(1+1e-6) {
				way = more
			}
			if way != c.way {
				t.Errorf("%s: %s: %g m³/s, without %g", key, c.new, got, base)
			}
		}
	}
}

// What the network is told beside its losses.
func TestDuctNetwork(t *testing.T) {
	n := planned(t, strings.NewReplacer(
		"units", "air = { transport = \"25 m/s\", slip = 0.5, settle = \"3 m/s\", temperature = \"10 °C\" }\nunits",
		`kind = "hose"`, `kind = "hose", rise = "2 m"`,
		`flow = "600 m3/h"`, `flow = "600 m3/h", transport = "28 m/s"`).Replace(ductPlain))
	if n.Transport != (duct.Transport{Min: 25, Slip: 0.5, Settle: 3}) || n.Segments[0].Rise != 2 || !n.Segments[0].Flexible || n.Segments[1].Flexible {
		t.Errorf("%+v, %+v", n.Transport, n.Segments[0])
	}
	if math.Abs(n.Air.Celsius-10) > 1e-9 || !n.Air.HasCelsius {
		t.Errorf("%+v", n.Air)
	}
	m := n.Machines[0]
	if m.Gates != 1 || m.MinVelocity != 28 || m.Coast.Seconds() != 8 || len(m.Hoods) != 1 || m.Hoods[0] != 0 {
		t.Errorf("%+v", m)
	}
	if w, given := n.Want(0); !given || math.Abs(w-600.0/3600) > 1e-12 {
		t.Errorf("wants %g, %v", w, given)
	}
	if len(n.Together) != 1 || n.Together[0] != 2 {
		t.Errorf("the sweep's gate is no set of its own: %b", n.Together)
	}
	all := ""
	for _, g := range n.Guesses {
		all += g.Words + "\n"
	}
	for _, want := range []string{"hoses of unknown ribs", "machine hoods of unknown loss", "branches of unknown angle", "shut gates", "open gates", "the filter"} {
		if !strings.Contains(all, want) {
			t.Errorf("no guess %q in\n%s", want, all)
		}
	}
	// A shop without a word about the fan has no network, and no error.
	s, err := ParsePlan("shop.toml", []byte(strings.Replace(ductPlain, ductFan, "collector = {}\n", 1)))
	if err != nil || s.Duct() != nil {
		t.Errorf("without a fan: %v, %v", s.Duct(), err)
	}
}

// measured is the head of a file with readings in place of "units".
func measured(reading string) string {
	return "air = { measured = [{ " + reading + " }] }\nunits"
}

// Readings reach the network, unless they are of other ducts or cannot be.
func TestDuctMeasured(t *testing.T) {
	plain := planned(t, ductPlain)
	s, err := duct.NewSolver(plain)
	if err != nil {
		t.Fatal(err)
	}
	st := s.Solve(1)
	tap := fmt.Sprintf(`open = ["saw"], duct = "M", pressure = "%.1f Pa"`, st.Static[2])
	near := func(want float64) float64 { return math.Round(want*10) / 10 }
	for _, c := range []struct {
		reading string
		want    []duct.Measure
		doubt   string
	}{
		{tap, []duct.Measure{{Open: 1, Segment: 2, Quantity: duct.StaticPressure, Value: near(st.Static[2])}}, ""},
		{strings.Replace(tap, "-", "", 1), []duct.Measure{{Open: 1, Segment: 2, Quantity: duct.StaticPressure, Value: near(st.Static[2])}}, ""},
		{tap + `, within = "10 %", date = "2026-11-30"`, []duct.Measure{{Open: 1, Segment: 2, Quantity: duct.StaticPressure, Value: near(st.Static[2]), Error: 0.1, Date: "2026-11-30"}}, ""},
		{tap + `, of = "` + plain.Mark() + `"`, []duct.Measure{{Open: 1, Segment: 2, Quantity: duct.StaticPressure, Value: near(st.Static[2])}}, ""},
		{tap + `, of = "12345678"`, nil, "read in other ducts"},
		{fmt.Sprintf(`open = ["saw"], duct = "B1", velocity = "%.2f m/s"`, st.Velocity[0]), []duct.Measure{{Open: 1, Segment: 0, Quantity: duct.MeanVelocity, Value: math.Round(st.Velocity[0]*100) / 100}}, ""},
		{fmt.Sprintf(`open = [], filter = "%.2f Pa"`, s.Solve(0).Filter), []duct.Measure{{Segment: -1, Quantity: duct.FilterDrop, Value: math.Round(s.Solve(0).Filter*100) / 100}}, ""},
		{`open = ["saw"], duct = "M", pressure = "-20 Pa"`, nil, "outside what the guesses leave possible"},
	} {
		shop, err := ParsePlan("shop.toml", []byte(strings.Replace(ductPlain, "units", measured(c.reading), 1)))
		if err != nil {
			t.Errorf("%s: %v", c.reading, err)
			continue
		}
		got := shop.Duct().Measured
		if len(got) != len(c.want) || len(got) > 0 && got[0] != c.want[0] {
			t.Errorf("%s: %+v, want %+v", c.reading, got, c.want)
		}
		said := ""
		for _, w := range shop.Warnings {
			said += w.Message
		}
		if c.doubt == "" && strings.Contains(said, "read") || !strings.Contains(said, c.doubt) {
			t.Errorf("%s: %q, want %q", c.reading, said, c.doubt)
		}
	}
	// The mark is of what was built, not of what is guessed.
	for change, same := range map[string]bool{`length = "3 m" => length = "3.5 m"`: false, `name = "M" => name = "main"`: false, `diameter = "150 mm" => diameter = "160 mm"`: false,
		`pressure = "300 Pa" => pressure = "310 Pa"`: false, `kind = "smooth" => kind = "hose"`: false, `kind = "hose" => kind = "hose", roughness = "2 mm"`: true, `flow = "600 m3/h" => flow = "700 m3/h"`: true} {
		old, to, _ := strings.Cut(change, " => ")
		text := strings.Replace(ductPlain, old, to, 1)
		if old == `name = "M"` {
			text = strings.ReplaceAll(text, `to = "M"`, `to = "main"`)
		}
		if got := planned(t, text).Mark() == plain.Mark(); got != same {
			t.Errorf("%s: the same mark: %v, want %v", change, got, same)
		}
	}
}

// Two hoods of one machine share what it wants after the area of their ports.
func TestDuctSharedFlow(t *testing.T) {
	n := planned(t, strings.NewReplacer(`hoods = ["B1"]`, `hoods = ["B1", "B2"]`, `kind = "smooth"`, `kind = "smooth", hood = { port = "50 mm" }`).Replace(ductPlain))
	a, _ := n.Want(0)
	b, _ := n.Want(1)
	if math.Abs(a-4*b) > 1e-12 || math.Abs(a+b-600.0/3600) > 1e-12 {
		t.Errorf("wants %g and %g", a, b)
	}
}

// A number without a unit is guessed to be in the file's own system.
func TestSuggestedUnits(t *testing.T) {
	for _, c := range []struct{ units, key, text, want string }{
		{"imperial", "length", "14", `did you mean "14 ft"?`},
		{"metric", "length", "14", `did you mean "14 m"?`},
		{"imperial", "diameter", "6", `did you mean "6 in"?`},
		{"imperial", "diameter", "100", `did you mean "100 mm"?`}, // nothing imperial makes sense
		{"metric", "diameter", "100", `did you mean "100 mm"?`},
		{"metric", "diameter", "4 m", `did you mean "4 in"?`},
		{"imperial", "diameter", "4 m", `did you mean "4 in"?`},
	} {
		duct := map[string]string{"length": "3 m", "diameter": "100 mm"}
		duct[c.key] = c.text
		text := fmt.Sprintf(`format = 1
units = %q
mains = { frequency = "60 Hz", voltage = "240 V" }
duct = [{ name = "B1", to = "collector", diameter = %q, length = %q, kind = "hose" }]
`, c.units, duct["diameter"], duct["length"])
		_, err := ParsePlan("plan.toml", []byte(text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s %s = %q: %v, want %s", c.units, c.key, c.text, err, c.want)
		}
	}
}

// Each slip is named with its line and a remedy; none is followed by another
// that only repeats it.
func TestDuctSlips(t *testing.T) {
	for _, c := range []struct{ old, new, at, message, remedy string }{
		{`diameter = "100 mm", length = "3 m"`, `diameter = "4 m", length = "8 m"`, "7:28", "out of range", `did you mean "4 in"?`},
		{`diameter = "100 mm", length = "3 m"`, `diameter = "0 mm", length = "3 m"`, "7:28", "out of range", "20 mm"},
		{`to = "collector"`, `to = "B1"`, ":", "in a loop", "collector"},
		{`pressure = "300 Pa"`, `pressure = "2600 Pa"`, "4:65", "does not fall", "right of its peak"},
		{`pressure = "300 Pa"`, `pressure = "300 m3/h"`, "4:87", "is a flow, not a pressure", "Pa"},
		{`kind = "hose"`, `kind = "hose", roughness = "1 mm", ribs = "1 mm"`, "7:100", "twice", "keep either"},
		{`kind = "smooth"`, `kind = "smooth", elbow = [{ pieces = 3, loss = 1 }]`, "8:", "covers its radius", "keep either"},
		{`kind = "smooth"`, `kind = "smooth", ribs = "1 mm"`, "8:82", "only a hose has ribs", "hose"},
		{`kind = "spiral"`, `kind = "spiral", wye = "45 deg"`, "9:89", "joins no other duct", "take wye out"},
		{`kind = "spiral"`, `kind = "spiral", hood = { kind = "plain" }`, "9:89", "other ducts run into it", "of its own"},
		{`kind = "hose"`, `kind = "hose", hood = { kind = "plain", loss = 1 }`, "7:", "twice", "keep either"},
		{`duct = "B1"`, `duct = "B1", leak = "1 %", loss_shut = 100`, "11:", "twice", "keep either"},
		{`kind = "hose"`, `kind = "hose", roughness = "9 mm"`, "7:", "of its diameter", "fraction of a millimetre"},
		{`collector = {`, `collector = { free_flow = "1000 m3/h", `, "4:", "by its plate as well", "keep the points"},
		{`units`, "air = { together = [[\"saw\", \"plainer\"]] }\nunits", "2:", `"plainer"`, "saw"},
		{`collector = {`, `collector = { filter = { flow = "1000 m3/h", clean = "500 Pa", loaded = "400 Pa" },`, "4:", "when clean", "loses more"},
		{`units`, measured(`open = ["saw"], duct = "M"`), "2:", "one figure", "one of them"},
		{`units`, measured(`open = ["saw"], duct = "M", pressure = "-1 kPa", velocity = "20 m/s"`), "2:", "one figure", "one of them"},
		{`units`, measured(`open = ["saw"], pressure = "-1 kPa"`), "2:", "where it was read is missing", "give duct"},
		{`units`, measured(`open = ["saw"], duct = "M", filter = "200 Pa"`), "2:", "across the filter", "leave duct out"},
		{`units`, measured(`open = ["saw"], duct = "T9", pressure = "-1 kPa"`), "2:", `"T9"`, "M"},
		{`units`, measured(`open = ["lathe"], duct = "M", pressure = "-1 kPa"`), "2:", `"lathe"`, "saw"},
		{`units`, measured(`duct = "M", pressure = "-1 kPa"`), "2:", "open", "open"},
		{`units`, measured(`open = ["saw"], duct = "M", pressure = "0 Pa"`), "2:", "tells nothing", "read it again"},
		{`units`, measured(`open = ["saw"], duct = "M", pressure = "-15 kPa"`), "2:", "cannot lift that", "check the unit"},
		{`units`, measured(`open = ["saw"], filter = "200 Pa", date = "30.11.2026"`), "2:", "is no date", "2026-11-30"},
	} {
		if !strings.Contains(ductPlain, c.old) {
			t.Fatalf("%q is not in the text", c.old)
		}
		_, err := ParsePlan("shop.toml", []byte(strings.Replace(ductPlain, c.old, c.new, 1)))
		if err == nil {
			t.Errorf("%s: no error", c.new)
			continue
		}
		var problems Errors
		if !errors.As(err, &problems) || len(problems) != 1 {
			t.Errorf("%s: %v", c.new, err)
			continue
		}
		p := problems[0]
		if !strings.Contains(p.String(), "shop.toml:"+strings.TrimPrefix(c.at, ":")) || !strings.Contains(p.Message, c.message) || !strings.Contains(p.Remedy, c.remedy) {
			t.Errorf("%s: %v", c.new, p)
		}
	}
}

// What is doubtful about the air is a warning at its line; the network is there
// all the same.
func TestDuctDoubts(t *testing.T) {
	for _, c := range []struct{ old, new, at, message string }{
		{`"2500 Pa"`, `"10 Pa"`, "4:", "cannot reach"},
		{`length = "3 m"`, `length = "90 m"`, "7:", "90 m long"},
		{`diameter = "150 mm"`, `diameter = "600 mm"`, "9:", "wide for a small shop"},
		{`flow = "600 m3/h"`, `flow = "9000 m3/h"`, "4:", "cannot reach"},
	} {
		text := strings.Replace(ductPlain, c.old, c.new, 1)
		if c.new == `"10 Pa"` {
			text = strings.Replace(text, `"300 Pa"`, `"1 Pa"`, 1)
		}
		s, err := ParsePlan("shop.toml", []byte(text))
		if err != nil {
			t.Errorf("%s: %v", c.new, err)
			continue
		}
		found := false
		for _, p := range s.Warnings {
			found = found || strings.Contains(p.Message, c.message) && strings.HasPrefix(p.String(), "shop.toml:"+c.at)
		}
		if !found || s.Duct() == nil {
			t.Errorf("%s: %v", c.new, s.Warnings)
		}
	}
}

// The other networks of testdata/ducts read without a rig, and the demo's shop
// too.
func TestPlans(t *testing.T) {
	files, err := filepath.Glob("../testdata/ducts/*.toml")
	if err != nil || len(files) == 0 {
		t.Fatalf("%v, %v", files, err)
	}
	for _, f := range append(files, "../testdata/demo/shops/barn.toml") {
		s, err := LoadPlan(f)
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		if s.Duct() == nil {
			t.Errorf("%s: no network", f)
		}
	}
}
