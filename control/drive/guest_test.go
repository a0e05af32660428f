package drive

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"kerfwind/control"
)

// The tests named Guest run in the virtual machine that .ci/vm/run starts:
// against a real kernel with gpio-sim lines, and with a PCA9685 behind
// /dev/i2c-1 that can be told to fail.
func guest(t *testing.T) {
	t.Helper()
	if os.Getenv("KERFWIND_GUEST") == "" {
		t.Skip("runs in the virtual machine of .ci/vm/run")
	}
}

func start(t *testing.T, p Params) *Driver {
	t.Helper()
	began := time.Now()
	p.Now = func() time.Duration { return time.Since(began) }
	d, err := Open(p, Kernel())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = d.Halt() // each test looks at what it is about
		d.Close()
	})
	return d
}

// passed are reports that were taken and not asked for yet.
var passed = map[*Driver][]Report{}

// next waits for a report that is as wanted. Others stay for later.
func next(t *testing.T, d *Driver, wanted func(Report) bool) Report {
	t.Helper()
	limit, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	for {
		if i := slices.IndexFunc(passed[d], wanted); i >= 0 {
			r := passed[d][i]
			passed[d] = slices.Delete(passed[d], i, i+1)
			return r
		}
		select {
		case <-d.Ready():
			passed[d] = d.Take(passed[d])
		case <-limit.Done():
			t.Fatal("nothing was reported for 10 s")
		}
	}
}

// outcome waits for what becomes of a command.
func outcome(t *testing.T, d *Driver, seq uint32) (control.Outcome, error) {
	t.Helper()
	r := next(t, d, func(r Report) bool { return r.Input.Kind == control.OutputIs && r.Input.Seq == seq })
	return control.Outcome(r.Input.State), r.Err
}

// write writes a file of /sys.
func write(t *testing.T, path string, value any) {
	t.Helper()
	if err := os.WriteFile(path, fmt.Append(nil, value), 0); err != nil {
		t.Fatal(err)
	}
}

// read reads a file of /sys.
func read(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(b))
}

// sim is the far side of a line: what is connected to it.
func sim(t *testing.T, chip string, line int, file string) string {
	t.Helper()
	found, err := filepath.Glob(fmt.Sprintf("/sys/devices/platform/gpio-sim.*/gpiochip*/sim_gpio%d/%s", line, file))
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range found {
		name := filepath.Base(filepath.Dir(filepath.Dir(p)))
		if f, err := (kernel{"/dev"}).chip(chip); err == nil {
			same := filepath.Base(f.Name()) == name
			_ = f.Close()
			if same {
				return p
			}
		}
	}
	t.Fatalf("no %s of line %d of %q among %q", file, line, chip, found)
	return ""
}

// connect closes or opens the contact at a line.
func connect(t *testing.T, chip string, line int, closed bool) {
	t.Helper()
	pull := "pull-up"
	if closed {
		pull = "pull-down"
	}
	write(t, sim(t, chip, line, "pull"), pull)
}

func level(t *testing.T, chip string, line int) string {
	t.Helper()
	return read(t, sim(t, chip, line, "value"))
}

const tracing = "/sys/kernel/tracing/"

// traced runs do and returns what the kernel did to the chip's lines in the
// meantime: "17 set 1", "17 out", …, each with its instant in seconds.
func traced(t *testing.T, chip string, do func()) []traceLine {
	t.Helper()
	write(t, tracing+"events/gpio/enable", 1)
	write(t, tracing+"trace", "")
	write(t, tracing+"tracing_on", 1)
	do()
	write(t, tracing+"tracing_on", 0)
	write(t, tracing+"events/gpio/enable", 0)
	base := -1
	f, err := (kernel{"/dev"}).chip(chip)
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Base(f.Name())
	_ = f.Close()
	for l := range strings.Lines(read(t, "/sys/kernel/debug/gpio")) {
		if n, err := fmt.Sscanf(l, name+": GPIOs %d-", &base); n == 1 && err == nil {
			break
		}
	}
	if base < 0 {
		t.Fatalf("/sys/kernel/debug/gpio does not tell the base of %s", name)
	}
	re := regexp.MustCompile(`(\d+\.\d+): gpio_(value|direction): (\d+)\s+(\S+)\s+\(?(-?\d+)`)
	var out []traceLine
	s := bufio.NewScanner(strings.NewReader(read(t, tracing+"trace")))
	for s.Scan() {
		m := re.FindStringSubmatch(s.Text())
		if m == nil {
			continue
		}
		n, _ := strconv.Atoi(m[3]) // the pattern lets only digits through
		at, _ := strconv.ParseFloat(m[1], 64)
		what := m[4]
		if m[2] == "value" {
			what += " " + m[5]
		}
		out = append(out, traceLine{at, n - base, what})
	}
	return out
}

