package panel

import (
	"fmt"
	"math"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"kerfwind/config"
	"kerfwind/sensor"

	"pgregory.net/rapid"
)

func TestSignals(t *testing.T) {
	s, p := New(Options{}), onPage(demoShop(t), 200*time.Second)
	feed := func(channel int, from, to time.Duration, amps float32, v sensor.Verdict, h sensor.Health) {
		for at := from; at < to; at += 250 * time.Millisecond {
			p.Reading(sensor.Reading{Channel: channel, At: at, Amps: amps, Verdict: v, Health: h})
		}
	}
	const second = time.Second
	feed(0, 0, 100*second, 0.05, sensor.Idle, sensor.Healthy)
	feed(0, 100*second, 120*second, 8, sensor.Running, sensor.Healthy)
	feed(0, 120*second, 200*second, 0.07, sensor.Idle, sensor.Healthy)
	feed(1, 190*second, 200*second, 11, sensor.Running, sensor.Healthy)
	feed(4, 190*second, 200*second, 12, sensor.Running, sensor.Healthy)
	feed(2, 150*second, 200*second, 0, sensor.Unknown, sensor.BiasLow)
	s.Show(p)
	w := look(s, "/signals")
	reads(t, w, http.StatusOK, "Mains 60 Hz, from the shop file", "<h3>c0: band saw</h3>", "70 mA</b> <span>idle</span>", "idle it shows 60.1 mA",
		"starts at <b>1.5 A</b>, stops below <b>1 A</b>", `class="ok">runs</span>`, "11 A</b>",
		"not to be trusted", "bias too low: see whether the plug is in", "nothing read yet", "<h3>c4: circuit bench</h3>", "no levels: kerfwind only measures it",
		"c0: the last 180 s: at most 8 A, ran 20 s of them; starts at 1.5 A, stops at 1 A")
	if n := strings.Count(w.Body.String(), `class="ok">runs</span>`); n != 1 {
		t.Errorf("%d channels are said to run: one that starts nothing is only measured", n)
	}
	part := look(s, "/signals/strips")
	reads(t, part, http.StatusOK, "<h3>c0: band saw</h3>")
	if strings.Contains(part.Body.String(), "<html") || !strings.Contains(w.Body.String(), part.Body.String()) {
		t.Error("what follows is not a piece of the page")
	}
	p.Rig.Nodes, p.Rig.Channels[3].Node = []config.Node{{Name: "shed"}}, 1
	reads(t, look(s, "/signals"), http.StatusOK, "<h3>c3: router, on shed</h3>")
	p.Hertz = func() (float64, bool) { return 59.98, true }
	reads(t, look(s, "/signals"), http.StatusOK, "Mains 59.98 Hz, measured.")
	p.Hertz = func() (float64, bool) { return 50.02, true }
	p.Hears = func() []string { return []string{sensor.Share{Re: 0.04}.Words("c1", "c0")} }
	reads(t, look(s, "/signals"), http.StatusOK, "The mains seems to be 50 Hz; the shop file says 60 Hz: correct mains there.", "<p>c1 hears 4 % of c0: move the clamp or the cable.</p>")
	reads(t, look(s, "/signals?x=1"), http.StatusBadRequest, "unknown field")
}

// Every level in words says what the shop says, and a supply whose frequency
// the file leaves out is not known.
func TestSignalsFrequency(t *testing.T) {
	shop := demoShop(t)
	shop.Mains.Frequency = 0
	s := New(Options{})
	s.Show(onPage(shop, 0))
	reads(t, look(s, "/signals"), http.StatusOK, "The mains frequency is not known yet")
	bare := config.StandIn(&config.Rig{Name: "bare"}, config.StandInOptions{})
	s.Show(onPage(bare, 0))
	reads(t, look(s, "/signals"), http.StatusOK, "This rig has no current sensor.")
}

// A strip never leaves its picture, and each of its bands closes.
func TestSignalStrip(t *testing.T) {
	step := regexp.MustCompile(`([MVhvZz])(-?\d+)?(?: (-?\d+))?`)
	rapid.Check(t, func(t *rapid.T) {
		now := time.Duration(rapid.IntRange(0, 1000).Draw(t, "now")) * time.Second
		var trail []Stretch
		at := now - time.Duration(rapid.IntRange(0, 400).Draw(t, "ago"))*time.Second
		for at <= now {
			s := Stretch{At: at, Lost: rapid.Bool().Draw(t, "lost"), Running: rapid.Bool().Draw(t, "running")}
			if rapid.Bool().Draw(t, "some") {
				s.Count = 1
				s.Low = float32(rapid.Float64Range(0, 100).Draw(t, "low"))
				s.High = s.Low + float32(rapid.Float64Range(0, 100).Draw(t, "more"))
				if rapid.IntRange(0, 20).Draw(t, "odd") == 0 {
					s.High = float32(math.Inf(1))
				}
			}
			trail = append(trail, s)
			at += time.Duration(rapid.IntRange(1, 3).Draw(t, "gap")) * time.Second
		}
		start := rapid.Float64Range(0, 30).Draw(t, "start")
		p := newSignalStrip(trail, now, start, start/2)
		for _, path := range []string{p.Band, p.Runs, p.Lost} {
			if got := strings.Join(step.FindAllString(path, -1), ""); got != path {
				t.Fatalf("%q is no path", path)
			}
			x, y, x0, open := 0, 0, 0, false
			for _, m := range step.FindAllStringSubmatch(path, -1) {
				a, _ := strconv.Atoi(m[2])
				b, _ := strconv.Atoi(m[3])
				switch m[1] {
				case "M":
					if open && path == p.Band {
						t.Fatalf("a band is not closed: %s", path)
					}
					x, y, x0, open = a, b, a, true
				case "V":
					y = a
				case "h":
					x += a
				case "v":
					y += a
				case "Z", "z":
					if path == p.Band && x != x0 {
						t.Fatalf("a band ends at %d and began at %d: %s", x, x0, path)
					}
					open = false
				}
				if x < 0 || x > p.Wide || y < 0 || y > p.High+1 {
					t.Fatalf("%d, %d is outside: %s", x, y, path)
				}
			}
			if open && path == p.Band {
				t.Fatalf("a band is not closed: %s", path)
			}
		}
		if p.Start > p.Stop || start > 0 && p.Start < 0 {
			t.Fatalf("levels at %d and %d", p.Start, p.Stop)
		}
	})
}

// The page of a rig of many channels stays small.
func TestSignalsSize(t *testing.T) {
	s, p := New(Options{}), onPage(demoShop(t), 300*time.Second)
	for c := range p.Rig.Channels {
		for i := range 300 {
			amps := float32(5 + 4*math.Sin(float64(i)))
			p.Reading(sensor.Reading{Channel: c, At: time.Duration(i) * time.Second, Amps: amps, Verdict: sensor.Running, Health: sensor.Healthy})
		}
	}
	s.Show(p)
	n := look(s, "/signals").Body.Len()
	if most := 3000 + 6500*len(p.Rig.Channels); n > most {
		t.Errorf("%d bytes for %d channels, at most %d", n, len(p.Rig.Channels), most)
	}
	fmt.Fprintln(t.Output(), n, "bytes")
}
