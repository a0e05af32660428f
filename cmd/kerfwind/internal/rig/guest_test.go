package rig

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"kerfwind/config"
	"kerfwind/control/drive"
	"kerfwind/sensor"
	"kerfwind/testdata/guest"
)

// The tests named Guest run in the virtual machine of .ci/vm/run, with the rig
// and the shop that lie there.
const (
	rigFile  = "/rig.toml"
	shopFile = "/shop.toml"
	program  = "/bin/kerfwind"
)

// What the fake hardware has where; see rig.toml.
const (
	lineCollector, lineCleaner   = 17, 27
	lineOpen, lineShut           = 5, 6
	lineHeart                    = 16
	lineEnable                   = 4 // low lets servo pulses out
	contactDoor, contactDown     = 22, 12
	contactSander, contactButton = 13, 25
	endOpen, endShut             = 6, 7
	inputPlaner, inputSaw        = 0, 1
	inputCollector               = 7
	cutting                      = 470 // codes high: 8 A RMS
)

// shopFloor lays the shop out at rest and lets the collector draw current when
// its line is on.
type shopFloor struct {
	t    *testing.T
	mu   sync.Mutex
	peak map[int]int
}

func newShopFloor(t *testing.T) *shopFloor {
	guest.Require(t)
	// What the test before has latched or set aside holds over a restart.
	if err := os.RemoveAll("/var/lib/kerfwind"); err != nil {
		t.Fatal(err)
	}
	for line, closed := range map[int]bool{contactDoor: true, contactDown: true, contactSander: false, contactButton: false} {
		guest.Contact(t, guest.Own, line, closed)
	}
	guest.Contact(t, guest.Own, lineEnable, false) // its pull-up
	guest.Contact(t, guest.Expander, endOpen, false)
	guest.Contact(t, guest.Expander, endShut, true)
	for _, p := range []string{"hang", "naks"} {
		guest.Write(t, guest.I2C+p, 0)
	}
	f := &shopFloor{t: t, peak: map[int]int{}}
	f.current(inputPlaner, 0)
	ctx, cancel := context.WithCancel(t.Context())
	var done sync.WaitGroup
	done.Go(func() {
		was := false
		for ctx.Err() == nil {
			if on := guest.High(t, guest.Own, lineCollector); on != was {
				was = on
				f.current(inputCollector, map[bool]int{true: 600}[on])
			}
			pause, stop := context.WithTimeout(ctx, 20*time.Millisecond)
			<-pause.Done()
			stop()
		}
	})
	t.Cleanup(func() { cancel(); done.Wait() })
	return f
}

// current sets the current at an input; 0 is a little noise.
func (f *shopFloor) current(input, peak int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if peak == 0 {
		peak = 3
	}
	f.peak[input] = peak
	guest.Currents(f.t, f.peak)
}

// slide moves the planer's gate from the far side of its end switches.
func (f *shopFloor) slide(open bool) {
	guest.Contact(f.t, guest.Expander, endShut, !open)
	guest.Contact(f.t, guest.Expander, endOpen, open)
}

func (f *shopFloor) collector() bool { return guest.High(f.t, guest.Own, lineCollector) }

// process is a kerfwind that runs.
type process struct {
	t      *testing.T
	cmd    *exec.Cmd
	mu     sync.Mutex
	events []map[string]any
	stderr words
	done   chan struct{}
}

func run(t *testing.T, args ...string) *process {
	t.Helper()
	p := &process{t: t, cmd: exec.Command(args[0], args[1:]...), done: make(chan struct{})}
	p.cmd.Stderr = &p.stderr
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(p.done)
		s := bufio.NewScanner(out)
		for s.Scan() {
			var e map[string]any
			if json.Unmarshal(s.Bytes(), &e) == nil {
				p.mu.Lock()
				p.events = append(p.events, e)
				p.mu.Unlock()
			}
		}
	}()
	t.Cleanup(func() {
		_ = p.cmd.Process.Kill() // it has mostly ended
		if t.Failed() {
			t.Logf("%q said\n%s%v", args, p.stderr.String(), p.events)
		}
	})
	return p
}

func runShop(t *testing.T) *process {
	return run(t, program, "run", "--json", "--rig", rigFile, "--shop", shopFile)
}

