package drive

import (
	"errors"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/control"
)

var k0 = Line{"pins", 17}

func collector(seq uint32, on bool) control.Command {
	if on {
		return control.Command{Seq: seq, Kind: control.CollectorOn}
	}
	return control.Command{Seq: seq, Kind: control.CollectorOff}
}

// Off goes before an on that waits, and in place of an on for itself.
func TestOffOvertakes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		o := []Line{{"pins", 1}, {"pins", 2}, {"pins", 3}}
		var p Params
		for _, l := range o {
			p.Outlets = append(p.Outlets, Outlet{Relay: &Relay{Name: "o", Line: l}})
		}
		d := rig(t, f, p)
		hang := make(chan struct{})
		f.lines[o[0]].hang = hang
		outlet := func(seq uint32, kind control.CommandKind, id control.ID) {
			d.Apply(control.Command{Seq: seq, Kind: kind, ID: id})
		}
		outlet(1, control.OutletOn, 0) // keeps the worker busy
		synctest.Wait()
		outlet(2, control.OutletOn, 1)
		outlet(3, control.OutletOn, 2)
		outlet(4, control.OutletOff, 2)
		close(hang)
		want(t, seen(d), "outlet-on#1 0 done", "outlet-off#4 2 done", "outlet-on#2 1 done")
		if l := f.log(o[2]); len(l) != 0 {
			t.Errorf("the outlet that was switched off first: %v", l)
		}
	})
}

// An on that hangs in the kernel does not keep the off from being the last
// word, and its late answer is not told.
func TestOffAfterAHangingOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		d := rig(t, f, Params{Collector: &Relay{Name: "k0", Line: k0}})
		hang := make(chan struct{})
		f.lines[k0].hang = hang
		d.Apply(collector(1, true))
		synctest.Wait()
		d.Apply(collector(2, false))
		close(hang)
		want(t, seen(d), "collector-off#2 0 done")
		if f.on(k0) {
			t.Error("on")
		}
	})
}

// A contactor that cannot be switched off is tried again at once and again,
// without being asked, and what came of it is told.
func TestOffIsTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		d := rig(t, f, Params{Collector: &Relay{Name: "k0", Line: k0}})
		d.Apply(collector(1, true))
		synctest.Wait()
		f.lines[k0].fails = 4
		d.Apply(collector(2, false))
		want(t, seen(d), "collector-on#1 0 done", `collector-off#2 0 failed: k0, line 17 of "pins": remote I/O error`)
		wait(4*offRetry - 1)
		if !f.on(k0) {
			t.Error("off too soon: nothing is tested")
		}
		wait(1)
		if f.on(k0) {
			t.Error("still on")
		}
		want(t, seen(d), `trouble: k0, line 17 of "pins": it would not switch off, and now has`)
		// A newer on ends the tries.
		d.Apply(collector(3, true))
		synctest.Wait()
		f.lines[k0].fails = 1
		d.Apply(collector(4, false))
		synctest.Wait()
		d.Apply(collector(5, true))
		wait(time.Second)
		if !f.on(k0) {
			t.Error("an old off switched a new on off")
		}
	})
}

// A broker that takes its time is still told of an outlet that is off.
func TestHaltTellsASlowBroker(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &broker{slow: 1500 * time.Millisecond}
		d := rig(t, newFake(t), Params{Outlets: []Outlet{{Topic: air}}, Publish: b})
		if err := d.Halt(); err != nil {
			t.Error(err)
		}
		want(t, b.told, "shop/air OFF")
		b.told = nil
	})
}

// A contact that hangs when it is let go holds nobody up for long: the lines are
// let go meanwhile.
func TestCloseWhileAContactHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.sticks = make(chan struct{})
		d, err := Open(Params{Collector: &Relay{Name: "k0", Line: k0}, Now: f.now,
			Contacts: []Contact{{Name: "aux", Line: Line{"switches", 1}, Means: CollectorRuns}}}, f)
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		d.Close()
		if took := time.Since(began); took > haltWithin {
			t.Errorf("it took %v", took)
		}
		synctest.Wait()
		if !f.lines[k0].closed {
			t.Error("the contactor's line is still held")
		}
		close(f.sticks)
		synctest.Wait()
	})
}

var air = &Topic{Name: "shop/air", On: "ON", Off: "OFF"}

