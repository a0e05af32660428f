package main

import (
	"fmt"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/movein/moveintest"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/config"
)

// letGo leaves a made shop.
type letGo struct{ w *moveintest.World }

func (l letGo) Leave() error { l.w.LetGo(); return nil }

// moveInServer serves the page with a move-in in a made shop.
func moveInServer(t *testing.T, w *moveintest.World, old []byte, dir string) (origin string, page *guide.Page, used *string) {
	t.Helper()
	file := filepath.Join(dir, "barn.toml")
	if err := os.WriteFile(file, old, 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("kerfwind", "password", "setup", "--state", dir)
	cmd.Stdin = strings.NewReader(pagePassword + " setup\n")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	shop, err := config.ParseShop(file, old, w.Rig)
	if err != nil {
		t.Fatal(err)
	}
	used = new(string)
	page = &guide.Page{State: dir, Notice: func(err error) { t.Error(err) },
		Open: func() (*guide.Guide, guide.Leave, error) {
			g, err := guide.Open(guide.Options{State: dir, Rig: w.Rig, Link: w, Before: movein.Before{File: file, Text: old}, Adopt: keepIn(dir, used),
				Today: func() string { return "2026-11-25" }, Notice: func(err error) { t.Error(err) }})
			if err == nil {
				w.To = g
			}
			return g, letGo{w}, err
		}}
	s := panel.New(panel.Options{Version: "test", Simulated: true, Passwords: filepath.Join(dir, panel.PasswordFile), Audit: func(panel.Row) error { return nil }, Notice: func(err error) { t.Error(err) }})
	names := rig.Names(shop)
	p := panel.NewShop(shop, &names)
	p.Now, p.Speed, p.MoveIn = w.Now, 1, page
	p.Wall = func() (time.Time, bool) { return time.Time{}, false }
	s.Show(p)
	h := httptest.NewServer(s)
	t.Cleanup(func() {
		s.Leave(p)
		h.CloseClientConnections()
		h.Close()
	})
	return h.URL, page, used
}

// TestMoveInPage: a whole move-in in Chromium on a phone, stopped in the middle
// and taken up again, while somebody else looks on.
func TestMoveInPage(t *testing.T) {
	if testing.Short() {
		t.Skip("a browser")
	}
	t.Parallel() // it waits most of the time
	b := browser(t)
	w, old, err := moveintest.Barn(1)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	origin, page, used := moveInServer(t, w, old, dir)
	phone, other := newTab(t, b), newTab(t, b)
	for _, x := range []*tab{phone, other} {
		x.screen(360, 740, "dark")
		x.signIn(origin, "setup")
		x.open(origin + "/move-in")
	}
	n := &newcomer{t: t, w: w, met: map[string]bool{}}
	followed, measured := 0, map[string]bool{}
	n.answer = func(v movein.View, changed <-chan struct{}, text string) {
		t.Helper()
		shown := fmt.Sprintf(`!!document.querySelector('input[name=revision][value="%d"]')`, v.Revision)
		if v.Live && followed < 3 { // the page follows by itself
			followed++
			phone.until("the question follows", shown)
		} else if !value[bool](phone, shown) {
			phone.open(origin + "/move-in")
			phone.until("the question", shown)
		}
		if kind := fmt.Sprint(v.Live, v.Free, len(v.Choices)); !measured[kind] {
			measured[kind] = true
			for _, bad := range value[[]string](phone, measure) {
				t.Errorf("%s: %s", v.Title, bad)
			}
		}
		if h := value[string](phone, `document.querySelector('main h2').textContent`); h != v.Title {
			t.Errorf("%q is shown, %q is asked", h, v.Title)
		}
		if i, err := strconv.Atoi(text); err == nil && i <= len(v.Choices) {
			text = v.Choices[i-1].Answer
		}
		if text == "" {
			text = v.Keep
		}
		button := `form:has(input[type=hidden][name=answer][value=` + strconv.Quote(text) + `]) button`
		if v.Free && !value[bool](phone, `!!document.querySelector(`+strconv.Quote(button)+`)`) {
			phone.until("the field", fmt.Sprintf(`(document.querySelector('input[type=text][name=answer]').value = %q, true)`, text))
			button = `form:has(input[type=text]) button`
		}
		phone.tap(button)
		n.wait(changed)
		phone.until("the answer is taken", "!("+shown+")")
	}
	begin := func() {
		phone.open(origin + "/move-in")
		phone.until("it can begin", `document.body.innerText.includes('Is the rig in a new shop?')`)
		phone.tap(`form[action="/move-in/begin"] button`)
		phone.until("the first question", `!!document.querySelector('input[name=revision]')`)
		g, ok := w.To.(*guide.Guide)
		if !ok {
			t.Fatalf("%T", w.To)
		}
		n.g = g
	}
	begin()
	// The other phone sees the first question; by the time it answers, it is the
	// second one's turn.
	other.open(origin + "/move-in")
	n.moveIn("units")
	other.until("its old question", `(document.querySelector('input[type=text][name=answer]').value = 'cellar', true)`)
	other.tap(`form:has(input[type=text]) button`)
	other.until("it is told", `document.body.innerText.includes('has changed since') && document.querySelector('main h2').textContent === 'Units'`)
	n.moveIn("sensor/router")
	phone.until("how far it is", `document.body.innerText.includes('Part ')`)
	phone.open(origin + "/move-in")
	phone.tap(`form[action="/move-in/leave"] button`)
	phone.until("it was left", `document.body.innerText.includes('Go on where you stopped')`)
	begin()
	if v, _ := n.g.View(); v.Step != "sensor/router" {
		t.Errorf("it goes on at %s", v.Step)
	}
	n.moveIn("")
	n.right(filepath.Join(dir, *used))
	phone.open(origin + "/move-in")
	phone.until("it is done", `document.querySelector('main h2').textContent === 'Moved in'`)
	if wide := value[bool](phone, `document.documentElement.scrollWidth > 360`); wide {
		t.Error("wider than the phone")
	}
	phone.tap(`form[action="/move-in/leave"] button`)
	phone.until("it is over", `document.body.innerText.includes('Is the rig in a new shop?')`)
	if page.Question() != nil || guide.Left(dir) {
		t.Error("it is still under way")
	}
	for _, what := range []string{"sensor", "gate", "learn", "air", "dry", "activate"} {
		if !n.met[what] {
			t.Errorf("the step %s never came", what)
		}
	}
}
