package main

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/spi"

	"kerfwind/cmd/kerfwind/internal/doctor"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/wiresheet"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/sensor/adc"
	"kerfwind/testdata/chips"
)

// The conformance table: every kind of converter, output and contact that a rig
// file may have goes through check, the wiring sheet, doctor, a run, a hang, a
// kill, halt and replay, with its chip modelled by registers. What does not
// know a kind fails here and says which. The move-in has its own row, in
// internal/movein/kinds_test.go.

// chipSamples, outputSamples and contactUses are an example of each kind.
var chipSamples = map[config.ChipKind]string{
	config.MCP3208: `port = "/dev/spidev0.0", rate = "1 kHz"`,
	config.MCP3008: `port = "/dev/spidev0.1", rate = "1 kHz"`,
	config.ADS1115: `port = "/dev/i2c-1", address = 74, rate = "500 Hz", vref = "4.096 V"`,
}

var outputSamples = map[config.ActuatorKind]string{
	config.Relay:   `chip = "pinctrl-bcm2835", line = 22, active = "low"`,
	config.Servo:   `bus = "/dev/i2c-1", address = 65, output = 3`,
	config.Motor:   `chip = "pinctrl-bcm2835", open_line = 22, shut_line = 23`,
	config.OnTopic: `topic = "shop/sample/set"`,
}

// contactUses is where a shop names a contact of a kind; "" where it is the
// rig's own.
var contactUses = map[config.ContactKind]string{
	config.MachineContact:   `machine`,
	config.GateOpenSwitch:   `open_switch`,
	config.GateShutSwitch:   `shut_switch`,
	config.CollectorContact: `contact`,
	config.StopContact:      "",
	config.BinContact:       "",
	config.HandContact:      `hand`,
	config.OffContact:       `off`,
	config.ButtonContact:    `button`,
	config.StandDownContact: "",
	config.ResetContact:     "",
	config.AsideContact:     `aside`,
}

// floor is a modelled shop floor. It outlives a program that drives it.
type floor struct {
	t   testing.TB
	now func() time.Duration

	mu       sync.Mutex
	high     map[drive.Line]bool
	edges    map[drive.Line]int
	closed   map[drive.Line]bool
	inputs   map[drive.Line]chan bool
	servos   *chips.PCA9685 // at 0x41 of every bus
	told     map[string]string
	amps     float64 // through every transformer
	measured int     // scans
}

func newFloor(t testing.TB) *floor {
	began := time.Now()
	f := &floor{t: t, now: func() time.Duration { return time.Since(began) }, high: map[drive.Line]bool{}, edges: map[drive.Line]int{},
		closed: map[drive.Line]bool{}, inputs: map[drive.Line]chan bool{}, told: map[string]string{}}
	f.servos = chips.NewPCA9685(t, f.now)
	return f
}

type floorLine struct {
	f   *floor
	at  drive.Line
	low bool
}

func (l floorLine) Set(on bool) error {
	l.f.mu.Lock()
	defer l.f.mu.Unlock()
	if high := on != l.low; high != l.f.high[l.at] {
		l.f.high[l.at] = high
		l.f.edges[l.at]++
	}
	return nil
}
func (floorLine) Close() error { return nil }

func (f *floor) Output(l drive.Line, activeLow bool, _ string) (drive.Output, error) {
	o := floorLine{f, l, activeLow}
	return o, o.Set(false)
}

type floorContact struct {
	f    *floor
	at   drive.Line
	next chan bool
	quit chan struct{}
}

func (f *floor) Input(l drive.Line, _ time.Duration, _ string) (drive.Input, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.inputs[l] = make(chan bool, 1)
	return &floorContact{f, l, f.inputs[l], make(chan struct{})}, nil
}

func (c *floorContact) Closed() (bool, error) {
	c.f.mu.Lock()
	defer c.f.mu.Unlock()
	return c.f.closed[c.at], nil
}

func (c *floorContact) Next() (bool, time.Duration, error) {
	select {
	case closed := <-c.next:
		return closed, 0, nil
	case <-c.quit:
		return false, 0, os.ErrClosed
	}
}
func (c *floorContact) Close() error { close(c.quit); return nil }