// What is not there is off, and cannot be switched on.
func TestNoOutput(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := rig(t, newFake(t), Params{Outlets: []Outlet{{Topic: air}}})
		d.Apply(collector(1, false))
		d.Apply(collector(2, true))
		d.Apply(control.Command{Seq: 3, Kind: control.GateOpen, ID: 7})
		d.Apply(control.Command{Seq: 4, Kind: control.OutletOff}) // by its worker
		synctest.Wait()
		d.Apply(control.Command{Seq: 5, Kind: control.OutletOn})
		want(t, seen(d), "collector-off#1 0 done", "collector-on#2 0 failed: no output does this", "gate-open#3 7 failed: no output does this", "outlet-off#4 0 done",
			`outlet-on#5 0 failed: topic "shop/air": no output does this: there is no link to a broker`)
	})
}

type broker struct {
	told []string
	err  error
	slow time.Duration
}

func (b *broker) Publish(topic, payload string) error {
	<-time.NewTimer(b.slow).C // the bubble's clock
	b.told = append(b.told, topic+" "+payload)
	return b.err
}

// A gate that is told over a topic cannot be stopped, and Halt leaves it.
func TestTopicGate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &broker{}
		d := rig(t, newFake(t), Params{Gates: []Gate{{Topic: &Topic{Name: "shop/gate", On: "open", Off: "shut"}}}, Publish: b})
		for i, c := range []control.Command{open(1, 0), stop(2, 0), shut(3, 0)} {
			d.Apply(c)
			want(t, seen(d), []string{"gate-open#1 0 done", "gate-stop#2 0 done", "gate-shut#3 0 done"}[i])
		}
		if err := d.Halt(); err != nil {
			t.Error(err)
		}
		want(t, b.told, "shop/gate open", "shop/gate shut")
		d.Apply(open(4, 0))
		want(t, seen(d), "gate-open#4 0 failed: the outputs are halted")
	})
}

func TestTopicOutlet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &broker{}
		d := rig(t, newFake(t), Params{Outlets: []Outlet{{Topic: air}}, Publish: b})
		d.Apply(control.Command{Seq: 1, Kind: control.OutletOn})
		want(t, seen(d), "outlet-on#1 0 done")
		b.err = errors.New("not connected")
		d.Apply(control.Command{Seq: 2, Kind: control.OutletOff})
		want(t, seen(d), `outlet-off#2 0 failed: topic "shop/air": not connected`)
		b.err = nil
		if err := d.Halt(); err != nil {
			t.Error(err)
		}
		want(t, b.told, "shop/air ON", "shop/air OFF", "shop/air OFF")
		d.Apply(control.Command{Seq: 3, Kind: control.OutletOn})
		want(t, seen(d), "outlet-on#3 0 failed: the outputs are halted")
	})
}

// A gate on one relay is open while that is on, or shut where it is mounted in
// reverse. Before its first command and after Halt the relay is off either way.
func TestRelayGate(t *testing.T) {
	for _, shuts := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(t)
			l := Line{"pins", 4}
			d := rig(t, f, Params{Gates: []Gate{{Relay: &Relay{Name: "valve", Line: l}, Shuts: shuts}}})
			if f.on(l) {
				t.Error("on before any command")
			}
			for i, c := range []control.Command{open(1, 0), stop(2, 0), shut(3, 0), open(4, 0)} {
				d.Apply(c)
				synctest.Wait()
				if isOpen := i != 2; f.on(l) != (isOpen != shuts) {
					t.Errorf("shuts %v: after %v on is %v", shuts, c.Kind, f.on(l))
				}
			}
			want(t, seen(d), "gate-open#1 0 done", "gate-stop#2 0 done", "gate-shut#3 0 done", "gate-open#4 0 done")
			d.Apply(shut(5, 0))
			want(t, seen(d), "gate-shut#5 0 done")
			if err := d.Halt(); err != nil || f.on(l) {
				t.Errorf("shuts %v: after Halt on is %v, %v", shuts, f.on(l), err)
			}
		})
	}
}

