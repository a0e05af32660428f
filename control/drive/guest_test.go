package drive

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"kerfwind/control"
	"kerfwind/testdata/guest"
)

// The tests named Guest run in the virtual machine that .ci/vm/run starts:
// against a real kernel with gpio-sim lines, and with a PCA9685 behind
// /dev/i2c-1 that can be told to fail.

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

// guestRig has every kind of output: a contactor's relay that is active high,
// an outlet's that is active low, a motor and a servo.
func guestRig() Params {
	return Params{
		Collector: &Relay{Name: "k0", Line: Line{guest.Own, 17}},
		Outlets:   []Outlet{{Relay: &Relay{Name: "k1", Line: Line{guest.Own, 27}, ActiveLow: true}}},
		Gates: []Gate{
			{Motor: &Motor{Name: "g5", Open: Line{guest.Own, 5}, Shut: Line{guest.Own, 6}, Longest: 5 * time.Second}},
			{Servo: &Servo{Name: "g0", Bus: "/dev/i2c-1", Address: 0x40, Open: 2 * time.Millisecond, Shut: time.Millisecond, Travel: 300 * time.Millisecond}},
		},
		Contacts: []Contact{
			{Name: "g5 open", Line: Line{guest.Expander, 6}, Debounce: 20 * time.Millisecond, Closed: true, Means: GateIsOpen},
			{Name: "g5 shut", Line: Line{guest.Expander, 7}, Debounce: 20 * time.Millisecond, Closed: true, Means: GateIsShut},
			{Name: "bin door", Line: Line{guest.Own, 22}, Debounce: 20 * time.Millisecond, Means: StopActs},
		},
	}
}

