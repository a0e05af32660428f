package metrics

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/duct"
	"kerfwind/control/loop"
	"kerfwind/control/sim"
	"kerfwind/sensor"
	"kerfwind/testdata/peers"
)

var update = flag.Bool("update", false, "write the golden files anew")

const (
	ms   = time.Millisecond
	data = "../../../../testdata/"
)

// barn is the shop of these tests.
func barn(t testing.TB) *config.Shop {
	t.Helper()
	rig, err := config.LoadRig(data + "topics/rig.toml")
	if err != nil {
		t.Fatal(err)
	}
	shop, err := config.LoadShop(data+"topics/shop.toml", rig)
	if err != nil {
		t.Fatal(err)
	}
	return shop
}

// tap is an actuator that tells the metrics of commands and outcomes, as the
// daemon does.
type tap struct {
	*sim.Plant
	m   *Metrics
	now time.Duration
}

func (a *tap) Apply(c control.Command) {
	a.m.Applied(c, a.now)
	a.Plant.Apply(c)
}

func (a *tap) Advance(now time.Duration, in []control.Input) []control.Input {
	n := len(in)
	in = a.Plant.Advance(now, in)
	for _, x := range in[n:] {
		a.m.Answered(x, now)
	}
	a.now = now
	return in
}

// air is the duct of a barn whose planer has two hoods, solved for some gates.
func air() (*duct.Network, func(uint64) (float64, []float64, bool)) {
	n := &duct.Network{Machines: []duct.Machine{{Hoods: []int{0}}, {Hoods: []int{1, 2}}}}
	solved := map[uint64]*duct.Solution{
		0b01: {State: &duct.State{Converged: true, Total: 0.4, Flow: []float64{0.35, 0, 0.01}}},
		0b11: {State: &duct.State{Converged: true, Total: 0.3, Flow: []float64{0, 0.2, 0.05}}},
		0b10: {State: &duct.State{Total: 9, Flow: []float64{9, 9, 9}}},
	}
	return n, func(open uint64) (float64, []float64, bool) {
		x, ok := solved[open]
		if !ok || !x.Converged {
			return 0, nil, false
		}
		return x.Total, x.Flow, true
	}
}

// TestFlow: the flow follows the gates while the collector is on.
func TestFlow(t *testing.T) {
	m := New(barn(t), "test")
	m.Air(air())
	s := &control.Snapshot{Gates: make([]control.GateView, 2)}
	position := [2]control.Position{control.PositionShut, control.PositionOpen}
	for _, c := range []struct {
		open               uint64
		commanded          bool
		sensed             control.Verdict
		whole, saw, planer float64
	}{
		{0b01, true, 0, 0.4, 0.35, 0.01},
		{0b01, false, control.Idle, 0, 0, 0},
		{0b11, false, control.Running, 0.3, 0, 0.25}, // by hand
		{0b10, true, control.Running, 0, 0, 0},       // no operating point
		{0b11, true, control.Running, 0.3, 0, 0.25},
		{0b00, true, control.Running, 0, 0, 0}, // not solved yet
	} {
		for i := range s.Gates {
			s.Gates[i].Position = position[c.open>>i&1]
		}
		s.Collector = control.CollectorView{Commanded: c.commanded, Sensed: c.sensed}
		m.Snapshot(s, 0)
		got := ours(scrape(t, m))
		for _, line := range []string{
			fmt.Sprintf("kerfwind_collector_flow_cubic_meters_per_second %v\n", c.whole),
			fmt.Sprintf("kerfwind_machine_flow_cubic_meters_per_second{machine=\"band saw\"} %v\n", c.saw),
			fmt.Sprintf("kerfwind_machine_flow_cubic_meters_per_second{machine=\"thickness planer\"} %v\n", c.planer),
		} {
			if !strings.Contains(got, line) {
				t.Errorf("%+v: no line %q", c, line)
			}
		}
	}
}

