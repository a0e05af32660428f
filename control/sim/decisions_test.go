package sim

import (
	"testing"
	"time"

	"kerfwind/control"
)

func (s *stage) is(what string, got, want bool) {
	s.t.Helper()
	if got != want {
		s.t.Errorf("at %v: %s is %v, want %v", s.w.now, what, got, want)
	}
}

func (s *stage) commanded() bool { return s.w.core.Snapshot().Collector.Commanded }

// Decision 11 and 18: what the shut switches show counts, whatever was commanded
// or answered; a gate with an open switch only is never shut.
func TestShownShutCounts(t *testing.T) {
	s := newStage(t, nil)
	s.do("planer starts", "wait 5s", "outputs fail", "saw starts", "saw stops", "wait 20s", "gate planer is pushed shut", "wait 2900ms")
	s.is("the collector before 3 s", s.commanded(), true)
	s.do("wait 200ms")
	s.is("the collector after 3 s", s.commanded(), false)
	s = newStage(t, func(p *control.Params) {
		for i := range p.Gates {
			p.Gates[i].ShutSwitch = false
		}
	})
	s.do("planer starts", "wait 5s", "gate planer is pushed shut", "wait 1m")
	s.is("the collector with open switches only", s.commanded(), true)
	why := control.Cause(0)
	for _, f := range s.w.core.Snapshot().Faults {
		if f.Fault == control.Uncollected {
			why = f.Cause
		}
	}
	s.is("perhaps: not confirmed", why == control.ByUnconfirmed, true)
}

// Decision 12: a new start commands the whole path again, also where it is open as
// far as commands go and while air moves for another machine.
func TestNewStartCommandsAnew(t *testing.T) {
	s := newStage(t, func(p *control.Params) {
		p.Machines[1].Hoods = []control.Hood{{}} // a saw without a gate
	})
	s.do("planer starts", "wait 3s", "planer stops", "wait 20s", "gate planer is pushed shut", "saw starts", "wait 5s")
	s.is("the fan for the saw", s.commanded(), true)
	s.do("planer starts", "wait 2s")
	s.is("the planer's service", s.w.core.Snapshot().Machines[0].Served, true)
}

// Decision 13: what a hand does starts no fan; what is no hand does.
func TestHandsStartNothing(t *testing.T) {
	for _, x := range []struct {
		name string
		shop func(*control.Params)
		do   []string
		in   []control.Input
		want bool
	}{
		{"a gate that is freed", nil, []string{"gate planer sticks", "planer starts", "wait 10s", "gate planer frees", "wait 3s"}, nil, false},
		{"a gate that arrives late", nil, []string{"gate planer sticks", "planer starts", "wait 2500ms", "gate planer frees", "wait 2s"}, nil, true},
		{"the bin", func(p *control.Params) { p.BinBlocks = true }, []string{"bin fills", "planer starts", "wait 5s", "bin is emptied", "wait 5s"}, nil, false},
		{"off to auto", nil, []string{"collector to off", "planer starts", "wait 5s", "collector to auto", "wait 5s"}, nil, false},
		{"a stop that closes, and a reset", nil, []string{"planer starts", "wait 5s", "stop door opens", "stop door closes", "console resets", "wait 5s"}, nil, false},
		{"a gate taken back", nil, nil, []control.Input{control.InAsk(control.AskAside, control.Page, 0), control.InMachine(0, control.Running, 0), control.InAsk(control.AskReturn, control.Console, 0)}, false},
		{"a gate by hand in time", byHand, []string{"planer starts", "wait 500ms", "gate planer is pushed open", "wait 1s"}, nil, true},
		{"a gate by hand too late", byHand, []string{"planer starts", "wait 1s", "gate planer is pushed open", "wait 1s"}, nil, false},
	} {
		t.Run(x.name, func(t *testing.T) {
			s := newStage(t, x.shop)
			s.do(x.do...)
			s.in(x.in...)
			s.do("wait 5s")
			s.is("the collector", s.commanded(), x.want)
			s.is("uncollected", s.stands(control.Uncollected), !x.want)
			// Another machine's start revives none; its own does.
			s.do("saw starts", "wait 3s", "saw stops", "wait 30s")
			s.is("the collector after another machine", s.commanded(), x.want)
			s.do("planer stops", "wait 20s", "gate planer is pushed open", "planer starts", "wait 5s")
			s.is("the collector after a new start", s.commanded(), true)
			s.is("uncollected after a new start", s.stands(control.Uncollected), false)
		})
	}
}

func byHand(p *control.Params) { p.Gates[0].Actuated = false }

// Decision 13: passing off on the way from hand to auto is no off.
func TestPassingOff(t *testing.T) {
	s := newStage(t, nil)
	s.do("collector to hand", "planer starts", "wait 5s", "collector to off", "wait 900ms", "collector to auto", "wait 1s")
	s.is("the fan after passing off", s.commanded(), true)
	s.do("collector to off", "wait 1100ms", "collector to auto", "wait 5s")
	s.is("the fan after off", s.commanded(), false)
}