// No output shows its on level when it is requested, switched, halted or let
// go, in whatever way it is wired.
func TestGuestNoGlitch(t *testing.T) {
	guest.Require(t)
	trace := guest.Record(t, guest.Own, func() {
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
		if got := strings.Join(trace.Outputs(line), ","); got != wanted {
			t.Errorf("line %d: %s, want %s", line, got, wanted)
		}
	}
}

// Both ways of a motor, from the far side of its lines and end switches.
func TestGuestMotor(t *testing.T) {
	guest.Require(t)
	guest.Contact(t, guest.Expander, 6, false)
	guest.Contact(t, guest.Expander, 7, true)
	guest.Contact(t, guest.Own, 22, true)
	d := start(t, guestRig())
	next(t, d, func(r Report) bool {
		return r.Input == control.Input{Kind: control.GateIs, State: uint8(control.ShownShut)}
	})
	trace := guest.Record(t, guest.Own, func() {
		d.Apply(open(1, 0))
		if o, err := outcome(t, d, 1); o != control.Done {
			t.Fatal(err)
		}
		if a, b := guest.High(t, guest.Own, 5), guest.High(t, guest.Own, 6); !a || b {
			t.Errorf("opening: %v %v", a, b)
		}
		guest.Contact(t, guest.Expander, 7, false)
		guest.Contact(t, guest.Expander, 6, true)
		next(t, d, func(r Report) bool {
			return r.Input == control.Input{Kind: control.GateIs, State: uint8(control.ShownOpen)}
		})
		// The motor's worker is woken by the same change; the shut command
		// comes after it, with the dead time.
		d.Apply(shut(2, 0))
		if o, err := outcome(t, d, 2); o != control.Done {
			t.Fatal(err)
		}
		if a, b := guest.High(t, guest.Own, 5), guest.High(t, guest.Own, 6); a || !b {
			t.Errorf("shutting: %v %v", a, b)
		}
		d.Apply(stop(3, 0))
		if o, err := outcome(t, d, 3); o != control.Done {
			t.Fatal(err)
		}
		if a, b := guest.High(t, guest.Own, 5), guest.High(t, guest.Own, 6); a || b {
			t.Errorf("stopped: %v %v", a, b)
		}
	})
	on := map[int]bool{}
	var off float64
	for _, l := range trace {
		switch {
		case l.Line != 5 && l.Line != 6:
		case l.What == "set 1":
			if on[5] || on[6] {
				t.Error("both ways are on")
			}
			if l.Line == 6 {
				dead := l.At - off
				t.Logf("dead time %.1f ms", 1e3*dead)
				if dead < DeadTime.Seconds() {
					t.Errorf("a dead time of %.1f ms", 1e3*dead)
				}
			}
			on[l.Line] = true
		case l.What == "set 0":
			if on[5] && l.Line == 5 {
				off = l.At
			}
			on[l.Line] = false
		}
	}
}

// A contact that bounces is reported once, with the instant from the kernel;
// an opened stop contact is Open.
func TestGuestContactBounces(t *testing.T) {
	guest.Require(t)
	guest.Contact(t, guest.Own, 22, true)
	d := start(t, guestRig())
	next(t, d, func(r Report) bool {
		return r.Input == control.Input{Kind: control.StopIs, State: uint8(control.Closed)}
	})
	passed[d] = nil
	began := d.p.Now()
	for i := range 11 {
		guest.Contact(t, guest.Own, 22, i%2 == 1)
	}
	r := next(t, d, func(r Report) bool { return r.Input.Kind == control.StopIs })
	if control.Contact(r.Input.State) != control.Open {
		t.Errorf("%+v", r)
	}
	if late := r.At - began; late < 20*time.Millisecond || late > 5*time.Second {
		t.Errorf("reported as of %v after the first bounce", late)
	}
	guest.Contact(t, guest.Own, 22, true)
	r = next(t, d, func(r Report) bool { return r.Input.Kind == control.StopIs })
	if control.Contact(r.Input.State) != control.Closed {
		t.Errorf("a bounce was reported: %+v", r)
	}
}

func TestGuestServo(t *testing.T) {
	guest.Require(t)
	d := start(t, guestRig())
	if m, p := guest.Register(t, 0), guest.Register(t, 0xFE); m != 0x20 || p != 121 {
		t.Errorf("MODE1 0x%02x, PRE_SCALE %d", m, p)
	}
	d.Apply(open(1, 1))
	if o, err := outcome(t, d, 1); o != control.Done {
		t.Fatal(err)
	}
	if lo, hi := guest.Register(t, 8), guest.Register(t, 9); lo != 0x9a || hi != 1 {
		t.Errorf("OFF is 0x%02x%02x", hi, lo)
	}
	guest.Write(t, guest.I2C+"naks", 1)
	d.Apply(shut(2, 1))
	if o, err := outcome(t, d, 2); o != control.Done {
		t.Errorf("one transfer that is not acknowledged: %v", err)
	}
	guest.Write(t, guest.I2C+"naks", 4)
	d.Apply(open(3, 1))
	o, err := outcome(t, d, 3)
	if o != control.Failed {
		t.Error("done, although nobody answered")
	}
	has(t, err, "servo chip 0x40 on /dev/i2c-1: no answer", "i2cdetect -y 1")
	guest.Write(t, guest.I2C+"naks", 0)
	guest.Write(t, guest.I2C+"dip", 1)
	d.Apply(open(4, 1))
	if o, err := outcome(t, d, 4); o != control.Done {
		t.Errorf("after a dip of the supply: %v", err)
	}
	if lo, hi := guest.Register(t, 8), guest.Register(t, 9); lo != 0x9a || hi != 1 {
		t.Errorf("after a dip OFF is 0x%02x%02x", hi, lo)
	}
	if err := d.Halt(); err != nil {
		t.Error(err)
	}
	if hi := guest.Register(t, 9); hi&0x10 == 0 {
		t.Errorf("after halt OFF_H is 0x%02x", hi)
	}
	if n := guest.Read(t, guest.I2C+"wrong"); n != "0" {
		t.Errorf("%s writes that have no effect", n)
	}
}

// While a transfer on the I2C bus hangs for seconds the contactor switches at
// once, and Halt ends in time.
func TestGuestHungChip(t *testing.T) {
	guest.Require(t)
	d := start(t, guestRig())
	guest.Write(t, guest.I2C+"hang", 3000)
	d.Apply(open(1, 1))
	guest.Until(t, "a transfer hangs", func() bool { return guest.Read(t, guest.I2C+"busy") != "0" })
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
		if on := seq%2 == 0; guest.High(t, guest.Own, 17) != on {
			t.Errorf("after command %d the contactor is on: %v", seq, !on)
		}
	}
	if guest.Read(t, guest.I2C+"busy") != "1" {
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
	if guest.High(t, guest.Own, 17) {
		t.Error("the contactor is on after halt")
	}
	guest.Write(t, guest.I2C+"hang", 0)
}

// What is missing, busy or forbidden is said with its remedy.
func TestGuestRefusals(t *testing.T) {
	guest.Require(t)
	k := Kernel()
	_, err := k.Output(Line{"pinctrl-bcm2835", 17}, false, "k0")
	has(t, err, `no GPIO chip "pinctrl-bcm2835"; this computer has`, `"barn-pins" (gpiochip`, `"switches" (gpiochip`)
	_, err = k.Output(Line{guest.Own, 28}, false, "k0")
	has(t, err, `there is no line 28 of "barn-pins": the chip has lines 0 to 27`)
	held, err := k.Output(Line{guest.Own, 9}, false, "k7")
	if err != nil {
		t.Fatal(err)
	}
	_, err = k.Input(Line{guest.Own, 9}, 0, "door")
	has(t, err, `line 9 of "barn-pins" is in use by "kerfwind k7"`, "systemctl stop kerfwind")
	if err := held.Close(); err != nil {
		t.Error(err)
	}
	_, err = k.Bus("/dev/i2c-7")
	has(t, err, "/dev/i2c-7 is missing", "dtparam=i2c_arm=on")
	p := guestRig()
	p.Gates[1].Servo.Address = 0x41
	p.Now = func() time.Duration { return 0 }
	d, err := Open(p, k)
	if err != nil {
		t.Fatal(err)
	}
	has(t, missings(d.Missing()).err(), "servo chip 0x41 on /dev/i2c-1: no answer")
	if err := d.Halt(); err != nil {
		t.Error(err)
	}
	d.Close()

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
	guest.Require(t)
	if os.Getenv("KERFWIND_GUEST_USER") == "" {
		t.Skip("runs as a child of TestGuestRefusals")
	}
	_, err := Kernel().Output(Line{guest.Own, 17}, false, "k0")
	has(t, err, `group "gpio"`, "usermod -aG gpio")
	_, err = Kernel().Bus("/dev/i2c-1")
	has(t, err, `/dev/i2c-1 may not be opened`, `group "i2c"`)
}

// A program that dies by a panic halts first; one that is killed is cleaned up
// after by Inert. No line shows its on level in either case but while it was
// commanded.
func TestGuestPanicAndKill(t *testing.T) {
	guest.Require(t)
	guest.Contact(t, guest.Expander, 6, false)
	for _, how := range []string{"panic", "kill"} {
		var out []byte
		trace := guest.Record(t, guest.Own, func() {
			cmd := exec.Command("/proc/self/exe", "-test.run", "^TestGuestChild$", "-test.v")
			cmd.Env = append(os.Environ(), "KERFWIND_GUEST_CHILD="+how)
			out, _ = cmd.CombinedOutput() // it always ends badly
			if how == "kill" {
				if hi := guest.Register(t, 9); hi&0x10 != 0 {
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
		if hi := guest.Register(t, 9); hi&0x10 == 0 {
			t.Errorf("%s: the servo still has a pulse", how)
		}
		for line, low := range map[int]bool{17: false, 27: true, 5: false, 6: false} {
			t.Logf("%s, line %d: %s", how, line, strings.Join(trace.Outputs(line), ", "))
			wanted := 1
			if line == 6 {
				wanted = 0 // never commanded
			}
			if n, off := trace.On(line, low); n != wanted || !off {
				t.Errorf("%s: line %d was on %d times, commanded %d times; off at both ends: %v", how, line, n, wanted, off)
			}
		}
	}
}

// TestGuestChild switches everything on and dies.
func TestGuestChild(t *testing.T) {
	guest.Require(t)
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
