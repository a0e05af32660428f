package panel

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"image/png"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"kerfwind/control"
)

// What a phone needs for its home screen is served to everybody, and small.
func TestHomeScreen(t *testing.T) {
	b := siege(t, Look)
	get := func(path string) []byte {
		t.Helper()
		w := b.send(form("GET", path, ""), nil)
		if w.Code != http.StatusOK {
			t.Fatalf("%s: %d", path, w.Code)
		}
		return w.Body.Bytes()
	}
	var m struct {
		Name  string
		Start string `json:"start_url"`
		Icons []struct{ Src, Sizes, Type string }
	}
	if err := json.Unmarshal(get("/manifest.webmanifest"), &m); err != nil || m.Name == "" || m.Start != "/" {
		t.Errorf("%+v %v", m, err)
	}
	pictures := 0
	for _, i := range m.Icons {
		data := get(i.Src)
		if i.Type != "image/png" {
			continue
		}
		pictures++
		p, err := png.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		if is := fmt.Sprintf("%dx%d", p.Bounds().Dx(), p.Bounds().Dy()); is != i.Sizes || len(data) > 20<<10 {
			t.Errorf("%s: %s, %d bytes; the manifest says %s", i.Src, is, len(data), i.Sizes)
		}
		// What a launcher may crop is ground, and the drawing is on it.
		lit := false
		for y := range p.Bounds().Dy() {
			for x := range p.Bounds().Dx() {
				if p.At(x, y) == iconGround {
					continue
				}
				lit = true
				if n := p.Bounds().Dx(); min(x, y, n-1-x, n-1-y) < n/5 {
					t.Fatalf("%s: it draws at %d, %d", i.Src, x, y)
				}
			}
		}
		if !lit {
			t.Errorf("%s is empty", i.Src)
		}
	}
	if pictures < 2 {
		t.Errorf("%d pictures", pictures)
	}
	d := xml.NewDecoder(bytes.NewReader(get("/icon.svg")))
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

// Whoever has gone astray sees the page's dress and a way back, and nothing of the shop
// unless he may.
func TestAstray(t *testing.T) {
	b := siege(t, Look)
	for path, status := range map[string]int{"/nothing": http.StatusNotFound, "/hold": http.StatusMethodNotAllowed, "/air/x/y": http.StatusNotFound} {
		for name, c := range map[string]*http.Cookie{"in": b.enter(Look), "out": nil} {
			w := b.send(form("GET", path, ""), c)
			reads(t, w, status, "<!doctype html>", "style.css", `<a class="button" href="/">`, `role="alert"`)
			if shows := strings.Contains(w.Body.String(), "the barn"); shows != (name == "in") {
				t.Errorf("%s, signed %s: the shop's name is there: %v", path, name, shows)
			}
		}
		r := form("POST", path+"-", "")
		r.Header.Set("Accept", "application/json")
		reads(t, b.send(r, nil), http.StatusNotFound, `"error":"There is no such page."`)
	}
}

// Nobody writes anything twice: what a form held is there again after a mistake.
func TestFieldsKept(t *testing.T) {
	b := siege(t, Look, Operate, Setup)
	w := b.send(form("POST", "/sign-in", url.Values{"role": {"operate"}, "password": {"wrong"}}.Encode()), nil)
	reads(t, w, http.StatusForbidden, `<option value="operate" selected>`)
	shop := b.shop.Load()
	shop.Upkeep = &fakeUpkeep{state: someUpkeep()}
	w = b.send(form("POST", "/upkeep/every", url.Values{"item": {"saw <blade>"}, "every": {""}, "machine": {"planer"}}.Encode()), b.enter(Setup))
	reads(t, w, http.StatusBadRequest, `value="saw &lt;blade&gt;"`, "<option selected>planer</option>")
	free := &MoveInQuestion{}
	free.Free = true
	shop.MoveIn = &fakeMoveIn{q: free, err: &Mistake{"so not"}}
	w = b.send(form("POST", "/move-in/answer", url.Values{"revision": {"1"}, "answer": {"../../etc"}}.Encode()), b.enter(Setup))
	reads(t, w, http.StatusBadRequest, `value="../../etc"`)
}

// Without a history the parts that read it keep what they know otherwise.
func TestUnread(t *testing.T) {
	b := siege(t, Look)
	shop := b.shop.Load()
	shop.Upkeep = &fakeUpkeep{err: errors.New("disk gone")}
	w := b.send(form("GET", "/upkeep", ""), b.enter(Look))
	reads(t, w, http.StatusOK, unread, "Starts of the collector")
	if strings.Contains(w.Body.String(), "disk gone") {
		t.Error("the words of a file are shown on a phone")
	}
}

// What is at hand is offered only where it will be granted, and a wait is a warning while
// a machine runs.
func TestAtHand(t *testing.T) {
	in := barnIn(t)
	d := in.dock()
	if d.State != "hold" || len(d.Gates) != len(in.Snap.Gates)-1 || d.Gates[0].State != "can" || d.Gates[0].Long != 5*time.Minute {
		t.Errorf("at rest: %+v", d)
	}
	in.Snap.Gates[floorSweep].Held = in.Now + time.Minute
	for i := range in.Snap.Gates {
		in.Snap.Gates[i].NoHold = control.ByFault
	}
	if d = in.dock(); d.State != "hold" || d.Gates[0].State != "no" || d.Gates[floorSweep].State != "held" {
		t.Errorf("held: %+v", d)
	}
	in.Snap.Gates[floorSweep].Held, in.Snap.StoodDown = 0, true
	if d = in.dock(); d.State != "down" {
		t.Errorf("stood down: %+v", d)
	}
	_, shop, in := barnPage(t)
	if w := shop.waits(in.Snap); w != (waiting{}) {
		t.Errorf("%+v", w)
	}
	next := "the-barn.1 waits until the shop is at rest: the air cleaner runs on for 42 s"
	shop.Waits = func() string { return next }
	if w := shop.waits(in.Snap); w.State != "waits" || w.Text != "The"+next[3:]+"." {
		t.Errorf("%+v", w)
	}
	in.Snap.Machines[planer].Run = true
	if w := shop.waits(in.Snap); w.State != "runs" {
		t.Errorf("%+v", w)
	}
	if next = ""; shop.waits(in.Snap).State != "" {
		t.Error("nothing comes")
	}
}
