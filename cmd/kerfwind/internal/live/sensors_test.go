package live

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"kerfwind/control"
	"kerfwind/sensor"
)

func watched() (*Options, *Sensors, *state) {
	nan := math.NaN()
	q := &Sensors{Hertz: 59.98, Measured: true, Channels: []Sensor{
		{"c0", "band saw", 0.0284, 0.0281, 2057, 1.5, 1, sensor.Idle, sensor.Healthy},
		{"c1", "planer", 13.4, 0.0287, 2034, 2.5, 1.5, sensor.Running, sensor.Healthy},
		{"c2", "drum sander", 0, 0.153, 3, 1.5, 1, sensor.Unknown, sensor.BiasLow},
		{"c3", "Fräse", 0.6, nan, 2043, 1, 0.6, sensor.Idle, sensor.Healthy},
		{"c4", "", 31, nan, nan, 0, 0, sensor.Running, sensor.Healthy},
		{"c5", "", 0, nan, nan, 0, 0, sensor.Unknown, sensor.Starting},
	}}
	return &Options{Title: "kerfwind watch: barn rig"}, q, &state{now: 134 * sec, scale: 20}
}

// TestSensorFrames holds frames for common sizes; see TestFrames.
func TestSensorFrames(t *testing.T) {
	o, q, s := watched()
	var b strings.Builder
	for _, tt := range []struct {
		w, h int
		k    look
	}{
		{110, 24, look{false, true}}, {80, 24, look{false, true}}, {60, 20, look{false, false}}, {40, 16, look{false, true}},
		{24, 10, look{false, true}}, {80, 7, look{true, true}},
	} {
		fmt.Fprintf(&b, "=== %d x %d, colour %v, UTF-8 %v\n", tt.w, tt.h, tt.k.color, tt.k.utf8)
		for _, l := range renderSensors(o, q, s, tt.w, tt.h, tt.k) {
			b.WriteString(strings.ReplaceAll(l, "\x1b", "^") + "\n")
		}
	}
	name := filepath.Join("..", "..", "..", "..", "testdata", "live", "sensors.txt")
	if *rewrite {
		if err := os.WriteFile(name, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	if d := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(b.String(), "\n")); d != "" {
		t.Errorf("the frames have changed (-stored +now); if that is right, run with -rewrite\n%s", d)
	}
}

// TestSensorsFit: whatever is shown, it fits and holds no control characters.
func TestSensorsFit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := &Sensors{Hertz: rapid.Float64().Draw(t, "hertz"), Measured: rapid.Bool().Draw(t, "measured")}
		for range rapid.IntRange(0, 20).Draw(t, "channels") {
			q.Channels = append(q.Channels, Sensor{rapid.String().Draw(t, "label"), rapid.String().Draw(t, "use"), float64(rapid.Float32().Draw(t, "amps")), rapid.Float64().Draw(t, "idle"),
				rapid.Float64Range(-1e5, 1e5).Draw(t, "code"), rapid.Float64Range(0, 400).Draw(t, "start"), 0.1,
				sensor.Verdict(rapid.IntRange(0, 3).Draw(t, "verdict")), sensor.Health(rapid.IntRange(0, 15).Draw(t, "health"))})
		}
		w, h := rapid.IntRange(1, 140).Draw(t, "w"), rapid.IntRange(1, 50).Draw(t, "h")
		k := look{false, rapid.Bool().Draw(t, "utf8")}
		lines := renderSensors(&Options{Title: rapid.String().Draw(t, "title")}, q, &state{scale: 20}, w, h, k)
		if len(lines) > h {
			t.Fatalf("%d lines of %d", len(lines), h)
		}
		for _, l := range lines {
			if plain := sgr.ReplaceAllString(l, ""); width(plain) > w {
				t.Fatalf("%d columns of %d: %q", width(l), w, l)
			}
			if plain := strings.Map(func(r rune) rune {
				if r < ' ' && r != '\x1b' {
					return -1
				}
				return r
			}, l); plain != l {
				t.Fatalf("control characters: %q", l)
			}
		}
	})
}

