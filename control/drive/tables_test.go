package drive

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/control"
	"kerfwind/testdata/chips"
)

// Each thing that can be wrong with what is wired, one at a time, and the
// values next to it that are right.
func TestValidateEach(t *testing.T) {
	clock := func() time.Duration { return 0 }
	servo := func(change func(*Servo)) Params {
		s := Servo{Name: "s", Address: 0x40, Open: MinPulse, Shut: MaxPulse}
		change(&s)
		return Params{Now: clock, Gates: []Gate{{Servo: &s}}}
	}
	motor := func(open, shut Line, longest time.Duration) Params {
		return Params{Now: clock, Gates: []Gate{{}, {Motor: &Motor{Name: "m", Open: open, Shut: shut, Longest: longest}}}}
	}
	contact := func(m Means, id control.ID) Params {
		return Params{Now: clock, Gates: make([]Gate, 2), Contacts: []Contact{{Name: "c", Means: m, ID: id}}}
	}
	a, b := Line{"pins", 1}, Line{"pins", 2}
	relay, topic := &Relay{}, &Topic{}
	rows := []struct {
		p    Params
		want string // "": nothing is wrong
	}{
		{Params{}, "no clock"},
		{Params{Now: clock}, ""},
		{motor(a, b, 1), ""},
		{motor(a, a, 1), `motor "m": both ways are on line 1 of "pins"`},
		{motor(a, b, 0), `motor "m": no run-time limit`},
		{motor(a, b, -1), `motor "m": no run-time limit`},
		{servo(func(*Servo) {}), ""},
		{servo(func(s *Servo) { s.Open, s.Shut = MaxPulse, MinPulse }), ""},
		{servo(func(s *Servo) { s.Open = MinPulse - 1 }), `servo "s": a pulse of 499.999`},
		{servo(func(s *Servo) { s.Shut = MaxPulse + 1 }), `servo "s": a pulse of 2.500001ms`},
		{servo(func(s *Servo) { s.Output = 15 }), ""},
		{servo(func(s *Servo) { s.Output = 16 }), `no output 16: a PCA9685 has 0 to 15`},
		{servo(func(s *Servo) { s.Output = -1 }), `no output -1`},
		{servo(func(s *Servo) { s.Address = 1 }), ""},
		{servo(func(s *Servo) { s.Address = 127 }), ""},
		{servo(func(s *Servo) { s.Address = 0 }), `no address 0x00`},
		{servo(func(s *Servo) { s.Address = 128 }), `no address 0x80`},
		{Params{Now: clock, Gates: []Gate{{Relay: relay, Topic: topic}}}, "gate 0: 2 actuators: give one"},
		{Params{Now: clock, Gates: []Gate{{Relay: relay, Servo: &Servo{Address: 1, Open: MinPulse, Shut: MinPulse}}}}, "gate 0: 2 actuators"},
		{Params{Now: clock, Gates: []Gate{{Motor: &Motor{Open: a, Shut: b, Longest: 1}, Topic: topic}}}, "gate 0: 2 actuators"},
		{Params{Now: clock, Gates: []Gate{{Relay: relay}, {Topic: topic}}}, ""},
		{contact(0, 0), `contact "c": it tells nothing known (0)`},
		{contact(200, 0), `contact "c": it tells nothing known`},
	}
	for m := MachineRuns; m <= StandDown; m++ {
		rows = append(rows, struct {
			p    Params
			want string
		}{contact(m, 1), ""})
		want := ""
		if m == GateIsOpen || m == GateIsShut || m == ButtonHolds {
			want = `contact "c": no gate 2`
		}
		rows = append(rows, struct {
			p    Params
			want string
		}{contact(m, 2), want})
	}
	for i, r := range rows {
		err := r.p.validate()
		if (err == nil) != (r.want == "") || err != nil && (!strings.Contains(err.Error(), r.want) || strings.Contains(err.Error(), "\n")) {
			t.Errorf("row %d: %v, want %q", i, err, r.want)
		}
	}
}

