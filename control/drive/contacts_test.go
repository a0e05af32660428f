package drive

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/control"
)

// What each contact tells when it is closed and when it is open, for both
// polarities.
func TestContactsSay(t *testing.T) {
	for _, c := range []struct {
		means   Means
		kind    control.InputKind
		yes, no uint8
	}{
		{MachineRuns, control.MachineIs, uint8(control.Running), uint8(control.Idle)},
		{GateIsOpen, control.GateIs, uint8(control.ShownOpen), uint8(control.ShownBetween)},
		{GateIsShut, control.GateIs, uint8(control.ShownShut), uint8(control.ShownBetween)},
		{CollectorRuns, control.CollectorIs, uint8(control.Running), uint8(control.Idle)},
		{StopActs, control.StopIs, uint8(control.Open), uint8(control.Closed)},
		{BinFull, control.BinIs, uint8(control.Full), uint8(control.Room)},
		{HandMode, control.SwitchIs, uint8(control.Hand), uint8(control.Auto)},
		{OffMode, control.SwitchIs, uint8(control.Off), uint8(control.Auto)},
		{StandDown, control.StandDownIs, uint8(control.Open), uint8(control.Closed)},
	} {
		for _, closedMeansYes := range []bool{true, false} {
			synctest.Test(t, func(t *testing.T) {
				f := newFake(t)
				l := Line{"switches", 3}
				f.closed[l] = closedMeansYes
				d := rig(t, f, Params{Gates: make([]Gate, 1), Contacts: []Contact{{Name: "c", Line: l, Closed: closedMeansYes, Means: c.means}}})
				synctest.Wait()
				f.contact(l, !closedMeansYes)
				synctest.Wait()
				f.contact(l, !closedMeansYes) // nothing new
				synctest.Wait()
				got := d.Take(nil)
				if len(got) != 2 {
					t.Fatalf("means %d: %v", c.means, got)
				}
				for i, state := range []uint8{c.yes, c.no} {
					if got[i].Input != (control.Input{Kind: c.kind, State: state}) {
						t.Errorf("means %d: %+v, want state %d", c.means, got[i].Input, state)
					}
				}
			})
		}
	}
}

func TestContactsTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		at := func(i int) Line { return Line{"switches", i} }
		d := rig(t, f, Params{Gates: make([]Gate, 2), Contacts: []Contact{
			{Name: "m a", Line: at(0), Closed: true, Means: MachineRuns, ID: 3},
			{Name: "m b", Line: at(1), Closed: true, Means: MachineRuns, ID: 3},
			{Name: "hand", Line: at(2), Closed: true, Means: HandMode},
			{Name: "off", Line: at(3), Closed: true, Means: OffMode},
			{Name: "button", Line: at(4), Closed: true, Means: ButtonHolds, ID: 1, Hold: time.Minute},
		}})
		want(t, seen(d), "machine 3=2", "switch 0=1")
		f.contact(at(0), true)
		want(t, seen(d), "machine 3=3")
		f.contact(at(1), true)
		want(t, seen(d)) // already running
		f.contact(at(0), false)
		want(t, seen(d))
		f.contact(at(1), false)
		want(t, seen(d), "machine 3=2")
		f.contact(at(3), true)
		want(t, seen(d), "switch 0=3")
		f.contact(at(2), true) // both cannot be: air may move
		want(t, seen(d), "switch 0=2")
		wait(time.Second)
		d.Take(nil)
		f.contact(at(4), true)
		synctest.Wait()
		got := d.Take(nil)
		ask := control.Input{Kind: control.Ask, State: uint8(control.AskHold), Origin: control.Wired, ID: 1, For: time.Minute}
		if len(got) != 1 || got[0].Input != ask || got[0].At != time.Second {
			t.Errorf("the button: %+v", got)
		}
		f.contact(at(4), false)
		want(t, seen(d))
	})
}

// A stop and a stand-down that cannot be had at the start count as such, not as closed.
func TestStopsMissingAtStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		door, down := Line{"switches", 0}, Line{"switches", 1}
		f.missing[door], f.missing[down] = errors.New("no such chip"), errors.New("no such chip")
		f.closed[door], f.closed[down] = true, true
		d := rig(t, f, Params{Contacts: []Contact{{Name: "door", Line: door, Means: StopActs}, {Name: "down", Line: down, Means: StandDown}}})
		want(t, seen(d), `trouble: contact "door", contact "down": no such chip`, fmt.Sprintf("stop 0=%d", control.Broken), fmt.Sprintf("stand-down 0=%d", control.Broken))
		f.mu.Lock()
		clear(f.missing)
		f.mu.Unlock()
		wait(reopenAfter)
		back := seen(d) // in the order in which they are tried
		slices.Sort(back)
		want(t, back, fmt.Sprintf("stand-down 0=%d", control.Closed), fmt.Sprintf("stop 0=%d", control.Closed))
	})
}

// A contact that cannot be read any more is not taken for open or closed; it
// is opened afresh until it works again.
func TestContactLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		door, end := Line{"switches", 0}, Line{"switches", 1}
		f.closed[door] = true
		d := rig(t, f, Params{Gates: make([]Gate, 1), Contacts: []Contact{
			{Name: "door", Line: door, Means: StopActs, ID: 0},
			{Name: "end", Line: end, Closed: true, Means: GateIsOpen},
		}})
		want(t, seen(d), "stop 0=1", "gate 0 between")
		f.mu.Lock()
		f.missing[door] = errors.New("the chip is gone")
		first := f.inputs[door]
		f.mu.Unlock()
		first.edges <- edge{err: errors.New("no such device")}
		want(t, seen(d), "stop 0=3", `trouble: contact "door" cannot be read: no such device`)
		wait(3 * reopenAfter)
		want(t, seen(d)) // still gone: said once
		f.mu.Lock()
		delete(f.missing, door)
		f.mu.Unlock()
		wait(reopenAfter)
		want(t, seen(d), "stop 0=1")
		if !first.closed {
			t.Error("the old line is still held")
		}
		f.contact(door, false)
		want(t, seen(d), "stop 0=2")
		// A line that was unreadable from the start is told as such.
		f.inputs[end].edges <- edge{err: errors.New("no such device")}
		want(t, seen(d), "gate 0 unknown", `trouble: contact "end" cannot be read: no such device`)
	})
}

// An end switch that cannot be read when the driver starts.
func TestContactUnreadAtStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		l := Line{"switches", 1}
		p := Params{Gates: make([]Gate, 1), Now: f.now, Contacts: []Contact{{Name: "end", Line: l, Closed: true, Means: GateIsOpen}}}
		f.unread[l] = true
		d := rig(t, f, p)
		want(t, seen(d), `trouble: contact "end": input/output error`, "gate 0 unknown")
		if m := d.Missing(); len(m) != 1 || m[0].Name != `contact "end"` {
			t.Errorf("missing: %v", m)
		}
		f.contact(l, true)
		want(t, seen(d), "gate 0 open")
		if m := d.Missing(); len(m) != 0 {
			t.Errorf("missing: %v", m)
		}
	})
}
