package control

import (
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"
)

// An event is about what its name begins with, but for those listed here.
func TestSubjects(t *testing.T) {
	begins := map[string]Subject{"machine-": AMachine, "gate-": AGate, "collector-": ACollector, "outlet-": AnOutlet, "circuit-": ACircuit, "bin-": ACollector,
		"stop-": AStop, "test-": AGate}
	others := map[EventKind]Subject{WeakAir: ACollector, BudgetExceeded: ACollector, StartHeldBack: ACollector, RequestRefused: AGate, ClosedShopRun: AMachine}
	for k := range eventKinds + 1 {
		want := others[k]
		for name, s := range begins {
			if strings.HasPrefix(k.String(), name) {
				want = s
			}
		}
		if got := k.Subject(); got != want {
			t.Errorf("%s is about %d, want %d", k, got, want)
		}
		for f := range faultKinds {
			e := Event{Kind: k, Fault: f}
			want := k.Subject()
			if k == FaultRaised || k == FaultCleared {
				want = f.Subject()
			}
			if got := e.Subject(); got != want {
				t.Errorf("%s %s is about %d, want %d", k, f, got, want)
			}
		}
	}
	for k := Auto; k <= Off; k++ {
		for _, s := range []string{k.String(), Verdict(k).String(), Load(k).String(), Shown(k).String(), Origin(k).String()} {
			if s == "invalid" {
				t.Errorf("%d has no name", k)
			}
		}
	}
}

