package sim

import (
	"strings"
	"testing"
	"time"

	"kerfwind/control"
)

const ms = time.Millisecond

// reports advances a plant outcome by outcome and lists what is reported, with times.
func reports(s *Plant, until time.Duration) (list []string) {
	for at, ok := s.Next(); ok && at <= until; at, ok = s.Next() {
		for _, in := range s.Advance(at, nil) {
			switch in.Kind { //nolint:exhaustive // the plant reports no more than these here
			case control.GateIs:
				list = append(list, clock(at)+" gate "+control.Shown(in.State).String())
			case control.CollectorIs:
				list = append(list, clock(at)+" collector "+control.Verdict(in.State).String())
			case control.OutputIs:
				list = append(list, clock(at)+" "+in.What.String()+map[control.Outcome]string{control.Done: " done", control.Failed: " failed"}[control.Outcome(in.State)])
			}
		}
	}
	s.Advance(until, nil)
	return list
}

// TestPlant: what a command comes to, in order and at its time, for each fault.
func TestPlant(t *testing.T) {
	one := Params{Gates: []Gate{{Travel: 100 * ms, OpenSwitch: true, ShutSwitch: true}}, Collector: Collector{Feedback: true, Lag: 10 * ms, RunUp: time.Second, Coast: 2 * time.Second}, Latency: 5 * ms, Stops: 1}
	open := control.Command{Kind: control.GateOpen, Seq: 1}
	on, off := control.Command{Kind: control.CollectorOn, Seq: 2}, control.Command{Kind: control.CollectorOff, Seq: 3}
	for _, x := range []struct {
		name   string
		edit   func(p *Params)
		faults []What
		do     []control.Command
		later  []What // 50 ms later
		want   string
	}{
		{name: "healthy gate", do: []control.Command{open}, want: "5ms gate-open done; 5ms gate between; 105ms gate open"},
		{name: "bounce", edit: func(p *Params) { p.Gates[0].Bounce = 10 * ms }, do: []control.Command{open}, want: "5ms gate-open done; 5ms gate between; 105ms gate open; 115ms gate between; 125ms gate open"},
		{name: "slow", faults: []What{GateSlows}, do: []control.Command{open}, want: "5ms gate-open done; 5ms gate between; 305ms gate open"},
		{name: "stuck", faults: []What{GateSticks}, do: []control.Command{open}, want: "5ms gate-open done"},
		{name: "stuck and freed", faults: []What{GateSticks}, do: []control.Command{open}, later: []What{GateFrees}, want: "5ms gate-open done; 50ms gate between; 150ms gate open"},
		{name: "lying open switch", faults: []What{OpenSwitchSticks}, do: []control.Command{open}, want: "0s gate both; 5ms gate-open done; 5ms gate open"},
		{name: "dead open switch", faults: []What{OpenSwitchDies}, do: []control.Command{open}, want: "5ms gate-open done; 5ms gate between"},
		{name: "wire off", faults: []What{SwitchesLost}, do: []control.Command{open}, want: "0s gate unknown; 5ms gate-open done"},
		{name: "pushed back", do: []control.Command{open}, later: []What{GatePushedShut}, want: "5ms gate-open done; 5ms gate between; 50ms gate shut"},
		{name: "dead bus", faults: []What{BusDies}, do: []control.Command{open, on}, want: ""},
		{name: "failing outputs", faults: []What{OutputsFail}, do: []control.Command{open}, want: "5ms gate-open failed"},
		{name: "collector", do: []control.Command{on}, want: "5ms collector-on done; 15ms collector running"},
		{name: "overload", do: []control.Command{on}, later: []What{CollectorTrips}, want: "5ms collector-on done; 15ms collector running; 60ms collector idle"},
		{name: "welded", do: []control.Command{on}, later: []What{ContactorWelds}, want: "5ms collector-on done; 15ms collector running; 55ms collector-off done"},
		{name: "hand", faults: []What{CollectorHand}, want: "10ms collector running"},
		{name: "locked", faults: []What{CollectorLocked}, do: []control.Command{on}, want: "5ms collector-on done"},
	} {
		p := one
		p.Gates = append([]Gate(nil), one.Gates...)
		if x.edit != nil {
			x.edit(&p)
		}
		s := New(p)
		reports(s, 0)
		strike := func(list []What) []Fault {
			var f []Fault
			for _, w := range list {
				f = append(f, Fault{At: s.now, What: w})
			}
			return f
		}
		s.Schedule(strike(x.faults))
		got := reports(s, 0)
		for _, c := range x.do {
			s.Apply(c)
		}
		got = append(got, reports(s, 50*ms)...)
		s.Schedule(strike(x.later))
		got = append(got, reports(s, 50*ms)...)
		if x.name == "welded" {
			s.Apply(off)
		}
		got = append(got, reports(s, time.Second)...)
		if g := strings.Join(got, "; "); g != x.want {
			t.Errorf("%s:\ngot  %s\nwant %s", x.name, g, x.want)
		}
	}
}