// count counts events by name and by what they are about.
func (p *process) count(event, of, name string) int {
	p.mu.Lock()
	defer p.mu.Unlock()
	n := 0
	for _, e := range p.events {
		if e["event"] == event && (of == "" || e[of] == name) {
			n++
		}
	}
	return n
}

// await waits until an event has happened for the nth time.
func (p *process) await(n int, event, of, name string) {
	p.t.Helper()
	guest.Until(p.t, fmt.Sprintf("%s of %s, %d times", event, name, n), func() bool { return p.count(event, of, name) >= n })
}

// end waits for the program to end and returns its exit code.
func (p *process) end() int {
	p.t.Helper()
	<-p.done
	err := p.cmd.Wait()
	var e *exec.ExitError
	switch {
	case err == nil:
		return 0
	case errors.As(err, &e):
		return e.ExitCode()
	}
	p.t.Fatal(err)
	return -1
}

// words are what a program says, which may be read while it does.
type words struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (w *words) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.b.Write(p)
}

func (w *words) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.b.String()
}

func (p *process) said() string { return p.stderr.String() }

func (p *process) signal(s syscall.Signal) {
	p.t.Helper()
	if err := p.cmd.Process.Signal(s); err != nil {
		p.t.Fatal(err)
	}
}

// silent checks that no output of the servo chip sends pulses.
func silent(t *testing.T) {
	t.Helper()
	for n := range 2 {
		if guest.Register(t, 6+4*n+3)&0x10 == 0 {
			t.Errorf("servo %d has pulses", n)
		}
	}
}

// steady checks each line's trace: on as often as commanded, off at both ends.
func steady(t *testing.T, trace guest.Trace, times map[int]int) {
	t.Helper()
	for line, wanted := range times {
		n, off := trace.On(line, line == lineCleaner || line == lineEnable)
		if n != wanted || !off {
			t.Errorf("line %d was on %d times, commanded %d times; off at both ends: %v; %q", line, n, wanted, off, trace.Outputs(line))
		}
	}
}

// A whole run: from currents at the converter to gates and contactor and back,
// then SIGTERM in the middle of a cut.
func TestGuestRun(t *testing.T) {
	f := newShopFloor(t)
	trace := guest.Record(t, guest.Own, func() {
		p := runShop(t)
		p.await(1, "gate-closed", "gate", "sander") // both servo gates are homed
		began := time.Now()
		f.current(inputPlaner, cutting)
		p.await(1, "machine-started", "machine", "planer")
		guest.Until(t, "the motor opens the gate", func() bool { return guest.High(t, guest.Own, lineOpen) })
		t.Logf("current to gate motor: %v", time.Since(began))
		if f.collector() {
			t.Error("the collector is on before a path is open")
		}
		f.slide(true)
		guest.Until(t, "the motor stops at its end", func() bool { return !guest.High(t, guest.Own, lineOpen) })
		guest.Until(t, "the collector is on", f.collector)
		t.Logf("current to contactor: %v", time.Since(began))
		guest.Until(t, "the air cleaner is on", func() bool { return !guest.High(t, guest.Own, lineCleaner) })

		f.current(inputSaw, cutting)
		p.await(1, "gate-open", "gate", "band saw")
		if lo, hi := guest.Register(t, 8), guest.Register(t, 9); lo != 0x9a || hi&0x1f != 1 {
			t.Errorf("the band saw's servo is at 0x%02x%02x", hi, lo)
		}
		f.current(inputSaw, 0)
		f.current(inputPlaner, 0)
		p.await(1, "machine-stopped", "machine", "planer")
		p.await(1, "collector-off", "", "")
		guest.Until(t, "the collector is off", func() bool { return !f.collector() })
		guest.Until(t, "the air cleaner is off", func() bool { return guest.High(t, guest.Own, lineCleaner) })

		// A machine that is told of by a contact, and a button.
		guest.Contact(t, guest.Own, contactSander, true)
		p.await(1, "machine-started", "machine", "sander")
		p.await(2, "collector-on", "", "")
		guest.Contact(t, guest.Own, contactSander, false)
		p.await(1, "machine-stopped", "machine", "sander")
		p.await(2, "collector-off", "", "")
		guest.Contact(t, guest.Own, contactButton, true)
		p.await(1, "gate-held", "gate", "sander")
		guest.Contact(t, guest.Own, contactButton, false)
		p.await(3, "collector-on", "", "")
		guest.Until(t, "the collector is on", f.collector)

		// The bin door opens: off at once, and nothing starts.
		began = time.Now()
		guest.Contact(t, guest.Own, contactDoor, false)
		guest.Until(t, "the collector is off", func() bool { return !f.collector() })
		t.Logf("stop contact to contactor: %v (its debounce is 20 ms)", time.Since(began))
		p.await(1, "stop-opened", "stop", "bin door")
		p.signal(syscall.SIGTERM)
		if code := p.end(); code != 0 {
			t.Errorf("exit code %d", code)
		}
		silent(t)
		for _, fault := range []string{"sensor-lost", "collector-still-on", "gate-output"} {
			if n := p.count("fault-raised", "fault", fault); n != 0 {
				t.Errorf("%s was raised %d times", fault, n)
			}
		}
	})
	steady(t, trace, map[int]int{lineCollector: 3, lineCleaner: 1, lineOpen: 1, lineEnable: 1})
	if n, off := trace.On(lineHeart, false); n < 5 || !off {
		t.Errorf("heartbeat: %d edges, off at both ends: %v", n, off)
	}
}

