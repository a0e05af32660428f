package drive

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/control"
)

// Values of PRE_SCALE: 200 Hz -> 30 is the data sheet's own example (7.3.5),
// the others follow from the same formula, computed by hand.
func TestPrescale(t *testing.T) {
	for rate, want := range map[float64]byte{1: 255, 50: 121, 60: 101, 100: 60, 200: 30, 330: 17, 2000: 3} {
		if got := prescale(rate); got != want {
			t.Errorf("%v Hz: %d, want %d", rate, got, want)
		}
	}
}

// A count at 50 Hz is 122 periods of 25 MHz, 4.88 µs: 1.5 ms are 307.4 of them.
func TestCounts(t *testing.T) {
	for us, want := range map[int]int{500: 102, 1000: 205, 1500: 307, 2000: 410, 2500: 512} {
		if got := counts(time.Duration(us) * time.Microsecond); got != want {
			t.Errorf("%d µs: %d counts, want %d", us, got, want)
		}
	}
}

// servos is a rig of n servo gates on one chip.
func servos(n int) Params {
	var p Params
	for i := range n {
		p.Gates = append(p.Gates, Gate{Servo: &Servo{Name: "s", Bus: "/dev/i2c-1", Address: 0x40, Output: i,
			Open: 2000 * time.Microsecond, Shut: 1000 * time.Microsecond, Travel: 900 * time.Millisecond}})
	}
	return p
}

func open(seq uint32, id control.ID) control.Command {
	return control.Command{Seq: seq, Kind: control.GateOpen, ID: id}
}

func shut(seq uint32, id control.ID) control.Command {
	return control.Command{Seq: seq, Kind: control.GateShut, ID: id}
}

func stop(seq uint32, id control.ID) control.Command {
	return control.Command{Seq: seq, Kind: control.GateStop, ID: id}
}

// The order of the writes: everything off first; PRE_SCALE only in sleep
// (data sheet 7.3.5); AI before anything longer than a byte.
func TestServoChipSetUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		b := f.bus("/dev/i2c-1", 0x40)
		d := rig(t, f, servos(4))
		want(t, b.writes(), "40: fd 10", "40: 01 04", "40: 00 30", "40: fe 79", "40: 00 20")
		d.Apply(open(1, 2))
		want(t, seen(d), "gate-open#1 2 done")
		want(t, b.writes(), "40: 0e 00 00 9a 01") // output 2: 410 counts
		if got := b.chips[0x40].Pulse(2); got != 2000800*time.Nanosecond {
			t.Errorf("the servo sees %v", got)
		}
		d.Apply(shut(2, 2))
		wait(time.Second)
		want(t, b.writes(), "40: 0e 00 00 cd 00")
		if err := d.Halt(); err != nil {
			t.Error(err)
		}
		want(t, b.writes(), "40: fd 10")
		if b.chips[0x40].Running() {
			t.Error("pulses after halt")
		}
	})
}

func TestServoOutputEnable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.bus("/dev/i2c-1", 0x40)
		p := servos(1)
		oe := Line{"pins", 4}
		p.Chips = []Chip{{Bus: "/dev/i2c-1", Address: 0x40, Enable: &Relay{Name: "oe", Line: oe, ActiveLow: true}}}
		d := rig(t, f, p)
		if !f.on(oe) {
			t.Error("outputs are not enabled after set-up")
		}
		if err := d.Halt(); err != nil {
			t.Error(err)
		}
		if f.on(oe) {
			t.Error("outputs are enabled after halt")
		}
	})
}

func TestServoStagger(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		b := f.bus("/dev/i2c-1", 0x40)
		d := rig(t, f, servos(3))
		for i := range 3 {
			d.Apply(open(uint32(i+1), control.ID(i)))
		}
		want(t, seen(d), "gate-open#1 0 done")
		wait(Stagger - time.Millisecond)
		want(t, seen(d))
		wait(time.Millisecond)
		want(t, seen(d), "gate-open#2 1 done")
		// A stop takes a waiting gate out; the others go on.
		d.Apply(stop(4, 2))
		want(t, seen(d), "gate-stop#4 2 done")
		wait(time.Second)
		want(t, seen(d))
		if b.chips[0x40].Pulse(2) != 0 || b.chips[0x40].Pulse(1) == 0 {
			t.Error("the stopped gate moves, or the other does not")
		}
	})
}

