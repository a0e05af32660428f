package sim

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"kerfwind/control"
)

// The shop of the fault table: two machines with a gate each, and one of all else.
const tableShop = `circuit north: 20
gate planer: travel 900ms, run-on 1s
gate saw: travel 900ms, run-on 1s
machine planer: hood planer, run-on 5s, circuit north
machine saw: hood saw, run-on 5s
collector: confirm 250ms, coast 2s, starts 60, min-on 1s, min-off 1s, sensed, switch
outlet cleaner: follows planer, run-on 3s
stop door: closed
shop: power-up 0s`

// stage is a shop in which a row of the fault table is played.
type stage struct {
	t *testing.T
	s *scenario
	w *world
	// What happened since it was last asked.
	raised, cleared []control.FaultView
	on              bool // the collector was commanded on
}

func newStage(t *testing.T, edit func(*control.Params)) *stage {
	t.Helper()
	s, err := parseScenario("fault table", strings.Split(tableShop, "\n"))
	if err != nil {
		t.Fatal(err)
	}
	s.p.ResetButton, s.p.Gates[0].Button = true, true
	s.p.Indicators = []control.Indicator{{Name: "lamp", Shows: control.AnyFault}}
	if edit != nil {
		edit(&s.p)
		s.plant = Default(s.p)
	}
	w, err := newWorld(s.p, s.plant)
	if err != nil {
		t.Fatal(err)
	}
	st := &stage{t: t, s: s, w: w}
	w.audit = func(w *world, _ control.Input) {
		for _, e := range w.out.Events {
			v := control.FaultView{Fault: e.Fault, ID: e.ID}
			switch e.Kind { //nolint:exhaustive // only faults matter here
			case control.FaultRaised:
				st.raised = append(st.raised, v)
			case control.FaultCleared:
				st.cleared = append(st.cleared, v)
			}
		}
		for _, c := range w.out.Commands {
			st.on = st.on || c.Kind == control.CollectorOn
		}
	}
	w.boot()
	return st
}

// do plays lines of a script one after the other: an action, or "wait" with a time.
func (s *stage) do(lines ...string) {
	s.t.Helper()
	for _, line := range lines {
		if long, is := strings.CutPrefix(line, "wait "); is {
			d, err := time.ParseDuration(long)
			if err != nil {
				s.t.Fatal(err)
			}
			s.w.settle(s.w.now + d)
			continue
		}
		a, err := s.s.action("0s " + line)
		if err != nil {
			s.t.Fatal(err)
		}
		if err := a.do(s.w); err != nil {
			s.t.Fatal(err)
		}
		s.w.settle(s.w.now)
	}
}

func (s *stage) in(ins ...control.Input) {
	for _, in := range ins {
		s.w.step(in)
		s.w.settle(s.w.now)
	}
}

func (s *stage) stands(f control.FaultKind) bool {
	return slices.ContainsFunc(s.w.core.Snapshot().Faults, func(v control.FaultView) bool { return v.Fault == f })
}

// injection is how a fault is brought about, and what ends it, each by lines of a
// script or by inputs.
type injection struct {
	shop   func(*control.Params)
	raise  []string
	by     []control.Input // after raise
	itself []string        // lifts by itself
	undo   []control.Input // after itself
	start  []string        // lifts by a new start
	reset  []string        // lifts by a reset
}

const aReset = "console resets"

// injections are those of every row. A fault that has none fails the test.
var injections = [control.FaultKinds]injection{
	control.Uncollected: {raise: []string{"planer starts", "wait 5s", "gate planer is pushed shut"},
		itself: []string{"gate planer is pushed open"}, start: []string{"planer stops", "planer starts", "wait 5s"}},
	control.CollectorStillOn: {raise: []string{"planer starts", "wait 5s", "contactor welds", "planer stops", "wait 20s"}, itself: []string{"contactor frees", "wait 1s"}},
	control.CollectorNotOff:  {raise: []string{"planer starts", "wait 5s", "outputs fail", "planer stops", "wait 9s"}, itself: []string{"outputs work", "wait 4s"}},
	control.StopLatched:      {raise: []string{"stop door opens", "stop door closes"}, reset: []string{aReset}},
	control.StopStored:       {shop: func(p *control.Params) { p.Past.Kept.Stopped = true }, reset: []string{aReset}},
	control.StopUnread:       {raise: []string{"stop door breaks"}, itself: []string{"stop door closes", "wait 5s"}},
	control.CollectorNoCurrent: {raise: []string{"collector trips", "planer starts", "wait 10s", "collector resets"},
		reset: []string{aReset}},
	control.CollectorOutput: {raise: []string{"planer starts", "wait 5s", "planer stops", "wait 20s", "outputs fail", "planer starts", "wait 1s", "outputs work", "wait 4s"},
		reset: []string{aReset}},
	control.ShutTooOften: {raise: slices.Repeat([]string{"planer starts", "wait 3s", "gate planer is pushed shut", "wait 4s", "planer stops", "gate planer is pushed open", "wait 5s"}, 3),
		reset: []string{aReset}},
	control.EveryPathShut:   {raise: []string{"planer starts", "wait 3s", "gate planer is pushed shut", "wait 4s"}, itself: []string{"gate planer is pushed open"}},
	control.AllSensingLost:  {raise: []string{"planer cannot be sensed", "saw cannot be sensed"}, itself: []string{"saw is idle"}},
	control.SensorLost:      {raise: []string{"planer cannot be sensed"}, itself: []string{"planer is idle"}},
	control.GateNotOpen:     {raise: []string{"gate planer sticks", "planer starts", "wait 10s"}, itself: []string{"gate planer frees", "wait 2s"}, start: []string{"gate planer is pushed shut", "gate planer frees", "wait 3s", "planer stops", "planer starts", "wait 3s"}},
	control.GateLost:        {raise: []string{"planer starts", "wait 5s", "gate planer is pushed shut"}, itself: []string{"gate planer is pushed open"}, start: []string{"planer stops", "planer starts", "wait 3s"}},
	control.GateOutput:      {raise: []string{"outputs fail", "planer starts", "wait 20s", "outputs work"}, itself: []string{"gate planer is pushed open"}, start: []string{"planer stops", "planer starts", "wait 3s"}},
	control.GateNotShut:     {raise: []string{"planer starts", "wait 3s", "saw starts", "wait 3s", "gate planer sticks", "planer stops", "wait 20s"}, itself: []string{"gate planer is pushed shut"}, start: []string{"planer starts", "wait 1s"}},
	control.GateSwitches:    {raise: []string{"gate planer open switch sticks"}, itself: []string{"gate planer open switch heals"}},
	control.CollectorSensor: {raise: []string{"collector current is lost"}, itself: []string{"collector current is back"}},
	control.OtherMains:      {by: []control.Input{control.InMains(control.OtherThanFiled)}, undo: []control.Input{control.InMains(control.AsFiled)}},
	control.ProbablyBreaker: {raise: []string{"planer starts", "wait 5s", "circuit north over", "wait 5s", "circuit north fits", "planer stops"}, start: []string{"planer starts"}},
	control.OutletOutput:    {raise: []string{"outputs fail", "planer starts", "wait 5s"}, itself: []string{"outputs work", "planer stops", "wait 9s"}},
	control.ResetStuck:      {by: []control.Input{control.InReset(control.Pressed)}, undo: []control.Input{control.InReset(control.Released)}},
	control.AsideStuck:      {by: []control.Input{control.InAside(0, control.Unpressed)}, undo: []control.Input{control.InAside(0, control.Released)}},
	control.IndicatorOutput: {raise: []string{"outputs fail", "planer cannot be sensed", "wait 1s"}, itself: []string{"outputs work", "wait 4s"}},
}