// day runs a short day through metrics, loop, core and plant.
func day(t testing.TB) *Metrics {
	t.Helper()
	shop := barn(t)
	none := shop.Collector.Circuit
	shop.Collector.Circuit = 0 // for its energy; the day is that of a collector on no circuit
	m := New(shop, "v0.0.0-test")
	shop.Collector.Circuit = none
	m.Air(air())
	m.Tally(func() *upkeep.Tally {
		return &upkeep.Tally{Machines: map[string]upkeep.Count{"thickness planer": {Hours: 102.5, Today: 3}}, Collector: upkeep.Count{Hours: 411},
			Items: []upkeep.Item{{Name: "filter", Unit: upkeep.Hours, Used: 30, Every: 40}, {Name: "planer's knives", Unit: upkeep.Hours, Used: 41}}}
	})
	m.Queue("journal", func() Queue { return Queue{Waiting: 1, Room: 4096, Dropped: 2} })
	m.Broker(func() bool { return true })
	m.Node("annex", func() bool { return false })
	m.Node("shed", func() bool { return true })
	p := shop.Control()
	p.PowerUp, p.Midway = 0, true
	core, err := control.New(p)
	if err != nil {
		t.Fatal(err)
	}
	act := &tap{Plant: sim.New(sim.Default(p)), m: m}
	lp := loop.Params{Machines: len(p.Machines), Circuits: p.Circuits, Reading: m.Reading}
	for _, use := range shop.Channels() {
		// The plant speaks for the collector.
		lp.Channels = append(lp.Channels, loop.Channel{Machine: use.Machine, Collector: control.NoID, Circuits: use.Circuits})
	}
	l, err := loop.New(core, lp, act, m)
	if err != nil {
		t.Fatal(err)
	}
	read := func(channel int, at time.Duration, v sensor.Verdict, amps float32, h sensor.Health) {
		for next := act.now.Truncate(time.Second) + time.Second; next < at; next += time.Second {
			l.Advance(next)
			m.Snapshot(core.Snapshot(), l.Now())
		}
		l.Advance(at)
		act.now = at
		l.Read(sensor.Reading{Channel: channel, At: at, Onset: at - 30*ms, Verdict: v, Amps: amps, Health: h})
	}
	read(0, 10*ms, sensor.Idle, 0.01, sensor.Healthy)
	read(1, 10*ms, sensor.Idle, 0.02, sensor.Healthy)
	read(1, 2*time.Second, sensor.Running, 9.5, sensor.Healthy)
	read(1, 62*time.Second, sensor.Idle, 0.02, sensor.Healthy)
	read(0, 180*time.Second, sensor.Running, 5, sensor.Healthy)
	read(0, 190*time.Second, sensor.Unknown, 0, sensor.ReadError)
	l.Post(191*time.Second, control.Input{Kind: control.Ask, State: uint8(control.AskLift), Origin: control.Page})
	read(2, 200*time.Second, sensor.Running, 6.25, sensor.Healthy)
	m.Snapshot(core.Snapshot(), l.Now())
	m.Late(2 * ms)
	f := sensor.Frame{Channels: 3, Rate: 1000, Raw: make([]float32, 30)}
	m.Frame(&f, 12*ms)
	f.Index, f.At = 15, 15*ms // five scans are missing
	m.Frame(&f, 400*ms)       // and the frame is late
	m.Frame(&sensor.Frame{Err: errors.New("bus")}, 401*ms)
	m.Frame(&sensor.Frame{Source: 7}, 0) // of another rig: no harm
	m.Reading(sensor.Reading{Channel: 9})
	return m
}