// Every length of time and every list of Params at its limits and just beyond.
func TestLimits(t *testing.T) {
	fresh := func() *Params {
		p := actShop()
		return &p
	}
	if err := fresh().Validate(); err != nil {
		t.Fatal(err)
	}
	never0 := map[string]bool{"Answer": true, "Window": true} // where 0 would not do
	try := func(at string, pick func(*Params) reflect.Value) {
		v := pick(fresh())
		for i := range v.NumField() {
			name := at + "." + v.Type().Field(i).Name
			if v.Type().Field(i).Type != reflect.TypeFor[time.Duration]() {
				continue
			}
			for d, fine := range map[time.Duration]bool{longest: true, longest + 1: false, -1: false, 1: true, 0: !never0[v.Type().Field(i).Name] || at == "gate"} {
				p := fresh()
				pick(p).Field(i).SetInt(int64(d))
				if err := p.Validate(); (err == nil) != fine {
					t.Errorf("%s = %v: %v", name, d, err)
				}
			}
		}
	}
	try("shop", func(p *Params) reflect.Value { return reflect.ValueOf(p).Elem() })
	try("collector", func(p *Params) reflect.Value { return reflect.ValueOf(&p.Collector).Elem() })
	try("machine", func(p *Params) reflect.Value { return reflect.ValueOf(&p.Machines[1]).Elem() })
	try("gate", func(p *Params) reflect.Value { return reflect.ValueOf(&p.Gates[1]).Elem() })
	try("outlet", func(p *Params) reflect.Value { return reflect.ValueOf(&p.Outlets[1]).Elem() })
	try("past", func(p *Params) reflect.Value { return reflect.ValueOf(&p.Past).Elem() })
	for name, most := range map[string]int{"Machines": MaxMachines, "Gates": MaxGates, "Outlets": MaxOutlets, "Circuits": MaxCircuits, "Stops": MaxStops, "Indicators": MaxIndicators} {
		for n, fine := range map[int]bool{most: true, most + 1: false} {
			p := fresh()
			p.Indicators = []Indicator{{Name: "lamp", Shows: AnyFault}}
			v := reflect.ValueOf(p).Elem().FieldByName(name)
			for v.Len() < n {
				v.Set(reflect.Append(v, v.Index(v.Len()-1)))
			}
			if err := p.Validate(); (err == nil) != fine {
				t.Errorf("%d %s: %v", n, name, err)
			}
		}
	}
	for i, c := range []struct {
		change func(*Params)
		fine   bool
	}{
		{func(p *Params) { p.Retries = 0 }, true},
		{func(p *Params) { p.Retries = 9 }, true},
		{func(p *Params) { p.Retries = 10 }, false},
		{func(p *Params) { p.Retries = -1 }, false},
		{func(p *Params) { p.MaxOpen = 0 }, true},
		{func(p *Params) { p.MaxOpen = -1 }, false},
		{func(p *Params) { p.Collector.Starts = 0; p.Collector.Window = 0 }, true},
		{func(p *Params) { p.Collector.Starts = 1 }, false},
		{func(p *Params) { p.Collector.Starts = 2 }, true},
		{func(p *Params) { p.Collector.Starts = MaxStarts }, true},
		{func(p *Params) { p.Collector.Starts = MaxStarts + 1 }, false},
		{func(p *Params) { p.Collector.Feedback = ByContact }, true},
		{func(p *Params) { p.Collector.Feedback = ByContact + 1 }, false},
		{func(p *Params) { p.Collector.Circuit = 1 }, true},
		{func(p *Params) { p.Collector.Circuit = 2 }, false},
		{func(p *Params) { p.Machines[0].Circuit = NoID }, true},
		{func(p *Params) { p.Machines[0].Circuit = 2 }, false},
		{func(p *Params) { p.Machines[0].Hoods = nil }, false},
		{func(p *Params) { p.Machines[0].Hoods[0].Gates = []ID{4, 0} }, true},
		{func(p *Params) { p.Machines[0].Hoods[0].Gates = []ID{0, 5} }, false},
		{func(p *Params) { p.Machines[0].Hoods[0].Gates = []ID{0, 4, 0} }, false},
		{func(p *Params) { p.Gates[0].Downstream = []ID{0} }, false},
		{func(p *Params) { p.Gates[0].Downstream = []ID{5} }, false},
		{func(p *Params) { p.Gates[3].OpenSwitch = false }, false},
		{func(p *Params) { p.Gates[1].OpenSwitch = false }, true},
		{func(p *Params) { p.Outlets[0].Follows = []ID{2} }, true},
		{func(p *Params) { p.Outlets[0].Follows = []ID{3} }, false},
		{func(p *Params) { p.Circuits[0].Rating = 0 }, false},
		{func(p *Params) { p.Circuits[0].Rating = 1e6 }, false},
		{func(p *Params) { p.Circuits[0].Rating = 999999 }, true},
		{func(p *Params) { p.RunOn = nil }, false},
		{func(p *Params) { p.Past.Starts = []time.Duration{0, longest} }, true},
		{func(p *Params) { p.Past.Starts = []time.Duration{0, longest + 1} }, false},
	} {
		p := fresh()
		c.change(p)
		err := p.Validate()
		if (err == nil) != c.fine {
			t.Errorf("row %d: %v", i, err)
		}
		if _, e := New(*p); (e == nil) != c.fine {
			t.Errorf("row %d: New: %v", i, e)
		}
	}
}

// Every default stands where its name says.
func TestDefaults(t *testing.T) {
	p := Defaults()
	for name, want := range map[string]any{
		"UnknownHold": DefaultUnknownHold, "HoldLongest": DefaultHoldLongest, "TestLongest": DefaultTestLongest, "PowerUp": DefaultPowerUp, "Answer": DefaultAnswer,
		"AllShut": DefaultAllShut, "CircuitSettle": DefaultCircuitSettle, "Breaker": DefaultBreaker, "Retries": DefaultRetries, "Gap": DefaultGap,
		"Late": DefaultLate, "OffSettle": DefaultOffSettle, "Stuck": DefaultStuck, "ShutWindow": DefaultShutWindow,
		"Collector.Confirm": DefaultConfirm, "Collector.Starts": DefaultStarts, "Collector.Window": DefaultWindow, "Collector.MinOn": DefaultMinOn,
		"Collector.MinOff": DefaultMinOff, "Collector.Within": DefaultFeedback, "Collector.Circuit": NoID,
	} {
		v := reflect.ValueOf(p)
		for part := range strings.SplitSeq(name, ".") {
			v = v.FieldByName(part)
		}
		if fmt.Sprint(v.Interface()) != fmt.Sprint(want) {
			t.Errorf("%s is %v, want %v", name, v, want)
		}
	}
}
