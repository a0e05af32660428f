package rig

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/sensor"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func shop(t *testing.T, rigText, shopText string) *config.Shop {
	t.Helper()
	r, err := config.ParseRig("rig.toml", []byte(rigText))
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.ParseShop("shop.toml", []byte(shopText), r)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

const testRig = `format = 1
adc = [{ name = "a", chip = "mcp3208", port = "/dev/spidev0.0", rate = "1 kHz" }]
channel = [{ name = "c0", adc = "a", input = 3, ratio = "30 A : 1 V" }]
contact = [
  { name = "door", kind = "stop", chip = "pins", line = 22, closed = "ok" },
  { name = "level", kind = "bin", chip = "pins", line = 23, closed = "full" },
  { name = "unused", kind = "button", chip = "pins", line = 24, closed = "pressed" },
  { name = "sander", kind = "machine", chip = "pins", line = 25, closed = "running", debounce = "5 ms" },
  { name = "g1 open", kind = "gate-open", chip = "ends", line = 0, closed = "away" },
]
actuator = [
  { name = "g0", kind = "servo", bus = "/dev/i2c-1", address = 0x41, output = 3, pulse_open = "1.9 ms", pulse_shut = "1.1 ms", slow = "600 ms", release = "2 s" },
  { name = "g1", kind = "motor", chip = "pins", open_line = 5, shut_line = 6, active = "low" },
  { name = "g2", kind = "relay", chip = "pins", line = 7 },
  { name = "k0", kind = "relay", chip = "pins", line = 17 },
  { name = "k1", kind = "relay", chip = "pins", line = 27, active = "low" },
]
servo_chip = [{ bus = "/dev/i2c-1", address = 0x41, chip = "pins", line = 4 }]
heartbeat = { chip = "pins", line = 16, drops_after = "2 s" }
`

const testShop = `format = 1
units = "metric"
mains = { frequency = "60 Hz", voltage = "240 V" }
machine = [
  { name = "planer", channels = ["c0"], gates = ["main", "valve"], run_on = "2 s", stop_hold = "0 s" },
  { name = "sander", contacts = ["sander"], gates = ["slow"], run_on = "2 s" },
]
gate = [
  { name = "valve", actuator = "g2", travel = "500 ms" },
  { name = "main", actuator = "g1", travel = "3 s", open_switch = "g1 open" },
  { name = "slow", actuator = "g0", travel = "900 ms" },
]
collector = { actuator = "k0", coast = "1 s", clear_out = "1 s", starts_per_hour = 6, min_on = "1 s", min_off = "1 s" }
outlet = [{ name = "air cleaner", actuator = "k1", follows = ["planer"], run_on = "1 s" }]
limits = { power_up = "0 s" }
`