// cut brings the planer into a cut with the collector on.
func (f *shopFloor) cut(p *process) {
	f.t.Helper()
	p.await(1, "gate-closed", "gate", "sander")
	f.current(inputPlaner, cutting)
	guest.Until(f.t, "the motor opens the gate", func() bool { return guest.High(f.t, guest.Own, lineOpen) })
	f.slide(true)
	guest.Until(f.t, "the collector is on", f.collector)
	f.current(inputSaw, cutting)
	p.await(1, "gate-open", "gate", "band saw")
}

// The servo chip is missing when the program starts: the planer is served by its motor
// gate, the band saw's dust goes nowhere and that is said. Once the chip answers its
// gates are homed and served. Then it goes away for a while again.
func TestGuestChipMissing(t *testing.T) {
	f := newShopFloor(t)
	guest.Write(t, guest.I2C+"naks", 1<<30)
	p := runShop(t)
	p.await(1, "fault-raised", "fault", "gate-output")
	f.current(inputPlaner, cutting)
	guest.Until(t, "the motor opens the gate", func() bool { return guest.High(t, guest.Own, lineOpen) })
	f.slide(true)
	guest.Until(t, "the collector is on", f.collector)
	f.current(inputPlaner, 0)
	p.await(1, "collector-off", "", "")
	f.current(inputSaw, cutting)
	p.await(1, "fault-raised", "fault", "uncollected")
	f.current(inputSaw, 0)
	p.await(1, "machine-stopped", "machine", "band saw")
	for n := 1; n <= 2; n++ {
		guest.Write(t, guest.I2C+"naks", 0)
		guest.Until(t, "the chip is taken up", func() bool { return strings.Count(p.said(), "servo chip 0x40 on /dev/i2c-1 answers again") == n })
		p.await(n, "gate-closed", "gate", "sander") // homed
		f.current(inputSaw, cutting)
		p.await(n, "gate-open", "gate", "band saw")
		guest.Until(t, "the collector is on", f.collector)
		f.current(inputSaw, 0)
		p.await(n+1, "collector-off", "", "")
		guest.Write(t, guest.I2C+"naks", 1<<30)
		guest.Until(t, "it is told of", func() bool { return strings.Count(p.said(), "notice: servo chip 0x40 on /dev/i2c-1: no answer") > n })
	}
	guest.Write(t, guest.I2C+"naks", 0)
	p.signal(syscall.SIGTERM)
	if code := p.end(); code != 0 {
		t.Errorf("exit code %d", code)
	}
	silent(t)
}

func TestGuestTerm(t *testing.T) {
	f := newShopFloor(t)
	trace := guest.Record(t, guest.Own, func() {
		p := runShop(t)
		f.cut(p)
		p.signal(syscall.SIGTERM)
		if code := p.end(); code != 0 {
			t.Errorf("exit code %d", code)
		}
		silent(t)
	})
	steady(t, trace, map[int]int{lineCollector: 1, lineCleaner: 1, lineOpen: 1, lineShut: 0})
}

