package main

import (
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"kerfwind/cmd/kerfwind/internal/socket"
)

// envPicturesTo makes TestPageStates take pictures of all that it visits into a folder.
const envPicturesTo = "KERFWIND_PICTURES_TO"

// sight is how the page is looked at.
type sight struct {
	name          string
	width, height int64
	whole         bool // also what lies below
}

var sights = []sight{{"phone", 360, 740, false}, {"tablet", 768, 1024, true}, {"desk", 1440, 900, true}, {"phone-on-its-side", 740, 360, false}}

// pageState is what goes on in the barn: what hands do to bring it about, and how it is
// known to have come.
type pageState struct {
	name  string
	hands []string
	is    func(*socket.Status) bool
	do    string // of the page: where a form goes
}

func thing(all []socket.Thing, name string) socket.Thing {
	i := slices.IndexFunc(all, func(x socket.Thing) bool { return x.Name == name })
	if i < 0 {
		return socket.Thing{}
	}
	return all[i]
}

// pageStates follow each other.
var pageStates = []pageState{
	{"idle", nil, func(s *socket.Status) bool { return s.Ready && s.Running == 0 }, ""},
	{"running", []string{"planer on", "planer cuts"}, func(s *socket.Status) bool {
		return s.Running == 1 && s.Collector.State != "off"
	}, ""},
	{"stuck", []string{"jam drum sander", "drum sander on", "drum sander cuts"}, func(s *socket.Status) bool { return s.Running == 2 && len(s.Faults) > 0 }, ""},
	{"lost", []string{"drum sander off", "free drum sander", "unplug c3"}, func(s *socket.Status) bool { return thing(s.Machines, "router").State == "unknown" }, ""},
	{"move-in", []string{"mend c3"}, func(s *socket.Status) bool { return s.Running == 1 }, "/move-in/begin"},
	{"stood-down", nil, func(s *socket.Status) bool { return s.StoodDown }, "/stand-down"},
}

// TestPageStates looks at Now on a phone while a gate is stuck behind a running machine: the
// size of what is touched, letters of twice the size and what is reached without scrolling.
// With KERFWIND_LONG or KERFWIND_PICTURES_TO=FOLDER it goes through every part in every
// state, also on a desk, and asks the accessibility checker; pictures go into the folder.
func TestPageStates(t *testing.T) {
	if testing.Short() {
		t.Skip("a browser and a shop")
	}
	t.Parallel() // it waits most of the time
	long := os.Getenv("KERFWIND_LONG")+os.Getenv(envPicturesTo) != ""
	checker, speed := "", 20
	if long {
		checker, speed = axe(t), 5
	}
	b := browser(t)
	shop := startBarn(t, strings.Split(sawing(), "at 20s")[0], speed)
	line := openLine(t, shop.addr)
	origin := "http://" + line.Addr().String()
	x := newTab(t, b)
	x.screen(360, 740, "dark")
	x.signIn(origin, "setup")
	if !long {
		for _, s := range pageStates[:3] {
			x.bring(shop, s)
		}
		x.open(origin)
		x.judge("stuck, /", "")
		return
	}
	parts := append(x.parts(), "/rehearsal", "/shops")
	for _, s := range pageStates {
		x.bring(shop, s)
		for _, part := range parts {
			x.open(origin + part)
			x.judge(s.name+", "+part, checker)
			x.pictures(s.name, part)
		}
	}
	for _, part := range parts {
		x.open(origin + part)
		line.silence(true)
		line.cut()
		x.until("the line is cut", isLost)
		x.judge("cut, "+part, checker)
		x.pictures("cut", part)
		line.silence(false)
		line.cut()
		x.until("back", notLost)
	}
}

// bring brings a state about.
func (x *tab) bring(shop *simulatedBarn, s pageState) {
	x.t.Helper()
	post := func(path string, form url.Values) {
		status := value[int](x, fmt.Sprintf(`fetch(%q, {method: 'POST', headers: {Accept: 'application/json'}, body: new URLSearchParams(%q)}).then(r => r.status)`, path, form.Encode()))
		if status != 200 {
			x.t.Fatalf("%s, %v: status %d", path, form, status)
		}
	}
	for _, do := range s.hands {
		post("/rehearsal/do", url.Values{"do": {do}})
	}
	if s.do != "" {
		post(s.do, nil)
	}
	if err := awaitStatus(shop.dir, s.is); err != nil {
		x.t.Fatalf("%s: %v", s.name, err)
	}
}

