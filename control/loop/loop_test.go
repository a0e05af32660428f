package loop

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"kerfwind/control"
	"kerfwind/control/sim"
	"kerfwind/sensor"
)

var _ Timed = (*sim.Plant)(nil)

const ms = time.Millisecond

// shop is a shop of machines with a gate each, all on one circuit with the
// collector's.
func shop(machines int) control.Params {
	p := control.Defaults()
	p.PowerUp, p.Midway = 0, true
	p.RunOn = func(control.ID, uint64) time.Duration { return 5 * time.Second }
	p.Circuits = []control.Circuit{{Name: "wall", Rating: 20}}
	for i := range machines {
		name := fmt.Sprintf("m%d", i)
		p.Gates = append(p.Gates, control.Gate{Name: name, Travel: 900 * ms, Actuated: true})
		p.Machines = append(p.Machines, control.Machine{Name: name, Hoods: []control.Hood{{Gates: []control.ID{control.ID(i)}}}, Circuit: 0})
	}
	return p
}

// log keeps what the loop does, in order.
type log struct {
	*sim.Plant
	lines []string
}

func (l *log) Apply(c control.Command) {
	l.lines = append(l.lines, fmt.Sprintf("do %v %d", c.Kind, c.ID))
	l.Plant.Apply(c)
}

func (l *log) Observe(s *control.Snapshot, events []control.Event) {
	for _, e := range events {
		l.lines = append(l.lines, fmt.Sprintf("%v %v %d", e.At, e.Kind, e.ID))
	}
	if len(s.Machines) == 0 {
		l.lines = append(l.lines, "no snapshot")
	}
}

// take hands over what was logged since the last call.
func (l *log) take() []string {
	out := l.lines
	l.lines = nil
	return out
}

// start makes a loop of the shop with one channel a machine, unless told.
func start(t *testing.T, p control.Params, lp Params) (*Loop, *log) {
	t.Helper()
	core, err := control.New(p)
	if err != nil {
		t.Fatal(err)
	}
	lp.Machines, lp.Circuits = len(p.Machines), p.Circuits
	if lp.Channels == nil {
		for i := range p.Machines {
			lp.Channels = append(lp.Channels, Channel{Machine: control.ID(i), Collector: control.NoID, Circuits: []control.ID{0}})
		}
	}
	out := &log{Plant: sim.New(sim.Default(p))}
	l, err := New(core, lp, out, out)
	if err != nil {
		t.Fatal(err)
	}
	return l, out
}

func reading(channel int, at time.Duration, v sensor.Verdict, amps float32) sensor.Reading {
	return sensor.Reading{Channel: channel, At: at, Onset: at - 20*ms, Verdict: v, Amps: amps, Health: sensor.Healthy}
}

// TestCommandsBeforeObservers: a step's commands are on their way before
// anybody is told, and inputs of one instant come by kind and ID, whatever the
// order of the readings.
func TestCommandsBeforeObservers(t *testing.T) {
	l, out := start(t, shop(3), Params{})
	l.take([]sensor.Reading{reading(0, ms, sensor.Idle, 0), reading(1, ms, sensor.Idle, 0), reading(2, ms, sensor.Idle, 0)})
	out.take()
	l.take([]sensor.Reading{reading(2, 10*ms, sensor.Running, 5), reading(0, 10*ms, sensor.Running, 5)})
	want := []string{
		"do gate-open 0", "10ms machine-started 0", "10ms gate-opening 0",
		"do gate-open 2", "10ms machine-started 2", "10ms gate-opening 2",
	}
	if d := cmp.Diff(want, out.take()); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}