// However many servos a bus has, each gets its turn before its command counts as
// failed, also when others are turned round again and again meanwhile.
func TestManyServos(t *testing.T) {
	for name, turns := range map[string]int{"once": 0, "turned round": 80} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				const n = 2 * outputs
				f := newFake(t)
				b := f.bus("/dev/i2c-1", 0x40, 0x41)
				p := servos(n)
				for i := range p.Gates {
					s := p.Gates[i].Servo
					s.Address, s.Output = 0x40+i/outputs, i%outputs
				}
				d := rig(t, f, p)
				for i := range n {
					d.Apply(open(uint32(i+1), control.ID(i)))
				}
				for i := range turns {
					c := []func(uint32, control.ID) control.Command{stop, open}[i%2]
					d.Apply(c(uint32(n+i+1), control.ID(n-2)))
					wait(50 * time.Millisecond)
				}
				wait(time.Minute)
				done := 0
				for _, line := range seen(d) {
					if strings.HasPrefix(line, "gate-open") && strings.HasSuffix(line, "done") {
						done++
					} else if !strings.HasPrefix(line, "gate-stop") {
						t.Error(line)
					}
				}
				if done < n || b.chips[0x41].Pulse(outputs-1) == 0 {
					t.Errorf("%d of %d have opened", done, n)
				}
				c := open(1, 0)
				if w, g := p.Within(c), p.GateAnswer(0); w < Answer+(n-1)*Stagger || g <= w || p.Within(collector(1, true)) != Answer {
					t.Errorf("a servo's command may take %v, control waits %v", w, g)
				}
			})
		})
	}
}

func TestServoSlowAndRelease(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		b := f.bus("/dev/i2c-1", 0x40)
		m := b.chips[0x40]
		p := servos(1)
		s := p.Gates[0].Servo
		s.Slow, s.Release = 800*time.Millisecond, 300*time.Millisecond
		d := rig(t, f, p)
		at := func() time.Duration {
			b.mu.Lock()
			defer b.mu.Unlock()
			return m.Pulse(0)
		}
		near := func(want time.Duration) {
			t.Helper()
			if got := at(); (got - want).Abs() > 5*time.Microsecond {
				t.Errorf("after %v the pulse is %v, want %v", f.now(), got, want)
			}
		}
		// Where it stands is not known yet: at once.
		d.Apply(shut(1, 0))
		synctest.Wait()
		near(1000 * time.Microsecond)
		wait(1200*time.Millisecond - 1)
		near(1000 * time.Microsecond)
		wait(1)
		if at() != 0 {
			t.Error("not released after travel and release time")
		}
		d.Apply(open(2, 0))
		synctest.Wait()
		near(1000 * time.Microsecond)
		before := at()
		for range 40 { // 800 ms in steps of 20 ms
			wait(rampStep)
			now := at()
			if step := now - before; step < 0 || step > 31*time.Microsecond {
				t.Errorf("a step of %v", step)
			}
			before = now
		}
		near(2000 * time.Microsecond)
		wait(1200 * time.Millisecond)
		if at() != 0 {
			t.Error("not released")
		}
		// Turned round half-way: from where it is.
		d.Apply(shut(3, 0))
		wait(400 * time.Millisecond)
		near(1500 * time.Microsecond)
		d.Apply(open(4, 0))
		wait(200 * time.Millisecond)
		near(1750 * time.Microsecond)
		// Stopped half-way: no pulse, and slowly on from there.
		d.Apply(stop(5, 0))
		synctest.Wait()
		if at() != 0 {
			t.Error("pulses after a stop")
		}
		wait(time.Second)
		d.Apply(shut(6, 0))
		synctest.Wait()
		near(1750 * time.Microsecond)
		want(t, seen(d), "gate-shut#1 0 done", "gate-open#2 0 done", "gate-shut#3 0 done", "gate-open#4 0 done", "gate-stop#5 0 done", "gate-shut#6 0 done")
	})
}

// A chip that forgot its settings when the supply dipped is set up again.
func TestServoChipDips(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		b := f.bus("/dev/i2c-1", 0x40)
		d := rig(t, f, servos(1))
		b.set(b.chips[0x40].Reset)
		d.Apply(open(1, 0))
		wait(settle)
		want(t, seen(d), "trouble: servo chip 0x40 on /dev/i2c-1: it had lost its settings: does its supply dip?", "gate-open#1 0 done")
		if b.chips[0x40].Pulse(0) == 0 {
			t.Error("no pulse")
		}
	})
}