// press closes or opens a contact.
func (f *floor) press(l drive.Line, closed bool) {
	f.mu.Lock()
	f.closed[l] = closed
	next := f.inputs[l]
	f.mu.Unlock()
	if next != nil {
		next <- closed
	}
}

type floorBus struct{ f *floor }

func (f *floor) Bus(string) (drive.Bus, error) { return floorBus{f}, nil }
func (floorBus) Close() error                  { return nil }
func (b floorBus) Tx(addr uint16, w, r []byte) error {
	if addr != 0x41 {
		return os.ErrNotExist
	}
	b.f.mu.Lock()
	defer b.f.mu.Unlock()
	b.f.servos.Transfer(w, r)
	return nil
}

func (f *floor) Publish(topic, payload string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.told[topic] = payload
	return nil
}

// volts is what a transformer of 30 A : 1 V on a bias of 1.65 V gives now.
func (f *floor) volts() float64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.measured++
	return 1.65 + f.amps/30*math.Sqrt2*math.Sin(2*math.Pi*60*f.now().Seconds())
}

func (f *floor) draw(amps float64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.amps = amps
}

type spiOf struct{ *chips.MCP }

func (s spiOf) TxPackets(p []spi.Packet) error { return s.MCP.TxPackets(p) }
func (spiOf) Close() error                     { return nil }

type i2cOf struct{ *chips.ADS1115 }

func (i2cOf) Close() error { return nil }

// ports are the floor's converters: what sits on SPI has 12 bits at 1 MHz and
// 10 bits above, what sits on I2C answers at 0x4a.
func (f *floor) ports() rig.Ports {
	return rig.Ports{
		SPI: func(_ string, clock float64) (func() (adc.SPI, error), error) {
			bits := 12
			if clock > 1e6 {
				bits = 10
			}
			m := &chips.MCP{Bits: bits, Input: func(int) int { return int(f.volts() / 3.3 * float64(int(1)<<bits)) }}
			return func() (adc.SPI, error) { return spiOf{m}, nil }, nil
		},
		I2C: func(_ string, address uint16) (func() (adc.I2C, error), error) {
			m := &chips.ADS1115{Config: 0x8583, Volts: func(int) float64 { return f.volts() }, Other: address != 0x4a}
			return func() (adc.I2C, error) { return i2cOf{m}, nil }, nil
		},
		Limits: func() (adc.Limits, error) { return adc.Limits{Bytes: 4096, Align: 128}, nil },
	}
}

// active reports whether the output does anything: a line is on, a pulse goes
// out, a topic was told to switch on.
func (f *floor) active(a *config.Actuator) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, l := range a.Lines() {
		if at := (drive.Line{Chip: a.Chip, Offset: l.Line}); f.high[at] != a.ActiveLow {
			return true
		}
	}
	return a.Kind.OnChip() && f.servos.Pulse(a.Output) > 0 || a.Topic != "" && f.told[a.Topic] == a.On
}