// Two contacts of one meaning in every pair of states: one yes is yes, else one
// that cannot be read makes the whole unread, else no. Contacts of another
// meaning or thing do not count.
func TestContactsJoin(t *testing.T) {
	type words struct{ unread, no, yes uint8 }
	of := map[Means]words{
		MachineRuns:   {uint8(control.Unknown), uint8(control.Idle), uint8(control.Running)},
		CollectorRuns: {uint8(control.Unknown), uint8(control.Idle), uint8(control.Running)},
		StopActs:      {uint8(control.Broken), uint8(control.Closed), uint8(control.Open)},
		StandDown:     {uint8(control.Broken), uint8(control.Closed), uint8(control.Open)},
		BinFull:       {uint8(control.LevelUnknown), uint8(control.Room), uint8(control.Full)},
		GateIsOpen:    {uint8(control.ShownUnknown), uint8(control.ShownBetween), uint8(control.ShownOpen)},
		GateIsShut:    {uint8(control.ShownUnknown), uint8(control.ShownBetween), uint8(control.ShownShut)},
		HandMode:      {0, uint8(control.Auto), uint8(control.Hand)}, // unread says nothing new
		OffMode:       {0, uint8(control.Auto), uint8(control.Off)},
	}
	for m, w := range of {
		for a := unread; a <= yes; a++ {
			for b := unread; b <= yes; b++ {
				other := &contact{p: Contact{Means: m, ID: 7}, state: yes}
				s := &contacts{list: []*contact{{p: Contact{Means: m, ID: 3}, state: a}, {p: Contact{Means: m, ID: 3}, state: b}}}
				about := s.list[0].about()
				if other.about() != about {
					s.list = append([]*contact{other}, s.list...)
				}
				want := w.no
				switch {
				case a == yes || b == yes:
					want = w.yes
				case a == unread || b == unread:
					want = w.unread
				}
				if got := s.value(about); got != want {
					t.Errorf("means %d, %d and %d: %d, want %d", m, a, b, got, want)
				}
			}
		}
	}
	if got := (&contacts{}).value(said{control.Tick, 0}); got != 0 {
		t.Errorf("a tick says %d", got)
	}
}

// Both ends of a gate, and both contacts of a hand/off/auto switch, in every pair of states.
func TestContactPairs(t *testing.T) {
	for a := unread; a <= yes; a++ {
		for b := unread; b <= yes; b++ {
			gate := &contacts{list: []*contact{{p: Contact{Means: GateIsOpen, ID: 2}, state: a}, {p: Contact{Means: GateIsShut, ID: 2}, state: b}, {p: Contact{Means: GateIsOpen, ID: 1}, state: yes},
				{p: Contact{Means: GateIsShut, ID: 3}, state: yes}}}
			want := control.ShownBetween
			switch {
			case a == unread || b == unread:
				want = control.ShownUnknown
			case a == yes && b == yes:
				want = control.ShownBoth
			case a == yes:
				want = control.ShownOpen
			case b == yes:
				want = control.ShownShut
			}
			if got := control.Shown(gate.value(said{control.GateIs, 2})); got != want {
				t.Errorf("ends %d and %d: %v, want %v", a, b, got, want)
			}
			if open, shut := gate.ends(2); open != (a == yes) || shut != (b == yes) {
				t.Errorf("ends %d and %d: %v %v", a, b, open, shut)
			}
			mode := &contacts{list: []*contact{{p: Contact{Means: HandMode}, state: a}, {p: Contact{Means: OffMode}, state: b}}}
			selector := control.Auto
			switch {
			case a == yes:
				selector = control.Hand
			case b == yes:
				selector = control.Off
			case a == unread || b == unread:
				selector = 0
			}
			if got := control.Selector(mode.value(said{control.SwitchIs, 0})); got != selector {
				t.Errorf("hand %d, off %d: %v, want %v", a, b, got, selector)
			}
		}
	}
	both := &contacts{list: []*contact{{p: Contact{Means: GateIsOpen, ID: 1}}, {p: Contact{Means: GateIsShut, ID: 2}}, {p: Contact{Means: MachineRuns, ID: 3}}}}
	for id := range control.ID(5) {
		if both.has(id, opening) != (id == 1) || both.has(id, shutting) != (id == 2) {
			t.Errorf("gate %d: %v %v", id, both.has(id, opening), both.has(id, shutting))
		}
	}
}