// Halt works from a panic, twice, and nothing can be switched on after it.
func TestHaltFromPanic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		d := rig(t, f, Params{Collector: &Relay{Name: "k0", Line: k0}})
		d.Apply(collector(1, true))
		synctest.Wait()
		func() {
			defer func() { _ = recover() }()
			defer func() {
				if err := d.Halt(); err != nil {
					t.Error(err)
				}
			}()
			panic("a fault in the loop")
		}()
		if f.on(k0) {
			t.Error("on after halt")
		}
		f.lines[k0].fails = 1
		if err := d.Halt(); err == nil || !strings.Contains(err.Error(), `k0, line 17 of "pins"`) {
			t.Errorf("a line that cannot be switched off: %v", err)
		}
		d.Apply(collector(2, true))
		want(t, seen(d), "collector-on#1 0 done", "collector-on#2 0 failed: the outputs are halted")
	})
}

// Without the contactor's line there is no driver: all that is wrong comes at once,
// what was taken is let go, and what could be reached is inert.
func TestOpenErrors(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		for _, l := range []Line{k0, {"pins", 2}, {"pins", 22}} {
			f.missing[l] = errors.New("in use")
		}
		_, err := Open(Params{
			Collector: &Relay{Name: "k0", Line: k0},
			Outlets:   []Outlet{{Relay: &Relay{Name: "air cleaner", Line: Line{"pins", 2}}}, {Relay: &Relay{Name: "vacuum", Line: Line{"pins", 3}}}},
			Contacts:  []Contact{{Name: "bin door", Line: Line{"pins", 22}, Means: StopActs}},
			Now:       f.now,
		}, f)
		if err == nil {
			t.Fatal("opened")
		}
		want(t, strings.Split(err.Error(), "\n"), `k0, air cleaner, contact "bin door": in use`)
	})
}

func TestInvalidParams(t *testing.T) {
	p := servos(2)
	p.Gates[0].Servo.Open = 3 * time.Millisecond
	p.Gates[1].Servo.Output, p.Gates[1].Servo.Address = 16, 200
	p.Gates = append(p.Gates, Gate{Relay: &Relay{}, Motor: &Motor{Name: "m"}})
	p.Contacts = []Contact{{Name: "c"}, {Name: "e", Means: GateIsOpen, ID: 9}}
	_, err := Open(p, nil)
	if err == nil {
		t.Fatal("opened")
	}
	want(t, strings.Split(err.Error(), "\n"), "drive: no clock",
		`servo "s": a pulse of 3ms: give 500µs to 2.5ms`,
		`servo "s": no output 16: a PCA9685 has 0 to 15`,
		`servo "s": no address 0xc8: give 0x01 to 0x7f`,
		`motor "m": both ways are on line 0 of ""`,
		`motor "m": no run-time limit`,
		"gate 2: 2 actuators: give one",
		`contact "c": it tells nothing known (0)`,
		`contact "e": no gate 9`)
}

// Inert goes on past what it cannot reach, and needs no contact.
func TestInert(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		b := f.bus("/dev/i2c-1", 0x40)
		m := b.chips[0x40]
		m.Transfer([]byte{0, 0x30}, nil) // as a killed program has left it: pulses on
		m.Transfer([]byte{0xFE, 121}, nil)
		m.Transfer([]byte{0, 0x20}, nil)
		wait(settle)
		m.Transfer([]byte{6, 0, 0, 0x9a, 1}, nil)
		f.missing[Line{"pins", 2}] = errors.New("in use")
		p := servos(1)
		p.Collector = &Relay{Name: "k0", Line: k0}
		p.Outlets = []Outlet{{Relay: &Relay{Name: "air cleaner", Line: Line{"pins", 2}}}}
		p.Contacts = []Contact{{Name: "bin door", Line: Line{"pins", 22}, Means: StopActs}}
		p.Now = f.now
		for range 2 { // it may be done again
			b.closed = false
			if err := Inert(p, f); err == nil || err.Error() != "air cleaner: in use" {
				t.Errorf("%v", err)
			}
			if m.Running() || f.on(k0) {
				t.Error("not inert")
			}
			want(t, b.writes(), "40: fd 10")
		}
		if err := Inert(Params{}, f); err == nil || err.Error() != "drive: no clock" {
			t.Errorf("%v", err)
		}
		f.missing[Line{"pins", 22}] = errors.New("in use")
		p.Outlets, b.closed = nil, false
		if err := Inert(p, f); err != nil {
			t.Errorf("a contact was asked for: %v", err)
		}
	})
}

