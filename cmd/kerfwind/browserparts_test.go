package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/state"
)

// sawing is a day at which somebody saws for a quarter of each minute.
func sawing() string {
	var b strings.Builder
	b.WriteString(`length 59m
rate 1 kHz
mains 60 Hz off 0.1 %
converter 12 bits, 3.3 V
seed 3
channel c0: 30 A : 1 V, noise 1.2 counts
channel c1: 30 A : 1 V, noise 1.2 counts
channel c2: 30 A : 1 V, noise 1.2 counts
channel c3: 30 A : 1 V, 2 turns, noise 1.2 counts
channel c4: 30 A : 1 V, noise 1.2 counts
machine "band saw" on c0: induction motor, full load 9 A, run-up 900ms
`)
	for m := range 58 {
		fmt.Fprintf(&b, "at %ds \"band saw\" runs 15s\n", 20+60*m)
	}
	return b.String()
}

// sawIdle and sawRuns are on the part Signals.
const (
	sawCard = `document.querySelector('#strips li').textContent`
	sawIdle = `document.querySelector('#strips li span').textContent === 'idle'`
	sawRuns = `document.querySelector('#strips li span').textContent === 'runs'`
)

// TestPageParts goes through what the parts behind Now do, in Chromium.
func TestPageParts(t *testing.T) {
	if testing.Short() {
		t.Skip("a browser and a shop")
	}
	t.Parallel() // it waits most of the time
	b := browser(t)
	shop := startBarn(t, sawing(), 5)
	origin := "http://" + shop.addr
	phone := newTab(t, b)
	phone.screen(360, 740, "dark")
	phone.signIn(origin, "setup")
	t.Run("signals", func(t *testing.T) { signalsFollow(t, phone.with(t), origin) })
	t.Run("air", func(t *testing.T) { airAsked(t, phone.with(t), origin) })
	t.Run("runs", func(t *testing.T) { runsSaved(t, phone.with(t), origin) })
	t.Run("upkeep", func(t *testing.T) { upkeepByTwo(t, phone.with(t), newTab(t, b), origin) })
	t.Run("learn", func(t *testing.T) { learnByPhone(t, phone.with(t), newTab(t, b), shop) })
}

// signalsFollow: what a sensor shows follows by itself.
func signalsFollow(t *testing.T, x *tab, origin string) {
	x.open(origin + "/signals")
	x.until("the saw runs", sawRuns)
	x.until("the saw stops", sawIdle)
	x.until("its run is drawn", `document.querySelector('#strips li .runs') !== null`)
	if got := value[string](x, sawCard); !strings.Contains(got, "starts at 1.5 A, stops below 1 A") {
		t.Errorf("%s", got)
	}
	x.clean(origin)
}

// airAsked: a question in taps, and the way back.
func airAsked(t *testing.T, x *tab, origin string) {
	x.open(origin + "/air")
	x.tap(`.rows a.button`) // what one more machine would change
	x.until("the answer", `location.search.startsWith('?if=1') && document.querySelector('h2').textContent === 'What if'`)
	value[any](x, `document.querySelectorAll('[type=checkbox]').forEach(e => e.checked = ['g0', 'g1'].includes(e.name)); document.querySelector('[name=filter]').value = 'clean'; undefined`)
	x.tap(`main form button`)
	x.until("both hoods", `location.search.includes('g0=on&g1=on') && document.body.textContent.includes('band saw, planer open and the filter clean')`)
	if n := value[int](x, `document.querySelectorAll('.ducts .in.carries').length`); n < 3 {
		t.Errorf("%d ducts carry", n)
	}
	x.tap(`a[href="/air"].button`)
	x.until("back to now", `location.pathname === '/air' && location.search === '' && document.querySelector('h2').textContent === 'Air now'`)
	x.clean(origin)
}

// runsSaved: the list, its downloads and a recording that replays.
func runsSaved(t *testing.T, x *tab, origin string) {
	x.open(origin + "/runs")
	// It is written down some seconds after its end; the list does not follow.
	x.until("a run is recorded", `(() => {
		window.asking = window.asking || fetch('/runs').then(r => r.text()).then(t => {
			window.there = t.includes('<td>band saw</td>') && t.includes('/runs/recording');
			setTimeout(() => { window.asking = null; }, 300);
		});
		return !!window.there;
	})()`)
	x.open(origin + "/runs")
	if csv := value[string](x, `fetch(document.querySelector('a[href^="/runs/runs.csv"]').href).then(r => r.text())`); !strings.HasPrefix(csv, "id,began,machine,") || !strings.Contains(csv, ",band saw,") {
		t.Errorf("%s", csv)
	}
	// As base 64, byte by byte as it is.
	save := func(link string) string {
		return value[string](x, `fetch(document.querySelector('`+link+`').href).then(r => r.blob()).then(b => new Promise(done => { const f = new FileReader(); f.onload = () => done(f.result.slice(0, 40)); f.readAsDataURL(b); }))`)
	}
	const flac = "data:audio/flac;base64,ZkxhQ" // "fLaC"
	if got := save(`a[href^="/runs/recording"]`); !strings.HasPrefix(got, flac) {
		t.Errorf("the recording of a run: %s", got)
	}
	x.open(origin + "/signals")
	if got := save(`a[href="/signals/last"]`); !strings.HasPrefix(got, flac) {
		t.Errorf("the last minutes: %s", got)
	}
	x.clean(origin)
}

