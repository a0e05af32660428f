package panel

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	barnfiles "kerfwind/testdata/barn"
)

// demoShop is the demo's shop.
var demoShop = barnfiles.Shop

// onPage is a shop as the page has it, at an instant.
func onPage(shop *config.Shop, at time.Duration) *Shop {
	names := func(of control.Subject, n int) []string {
		var out []string
		for i := range n {
			out = append(out, shop.NameOf(of, control.ID(i)))
		}
		return out
	}
	p := NewShop(shop, &timeline.Names{Machines: names(control.AMachine, len(shop.Machines)), Gates: names(control.AGate, len(shop.Gates)),
		Collectors: names(control.ACollector, 1), Outlets: names(control.AnOutlet, len(shop.Outlets)), Circuits: names(control.ACircuit, len(shop.Circuits))})
	p.Speed, p.Now = 1, func() time.Duration { return at }
	p.Wall = func() (time.Time, bool) { return time.Date(2026, 3, 2, 9, 30, 0, 0, time.UTC).Add(at), true }
	return p
}

// atRest is a shop in which nothing runs and every gate is shut, but those named.
func atRest(shop *config.Shop, open ...int) *control.Snapshot {
	snap := &control.Snapshot{Machines: make([]control.MachineView, len(shop.Machines)), Gates: make([]control.GateView, len(shop.Gates)),
		Outlets: make([]control.OutletView, len(shop.Outlets)), Circuits: make([]control.Load, len(shop.Circuits))}
	for i := range snap.Machines {
		snap.Machines[i].Sensed = control.Idle
	}
	for i := range snap.Gates {
		snap.Gates[i].Position = control.PositionShut
	}
	for _, g := range open {
		snap.Gates[g].Position = control.PositionOpen
	}
	return snap
}

// look asks the page for an address, from the computer itself.
func look(s *Server, address string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodGet, "http://localhost"+address, nil)
	r.RemoteAddr = "127.0.0.1:1"
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	return w
}

// reads checks that an answer has a status and holds some texts.
func reads(t testing.TB, w *httptest.ResponseRecorder, status int, want ...string) {
	t.Helper()
	body := w.Body.String()
	if w.Code != status {
		t.Fatalf("%d, want %d:\n%s", w.Code, status, body)
	}
	for _, x := range want {
		if !strings.Contains(body, x) {
			t.Errorf("no %q in\n%s", x, body)
		}
	}
}