func TestGuestKill(t *testing.T) {
	f := newShopFloor(t)
	trace := guest.Record(t, guest.Own, func() {
		p := runShop(t)
		f.cut(p)
		// While it runs nobody else gets the rig.
		for _, args := range [][]string{{"halt", "--rig", rigFile}, {"run", "--rig", rigFile}} {
			q := run(t, append([]string{program}, args...)...)
			if code := q.end(); code != 4 || !strings.Contains(q.stderr.String(), fmt.Sprintf("process %d, has the rig", p.cmd.Process.Pid)) {
				t.Errorf("%q beside a running kerfwind: exit code %d, %s", args, code, q.stderr.String())
			}
		}
		// A hand on one thing asks the one that runs, which is at work.
		q := run(t, program, "jog", "--yes", "--rig", rigFile, "--shop", shopFile, "planer")
		if code := q.end(); code != 1 || strings.Contains(q.stderr.String(), "has the rig") {
			t.Errorf("jog beside a running kerfwind: exit code %d, %s", code, q.stderr.String())
		}
		if guest.High(t, guest.Own, lineEnable) {
			t.Error("the servo chip's outputs are not enabled")
		}
		p.signal(syscall.SIGKILL)
		p.end()
		if !guest.High(t, guest.Own, lineEnable) {
			t.Error("the servo chip's outputs are still enabled")
		}
		if guest.Register(t, 9)&0x10 != 0 {
			t.Error("the killed program left no pulse behind: halt has nothing to do")
		}
		for range 2 {
			q := run(t, program, "halt", "--rig", rigFile)
			if code := q.end(); code != 0 {
				t.Errorf("halt: exit code %d, %s", code, q.stderr.String())
			}
			silent(t)
		}
	})
	steady(t, trace, map[int]int{lineCollector: 1, lineCleaner: 1, lineOpen: 1, lineShut: 0})
}

// An I2C chip that hangs delays no other gate and not the collector.
func TestGuestHungChip(t *testing.T) {
	f := newShopFloor(t)
	p := runShop(t)
	p.await(1, "gate-closed", "gate", "sander")
	guest.Write(t, guest.I2C+"hang", 3000)
	f.current(inputSaw, cutting)
	guest.Until(t, "a transfer hangs", func() bool { return guest.Read(t, guest.I2C+"busy") != "0" })
	f.current(inputPlaner, cutting)
	guest.Until(t, "the motor opens the gate", func() bool { return guest.High(t, guest.Own, lineOpen) })
	f.slide(true)
	began := time.Now()
	guest.Until(t, "the collector is on", f.collector)
	if guest.Read(t, guest.I2C+"busy") == "0" {
		t.Error("the bus did not hang all that time")
	}
	t.Logf("path open to contactor while the bus hangs: %v", time.Since(began))
	p.await(1, "fault-raised", "gate", "band saw")
	began = time.Now()
	p.signal(syscall.SIGTERM)
	guest.Until(t, "the collector is off", func() bool { return !f.collector() })
	t.Logf("SIGTERM to contactor while the bus hangs: %v", time.Since(began))
	if code := p.end(); code != 4 || !strings.Contains(p.stderr.String(), "did not answer within") {
		t.Errorf("exit code %d, %s", code, p.stderr.String())
	}
	guest.Write(t, guest.I2C+"hang", 0)
}

// The converter stops answering in a cut: the machine is unknown, which is not
// stopped.
func TestGuestSensorLost(t *testing.T) {
	f := newShopFloor(t)
	p := runShop(t)
	f.cut(p)
	guest.Write(t, guest.SPI+"dead", 1)
	p.await(1, "machine-unknown", "machine", "planer")
	if !f.collector() {
		t.Error("the collector went off")
	}
	guest.Write(t, guest.SPI+"dead", 0)
	p.await(1, "fault-cleared", "machine", "planer")
	if n := p.count("machine-stopped", "", ""); n != 0 || !f.collector() {
		t.Errorf("%d machines stopped; collector on: %v", n, f.collector())
	}
	p.signal(syscall.SIGTERM)
	p.end()
}