// Decision 13 and 14: left machines and asides hold over a restart; setting aside
// stops no fan.
func TestKeptOverARestart(t *testing.T) {
	s := newStage(t, nil)
	s.do("planer starts", "wait 5s")
	s.in(control.InAsk(control.AskAside, control.Page, 0))
	s.do("wait 1m")
	s.is("the fan with the gate set aside", s.commanded(), true)
	s.is("uncollected", s.stands(control.Uncollected), true)
	s.do("stop door opens", "stop door closes", aReset)
	kept := s.w.core.Snapshot().Kept
	if kept != (control.Kept{Aside: 1, Left: 1}) {
		t.Fatalf("to be stored: %+v", kept)
	}
	s = newStage(t, func(p *control.Params) { p.Past.Kept = kept })
	s.in(control.InMachine(0, control.Running, 0))
	s.in(control.InAsk(control.AskReturn, control.Page, 0), control.InAsk(control.AskReturn, control.Topic, 0))
	s.is("aside, though page and topic take it back", s.w.core.Snapshot().Gates[0].Aside, true)
	s.in(control.InAsk(control.AskReturn, control.Console, 0))
	s.do("wait 10s")
	s.is("the fan for a machine that was left", s.commanded(), false)
	s.do("planer stops", "planer starts", "wait 3s")
	s.is("the fan after a new start", s.commanded(), true)
}

// Decision 15: a stand-down, an aside and a release are never too old; a hold is
// no longer than the longest, whoever prolongs it.
func TestNeverTooOld(t *testing.T) {
	s := newStage(t, func(p *control.Params) { p.HoldLongest = time.Minute })
	old := func(k control.AskKind, id control.ID) control.Input {
		in := control.InAsk(k, control.Page, id)
		in.Expires = time.Nanosecond
		return in
	}
	s.do("page holds planer for 50s", "wait 30s")
	s.in(control.InAsk(control.AskHold, control.Topic, 0))
	if held := s.w.core.Snapshot().Gates[0].Held; held != time.Minute {
		t.Errorf("prolonged until %v, want a minute from its beginning", held)
	}
	s.in(old(control.AskRelease, 0), old(control.AskAside, 1), old(control.AskHold, 0))
	snap := s.w.core.Snapshot()
	s.is("held", snap.Gates[0].Held != 0, false)
	s.is("aside", snap.Gates[1].Aside, true)
	s.in(old(control.AskStandDown, control.NoID))
	s.is("stood down", s.w.core.Snapshot().StoodDown, true)
}

// Decision 16: still on is raised the feedback time after the first off, also with
// a time that is longer than the driver's.
func TestStillOnAfterTheFirstOff(t *testing.T) {
	s := newStage(t, func(p *control.Params) { p.Collector.Within = 4 * time.Second })
	s.do("planer starts", "wait 5s", "bus dies", "stop door opens", "wait 3900ms")
	s.is("still on", s.stands(control.CollectorStillOn), false)
	s.do("wait 200ms")
	s.is("still on", s.stands(control.CollectorStillOn), true)
}

// Decision 17 and 21: an output that has reset itself is heard whatever stands; its
// gate is no path, and is homed at rest after the wait.
func TestLostIsHeard(t *testing.T) {
	s := newStage(t, func(p *control.Params) {
		p.PowerUp = 10 * time.Second
		p.Gates[0].OpenSwitch = false
		p.Gates[1].OpenSwitch, p.Gates[1].ShutSwitch = false, false
	})
	lost := func(id control.ID) {
		s.in(control.Input{Kind: control.OutputIs, What: control.GateShut, ID: id, State: uint8(control.Lost)})
	}
	s.do("wait 12s", "planer starts", "wait 3s", "saw starts", "wait 3s", "gate planer sticks", "planer stops", "wait 20s", "saw stops", "wait 20s")
	s.is("gate not shut", s.stands(control.GateNotShut), true)
	s.on = false
	s.do("planer starts", "wait 800ms") // almost open, as far as time tells
	lost(0)
	s.do("wait 800ms")
	s.is("a start by a gate that stopped half-way", s.on, false)
	s.do("wait 1s")
	s.is("a start by a gate that has opened anew", s.on, true)
	s.do("gate planer frees", "planer stops", "wait 30s")
	lost(1)
	place := func() control.Position { return s.w.core.Snapshot().Gates[1].Position }
	s.do("wait 9900ms")
	s.is("unknown while it waits", place() == control.PositionUnknown, true)
	s.do("wait 2s")
	s.is("homed", place() == control.PositionShut, true)
}