// TestPlantCoasts: the fan turns until it has coasted down, from the speed it had.
func TestPlantCoasts(t *testing.T) {
	s := New(Params{Collector: Collector{RunUp: time.Second, Coast: 2 * time.Second}})
	turning := func(at time.Duration, want bool) {
		t.Helper()
		s.Advance(at, nil)
		if s.Turning() != want {
			t.Errorf("at %v turning is %v: %s", at, !want, s)
		}
	}
	s.Apply(control.Command{Kind: control.CollectorOn})
	turning(500*ms, true) // half its speed
	s.Apply(control.Command{Kind: control.CollectorOff})
	turning(1400*ms, true)
	turning(1501*ms, false)
	s.Apply(control.Command{Kind: control.CollectorOn})
	turning(4*time.Second, true)
	if err := s.Halt(); err != nil {
		t.Fatal(err)
	}
	turning(5900*ms, true)
	turning(6001*ms, false)
}

// TestParseFaults: every fault reads back as it is written, and a bad script
// says every error with its line.
func TestParseFaults(t *testing.T) {
	names := Names{Gates: []string{"main", "floor sweep"}, Stops: []string{"bin door"}}
	var script strings.Builder
	var want []Fault
	for w := What(1); w < whats; w++ {
		f := Fault{At: time.Duration(w) * time.Second, What: w}
		if words[w].of == ofGate {
			f.ID = 1
		}
		want = append(want, f)
		script.WriteString("at " + f.At.String() + "  " + f.Text(names) + " # a note\n\n")
	}
	got, err := ParseFaults("faults.txt", strings.NewReader(script.String()), names)
	if err != nil || len(got) != len(want) {
		t.Fatalf("%v: %v", err, got)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("%q: %+v, want %+v", want[i].Text(names), got[i], want[i])
		}
	}
	_, err = ParseFaults("faults.txt", strings.NewReader("gate main sticks\nat noon gate main sticks\nat 5s gate attic sticks\nat 4s bus dies\nat -1s bus dies\nat 9s\n"), names)
	if err == nil {
		t.Fatal("all is well?")
	}
	for _, w := range []string{`faults.txt:1: "gate main sticks": begin with "at"`, `faults.txt:2: "noon" is no time`, `faults.txt:3: "gate attic sticks" is no fault`,
		`faults.txt:5: "-1s" is no time`, `faults.txt:6: "at 9s": begin with`} {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("not said: %s\n%v", w, err)
		}
	}
	if _, err := ParseFaults("f", strings.NewReader("at 5s bus dies\nat 4s bus recovers"), names); err == nil || !strings.Contains(err.Error(), "f:2: 4s comes before") {
		t.Errorf("order: %v", err)
	}
}

// FuzzParseFaults: no script makes the parser panic, and what it takes it can
// write and read again.
func FuzzParseFaults(f *testing.F) {
	names := Names{Gates: []string{"main", "floor sweep"}, Stops: []string{"bin door"}}
	f.Add("at 2m10s gate main sticks\nat 3m gate floor sweep open switch dies # why\n")
	f.Add("at 1h stop bin door opens\nat 1h bus dies")
	f.Add("at x\nat 1s gate  sticks\n#\n")
	f.Fuzz(func(t *testing.T, script string) {
		faults, err := ParseFaults("fuzz", strings.NewReader(script), names)
		if err != nil {
			return
		}
		var again strings.Builder
		for _, x := range faults {
			again.WriteString("at " + x.At.String() + " " + x.Text(names) + "\n")
		}
		twice, err := ParseFaults("fuzz", strings.NewReader(again.String()), names)
		if err != nil || len(twice) != len(faults) {
			t.Fatalf("%v\n%s", err, again.String())
		}
		for i := range twice {
			if twice[i] != faults[i] {
				t.Fatalf("%+v became %+v", faults[i], twice[i])
			}
		}
	})
}

// FuzzScenario: no script makes the scenario reader panic.
func FuzzScenario(f *testing.F) {
	f.Add("# a\ngate a: travel 1s, switch open\nmachine a: hood a, run-on 2s\ncollector: coast 1s\n12s a starts\n20s a stops\n30s the end\n")
	f.Add("gate a\n:\nshop: helper a for b\n1s circuit x over\n2s page holds a for 9s")
	f.Fuzz(func(t *testing.T, script string) {
		if s, err := parseScenario("fuzz", strings.Split(script, "\n")); err == nil && s.plant.Latency == 0 {
			t.Fatal("no plant")
		}
	})
}