// scrape returns what the handler serves to an older server.
func scrape(t testing.TB, m *Metrics) []byte {
	t.Helper()
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	if w.Code != 200 {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	return w.Body.Bytes()
}

// ours keeps the lines of our own families, without the Go version.
func ours(text []byte) string {
	var out []string
	for line := range strings.Lines(string(text)) {
		if strings.Contains(line, "kerfwind_") {
			out = append(out, strings.Replace(line, runtime.Version(), "goX", 1))
		}
	}
	return strings.Join(out, "")
}

// TestGolden holds every metric, its help and its value after a short day.
func TestGolden(t *testing.T) {
	got := ours(scrape(t, day(t)))
	golden := data + "metrics/day.txt"
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("(-want +got; -update writes it anew)\n%s", d)
	}
}

// TestValues states what the golden file's figures must be, from the script.
func TestValues(t *testing.T) {
	got := map[string]float64{}
	for line := range strings.Lines(ours(scrape(t, day(t)))) {
		if i := strings.LastIndexByte(line, ' '); line[0] != '#' {
			v, err := strconv.ParseFloat(strings.TrimSpace(line[i:]), 64)
			if err != nil {
				t.Fatal(err)
			}
			got[strings.TrimPrefix(line[:i], "kerfwind_")] = v
		}
	}
	for series, want := range map[string]float64{
		"control_seconds_total": 200,
		"collecting":            1,
		`machine_runs_total{machine="thickness planer"}`:           1,
		`machine_run_seconds_total{machine="thickness planer"}`:    60, // 2 s to 62 s
		`machine_run_seconds_total{machine="band saw"}`:            20, // from 180 s, also while its sensor is lost
		`machine_state{machine="band saw",state="unknown"}`:        1,
		`faults{fault="sensor-lost"}`:                              1,
		`faults_raised_total{fault="sensor-lost"}`:                 1,
		`requests_refused_total{reason="origin"}`:                  1,
		`channel_current_amperes{channel="c1"}`:                    0.02,
		`channel_current_amperes{channel="c7"}`:                    6.25,
		`channel_health{channel="c0",health="read error"}`:         1,
		`channel_health{channel="c0",health="healthy"}`:            0,
		`source_missed_scans_total{source="a"}`:                    5,
		`source_stale_frames_total{source="a"}`:                    1,
		`source_errors_total{source="a"}`:                          1,
		`source_frames_total{source="a"}`:                          3,
		"collector_starts_allowed":                                 6,
		"collector_starts_total":                                   2,
		"collector_starts_left":                                    4,
		`detection_latency_seconds_sum{edge="start"}`:              0.06, // two starts, 30 ms each
		`detection_latency_seconds_count{edge="stop"}`:             1,
		`command_latency_seconds_sum{output="collector"}`:          0.02, // off at the start, on, off, on: 5 ms each in the plant
		`command_latency_seconds_count{output="collector"}`:        4,
		`queue_dropped_total{queue="journal"}`:                     2,
		"broker_connected":                                         1,
		`machine_flow_cubic_meters_per_second{machine="band saw"}`: 0.35, // its gate alone is open
		"collector_flow_cubic_meters_per_second":                   0.4,
		`outlet_on{outlet="air cleaner"}`:                          1,
		`gate_moves_total{gate="planer",to="open"}`:                1,
		`gate_position{gate="band saw",position="open"}`:           1,
		`collection_delay_seconds_count`:                           2,
		`machine_unserved_seconds_total{machine="band saw"}`:       0.905, // answer 5 ms, travel 900 ms
		`events_total{event="machine-started"}`:                    2,
	} {
		if g, ok := got[series]; !ok || math.Abs(g-want) > 1e-6 {
			t.Errorf("%s is %v (%v), want %v", series, g, ok, want)
		}
	}
}

// TestLint is promtool's linter, as a library.
func TestLint(t *testing.T) {
	problems, err := testutil.GatherAndLint(day(t).reg)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		if !strings.HasPrefix(p.Metric, "go_") { // the library's own
			t.Errorf("%s: %s", p.Metric, p.Text)
		}
	}
}