// TestFaultTable plays each row: the fault is raised and said, what latches keeps
// the collector off and is to be stored, each of its lifters ends it, and no other
// does.
func TestFaultTable(t *testing.T) {
	for f := control.FaultKind(1); int(f) < control.FaultKinds; f++ {
		t.Run(f.String(), func(t *testing.T) {
			x, facts := &injections[f], f.Facts()
			raise := func() *stage {
				t.Helper()
				s := newStage(t, x.shop)
				s.do(x.raise...)
				s.in(x.by...)
				said := slices.IndexFunc(s.raised, func(v control.FaultView) bool { return v.Fault == f })
				if said < 0 || !s.stands(f) {
					t.Fatalf("it is not raised: %v", s.w.core.Snapshot().Faults)
				}
				if (s.raised[said].ID == control.NoID) != (facts.Subject == control.NoSubject) {
					t.Errorf("it is said of %d, its subject is %d", s.raised[said].ID, facts.Subject)
				}
				s.raised, s.cleared, s.on = nil, nil, false
				return s
			}
			ended := func(s *stage, how string) {
				t.Helper()
				said := slices.ContainsFunc(s.cleared, func(v control.FaultView) bool { return v.Fault == f })
				if s.stands(f) || !said {
					t.Errorf("%s does not end it, or nothing says so: %v", how, s.w.core.Snapshot().Faults)
				}
			}
			tried := control.Lift(0)
			for lift, lines := range map[control.Lift][]string{control.LiftItself: x.itself, control.LiftStart: x.start, control.LiftReset: x.reset} {
				if lines == nil && (lift != control.LiftItself || x.undo == nil) {
					continue
				}
				s := raise()
				s.do(lines...)
				if lift == control.LiftItself {
					s.in(x.undo...)
				}
				ended(s, fmt.Sprint("lift ", lift))
				if s.on && lift != control.LiftStart {
					t.Error("what ends it starts the collector")
				}
				tried |= lift
			}
			if tried != facts.Lift {
				t.Errorf("lifted by %b, its facts say %b", tried, facts.Lift)
			}
			if facts.Lift&control.LiftReset == 0 {
				s := raise()
				s.do(aReset)
				if !s.stands(f) {
					t.Error("a reset ends it: it lifts latches only")
				}
			}
			s := raise()
			if latched := s.w.core.Snapshot().Latched(); latched != facts.Latches {
				t.Fatalf("latched: %v, its facts say %v", latched, facts.Latches)
			}
			if !facts.Latches {
				return
			}
			// What latches: no start, over a restart too, until somebody resets it.
			kept := s.w.core.Snapshot().Kept
			s.do("planer is idle", "saw is idle", "saw starts", "wait 8s")
			if s.on || !s.stands(f) {
				t.Error("a new start starts the collector, or ends it")
			}
			again := newStage(t, func(p *control.Params) { p.Past.Kept = kept })
			again.do("saw starts", "wait 8s")
			if again.on || !again.w.core.Snapshot().Latched() {
				t.Error("it does not hold over a restart")
			}
			again.do(aReset, "wait 8s")
			if again.on || again.w.core.Snapshot().Latched() {
				t.Error("after a restart a reset does not lift it, or starts the collector")
			}
			again.do("saw stops", "saw starts", "wait 5s")
			if !again.on {
				t.Error("after the reset a new start does not start the collector")
			}
		})
	}
}