// upkeepByTwo: seen to on one phone, taken back on it; another one that looked
// before changes nothing.
func upkeepByTwo(t *testing.T, x, other *tab, origin string) {
	other.signIn(origin, "setup")
	const reset, undo = `form[action="/upkeep/reset"] input[value=bin] ~ button`, `form[action="/upkeep/undo"] input[value=bin] ~ button`
	x.open(origin + "/upkeep")
	other.open(origin + "/upkeep")
	x.tap(reset)
	x.until("the bin begins anew", `document.getElementById('said').textContent.startsWith('Done. bin: reset') && !!document.querySelector('`+undo+`')`)
	other.tap(reset)
	other.until("the other one is told", `(document.querySelector('.answer[data-kind=refused]') || {textContent: ''}).textContent.includes('since the page loaded')`)
	x.tap(undo)
	x.until("taken back", `document.getElementById('said').textContent.startsWith('Done. bin: the reset is undone') && !document.querySelector('`+undo+`')`)
	// An item of the owner's.
	value[any](x, `document.querySelector('[name=item]:not([type=hidden])').value = 'saw blade'; document.querySelector('[name=every]').value = '30 h'; document.querySelector('[name=machine]').value = 'band saw'; undefined`)
	x.tap(`form[action="/upkeep/every"] button`)
	x.until("the blade is counted", `[...document.querySelectorAll('h3')].some(h => h.textContent === 'saw blade')`)
	x.clean(origin)
}

// learnByPhone: a machine is learned on one phone and the levels are kept on
// another.
func learnByPhone(t *testing.T, x, other *tab, shop *simulatedBarn) {
	origin := "http://" + shop.addr
	other.signIn(origin, "setup")
	x.open(origin + "/signals")
	x.until("the saw runs", sawRuns)
	x.until("the saw stops", sawIdle)
	value[any](x, `document.querySelector('form[action="/signals/learn"] select').value = 'band saw'; undefined`)
	x.tap(`form[action="/signals/learn"] button`)
	x.until("it begins", `(document.getElementById('learn') || {textContent: ''}).textContent.includes('Leave the band saw off')`)
	x.until("it is said", `document.getElementById('learn-say').textContent !== ''`)
	other.open(origin + "/signals") // the session is not the phone's
	other.until("it coasts", `!!document.querySelector('form[action="/signals/learn/mark"] button') && document.getElementById('learn').textContent.includes('has stopped')`)
	other.tap(`form[action="/signals/learn/mark"] button`)
	other.until("it is learned", `!!document.querySelector('form[action="/signals/learn/keep"]') && document.querySelector('pre').textContent.includes('levels')`)
	other.tap(`form[action="/signals/learn/keep"] button`)
	other.until("it is kept", `document.getElementById('said').textContent.startsWith('Done. Kept')`)
	learned, err := state.ReadLearned(shop.dir)
	if err != nil || len(learned.Machines) != 1 || learned.Machines[0].Machine != "band saw" {
		t.Errorf("%+v %v", learned, err)
	}
	x.until("the other phone sees that it is over", `!document.querySelector('#learn form') || !document.getElementById('learn')`)
	// Every change stands in the record of changes.
	log, err := os.ReadFile(filepath.Join(shop.dir, panel.AuditFile))
	if err != nil {
		t.Fatal(err)
	}
	for _, what := range []string{`"/upkeep/reset"`, `"/upkeep/undo"`, `"/upkeep/every"`, `"/signals/learn"`, `"/signals/learn/mark"`, `"/signals/learn/keep"`} {
		if !strings.Contains(string(log), `"what":`+what) {
			t.Errorf("%s does not stand in\n%s", what, log)
		}
	}
	if n := strings.Count(string(log), `"result":"refused"`); n != 1 {
		t.Errorf("%d refused, want that of the second phone:\n%s", n, log)
	}
}