func TestGuestJog(t *testing.T) {
	f := newShopFloor(t)
	jog := func(args ...string) *process {
		return run(t, append([]string{program, "jog", "--rig", rigFile, "--shop", shopFile}, args...)...)
	}
	p := jog("--yes", "--for", "1 s", "band saw")
	guest.Until(t, "the servo moves", func() bool { return guest.Register(t, 8) == 0x9a && guest.Register(t, 9) == 1 })
	if code := p.end(); code != 0 {
		t.Errorf("jog: exit code %d, %s", code, p.stderr.String())
	}
	if !strings.Contains(p.stderr.String(), "CAUTION") {
		t.Errorf("no caution: %s", p.stderr.String())
	}
	silent(t)
	trace := guest.Record(t, guest.Own, func() {
		p = jog("--yes", "--by", "band saw", "--for", "2 s", "collector")
		if code := p.end(); code != 0 {
			t.Errorf("jog collector: exit code %d, %s", code, p.stderr.String())
		}
	})
	steady(t, trace, map[int]int{lineCollector: 1, lineCleaner: 0})
	if p = jog("band saw"); p.end() != 2 {
		t.Errorf("without --yes and a terminal: %s", p.stderr.String())
	}
	// While a machine runs nothing is moved by hand.
	f.current(inputPlaner, cutting)
	if p = jog("--yes", "band saw"); p.end() != 1 {
		t.Errorf("while a machine runs: %s", p.stderr.String())
	}
	f.slide(true)
}

// What is missing or forbidden is said, with its remedy, all at once.
func TestGuestBadHardware(t *testing.T) {
	guest.Require(t)
	text := guest.Read(t, rigFile)
	for old, bad := range map[string]string{"/dev/spidev0.0": "/dev/spidev3.0", "/dev/i2c-1": "/dev/i2c-9", `chip = "barn-pins", line = 17`: `chip = "pinctrl-bcm2835", line = 17`} {
		if !strings.Contains(text, old) {
			t.Fatalf("%s has no %s", rigFile, old)
		}
		text = strings.ReplaceAll(text, old, bad)
	}
	path := t.TempDir() + "/rig.toml"
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	p := run(t, program, "run", "--rig", path, "--shop", shopFile)
	if code := p.end(); code != 4 {
		t.Errorf("exit code %d", code)
	}
	// Without the contactor's line nothing is served, and the converters are not looked for.
	for _, part := range []string{"/dev/i2c-9 is missing", "dtparam=i2c_arm=on", `no GPIO chip "pinctrl-bcm2835"; this computer has`} {
		if !strings.Contains(p.stderr.String(), part) {
			t.Errorf("%q is not in\n%s", part, p.stderr.String())
		}
	}
}

// A panic in a reader's goroutine makes the outputs inert before it ends the
// program.
func TestGuestPanic(t *testing.T) {
	f := newShopFloor(t)
	_ = os.Remove("/tmp/panic") // from before
	trace := guest.Record(t, guest.Own, func() {
		p := run(t, "/proc/self/exe", "-test.run", "^TestGuestPanicChild$")
		p.cmd.Env = os.Environ()
		guest.Until(t, "the child runs", func() bool { return guest.Register(t, 0) == 0x20 && guest.Register(t, 0xFE) == 121 })
		f.current(inputSaw, cutting)
		guest.Until(t, "the collector is on", f.collector)
		if guest.Register(t, 9)&0x10 != 0 {
			t.Error("the servo has no pulse")
		}
		if err := os.WriteFile("/tmp/panic", nil, 0o644); err != nil {
			t.Fatal(err)
		}
		if code := p.end(); code != 2 || !strings.Contains(p.stderr.String(), "a fault in a converter's driver") {
			t.Errorf("exit code %d, %s", code, p.stderr.String())
		}
		silent(t)
	})
	steady(t, trace, map[int]int{lineCollector: 1})
}

// panicky is a source that panics when it is told to.
type panicky struct{ sensor.Source }

func (p panicky) Next(f *sensor.Frame) error {
	if _, err := os.Stat("/tmp/panic"); err == nil {
		panic("a fault in a converter's driver")
	}
	return p.Source.Next(f)
}

func TestGuestPanicChild(t *testing.T) {
	guest.Require(t)
	if len(os.Args) < 2 || os.Args[len(os.Args)-1] != "^TestGuestPanicChild$" {
		t.Skip("runs as a child of TestGuestPanic")
	}
	r, err := config.LoadRig(rigFile)
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.LoadShop(shopFile, r)
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	l, err := Open(Options{Shop: s, Hardware: drive.Kernel(), Notice: func(err error) { t.Log(err) },
		Now: func() time.Duration { return time.Since(began) },
		Sources: func(r *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
			list, err := Sources(r, now)
			for i := range list {
				list[i] = panicky{list[i]}
			}
			return list, err
		}})
	if err != nil {
		t.Fatal(err)
	}
	t.Fatal(l.Run(context.Background()))
}
