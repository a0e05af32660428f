package state_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"kerfwind/cmd/kerfwind/internal/state"
)

func TestSlug(t *testing.T) {
	for name, want := range map[string]string{
		"Barn": "barn", "North barn": "north-barn", "  ../../etc/passwd ": "etc-passwd", "Küche 2": "küche-2", "": "shop", "--": "shop",
		strings.Repeat("a", 300): strings.Repeat("a", 60), "a.7": "a-7",
	} {
		if got := state.Slug(name); got != want {
			t.Errorf("%q: %q, want %q", name, got, want)
		}
	}
}

// TestShops: every version is kept under a number of its own.
func TestShops(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "state")
	if list, err := state.Shops(dir); err != nil || list != nil {
		t.Errorf("%v, %v", list, err)
	}
	for i, name := range []string{"North barn", "garage", "north barn", "North  barn"} {
		f, err := state.WriteShop(dir, name, []byte{'a' + byte(i)})
		if err != nil {
			t.Fatal(err)
		}
		if got, err := state.Read(dir, f.Path()); err != nil || string(got) != string('a'+byte(i)) {
			t.Errorf("%v: %q, %v", f, got, err)
		}
	}
	shops := filepath.Join(dir, state.ShopsFolder)
	for _, other := range []string{"notes.txt", "x.toml", "x.0.toml", "x.01.toml", ".y.1.toml", "north-barn.7.toml"} {
		if err := os.WriteFile(filepath.Join(shops, other), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(shops, "z.1.toml"), 0o700); err != nil {
		t.Fatal(err)
	}
	list, err := state.Shops(dir)
	want := []state.ShopFile{{"garage", 1}, {"north-barn", 1}, {"north-barn", 2}, {"north-barn", 3}, {"north-barn", 7}}
	if diff := cmp.Diff(want, list); diff != "" || err != nil {
		t.Error(diff, err)
	}
	if f, err := state.WriteShop(dir, "north barn", []byte("new")); err != nil || f.Path() != "shops/north-barn.8.toml" {
		t.Errorf("%v, %v", f, err)
	}
	left, err := filepath.Glob(filepath.Join(shops, ".*"))
	if err != nil || len(left) != 1 { // the one made above
		t.Errorf("%v, %v", left, err)
	}
}

// TestShopsFail: what cannot be written says where.
func TestShopsFail(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, state.ShopsFolder), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := state.WriteShop(dir, "x", nil); err == nil || !strings.Contains(err.Error(), "--state") {
		t.Error(err)
	}
	if _, err := state.Shops(dir); err == nil {
		t.Error("a file was taken for a folder")
	}
}