// files writes a rig with one converter, one channel, the sample "x" and what
// contacts are asked for, and a shop in which the sample serves for use (0: nothing).
func files(t testing.TB, chip config.ChipKind, output, contact string, use config.Use, more string) (rigPath, shopPath string) {
	t.Helper()
	gate, contactor, outlet := "g0", "k0", ""
	switch use {
	case config.ForGate:
		gate = "x"
	case config.ForContactor:
		contactor = "x"
	case config.ForOutlet:
		outlet = `outlet = [{ name = "o", actuator = "x", follows = ["saw"], run_on = "1 s" }]`
	case config.ForIndicator:
		outlet = `indicator = [{ name = "lamp", actuator = "x", shows = "collecting", blink = "slow" }]`
	}
	keys := map[string]string{"machine": "", "gate": "", "collector": ""}
	switch more {
	case "":
	case "machine":
		keys["machine"] = `contacts = ["c"], `
	case "open_switch", "shut_switch", "button", "aside":
		keys["gate"] = fmt.Sprintf(`, %s = "c"`, more)
	default:
		keys["collector"] = fmt.Sprintf(`, %s = "c"`, more)
	}
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	rigPath = write("rig.toml", fmt.Sprintf(`format = 1
mqtt = { broker = "tcp://127.0.0.1:1883" }
heartbeat = { chip = "pinctrl-bcm2835", line = 16 }
adc = [{ name = "a", chip = %q, %s }]
channel = [{ name = "c0", adc = "a", input = 0, ratio = "30 A : 1 V", bias = "1.65 V" }]
contact = [%s]
actuator = [
  { name = "k0", kind = "relay", chip = "pinctrl-bcm2835", line = 17 },
  { name = "g0", kind = "relay", chip = "pinctrl-bcm2835", line = 27 },
  %s
]
`, chip, chipSamples[chip], contact, output))
	shopPath = write("shop.toml", fmt.Sprintf(`format = 1
units = "metric"
mains = { frequency = "60 Hz", voltage = "240 V" }
machine = [{ name = "saw", channels = ["c0"], %sgates = ["g"], start = "2 A", stop = "1 A", stop_hold = "50 ms", run_on = "2 s" }]
gate = [{ name = "g", actuator = %q, travel = "400 ms"%s }]
collector = { actuator = %q, coast = "100 ms", clear_out = "100 ms", confirm = "50 ms", starts_per_hour = 60, min_on = "200 ms", min_off = "0 s"%s }
%s
limits = { power_up = "0 s" }
`, keys["machine"], gate, keys["gate"], contactor, keys["collector"], outlet))
	return rigPath, shopPath
}

// kerfwind runs a subcommand and returns what it printed.
func kerfwind(args ...string) (out, notices string, err error) {
	root := newRoot()
	var stdout, stderr bytes.Buffer
	root.SetArgs(args)
	root.SetOut(&stdout)
	root.SetErr(&stderr)
	err = root.Execute()
	return stdout.String(), stderr.String(), err
}

func entry(kind fmt.Stringer, keys string) string {
	return fmt.Sprintf("{ name = \"x\", kind = %q, %s }", kind, keys)
}

// says fails where a side does not name the sample.
func says(t *testing.T, kind fmt.Stringer, side, text string, want ...string) {
	t.Helper()
	plain := strings.Join(strings.Fields(text), " ")
	for _, w := range want {
		if !strings.Contains(plain, strings.TrimSpace(w)) {
			t.Errorf("kind %s: %s does not say %q", kind, side, w)
		}
	}
}

// seenByDoctor is what doctor finds wrong on a computer where each line is held
// by another program, no bus may be opened and no chip answers.
func seenByDoctor(r *config.Rig) string {
	var b strings.Builder
	lines := make([]doctor.Line, 54)
	for i := range lines {
		lines[i] = doctor.Line{Used: true, Consumer: "somebody"}
	}
	fail := func(what string) error { return fmt.Errorf("%s gives no answer", what) }
	found := doctor.Examine(doctor.Options{Rig: r, State: "/nowhere", Runtime: "/nowhere", System: doctor.System{
		Root: "/nowhere", UID: 999, Access: func(string) error { return nil }, Group: func(string) (string, bool) { return "root", false },
		Chips: func() ([]doctor.Chip, bool) {
			return []doctor.Chip{{Label: "pinctrl-bcm2835", Device: "gpiochip0", Lines: lines}}, false
		},
		Space:  func(string) (uint64, bool, error) { return 4 << 30, false, nil },
		Synced: func() (bool, error) { return true, nil },
		Holder: func(string) (string, error) { return "", nil },
		Reach:  func(string) error { return nil },
	},
		Scan: func(i int) error { return fail("adc " + r.ADCs[i].Name) },
		Ask:  func(bus string, address int) error { return fail(fmt.Sprintf("servo chip 0x%02x on %s", address, bus)) },
		Echo: func() (time.Duration, error) { return 0, nil },
	})
	_ = doctor.Write(&b, found) // into memory
	return b.String()
}

// runOnFloor is a shop that runs on a floor, until stop.
type runOnFloor struct {
	*floor
	shop *config.Shop
	live *rig.Live
	hang atomic.Bool // the loop hangs
	stop func()
}

