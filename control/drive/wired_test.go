package drive

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/control"
	"kerfwind/testdata/chips"
)

// Every line is asked for with its own level, name and debounce, and only for what it does.
func TestAsWired(t *testing.T) {
	for _, low := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(t)
			f.bus("/dev/i2c-1", 0x40)
			relay := func(name string, n int) *Relay {
				return &Relay{Name: name, Line: Line{"pins", n}, ActiveLow: low}
			}
			p := servos(1)
			p.Chips = []Chip{{Bus: "/dev/i2c-1", Address: 0x40, Enable: relay("oe", 1)}}
			p.Collector, p.Heartbeat = relay("k0", 2), &Heartbeat{Line: Line{"pins", 3}, Every: time.Second}
			p.Outlets = []Outlet{{Relay: relay("air", 4)}}
			p.Gates = append(p.Gates, Gate{Relay: relay("blast", 5)},
				Gate{Motor: &Motor{Name: "slide", Open: Line{"pins", 6}, Shut: Line{"pins", 7}, ActiveLow: low, Longest: time.Second}})
			p.Lamps = []*Relay{relay("lamp", 8)}
			p.Contacts = []Contact{
				{Name: "end", Line: Line{"pins", 9}, Debounce: 30 * time.Millisecond, Closed: true, Means: GateIsOpen, ID: 2, Hold: time.Hour},
				{Name: "door", Line: Line{"pins", 10}, Debounce: 50 * time.Millisecond, Closed: true, Means: StopActs},
			}
			d := rig(t, f, p)
			names := []string{1: "oe", 2: "k0", 3: "heartbeat", 4: "air", 5: "blast", 6: "slide", 7: "slide", 8: "lamp"}
			for n := 1; n < len(names); n++ {
				o := f.lines[Line{"pins", n}]
				if o == nil || o.name != names[n] || o.low != (low && n != 3) || o.on != (n == 1) {
					t.Errorf("line %d: %+v, want %q", n, o, names[n])
				}
			}
			for i, c := range p.Contacts {
				if in := f.inputs[c.Line]; in == nil || in.name != c.Name || in.settle != c.Debounce {
					t.Errorf("contact %d: %+v", i, in)
				}
			}
			seen(d)
			// The motor looks at its own switch, not at another gate's.
			d.Apply(open(1, 2))
			want(t, seen(d), "gate-open#1 2 done")
			f.contact(Line{"pins", 9}, true)
			want(t, seen(d), "gate 2 open")
			if f.on(Line{"pins", 6}) {
				t.Error("it runs against its end")
			}
			for _, c := range []struct {
				on, off control.CommandKind
				n       int
				told    []string
			}{
				{control.CollectorOn, control.CollectorOff, 2, []string{"collector-on#2 0 done", "collector-off#3 0 done"}},
				{control.OutletOn, control.OutletOff, 4, []string{"outlet-on#2 0 done", "outlet-off#3 0 done"}},
				{control.IndicatorOn, control.IndicatorOff, 8, []string{"indicator-on#2 0 done", "indicator-off#3 0 done"}},
			} {
				d.Apply(control.Command{Seq: 2, Kind: c.on})
				want(t, seen(d), c.told[0])
				if !f.on(Line{"pins", c.n}) {
					t.Errorf("%v: line %d is off", c.on, c.n)
				}
				d.Apply(control.Command{Seq: 3, Kind: c.off})
				want(t, seen(d), c.told[1])
				if f.on(Line{"pins", c.n}) {
					t.Errorf("%v: line %d is on", c.off, c.n)
				}
			}
		})
	}
}

// Chips that share a bus or an address each have the enable line of their own.
func TestEnableLines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.bus("/dev/i2c-1", 0x40, 0x41)
		f.bus("/dev/i2c-3", 0x40)
		p := servos(3)
		p.Gates[1].Servo.Address, p.Gates[2].Servo.Bus = 0x41, "/dev/i2c-3"
		for i, at := range []chipKey{{"/dev/i2c-3", 0x40}, {"/dev/i2c-1", 0x41}, {"/dev/i2c-1", 0x40}, {"/dev/i2c-3", 0x41}} {
			p.Chips = append(p.Chips, Chip{Bus: at.bus, Address: at.addr, Enable: &Relay{Name: "oe", Line: Line{"pins", i}}})
		}
		rig(t, f, p)
		for i := range 3 {
			if !f.on(Line{"pins", i}) {
				t.Errorf("line %d is off", i)
			}
		}
		if f.lines[Line{"pins", 3}] != nil {
			t.Error("the line of a chip without servos was asked for")
		}
	})
}

