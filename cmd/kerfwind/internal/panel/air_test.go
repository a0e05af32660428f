package panel

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/ductview"
	"kerfwind/config"
	"kerfwind/control"
)

func airPage(t testing.TB, shop *config.Shop, open ...int) *Server {
	s, p := New(Options{}), onPage(shop, time.Minute)
	snap := atRest(shop, open...)
	snap.Collector.Commanded, snap.Collector.Sensed = true, control.Running
	p.Observe(snap, nil)
	s.Show(p)
	return s
}

// The figures of the page are those of the planning command.
func TestAir(t *testing.T) {
	shop := demoShop(t)
	s := airPage(t, shop, 0)
	st, err := ductview.New(shop.Name, shop.Units, shop.Duct())
	if err != nil {
		t.Fatal(err)
	}
	c := st.Look(1)
	flow := st.Span(config.Flow, c.Hoods[0].Flow)
	if !strings.Contains(flow, " cfm (") {
		t.Errorf("%s in an imperial shop", flow)
	}
	w := look(s, "/air")
	reads(t, w, http.StatusOK, "Open now: band saw. Collector: running.", flow, `<svg class="ducts"`, "T3", "too slow: chips settle", ductview.Disclaimer)
	for _, v := range st.Verdicts(c) {
		if !strings.Contains(w.Body.String(), strings.ReplaceAll(v[1:], `"`, "&#34;")) {
			t.Errorf("no %q", v)
		}
	}
	// Another gate: the planning command's figures again, beside those of now.
	both := st.Look(0b11)
	reads(t, look(s, "/air?if=1&g0=on&g1=on"), http.StatusOK, "with band saw, planer open", "Then", flow,
		st.Span(config.Flow, both.Hoods[0].Flow), st.Span(config.Flow, both.Hoods[1].Flow))
	// The whole duct shut is a question too.
	reads(t, look(s, "/air?if=1"), http.StatusOK, "with no gate open")
	clean, err := st.WhatIf("filter=clean")
	if err != nil {
		t.Fatal(err)
	}
	reads(t, look(s, "/air?if=1&g0=on&filter=clean"), http.StatusOK, "with the gates as they are and the filter clean",
		st.Span(config.Flow, clean.Look(1).Hoods[0].Flow))
}

// Where chips lie is said in Air and in Upkeep, also before anything is recorded.
func TestSettledChips(t *testing.T) {
	s, p := New(Options{}), onPage(demoShop(t), time.Minute)
	p.Settled = func() []Settled { return []Settled{{"T3", "chips probably lie in T3: clear it by hand"}} }
	cleared := ""
	p.Cleared = func(_ context.Context, duct string) error {
		cleared = duct
		return nil
	}
	s.Show(p)
	for _, path := range []string{"/air", "/upkeep"} {
		reads(t, look(s, path), http.StatusOK, `class="warn">Chips probably lie in T3: clear it by hand.`)
	}
	for _, name := range []string{"T2", "T3"} {
		v := &Visit{R: httptest.NewRequest(http.MethodPost, "/", nil), Shop: p, fields: url.Values{"duct": {name}}}
		if err := upkeepCleared(v); (err == nil) != (name == "T3") || (cleared == "T3") != (name == "T3") || (v.said != "") != (name == "T3") {
			t.Errorf("%s: %v, %q, %q", name, err, cleared, v.said)
		}
	}
}

func TestAirAtRest(t *testing.T) {
	shop := demoShop(t)
	s, p := New(Options{}), onPage(shop, time.Minute)
	s.Show(p)
	reads(t, look(s, "/air"), http.StatusOK, "No air moves now", "Open now: no gate. ", "The figures show what it would move.", ">planer</a>")
}

func TestAirWithoutDucts(t *testing.T) {
	rig := demoShop(t).Rig
	s := airPage(t, config.StandIn(rig, config.StandInOptions{}))
	reads(t, look(s, "/air"), http.StatusOK, "Nothing can be computed here yet. Enter the ducts in the shop file")
}

func TestAirMistakes(t *testing.T) {
	s := airPage(t, demoShop(t), 0)
	for query, want := range map[string]string{
		"if=1&g63=on":             "No gate 63 in this shop",
		"if=1&filter=spotless":    "not &#34;spotless&#34;",
		"g1=on":                   "is missing: ask from the part Air",
		"filter=clean":            "is missing: ask from the part Air",
		"if=1&g64=on":             "unknown field",
		"if=1&g1=on&g1=on":        "more than once",
		"if=1&filter=%00":         "cannot be used",
		"if=1;g1=on":              "cannot be read",
		"if=1&filter=clean&x=<b>": "unknown field",
	} {
		reads(t, look(s, "/air?"+query), http.StatusBadRequest, want)
	}
}

// However many cases are asked for, few are kept.
func TestAirKeepsFew(t *testing.T) {
	shop := demoShop(t)
	var d ducts
	for i := range 3 * mostCases {
		q := url.Values{"if": {"1"}}
		for g := range len(shop.Gates) {
			if i>>g&1 == 1 {
				q.Set(gateField(g), "on")
			}
		}
		q.Set("filter", airFilters[i%len(airFilters)].value)
		if _, err := d.view(shop, airKey{open: uint64(i) & 0x3f}, q); err != nil {
			t.Fatal(err)
		}
	}
	if len(d.cases) > mostCases || len(d.byFilt) > len(airFilters) {
		t.Errorf("%d cases, %d studies", len(d.cases), len(d.byFilt))
	}
}

func FuzzAirQuery(f *testing.F) {
	for _, q := range []string{"", "if=1", "if=1&g0=on&filter=clean", "g9=", "filter=%zz", "if=1&g5=%3Cscript%3E"} {
		f.Add(q, uint64(1))
	}
	shop := demoShop(f)
	var d ducts
	f.Fuzz(func(t *testing.T, query string, open uint64) {
		values, err := parseFields(query, airPart.Fields)
		if err != nil {
			return
		}
		if m, err := d.view(shop, airKey{open: open}, values); err == nil && (m.Now == nil || m.Shown == nil) {
			t.Errorf("%q: nothing to show", query)
		}
	})
}
