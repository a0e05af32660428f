package rig

import (
	"context"
	"fmt"
	"io"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/sensor"
)

const sparseRig = `format = 1
adc = [
  { name = "a", chip = "mcp3208", port = "/dev/spidev0.0", rate = "1 kHz" },
  { name = "b", chip = "mcp3208", port = "/dev/spidev0.1", rate = "1 kHz" },
]
channel = [
  { name = "c0", adc = "a", input = 3, ratio = "30 A : 1 V" },
  { name = "c1", adc = "b", input = 1, ratio = "30 A : 1 V" },
]
contact = [
  { name = "sander", kind = "machine", chip = "switches", line = 1, closed = "running", debounce = "5 ms" },
  { name = "bin", kind = "bin", chip = "switches", line = 2, closed = "full" },
]
actuator = [
  { name = "g0", kind = "servo", bus = "/dev/i2c-1", address = 0x40, output = 3, pulse_open = "1.9 ms", pulse_shut = "1.1 ms", release = "2 s" },
  { name = "g1", kind = "servo", bus = "/dev/i2c-1", address = 0x41, output = 0, pulse_open = "1.9 ms", pulse_shut = "1.1 ms" },
  { name = "g2", kind = "relay", chip = "expander", line = 0 },
  { name = "g3", kind = "motor", chip = "pins", open_line = 5, shut_line = 6 },
  { name = "k0", kind = "relay", chip = "pins", line = 17 },
  { name = "k1", kind = "relay", chip = "pins", line = 27 },
]
servo_chip = [{ bus = "/dev/i2c-1", address = 0x41, chip = "pins", line = 4 }]
heartbeat = { chip = "pins", line = 16, drops_after = "2 s" }
`

const sparseShop = `format = 1
units = "metric"
mains = { frequency = "60 Hz", voltage = "240 V" }
machine = [
  { name = "planer", channels = ["c0"], gates = ["planer"], run_on = "2 s", stop_hold = "0 s" },
  { name = "lathe", channels = ["c1"], gates = ["lathe"], run_on = "2 s", stop_hold = "0 s" },
  { name = "sander", contacts = ["sander"], gates = ["sander"], run_on = "2 s" },
]
gate = [
  { name = "planer", actuator = "g0", travel = "900 ms" },
  { name = "lathe", actuator = "g1", travel = "900 ms" },
  { name = "sander", actuator = "g2", travel = "500 ms" },
  { name = "sweep", actuator = "g3", travel = "1 s" },
]
collector = { actuator = "k0", coast = "1 s", clear_out = "1 s", starts_per_hour = 60, min_on = "1 s", min_off = "1 s" }
outlet = [{ name = "air cleaner", actuator = "k1", follows = ["planer"], run_on = "1 s" }]
`

// sparse is hardware from which one thing at a time is pulled: a line, all lines of a
// chip, a bus, a chip on it, or a converter.
type sparse struct {
	bench
	mu     sync.Mutex
	pulled string
	dead   map[string]int // how often it was
}

func (h *sparse) pull(what string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.pulled = what
	h.dead[what]++
}

// gone reports whether one of the names was pulled, now or since count was taken.
func (h *sparse) gone(names ...string) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, n := range names {
		if n == h.pulled {
			return true
		}
	}
	return false
}

func (h *sparse) count(names ...string) (n int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, name := range names {
		n += h.dead[name]
	}
	return n
}

// held is something that was taken hold of. It works no more once what it is on was
// pulled out.
type held struct {
	h     *sparse
	names []string
	since int
}

func (h *sparse) hold(names ...string) (held, error) {
	if h.gone(names...) {
		return held{}, syscall.ENODEV
	}
	return held{h, names, h.count(names...)}, nil
}

func (x held) err() error {
	if x.h.count(x.names...) != x.since {
		return syscall.ENODEV
	}
	return nil
}

type heldLine struct {
	held
	drive.Output
}

func (l heldLine) Set(on bool) error {
	if err := l.err(); err != nil {
		return err
	}
	return l.Output.Set(on)
}

func (h *sparse) Output(l drive.Line, low bool, user string) (drive.Output, error) {
	x, err := h.hold(l.String(), l.Chip)
	if err != nil {
		return nil, err
	}
	o, err := h.bench.Output(l, low, user)
	return heldLine{x, o}, err
}

func (h *sparse) Input(l drive.Line, _ time.Duration, _ string) (drive.Input, error) {
	x, err := h.hold(l.String(), l.Chip)
	if err != nil {
		return nil, err
	}
	return &heldContact{held: x, quit: make(chan struct{}), at: l}, nil
}

// heldContact is looked at every 10 ms of the bubble's time.
type heldContact struct {
	held
	at   drive.Line
	was  bool
	quit chan struct{}
}

func (c *heldContact) Closed() (bool, error) {
	c.h.bench.mu.Lock()
	defer c.h.bench.mu.Unlock()
	return c.h.bench.on[c.at], c.err()
}

func (c *heldContact) Next() (bool, time.Duration, error) {
	for {
		select {
		case <-c.quit:
			return false, 0, io.EOF
		case <-time.After(10 * time.Millisecond):
		}
		is, err := c.Closed()
		if err != nil || is != c.was {
			c.was = is
			return is, 0, err
		}
	}
}

func (c *heldContact) Close() error { close(c.quit); return nil }

type heldBus struct {
	held
	chips map[uint16]*bus
}

func (h *sparse) Bus(device string) (drive.Bus, error) {
	x, err := h.hold(device)
	return heldBus{x, map[uint16]*bus{0x40: {}, 0x41: {}}}, err
}