// start runs a shop on a floor. Call it in a bubble.
func start(t *testing.T, f *floor, rigPath, shopPath string) *runOnFloor {
	t.Helper()
	r, err := config.LoadRig(rigPath)
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.LoadShop(shopPath, r)
	if err != nil {
		t.Fatal(err)
	}
	run := &runOnFloor{floor: f, shop: s}
	hung := make(chan struct{})
	run.live, err = rig.Open(rig.Options{Shop: s, Hardware: f, Now: f.now, Sources: f.ports().Sources, Notice: func(err error) { t.Error(err) },
		After: func(time.Duration, int) {
			if run.hang.Load() {
				<-hung
			}
		}})
	if err != nil {
		t.Fatal(err)
	}
	run.live.Link(f)
	ctx, cancel := context.WithCancel(t.Context())
	end := make(chan error, 1)
	go func() { end <- run.live.Run(ctx) }()
	run.stop = func() {
		close(hung)
		cancel()
		if err := <-end; err != nil {
			t.Error(err)
		}
	}
	return run
}

func TestOutputKinds(t *testing.T) {
	for _, k := range config.ActuatorKinds() {
		if outputSamples[k] == "" {
			t.Errorf("kind %s: outputSamples has no example of it", k)
			continue
		}
		served := 0
		for _, use := range []config.Use{config.ForGate, config.ForOutlet, config.ForContactor, config.ForIndicator} {
			t.Run(fmt.Sprintf("%s/%d", k, use), func(t *testing.T) {
				rigPath, shopPath := files(t, config.MCP3208, entry(k, outputSamples[k]), "", use, "")
				text, _, err := kerfwind("check", "--rig", rigPath, "--shop", shopPath)
				if !k.Serves(use) {
					if err == nil || !strings.Contains(err.Error(), `"x" is a `+k.String()) {
						t.Errorf("kind %s: check lets it serve for what it cannot: %v", k, err)
					}
					return
				}
				served++
				if err != nil {
					t.Fatal(err)
				}
				says(t, k, "check", text, k.String()+" x")
				outputOnPaper(t, k, rigPath, shopPath)
				outputRuns(t, k, use, rigPath, shopPath)
				if use == config.ForGate {
					replayed(t, k, rigPath, shopPath)
				}
			})
		}
		if served == 0 {
			t.Errorf("kind %s: it serves for nothing", k)
		}
	}
}

// outputOnPaper: wiring sheet, cabinet and doctor know the output.
func outputOnPaper(t *testing.T, k config.ActuatorKind, rigPath, shopPath string) {
	r, err := config.LoadRig(rigPath)
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.LoadShop(shopPath, r)
	if err != nil {
		t.Fatal(err)
	}
	x := &r.Actuators[len(r.Actuators)-1]
	var b bytes.Buffer
	if err := wiresheet.Cabinet(s, false, "today").WriteText(&b); err != nil {
		t.Fatal(err)
	}
	says(t, k, "the cabinet's sheet", b.String(), "x (")
	if !k.Wired() {
		return
	}
	b.Reset()
	if err := wiresheet.Make(r, s).WriteText(&b); err != nil {
		t.Fatal(err)
	}
	found := seenByDoctor(r)
	switch {
	case k.OnChip():
		says(t, k, "the wiring sheet", b.String(), fmt.Sprintf("0x%02x", x.Address), " x ")
		says(t, k, "doctor", found, fmt.Sprintf("servo chip 0x%02x", x.Address))
	case len(x.Lines()) == 0:
		t.Errorf("kind %s: it is wired, and neither a line nor a chip is named for the wiring sheet and doctor", k)
	}
	for _, l := range x.Lines() {
		says(t, k, "the wiring sheet", b.String(), l.What)
		says(t, k, "doctor", found, fmt.Sprintf("line %d of %s (x)", l.Line, x.Chip))
	}
	if len(x.Parts()) == 0 {
		t.Errorf("kind %s: the wiring sheet lists no parts for it", k)
	}
}

