package timeline

import (
	"strings"
	"testing"
	"time"

	"kerfwind/control"
)

// TestEveryNameHasWords: no event, cause or fault falls back to its bare name
// where a sentence is due.
func TestEveryNameHasWords(t *testing.T) {
	n := 0
	for k := control.EventKind(1); k.String() != "invalid"; k++ {
		n++
		if k == control.FaultRaised || k == control.FaultCleared {
			continue
		}
		if w := kindWords(control.Event{Kind: k}); w == k.String() && strings.Contains(w, "-") {
			t.Errorf("event %v has no words", k)
		}
	}
	for c := control.Cause(1); c.String() != "invalid"; c++ {
		n++
		if w := causeWords(c); w == c.String() && c.String() != "none" {
			t.Errorf("cause %v has no words", c)
		}
	}
	for f := control.FaultKind(1); f.String() != "invalid"; f++ {
		n++
		w := troubleOf(f)
		if w.wrong == "" || w.remedy == "" || w.over == "" {
			t.Errorf("fault %v lacks words: %+v", f, w)
		}
		// The words ask for a reset exactly where nothing else ends the fault.
		if asks := strings.Contains(w.remedy, "reset"); asks != (f.Facts().Lift == control.LiftReset) {
			t.Errorf("fault %v: asks for a reset: %v; what lifts it: %b", f, asks, f.Facts().Lift)
		}
		// A hand is sent to nothing that moves before the disconnect is named.
		if hand := strings.Index(w.remedy, "gate"); hand >= 0 && !strings.Contains(w.remedy[:hand], "disconnect") {
			t.Errorf("fault %v: %q sends a hand to a gate before the disconnect", f, w.remedy)
		}
	}
	if n < 50 {
		t.Errorf("only %d names seen", n)
	}
}

// TestText shows what people read, a fault and a run among it.
func TestText(t *testing.T) {
	names := &Names{Machines: []string{"planer"}, Gates: []string{"planer"}, Collectors: []string{"collector"}}
	for want, e := range map[string]control.Event{
		"0:00:05.042   planer started (42 ms after its onset)":                                        {At: ms(5042), Onset: ms(5000), Kind: control.MachineStarted, Cause: control.BySensor},
		"0:00:09.000   planer stopped, gates stay open until 0:00:24.000":                             {At: ms(9000), Until: ms(24000), Kind: control.MachineStopped},
		"0:00:06.000 ! FAULT planer: the gate does not open; " + troubles[control.GateNotOpen].remedy: {At: ms(6000), Kind: control.FaultRaised, Fault: control.GateNotOpen},
		"0:00:07.000   cleared: planer: the gate is open":                                             {At: ms(7000), Kind: control.FaultCleared, Fault: control.GateNotOpen},
		"0:00:05.000   collector start held back, " + causeWords(control.ByPath):                      {At: ms(5000), Kind: control.StartHeldBack, Cause: control.ByPath},
		"1:02:03.004   machine 7 stopped":                                                             {At: time.Hour + 2*time.Minute + ms(3004), Kind: control.MachineStopped, ID: 7},
		"0:00:00.000   request refused, " + causeWords(control.ByBadRequest):                          {Kind: control.RequestRefused, ID: control.NoID, Cause: control.ByBadRequest},
	} {
		if got := string(AppendText(nil, e, names)); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
}

// TestTally adds up two runs, one still on at the end, and a repeated fault.
func TestTally(t *testing.T) {
	names := &Names{Machines: []string{"planer", "router"}, Gates: []string{"g"}, Collectors: []string{"collector"}}
	tally := NewTally(names)
	for _, e := range []control.Event{
		{At: ms(1000), Kind: control.MachineStarted},
		{At: ms(1000), Kind: control.GateOpening},
		{At: ms(1500), Kind: control.CollectorIsOn},
		{At: ms(4000), Kind: control.MachineStopped},
		{At: ms(5000), Kind: control.FaultRaised, Fault: control.GateNotOpen},
		{At: ms(5000), Kind: control.FaultRaised, Fault: control.GateNotOpen},
		{At: ms(6000), Kind: control.MachineStarted, ID: 1},
		{At: ms(7000), Kind: control.CollectorIsOff},
	} {
		tally.Add(e)
	}
	var b strings.Builder
	if err := tally.Write(&b, ms(10000)); err != nil {
		t.Fatal(err)
	}
	want := `machine    runs  time  longest
planer     1     3s    3s
router     1     4s    4s  still on at the end
collector  1     5.5s  5.5s
gates opened: g 1×
faults:
  gate-not-open g (2 times)
`
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
}