func (b heldBus) Tx(addr uint16, w, r []byte) error {
	if err := b.err(); err != nil {
		return err
	}
	if b.h.gone(fmt.Sprintf("chip 0x%02x", addr)) {
		b.chips[addr] = &bus{}
		return syscall.EREMOTEIO
	}
	return b.chips[addr].Tx(addr, w, r)
}

func (heldBus) Close() error { return nil }

// heldCoil is a converter that may be pulled.
type heldCoil struct {
	coil
	h    *sparse
	name string
	n    int
}

func (c *heldCoil) Next(f *sensor.Frame) error {
	if c.h.gone(c.name) {
		time.Sleep(time.Second)
		c.index += 1000
		*f = sensor.Frame{Source: c.n, Channels: 1, Index: c.index, At: c.now(), Raw: f.Raw[:0], Err: syscall.ENODEV}
		return nil
	}
	err := c.coil.Next(f)
	f.Source = c.n
	return err
}

// Each part of a rig is missing at the start, or is pulled out later, and comes back:
// it is named with what it serves, each machine that does not need it is collected
// from, and a while after its return every machine is.
func TestEachPartOfAShopMissing(t *testing.T) {
	line := func(chip string, n int) string { return drive.Line{Chip: chip, Offset: n}.String() }
	const planer, lathe, sander = 1, 2, 4 // machines, as a set
	for _, c := range []struct {
		part   string
		names  string // what is listed for it
		needed int
	}{
		{"/dev/i2c-1", "gate planer, gate lathe", planer | lathe},
		{"chip 0x40", "gate planer", planer},
		{"chip 0x41", "gate lathe", lathe},
		{line("pins", 4), "gate lathe", lathe}, // lets its pulses out
		{line("expander", 0), "gate sander", sander},
		{"expander", "gate sander", sander},
		{line("pins", 5), "gate sweep", 0},
		{line("pins", 6), "gate sweep", 0},
		{line("pins", 16), "", 0},
		{line("pins", 27), "outlet air cleaner", 0},
		{line("switches", 1), "machine sander", sander},
		{line("switches", 2), "", 0},
		{"switches", "machine sander", sander},
		{"a", "machine planer", planer},
		{"b", "machine lathe", lathe},
	} {
		for _, later := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s/later=%v", c.part, later), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) { without(t, c.part, c.names, c.needed, later) })
			})
		}
	}
}

func without(t *testing.T, part, names string, needed int, later bool) {
	s := shop(t, sparseRig, sparseShop)
	began := time.Now()
	now := func() time.Duration { return time.Since(began) }
	h := &sparse{bench: bench{on: map[drive.Line]bool{}, now: now}, dead: map[string]int{}}
	coils := []*heldCoil{{coil: coil{now: now}, h: h, name: "a"}, {coil: coil{now: now}, h: h, name: "b", n: 1}}
	if !later {
		h.pull(part)
	}
	said := 0
	l, err := Open(Options{Shop: s, Hardware: h, Now: now, Notice: func(error) { said++ },
		Sources: func(*config.Rig, func() time.Duration) ([]sensor.Source, error) {
			return []sensor.Source{coils[0], coils[1]}, nil
		}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	end := make(chan error)
	go func() { end <- l.Run(ctx) }()
	defer func() {
		cancel()
		if err := <-end; err != nil && h.pulled == "" {
			t.Error(err)
		}
	}()
	cut := func(i int, on bool) {
		if i < 2 {
			coils[i].set(on)
			return
		}
		h.bench.mu.Lock()
		defer h.bench.mu.Unlock()
		h.bench.on[drive.Line{Chip: "switches", Offset: 1}] = on
	}
	// served runs each machine for a while and says from which chips are taken.
	served := func() (set int) {
		for i := range s.Machines {
			cut(i, true)
			time.Sleep(7 * time.Second) // a gate's tries are over
			snap := l.Snapshot()
			if _, not := snap.Uncollected(control.ID(i)); snap.Machines[i].Run && !not && snap.Collector.Commanded && snap.Gates[i].Position == control.PositionOpen {
				set |= 1 << i
			}
			cut(i, false)
			time.Sleep(5 * time.Second)
		}
		return set
	}
	const all = 7
	time.Sleep(16 * time.Second) // the power is back, gates are homed
	if later {
		if got := served(); got != all {
			t.Fatalf("with everything in place: %03b", got)
		}
		h.pull(part)
		time.Sleep(6 * time.Second)
	}
	var listed []string
	for _, m := range l.Missing() {
		for _, x := range m.For {
			if w := l.Names.What(x.Subject, x.ID); w != "" {
				listed = append(listed, w)
			}
		}
	}
	if got := strings.Join(listed, ", "); got != names || len(l.Missing()) != 1 || said == 0 {
		t.Errorf("missing is %v, for %q, want %q; said %d times", l.Missing(), got, names, said)
	}
	got := served()
	if got&^needed != all&^needed {
		t.Errorf("served without it: %03b, want all but %03b", got, needed)
	}
	if !later && got&needed != 0 {
		t.Errorf("served without it: %03b, which need it", got&needed)
	}
	h.pull("")
	time.Sleep(18 * time.Second) // found, 10 s and homing
	if m := l.Missing(); len(m) > 0 {
		t.Errorf("still missing: %v", m)
	}
	if got := served(); got != all {
		t.Errorf("all is back: %03b", got)
	}
	for i, g := range l.Snapshot().Gates {
		if g.Position != control.PositionOpen && g.Position != control.PositionShut {
			t.Errorf("gate %s is %v", s.Gates[i].Name, g.Position)
		}
	}
	if f := l.Snapshot().Faults; len(f) > 0 {
		t.Errorf("faults: %v", f)
	}
}
