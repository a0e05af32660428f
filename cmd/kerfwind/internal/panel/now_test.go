package panel

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"kerfwind/control"
)

// What may be asked reaches control as it was asked, and nothing else does.
func TestNowAsks(t *testing.T) {
	ask := func(k control.AskKind, id control.ID, d time.Duration) *control.Input {
		return &control.Input{Kind: control.Ask, State: uint8(k), ID: id, For: d}
	}
	for _, tt := range []struct {
		do        func(*Visit) error
		gate, how string
		want      *control.Input
		said      string // or the mistake
	}{
		{standDown, "", "", ask(control.AskStandDown, control.NoID, 0), "Stood down. " + notLocked},
		{hold, "floor sweep", "180", ask(control.AskHold, floorSweep, 3*time.Minute), "floor sweep is held open for 3 min. The collector may start."},
		{hold, "floor sweep", "1800", ask(control.AskHold, floorSweep, 30*time.Minute), "floor sweep is held open for 30 min. The collector may start."},
		{hold, "floor sweep", "1801", nil, "at most 30 min"},
		{hold, "floor sweep", "0", nil, "for how many seconds"},
		{hold, "floor sweep", "-5", nil, "for how many seconds"},
		{hold, "floor sweep", "9223372036854775807", nil, "for how many seconds"},
		{hold, "floor sweep", "3 min", nil, "for how many seconds"},
		{hold, "floor sweep", "", nil, "for how many seconds"},
		{hold, "Floor sweep", "60", nil, "no gate"},
		{hold, "", "60", nil, "no gate"},
		{release, "floor sweep", "", ask(control.AskRelease, floorSweep, 0), "floor sweep is no longer held."},
		{release, strings.Repeat("x", 1000), "", nil, "no gate"},
	} {
		shop := onPage(demoShop(t), 0)
		var got *control.Input
		shop.Ask = func(_ context.Context, in control.Input) error { got = &in; return nil }
		v := &Visit{R: httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/", nil), Shop: shop, fields: url.Values{"gate": {tt.gate}, "for": {tt.how}}}
		err := tt.do(v)
		switch {
		case tt.want != nil && (err != nil || got == nil || *got != *tt.want || v.said != tt.said):
			t.Errorf("%s for %q: %+v, %q, %v", tt.gate, tt.how, got, v.said, err)
		case tt.want == nil:
			if m := (*Mistake)(nil); !errors.As(err, &m) || got != nil || !strings.Contains(m.Text, tt.said) || len(m.Text) > 200 {
				t.Errorf("%.20s for %q: %+v, %v", tt.gate, tt.how, got, err)
			}
		}
	}
	// What control refuses is told as its refusal.
	shop := onPage(demoShop(t), 0)
	shop.Ask = func(context.Context, control.Input) error {
		return &Refusal{"a gate in a main makes no path of its own"}
	}
	v := &Visit{R: httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/", nil), Shop: shop, fields: url.Values{"gate": {"far end"}, "for": {"60"}}}
	if no := (*Refusal)(nil); !errors.As(hold(v), &no) || v.said != "" {
		t.Errorf("it says %q", v.said)
	}
}

// A page without script has all of it, in the words of the tables; whoever may
// only look has nothing to press.
func TestNowTemplate(t *testing.T) {
	in := barnIn(t)
	in.Snap.Machines[planer] = control.MachineView{Sensed: control.Running, Run: true, Served: true, Since: 35 * sec, Why: control.Why{Cause: control.ByMachine, Machine: planer}}
	in.Snap.Faults = []control.FaultView{{Fault: control.GateNotOpen, ID: sander, Since: 90 * sec}}
	shop := onPage(in.Shop, in.Now)
	s := New(Options{Notice: func(err error) { t.Error(err) }})
	for _, begun := range []bool{false, true} {
		if begun {
			shop.Observe(in.Snap, nil)
		}
		s.Show(shop)
		for _, role := range []Role{Look, Operate} {
			w := httptest.NewRecorder()
			s.show(&Visit{W: w, R: httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/", nil), Part: &nowPart, Shop: shop, Role: role, s: s}, http.StatusOK, "")
			page := w.Body.String()
			if w.Code != http.StatusOK {
				t.Fatalf("%d: %s", w.Code, page)
			}
			for text, there := range map[string]bool{
				"Nothing is known yet": !begun, "Planer runs": false, ">planer</b>": begun, ">1:05</time>": begun,
				"Drum sander: the gate does not open.": begun, "then look for packed chips; then start the machine again.": begun,
				`action="/hold"`: begun && role >= Operate, `action="/stand-down"`: begun && role >= Operate, notLocked + "</strong>": begun && role >= Operate,
			} {
				if strings.Contains(page, text) != there {
					t.Errorf("begun %v, role %v: %q is there: %v", begun, role, text, !there)
				}
			}
		}
	}
}