// A button holds when it is pressed, and at no other change; what could not be
// read and is pressed then was perhaps pressed all the time.
func TestButton(t *testing.T) {
	for was := unread; was <= yes; was++ {
		for to := unread; to <= yes; to++ {
			for m := MachineRuns; m <= StandDown; m++ {
				d := &Driver{p: Params{Now: func() time.Duration { return 9 }}}
				d.reports.ready = make(chan struct{}, 1)
				c := &contact{p: Contact{Means: m, ID: 4, Hold: time.Minute}, state: was}
				d.sensed.list, d.sensed.said = []*contact{c}, map[said]uint8{}
				fresh := d.sensed.set(d, c, to, 5)
				if fresh != (was != to) {
					t.Errorf("means %d, %d to %d: new is %v", m, was, to, fresh)
				}
				holds := 0
				for _, r := range d.Take(nil) {
					if r.Input.Kind == control.Ask {
						holds++
						if r.At != 5 || r.Input != (control.Input{Kind: control.Ask, State: uint8(control.AskHold), Origin: control.Wired, ID: 4, For: time.Minute}) {
							t.Errorf("%+v", r)
						}
					} else if r.At != 5 {
						t.Errorf("means %d: at %v", m, r.At)
					}
				}
				if want := m == ButtonHolds && was == no && to == yes; (holds == 1) != want || holds > 1 {
					t.Errorf("means %d, %d to %d: %d holds", m, was, to, holds)
				}
			}
		}
	}
}

// Which target a command is for, and whether it makes things safer.
func TestTargets(t *testing.T) {
	safer := map[control.CommandKind]bool{control.CollectorOff: true, control.OutletOff: true, control.GateStop: true}
	class := map[control.CommandKind]target{
		control.CollectorOn: {'c', 0}, control.CollectorOff: {'c', 0}, control.OutletOn: {'o', 3}, control.OutletOff: {'o', 3},
		control.GateOpen: {'g', 3}, control.GateShut: {'g', 3}, control.GateStop: {'g', 3},
	}
	for k := range control.GateStop + 1 {
		if calms(k) != safer[k] {
			t.Errorf("%v calms: %v", k, calms(k))
		}
		if got := targetOf(control.Command{Kind: k, ID: 3}); got != class[k] {
			t.Errorf("%v is for %v", k, got)
		}
	}
}

// A command waits for the turns of the servos on its own bus, and for nothing else.
func TestPatience(t *testing.T) {
	p := Params{Gates: []Gate{{Servo: &Servo{Bus: "a"}}, {Relay: &Relay{}}, {Servo: &Servo{Bus: "b"}}, {Servo: &Servo{Bus: "a"}}}}
	for _, c := range []struct {
		k    control.CommandKind
		id   control.ID
		want time.Duration
	}{
		{control.GateOpen, 0, Answer + 2*Stagger}, {control.GateShut, 3, Answer + 2*Stagger}, {control.GateOpen, 2, Answer + Stagger},
		{control.GateOpen, 1, Answer}, {control.GateOpen, 4, Answer}, {control.GateOpen, 200, Answer}, {control.OutletOn, 0, Answer}, {control.CollectorOn, 0, Answer},
	} {
		if got := p.Within(control.Command{Kind: c.k, ID: c.id}); got != c.want {
			t.Errorf("%v %d: %v, want %v", c.k, c.id, got, c.want)
		}
	}
	if got := p.GateAnswer(0); got != control.DefaultAnswer+2*Stagger {
		t.Errorf("%v", got)
	}
}

// A heartbeat line that fails is told of once, until it works again; one that
// was halted is not told of.
func TestHeartbeatFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		l := Line{"pins", 16}
		d := rig(t, f, Params{Heartbeat: &Heartbeat{Line: l, Every: time.Second}})
		fail := func(n int) {
			f.mu.Lock()
			f.lines[l].fails = n
			f.mu.Unlock()
		}
		told := fmt.Sprintf("trouble: heartbeat: heartbeat, %v: remote I/O error", l)
		d.Beat()
		want(t, seen(d))
		if !f.on(l) {
			t.Error("the first beat is no edge")
		}
		d.Beat()
		want(t, seen(d))
		if !f.on(l) {
			t.Error("a second edge at once")
		}
		fail(2)
		wait(time.Second)
		d.Beat()
		want(t, seen(d), told)
		wait(time.Second)
		d.Beat()
		want(t, seen(d)) // said already
		wait(time.Second)
		d.Beat()
		want(t, seen(d))
		fail(1)
		wait(time.Second)
		d.Beat()
		want(t, seen(d), told) // it had worked in between
		d.halted.Store(true)
		d.sensed.mu.Lock()
		d.sensed.mu.Unlock() //nolint:staticcheck // a barrier
		wait(2 * time.Second)
		d.Beat()
		synctest.Wait()
		for _, s := range seen(d) {
			if strings.Contains(s, ErrHalted.Error()) {
				t.Errorf("a halted line is a trouble: %s", s)
			}
		}
	})
}

