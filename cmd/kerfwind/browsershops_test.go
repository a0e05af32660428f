package main

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"kerfwind/cmd/kerfwind/internal/daemon"
)

// TestPageSwaps exchanges two gates in two taps and goes back, in Chromium.
func TestPageSwaps(t *testing.T) {
	if testing.Short() {
		t.Skip("a browser and a shop")
	}
	t.Parallel() // it waits most of the time
	b := browser(t)
	shop := startBarn(t, strings.Split(sawing(), "at 20s")[0], 5)
	origin := "http://" + shop.addr
	x := newTab(t, b)
	x.screen(360, 740, "dark")
	x.signIn(origin, "setup")
	t.Run("swap", func(t *testing.T) { swapInTwoTaps(t, x.with(t), origin, shop.dir) })
	t.Run("looks", func(t *testing.T) { shopsLook(t, x.with(t), origin) })
}

// swapInTwoTaps: the first tap shows what each swap would change, the second
// does it; then back.
func swapInTwoTaps(t *testing.T, x *tab, origin, state string) {
	chosen := func() string {
		file, err := daemon.ActiveShop(state)
		if err != nil {
			t.Error(err)
		}
		return filepath.Base(file)
	}
	x.open(origin + "/shops")
	x.tap(`form[action="/shops"] button[value="planer"]`)
	x.until("what would change", `document.body.textContent.includes('Gate planer: output was g1, is now g3; open switch was g1 open, is now g3 open')`)
	x.tap(`form[action="/shops/swap"]:has([value="router"]) button[value="gates"]`)
	x.until("done", `document.getElementById('said') && document.getElementById('said').textContent.startsWith('Done. Gates planer and router swapped: the-barn.1 ')`)
	if got := chosen(); got != "the-barn.1.toml" {
		t.Error(got)
	}
	again := func(what, cond string) {
		t.Helper()
		x.until(what, `(() => {
			window.asking = window.asking || fetch('/shops').then(r => r.text()).then(t => {
				window.there = (t => `+cond+`)(t.replace(/\s+/g, ' '));
				setTimeout(() => { window.asking = null; }, 300);
			});
			return !!window.there;
		})()`)
	}
	again("in force", `t.includes('<h3>the-barn.1</h3> <p><span class="ok">In use')`)
	x.open(origin + "/shops")
	x.tap(`main section .ask > summary`)
	x.tap(`main section .ask button`)
	x.until("back", `document.getElementById('said') && document.getElementById('said').textContent.startsWith('Done. barn ')`)
	if got := chosen(); got != "barn.toml" {
		t.Error(got)
	}
	again("in force again", `t.includes('<h3>barn</h3> <p><span class="ok">In use')`)
	x.open(origin + "/shops")
	if sheet := value[string](x, `fetch(document.querySelector('a[href="/shops/sheet"]').href).then(r => r.text())`); !strings.Contains(sheet, "Cabinet of") {
		t.Error(sheet)
	}
	x.mu.Lock() // between two shops there is none to show
	x.wrong = slices.DeleteFunc(x.wrong, func(s string) bool { return strings.Contains(s, "503 (Service Unavailable)") })
	x.mu.Unlock()
	x.clean(origin)
}

// shopsLook: sizes, targets and what the accessibility checker says.
func shopsLook(t *testing.T, x *tab, origin string) {
	checker := axe(t)
	for _, path := range []string{"/shops", "/shops?kind=gates&a=planer", "/shops?kind=gate-of&a=planer"} {
		x.open(origin + path)
		value[any](x, checker+"; document.querySelectorAll('details').forEach(d => d.open = true)")
		for _, width := range []int64{360, 1440} {
			for _, light := range []string{"dark", "light"} {
				x.screen(width, 740, light)
				for _, bad := range append(value[[]string](x, measure), value[[]string](x, audit)...) {
					t.Errorf("%s at %d, %s: %s", path, width, light, bad)
				}
			}
		}
	}
}