// TestTwoLegs: a machine with two transformers runs while either says so, is
// unknown if none says so and one cannot be trusted, and does not flicker
// when one leg takes over from the other within an instant.
func TestTwoLegs(t *testing.T) {
	p := shop(1)
	both := []Channel{{Machine: 0, Collector: control.NoID}, {Machine: 0, Collector: control.NoID}}
	const no = sensor.Verdict(0)
	for _, c := range []struct {
		name         string
		first, then  [2]sensor.Verdict
		want         string // event after then
		wantsNothing bool
	}{
		{"either leg starts it", [2]sensor.Verdict{sensor.Idle, sensor.Idle}, [2]sensor.Verdict{no, sensor.Running}, "machine-started", false},
		{"one leg stops, the other goes on", [2]sensor.Verdict{sensor.Running, sensor.Running}, [2]sensor.Verdict{sensor.Idle, no}, "", true},
		{"legs change over", [2]sensor.Verdict{sensor.Running, sensor.Idle}, [2]sensor.Verdict{sensor.Idle, sensor.Running}, "", true},
		{"both stop", [2]sensor.Verdict{sensor.Running, sensor.Running}, [2]sensor.Verdict{sensor.Idle, sensor.Idle}, "machine-stopped", false},
		{"lost, but the other runs", [2]sensor.Verdict{sensor.Running, sensor.Running}, [2]sensor.Verdict{sensor.Unknown, no}, "", true},
		{"lost, and the other stops", [2]sensor.Verdict{sensor.Unknown, sensor.Running}, [2]sensor.Verdict{no, sensor.Idle}, "machine-unknown", false},
		{"one idle, the other has not spoken", [2]sensor.Verdict{}, [2]sensor.Verdict{sensor.Idle, no}, "", true},
		{"one unknown, the other has not spoken", [2]sensor.Verdict{}, [2]sensor.Verdict{no, sensor.Unknown}, "", true},
		{"one runs, the other has not spoken", [2]sensor.Verdict{}, [2]sensor.Verdict{sensor.Running, no}, "machine-started", false},
		{"and the silent one runs", [2]sensor.Verdict{}, [2]sensor.Verdict{no, sensor.Running}, "machine-started", false},
		{"it ran, the other has never spoken", [2]sensor.Verdict{sensor.Running, no}, [2]sensor.Verdict{sensor.Idle, no}, "machine-unknown", false},
		{"the second speaks at last", [2]sensor.Verdict{no, sensor.Running}, [2]sensor.Verdict{sensor.Idle, no}, "", true},
		{"the second speaks at last, idle both", [2]sensor.Verdict{no, sensor.Idle}, [2]sensor.Verdict{sensor.Unknown, no}, "machine-unknown", false},
	} {
		l, out := start(t, p, Params{Channels: both})
		feed := func(at time.Duration, vs [2]sensor.Verdict) {
			var rs []sensor.Reading
			for ch, v := range vs {
				if v != no {
					rs = append(rs, reading(ch, at, v, 1))
				}
			}
			l.take(rs)
		}
		feed(ms, c.first)
		out.take()
		feed(2*ms, c.then)
		got := strings.Join(out.take(), "\n")
		if c.wantsNothing && strings.Contains(got, "machine") || !strings.Contains(got, c.want) || strings.Count(got, "machine-") > 1 {
			t.Errorf("%s: want %q, got\n%s", c.name, c.want, got)
		}
	}
}

// TestDeadlinesAtTheirOwnInstant: one long step of time and many short ones
// do the same, each event at its own instant.
func TestDeadlinesAtTheirOwnInstant(t *testing.T) {
	run := func(step time.Duration) []string {
		l, out := start(t, shop(2), Params{})
		l.take([]sensor.Reading{reading(0, ms, sensor.Idle, 0), reading(1, ms, sensor.Idle, 0)})
		l.Read(reading(0, 100*ms, sensor.Running, 9))
		for at := step; at < 2*time.Second; at += step {
			l.Advance(at)
		}
		l.Read(reading(0, 2*time.Second, sensor.Idle, 0))
		for at := 2 * time.Second; at < 3*time.Minute; at += step {
			l.Advance(at)
		}
		l.Advance(3 * time.Minute)
		if l.Now() != 3*time.Minute {
			t.Errorf("now is %v", l.Now())
		}
		return out.take()
	}
	want := run(time.Hour)
	if n := len(want); n < 10 {
		t.Fatalf("only %d lines: %q", n, want)
	}
	for _, step := range []time.Duration{time.Second, 37 * ms} {
		if d := cmp.Diff(want, run(step)); d != "" {
			t.Errorf("steps of %v differ (-hour +steps)\n%s", step, d)
		}
	}
	all := strings.Join(want, "\n")
	// Confirmed at 350 ms, open after the driver's answer (5 ms) and the travel.
	if !strings.Contains(all, "1.005s collector-on 0") {
		t.Errorf("want the collector on when the gate is open:\n%s", all)
	}
}

// TestDeadSource: a source that falls silent makes its machines unknown by
// the passing of time alone.
func TestDeadSource(t *testing.T) {
	det, err := sensor.New(sensor.Params{Mains: 50, Channels: []sensor.ChannelParams{
		{Used: true, Channel: 0, Scale: 1, Start: 0.6, Stop: 0.4, StopHold: time.Second},
	}})
	if err != nil {
		t.Fatal(err)
	}
	l, out := start(t, shop(1), Params{Detectors: []*sensor.Detector{det}})
	f := sensor.Frame{Channels: 1, Rate: 1000, Raw: make([]float32, 200)}
	for i := range f.Raw {
		f.Raw[i] = float32(8 * math.Sqrt2 * math.Sin(2*math.Pi*50*float64(i)/1000))
	}
	l.Feed(&f)
	if got := strings.Join(out.take(), "\n"); !strings.Contains(got, "machine-started 0") {
		t.Fatalf("no start:\n%s", got)
	}
	if l.Amps(0) < 7.9 || l.Amps(0) > 8.1 {
		t.Errorf("%v A, want 8", l.Amps(0))
	}
	l.Advance(time.Second)
	got := out.take()
	want := "500ms machine-unknown 0" // 200 ms of samples, then DefaultStale
	if all := strings.Join(got, "\n"); !strings.Contains(all, want) {
		t.Errorf("want %q in\n%s", want, all)
	}
	l.Feed(&sensor.Frame{Source: 9}) // of another rig: no harm
	l.Read(reading(7, time.Second, sensor.Running, 1))
}

