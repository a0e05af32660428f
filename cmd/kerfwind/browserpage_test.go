package main

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"kerfwind/cmd/kerfwind/internal/socket"
)

// planing is a long day at the planer.
const planing = `length 59m
rate 1 kHz
mains 60 Hz off 0.1 %
converter 12 bits, 3.3 V
seed 3
channel c0: 30 A : 1 V, noise 1.2 counts
channel c1: 30 A : 1 V, noise 1.2 counts
channel c2: 30 A : 1 V, noise 1.2 counts
channel c3: 30 A : 1 V, 2 turns, noise 1.2 counts
channel c4: 30 A : 1 V, noise 1.2 counts
machine planer on c1: induction motor, full load 15 A, run-up 1200ms
machine lamp on c4: heater, 60 W, 120 V
at 1s lamp runs 58m
at 14s planer runs 58m
`

// On the page of the demo's barn: m1 is the planer, g1 its gate, g4 the floor
// sweep's, k0 the collector.
const (
	planerRuns  = `document.querySelector('[data-s=m1]').dataset.state === 'run' && parseFloat(document.querySelector('[data-v="m1.amps"]').textContent) > 3`
	collectorIs = `document.querySelector('[data-s=k0]').dataset.state`
	sweepIs     = `document.querySelector('[data-s=g4]').dataset.state`
	downIs      = `document.querySelector('[data-s=down]').dataset.state`
	isLost      = `'lost' in document.body.dataset && !document.getElementById('lost').hidden`
	notLost     = `!('lost' in document.body.dataset) && document.getElementById('lost').hidden`
)

// TestPage looks at the page in Chromium, on a shop whose planer runs.
func TestPage(t *testing.T) {
	if testing.Short() {
		t.Skip("a browser and a shop")
	}
	t.Parallel() // it waits most of the time
	b := browser(t)
	shop := startBarn(t, planing, 8)
	origin := "http://" + shop.addr
	phone := newTab(t, b)
	phone.screen(360, 740, "dark")
	phone.signIn(origin, "setup")
	phone.until("the planer is collected", planerRuns+" && "+collectorIs+" === 'run'")
	phone.clean(origin)

	t.Run("every part", func(t *testing.T) { everyPart(t, phone.with(t), origin) })
	t.Run("accessible", func(t *testing.T) { accessible(t, phone.with(t), origin) })
	t.Run("keyboard", func(t *testing.T) { keyboard(t, phone.with(t), origin) })
	t.Run("first load", func(t *testing.T) { firstLoad(t, newTab(t, b), origin) })
	t.Run("script off", func(t *testing.T) { scriptOff(t, newTab(t, b), origin) })
	t.Run("two phones", func(t *testing.T) { twoPhones(t, phone.with(t), newTab(t, b), origin) })
	t.Run("answers", func(t *testing.T) { answersStand(t, newTab(t, b), shop) })
	t.Run("lost and found", func(t *testing.T) { lostAndFound(t, newTab(t, b), shop) })
	t.Run("stand-down", func(t *testing.T) { standDownByPhone(t, phone.with(t), newTab(t, b), shop) })
	t.Run("others' pages", func(t *testing.T) { othersPages(t, phone.with(t), shop) })
}

// with is the tab for a part of a test.
func (x *tab) with(t *testing.T) *tab {
	x.t = t
	return x
}

// measure lists what is wrong with a page's size and targets.
const measure = `(() => {
	const bad = [], name = e => e.tagName + ' "' + e.textContent.trim().slice(0, 30) + '"';
	document.querySelectorAll('details').forEach(d => d.open = true);
	if (document.documentElement.scrollWidth > innerWidth) bad.push('scrolls sideways: ' + document.documentElement.scrollWidth + ' in ' + innerWidth);
	const all = [...document.querySelectorAll('a[href], button, summary, select, textarea, input:not([type=hidden])')].filter(e => e.checkVisibility() && !e.closest('.skip'));
	const inText = e => e.tagName === 'A' && getComputedStyle(e).display === 'inline'; // as part of a sentence
	const rects = [];
	for (const e of all) {
		let r = e.getBoundingClientRect();
		if (e.labels && e.labels.length && ['checkbox', 'radio'].includes(e.type)) r = e.labels[0].getBoundingClientRect();
		if (!inText(e) && (r.width < 47.9 || r.height < 47.9)) bad.push(name(e) + ': ' + r.width.toFixed(1) + ' x ' + r.height.toFixed(1));
		if (inText(e)) continue;
		const layer = e.closest('header, .foot'); // what stays in place lies above what scrolls
		for (const o of rects) if (o.layer === layer && r.left < o.right + 7.9 && o.left < r.right + 7.9 && r.top < o.bottom + 7.9 && o.top < r.bottom + 7.9) bad.push(name(e) + ' is too near to ' + o.name);
		rects.push({left: r.left, right: r.right, top: r.top, bottom: r.bottom, name: name(e), layer});
	}
	document.querySelectorAll('details').forEach(d => d.open = false);
	return bad;
})()`