// The numbers of the shop, not those of the rig, are what control counts in.
func TestWiring(t *testing.T) {
	s := shop(t, testRig, testShop)
	got, err := Wiring(s)
	if err != nil {
		t.Fatal(err)
	}
	pin := func(n int) drive.Line { return drive.Line{Chip: "pins", Offset: n} }
	want := drive.Params{
		Collector: &drive.Relay{Name: "k0", Line: pin(17)},
		Outlets:   []drive.Outlet{{Relay: &drive.Relay{Name: "k1", Line: pin(27), ActiveLow: true}}},
		Gates: []drive.Gate{
			{Relay: &drive.Relay{Name: "g2", Line: pin(7)}},
			{Motor: &drive.Motor{Name: "g1", Open: pin(5), Shut: pin(6), ActiveLow: true, Longest: 3 * time.Second}},
			{Servo: &drive.Servo{Name: "g0", Bus: "/dev/i2c-1", Address: 0x41, Output: 3, Open: 1900 * time.Microsecond, Shut: 1100 * time.Microsecond, Travel: 900 * time.Millisecond,
				Slow: 600 * time.Millisecond, Release: 2 * time.Second}},
		},
		Contacts: []drive.Contact{
			{Name: "door", Line: pin(22), Debounce: 20 * time.Millisecond, Closed: false, Means: drive.StopActs, ID: 0},
			{Name: "level", Line: pin(23), Debounce: 20 * time.Millisecond, Closed: true, Means: drive.BinFull},
			{Name: "sander", Line: pin(25), Debounce: 5 * time.Millisecond, Closed: true, Means: drive.MachineRuns, ID: 1},
			{Name: "g1 open", Line: drive.Line{Chip: "ends", Offset: 0}, Debounce: 20 * time.Millisecond, Closed: false, Means: drive.GateIsOpen, ID: 1},
		},
		Chips: []drive.Chip{{Bus: "/dev/i2c-1", Address: 0x41,
			Enable: &drive.Relay{Name: "servo chip 0x41", Line: pin(4), ActiveLow: true}}},
		Heartbeat: &drive.Heartbeat{Line: pin(16), Every: 500 * time.Millisecond},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	p := s.Control()
	answers(&p, &got)
	if a := p.Gates; a[0].Answer != p.Answer || a[1].Answer != p.Answer || a[2].Answer != p.Answer+drive.Stagger {
		t.Errorf("answers of a relay, a motor and a lone servo within %v, %v and %v", a[0].Answer, a[1].Answer, a[2].Answer)
	}
	// Halting needs every output of the rig, in whatever order.
	all, err := Everything(s.Rig)
	if err != nil || len(all.Gates) != 2 || len(all.Outlets) != 3 || len(all.Chips) != 1 || all.Heartbeat == nil {
		t.Errorf("%+v, %v", all, err)
	}
}

func TestLock(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "run")
	l, err := TakeLock(dir)
	if err != nil {
		t.Fatal(err)
	}
	_, err = TakeLock(dir)
	var held *Held
	if !errors.As(err, &held) || held.PID != fmt.Sprint(os.Getpid()) || !strings.Contains(err.Error(), "systemctl stop kerfwind") {
		t.Errorf("a second lock: %v", err)
	}
	if err := l.Free(); err != nil {
		t.Error(err)
	}
	if l, err = TakeLock(dir); err != nil {
		t.Errorf("after it was given back: %v", err)
	} else if err := l.Free(); err != nil {
		t.Error(err)
	}
	if _, err := TakeLock("/proc/no such folder"); err == nil || !strings.Contains(err.Error(), "--runtime") {
		t.Errorf("a folder that cannot be: %v", err)
	}
}

func TestFolder(t *testing.T) {
	t.Setenv("RUNTIME_DIRECTORY", "/run/a:/run/b")
	for given, want := range map[string]string{"/x": "/x", "": "/run/a"} {
		if got := Folder(given); got != want {
			t.Errorf("%q: %q, want %q", given, got, want)
		}
	}
	t.Setenv("RUNTIME_DIRECTORY", "")
	if got := Folder(""); got != "/run/kerfwind" {
		t.Error(got)
	}
}

// Converters that are not there are told on their streams, with the remedy.
func TestSourcesMissing(t *testing.T) {
	if _, err := os.Stat("/dev/spidev0.0"); err == nil {
		t.Skip("this computer has SPI")
	}
	r, err := config.ParseRig("rig.toml", []byte(`format = 1
adc = [
  { name = "a", chip = "mcp3208", port = "/dev/spidev0.0", rate = "1 kHz" },
  { name = "b", chip = "ads1115", port = "/dev/i2c-77", rate = "400 Hz", vref = "4.096 V" },
]
channel = [
  { name = "c0", adc = "a", input = 3, ratio = "30 A : 1 V" },
  { name = "c1", adc = "b", input = 1, ratio = "30 A : 1 V", bias = "1.65 V" },
]
`))
	if err != nil {
		t.Fatal(err)
	}
	list, err := Sources(r, func() time.Duration { return 0 })
	if err != nil {
		t.Fatal(err)
	}
	for i, part := range []string{"SPI on", "/dev/i2c-77"} {
		var f sensor.Frame
		if err := list[i].Next(&f); err != nil || f.Err == nil || !strings.Contains(f.Err.Error(), part) {
			t.Errorf("%v, %v; want %q", err, f.Err, part)
		}
	}
}

// bench is hardware without a chip: lines that remember, contacts that can be
// closed.
type bench struct {
	mu       sync.Mutex
	on       map[drive.Line]bool
	contacts map[drive.Line]*switchy
	now      func() time.Duration
}

type wire struct {
	b *bench
	l drive.Line
}

func (w wire) Set(on bool) error {
	w.b.mu.Lock()
	defer w.b.mu.Unlock()
	w.b.on[w.l] = on
	return nil
}
func (w wire) Close() error { return nil }

