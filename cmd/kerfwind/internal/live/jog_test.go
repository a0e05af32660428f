package live

import (
	"context"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/seam/seamtest"
	"kerfwind/control"
	barnfiles "kerfwind/testdata/barn"
)

// jogBarn is the demo's shop.
var jogBarn = barnfiles.Shop

func TestRequest(t *testing.T) {
	s := jogBarn(t)
	for _, x := range []struct {
		name, by string
		kind     control.AskKind
		gate     string
		wrong    string
		caution  string
	}{
		{"planer", "", control.AskTestOpen, "planer", "", "gate planer will move"},
		{"collector", "", control.AskHold, firstPath(s), "", "counts as one of its starts"},
		{"collector", "planer", control.AskHold, "planer", "", "gate planer will open"},
		{"planer", "saw", 0, "", "--by is for the collector", ""},
		{"lathe", "", 0, "", `has no gate "lathe"`, ""},
	} {
		in, err := JogRequest(s, x.name, x.by, 5*time.Second)
		if x.wrong != "" {
			if err == nil || !strings.Contains(err.Error(), x.wrong) {
				t.Errorf("%s: %v", x.name, err)
			}
			continue
		}
		if err != nil || control.AskKind(in.State) != x.kind || s.Gates[in.ID].Name != x.gate || in.For != 5*time.Second || in.Origin != control.Console {
			t.Errorf("%s: %+v, %v", x.name, in, err)
		}
		if text := JogCaution(s, in); !strings.Contains(text, x.caution) || !strings.Contains(text, "use the disconnect") {
			t.Errorf("%s: %s", x.name, text)
		}
	}
	if w := JogWait(s); w <= s.Collector.Coast {
		t.Error(w)
	}
}

// TestWatch: it is over when the gate is back and the collector is off, or at a
// refusal or a fault.
func TestWatch(t *testing.T) {
	s := jogBarn(t)
	names := rig.Names(s)
	ev := func(k control.EventKind, id control.ID) control.Event { return control.Event{Kind: k, ID: id} }
	fault := func(k control.FaultKind, id control.ID) control.Event {
		return control.Event{Kind: control.FaultRaised, Fault: k, ID: id}
	}
	for _, x := range []struct {
		name   string
		events []control.Event
		over   bool
		wrong  string
	}{
		{"moved", []control.Event{ev(control.TestBegan, 1), ev(control.GateOpening, 1), ev(control.GateIsOpen, 1), ev(control.TestEnded, 1), ev(control.GateClosing, 1), ev(control.GateIsClosed, 1)}, true, ""},
		{"on its way", []control.Event{ev(control.TestBegan, 1), ev(control.GateOpening, 1), ev(control.TestEnded, 1)}, false, ""},
		{"another gate", []control.Event{ev(control.TestBegan, 1), ev(control.TestEnded, 1), ev(control.GateOpening, 2)}, true, ""},
		{"collector", []control.Event{ev(control.GateHeld, 1), ev(control.CollectorIsOn, 0), ev(control.GateReleased, 1)}, false, ""},
		{"collector off", []control.Event{ev(control.GateHeld, 1), ev(control.CollectorIsOn, 0), ev(control.GateReleased, 1), ev(control.CollectorIsOff, 0)}, true, ""},
		{"refused", []control.Event{ev(control.RequestRefused, 1)}, true, "refused"},
		{"fault", []control.Event{ev(control.TestBegan, 1), ev(control.GateOpening, 1), fault(control.GateNotOpen, 1), ev(control.TestEnded, 1)}, true, s.Gates[1].Name},
		{"nothing", nil, false, "before anything was moved"},
	} {
		over := false
		w := &JogWatch{Ask: control.Input{ID: 1}, End: func() { over = true }}
		for _, e := range x.events {
			w.Observe(nil, []control.Event{e})
		}
		err := w.Verdict(&names)
		if over != x.over || (err == nil) != (x.wrong == "") || err != nil && !strings.Contains(err.Error(), x.wrong) {
			t.Errorf("%s: over %v, %v", x.name, over, err)
		}
	}
}

// TestThrough: the kerfwind that has the rig does it; its refusal is told, and
// what was asked for ends with the asker.
func TestThrough(t *testing.T) {
	s := jogBarn(t)
	names := seam.Names(rig.Names(s))
	// kerfwind runs the shop; the gates have other numbers there.
	slices.Reverse(names.Gates)
	begin := func() *seamtest.Fake {
		f := seamtest.New(t)
		f.Now(seam.Hello{}, seam.State{Names: names})
		return f
	}
	event := func(k control.EventKind, gate string) seam.Item {
		return seam.Item{Kind: seam.AnEvent, Event: control.Event{Kind: k, ID: control.ID(slices.Index(names.Gates, gate))}}
	}
	follow := func(f *seamtest.Fake, items ...seam.Item) {
		for f.Followers() == 0 {
			runtime.Gosched()
		}
		f.Send(items...)
	}
	through := func(f *seamtest.Fake, ctx context.Context, ask control.Input, said func(string)) error {
		return JogThrough(ctx, f, s, ask, said, func(err error) { t.Error(err) })
	}
	ask, err := JogRequest(s, "planer", "", time.Second)
	if err != nil {
		t.Fatal(err)
	}
	open := seam.Request{Kind: control.AskTestOpen, Target: "planer", For: time.Second}
	f := begin()
	f.Will("Ask", open, nil, nil)
	var list []seam.Item
	for _, k := range []control.EventKind{control.TestBegan, control.GateOpening, control.GateIsOpen, control.GateClosing, control.TestEnded, control.GateIsClosed} {
		list = append(list, event(k, "planer"))
	}
	go follow(f, list...)
	said := 0
	if err := through(f, t.Context(), ask, func(string) { said++ }); err != nil || said != 6 {
		t.Errorf("%v, %d lines", err, said)
	}
	f = begin()
	f.Will("Ask", open, nil, &seam.Refused{Why: "a machine runs"})
	if err := through(f, t.Context(), ask, nil); err == nil || err.Error() != "a machine runs" {
		t.Error(err)
	}
	for what, want := range map[string]seam.Request{"planer": {Kind: control.AskTestEnd}, "collector": {Kind: control.AskRelease, Target: names.Gates[len(names.Gates)-1]}} {
		if ask, err = JogRequest(s, what, "", time.Second); err != nil {
			t.Fatal(err)
		}
		f = begin()
		f.Will("Ask", seam.Request{Kind: control.AskKind(ask.State), Target: s.Gates[ask.ID].Name, For: ask.For}, nil, nil)
		f.Will("Ask", want, nil, nil)
		ctx, end := context.WithCancel(t.Context())
		go func() {
			follow(f, event(control.TestBegan, "planer"))
			for !f.Done() {
				runtime.Gosched()
			}
			f.End()
		}()
		err := through(f, ctx, ask, func(string) { end() })
		if err == nil || !strings.Contains(err.Error(), "says no more") {
			t.Errorf("%s: %v", what, err)
		}
		end()
	}
}
