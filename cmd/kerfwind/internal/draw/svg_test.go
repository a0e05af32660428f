package draw

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
	"kerfwind/sensor"
	"kerfwind/testdata/peers"
)

var rewrite = flag.Bool("rewrite", false, "write the expected pictures anew")

func svg(t testing.TB, p *Picture, end time.Duration, o Options) string {
	t.Helper()
	var b bytes.Buffer
	if err := p.WriteSVG(&b, end, o); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// small is ten seconds with one of each thing.
func small() *barn {
	b := newBarn(10 * sec)
	b.names.Machines, b.names.Gates = []string{"planer", "lathe"}, []string{"planer"}
	b.labels, b.of, b.levels, b.load = []string{"c0"}, []control.ID{0}, []Level{{2.5, 1.5}}, b.load[:1]
	b.state.Machines, b.state.Gates = b.state.Machines[:2], b.state.Gates[:1]
	b.all = nil
	b.note(0)
	b.run(0, []int{0}, 2*sec, 5*sec, 12, 55, 900*ms, 300*ms)
	b.current(0, 7*sec, 0, sensor.Unknown)
	b.state.Machines[0].Sensed = control.Unknown
	b.note(7*sec, control.Event{Kind: control.FaultRaised, Fault: control.SensorLost, ID: 0})
	b.gate(0, control.PositionShutting, control.NoID)
	b.collector(false, control.ByNoDemand, control.NoID)
	b.state.Machines[1].Run = true
	b.note(8*sec, control.Event{Kind: control.CollectorIsOff})
	b.gate(0, control.PositionShut, control.NoID)
	b.note(9 * sec)
	return b
}

// TestGolden holds the picture of ten seconds to the last byte. With -rewrite
// it is written again: look at it then.
func TestGolden(t *testing.T) {
	got := svg(t, small().picture(), 10*sec, Options{Title: "Ten seconds", Width: 480, RunUp: 2 * sec})
	name := filepath.Join("..", "..", "..", "..", "testdata", "draw", "small.svg")
	if *rewrite {
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got, "\n")); diff != "" {
		t.Errorf("the picture changed; look at it and run the test with -rewrite (-want +got):\n%s", diff)
	}
}

// hostile is a name that tries to leave its place.
const hostile = "</text><script>alert(1)</script> \"' & ]]> \x00\x1b[31m\xff\u202e\ufffe 鉋"

// TestWellFormed: whatever the names are and however much there is, the
// picture is well-formed XML with none but its own elements and attributes.
func TestWellFormed(t *testing.T) {
	named := small()
	for _, list := range [][]string{named.names.Machines, named.names.Gates, named.names.Collectors, named.names.Outlets, named.labels} {
		for i := range list {
			list[i] = hostile
		}
	}
	empty := New(timeline.Names{}, nil, nil, nil)
	lost := newBarn(sec)
	for i := range 300 { // more notices and starts than are listed
		at := time.Duration(i+1) * sec
		lost.state.Machines[1].Run = true
		lost.gate(1, control.PositionOpening, 1)
		lost.note(at, control.Event{Kind: control.FaultRaised, Fault: control.GateNotOpen, ID: 1}, control.Event{Kind: control.MachineStarted, ID: 1})
		lost.state.Machines[1].Run = false
		lost.note(at+500*ms, control.Event{Kind: control.MachineStopped, ID: 1})
	}
	lost.end = 301 * sec
	for name, tt := range map[string]struct {
		p   *Picture
		end time.Duration
	}{
		"hostile names": {named.picture(), 10 * sec}, "nothing at all": {empty, sec}, "no readings": {New(named.names, named.labels, nil, nil), time.Hour},
		"afternoon": {afternoon().picture(), 6 * time.Minute}, "cut before its end": {afternoon().picture(), time.Minute},
		"a nanosecond": {afternoon().picture(), 1}, "a century": {afternoon().picture(), 876000 * time.Hour}, "many notices": {lost.picture(), lost.end},
	} {
		for _, width := range []int{-1, 0, 1, 390, 1200, 99999} {
			t.Run(fmt.Sprintf("%s/%d", name, width), func(t *testing.T) {
				text := svg(t, tt.p, tt.end, Options{Title: hostile, Width: width})
				elements := map[string]int{}
				d := xml.NewDecoder(strings.NewReader(text))
				for {
					tok, err := d.Token()
					if errors.Is(err, io.EOF) {
						break
					}
					if err != nil {
						t.Fatal(err)
					}
					if e, ok := tok.(xml.StartElement); ok {
						elements[e.Name.Local]++
						for _, a := range e.Attr {
							if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") || strings.HasPrefix(a.Name.Local, "on") {
								t.Errorf("<%s %s=%q>", e.Name.Local, a.Name.Local, a.Value)
							}
						}
					}
				}
				for e := range elements {
					if !strings.Contains(" svg title desc style defs pattern line path rect circle polygon text ", " "+e+" ") {
						t.Errorf("element <%s>", e)
					}
				}
				if elements["title"] < 1 || elements["desc"] != 1 {
					t.Errorf("%d titles, %d descriptions", elements["title"], elements["desc"])
				}
				if len(text) > 3<<20 {
					t.Errorf("%d bytes", len(text))
				}
				if i := strings.Index(text, "://"); i >= 0 && strings.Count(text, "://") != 1 { // the name space is no address to fetch
					t.Errorf("it refers to something outside: …%s", text[i:min(len(text), i+40)])
				}
			})
		}
	}
}