type switchy struct {
	edges  chan bool
	closed bool // at first
}

func (s *switchy) Closed() (bool, error) { return s.closed, nil }
func (s *switchy) Next() (bool, time.Duration, error) {
	c, ok := <-s.edges
	if !ok {
		return false, 0, io.EOF
	}
	return c, 0, nil
}
func (s *switchy) Close() error { close(s.edges); return nil }

func (b *bench) Output(l drive.Line, _ bool, _ string) (drive.Output, error) { return wire{b, l}, nil }

func (b *bench) Input(l drive.Line, _ time.Duration, _ string) (drive.Input, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.contacts[l] = &switchy{make(chan bool, 4), l.Chip == "ends"}
	return b.contacts[l], nil
}

// Bus is a bus on which a chip takes everything and reads back what it took.
func (b *bench) Bus(string) (drive.Bus, error) { return &bus{}, nil }

type bus struct {
	reg [256]byte
	at  byte
}

func (b *bus) Tx(_ uint16, w, r []byte) error {
	if len(w) > 0 {
		b.at = w[0]
		copy(b.reg[b.at:], w[1:])
	}
	copy(r, b.reg[b.at:])
	return nil
}
func (b *bus) Close() error { return nil }

func (b *bench) is(n int) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.on[drive.Line{Chip: "pins", Offset: n}]
}

// coil is a converter in the bubble's time: a sine on its one channel, high
// while it cuts.
type coil struct {
	now    func() time.Duration
	mu     sync.Mutex
	cut    bool
	index  uint64
	closed bool
}

func (c *coil) Next(f *sensor.Frame) error {
	const rate, scans = 1000, 10
	time.Sleep(scans * time.Second / rate) // the bubble's
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed {
		return io.EOF
	}
	*f = sensor.Frame{Channels: 1, Index: c.index, At: time.Duration(c.index) * time.Millisecond, Rate: rate, Raw: f.Raw[:0]}
	high := 4.0
	if c.cut {
		high = 470
	}
	for i := range scans {
		t := float64(c.index+uint64(i)) / rate
		f.Raw = append(f.Raw, float32(2048+math.Round(high*math.Sin(2*math.Pi*60*t))))
	}
	c.index += scans
	return nil
}

func (c *coil) Close() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.closed = true
	return nil
}

func (c *coil) set(cut bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cut = cut
}

// story is what happened, in words.
type story struct {
	names *timeline.Names
	mu    sync.Mutex
	lines []string
}

func (s *story) Observe(_ *control.Snapshot, events []control.Event) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, e := range events {
		l := timeline.FromEvent(e, s.names)
		s.lines = append(s.lines, strings.TrimSpace(l.Event+" "+l.Name))
	}
}

func (s *story) has(line string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Contains(s.lines, line)
}

// The whole chain in the bubble's time: a current and a contact become gates
// and a collector; the end of the context makes everything inert.
func TestLive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := shop(t, testRig, testShop)
		began := time.Now()
		now := func() time.Duration { return time.Since(began) }
		b := &bench{on: map[drive.Line]bool{}, contacts: map[drive.Line]*switchy{}, now: now}
		c := &coil{now: now}
		l, err := Open(Options{Shop: s, Hardware: b, Now: now, Notice: func(err error) { t.Error(err) },
			Sources: func(*config.Rig, func() time.Duration) ([]sensor.Source, error) { return []sensor.Source{c}, nil }})
		if err != nil {
			t.Fatal(err)
		}
		st := &story{names: &l.Names}
		ctx, cancel := context.WithCancel(t.Context())
		end := make(chan error)
		go func() { end <- l.Run(ctx, st) }()
		pin := func(n int) *switchy { return b.contacts[drive.Line{Chip: "pins", Offset: n}] }
		pin(22).edges <- true // the door is shut
		time.Sleep(time.Second / 10)
		if !l.Ask(control.Input{Kind: control.Ask, State: uint8(control.AskReset), Origin: control.Console}) {
			t.Error("no room for a request")
		}
		time.Sleep(5 * time.Second) // gates are homed
		c.set(true)
		time.Sleep(400 * time.Millisecond)
		if !st.has("machine-started planer") || !b.is(7) || !b.is(5) || b.is(17) {
			t.Errorf("valve %v, main gate %v, collector %v: %q", b.is(7), b.is(5), b.is(17), st.lines)
		}
		b.contacts[drive.Line{Chip: "ends", Offset: 0}].edges <- false // open: the gate is there
		time.Sleep(time.Second)
		if !st.has("gate-open main") || b.is(5) || !b.is(17) || !b.is(27) {
			t.Errorf("main gate's motor %v, collector %v, outlet %v: %q", b.is(5), b.is(17), b.is(27), st.lines)
		}
		pin(25).edges <- true
		time.Sleep(time.Second)
		if !st.has("machine-started sander") || !st.has("gate-open slow") {
			t.Errorf("%q", st.lines)
		}
		cancel()
		if err := <-end; err != nil {
			t.Error(err)
		}
		for n := range 30 {
			if b.is(n) {
				t.Errorf("line %d is on at the end", n)
			}
		}
		if l.Ask(control.Input{}); len(l.asks) != 1 {
			t.Error("a request after the end went somewhere")
		}
	})
}