type traceLine struct {
	at   float64
	line int
	what string
}

// of returns what happened to one line, in order.
func of(line int, trace []traceLine) []string {
	var out []string
	for _, l := range trace {
		if l.line == line {
			out = append(out, l.what)
		}
	}
	return out
}

const own, expander = "barn-pins", "switches"

// guestRig has every kind of output: a contactor's relay that is active high,
// an outlet's that is active low, a motor and a servo.
func guestRig() Params {
	return Params{
		Collector: &Relay{Name: "k0", Line: Line{own, 17}},
		Outlets:   []Outlet{{Relay: &Relay{Name: "k1", Line: Line{own, 27}, ActiveLow: true}}},
		Gates: []Gate{
			{Motor: &Motor{Name: "g5", Open: Line{own, 5}, Shut: Line{own, 6}, Longest: 5 * time.Second}},
			{Servo: &Servo{Name: "g0", Bus: "/dev/i2c-1", Address: 0x40, Open: 2 * time.Millisecond, Shut: time.Millisecond, Travel: 300 * time.Millisecond}},
		},
		Contacts: []Contact{
			{Name: "g5 open", Line: Line{expander, 6}, Debounce: 20 * time.Millisecond, Closed: true, Means: GateIsOpen},
			{Name: "g5 shut", Line: Line{expander, 7}, Debounce: 20 * time.Millisecond, Closed: true, Means: GateIsShut},
			{Name: "bin door", Line: Line{own, 22}, Debounce: 20 * time.Millisecond, Means: StopActs},
		},
	}
}

// No output shows its on level when it is requested, switched, halted or let
// go, in whatever way it is wired.
func TestGuestNoGlitch(t *testing.T) {
	guest(t)
	trace := traced(t, own, func() {
		d := start(t, guestRig())
		d.Apply(control.Command{Seq: 1, Kind: control.CollectorOff})
		d.Apply(control.Command{Seq: 2, Kind: control.OutletOff})
		for seq := range uint32(2) {
			if o, err := outcome(t, d, seq+1); o != control.Done {
				t.Error(err)
			}
		}
		d.Apply(control.Command{Seq: 3, Kind: control.CollectorOn})
		d.Apply(control.Command{Seq: 4, Kind: control.OutletOn})
		for seq := range uint32(2) {
			if o, err := outcome(t, d, seq+3); o != control.Done {
				t.Error(err)
			}
		}
		if err := d.Halt(); err != nil {
			t.Error(err)
		}
		if err := d.Halt(); err != nil {
			t.Error(err)
		}
		d.Close()
	})
	for line, wanted := range map[int]string{
		17: "set 0,out,set 0,set 1,set 0,set 0", // active high
		27: "set 1,out,set 1,set 0,set 1,set 1", // active low
		5:  "set 0,out,set 0,set 0",
		6:  "set 0,out,set 0,set 0",
	} {
		if got := strings.Join(of(line, trace), ","); got != wanted {
			t.Errorf("line %d: %s, want %s", line, got, wanted)
		}
	}
}

