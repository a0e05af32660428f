package shopfiles

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/seam/seamtest"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
)

// pageOf is the page's shop files over the demo's.
func pageOf(t *testing.T) (p *Page, f *seamtest.Fake, file string) {
	t.Helper()
	etc := t.TempDir()
	if err := os.CopyFS(etc, os.DirFS(demo)); err != nil {
		t.Fatal(err)
	}
	rig, err := config.LoadRig(filepath.Join(etc, "rig.toml"))
	if err != nil {
		t.Fatal(err)
	}
	file = filepath.Join(etc, "shops", "barn.toml")
	shop, err := config.LoadShop(file, rig)
	if err != nil {
		t.Fatal(err)
	}
	f = seamtest.New(t)
	f.Now(seam.Hello{}, seam.State{Shop: seam.InForce{Revision: 1, File: file}})
	return &Page{Service: &Service{Folder: t.TempDir(), Owner: OwnerFolder(rig.File), Rig: rig, Shop: f}, Files: shop}, f, file
}

// adopts lets the shop take the next swap, at rest, and returns its file.
func (p *Page) adopts(t *testing.T, f *seamtest.Fake, kind Kind, a, b string) string {
	t.Helper()
	base, err := p.Base(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	plan, err := p.Work(base, Swap{kind, a, b})
	if err != nil {
		t.Fatal(err)
	}
	text := plan.Text(today())
	made, err := state.WriteShop(p.Folder, plan.name, text)
	if err != nil {
		t.Fatal(err)
	}
	path := At(p.Folder, made.Path())
	f.Will("Adopt", seam.Adoption{File: seam.File{Text: text}, Name: plan.name}, seam.Ticket{ID: 1, Outcome: seam.Waits, File: path}, nil)
	return path
}

// TestPageShops: what the page shows is what a swap does; who was shown another
// shop is sent to look again; and back it goes.
func TestPageShops(t *testing.T) {
	p, f, file := pageOf(t)
	plan, err := p.Plan("gates", "planer", "router")
	if err != nil {
		t.Fatal(err)
	}
	one := p.adopts(t, f, Gates, "planer", "router")
	said, err := p.Swap("gates", "planer", "router", plan.Mark)
	if err != nil || said != "Gates planer and router swapped: the-barn.1 takes effect now." {
		t.Fatal(said, err)
	}
	// The next swap starts from the one that waits, not from what still runs.
	f.Now(seam.Hello{}, seam.State{Shop: seam.InForce{Revision: 1, File: file, Next: one, Waiting: "it waits"}})
	if _, err := p.Swap("gates", "planer", "router", plan.Mark); !errors.As(err, new(*panel.Refusal)) {
		t.Errorf("twice: %v", err)
	}
	kept, err := p.Kept()
	if err != nil {
		t.Fatal(err)
	}
	if len(kept.List) != 2 || !kept.List[1].InForce || kept.List[0].BeforeName != "barn" ||
		!reflect.DeepEqual(kept.List[0].Changes, plan.Changes) {
		t.Errorf("%+v", kept)
	}
	f.Will("Adopt", seam.Adoption{File: seam.File{Path: kept.List[1].File}}, seam.Ticket{ID: 2, Outcome: seam.Waits, For: "rest"}, nil)
	if said, err := p.Use(kept.List[1].File); err != nil || said != "barn waits until the shop is at rest." {
		t.Error(said, err)
	}
	for _, bad := range []string{"", "/etc/passwd", "shops/../active"} {
		if _, err := p.Use(bad); !errors.As(err, new(*panel.Mistake)) {
			t.Errorf("%q: %v", bad, err)
		}
	}
	if _, err := p.Plan("nothing", "planer", "router"); !errors.As(err, new(*panel.Mistake)) {
		t.Error(err)
	}
	var b bytes.Buffer
	if err := p.Sheet(&b); err != nil || !strings.Contains(b.String(), "Cabinet of") {
		t.Error(err)
	}
}

// TestPageShopsRefused: no swap without a shop file, in a move-in, or while
// another one is on its way back to the owner's.
func TestPageShopsRefused(t *testing.T) {
	p, f, file := pageOf(t)
	for what, s := range map[string]seam.InForce{
		"another mark":     {Revision: 1, File: file},
		"on its way back":  {Revision: 1, File: file, Waiting: "it waits"},
		"no file":          {Revision: 1},
		"a move-in":        {Revision: 2, File: file, Bench: true},
		"a move-in begins": {Revision: 1, File: file, Waiting: "the move-in waits"},
	} {
		f.Now(seam.Hello{}, seam.State{Shop: s})
		if _, err := p.Swap("gates", "planer", "router", "x"); !errors.As(err, new(*panel.Refusal)) {
			t.Errorf("%s: %v", what, err)
		}
	}
	// What the shop refuses is told as such, as is a file that does not fit the rig.
	f.Now(seam.Hello{}, seam.State{Shop: seam.InForce{Revision: 1, File: file}})
	for _, no := range []error{&seam.Refused{Why: "a move-in is under way"}, config.Errors{{File: "x", Message: "no channel"}}} {
		f.Will("Adopt", seam.Adoption{File: seam.File{Path: file}}, nil, no)
		if _, err := p.Use(file); !errors.As(err, new(*panel.Refusal)) {
			t.Errorf("%v: %v", no, err)
		}
	}
}