// A slow servo goes from end to end in its own time, each way, and a quick one at once.
func TestServoSteps(t *testing.T) {
	for _, c := range []struct {
		open, shut, at time.Duration
		slow           time.Duration
		to             control.CommandKind
		after          time.Duration
		want           time.Duration
		ramps          bool
	}{
		{2000, 1000, 1000, time.Second, control.GateOpen, 0, 1000, true},
		{2000, 1000, 1000, time.Second, control.GateOpen, 500 * time.Millisecond, 1500, true},
		{2000, 1000, 1000, time.Second, control.GateOpen, time.Second, 2000, false},
		{2000, 1000, 1000, time.Second, control.GateOpen, 2 * time.Second, 2000, false},
		{2000, 1000, 2000, time.Second, control.GateShut, 250 * time.Millisecond, 1750, true},
		{1000, 2000, 2000, time.Second, control.GateOpen, 250 * time.Millisecond, 1750, true},
		{2000, 1000, 1500, time.Second, control.GateShut, 250 * time.Millisecond, 1250, true},
		{2000, 1000, 1000, 0, control.GateOpen, 0, 2000, false},
		{1500, 1500, 1500, time.Second, control.GateOpen, 0, 1500, false},
	} {
		synctest.Test(t, func(t *testing.T) {
			start := time.Now()
			b := &fakeBus{t: t, chips: map[uint16]*chips.PCA9685{0x40: chips.NewPCA9685(t, func() time.Duration { return time.Since(start) })}}
			d := &Driver{p: Params{Now: func() time.Duration { return 0 }}}
			chip := &pca{bus: &bus{d: d, dev: b, name: "b", lock: newLock()}, addr: 0x40, part: &part{d: &Driver{}, held: true}}
			if err := chip.setUp(); err != nil {
				t.Fatal(err)
			}
			us := time.Microsecond
			s := &servo{d: d, s: &Servo{Name: "s", Open: c.open * us, Shut: c.shut * us, Slow: c.slow}, chip: chip, from: c.at * us, began: time.Time{}.Add(time.Hour)}
			s.to = s.s.Open
			if c.to == control.GateShut {
				s.to = s.s.Shut
			}
			if c.slow == 0 {
				s.from = s.to
			}
			now := s.began.Add(c.after)
			s.phase = queued
			if err := s.step(now); err != nil {
				t.Fatal(err)
			}
			if s.at != c.want*us || (s.phase == ramping) != c.ramps || c.ramps && !s.next.Equal(now.Add(rampStep)) || !c.ramps && s.phase != resting {
				t.Errorf("%+v: at %v, phase %d", c, s.at, s.phase)
			}
		})
	}
}

// What may not be opened, and what the bus says, in words.
func TestWordsOfErrors(t *testing.T) {
	odd := errors.New("odd")
	if err := noBus("/dev/i2c-9", odd); !errors.Is(err, odd) || !strings.Contains(err.Error(), "/dev/i2c-9: odd") {
		t.Errorf("%v", err)
	}
	if err := silent(9, 0x40, odd); err != odd { //nolint:errorlint // the same one
		t.Errorf("%v", err)
	}
	for who, part := range map[string]string{"spi0": "gpioinfo", "cs": "gpioinfo", "spi0 cs0": "chip select", "pwr": "a light", "w1": "1-wire", "my kerfwind": "stop that one"} {
		if got := freeing(who); !strings.Contains(got, part) {
			t.Errorf("%q: %q", who, got)
		}
	}
}