// The line toggles when the loop beats, not oftener than it should, and not
// by itself.
func TestHeartbeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		l := Line{"pins", 16}
		d := rig(t, f, Params{Heartbeat: &Heartbeat{Line: l, Every: 500 * time.Millisecond}})
		wait(10 * time.Second)
		if n := len(f.log(l)); n != 0 {
			t.Errorf("%d edges without a beat", n)
		}
		for range 100 {
			d.Beat()
			wait(20 * time.Millisecond)
		}
		if n := len(f.log(l)); n != 4 {
			t.Errorf("%d edges in 2 s, want 4", n)
		}
		wait(10 * time.Second)
		if n := len(f.log(l)); n != 4 {
			t.Errorf("%d edges after the loop has stopped, want 4", n)
		}
	})
}

func TestBeatWithoutLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { rig(t, newFake(t), Params{}).Beat() })
}

// A panic in a worker makes the outputs inert before it ends the program.
func TestWorkerPanics(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		d := rig(t, f, Params{Collector: &Relay{Name: "k0", Line: k0}})
		d.Apply(collector(1, true))
		synctest.Wait()
		w := newWorker(d)
		w.add(target{'g', 0}, panicking{})
		w.done = make(chan struct{})
		w.wake()
		func() {
			defer func() {
				if recover() == nil {
					t.Error("the panic was swallowed")
				}
			}()
			w.run()
		}()
		if f.on(k0) {
			t.Error("on after a panic")
		}
	})
}

type panicking struct{}

func (panicking) do(time.Time, control.Command) {}
func (panicking) due() time.Time                { return time.Time{} }
func (panicking) fire(time.Time)                { panic("a fault in a driver") }

// Nobody takes reports for long: the queue stays bounded, and afterwards the
// contacts say where they stand.
func TestReportsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		door := Line{"pins", 22}
		d := rig(t, f, Params{Contacts: []Contact{{Name: "door", Line: door, Means: StopActs}}})
		for i := range 2*queueLimit + 1 {
			f.contact(door, i%2 == 0)
			synctest.Wait()
		}
		got := d.Take(nil)
		if len(got) != queueLimit+2 {
			t.Fatalf("%d reports", len(got))
		}
		if got[queueLimit].Err == nil || got[queueLimit+1].Input != (control.Input{Kind: control.StopIs, State: uint8(control.Closed)}) {
			t.Errorf("%v", got[queueLimit:])
		}
	})
}

// Commands and switches in any order: never both ways at once (the fake
// watches), the dead time is kept, and the last command wins.
func TestMotorAtRandom(t *testing.T) {
	for seed := range uint64(60) {
		synctest.Test(t, func(t *testing.T) {
			r := rand.New(rand.NewPCG(seed, 7))
			f := newFake(t)
			d := rig(t, f, gearMotor(f))
			for i := range 40 {
				switch r.IntN(6) {
				case 0:
					f.contact(endOpen, r.IntN(2) == 0)
				case 1:
					f.contact(endShut, r.IntN(2) == 0)
				default:
					d.Apply(control.Command{Seq: uint32(i + 1), Kind: control.GateOpen + control.CommandKind(r.IntN(3))})
				}
				wait(time.Duration(r.IntN(400)) * time.Millisecond)
			}
			f.contact(endOpen, false)
			f.contact(endShut, false)
			synctest.Wait()
			last := control.GateOpen + control.CommandKind(r.IntN(3))
			d.Apply(control.Command{Seq: 100, Kind: last})
			wait(DeadTime)
			if f.on(wayOpen) != (last == control.GateOpen) || f.on(wayShut) != (last == control.GateShut) {
				t.Errorf("seed %d: command %v, open %v shut %v", seed, last, f.on(wayOpen), f.on(wayShut))
			}
			deadTime(t, f)
		})
	}
}

// deadTime checks the time between one way off and the other way on.
func deadTime(t *testing.T, f *fake) {
	t.Helper()
	var off time.Duration
	var ran Line
	for _, c := range f.changes {
		switch {
		case c.line != wayOpen && c.line != wayShut:
		case c.on && ran != (Line{}) && ran != c.line && c.at-off < DeadTime:
			t.Errorf("at %v: %v goes on %v after the other went off", c.at, c.line, c.at-off)
		case c.on:
			ran = c.line
		case c.line == ran:
			off = c.at
		}
	}
}