func TestErrors(t *testing.T) {
	if err := small().picture().WriteSVG(io.Discard, 0, Options{}); err == nil {
		t.Error("an empty recording was drawn")
	}
	full := errors.New("disk full")
	if err := small().picture().WriteSVG(failing{full}, sec, Options{}); !errors.Is(err, full) {
		t.Errorf("got %v, want %v", err, full)
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

// TestSays: the words that the picture must not lack.
func TestSays(t *testing.T) {
	text := svg(t, afternoon().picture(), 6*time.Minute, Options{Title: "barn", RunUp: 2 * sec})
	for _, want := range []string{
		">planer runs<", ">drum sander runs<", ">peak ", ">start 2.5<", ">stop 1.5<", ">From switch-on to wanted flow<", "still waiting at the end",
		"0:18 planer", "4:50 FAULT band saw: the gate does not open", "; cleared 5:30", ">min:s<", ">no machine<", "stagger",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
	if strings.Contains(text, "that is not known.") {
		t.Error("it says that the fan's run-up is not known although it is")
	}
	text = svg(t, afternoon().picture(), 6*time.Minute, Options{})
	if !strings.Contains(text, "that is not known.") {
		t.Error("it does not say that the fan's run-up is not known")
	}
}

// TestNotices: a fault that clears ends its own notice only, and a long list
// says how much it leaves out.
func TestNotices(t *testing.T) {
	b := newBarn(20 * sec)
	for _, id := range []control.ID{1, 2} {
		b.note(time.Duration(id)*sec, control.Event{Kind: control.FaultRaised, Fault: control.SensorLost, ID: id})
	}
	b.note(5*sec, control.Event{Kind: control.FaultCleared, Fault: control.SensorLost, ID: 1})
	text := svg(t, b.picture(), b.end, Options{})
	if !strings.Contains(text, "FAULT planer: its sensor is lost; check its plug and cable; cleared 0:05<") ||
		!strings.Contains(text, "FAULT drum sander: its sensor is lost; check its plug and cable<") {
		t.Errorf("the wrong notice is cleared:\n%s", text[strings.LastIndex(text, "Notices"):])
	}
	for i := range 40 {
		b.note(time.Duration(6+i/4)*sec+time.Duration(i), control.Event{Kind: control.WeakAir})
	}
	if text = svg(t, b.picture(), b.end, Options{}); !strings.Contains(text, ">and 30 more: see the timeline<") {
		t.Errorf("it does not say what is left out:\n%s", text[strings.LastIndex(text, "Notices"):])
	}
}

// TestSingleReading: one reading alone is still seen.
func TestSingleReading(t *testing.T) {
	p := New(timeline.Names{}, []string{"c0"}, nil, nil)
	p.Reading(sensor.Reading{At: 5 * sec, Verdict: sensor.Idle, Amps: 3})
	text := svg(t, p, 10*sec, Options{})
	if n := len(bandPoints.FindStringSubmatch(text)); n != 5 {
		t.Errorf("want a band of four corners:\n%s", text)
	}
}

var bandPoints = regexp.MustCompile(`<polygon class="band" points="(\S+) (\S+) (\S+) (\S+)"/>`)

func TestClockAndSteps(t *testing.T) {
	tests := []struct {
		at, step, end time.Duration
		want          string
	}{
		{90 * sec, 30 * sec, 6 * time.Minute, "1:30"},
		{2500 * ms, 500 * ms, 5 * sec, "0:02.5"},
		{2 * sec, 500 * ms, 5 * sec, "0:02"},
		{90 * time.Minute, 30 * time.Minute, 24 * time.Hour, "1:30"},
		{time.Hour + 5*sec, 5 * sec, time.Hour + 30*sec, "1:00:05"},
	}
	for _, tt := range tests {
		if got := clock(tt.at, tt.step, tt.end); got != tt.want {
			t.Errorf("clock(%v, %v, %v) = %q, want %q", tt.at, tt.step, tt.end, got, tt.want)
		}
	}
	for end := time.Millisecond; end < 2000*time.Hour; end = end * 7 / 4 {
		s := newSheet(1200, end)
		if n := end / s.step(64); n > 20 {
			t.Errorf("%v: %d marks on the axis", end, n)
		}
	}
	for _, v := range []struct{ in, want float64 }{{0, 1}, {0.3, 0.3}, {0.31, 0.4}, {7, 8}, {9, 10}, {19.9, 20}, {61, 80}, {100, 100}} {
		if got := roundUp(v.in); got < v.want*0.999 || got > v.want*1.001 {
			t.Errorf("roundUp(%v) = %v, want %v", v.in, got, v.want)
		}
	}
}

// shot renders a picture with a browser.
func shot(t *testing.T, chromium, text string, flags ...string) image.Image {
	t.Helper()
	dir := t.TempDir()
	in, out := filepath.Join(dir, "p.svg"), filepath.Join(dir, "p.png")
	if err := os.WriteFile(in, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	args := append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--disable-background-networking", "--disable-component-update",
		"--disable-sync", "--disable-quic", "--user-data-dir=" + filepath.Join(dir, "profile"), "--window-size=600,800", "--screenshot=" + out}, flags...)
	if msg, err := exec.Command(chromium, append(args, "file://"+in)...).CombinedOutput(); err != nil {
		t.Fatalf("chromium: %v\n%s", err, msg)
	}
	f, err := os.Open(out)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	img, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// TestBrowser lets another program read the picture: Chromium must show the
// colours of each state where the numbers say that it is, by day and by night.
func TestBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a browser")
	}
	chromium := peers.Require(t, "chromium", "Debian packages chromium and fonts-dejavu-core")
	p := small().picture()
	text := svg(t, p, 10*sec, Options{Title: "Ten seconds", Width: 480, RunUp: 2 * sec})

	// The places come from the file itself: the collector's bar and a corner.
	bar := find(t, text, `<rect class="full"`, 1)
	for _, tt := range []struct {
		name          string
		flags         []string
		paper, filled color.RGBA
	}{
		{"light", nil, color.RGBA{0xff, 0xff, 0xff, 0xff}, color.RGBA{0x1f, 0x4e, 0x8c, 0xff}},
		{"dark", []string{"--blink-settings=preferredColorScheme=0"}, color.RGBA{0x14, 0x18, 0x1d, 0xff}, color.RGBA{0x8c, 0xbc, 0xf5, 0xff}},
	} {
		img := shot(t, chromium, text, tt.flags...)
		for _, at := range []struct {
			what string
			x, y int
			want color.RGBA
		}{
			{"paper", 475, 3, tt.paper},
			{"an open gate", bar.Min.X + bar.Dx()/2, bar.Min.Y + bar.Dy()/2, tt.filled},
		} {
			got := color.RGBAModel.Convert(img.At(at.x, at.y))
			if got != at.want {
				t.Errorf("%s: %s at %d,%d is %v, want %v", tt.name, at.what, at.x, at.y, got, at.want)
			}
		}
	}
}

// find is the box of the n-th rectangle that begins with an opening.
func find(t *testing.T, text, opening string, n int) image.Rectangle {
	t.Helper()
	rest := text
	for range n {
		i := strings.Index(rest, opening)
		if i < 0 {
			t.Fatalf("no %s number %d", opening, n)
		}
		rest = rest[i+len(opening):]
	}
	var x, y, w, h float64
	if _, err := fmt.Sscanf(rest, ` x="%f" y="%f" width="%f" height="%f"`, &x, &y, &w, &h); err != nil {
		t.Fatal(err)
	}
	return image.Rect(int(x), int(y), int(x+w), int(y+h))
}