// Stood down, nothing is commanded.
func TestLiveStoodDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := shop(t, testRig, testShop)
		began := time.Now()
		now := func() time.Duration { return time.Since(began) }
		b := &bench{on: map[drive.Line]bool{}, contacts: map[drive.Line]*switchy{}, now: now}
		c := &coil{now: now, cut: true}
		l, err := Open(Options{Shop: s, Hardware: b, Now: now, StoodDown: true, Notice: func(err error) { t.Error(err) },
			Sources: func(*config.Rig, func() time.Duration) ([]sensor.Source, error) { return []sensor.Source{c}, nil }})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		st := &story{names: &l.Names}
		if err := l.Run(ctx, st); err != nil {
			t.Error(err)
		}
		for _, line := range st.lines {
			if strings.HasPrefix(line, "gate-") || strings.HasPrefix(line, "collector-on") {
				t.Errorf("%s while stood down", line)
			}
		}
		if !st.has("machine-started planer") {
			t.Errorf("it did not see the machine: %q", st.lines)
		}
	})
}

// A panic in a goroutine makes the outputs inert and goes on.
func TestGuard(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := shop(t, testRig, testShop)
		began := time.Now()
		now := func() time.Duration { return time.Since(began) }
		b := &bench{on: map[drive.Line]bool{}, contacts: map[drive.Line]*switchy{}, now: now}
		l, err := Open(Options{Shop: s, Hardware: b, Now: now, Notice: func(error) {},
			Sources: func(*config.Rig, func() time.Duration) ([]sensor.Source, error) { return nil, nil }})
		if err != nil {
			t.Fatal(err)
		}
		l.driver.Apply(control.Command{Seq: 1, Kind: control.CollectorOn})
		synctest.Wait()
		if !b.is(17) {
			t.Fatal("not on")
		}
		func() {
			defer func() {
				if recover() == nil {
					t.Error("the panic was swallowed")
				}
			}()
			l.Guard(func() { panic("a fault") })
		}()
		if b.is(17) {
			t.Error("on after a panic")
		}
		l.close()
	})
}

// Sources that cannot be had leave no line held and say all that is wrong.
func TestOpenFails(t *testing.T) {
	s := shop(t, testRig, testShop)
	b := &bench{on: map[drive.Line]bool{}, contacts: map[drive.Line]*switchy{}}
	_, err := Open(Options{Shop: s, Hardware: b, Now: func() time.Duration { return 0 }, Notice: func(error) {},
		Sources: func(*config.Rig, func() time.Duration) ([]sensor.Source, error) {
			return nil, errors.New("no converter")
		}})
	if err == nil || err.Error() != "no converter" {
		t.Errorf("%v", err)
	}
}

// The demo's rig and shop can be wired.
func TestDemoCanBeWired(t *testing.T) {
	r, err := config.LoadRig("../../../../testdata/demo/rig.toml")
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.LoadShop("../../../../testdata/demo/shops/barn.toml", r)
	if err != nil {
		t.Fatal(err)
	}
	p, err := Wiring(s)
	if err != nil {
		t.Fatal(err)
	}
	if p.Collector == nil || len(p.Gates) != len(s.Gates) || len(p.Contacts) == 0 {
		t.Errorf("%+v", p)
	}
}