// A chip whose enable line cannot be had is left alone, and said once for all its servos;
// so is a motor both of whose ways fail alike.
func TestLinesMissing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		p := servos(2)
		p.Chips = []Chip{{Bus: "/dev/i2c-1", Address: 0x40, Enable: &Relay{Name: "oe", Line: Line{"pins", 1}}}}
		p.Gates = append(p.Gates, Gate{Motor: &Motor{Name: "slide", Open: Line{"gone", 6}, Shut: Line{"gone", 7}, Longest: time.Second}})
		f.missing[Line{"pins", 1}] = errors.New("in use")
		f.missing[Line{"gone", 6}], f.missing[Line{"gone", 7}] = errors.New("no such chip"), errors.New("no such chip")
		d := rig(t, f, p)
		want(t, seen(d), "trouble: servo chip 0x40 on /dev/i2c-1: in use", "trouble: slide: no such chip")
		gates := []Thing{{control.AGate, 0}, {control.AGate, 1}}
		if m := d.Missing(); !slices.Equal(m[0].For, gates) || !slices.Equal(m[1].For, []Thing{{control.AGate, 2}}) {
			t.Errorf("%v", m)
		}
	})
}

// A chip that stops to answer at any transfer of its set-up: it is said once, with its
// name, it is silenced at the end, and set up once it answers.
func TestSetUpFails(t *testing.T) {
	odd := errors.New("odd")
	for k := range 7 {
		for _, back := range []bool{k == 0, true} {
			synctest.Test(t, func(t *testing.T) {
				f := newFake(t)
				b := f.bus("/dev/i2c-1", 0x40)
				b.errs = append(make([]error, k), odd, odd)
				p := servos(2)
				p.Now = f.now
				d, err := Open(p, f)
				if err != nil {
					t.Fatal(err)
				}
				want(t, seen(d), "trouble: servo chip 0x40 on /dev/i2c-1: odd")
				if back {
					b.writes()
					wait(seekEvery + settle)
					want(t, seen(d), "trouble: servo chip 0x40 on /dev/i2c-1 answers again", "gate-stop#0 0 lost", "gate-stop#0 1 lost")
					want(t, b.writes(), setUp...)
				}
				if err := d.Halt(); err != nil {
					t.Error(err)
				}
				d.Close()
				w := b.writes()
				if wrote := k > 0 || back; wrote != (len(w) > 0) || wrote && w[len(w)-1] != "40: fd 10" {
					t.Errorf("transfer %d: %q", k, w)
				}
			})
		}
	}
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		b := f.bus("/dev/i2c-1", 0x40)
		b.errs = []error{odd, nil, odd, nil, odd, nil, odd, nil, odd, nil, odd, nil, odd, nil}
		rig(t, f, servos(1)) // one disturbed transfer of two is nothing
		want(t, b.writes(), setUp...)
	})
}

// setUp is what a chip is told to be silent and ready.
var setUp = []string{"40: fd 10", "40: 01 04", "40: 00 30", "40: fe 79", "40: 00 20"}

// registers is a bus with something that has three registers on it and keeps nothing.
type registers struct{ mode1, mode2, scale byte }

func (b registers) Tx(_ uint16, w, r []byte) error {
	switch {
	case len(r) == 2 && w[0] == regMode1:
		r[0], r[1] = b.mode1, b.mode2
	case len(r) == 1 && w[0] == regPrescale:
		r[0] = b.scale
	case len(r) != 0:
		return errors.New("read of something else")
	}
	return nil
}
func (registers) Close() error { return nil }

// Every setting must stand in the chip; that it was restarted does not matter.
func TestIsSetUp(t *testing.T) {
	for _, c := range []struct {
		r    registers
		want bool
	}{
		{registers{mode1AI, mode2OutDrv, servoScale}, true},
		{registers{mode1AI | mode1Restart, mode2OutDrv, servoScale}, true},
		{registers{mode1AI | mode1Sleep, mode2OutDrv, servoScale}, false},
		{registers{0x11, mode2OutDrv, servoScale}, false}, // as after power-on
		{registers{mode1AI, 0, servoScale}, false},
		{registers{mode1AI, mode2OutDrv | 1, servoScale}, false},
		{registers{mode1AI, mode2OutDrv, 0x1e}, false},
	} {
		chip := &pca{bus: &bus{d: &Driver{}, dev: c.r, name: "b", lock: newLock()}, addr: 0x40, part: &part{d: &Driver{}, held: true}}
		if got, err := chip.isSetUp(); err != nil || got != c.want {
			t.Errorf("%+v: %v %v", c.r, got, err)
		}
		err := chip.setUp()
		if (err == nil) != c.want || err != nil && !strings.HasPrefix(err.Error(), "servo chip 0x40 on b: it does not keep what is written to it") {
			t.Errorf("%+v: %v", c.r, err)
		}
	}
}