func TestSensorWords(t *testing.T) {
	_, q, _ := watched()
	for i, want := range []string{
		"c0 (band saw): 28.4 mA, idle; noise 28.1 mA; start 1.5 A, stop 1 A; rests at code 2057",
		"c1 (planer): 13.4 A, running; noise 28.7 mA; start 2.5 A, stop 1.5 A; rests at code 2034",
		"c2 (drum sander): unknown, bias too low; noise 0.153 A; start 1.5 A, stop 1 A; rests at code 3; " + sensor.BiasLow.Remedy(),
		"c3 (Fräse): 0.6 A, idle; start 1 A, stop 0.6 A; rests at code 2043",
		"c4: 31 A, running",
		"c5: unknown, starting; " + sensor.Starting.Remedy(),
	} {
		if got := q.Channels[i].Words(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	for want, s := range map[string]Sensors{
		"mains 59.98 Hz": *q, "mains 60 Hz, not measured: nothing runs": {Hertz: 60}, "mains frequency not known: nothing runs": {},
	} {
		if got := s.Frequency(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// TestGauges: resting point and noise settle where they should.
func TestGauges(t *testing.T) {
	g := NewGauges([]Sensor{{Label: "a", Stop: 1, Start: 2}, {Label: "b"}}, [][]int{{1, 0}}, true)
	f := &sensor.Frame{Channels: 2, Rate: 1000}
	for range 10 {
		f.Raw = append(f.Raw, 100, 2048, 300, float32(math.NaN()))
	}
	for range 100 {
		g.Frame(f)
	}
	for _, v := range []float32{0.1, 5, 0.1} { // 5 A is a start that is not seen yet
		g.Reading(sensor.Reading{Channel: 0, Amps: v, Verdict: sensor.Idle, Health: sensor.Healthy})
	}
	g.Reading(sensor.Reading{Channel: 1, Amps: 7, Verdict: sensor.Running, Health: sensor.Healthy})
	a, b := g.Channels[0], g.Channels[1]
	if math.Abs(a.Code-2048) > 1e-6 || math.Abs(b.Code-200) > 1e-6 || math.Abs(a.Idle-0.1) > 1e-6 || !math.IsNaN(b.Idle) || b.Amps != 7 || b.Verdict != sensor.Running {
		t.Errorf("%+v, %+v", a, b)
	}
	for i := range f.Raw {
		f.Raw[i] = 500
	}
	for range 300 { // 6 s: the resting point has followed
		g.Frame(f)
	}
	if math.Abs(g.Channels[0].Code-500) > 10 {
		t.Errorf("%+v", g.Channels[0])
	}
	// What does not fit is left out, and amperes have no code.
	g.Frame(&sensor.Frame{Source: 3, Channels: 2, Raw: []float32{1, 2}})
	g.Frame(&sensor.Frame{Channels: 3, Raw: []float32{1, 2, 3}})
	g.Reading(sensor.Reading{Channel: 9})
	amps := NewGauges([]Sensor{{Label: "a"}, {Label: "b"}}, [][]int{{0, 1}}, false)
	amps.Frame(f)
	if !math.IsNaN(amps.Channels[0].Code) {
		t.Error("a code of amperes")
	}
}

// TestGaugesLook: of what one channel hears of another only what is much is said.
func TestGaugesLook(t *testing.T) {
	p := sensor.Params{Mains: 60, Shares: []sensor.Share{{Channel: 1, Of: 0, Re: 0.024, Im: 0.032, Amps: 9}, {Channel: 0, Of: 1, Im: 0.015, Amps: 9}}}
	for c := range 2 {
		p.Channels = append(p.Channels, sensor.ChannelParams{Used: true, Channel: c, Scale: 1, Start: 1, Stop: 0.5})
	}
	d, err := sensor.New(p)
	if err != nil {
		t.Fatal(err)
	}
	g := NewGauges([]Sensor{{Label: "c0"}, {Label: "c1"}}, nil, true)
	g.Look([]*sensor.Detector{d})
	g.Look([]*sensor.Detector{d})
	if want := []string{"c1 hears 4 % of c0: move the clamp or the cable"}; !slices.Equal(g.Notes, want) {
		t.Errorf("%q", g.Notes)
	}
	var b strings.Builder
	o, _, _ := watched()
	o.Sensors = func() *Sensors { return &g.Sensors }
	v := New(Screen{Out: &b, UTF8: true, Size: func() (int, int) { return 80, 24 }}, *o)
	if err := errors.Join(v.Open(), v.draw(5*time.Second), v.Close()); err != nil || !strings.Contains(b.String(), g.Notes[0]) {
		t.Errorf("%q, %v", b.String(), err)
	}
}

// TestSensorsView: the view draws the sensors and gives the terminal back.
func TestSensorsView(t *testing.T) {
	o, q, _ := watched()
	var b strings.Builder
	o.Sensors = func() *Sensors { return q }
	o.Channels = []Channel{{"c0", control.NoID, 2, 1}}
	v := New(Screen{Out: &b, UTF8: true, Size: func() (int, int) { return 80, 24 }}, *o)
	if err := v.Open(); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(v.draw(5*time.Second), v.Close()); err != nil {
		t.Fatal(err)
	}
	if got := b.String(); !strings.Contains(got, "mains 59.98 Hz") || !strings.Contains(got, leave) || !strings.Contains(got, "bias too low") {
		t.Errorf("%q", got)
	}
}