// outputRuns: a machine starts, the output acts; the program hangs, then is
// killed, and halt makes the output inert or says why not.
func outputRuns(t *testing.T, k config.ActuatorKind, use config.Use, rigPath, shopPath string) {
	t.Helper()
	runtime := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		f := newFloor(t)
		run := start(t, f, rigPath, shopPath)
		x := &run.shop.Rig.Actuators[len(run.shop.Rig.Actuators)-1]
		until := func(what string, done func() bool) {
			t.Helper()
			for range 1000 {
				if done() {
					return
				}
				time.Sleep(10 * time.Millisecond)
			}
			t.Errorf("kind %s: %s did not happen in 10 s", k, what)
		}
		time.Sleep(3 * time.Second) // gates are homed
		synctest.Wait()
		f.draw(8)
		until("a run that makes it act", func() bool { return f.active(x) })
		// The loop hangs: the heartbeat stops, so the timer lets go of the contactor.
		run.hang.Store(true)
		time.Sleep(500 * time.Millisecond)
		beat := drive.Line{Chip: "pinctrl-bcm2835", Offset: 16}
		f.mu.Lock()
		before := f.edges[beat]
		f.mu.Unlock()
		time.Sleep(5 * time.Second)
		f.mu.Lock()
		if before == 0 || f.edges[beat] != before {
			t.Errorf("kind %s: %d edges of the heartbeat before the hang, %d after it", k, before, f.edges[beat])
		}
		f.mu.Unlock()
		text, _, err := kerfwind("check", "--rig", rigPath)
		if _, hang, ok := strings.Cut(text, "If the program hangs"); err != nil || !ok || !strings.Contains(hang, k.AtHang()) || k.AtHang() == "" {
			t.Errorf("kind %s: check does not say what a hang does to it: %v\n%s", k, err, text)
		}
		// Killed: whatever it did last goes on. Make sure that it does something.
		f.act(x)
		if !f.active(x) {
			t.Fatalf("kind %s: the floor cannot make it act", k)
		}
		was := realRig
		realRig = func() rig.Options { return rig.Options{Hardware: f} }
		out, notices, err := kerfwind("halt", "--rig", rigPath, "--runtime", runtime)
		realRig = was
		switch {
		case err != nil:
			t.Errorf("kind %s: halt: %v", k, err)
		case k.Wired() && f.active(x):
			t.Errorf("kind %s: halt says %q, and it still acts", k, out)
		case !k.Wired() && !strings.Contains(notices, `actuator "x" `+k.AtHalt()):
			t.Errorf("kind %s: halt cannot reach it and does not say so: %q", k, notices)
		}
		f.draw(0)
		run.stop()
		if use != config.ForGate && f.active(x) || k.Wired() && f.active(x) {
			t.Errorf("kind %s: a run that ends leaves it acting", k)
		}
	})
}