// judge says what is wrong with what a tab shows, on a phone in the dark and, with the
// accessibility checker's source, on a desk in the light.
func (x *tab) judge(where, checker string) {
	x.t.Helper()
	for _, at := range []struct {
		sight
		light string
	}{{sights[0], "dark"}, {sights[2], "light"}} {
		x.screen(at.width, at.height, at.light)
		bad := value[[]string](x, measure)
		if at.name == "phone" {
			bad = append(bad, value[[]string](x, reach)...)
			x.letters(2)
			for _, b := range value[[]string](x, fits) {
				bad = append(bad, "letters of twice the size: "+b)
			}
			x.letters(1)
		}
		if checker == "" {
			for _, b := range bad {
				x.t.Errorf("%s, %s: %s", where, at.name, b)
			}
			return
		}
		if !value[bool](x, `!!window.axe`) {
			value[any](x, checker+"; undefined")
		}
		for _, b := range append(bad, value[[]string](x, audit)...) {
			x.t.Errorf("%s, %s: %s", where, at.name, b)
		}
	}
}

// letters makes the letters of a page so many times as large as usual.
func (x *tab) letters(times int64) {
	x.t.Helper()
	if _, err := chromedp.Call(x.ctx, page.SetFontSizes, page.SetFontSizesParams{FontSizes: &page.FontSizes{Standard: 16 * times, Fixed: 13 * times}}); err != nil {
		x.t.Fatal(err)
	}
}

// reach lists what has to be scrolled to though it is wanted at once: standing down,
// unless it is so already, and holding a gate where one can be held.
const reach = `(() => {
	scrollTo(0, 0);
	const bad = [];
	if (!document.querySelector('nav')) return bad; // a page on a wall
	for (const e of document.querySelectorAll('.dock summary')) {
		if (!e.checkVisibility()) continue;
		const r = e.getBoundingClientRect(), at = document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2);
		if (r.top < 0 || r.bottom > innerHeight || !e.contains(at)) bad.push('out of reach: ' + e.textContent);
	}
	const down = document.querySelector('[data-s=down]'), ask = document.querySelector('.dock .ask summary');
	if (!down || !ask || (down.dataset.state === '') !== ask.checkVisibility()) bad.push('standing down is offered where it is in force, or is not where it is not');
	return bad;
})()`

// fits lists what is cut off, or pushes the page sideways.
const fits = `(() => {
	const bad = [], name = e => e.tagName + '.' + e.className + ' "' + e.textContent.trim().slice(0, 30) + '"';
	if (document.documentElement.scrollWidth > innerWidth) bad.push('scrolls sideways: ' + document.documentElement.scrollWidth + ' in ' + innerWidth);
	for (const e of document.querySelectorAll('body *')) {
		if (!e.checkVisibility() || e.closest('.hide, .skip, svg, noscript')) continue;
		const s = getComputedStyle(e), r = e.getBoundingClientRect();
		if (r.width < 2 || r.height < 2) continue; // for screen readers
		if (r.width && e.childElementCount === 0 && e.textContent.trim() && (r.right > innerWidth + 1 || r.left < -1) && !e.closest('.wide')) bad.push('beyond the edge: ' + name(e));
		if (['hidden', 'clip'].includes(s.overflowX) && e.scrollWidth > e.clientWidth + 1) bad.push('cut off: ' + name(e));
		if (['hidden', 'clip'].includes(s.overflowY) && e.scrollHeight > e.clientHeight + 1) bad.push('cut off below: ' + name(e));
	}
	return bad;
})()`

// pictures takes pictures of what a tab shows, where they are asked for.
func (x *tab) pictures(state, part string) {
	x.t.Helper()
	folder := os.Getenv(envPicturesTo)
	if folder == "" {
		return
	}
	if err := os.MkdirAll(folder, 0o755); err != nil { //nolint:gosec // pictures of a simulation
		x.t.Fatal(err)
	}
	part = strings.Trim(part, "/")
	if part == "" {
		part = "now"
	}
	for _, at := range sights {
		for _, light := range []string{"dark", "light"} {
			x.screen(at.width, at.height, light)
			take := chromedp.CaptureScreenshot()
			if at.whole {
				take = chromedp.FullScreenshot(100)
			}
			b, err := chromedp.Run(x.ctx, take)
			if err != nil {
				x.t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(folder, fmt.Sprintf("%s_%s_%s_%s.png", state, part, at.name, light)), b, 0o644); err != nil { //nolint:gosec // as above
				x.t.Fatal(err)
			}
		}
	}
}