// audit lists what the accessibility checker finds, its rules for enhanced
// contrast (7 : 1, WCAG 2.2 criterion 1.4.6) and for targets among them.
const audit = `axe.run(document, {resultTypes: ['violations'], rules: {'color-contrast-enhanced': {enabled: true}, 'target-size': {enabled: true}}}).then(r =>
	r.violations.map(v => v.id + ' (' + v.impact + '): ' + v.nodes.map(n => n.target.join(' ') + ': ' + (n.failureSummary || '').replace(/\s+/g, ' ')).join(' | ')))`

// everyPart goes through the parts at each width, dark and light.
func everyPart(t *testing.T, x *tab, origin string) {
	parts := x.parts()
	if len(parts) == 0 || parts[0] != "/" {
		t.Fatalf("parts: %v", parts)
	}
	for _, part := range parts {
		x.open(origin + part)
		for _, width := range []int64{360, 768, 1440} {
			for _, light := range []string{"dark", "light"} {
				x.screen(width, 740, light)
				for _, bad := range value[[]string](x, measure) {
					t.Errorf("%s at %d, %s: %s", part, width, light, bad)
				}
			}
		}
		if h := value[int](x, `document.querySelectorAll('h1').length`); h != 1 {
			t.Errorf("%s: %d headings of the first level", part, h)
		}
	}
	x.screen(360, 740, "dark")
	x.clean(origin)
}

// accessible has the accessibility checker look at every part.
func accessible(t *testing.T, x *tab, origin string) {
	checker := axe(t)
	for _, part := range x.parts() {
		x.open(origin + part)
		value[any](x, checker+"; undefined")
		for _, width := range []int64{360, 1440} {
			for _, light := range []string{"dark", "light"} {
				x.screen(width, 740, light)
				for _, bad := range value[[]string](x, audit) {
					t.Errorf("%s at %d, %s: %s", part, width, light, bad)
				}
			}
		}
		// It does find what is wrong.
		if found := value[[]string](x, `(document.querySelector('h1').innerHTML = '<img src="/icon.svg">', `+audit+`)`); len(found) == 0 {
			t.Errorf("%s: an image without a text is not found", part)
		}
	}
	x.screen(360, 740, "dark")
	x.open(origin + "/")
}

// parts are the addresses of the page's parts, and of what Upkeep leads to.
func (x *tab) parts() []string {
	x.t.Helper()
	return append(value[[]string](x, `[...document.querySelectorAll('nav a')].map(a => a.getAttribute('href'))`), "/changes", "/thing?gate=0", "/thing?machine=1", "/wall")
}

// keyboard goes through the part Now by the Tab key: everything is reached, in
// order, and can be seen to be; then away from the page again.
func keyboard(t *testing.T, x *tab, origin string) {
	x.open(origin + "/")
	all := value[int](x, `[...document.querySelectorAll('a[href], button, summary')].filter(e => e.checkVisibility()).length`)
	seen := map[string]bool{}
	for i := range all + 1 {
		x.do(chromedp.KeyEvent(kb.Tab))
		at := value[string](x, `(() => {
			const e = document.activeElement, s = getComputedStyle(e);
			if (e === document.body) return '';
			const name = [...document.querySelectorAll('*')].indexOf(e) + ' ' + e.tagName + ' ' + e.textContent.trim();
			return (s.outlineStyle === 'none' || parseFloat(s.outlineWidth) < 2) ? 'cannot be seen: ' + name : name;
		})()`)
		switch {
		case strings.HasPrefix(at, "cannot"):
			t.Error(at)
		case i == 0 && !strings.HasSuffix(at, "Skip to the page"):
			t.Errorf("the first is %s", at)
		}
		seen[at] = true
	}
	delete(seen, "")
	if len(seen) != all {
		t.Errorf("%d of %d things are reached", len(seen), all)
	}
	// Along the skip link into the page.
	x.do(chromedp.Focus(chromedp.CSS(".skip")), chromedp.KeyEvent(kb.Enter))
	x.until("in the page", `document.activeElement.id === 'main'`)
}