// A pulse counts once it was written and read back; either transfer may fail once.
func TestPulseFails(t *testing.T) {
	odd := errors.New("odd")
	for _, c := range []struct {
		errs []error
		ok   bool
	}{
		{nil, true},
		{[]error{odd}, true},
		{[]error{nil, odd}, true},
		{[]error{odd, nil, odd}, true},
		{[]error{odd, odd}, false},
		{[]error{nil, odd, odd}, false},
	} {
		synctest.Test(t, func(t *testing.T) {
			start := time.Now()
			m := chips.NewPCA9685(t, func() time.Duration { return time.Since(start) })
			b := &fakeBus{t: t, chips: map[uint16]*chips.PCA9685{0x40: m}}
			chip := &pca{bus: &bus{d: &Driver{}, dev: b, name: "b", lock: newLock()}, addr: 0x40, part: &part{d: &Driver{}, held: true}}
			if err := chip.setUp(); err != nil {
				t.Fatal(err)
			}
			b.errs = slices.Clone(c.errs)
			err := chip.pulse(3, 2*time.Millisecond)
			if (err == nil) != c.ok || err != nil && err.Error() != "servo chip 0x40 on b: odd" {
				t.Errorf("%v: %v", c.errs, err)
			}
			if len(b.errs) != 0 {
				t.Errorf("%v: %d transfers too few", c.errs, len(b.errs))
			}
			if c.ok && m.Pulse(3) != 2000800*time.Nanosecond {
				t.Errorf("%v: the servo sees %v", c.errs, m.Pulse(3))
			}
		})
	}
}

// Of two chips that do not answer a halt the first is named, and a third is silenced all the same.
func TestHaltNamesTheFirst(t *testing.T) {
	b := &fakeBus{t: t, chips: map[uint16]*chips.PCA9685{0x42: chips.NewPCA9685(t, func() time.Duration { return time.Hour })}}
	u := &bus{d: &Driver{}, dev: b, name: "b", lock: newLock()}
	for addr := range 3 {
		c := &pca{bus: u, addr: 0x40 + addr}
		c.spoken.Store(true)
		u.chips = append(u.chips, c)
	}
	has(t, u.halt(), "servo pulses may still be there: servo chip 0x40 on b: no answer")
	want(t, b.writes(), "42: fd 10")
}

// Who asks a chip hears what is wrong, writes nothing and lets go of the bus.
func TestAsk(t *testing.T) {
	f := newFake(t)
	has(t, Ask(f, "/dev/i2c-7", 0x40), "/dev/i2c-7 is missing")
	b := f.bus("/dev/i2c-1", 0x40)
	if err := Ask(f, "/dev/i2c-1", 0x40); err != nil || !b.closed || b.writes() != nil || b.chips[0x40].Transfers != 1 {
		t.Errorf("%v, closed: %v", err, b.closed)
	}
	b.closed = false
	has(t, Ask(f, "/dev/i2c-1", 0x41), "servo chip 0x41 on /dev/i2c-1: no answer")
	if !b.closed || b.writes() != nil {
		t.Error("a chip that does not answer: the bus is held, or was written to")
	}
}

// Whatever is reported bears the instant at which it came.
func TestReportTimes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		d := rig(t, f, Params{})
		wait(3 * time.Second)
		d.Apply(collector(1, true))
		d.trouble(errors.New("odd"))
		for range 2 * queueLimit {
			d.trouble(errors.New("more"))
		}
		rs := d.Take(nil)
		for _, r := range rs {
			if r.At != 3*time.Second {
				t.Fatalf("%+v", r)
			}
		}
		if last := rs[len(rs)-1]; last.Err == nil || last.Err.Error() != "reports were lost: nobody took them" {
			t.Errorf("%v", last.Err)
		}
		if rs = d.Take(nil); len(rs) != 0 {
			t.Errorf("said twice: %v", rs)
		}
	})
}

// What is still wanted: the newest command of its target, and whatever calms.
func TestWanted(t *testing.T) {
	d := &Driver{waiting: map[target]*order{{'g', 1}: {c: open(5, 1)}}}
	for _, c := range []struct {
		c    control.Command
		want bool
	}{
		{open(5, 1), true}, {open(4, 1), false}, {shut(5, 1), false}, {open(5, 2), false}, {stop(1, 2), true},
		{collector(9, false), true}, {collector(9, true), false},
	} {
		if got := d.wanted(c.c); got != c.want {
			t.Errorf("%+v: %v", c.c, got)
		}
	}
}