// Decision 19: where the limit leaves no run-on, the stop says so.
func TestLimitIsSaidWithTheStop(t *testing.T) {
	s := newStage(t, func(p *control.Params) { p.MaxOpen = 1 })
	s.do("planer starts", "wait 3s", "saw starts", "wait 3s")
	var stop control.Event
	was := s.w.audit
	s.w.audit = func(w *world, in control.Input) {
		was(w, in)
		for _, e := range w.out.Events {
			if e.Kind == control.MachineStopped {
				stop = e
			}
		}
	}
	s.do("planer stops")
	if stop.Cause != control.ByLimit || stop.Until != 0 {
		t.Errorf("said: %+v", stop)
	}
}

// Decision 20: confirm counts the current, with gaps up to 40 ms.
func TestConfirmCountsTheCurrent(t *testing.T) {
	ms := time.Millisecond
	for _, x := range []struct {
		name  string
		on    time.Duration // the current is there this long at a time
		gap   time.Duration
		start bool
	}{
		{"steady", time.Hour, 0, true},
		{"short gaps", 60 * ms, 40 * ms, true},
		{"longer gaps", 200 * ms, 41 * ms, false},
		{"a burst each second", 30 * ms, 970 * ms, false},
	} {
		t.Run(x.name, func(t *testing.T) {
			s := newStage(t, nil)
			s.do("planer starts")
			for end := s.w.now + 20*time.Second; s.w.now < end; {
				s.w.settle(min(s.w.now+x.on, end))
				if x.gap == 0 {
					continue
				}
				s.in(control.InCurrent(0, control.Gone))
				s.w.settle(s.w.now + x.gap)
				s.in(control.InCurrent(0, control.Flows))
			}
			s.is("the collector", s.commanded(), x.start)
			s.is("the gate", s.w.core.Snapshot().Gates[0].Position == control.PositionOpen, true)
		})
	}
}

// A refused request is told by its own number.
func TestRefusalCarriesItsNumber(t *testing.T) {
	s := newStage(t, nil)
	in := control.InAsk(control.AskHold, control.Page, 9)
	in.Seq = 77
	s.in(in)
	for _, e := range s.w.out.Events {
		if e.Kind == control.RequestRefused && e.Seq == 77 {
			return
		}
	}
	t.Errorf("%+v", s.w.out.Events)
}

// Decision 14: a reset button that is wired to a stop input too resets nothing,
// in whichever order its two contacts speak; one of its own does.
func TestResetThatIsAlsoAStop(t *testing.T) {
	press, release := control.InReset(control.Pressed), control.InReset(control.Released)
	opens, closes := control.InStop(0, control.Open), control.InStop(0, control.Closed)
	for i, order := range [][]control.Input{{press, opens, closes, release}, {press, opens, release, closes}, {opens, press, closes, release}, {opens, press, release, closes}} {
		s := newStage(t, nil)
		s.do("planer starts", "wait 5s")
		s.in(release)
		for range 2 {
			s.in(order...)
			s.do("wait 1s")
			s.is("latched by a reset that is also a stop", s.w.core.Snapshot().Latched(), true)
		}
		s.do("planer stops", "planer starts", "wait 5s")
		s.is("the fan while it is latched", s.commanded(), false)
		s.in(press, release)
		if s.w.core.Snapshot().Latched() {
			t.Errorf("order %d: a proper reset does not lift it", i)
		}
	}
}

// Decision 14: a gate in a main may be set aside: all that lies behind it is
// uncollected and says so, what does not is served, and no running fan stops.
func TestAsideOnAMain(t *testing.T) {
	shop := func(p *control.Params) {
		p.Gates = append(p.Gates, control.Gate{Name: "main", Travel: time.Second, OpenSwitch: true, ShutSwitch: true, Actuated: true})
		p.Gates[0].Downstream = []control.ID{2}
		p.Machines[0].Hoods[0].Gates = []control.ID{0, 2}
	}
	aside, back := control.InAsk(control.AskAside, control.Page, 2), control.InAsk(control.AskReturn, control.Console, 2)
	why := func(s *stage, machine control.ID) control.Cause {
		c, _ := s.w.core.Snapshot().Uncollected(machine)
		return c
	}
	s := newStage(t, shop)
	s.in(aside)
	s.do("planer starts", "wait 20s")
	s.is("the fan by a path that is set aside", s.commanded(), false)
	s.is("the planer is said to be uncollected", why(s, 0) == control.ByAside, true)
	s.do("saw starts", "wait 5s")
	s.is("the fan for the saw", s.commanded(), true)
	s.is("the saw's service", s.w.core.Snapshot().Machines[1].Served, true)
	s.is("the planer is still uncollected", why(s, 0) == control.ByAside, true)
	s.do("saw stops", "planer stops", "wait 1m")
	s.in(back)
	s.do("wait 1m")
	s.is("the fan once it is taken back", s.commanded(), false)
	s.do("planer starts", "wait 5s")
	s.is("the planer's service after a new start", s.w.core.Snapshot().Machines[0].Served, true)
	s.in(aside)
	s.do("wait 10s")
	s.is("the fan that runs while the main is set aside", s.commanded(), true)
	s.is("and the planer is said to be uncollected", why(s, 0) == control.ByAside, true)
}