// firstLoad is within its bytes.
func firstLoad(t *testing.T, x *tab, origin string) {
	x.screen(360, 740, "dark")
	x.signIn(origin, "look")
	for _, part := range x.parts() {
		x.open(origin + part)
		type load struct {
			Bytes int
			Ready float64
			What  []string
		}
		l := value[load](x, `(async () => {
			const n = performance.getEntriesByType('navigation')[0];
			const all = [location.href, ...performance.getEntriesByType('resource').filter(e => !e.name.endsWith('/events')).map(e => e.name)];
			const sizes = await Promise.all(all.map(async u => (await (await fetch(u)).blob()).size));
			return {Bytes: sizes.reduce((a, b) => a + b, 0), Ready: n.domContentLoadedEventEnd, What: all.map((u, i) => u + ' ' + sizes[i])};
		})()`)
		t.Logf("%s: %d bytes, ready after %.0f ms", part, l.Bytes, l.Ready)
		if l.Bytes > 60<<10 || len(l.What) < 3 {
			t.Errorf("%s: %d bytes: %v", part, l.Bytes, l.What)
		}
	}
	x.clean(origin)
}

// scriptOff shows everything, and the page is read again by itself.
func scriptOff(t *testing.T, x *tab, origin string) {
	if _, err := chromedp.Call(x.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}); err != nil {
		t.Fatal(err)
	}
	x.screen(360, 740, "light")
	x.open(origin + "/sign-in")
	x.do(chromedp.SetValue(chromedp.CSS("[name=role]"), "look"), chromedp.SendKeys(chromedp.CSS("[name=password]"), pagePassword+" look"),
		chromedp.Submit(chromedp.CSS("[name=password]")))
	x.until("the page", `location.pathname === '/' && document.body.innerText.includes('Machines')`)
	text := value[string](x, "document.body.innerText")
	for _, want := range []string{"planer", "runs", "Gates", "floor sweep", "shut", "collector", "running", "starts left", "Without scripts this page"} {
		if !strings.Contains(text, want) {
			t.Errorf("without script there is no %q", want)
		}
	}
	if !value[bool](x, planerRuns) {
		t.Error("without script the planer does not run")
	}
	if n := value[int](x, `document.querySelectorAll('meta[http-equiv=refresh]').length`); n != 1 {
		t.Errorf("%d times read again", n)
	}
	for _, bad := range value[[]string](x, measure) {
		t.Error(bad)
	}
	x.clean(origin)
}

// twoPhones see what the other does, at once and without a reload.
func twoPhones(t *testing.T, a, b *tab, origin string) {
	b.screen(768, 1024, "light")
	b.signIn(origin, "look")
	if n := value[int](b, `document.querySelectorAll('main button').length`); n != 0 {
		t.Errorf("whoever may only look has %d buttons", n)
	}
	a.open(origin + "/")
	for _, x := range []*tab{a, b} {
		value[any](x, `window.same = true`)
		x.until("shut", sweepIs+" === 'shut'")
	}
	a.tap("[data-s=g4] .hold summary")
	a.tap("[data-s=g4] .hold button")
	for _, x := range []*tab{a, b} {
		x.until("held open", sweepIs+" === 'open held' && document.querySelector('[data-v=\"g4.note\"]').textContent === 'held by hand'")
		x.until("with its end", `/^[0-3]:\d\d$/.test(document.querySelector('[data-t=g4]').textContent)`)
	}
	a.until("answered", `document.getElementById('said').textContent.startsWith('Done. floor sweep is held open for 3') && document.querySelector('.answer[data-kind=done]').textContent.includes('floor sweep')`)
	a.tap("[data-s=g4] .release button")
	for _, x := range []*tab{a, b} {
		x.until("released", "!"+sweepIs+".includes('held')")
		if !value[bool](x, `window.same === true`) {
			t.Error("the page was loaded anew")
		}
		x.clean(origin)
	}
}

