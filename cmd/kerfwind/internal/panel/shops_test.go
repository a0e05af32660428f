package panel

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"
)

// fakeShops notes what it is asked.
type fakeShops struct {
	kept  *KeptShops
	err   error
	asked []string
}

func (f *fakeShops) Plan(kind, a, b string) (*SwapPlan, error) {
	f.asked = append(f.asked, fmt.Sprintf("plan %s %s|%s", kind, a, b))
	if b == "far end" {
		return nil, &Mistake{"it sits in a main"}
	}
	return &SwapPlan{Changes: []string{"<" + a + "> and " + b + " change."}, Mind: []string{"Mind " + b + "."}, Mark: "m1"}, f.err
}

func (f *fakeShops) Swap(kind, a, b, mark string) (string, error) {
	f.asked = append(f.asked, fmt.Sprintf("swap %s %s|%s %s", kind, a, b, mark))
	return "Swapped.", f.err
}

func (f *fakeShops) Kept() (*KeptShops, error) { return f.kept, f.err }

func (f *fakeShops) Use(file string) (string, error) {
	f.asked = append(f.asked, "use "+file)
	return "Used.", f.err
}

func (f *fakeShops) Sheet(w io.Writer) error {
	if f.err != nil {
		return f.err
	}
	_, err := io.WriteString(w, "the sheet")
	return err
}

// shopsPage is a page with shop files, and the cookie of one who may set up.
func shopsPage(t *testing.T) (*besieged, *fakeShops, *http.Cookie) {
	b := siege(t, Look, Operate, Setup)
	f := &fakeShops{kept: &KeptShops{Why: "chosen", List: []KeptShop{
		{File: "shops/barn.2.toml", Name: "barn.2", Shop: "the barn", How: "made by a swap", Before: "shops/barn.1.toml", BeforeName: "barn.1", Changes: []string{"Gate <x>."}, InForce: true},
		{File: "shops/barn.1.toml", Name: "barn.1", Shop: "the barn", How: "made at a move-in"},
		{File: "shops/bad.1.toml", Name: "bad.1", Trouble: "line 1"},
	}}}
	b.shop.Load().Shops = f
	return b, f, b.enter(Setup)
}

// TestShops: all that is kept, and every thing that may be swapped.
func TestShops(t *testing.T) {
	b, f, setup := shopsPage(t)
	w := b.send(form("GET", "/shops", ""), setup)
	reads(t, w, http.StatusOK, "In use: chosen.", "Go back to barn.1", `<input type="hidden" name="file" value="shops/barn.1.toml"><button>Go back</button>`,
		"Gate &lt;x&gt;.", "It cannot be used.", `<button name="a" value="floor sweep">`, `<button name="a" value="band saw">`, `href="/shops/sheet"`)
	if strings.Contains(w.Body.String(), `value="shops/bad.1.toml"`) {
		t.Error("a file that cannot be read may be chosen")
	}
	if strings.Contains(w.Body.String(), `<a href="/shops"`) {
		t.Error("it stands in the list of parts")
	}
	if len(f.asked) > 0 {
		t.Errorf("%q", f.asked)
	}
	// Of who may less, nothing is shown.
	for _, r := range []Role{Look, Operate} {
		if w := b.send(form("GET", "/shops", ""), b.enter(r)); w.Code == http.StatusOK {
			t.Errorf("%s: %d", r, w.Code)
		}
	}
}