func TestServoBusErrors(t *testing.T) {
	nak := silent(1, 0x40, errors.New("sysfs-i2c: remote I/O error"))
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		b := f.bus("/dev/i2c-1", 0x40)
		d := rig(t, f, servos(1))
		b.set(func() { b.errs = []error{nak} }) // one is nothing
		d.Apply(open(1, 0))
		want(t, seen(d), "gate-open#1 0 done")
		wait(Stagger)
		b.set(func() { b.errs = []error{nak, nak} })
		d.Apply(shut(2, 0))
		want(t, seen(d), "gate-shut#2 0 failed: servo chip 0x40 on /dev/i2c-1: no answer: look at its supply, its wires and its address jumpers (i2cdetect -y 1 shows who answers)")
		b.set(func() { b.errs = []error{nak, nak} })
		if err := d.Halt(); err == nil {
			t.Error("halt says nothing of a chip that it could not reach")
		}
		if err := d.Halt(); err != nil {
			t.Errorf("halt again: %v", err)
		}
	})
}

// A chip that reads back something else than was written has not moved a gate.
func TestServoReadBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		b := f.bus("/dev/i2c-1", 0x40)
		d := rig(t, f, servos(1))
		d.buses[0].lock.take()
		d.buses[0].dev = deaf{d.buses[0].dev}
		d.buses[0].lock.free()
		d.Apply(open(1, 0))
		want(t, seen(d), "gate-open#1 0 failed: servo chip 0x40 on /dev/i2c-1: register 0x06 reads 00 00 00 10 after 00 00 9a 01 was written")
		b.writes()
	})
}

// deaf is a bus whose chips keep no pulse.
type deaf struct{ Bus }

func (b deaf) Tx(addr uint16, w, r []byte) error {
	if len(r) == 0 && w[0] >= regLED0 && w[0] < regAllOffH {
		return nil
	}
	return b.Bus.Tx(addr, w, r)
}

// Halt does not wait for a bus that hangs longer than it may, and the lines
// are off long before.
func TestHaltWhileTheBusHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		b := f.bus("/dev/i2c-1", 0x40)
		p := servos(2)
		k := Line{"pins", 17}
		p.Collector = &Relay{Name: "k0", Line: k}
		d := rig(t, f, p)
		d.Apply(control.Command{Seq: 1, Kind: control.CollectorOn})
		hang := make(chan struct{})
		b.set(func() { b.hang = hang })
		d.Apply(open(2, 0))
		synctest.Wait()
		began := time.Now()
		err := d.Halt()
		if took := time.Since(began); took != haltWithin {
			t.Errorf("halt took %v", took)
		}
		if err == nil || err.Error() != "1 of 2 outputs and buses did not answer within 2s: cut their supply" {
			t.Errorf("halt says %v", err)
		}
		l := f.log(k)
		if len(l) != 2 || l[1].on || l[1].at != l[0].at {
			t.Errorf("the contactor: %v", l)
		}
		// The bus comes back: the chip is silenced after all, and nothing
		// that had been queued is carried out.
		b.set(func() { b.hang = nil })
		close(hang)
		wait(time.Second)
		if b.chips[0x40].Running() {
			t.Error("pulses after halt")
		}
		d.Apply(open(3, 1))
		d.Apply(control.Command{Seq: 4, Kind: control.CollectorOn})
		got := seen(d)
		if !slices.Contains(got, "collector-on#4 0 failed: the outputs are halted") || !slices.Contains(got, "gate-open#3 1 failed: servo chip 0x40 on /dev/i2c-1: the outputs are halted") {
			t.Errorf("%q", got)
		}
	})
}

// A command that a hung bus keeps from being done is given up in time, and not
// done when the bus comes back; the contactor does not wait for it.
func TestHungBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		b := f.bus("/dev/i2c-1", 0x40)
		p := servos(3)
		p.Collector = &Relay{Name: "k0", Line: Line{"pins", 17}}
		d := rig(t, f, p)
		hang := make(chan struct{})
		b.set(func() { b.hang = hang })
		d.Apply(open(1, 0))
		d.Apply(open(2, 1))
		d.Apply(open(3, 2))
		d.Apply(control.Command{Seq: 4, Kind: control.CollectorOn})
		want(t, seen(d), "collector-on#4 0 done")
		wait(p.Within(open(1, 0)) - time.Millisecond)
		want(t, seen(d))
		d.Apply(shut(5, 2)) // newer than what is given up
		wait(time.Millisecond)
		got := seen(d)
		slices.Sort(got)
		want(t, got, "gate-open#1 0 failed: no answer from the output in time", "gate-open#2 1 failed: no answer from the output in time")
		b.set(func() { b.hang = nil })
		close(hang)
		wait(time.Second)
		want(t, seen(d), "gate-shut#5 2 done")
		m := b.chips[0x40]
		if m.Pulse(1) != 0 {
			t.Error("a command that was given up was carried out")
		}
		if m.Pulse(2) != 1000400*time.Nanosecond {
			t.Errorf("the gate with the newer command has %v", m.Pulse(2))
		}
	})
}