// answersStand where the finger is: what was done, refused or is not known looks different,
// is in sight and read out, and goes when it is stale.
func answersStand(t *testing.T, x *tab, shop *simulatedBarn) {
	line := openLine(t, shop.addr)
	x.screen(360, 740, "dark")
	x.signIn("http://"+line.Addr().String(), "setup")
	stands := func(kind, words string) {
		t.Helper()
		x.until(kind+" is answered", fmt.Sprintf(`(() => {
			const a = document.querySelector('.answer[data-kind=%s]'), said = document.getElementById('said').textContent;
			if (!a || !a.textContent.includes(%q) || said !== a.textContent) return false;
			const r = a.getBoundingClientRect();
			return r.top >= 0 && r.bottom <= innerHeight && document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2).closest('.answer') === a;
		})()`, kind, words))
	}
	look := func() string {
		return value[string](x, `(s => s.borderTopStyle + getComputedStyle(document.querySelector('.answer'), '::before').content)(getComputedStyle(document.querySelector('.answer')))`)
	}
	const gate, button = `[data-s=h4]`, `[data-s=h4] .can button`
	x.until("a gate can be held", `document.querySelector('`+gate+`').dataset.state === 'can'`)
	hold := func(long string) {
		t.Helper()
		x.do(chromedp.Click(chromedp.CSS(".dock .hold summary")))
		value[any](x, `document.querySelector('`+gate+` .can [name=for]').value = '`+long+`'`)
		x.do(chromedp.Click(chromedp.CSS(button)))
	}
	seen := map[string]bool{}
	hold("3600")
	stands("refused", "Not done. Here a gate can be held for at most 30 min")
	seen[look()] = true
	x.do(chromedp.KeyEvent(kb.Escape))
	line.silence(true)
	line.cut()
	hold("60")
	stands("unknown", "Not known. No answer from the computer")
	seen[look()] = true
	line.silence(false)
	line.cut()
	x.until("it goes once the computer answers", notLost+` && !document.querySelector('.answer') && document.getElementById('said').textContent === ''`)
	hold("60")
	stands("done", "Done. floor sweep is held open")
	seen[look()] = true
	if len(seen) != 3 {
		t.Errorf("they look alike: %v", seen)
	}
	// The seconds that it stands are a tenth as long from here on.
	value[any](x, `{ const set = setTimeout; window.setTimeout = (f, ms, ...a) => set(f, ms === 15000 ? ms / 10 : ms, ...a); undefined }`)
	x.do(chromedp.Click(chromedp.CSS(".dock .hold summary")), chromedp.Click(chromedp.CSS(gate+" .held button")))
	stands("done", "Done. floor sweep is no longer held")
	x.until("it goes by itself", `!document.querySelector('.answer')`)
	x.mu.Lock() // a line that is cut is told of there
	x.wrong = nil
	x.mu.Unlock()
}

// lostAndFound cuts the line, and lets it hang: what is shown is never taken
// for fresh, and comes back by itself.
func lostAndFound(t *testing.T, x *tab, shop *simulatedBarn) {
	line := openLine(t, shop.addr)
	origin := "http://" + line.Addr().String()
	x.screen(360, 740, "dark")
	x.signIn(origin, "look")
	x.until("running", planerRuns)
	filled := `getComputedStyle(document.querySelector('[data-s=m1]')).backgroundColor`
	fresh := value[string](x, filled)

	line.silence(true)
	x.until("it hangs", isLost)
	if value[string](x, filled) == fresh {
		t.Error("a stale machine looks as one that runs")
	}
	stands := `document.querySelector('[data-t=m1]').textContent`
	before := value[string](x, stands)
	if text := value[string](x, `document.getElementById('lost').textContent`); !strings.Contains(text, "No contact with the computer since ") {
		t.Errorf("it says %q", text)
	}
	line.silence(false)
	line.cut()
	x.until("back", notLost)
	x.until("the clock goes on", stands+" !== "+fmt.Sprintf("%q", before))

	line.silence(true)
	line.cut()
	x.until("cut", isLost)
	line.silence(false)
	line.cut()
	x.until("back again", notLost+" && "+planerRuns)
	if value[string](x, filled) != fresh {
		t.Error("a fresh value does not look fresh")
	}
}