// Both ways of a motor, from the far side of its lines and end switches.
func TestGuestMotor(t *testing.T) {
	guest(t)
	connect(t, expander, 6, false)
	connect(t, expander, 7, false)
	connect(t, own, 22, true)
	d := start(t, guestRig())
	connect(t, expander, 7, true) // the request has set the pull-ups
	connect(t, own, 22, true)
	next(t, d, func(r Report) bool {
		return r.Input == control.Input{Kind: control.GateIs, State: uint8(control.ShownShut)}
	})
	trace := traced(t, own, func() {
		d.Apply(open(1, 0))
		if o, err := outcome(t, d, 1); o != control.Done {
			t.Fatal(err)
		}
		if a, b := level(t, own, 5), level(t, own, 6); a != "1" || b != "0" {
			t.Errorf("opening: %s %s", a, b)
		}
		connect(t, expander, 7, false)
		connect(t, expander, 6, true)
		next(t, d, func(r Report) bool {
			return r.Input == control.Input{Kind: control.GateIs, State: uint8(control.ShownOpen)}
		})
		// The motor's worker is woken by the same change; the shut command
		// comes after it, with the dead time.
		d.Apply(shut(2, 0))
		if o, err := outcome(t, d, 2); o != control.Done {
			t.Fatal(err)
		}
		if a, b := level(t, own, 5), level(t, own, 6); a != "0" || b != "1" {
			t.Errorf("shutting: %s %s", a, b)
		}
		d.Apply(stop(3, 0))
		if o, err := outcome(t, d, 3); o != control.Done {
			t.Fatal(err)
		}
		if a, b := level(t, own, 5), level(t, own, 6); a != "0" || b != "0" {
			t.Errorf("stopped: %s %s", a, b)
		}
	})
	on := map[int]bool{}
	var off float64
	for _, l := range trace {
		switch {
		case l.line != 5 && l.line != 6:
		case l.what == "set 1":
			if on[5] || on[6] {
				t.Error("both ways are on")
			}
			if l.line == 6 {
				dead := l.at - off
				t.Logf("dead time %.1f ms", 1e3*dead)
				if dead < MinDead.Seconds() {
					t.Errorf("a dead time of %.1f ms", 1e3*dead)
				}
			}
			on[l.line] = true
		case l.what == "set 0":
			if on[5] && l.line == 5 {
				off = l.at
			}
			on[l.line] = false
		}
	}
}

// A contact that bounces is reported once, with the instant from the kernel;
// an opened stop contact is Open.
func TestGuestContactBounces(t *testing.T) {
	guest(t)
	connect(t, own, 22, true)
	d := start(t, guestRig())
	connect(t, own, 22, true)
	next(t, d, func(r Report) bool {
		return r.Input == control.Input{Kind: control.StopIs, State: uint8(control.Closed)}
	})
	passed[d] = nil
	began := d.p.Now()
	for i := range 11 {
		connect(t, own, 22, i%2 == 1)
	}
	r := next(t, d, func(r Report) bool { return r.Input.Kind == control.StopIs })
	if control.Contact(r.Input.State) != control.Open {
		t.Errorf("%+v", r)
	}
	if late := r.At - began; late < 20*time.Millisecond || late > 5*time.Second {
		t.Errorf("reported as of %v after the first bounce", late)
	}
	connect(t, own, 22, true)
	r = next(t, d, func(r Report) bool { return r.Input.Kind == control.StopIs })
	if control.Contact(r.Input.State) != control.Closed {
		t.Errorf("a bounce was reported: %+v", r)
	}
}

const i2c = "/sys/module/fakei2c/parameters/"