// TestCircuitClass: the sum of a circuit's currents is classed, with a
// margin on the way down; an unknown part makes it unknown unless the rest is
// too much already.
func TestCircuitClass(t *testing.T) {
	l, _ := start(t, shop(2), Params{})
	at := time.Duration(0)
	for _, c := range []struct {
		a, b       float32
		av, bv     sensor.Verdict
		want       control.Load
		wantNoNews bool
	}{
		{1, 0, sensor.Idle, 0, 0, true}, // the other has not spoken
		{1, 1, sensor.Idle, sensor.Idle, control.Fits, false},
		{8, 7.9, sensor.Running, sensor.Running, control.Fits, true},
		{8, 8.1, sensor.Running, sensor.Running, control.Near, false},
		{8, 7.5, sensor.Running, sensor.Running, control.Near, true}, // within the margin
		{8, 7.1, sensor.Running, sensor.Running, control.Fits, false},
		{15, 6, sensor.Running, sensor.Running, control.Over, false},
		{15, 4.5, sensor.Running, sensor.Running, control.Over, true},
		{15, 3.9, sensor.Running, sensor.Running, control.Near, false},
		{15, 0, sensor.Running, sensor.Unknown, control.LoadUnknown, false},
		{17, 0, sensor.Running, sensor.Unknown, control.Near, false},
	} {
		at += 10 * ms
		l.channels[0] = channelState{verdict: c.av, amps: c.a}
		l.channels[1] = channelState{verdict: c.bv, amps: c.b}
		got := l.loads(nil)
		switch {
		case c.wantNoNews && len(got) != 0:
			t.Errorf("%v + %v A: news %v, want none", c.a, c.b, got)
		case !c.wantNoNews && (len(got) != 1 || control.Load(got[0].State) != c.want):
			t.Errorf("%v + %v A: got %v, want %v", c.a, c.b, got, c.want)
		}
	}
}

// TestTimeNeverGoesBack: readings that come late are stepped now, and
// whatever the order of calls the events' times only grow.
func TestTimeNeverGoesBack(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	var last time.Duration
	l, _ := start(t, shop(3), Params{})
	l.obs = append(l.obs, observer(func(events []control.Event) {
		for _, e := range events {
			if e.At < last {
				t.Fatalf("%v after %v", e.At, last)
			}
			last = e.At
		}
	}))
	n := 0
	for range 5000 {
		at := time.Duration(rng.IntN(n+1000)) * ms
		switch rng.IntN(3) {
		case 0:
			l.Read(reading(rng.IntN(3), at, sensor.Verdict(1+rng.IntN(3)), 4))
		case 1:
			l.Post(at, control.Input{Kind: control.Ask, State: uint8(control.AskHold), Origin: control.Page, ID: control.ID(rng.IntN(3)), For: time.Second})
		default:
			l.Advance(at)
		}
		n += 50
	}
	if last == 0 {
		t.Error("nothing happened")
	}
}

type observer func([]control.Event)

func (f observer) Observe(_ *control.Snapshot, e []control.Event) { f(e) }

// TestNewReportsAll: every channel that points nowhere is named.
func TestNewReportsAll(t *testing.T) {
	core, err := control.New(shop(1))
	if err != nil {
		t.Fatal(err)
	}
	_, err = New(core, Params{Machines: 1, Channels: []Channel{
		{Machine: 1, Collector: control.NoID},
		{Machine: control.NoID, Collector: control.NoID, Circuits: []control.ID{3}},
	}}, sim.New(sim.Params{}))
	if err == nil || !strings.Contains(err.Error(), "channel 0 senses machine 1 of 1") || !strings.Contains(err.Error(), "channel 1 loads circuit 3 of 0") {
		t.Errorf("got %v", err)
	}
}

// TestHaltPassesOn: the outputs go inert.
func TestHaltPassesOn(t *testing.T) {
	l, out := start(t, shop(1), Params{})
	l.Read(reading(0, ms, sensor.Running, 8))
	l.Advance(10 * time.Second)
	if !out.Powered() {
		t.Fatal("the collector does not run")
	}
	if err := l.Halt(); err != nil || out.Powered() {
		t.Errorf("halt: %v, powered %v", err, out.Powered())
	}
}

