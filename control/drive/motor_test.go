package drive

import (
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/control"
)

var (
	wayOpen = Line{"pins", 5}
	wayShut = Line{"pins", 6}
	endOpen = Line{"switches", 0}
	endShut = Line{"switches", 1}
)

// gearMotor is a rig of one motor with both end switches, half-way.
func gearMotor(f *fake) Params {
	f.pairs = [][2]Line{{wayOpen, wayShut}}
	return Params{
		Gates: []Gate{{Motor: &Motor{Name: "g5", Open: wayOpen, Shut: wayShut, Longest: 4 * time.Second}}},
		Contacts: []Contact{
			{Name: "g5 open", Line: endOpen, Closed: true, Means: GateIsOpen},
			{Name: "g5 shut", Line: endShut, Closed: true, Means: GateIsShut},
		},
	}
}

func TestMotorStopsAtItsSwitch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.closed[endShut] = true
		d := rig(t, f, gearMotor(f))
		want(t, seen(d), "gate 0 shut")
		d.Apply(open(1, 0))
		want(t, seen(d), "gate-open#1 0 done")
		wait(200 * time.Millisecond)
		f.contact(endShut, false)
		wait(2 * time.Second)
		if !f.on(wayOpen) {
			t.Error("it does not run")
		}
		f.contact(endOpen, true)
		want(t, seen(d), "gate 0 between", "gate 0 open")
		if f.on(wayOpen) {
			t.Error("it runs against its end")
		}
		// It is there: nothing is switched on for it.
		d.Apply(open(2, 0))
		want(t, seen(d), "gate-open#2 0 done")
		if n := len(f.log(wayOpen)); n != 2 {
			t.Errorf("%d changes", n)
		}
	})
}

func TestMotorReverses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		d := rig(t, f, gearMotor(f))
		seen(d)
		d.Apply(open(1, 0))
		wait(time.Second)
		d.Apply(shut(2, 0))
		want(t, seen(d), "gate-open#1 0 done")
		if f.on(wayOpen) {
			t.Error("the old way is still on")
		}
		wait(DeadTime - 1)
		if f.on(wayShut) {
			t.Error("the new way is on within the dead time")
		}
		wait(1)
		want(t, seen(d), "gate-shut#2 0 done")
		if !f.on(wayShut) {
			t.Error("the new way is not on after the dead time")
		}
		// Back and forth within the dead time: the same way needs none.
		d.Apply(open(3, 0))
		synctest.Wait()
		d.Apply(shut(4, 0))
		want(t, seen(d), "gate-shut#4 0 done")
		d.Apply(stop(5, 0))
		want(t, seen(d), "gate-stop#5 0 done")
		if f.on(wayShut) {
			t.Error("on after a stop")
		}
		deadTime(t, f)
	})
}

func TestMotorRunTimeLimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		d := rig(t, f, gearMotor(f))
		seen(d)
		d.Apply(open(1, 0))
		wait(4*time.Second - 1)
		if !f.on(wayOpen) {
			t.Error("off too early")
		}
		wait(1)
		want(t, seen(d), "gate-open#1 0 done", `trouble: motor "g5": not at its end switch after 4s: switched off`)
		if f.on(wayOpen) {
			t.Error("on beyond the limit")
		}
	})
}

// Without a switch at that end the limit is how it stops: no trouble.
func TestMotorWithoutSwitches(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		p := gearMotor(f)
		p.Contacts = nil
		d := rig(t, f, p)
		d.Apply(open(1, 0))
		wait(4 * time.Second)
		want(t, seen(d), "gate-open#1 0 done")
		if f.on(wayOpen) {
			t.Error("on beyond the limit")
		}
	})
}

func TestMotorStuckAtItsEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.closed[endShut] = true
		d := rig(t, f, gearMotor(f))
		seen(d)
		d.Apply(open(1, 0))
		wait(2*time.Second - 1)
		want(t, seen(d), "gate-open#1 0 done")
		wait(1)
		want(t, seen(d), `trouble: motor "g5": it has not left its end after 2s: stuck, switched off`)
		if f.on(wayOpen) {
			t.Error("still on")
		}
	})
}

// A stop while the motor waits out the dead time leaves it standing for good.
func TestMotorStoppedWhileItWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		d := rig(t, f, gearMotor(f))
		seen(d)
		d.Apply(open(1, 0))
		wait(time.Second)
		d.Apply(shut(2, 0))
		wait(DeadTime / 2)
		d.Apply(stop(3, 0))
		want(t, seen(d), "gate-open#1 0 done", "gate-stop#3 0 done")
		wait(10 * time.Second)
		want(t, seen(d))
		if n := len(f.log(wayShut)); n != 0 || f.on(wayOpen) {
			t.Errorf("it ran after the stop: %v", f.log(wayShut))
		}
	})
}

// A second command for the way that it runs changes nothing: not the line, not the limit.
func TestMotorRunsAlready(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		d := rig(t, f, gearMotor(f))
		seen(d)
		d.Apply(open(1, 0))
		wait(3 * time.Second)
		d.Apply(open(2, 0))
		want(t, seen(d), "gate-open#1 0 done", "gate-open#2 0 done")
		wait(time.Second)
		want(t, seen(d), `trouble: motor "g5": not at its end switch after 4s: switched off`)
		if l := f.log(wayOpen); len(l) != 2 || l[1].at-l[0].at != 4*time.Second {
			t.Errorf("%v", l)
		}
	})
}

// While the one way cannot be switched off the other stays off, and off is
// tried until it works.
func TestMotorCannotBeSwitchedOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		d := rig(t, f, gearMotor(f))
		seen(d)
		d.Apply(open(1, 0))
		synctest.Wait()
		f.mu.Lock()
		f.lines[wayOpen].fails = 3
		f.mu.Unlock()
		d.Apply(shut(2, 0))
		want(t, seen(d), "gate-open#1 0 done", `gate-shut#2 0 failed: g5, line 5 of "pins": remote I/O error`)
		d.Apply(shut(3, 0))
		want(t, seen(d), `gate-shut#3 0 failed: g5, line 5 of "pins": remote I/O error`)
		wait(2 * offRetry)
		if f.on(wayOpen) {
			t.Error("off was not tried again")
		}
		d.Apply(shut(4, 0))
		wait(DeadTime)
		want(t, seen(d), "gate-shut#4 0 done")
		deadTime(t, f)
	})
}

// A way that cannot be switched on leaves both off.
func TestMotorCannotBeSwitchedOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		d := rig(t, f, gearMotor(f))
		seen(d)
		f.mu.Lock()
		f.lines[wayOpen].fails = 1
		f.mu.Unlock()
		d.Apply(open(1, 0))
		want(t, seen(d), `gate-open#1 0 failed: g5, line 5 of "pins": remote I/O error`)
		if f.on(wayOpen) || f.on(wayShut) {
			t.Error("on")
		}
		d.Apply(control.Command{Seq: 2, Kind: control.GateOpen})
		want(t, seen(d), "gate-open#2 0 done")
	})
}

// Both switches made: one of them lies. The motor does not run against it.
func TestMotorBothSwitchesMade(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.closed[endShut], f.closed[endOpen] = true, true
		d := rig(t, f, gearMotor(f))
		d.Apply(open(1, 0))
		want(t, seen(d), "gate 0 both", "gate-open#1 0 done")
		if n := len(f.log(wayOpen)); n != 0 {
			t.Error("it ran")
		}
	})
}