// register reads a register of the PCA9685 from the chip's side.
func register(t *testing.T, n int) int {
	t.Helper()
	v, err := strconv.Atoi(strings.Split(read(t, i2c+"reg"), ",")[n])
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestGuestServo(t *testing.T) {
	guest(t)
	d := start(t, guestRig())
	if m, p := register(t, 0), register(t, 0xFE); m != 0x20 || p != 121 {
		t.Errorf("MODE1 0x%02x, PRE_SCALE %d", m, p)
	}
	d.Apply(open(1, 1))
	if o, err := outcome(t, d, 1); o != control.Done {
		t.Fatal(err)
	}
	if lo, hi := register(t, 8), register(t, 9); lo != 0x9a || hi != 1 {
		t.Errorf("OFF is 0x%02x%02x", hi, lo)
	}
	write(t, i2c+"naks", 1)
	d.Apply(shut(2, 1))
	if o, err := outcome(t, d, 2); o != control.Done {
		t.Errorf("one transfer that is not acknowledged: %v", err)
	}
	write(t, i2c+"naks", 4)
	d.Apply(open(3, 1))
	o, err := outcome(t, d, 3)
	if o != control.Failed {
		t.Error("done, although nobody answered")
	}
	has(t, err, "servo chip 0x40 on /dev/i2c-1: no answer", "i2cdetect -y 1")
	write(t, i2c+"naks", 0)
	write(t, i2c+"dip", 1)
	d.Apply(open(4, 1))
	if o, err := outcome(t, d, 4); o != control.Done {
		t.Errorf("after a dip of the supply: %v", err)
	}
	if lo, hi := register(t, 8), register(t, 9); lo != 0x9a || hi != 1 {
		t.Errorf("after a dip OFF is 0x%02x%02x", hi, lo)
	}
	if err := d.Halt(); err != nil {
		t.Error(err)
	}
	if hi := register(t, 9); hi&0x10 == 0 {
		t.Errorf("after halt OFF_H is 0x%02x", hi)
	}
	if n := read(t, i2c+"wrong"); n != "0" {
		t.Errorf("%s writes that have no effect", n)
	}
}

// While a transfer on the I2C bus hangs for seconds the contactor switches at
// once, and Halt ends in time.
func TestGuestHungChip(t *testing.T) {
	guest(t)
	d := start(t, guestRig())
	write(t, i2c+"hang", 3000)
	d.Apply(open(1, 1))
	for began := time.Now(); read(t, i2c+"busy") == "0"; {
		if time.Since(began) > 10*time.Second {
			t.Fatal("no transfer hangs")
		}
	}
	var worst time.Duration
	for seq := uint32(2); seq < 42; seq++ {
		k := control.CollectorOn
		if seq%2 == 1 {
			k = control.CollectorOff
		}
		began := time.Now()
		d.Apply(control.Command{Seq: seq, Kind: k})
		if o, err := outcome(t, d, seq); o != control.Done {
			t.Fatal(err)
		}
		worst = max(worst, time.Since(began))
		if want := strconv.Itoa(int(1 - seq%2)); level(t, own, 17) != want {
			t.Errorf("after command %d the line is not %s", seq, want)
		}
	}
	if read(t, i2c+"busy") != "1" {
		t.Error("the bus did not hang all that time")
	}
	t.Logf("contactor switched 40 times while the bus hung, slowest %v from command to answer", worst)
	if worst > 500*time.Millisecond {
		t.Errorf("slowest %v", worst)
	}
	if o, err := outcome(t, d, 1); o != control.Failed || !errors.Is(err, ErrNoAnswer) {
		t.Errorf("the gate on the hung bus: %v, %v", o, err)
	}
	d.Apply(control.Command{Seq: 50, Kind: control.CollectorOn})
	if o, err := outcome(t, d, 50); o != control.Done {
		t.Fatal(err)
	}
	began := time.Now()
	err := d.Halt()
	took := time.Since(began)
	t.Logf("halt took %v: %v", took, err)
	if took > haltWithin+time.Second || err == nil {
		t.Errorf("halt took %v and said %v", took, err)
	}
	if level(t, own, 17) != "0" {
		t.Error("the contactor is on after halt")
	}
	write(t, i2c+"hang", 0)
}

// What is missing, busy or forbidden is said with its remedy.
func TestGuestRefusals(t *testing.T) {
	guest(t)
	k := Kernel()
	_, err := k.Output(Line{"pinctrl-bcm2835", 17}, false, "k0")
	has(t, err, `no GPIO chip "pinctrl-bcm2835"; this computer has`, `"barn-pins" (gpiochip`, `"switches" (gpiochip`)
	_, err = k.Output(Line{own, 28}, false, "k0")
	has(t, err, `line 28 of "barn-pins" is not there: the chip has lines 0 to 27`)
	held, err := k.Output(Line{own, 9}, false, "k7")
	if err != nil {
		t.Fatal(err)
	}
	_, err = k.Input(Line{own, 9}, 0, "door")
	has(t, err, `line 9 of "barn-pins" is in use by "kerfwind k7"`, "systemctl stop kerfwind")
	if err := held.Close(); err != nil {
		t.Error(err)
	}
	_, err = k.Bus("/dev/i2c-7")
	has(t, err, "/dev/i2c-7 is not there", "dtparam=i2c_arm=on")
	p := guestRig()
	p.Gates[1].Servo.Address = 0x41
	p.Now = func() time.Duration { return 0 }
	_, err = Open(p, k)
	has(t, err, "servo chip 0x41 on /dev/i2c-1: no answer")

	// As another user, who may not open anything.
	for path, gid := range map[string]int{"/dev/i2c-1": 998, "/dev/gpiochip0": 997, "/dev/gpiochip1": 997} {
		if err := os.Chown(path, 0, gid); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, 0o660); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command("/proc/self/exe", "-test.run", "^TestGuestForbidden$", "-test.v")
	cmd.Env = append(os.Environ(), "KERFWIND_GUEST_USER=1")
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 1000, Gid: 1000}}
	out, err := cmd.CombinedOutput()
	if err != nil || !strings.Contains(string(out), "PASS: TestGuestForbidden") {
		t.Errorf("%v\n%s", err, out)
	}
}

