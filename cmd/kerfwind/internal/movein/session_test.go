package movein_test

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/config"
	"kerfwind/sensor"
)

// TestTwoPeople: who answers a question that has been answered meanwhile is told
// so, and nothing is changed by it.
func TestTwoPeople(t *testing.T) {
	w := garage(t, 3)
	one, two := w.s.View(0), w.s.View(0)
	if err := w.s.Answer(0, one.Revision, "garage"); err != nil {
		t.Fatal(err)
	}
	if err := w.s.Answer(0, two.Revision, "cellar"); !errors.Is(err, movein.ErrStale) {
		t.Error(err)
	}
	if err := w.s.Back(two.Revision); !errors.Is(err, movein.ErrStale) {
		t.Error(err)
	}
	if err := w.s.Go(two.Revision, "name"); !errors.Is(err, movein.ErrStale) {
		t.Error(err)
	}
	if v := w.s.View(0); v.Step != "units" || w.s.Answers()["name"] != "garage" {
		t.Errorf("%+v", v)
	}
	// One looks on while the other's machine is found.
	p := newPerson(w, 0, false)
	p.move("sensor/band saw")
	seen := w.s.View(w.Now())
	p.findSensor("band saw", seen)
	if err := w.s.Answer(w.Now(), seen.Revision, "skip"); !errors.Is(err, movein.ErrStale) {
		t.Error(err)
	}
	if a := w.s.Answers()["sensor/band saw"]; a != "c3" {
		t.Errorf("%q", a)
	}
}

// TestBack: going back loses no later answer, and one that no longer does is
// asked for again.
func TestBack(t *testing.T) {
	p := newPerson(garage(t, 4), 0, false)
	p.move("sensor/planer")
	before := p.s.Answers()
	rev := func() int { return p.s.View(p.Now()).Revision }
	for range 7 {
		if err := p.s.Back(rev()); err != nil {
			t.Fatal(err)
		}
	}
	if err := p.s.Go(rev(), "circuits"); err != nil {
		t.Fatal(err)
	}
	if v := p.s.View(p.Now()); v.Keep != asked["circuits"] {
		t.Errorf("%+v", v)
	}
	p.must("") // as it was
	if v := p.s.View(p.Now()); v.Step != "sensor/planer" {
		t.Errorf("%+v", v)
	}
	if err := p.s.Go(rev(), "circuits"); err != nil {
		t.Fatal(err)
	}
	p.must("machines 25 A; collector 16 A") // the workbench is gone
	if v := p.s.View(p.Now()); v.Step != "circuit/drum sander" || !strings.Contains(v.Wrong, "no longer fits") {
		t.Errorf("%+v", v)
	}
	p.must("machines")
	p.must("none") // the router
	if v := p.s.View(p.Now()); v.Step != "load/router" && v.Step != "sensor/planer" {
		t.Errorf("%+v", v)
	}
	after := p.s.Answers()
	for step, a := range before {
		if _, ok := after[step]; !ok {
			t.Errorf("the answer %q of %s is gone", a, step)
		}
	}
	if err := p.s.Go(rev(), "dry"); err == nil {
		t.Error("a step was gone to that was not reached")
	}
}

// TestStay: who goes back to a step that looks at the rig need not do it again.
func TestStay(t *testing.T) {
	p := newPerson(garage(t, 4), 0, false)
	p.move("missing")
	before := p.s.Answers()
	for _, step := range []string{"sensor/planer", "gate/g3", "learn/router"} {
		if err := p.s.Go(p.s.View(p.Now()).Revision, step); err != nil {
			t.Fatal(err)
		}
		if v := p.s.View(p.Now()); v.Step != step || v.Keep != before[step] || !strings.HasPrefix(v.KeepText, "Leave it as it is: ") {
			t.Errorf("%+v", v)
		}
		p.must("")
		if v := p.s.View(p.Now()); v.Step != "missing" || p.s.Answers()[step] != before[step] {
			t.Errorf("%+v", v)
		}
	}
}

