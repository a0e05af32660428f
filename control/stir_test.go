package control

import (
	"slices"
	"testing"
)

// TestStirs: each state of each thing keeps the shop from rest or does not, alone and
// beside all others, in order; whoever has heard enough is told no more.
func TestStirs(t *testing.T) {
	quiet := func() *Snapshot {
		return &Snapshot{At: 100, Machines: make([]MachineView, 2), Gates: make([]GateView, 2), Outlets: make([]OutletView, 2)}
	}
	rows := []struct {
		do   func(*Snapshot)
		want Stir
	}{
		{func(s *Snapshot) { s.Machines[1].Run = true; s.Machines[1].RunOn = 7 }, Stir{StirRuns, AMachine, 1, 0}},
		{func(s *Snapshot) { s.Machines[1].Sensed = Running }, Stir{StirRuns, AMachine, 1, 0}},
		{func(s *Snapshot) { s.Machines[1].RunOn = 107 }, Stir{StirRunsOn, AMachine, 1, 107}},
		{func(s *Snapshot) { s.Gates[1].Position = PositionOpening; s.Gates[1].Held = 9 }, Stir{StirMoves, AGate, 1, 0}},
		{func(s *Snapshot) { s.Gates[1].Position = PositionShutting }, Stir{StirMoves, AGate, 1, 0}},
		{func(s *Snapshot) { s.Gates[1].Held = 108; s.Gates[1].Why = Why{Cause: ByTest, Until: 9} }, Stir{StirHeld, AGate, 1, 108}},
		{func(s *Snapshot) { s.Gates[1].Why = Why{Cause: ByTest, Until: 109} }, Stir{StirTested, AGate, 1, 109}},
		{func(s *Snapshot) { s.Collector.Switch = Hand; s.Collector.Fault = CollectorStillOn }, Stir{StirAtHand, ACollector, 0, 0}},
		{func(s *Snapshot) { s.Collector.Fault = CollectorStillOn; s.Collector.Commanded = true }, Stir{StirStaysOn, ACollector, 0, 0}},
		{func(s *Snapshot) { s.Collector.Commanded = true; s.Collector.Why = Why{Cause: ByCoast, Until: 110} }, Stir{StirCollects, ACollector, 0, 110}},
		{func(s *Snapshot) { s.Collector.Sensed = Running; s.Collector.Why.Until = 110 }, Stir{StirCollects, ACollector, 0, 110}},
		{func(s *Snapshot) { s.Collector.Why = Why{Cause: ByCoast, Until: 111} }, Stir{StirRests, ACollector, 0, 111}},
		{func(s *Snapshot) { s.Collector.Why = Why{Cause: ByPowerUp, Until: 111} }, Stir{StirRests, ACollector, 0, 111}},
		{func(s *Snapshot) { s.Outlets[1] = OutletView{Commanded: true, RunOn: 112} }, Stir{StirOutlet, AnOutlet, 1, 112}},
		{func(s *Snapshot) { // what does not keep it
			s.Machines[1].Sensed, s.Machines[1].Left = Unknown, true
			s.Gates[1] = GateView{Position: PositionOpen, Aside: true, Wanted: true, Why: Why{Cause: ByRest}}
			s.Collector = CollectorView{Switch: Off, Sensed: Unknown, Fault: CollectorNoCurrent, Why: Why{Cause: ByFault, Until: 9}}
			s.Outlets[1].RunOn = 9
			s.StoodDown, s.BinFull, s.Kept.Stopped = true, true, true
		}, Stir{}},
	}
	for i, r := range rows {
		s := quiet()
		r.do(s)
		want := []Stir{r.want}
		if r.want.Kind == 0 {
			want = nil
		}
		if got := slices.Collect(s.Stirs()); !slices.Equal(got, want) {
			t.Errorf("row %d: %+v, want %+v", i, got, r.want)
		}
	}
	s := quiet()
	s.Machines[0].Run, s.Machines[1].Run = true, true
	s.Gates[0].Held, s.Gates[1].Held = 1, 1
	s.Collector.Commanded = true
	s.Outlets[0].Commanded, s.Outlets[1].Commanded = true, true
	whole := slices.Collect(s.Stirs())
	if len(whole) != 7 {
		t.Fatalf("%+v", whole)
	}
	for n := 1; n <= len(whole); n++ {
		var got []Stir
		for x := range s.Stirs() {
			if got = append(got, x); len(got) == n {
				break
			}
		}
		if !slices.Equal(got, whole[:n]) {
			t.Errorf("the first %d: %+v", n, got)
		}
	}
}

// TestShows: whatever two end switches do.
func TestShows(t *testing.T) {
	for in, want := range map[[3]bool]Shown{ // open, shut, read
		{false, false, true}: ShownBetween, {true, false, true}: ShownOpen, {false, true, true}: ShownShut, {true, true, true}: ShownBoth,
		{false, false, false}: ShownUnknown, {true, false, false}: ShownUnknown, {false, true, false}: ShownUnknown, {true, true, false}: ShownUnknown,
	} {
		if got := Shows(in[0], in[1], in[2]); got != want {
			t.Errorf("%v: %v, want %v", in, got, want)
		}
	}
}