// TestGuestForbidden runs in a child without rights.
func TestGuestForbidden(t *testing.T) {
	guest(t)
	if os.Getenv("KERFWIND_GUEST_USER") == "" {
		t.Skip("runs as a child of TestGuestRefusals")
	}
	_, err := Kernel().Output(Line{own, 17}, false, "k0")
	has(t, err, `group "gpio"`, "usermod -aG gpio")
	_, err = Kernel().Bus("/dev/i2c-1")
	has(t, err, `/dev/i2c-1 may not be opened`, `group "i2c"`)
}

// A program that dies by a panic halts first; one that is killed is cleaned up
// after by Inert. No line shows its on level in either case but while it was
// commanded.
func TestGuestPanicAndKill(t *testing.T) {
	guest(t)
	for _, how := range []string{"panic", "kill"} {
		var out []byte
		trace := traced(t, own, func() {
			cmd := exec.Command("/proc/self/exe", "-test.run", "^TestGuestChild$", "-test.v")
			cmd.Env = append(os.Environ(), "KERFWIND_GUEST_CHILD="+how)
			out, _ = cmd.CombinedOutput() // it always ends badly
			if how == "kill" {
				if hi := register(t, 9); hi&0x10 != 0 {
					t.Error("the killed program had no pulse to leave behind")
				}
				p := guestRig()
				p.Now = func() time.Duration { return 0 }
				for range 2 {
					if err := Inert(p, Kernel()); err != nil {
						t.Error(err)
					}
				}
			}
		})
		if !strings.Contains(string(out), "all is on") {
			t.Fatalf("%s: the child did not come so far:\n%s", how, out)
		}
		if hi := register(t, 9); hi&0x10 == 0 {
			t.Errorf("%s: the servo still has a pulse", how)
		}
		for line, on := range map[int]string{17: "set 1", 27: "set 0", 5: "set 1", 6: "set 1"} {
			got := of(line, trace)
			t.Logf("%s, line %d: %s", how, line, strings.Join(got, ", "))
			n := 0
			for _, s := range got {
				if s == on {
					n++
				}
			}
			switch {
			case line == 6 && n != 0:
				t.Errorf("%s: line 6 was on and never commanded: %q", how, got)
			case line != 6 && n != 1:
				t.Errorf("%s: line %d was on %d times, commanded once: %q", how, line, n, got)
			}
			if got[0] == on || got[len(got)-1] == on {
				t.Errorf("%s: line %d begins or ends on: %q", how, line, got)
			}
		}
	}
}

// TestGuestChild switches everything on and dies.
func TestGuestChild(t *testing.T) {
	guest(t)
	how := os.Getenv("KERFWIND_GUEST_CHILD")
	if how == "" {
		t.Skip("runs as a child of TestGuestPanicAndKill")
	}
	p := guestRig()
	p.Now = func() time.Duration { return 0 }
	d, err := Open(p, Kernel())
	if err != nil {
		t.Fatal(err)
	}
	for i, c := range []control.Command{{Kind: control.CollectorOn}, {Kind: control.OutletOn}, {Kind: control.GateOpen, ID: 0}, {Kind: control.GateOpen, ID: 1}} {
		c.Seq = uint32(i + 1)
		d.Apply(c)
		if o, err := outcome(t, d, c.Seq); o != control.Done {
			t.Fatal(err)
		}
	}
	fmt.Println("all is on")
	if how == "kill" {
		if err := syscall.Kill(os.Getpid(), syscall.SIGKILL); err != nil {
			t.Fatal(err)
		}
		select {}
	}
	w := newWorker(d)
	w.add(target{'g', 9}, panicking{})
	w.start()
	w.wake()
	select {}
}