// TestPromtool asks promtool itself.
func TestPromtool(t *testing.T) {
	promtool := peers.Require(t, "promtool", "Debian package prometheus")
	cmd := exec.Command(promtool, "check", "metrics")
	cmd.Stdin = strings.NewReader(ours(scrape(t, day(t))))
	if out, err := cmd.CombinedOutput(); err != nil || len(bytes.TrimSpace(out)) > 0 {
		t.Errorf("%v\n%s", err, out)
	}
}

// TestObserveAllocatesNothing: it runs on the loop's goroutine.
func TestObserveAllocatesNothing(t *testing.T) {
	shop := barn(t)
	m := New(shop, "test")
	core, err := control.New(shop.Control())
	if err != nil {
		t.Fatal(err)
	}
	s := core.Snapshot()
	events := []control.Event{{Kind: control.MachineStarted, At: time.Second, Onset: ms}, {Kind: control.StartHeldBack, Cause: control.ByInrush}}
	if n := testing.AllocsPerRun(100, func() {
		s.At += time.Second
		m.Observe(s, events)
		m.Reading(sensor.Reading{Channel: 1, Amps: 2, Health: sensor.Healthy})
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

// TestOddInput: what is out of range does no harm.
func TestOddInput(t *testing.T) {
	m := New(barn(t), "test")
	var events []control.Event
	for k := range 256 {
		events = append(events, control.Event{Kind: control.EventKind(k), Fault: control.FaultKind(k), ID: control.NoID, Cause: control.Cause(k)})
	}
	m.Observe(&control.Snapshot{At: -1, Machines: make([]control.MachineView, 70), Gates: []control.GateView{{Position: 99}}, Circuits: []control.Load{9},
		Faults: []control.FaultView{{Fault: 255}}}, events)
	m.Answered(control.Input{Kind: control.OutputIs, What: 200}, 0)
	m.Answered(control.Input{Kind: control.OutputIs, What: control.GateOpen, Seq: 5}, 0)
	scrape(t, m)
}

// names lists our families in a text exposition.
func names(text []byte) []string {
	var out []string
	for line := range strings.Lines(string(text)) {
		if f := strings.Fields(line); len(f) > 3 && f[1] == "TYPE" {
			out = append(out, f[2])
			if f[3] == "histogram" {
				out = append(out, f[2]+"_bucket", f[2]+"_sum", f[2]+"_count")
			}
		}
	}
	slices.Sort(out)
	return out
}

// write puts text into a file in a folder and returns its path.
func write(t testing.TB, folder, name, text string) string {
	t.Helper()
	path := filepath.Join(folder, name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// BenchmarkObserve measures what the loop pays for an event.
func BenchmarkObserve(b *testing.B) {
	shop := barn(b)
	m := New(shop, "test")
	core, err := control.New(shop.Control())
	if err != nil {
		b.Fatal(err)
	}
	s := core.Snapshot()
	events := []control.Event{{Kind: control.GateIsOpen}}
	b.ReportAllocs()
	for b.Loop() {
		m.Observe(s, events)
	}
}

// TestUncollected: the fault of a machine is its gauge, and no other's.
func TestUncollected(t *testing.T) {
	shop := barn(t)
	m := New(shop, "test")
	s := &control.Snapshot{Machines: make([]control.MachineView, 2), Faults: []control.FaultView{{Fault: control.Uncollected, Cause: control.ByGate, ID: 1}}}
	m.Observe(s, nil)
	one, other := `kerfwind_uncollected{machine="`+shop.Machines[1].Name+`"} `, `kerfwind_uncollected{machine="`+shop.Machines[0].Name+`"} `
	if text := string(scrape(t, m)); !strings.Contains(text, one+"1") || !strings.Contains(text, other+"0") {
		t.Error(text)
	}
	s.Faults = nil
	m.Observe(s, nil)
	if text := string(scrape(t, m)); !strings.Contains(text, one+"0") {
		t.Error(text)
	}
}