// TestSwapPreview: one tap shows what each swap would change, the next does it.
func TestSwapPreview(t *testing.T) {
	b, f, setup := shopsPage(t)
	w := b.send(form("GET", "/shops?kind=gates&a=planer", ""), setup)
	reads(t, w, http.StatusOK, "Gates: planer", "&lt;planer&gt; and router change.", "Mind router.", `name="mark" value="m1"`, "hands and tools away",
		`<button name="kind" value="gates">Swap with router</button>`, `value="outputs"`, "It sits in a main.")
	if n := strings.Count(w.Body.String(), `value="outputs"`); n != 4 { // the planer's gate has switches
		t.Errorf("%d times outputs alone", n)
	}
	if len(f.asked) != 5 || f.asked[0] != "plan gates planer|band saw" {
		t.Errorf("%q", f.asked)
	}
	f.asked = nil
	b.send(form("GET", "/shops?kind=gate-of&a=planer", ""), setup)
	if len(f.asked) != 6 || f.asked[1] != "plan gate-of planer|planer" {
		t.Errorf("%q", f.asked)
	}
	f.asked = nil
	b.send(form("GET", "/shops?kind=sensors&a=planer", ""), setup)
	if len(f.asked) != 3 { // the collector is not sensed
		t.Errorf("%q", f.asked)
	}
	for _, q := range []string{"kind=x&a=planer", "kind=gates&a=lathe", "kind=sensors&a=floor+sweep", "kind=gates", "kind=gates&a=planer&b=lathe", "c=planer"} {
		if w := b.send(form("GET", "/shops?"+q, ""), setup); w.Code != http.StatusBadRequest {
			t.Errorf("%s: %d", q, w.Code)
		}
	}

	f.asked = nil
	body := url.Values{"kind": {"gates"}, "a": {"planer"}, "b": {"router"}, "mark": {"m1"}}.Encode()
	if w := b.send(form("POST", "/shops/swap", body), setup); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/shops" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	reads(t, b.send(form("GET", "/shops", ""), setup), http.StatusOK, "Swapped.")
	if w := b.send(form("POST", "/shops/use", "file=shops%2Fbarn.1.toml"), setup); w.Code != http.StatusSeeOther {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if got := strings.Join(f.asked, ", "); got != "swap gates planer|router m1, use shops/barn.1.toml" {
		t.Error(got)
	}
	// Somebody was quicker: the plan is shown again, whichever button it was.
	f.err = &Refusal{"the shop has changed"}
	for _, kind := range []string{"gates", "outputs"} {
		body := url.Values{"kind": {kind}, "a": {"planer"}, "b": {"router"}, "mark": {"m0"}}.Encode()
		if w := b.send(form("POST", "/shops/swap", body), setup); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "The shop has changed.") {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	}
}

// TestManySwaps: in a large shop the second thing is asked for first.
func TestManySwaps(t *testing.T) {
	b, f, setup := shopsPage(t)
	shop := b.shop.Load()
	for i := range 10 {
		g := shop.Gates[0]
		g.Name = fmt.Sprintf("gate %d", i)
		shop.Gates = append(shop.Gates, g)
	}
	reads(t, b.send(form("GET", "/shops?kind=gates&a=planer", ""), setup), http.StatusOK, `<button name="b" value="gate 9">Swap with gate 9</button>`)
	if len(f.asked) > 0 {
		t.Errorf("%q", f.asked)
	}
	reads(t, b.send(form("GET", "/shops?kind=gates&a=planer&b=gate+9", ""), setup), http.StatusOK, "&lt;planer&gt; and gate 9 change.")
	if len(f.asked) != 1 {
		t.Errorf("%q", f.asked)
	}
}

func TestSheetSaved(t *testing.T) {
	b, f, setup := shopsPage(t)
	ask := func() (int, string, string) {
		w := b.send(form("GET", "/shops/sheet", ""), setup)
		return w.Code, w.Header().Get("Content-Disposition"), w.Body.String()
	}
	if code, how, body := ask(); code != http.StatusOK || how != `attachment; filename="cabinet.html"` || body != "the sheet" {
		t.Error(code, how, body)
	}
	f.err = errors.New("no")
	if code, how, _ := ask(); code != http.StatusInternalServerError || how != "" {
		t.Error(code, how)
	}
	// Where none are kept, it is said.
	b.shop.Load().Shops = nil
	reads(t, b.send(form("GET", "/shops", ""), setup), http.StatusOK, "This program keeps no shop files here.")
	if code, _, _ := ask(); code != http.StatusBadRequest {
		t.Error(code)
	}
}