// TestSupply: what was learned and what the plates say, at another supply: a
// proposal, never in silence.
func TestSupply(t *testing.T) {
	p := newPerson(garage(t, 5), 0, false)
	p.move("machines")
	if text := strings.Join(p.s.View(0).Text, "\n"); !strings.Contains(text, "- Band saw: full load 9 A at 240 V; marked for 240 V 60 Hz, 230 V 50 Hz; coasts 20 s; levels learned at 240 V 60 Hz.") {
		t.Error(text)
	}
	p.move("rated/planer")
	v := p.s.View(0)
	text := strings.Join(v.Text, " ")
	if !strings.Contains(text, "Do not connect the planer: its rating plate says 240 V 60 Hz, and the supply is 230 V 50 Hz. Ask an electrician.") || v.Keep != "no" {
		t.Errorf("%s, keep %q", text, v.Keep)
	}
	if err := p.answer("240 V 60 Hz"); err == nil || !strings.Contains(err.Error(), "electrician") {
		t.Error(err)
	}
	p.must("") // leave it out
	for _, step := range p.s.Done() {
		if step.Step == "sensor/planer" {
			t.Error("it asks to switch on what must not be connected")
		}
	}
	if err := p.s.Go(p.s.View(0).Revision, "load/band saw"); err != nil {
		t.Fatal(err)
	}
	v = p.s.View(0)
	if text := strings.Join(v.Text, " "); !strings.Contains(text, "At 240 V its full load was 9 A. The same power at 230 V takes 9.4 A") {
		t.Error(text)
	}
	p.must("")
	p.move("learn/band saw")
	v = p.s.View(p.Now())
	text = strings.Join(v.Text, " ")
	if !strings.Contains(text, "Learned at 240 V and 60 Hz") || !strings.Contains(text, "2.504 A and 1.67 A here. That is only a proposal") || !strings.Contains(text, "another frequency") {
		t.Error(text)
	}
	p.must("proposal:2.504 A 1.67 A")
	p.move("missing")
	text = strings.Join(p.s.View(p.Now()).Text, "\n")
	for _, want := range []string{"The planer is left out: its rating plate does not name this supply. Do not connect it.", "The levels of the band saw (2.504 A 1.67 A) are computed from another supply: learn them here"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	d := p.s.Draft()
	if len(d.Machine) != 3 || *d.Machine[0].Start < 2.5 || *d.Collector.FanFrequency != 60 {
		t.Errorf("%+v", d.Machine)
	}
}

// TestOtherMains: who says another frequency than the mains has is told so as soon as
// a machine has run, and no longer than it is so.
func TestOtherMains(t *testing.T) {
	p := newPerson(garage(t, 6), 0, false)
	p.Hz = 60
	p.move("sensor/planer")
	text := func() string { return strings.Join(p.s.View(p.Now()).Text, "\n") }
	const doubt = "The mains seems to be 60 Hz; you said 50 Hz."
	if strings.Contains(text(), doubt) {
		t.Error("nothing has run yet")
	}
	p.live(2500 * time.Millisecond)
	p.run("planer", 5*time.Second)
	p.live(time.Second)
	if !strings.Contains(text(), doubt) {
		t.Errorf("found, and no doubt:\n%s", text())
	}
	p.move("missing")
	if !strings.Contains(text(), "- "+doubt) {
		t.Errorf("missing:\n%s", text())
	}
	if err := p.s.Go(p.s.View(0).Revision, "supply"); err != nil {
		t.Fatal(err)
	}
	p.must("230 V 60 Hz")
	p.more = map[string]string{"rated/drum sander": "matched", "rated/band saw": "matched", "rated/the collector": "matched"}
	p.move("missing")
	if strings.Contains(text(), "mains seems") {
		t.Errorf("the answer is right now:\n%s", text())
	}
}

// TestCarried: of each table of a shop file it is decided whether it comes along.
func TestCarried(t *testing.T) {
	w := garage(t, 5)
	text := `format = 1
units = "metric"
mains = { frequency = "60 Hz", voltage = "240 V" }
hours = { open = "07:00", close = "19:00" }
air = { slip = 0.8 }
collector = { actuator = "k0" }
limits = { max_open = 3 }
[[notice]]
name = "phone"
url = "https://news.example/barn"
[[indicator]]
name = "lamp"
actuator = "k9"
shows = "uncollected"
`
	old, err := config.ParseDraft("old.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if w.s, err = movein.New(w.Rig, nil, movein.Before{File: "/old.toml", Text: []byte(text)}); err != nil {
		t.Fatal(err)
	}
	d := w.s.Draft()
	asked := []string{"Format", "Name", "Units", "Mains", "Circuit", "Machine", "Gate", "Duct", "Outlet", "Collector"}
	for _, f := range reflect.VisibleFields(reflect.TypeFor[config.Draft]()) {
		if f.Tag.Get("toml") == "" || slices.Contains(asked, f.Name) {
			continue
		}
		was, is := reflect.ValueOf(old).Elem().FieldByIndex(f.Index), reflect.ValueOf(d).Elem().FieldByIndex(f.Index)
		if was.IsZero() || is.IsZero() {
			t.Errorf("%s: was there %v, comes along %v: decide in Draft, and here", f.Name, !was.IsZero(), !is.IsZero())
		}
	}
}

// TestPlace: how far it is, in parts whose number stays the same.
func TestPlace(t *testing.T) {
	p := newPerson(garage(t, 5), 0, false)
	for _, c := range [][2]string{
		{"name", "Part 1 of 8: the place, 1 of 4"},
		{"machines", "Part 2 of 8: machines, 1 of 4"},
		{"rated/planer", "Part 2 of 8: machines, 3 of 8"},
		{"sensor/drum sander", "Part 3 of 8: sensors, 3 of 5"},
		{"travel/g1", "Part 4 of 8: gates, 2 of 6"},
		{"coast/band saw", "Part 5 of 8: levels, 1 of 4"},
		{"duct", "Part 6 of 8: duct"},
		{"missing", "Part 7 of 8: checks, 1 of 3"},
		{"", "Part 8 of 8: in force, 2 of 2"},
	} {
		if p.move(c[0]); p.s.View(p.Now()).Place != c[1] {
			t.Errorf("%s: %q, want %q", c[0], p.s.View(p.Now()).Place, c[1])
		}
	}
}

// TestTwoVoltages: where the supply has two voltages, each machine's is asked
// for, so that no motor is said to be wrong for one that it never gets.
func TestTwoVoltages(t *testing.T) {
	w := garage(t, 5)
	var err error
	if w.s, err = movein.New(w.Rig, nil, movein.Before{}); err != nil {
		t.Fatal(err)
	}
	for _, a := range []string{"garage", "metric", "120/240 V 60 Hz"} {
		w.must(a)
	}
	if v := w.s.View(0); len(v.Choices) != 0 {
		t.Errorf("%+v", v)
	}
	if err := w.answer("none"); err == nil || !strings.Contains(err.Error(), "120 V and 240 V: name the circuits") {
		t.Error(err)
	}
	w.must("sockets 15 A 120 V; big 30 A 240 V")
	w.must("band saw")
	if err := w.answer("none"); err == nil {
		t.Error("a circuit that nobody knows has no voltage")
	}
	w.must("sockets")
	if err := w.answer("240 V 60 Hz"); err == nil || !strings.Contains(err.Error(), "the supply is 120 V 60 Hz") {
		t.Error(err)
	}
	w.must("120 V 60 Hz")
}

// TestFanFollows: the fan's curve is that of the frequency at which it was
// written, so that the duct's solver slows it down by the fan laws: flow as the
// speed, pressure as its square.
func TestFanFollows(t *testing.T) {
	p := newPerson(garage(t, 6), 0, false)
	p.move("")
	shop := p.right(p.final)
	n := shop.Duct()
	if n == nil || n.Fan.Frequency != 60 || n.Fan.Mains != 50 {
		t.Fatalf("%+v", n)
	}
}

// TestDraw: a duct entered by a few lengths.
func TestDraw(t *testing.T) {
	w := garage(t, 7)
	p := newPerson(w, 0, false)
	p.move("duct")
	p.must("draw")
	if err := p.answer("6 in"); err == nil || !strings.Contains(err.Error(), "then the length") {
		t.Error(err)
	}
	metric := p.s.Answers()["units"] == "metric"
	main := p.s.View(0).Example
	if strings.Contains(main, " mm") != metric {
		t.Errorf("metric %v: %q", metric, main)
	}
	p.must(main) // an example can be given as it is
	if err := p.s.Back(p.s.View(0).Revision); err != nil {
		t.Fatal(err)
	}
	p.must("150 mm, 4 m, 1 elbow, spiral; 125 mm, 3 m, spiral")
	for range 6 {
		what, of := p.step()
		if what != "piece" {
			t.Fatal(p.screen("", nil))
		}
		switch of {
		case "far end":
			if err := p.answer("M7"); err == nil || !strings.Contains(err.Error(), "M1 to M2") {
				t.Error(err)
			}
			p.must("M2")
		case "router", "band saw":
			if x := p.s.View(0).Example; strings.Contains(x, " mm") != metric {
				t.Errorf("metric %v: %q", metric, x)
			}
			if err := p.answer("100 mm, 2 m, hose"); err == nil || !strings.Contains(err.Error(), "which piece") {
				t.Error(err)
			}
			p.must("100 mm, 2 m, hose, M1")
		default:
			p.must("100 mm, 3 m, 2 elbows, rise 2 m, M2")
		}
	}
	p.move("")
	shop := p.right(p.final)
	var got []string
	for i := range shop.Machines {
		m := &shop.Machines[i]
		for _, g := range m.Gates {
			got = append(got, m.Name+": "+shop.Gates[g].Name)
		}
	}
	want := "band saw: band saw, planer: far end, planer: planer, drum sander: far end, drum sander: drum sander, router: router"
	if s := strings.Join(got, ", "); s != want || shop.Duct() == nil {
		t.Errorf("%s", s)
	}
}

// TestFirstShop: with nothing known, and no duct.
func TestFirstShop(t *testing.T) {
	w := garage(t, 8)
	var err error
	if w.s, err = movein.New(w.Rig, nil, movein.Before{}); err != nil {
		t.Fatal(err)
	}
	p := newPerson(w, 0, false)
	p.more = map[string]string{"machines": "band saw, planer, drum sander, router", "duct": "none", "relay/k0": "collector", "relay/k1": "none", "serves/main": "planer, drum sander"}
	w.Gate["g1"], w.Gate["g2"] = "main", "floor sweep"
	p.move("")
	shop := p.right(p.final)
	if i := 1; len(shop.Machines[i].Gates) != 2 || len(shop.Machines[0].Gates) != 1 {
		t.Errorf("%+v", shop.Machines)
	}
}

// TestOldFileBroken: an old shop that cannot be read is said, and the move-in
// begins without it.
func TestOldFileBroken(t *testing.T) {
	w := garage(t, 9)
	s, err := movein.New(w.Rig, nil, movein.Before{File: "old.toml", Text: []byte("format = 1\nunits = 7\n")})
	if err == nil || !strings.Contains(err.Error(), "the earlier shop is not used") {
		t.Error(err)
	}
	if v := s.View(0); v.Step != "name" {
		t.Errorf("%+v", v)
	}
	b, err := s.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := movein.Restore(w.Rig, nil, b); err != nil {
		t.Error(err)
	}
}

// TestAnything: whatever is answered in whatever order, with restarts and going
// back, nothing panics, and what is kept shows the same question again.
func TestAnything(t *testing.T) {
	var begun [][]byte // from the beginning, the middle and near the end
	for _, step := range []string{"name", "sensor/band saw", "missing"} {
		p := newPerson(garage(t, 10), 0, false)
		p.move(step)
		data, err := p.s.Encode()
		if err != nil {
			t.Fatal(err)
		}
		begun = append(begun, data)
	}
	rapid.Check(t, func(rt *rapid.T) {
		w := garage(t, 10)
		var err error
		if w.s, err = movein.Restore(w.Rig, nil, rapid.SampledFrom(begun).Draw(rt, "begun")); err != nil {
			rt.Fatal(err)
		}
		now := time.Duration(0)
		for range rapid.IntRange(1, 40).Draw(rt, "acts") {
			v := w.s.View(now)
			for _, r := range w.s.Requests() {
				if r.Kind == movein.Air || r.Kind == movein.DryRun || r.Kind == movein.Activate {
					w.s.Report(r.Kind, rapid.Bool().Draw(rt, "good"), []string{"a report"})
				}
			}
			switch rapid.IntRange(0, 9).Draw(rt, "act") {
			case 0:
				_ = w.s.Back(v.Revision)
			case 1:
				data, err := w.s.Encode()
				if err != nil {
					rt.Fatal(err)
				}
				s, err := movein.Restore(w.Rig, nil, data)
				if err != nil {
					rt.Fatal(err)
				}
				if after := s.View(now); after.Step != v.Step && w.s.View(now).Step == v.Step || after.Title != w.s.View(now).Title {
					rt.Fatalf("%+v\n%+v", v, after)
				}
				w.s = s
			case 2:
				_ = w.s.Answer(now, v.Revision, rapid.SampledFrom([]string{"", "x", "10 A", "a 20 A", "1 s", "-", ";", ",", "M1", "skip", "none", "240 V 60 Hz", "a:b", "\x00"}).Draw(rt, "text"))
			case 3:
				now += 10 * time.Millisecond
				w.s.Read(sensor.Reading{Channel: rapid.IntRange(-1, 6).Draw(rt, "channel"), At: now, Verdict: sensor.Verdict(rapid.IntRange(1, 3).Draw(rt, "verdict")), Amps: float32(rapid.IntRange(0, 9).Draw(rt, "amps"))})
			case 4:
				w.s.Moved(now, rapid.SampledFrom([]string{"g0", "g1", "k0"}).Draw(rt, "output"), movein.Outcome(rapid.IntRange(0, 8).Draw(rt, "outcome")), "why")
			default:
				text := v.Keep
				if a := asked[v.Step]; a != "" {
					text = a
				}
				if n := len(v.Choices); n > 0 && rapid.Bool().Draw(rt, "choose") {
					text = fmt.Sprint(rapid.IntRange(1, n).Draw(rt, "choice"))
				}
				_ = w.s.Answer(now, v.Revision, text)
			}
			_, _ = config.ParseShop("x", w.s.Draft().Encode(), w.Rig) // whatever it says
			if w.s.View(now).Live {
				if _, err := config.ParseBench(w.s.Bench(), w.Rig); err != nil {
					rt.Fatalf("%v\n%s", err, w.s.Bench())
				}
			}
		}
	})
}

// FuzzRestore: a damaged file is an error, never a panic.
func FuzzRestore(f *testing.F) {
	f.Add([]byte(`{"format": 1, "revision": 3, "at": "circuit/saw", "answers": {"name": "x", "machines": "saw", "circuits": "a 20 A", "gate/g0": "machine:saw"}}`))
	f.Add([]byte(`{"format": 1, "revision": 3, "at": "missing", "answers": {"relay/k0": "collector", "sensor/the collector": ","}}`))
	f.Add([]byte(`{"format": 2}`))
	f.Add([]byte(`{"format": 1, "old": "format = 1"}`))
	rig, err := config.ParseRig("rig", []byte("format = 1\n[[actuator]]\nname = \"k0\"\nkind = \"relay\"\nchip = \"x\"\nline = 1\n"))
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := movein.Restore(rig, nil, data)
		if err != nil {
			return
		}
		v := s.View(0)
		_ = s.Answer(0, v.Revision, "")
		s.Bench()
		s.Draft()
		if _, err := s.Encode(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestFirstPlates: where there was no shop, the move-in asks for the plates, takes over
// the collector's contacts, and the air can be computed.
func TestFirstPlates(t *testing.T) {
	w := garage(t, 1)
	s, err := movein.New(w.Rig, nil, movein.Before{})
	if err != nil {
		t.Fatal(err)
	}
	answers := map[string]string{"name": "garage", "units": "imperial", "supply": "240 V 60 Hz", "circuits": "none", "machines": "planer",
		"load/planer": "15 A", "load/the collector": "12 A", "power/the collector": "2 hp"}
	asked := map[string]bool{}
	for range 40 {
		v := s.View(0)
		asked[v.Step] = true
		if strings.HasPrefix(v.Step, "sensor/") {
			break
		}
		text := answers[v.Step]
		if relay, is := strings.CutPrefix(v.Step, "relay/"); is {
			text = map[bool]string{true: "collector", false: "none"}[relay == "k0"]
		}
		if err := s.Answer(0, v.Revision, text); err != nil {
			t.Fatalf("%s: %v", v.Step, err)
		}
	}
	for id := range answers {
		if !asked[id] {
			t.Errorf("%s is not asked", id)
		}
	}
	c := s.Draft().Collector
	if c.Power == nil || math.Abs(*c.Power-1491) > 2 || c.FullLoad == nil || *c.FullLoad != 12 || c.Contact == nil || *c.Contact != "collector aux" || c.Hand == nil || *c.Hand != "k-mode" {
		t.Errorf("%+v", c)
	}
}