// BenchmarkFeed is a second of 8 channels at 2,000 scans a second through
// detector, loop, core and plant, at rest.
func BenchmarkFeed(b *testing.B) {
	p := shop(8)
	core, err := control.New(p)
	if err != nil {
		b.Fatal(err)
	}
	var sp sensor.Params
	var channels []Channel
	for i := range 8 {
		sp.Channels = append(sp.Channels, sensor.ChannelParams{Used: true, Channel: i, Scale: 1, Start: 0.6, Stop: 0.4, StopHold: time.Second})
		channels = append(channels, Channel{Machine: control.ID(i), Collector: control.NoID, Circuits: []control.ID{0}})
	}
	det, err := sensor.New(sp)
	if err != nil {
		b.Fatal(err)
	}
	l, err := New(core, Params{Detectors: []*sensor.Detector{det}, Channels: channels, Machines: 8, Circuits: p.Circuits}, sim.New(sim.Default(p)))
	if err != nil {
		b.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(7, 7))
	f := sensor.Frame{Channels: 8, Rate: 2000, Raw: make([]float32, 8*2000)}
	for i := range f.Raw {
		f.Raw[i] = float32(rng.NormFloat64() * 0.02)
	}
	b.ReportAllocs()
	for b.Loop() {
		l.Feed(&f)
		f.Index += 2000
		f.At += time.Second
	}
	b.ReportMetric(b.Elapsed().Seconds()*1e9/float64(b.N)/float64(len(f.Raw)), "ns/sample")
}

// TestOnsetOfLegs: a machine started when its first leg did and stopped when
// its last did, and it is not said twice.
func TestOnsetOfLegs(t *testing.T) {
	l, _ := start(t, shop(1), Params{Channels: []Channel{{Machine: 0, Collector: control.NoID}, {Machine: 0, Collector: control.NoID}}})
	for _, c := range []struct {
		v     sensor.Verdict
		onset [2]time.Duration
		want  time.Duration
	}{
		{sensor.Running, [2]time.Duration{30 * ms, 20 * ms}, 20 * ms},
		{sensor.Idle, [2]time.Duration{70 * ms, 80 * ms}, 80 * ms},
		{sensor.Running, [2]time.Duration{90 * ms, 95 * ms}, 90 * ms},
		{sensor.Idle, [2]time.Duration{120 * ms, 110 * ms}, 120 * ms},
	} {
		for i := range l.channels {
			l.channels[i] = channelState{verdict: c.v, onset: c.onset[i]}
		}
		in, ok := l.machine(0)
		if !ok || in.Onset != c.want || in.State != uint8(c.v) {
			t.Errorf("%v %v: got %+v, %v; want onset %v", c.v, c.onset, in, ok, c.want)
		}
		if in, ok := l.machine(0); ok {
			t.Errorf("%v said twice: %+v", c.v, in)
		}
	}
}

// TestBurstStartsNoMotor: a burst of current makes the machine run for as long as
// the stop hold lasts, and its gate may move; the motor starts only after the
// current itself has lasted confirm.
func TestBurstStartsNoMotor(t *testing.T) {
	play := func(burst time.Duration) string {
		det, err := sensor.New(sensor.Params{Mains: 50, Channels: []sensor.ChannelParams{
			{Used: true, Channel: 0, Scale: 1, Start: 0.6, Stop: 0.4, StopHold: time.Second},
		}})
		if err != nil {
			t.Fatal(err)
		}
		l, out := start(t, shop(1), Params{Detectors: []*sensor.Detector{det}})
		f := sensor.Frame{Channels: 1, Rate: 1000, Raw: make([]float32, 4000)}
		for i := range f.Raw {
			if at := time.Duration(i) * ms; at >= 500*ms && at < 500*ms+burst {
				f.Raw[i] = float32(3 * math.Sqrt2 * math.Sin(2*math.Pi*50*float64(i)/1000))
			}
		}
		l.Feed(&f)
		return strings.Join(out.take(), "\n")
	}
	for burst, want := range map[time.Duration]bool{30 * ms: false, 150 * ms: false, 2 * time.Second: true} {
		got := play(burst)
		if !strings.Contains(got, "machine-started 0") || !strings.Contains(got, "do gate-open 0") {
			t.Errorf("a burst of %v: no machine is seen to run, or no gate moves:\n%s", burst, got)
		}
		if on := strings.Contains(got, "collector-on"); on != want {
			t.Errorf("a burst of %v starts the collector: %v, want %v\n%s", burst, on, want, got)
		}
	}
}
