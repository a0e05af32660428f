package main

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/config"
)

// shopsOf is the page's shop files over the demo's, with what was put in force.
func shopsOf(t *testing.T) (p *pageShops, used *[]string) {
	t.Helper()
	etc := t.TempDir()
	if err := unpackDemo(io.Discard, etc); err != nil {
		t.Fatal(err)
	}
	rig, err := config.LoadRig(filepath.Join(etc, "rig.toml"))
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(etc, "shops", "barn.toml")
	shop, err := config.LoadShop(file, rig)
	if err != nil {
		t.Fatal(err)
	}
	used = &[]string{}
	p = &pageShops{state: t.TempDir(), shop: shop, now: daemon.Choice{File: file}}
	p.use = func(f string) (bool, error) {
		*used = append(*used, f)
		return false, daemon.SetActiveShop(p.state, f)
	}
	return p, used
}

// TestPageShops: what the page shows is what a swap does; who was shown another
// shop is sent to look again; and back it goes.
func TestPageShops(t *testing.T) {
	p, used := shopsOf(t)
	plan, err := p.Plan("gates", "planer", "router")
	if err != nil {
		t.Fatal(err)
	}
	said, err := p.Swap("gates", "planer", "router", plan.Mark)
	if err != nil || said != "Gates planer and router swapped: the-barn.1 comes in force now." {
		t.Fatal(said, err)
	}
	if _, err := p.Swap("gates", "planer", "router", plan.Mark); !errors.As(err, new(*panel.Refusal)) {
		t.Errorf("twice: %v", err)
	}
	// The next swap starts from the one that waits, not from what still runs.
	kept, err := p.Kept()
	if err != nil {
		t.Fatal(err)
	}
	if kept.Waits != "the-barn.1 waits until the shop is at rest" || len(kept.List) != 2 || !kept.List[1].InForce || kept.List[0].BeforeName != "barn" ||
		strings.Join(kept.List[0].Changes, "\n") != strings.Join(plan.Changes, "\n") {
		t.Errorf("%+v", kept)
	}
	if plan, err = p.Plan("gates", "planer", "router"); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Swap("gates", "planer", "router", plan.Mark); err != nil {
		t.Fatal(err)
	}
	if kept, err = p.Kept(); err != nil {
		t.Fatal(err)
	}
	if said, err := p.Use(kept.List[len(kept.List)-1].File); err != nil || said != "barn comes in force now." {
		t.Error(said, err)
	}
	if got := strings.Join(*used, " "); got != "shops/the-barn.1.toml shops/the-barn.2.toml "+p.now.File {
		t.Error(got)
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
	p, used := shopsOf(t)
	owner := p.now
	refused := func(what string) {
		t.Helper()
		if _, err := p.Swap("gates", "planer", "router", "x"); !errors.As(err, new(*panel.Refusal)) {
			t.Errorf("%s: %v", what, err)
		}
	}
	refused("another mark")
	p.now = daemon.Choice{File: owner.File, Chosen: true}
	refused("chosen no longer")
	p.now = daemon.Choice{}
	refused("no file")
	p.now = daemon.Choice{File: filepath.Join(p.state, guide.BenchFile), Chosen: true}
	if err := daemon.SetActiveShop(p.state, guide.BenchFile); err != nil {
		t.Fatal(err)
	}
	refused("moving in")
	if _, err := p.Use(owner.File); !errors.As(err, new(*panel.Refusal)) {
		t.Errorf("moving in: %v", err)
	}
	if len(*used) > 0 {
		t.Error(*used)
	}
	// A file that does not fit the rig is told of as such.
	p.now = owner
	p.use = func(string) (bool, error) { return false, config.Errors{{File: "x", Message: "no channel"}} }
	if _, err := p.Use(owner.File); !errors.As(err, new(*panel.Refusal)) {
		t.Error(err)
	}
	if err := os.RemoveAll(filepath.Join(p.state, "active")); err != nil {
		t.Fatal(err)
	}
	plan, err := p.Plan("gates", "planer", "router")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.Swap("gates", "planer", "router", plan.Mark); err == nil || !strings.Contains(err.Error(), "is written, but not in force") {
		t.Error(err)
	}
}