// act makes an output act as a program that was killed has left it.
func (f *floor) act(a *config.Actuator) {
	for _, l := range a.Lines() {
		_ = floorLine{f, drive.Line{Chip: a.Chip, Offset: l.Line}, a.ActiveLow}.Set(true)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if a.Kind.OnChip() {
		f.servos.Transfer([]byte{byte(0x06 + 4*a.Output), 0, 0, 0x33, 0x01}, nil)
	}
	if a.Topic != "" {
		f.told[a.Topic] = a.On
	}
}

// replayed: a recording of a run opens the gate, without hardware.
func replayed(t *testing.T, kind fmt.Stringer, rigPath, shopPath string) {
	t.Helper()
	var b strings.Builder
	b.WriteString("t,c0\n")
	for i := range 5000 {
		at := float64(i) / 1000
		amps := 0.0
		if at > 2 && at < 4 {
			amps = 8
		}
		fmt.Fprintf(&b, "%.3f,%.4f\n", at, amps*math.Sqrt2*math.Sin(2*math.Pi*60*at))
	}
	path := filepath.Join(t.TempDir(), "run.csv")
	if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	out, _, err := kerfwind("replay", "--json", "--rig", rigPath, "--shop", shopPath, path)
	if err != nil {
		t.Errorf("kind %s: replay: %v", kind, err)
	}
	says(t, kind, "replay", out, `"event":"machine-started","machine":"saw"`, `"event":"gate-open","gate":"g"`, `"event":"collector-on"`)
}

func TestConverterKinds(t *testing.T) {
	for _, k := range config.Chips() {
		if chipSamples[k] == "" {
			t.Errorf("kind %s: chipSamples has no example of it", k)
			continue
		}
		t.Run(k.String(), func(t *testing.T) {
			rigPath, shopPath := files(t, k, entry(config.Servo, outputSamples[config.Servo]), "", config.ForGate, "")
			text, _, err := kerfwind("check", "--rig", rigPath, "--shop", shopPath)
			if err != nil {
				t.Fatal(err)
			}
			says(t, k, "check", text, "Converter a: "+k.String())
			r, err := config.LoadRig(rigPath)
			if err != nil {
				t.Fatal(err)
			}
			var b bytes.Buffer
			if err := wiresheet.Make(r, nil).WriteText(&b); err != nil {
				t.Fatal(err)
			}
			says(t, k, "the wiring sheet", b.String(), strings.ToUpper(k.String())+" converter", "channel c0")
			for _, pin := range k.Pins() {
				says(t, k, "the wiring sheet", b.String(), pin.Name)
			}
			says(t, k, "doctor", seenByDoctor(r), "adc a gives no answer")
			replayed(t, k, rigPath, shopPath)
			synctest.Test(t, func(t *testing.T) {
				f := newFloor(t)
				if err := f.ports().Probe(r, 0, f.now); err != nil {
					t.Errorf("kind %s: doctor's scan of a sound chip: %v", k, err)
				}
				run := start(t, f, rigPath, shopPath)
				time.Sleep(3 * time.Second)
				if s := run.live.Snapshot(); s.Machines[0].Sensed != control.Idle {
					t.Errorf("kind %s: at rest the machine is %v", k, s.Machines[0].Sensed)
				}
				f.draw(8)
				time.Sleep(3 * time.Second)
				if s := run.live.Snapshot(); !s.Machines[0].Run || !s.Collector.Commanded {
					t.Errorf("kind %s: with 8 A through the transformer no machine runs: %+v", k, s.Machines[0])
				}
				f.draw(0)
				run.stop()
			})
		})
	}
}

// TestRates: what check lets through a driver takes, channel by channel: no
// rig that passes check is refused by run.
func TestRates(t *testing.T) {
	for _, k := range config.Chips() {
		keys := regexp.MustCompile(`rate = "[^"]*"`)
		for n := 1; n <= k.Inputs(); n++ {
			for _, rate := range []float64{400, 500, 770, 771, 817, 2000, 2500, 3000, 7037, 7038, 21111, 21112} {
				var channels strings.Builder
				for i := range n {
					fmt.Fprintf(&channels, "{ name = \"c%d\", adc = \"a\", input = %d, ratio = \"30 A : 1 V\", bias = \"1.65 V\" }, ", i, i)
				}
				text := fmt.Sprintf("format = 1\nadc = [{ name = \"a\", chip = %q, %s }]\nchannel = [%s]\n", k, keys.ReplaceAllString(chipSamples[k], fmt.Sprintf(`rate = "%g Hz"`, rate)), &channels)
				r, err := config.ParseRig("rig.toml", []byte(text))
				if err != nil {
					continue
				}
				f := newFloor(t)
				if _, err := f.ports().Sources(r, f.now); err != nil {
					t.Errorf("kind %s, %d channels at %g Hz: check passes, run says: %v", k, n, rate, err)
				}
			}
		}
		if k.MostScans(1) < 400 {
			t.Errorf("kind %s: too slow for one channel", k)
		}
	}
}

func TestContactKinds(t *testing.T) {
	at := drive.Line{Chip: "pinctrl-bcm2835", Offset: 22}
	for k := config.ContactKind(1); k.String() != ""; k++ {
		use, ok := contactUses[k]
		if !ok {
			t.Errorf("kind %s: contactUses does not say where a shop names it", k)
			continue
		}
		t.Run(k.String(), func(t *testing.T) {
			words := regexp.MustCompile(`add closed = "(.*)" or "(.*)"`)
			contact := fmt.Sprintf(`{ name = "c", kind = %q, chip = "pinctrl-bcm2835", line = 22 %%s }`, k)
			rigPath, _ := files(t, config.MCP3208, entry(config.Relay, `chip = "pinctrl-bcm2835", line = 26`), fmt.Sprintf(contact, ""), 0, "")
			_, _, err := kerfwind("check", "--rig", rigPath)
			m := words.FindStringSubmatch(fmt.Sprint(err))
			if m == nil {
				t.Fatalf("kind %s: check does not say what a closed contact can mean: %v", k, err)
			}
			rigPath, shopPath := files(t, config.MCP3208, entry(config.Relay, `chip = "pinctrl-bcm2835", line = 26`), fmt.Sprintf(contact, fmt.Sprintf(", closed = %q", m[2])), 0, use)
			text, _, err := kerfwind("check", "--rig", rigPath, "--shop", shopPath)
			if err != nil {
				t.Fatal(err)
			}
			says(t, k, "check", text, fmt.Sprintf("Contact %q (%s)", "c", k))
			r, err := config.LoadRig(rigPath)
			if err != nil {
				t.Fatal(err)
			}
			s, err := config.LoadShop(shopPath, r)
			if err != nil {
				t.Fatal(err)
			}
			u := s.Contacts()[0]
			if u.Kind == 0 || u.Kind != k.About() {
				t.Errorf("kind %s: a shop takes it for the input %v, the kind for %v", k, u.Kind, k.About())
			}
			var b bytes.Buffer
			if err := wiresheet.Make(r, s).WriteText(&b); err != nil {
				t.Fatal(err)
			}
			says(t, k, "the wiring sheet", b.String(), "c "+k.String())
			b.Reset()
			if err := wiresheet.Cabinet(s, false, "today").WriteText(&b); err != nil {
				t.Fatal(err)
			}
			says(t, k, "the cabinet's sheet", b.String(), "22)")
			says(t, k, "doctor", seenByDoctor(r), "line 22 of pinctrl-bcm2835 (c)")
			contactRuns(t, k, at, s)
		})
	}
}

// contactRuns: what the contact does comes in as an input of its kind.
func contactRuns(t *testing.T, k config.ContactKind, at drive.Line, s *config.Shop) {
	synctest.Test(t, func(t *testing.T) {
		f := newFloor(t)
		f.closed[at] = true // as at rest
		p, err := rig.Wiring(s)
		if err != nil {
			t.Fatal(err)
		}
		p.Now = f.now
		d, err := drive.Open(p, f)
		if err != nil {
			t.Fatal(err)
		}
		heard := func() (n int) {
			synctest.Wait()
			for _, r := range d.Take(nil) {
				if r.Input.Kind == k.About() {
					n++
				}
			}
			return n
		}
		heard() // where it stands at the start
		for _, closed := range []bool{false, true} {
			f.press(at, closed)
			if n := heard(); n == 0 && !(k.About() == control.Ask && closed) {
				t.Errorf("kind %s: closed %v: no input comes of it", k, closed)
			}
		}
		if err := d.Halt(); err != nil {
			t.Error(err)
		}
		d.Close()
	})
}

// TestPairs: a port, an address or a line that cannot go with a kind is an error
// that names the setting.
func TestPairs(t *testing.T) {
	ports := map[string]string{"/dev/spidev0.0": "spi", "/dev/spidev0.1": "spi", "/dev/i2c-1": "i2c", "/dev/i2c-3": "i2c", "/dev/ttyUSB0": "", "spidev0.0": "", "/dev/spidev0": "", "/dev/i2c": "", "/dev/i2c-1.0": ""}
	for _, k := range config.Chips() {
		own := "i2c"
		if k.OnSPI() {
			own = "spi"
		}
		old := regexp.MustCompile(`port = "([^"]*)"`)
		for port, bus := range ports {
			text := fmt.Sprintf("format = 1\nadc = [{ name = \"a\", chip = %q, %s }]\nchannel = [{ name = \"c0\", adc = \"a\", input = 0, ratio = \"30 A : 1 V\", bias = \"1.65 V\" }]\n", k, old.ReplaceAllString(chipSamples[k], fmt.Sprintf("port = %q", port)))
			_, err := config.ParseRig("rig.toml", []byte(text))
			if fits := bus == own; fits != (err == nil) || !fits && !strings.Contains(err.Error(), fmt.Sprintf("%q is no ", port)) {
				t.Errorf("%s at %s: %v", k, port, err)
			}
		}
	}
	for _, x := range []struct{ key, text, want string }{
		{"address", `adc = [{ name = "a", chip = "mcp3208", port = "/dev/spidev0.0", rate = "1 kHz", address = 72 }]`, "has no address"},
		{"address", `adc = [{ name = "a", chip = "ads1115", port = "/dev/i2c-1", rate = "500 Hz", vref = "4.096 V", address = 64 }]`, "no address 0x40"},
		{"port", `adc = [{ name = "a", chip = "ads1115", port = "/dev/i2c-1", rate = "500 Hz", vref = "4.096 V" }, { name = "b", chip = "ads1115", port = "/dev/i2c-1", rate = "500 Hz", vref = "4.096 V" }]`, "address 0x48 on /dev/i2c-1 is used twice"},
		{"bus", `actuator = [{ name = "g", kind = "servo", bus = "/dev/spidev0.0", output = 0 }]`, "is no I2C bus"},
		{"kind", `contact = [{ name = "c", kind = "reset", closed = "pressed", chip = "pins", line = 1 }, { name = "d", kind = "reset", closed = "pressed", chip = "pins", line = 2 }]`, `"c" is a reset button already`},
		{"line", `contact = [{ name = "c", kind = "stop", closed = "ok", chip = "pins", line = 1 }, { name = "d", kind = "reset", closed = "pressed", chip = "pins", line = 1 }]`, `on the line of the stop contact "c"`},
		{"line", `contact = [{ name = "c", kind = "bin", closed = "full", chip = "pinctrl-bcm2835", line = 60 }]`, "has lines 0 to 53"},
		{"line", `actuator = [{ name = "k", kind = "relay", chip = "pinctrl-rp1", line = 54 }]`, "has lines 0 to 53"},
		{"open_line", `actuator = [{ name = "m", kind = "motor", chip = "pinctrl-bcm2711", open_line = 58, shut_line = 5 }]`, "has lines 0 to 57"},
	} {
		_, err := config.ParseRig("rig.toml", []byte("format = 1\n"+x.text+"\n"))
		if err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s: %v, want %q", x.key, err, x.want)
		}
	}
	// Every line that the buses of a rig take, for a contact and for an output.
	bus := `adc = [{ name = "a", chip = "mcp3208", port = "/dev/spidev0.0", rate = "1 kHz" }]
channel = [{ name = "c0", adc = "a", input = 0, ratio = "30 A : 1 V" }]
`
	for line := range 28 {
		taken := slices.Contains([]int{2, 3, 8, 9, 10, 11}, line)
		for _, text := range []string{
			`contact = [{ name = "c", kind = "bin", closed = "full", chip = "pinctrl-bcm2835", line = %d }]` + "\n" + `actuator = [{ name = "g", kind = "servo", bus = "/dev/i2c-1", output = 0 }]`,
			`actuator = [{ name = "g", kind = "servo", bus = "/dev/i2c-1", output = 0 }, { name = "k", kind = "relay", chip = "pinctrl-bcm2835", line = %d }]`,
		} {
			r, err := config.ParseRig("rig.toml", []byte("format = 1\n"+bus+fmt.Sprintf(text, line)+"\n"))
			if taken != (err != nil) || taken && !strings.Contains(err.Error(), fmt.Sprintf("line %d of \"pinctrl-bcm2835\" carries ", line)) {
				t.Errorf("line %d: %v", line, err)
			}
			if err == nil && (line == 7) != slices.ContainsFunc(r.Warnings, func(p config.Problem) bool { return strings.Contains(p.Message, "taken by SPI") }) {
				t.Errorf("line %d: %v", line, r.Warnings)
			}
		}
	}
}