// standDownByPhone takes two taps. The machine goes on, the collector is
// switched off, the other phone sees it, and it is lifted at the shop.
func standDownByPhone(t *testing.T, a, b *tab, shop *simulatedBarn) {
	origin := "http://" + shop.addr
	b.screen(360, 740, "dark")
	b.signIn(origin, "look")
	a.open(origin + "/")
	a.until("collected", planerRuns+" && "+collectorIs+" === 'run'")
	const sentence = "Not a lockout. Unplug or lock the disconnect before you reach in. Machines are not stopped."
	a.tap(".dock .ask summary")
	if text := value[string](a, `document.querySelector('.dock .ask').innerText`); !strings.Contains(text, sentence) {
		t.Errorf("before the second tap it says %q", text)
	}
	if down := value[string](a, downIs); down != "" {
		t.Error("one tap was enough")
	}
	a.tap(".dock .ask button")
	for _, x := range []*tab{a, b} {
		x.until("stood down", downIs+" === 'down' && "+collectorIs+" === 'off'")
		x.until("the machine goes on and is not collected", `document.querySelector('[data-s=m1]').dataset.state === 'warn' &&
			document.querySelector('[data-v="m1.word"]').textContent === 'runs' && parseFloat(document.querySelector('[data-v="m1.amps"]').textContent) > 3 &&
			document.getElementById('troubles').innerText.includes('Planer: its dust is not collected')`)
		x.until("it is read out", `document.getElementById('news').textContent.includes('Planer: its dust is not collected')`)
		if text := value[string](x, `document.querySelector('.down').innerText`); !strings.Contains(text, sentence) || !strings.Contains(text, "kerfwind ask lift") {
			t.Errorf("the page says %q", text)
		}
	}
	// It is in force at once, and on the disk a moment later.
	if err := awaitStatus(shop.dir, func(s *socket.Status) bool {
		_, err := os.Stat(shop.dir + "/standdown")
		return err == nil && s.StoodDown && s.Running == 1 && s.Collector.State == "off"
	}); err != nil {
		t.Errorf("the stand-down is in force and on the disk: %v", err)
	}
	a.clean(origin)
	shop.command("", "ask", "--runtime", shop.dir, "lift")
	for _, x := range []*tab{a, b} {
		x.until("lifted, and nothing starts by that", downIs+" === '' && "+collectorIs+" === 'off' && document.querySelector('[data-v=note]').textContent.startsWith('Nothing moves yet')")
	}
}

// othersPages do nothing to the shop and learn nothing of it: a page of
// another origin on this very computer, to which the cookies go, and one whose
// name was made to lead here.
func othersPages(t *testing.T, x *tab, shop *simulatedBarn) {
	origin := "http://" + shop.addr
	hostile := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		fmt.Fprintf(w, `<!doctype html><title>pretty pictures</title><iframe name="in"></iframe><iframe id="whole" src="%[1]s/"></iframe>
<form id="f" method="post" action="%[1]s/stand-down" target="in"></form>
<script>
const tries = [];
const attempt = (what, p) => tries.push(p.then(r => what + ': ' + r, e => what + ': refused'));
for (const path of ['/stand-down', '/hold', '/release', '/sign-out'])
	attempt('POST ' + path, fetch('%[1]s' + path, {method: 'POST', credentials: 'include', mode: 'no-cors', body: new URLSearchParams(path === '/stand-down' ? {} : {gate: 'floor sweep', for: '60'})}).then(r => r.type + ' ' + r.status));
attempt('GET /', fetch('%[1]s/', {credentials: 'include'}).then(r => r.text()));
attempt('GET /events', fetch('%[1]s/events', {credentials: 'include'}).then(r => 'status ' + r.status));
document.getElementById('f').submit();
Promise.all(tries).then(list => window.done = list);
</script>`, origin)
	}))
	defer hostile.Close()
	x.open(hostile.URL)
	x.until("all was tried", `!!window.done`)
	for _, line := range value[[]string](x, `window.done`) {
		if strings.HasPrefix(line, "GET") && !strings.HasSuffix(line, ": refused") {
			t.Errorf("a hostile page reads %.60s", line)
		}
	}
	if seen := value[bool](x, `(() => { try { return !!document.getElementById('whole').contentDocument.querySelector('main'); } catch (e) { return false; } })()`); seen {
		t.Error("the page can be framed by others")
	}
	x.open(strings.Replace(origin, "127.0.0.1", "evil.example", 1) + "/")
	if text := value[string](x, "document.documentElement.innerText"); strings.Contains(text, "planer") || strings.Contains(text, "barn") {
		t.Errorf("by a name of others it shows %.200s", text)
	}
	x.open(origin + "/")
	if !value[bool](x, `!!document.querySelector('[action="/sign-out"]')`) {
		t.Error("a hostile page has signed somebody out")
	}
	if err := awaitStatus(shop.dir, func(s *socket.Status) bool { return !s.StoodDown }); err != nil {
		t.Errorf("a hostile page has changed something: %v", err)
	}
}
