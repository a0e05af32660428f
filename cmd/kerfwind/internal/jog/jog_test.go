package jog

import (
	"context"
	"errors"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/setup"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/testdata"
)

// barn is the demo's shop.
func barn(t *testing.T) *config.Shop {
	t.Helper()
	read := func(name string) []byte {
		b, err := testdata.Demo.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	r, err := config.ParseRig("rig.toml", read("demo/rig.toml"))
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.ParseShop("barn.toml", read("demo/shops/barn.toml"), r)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestRequest(t *testing.T) {
	s := barn(t)
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
		in, err := Request(s, x.name, x.by, 5*time.Second)
		if x.wrong != "" {
			if err == nil || !strings.Contains(err.Error(), x.wrong) {
				t.Errorf("%s: %v", x.name, err)
			}
			continue
		}
		if err != nil || control.AskKind(in.State) != x.kind || s.Gates[in.ID].Name != x.gate || in.For != 5*time.Second || in.Origin != control.Console {
			t.Errorf("%s: %+v, %v", x.name, in, err)
		}
		if text := Caution(s, in); !strings.Contains(text, x.caution) || !strings.Contains(text, "use the disconnect") {
			t.Errorf("%s: %s", x.name, text)
		}
	}
	if w := Wait(s); w <= s.Collector.Coast {
		t.Error(w)
	}
}

// TestWatch: it is over when the gate is back and the collector is off, or at a
// refusal or a fault.
func TestWatch(t *testing.T) {
	s := barn(t)
	names := setup.Names(s)
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
		w := &Watch{Ask: control.Input{ID: 1}, End: func() { over = true }}
		for _, e := range x.events {
			w.Observe(nil, []control.Event{e})
		}
		err := w.Verdict(&names)
		if over != x.over || (err == nil) != (x.wrong == "") || err != nil && !strings.Contains(err.Error(), x.wrong) {
			t.Errorf("%s: over %v, %v", x.name, over, err)
		}
	}
}

// house is a running kerfwind that does, or refuses, what it is asked for.
type house struct {
	socket.Handler
	refuse string
	lines  chan socket.Answer

	mu    sync.Mutex
	asked []string
}

func (h *house) Stream(context.Context, socket.Request) (<-chan socket.Answer, error) {
	return h.lines, nil
}

func (h *house) Ask(_ context.Context, r socket.Request, _ socket.Peer) socket.Answer {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.asked = append(h.asked, r.Ask+" "+r.Gate)
	if r.Ask == control.AskTestEnd.String() || r.Ask == control.AskRelease.String() {
		close(h.lines)
	}
	return socket.Answer{Refused: h.refuse}
}

// TestThrough: the kerfwind that has the rig does it; its refusal is told, and
// what was asked for ends with the asker.
func TestThrough(t *testing.T) {
	s := barn(t)
	names := setup.Names(s)
	line := func(e control.Event) socket.Answer {
		l := timeline.FromEvent(e, &names)
		return socket.Answer{Event: l.AppendJSON(nil), Text: string(timeline.AppendText(nil, e, &names))}
	}
	through := func(h *house, ctx context.Context, ask control.Input, event func(string)) error {
		folder, err := os.MkdirTemp("", "kw") // a socket's path is short
		if err != nil {
			t.Fatal(err)
		}
		l, err := socket.Listen(folder)
		if err != nil {
			t.Fatal(err)
		}
		serve, end := context.WithCancel(context.Background())
		done := make(chan struct{})
		go func() {
			defer close(done)
			socket.Serve(serve, l, h, func(err error) { t.Error(err) })
		}()
		defer func() {
			end()
			<-done
			if err := os.RemoveAll(folder); err != nil {
				t.Error(err)
			}
		}()
		c, err := socket.Dial(folder)
		if err != nil {
			t.Fatal(err)
		}
		return Through(ctx, c, folder, s, ask, event, func(err error) { t.Error(err) })
	}
	ask, err := Request(s, "planer", "", time.Second)
	if err != nil {
		t.Fatal(err)
	}
	h := &house{lines: make(chan socket.Answer, 10)}
	for _, k := range []control.EventKind{control.TestBegan, control.GateOpening, control.GateIsOpen, control.GateClosing, control.TestEnded, control.GateIsClosed} {
		h.lines <- line(control.Event{Kind: k, ID: ask.ID})
	}
	said := 0
	if err := through(h, t.Context(), ask, func(string) { said++ }); err != nil || said != 6 || h.asked[0] != "test-open planer" {
		t.Errorf("%v, %d lines, %q", err, said, h.asked)
	}
	h = &house{lines: make(chan socket.Answer), refuse: "a machine runs"}
	if err := through(h, t.Context(), ask, nil); err == nil || err.Error() != "a machine runs" {
		t.Error(err)
	}
	for what, want := range map[string]string{"planer": "test-end ", "collector": "release "} {
		h = &house{lines: make(chan socket.Answer, 1)}
		if ask, err = Request(s, what, "", time.Second); err != nil {
			t.Fatal(err)
		}
		h.lines <- line(control.Event{Kind: control.TestBegan, ID: ask.ID})
		ctx, end := context.WithCancel(t.Context())
		err := through(h, ctx, ask, func(string) { end() })
		if err == nil || !strings.Contains(err.Error(), "says no more") || len(h.asked) != 2 || !strings.HasPrefix(h.asked[1], want) {
			t.Errorf("%s: %v, %q", what, err, h.asked)
		}
	}
	if err := request(t.Context(), t.TempDir(), socket.Request{}); !errors.Is(err, socket.ErrNobody) {
		t.Error(err)
	}
}

func TestEventOf(t *testing.T) {
	s := barn(t)
	if e := EventOf([]byte(`{"event": "fault-raised", "fault": "gate-not-open", "gate": "planer"}`), s); e.Kind != control.FaultRaised || e.Fault != control.GateNotOpen || s.Gates[e.ID].Name != "planer" {
		t.Errorf("%+v", e)
	}
	if e := EventOf([]byte(`{`), s); e.Kind != 0 {
		t.Errorf("%+v", e)
	}
}
