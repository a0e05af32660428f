package ductview

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestLoad reads a shop to solve its ducts; a rig that does not fit is a warning.
func TestLoad(t *testing.T) {
	const demo = "../../../../testdata/demo"
	if s, _, err := Load(demo+"/shops/barn.toml", demo+"/rig.toml"); err != nil || s.Name == "" {
		t.Error(err)
	}
	text, err := os.ReadFile(demo + "/shops/barn.toml")
	if err != nil {
		t.Fatal(err)
	}
	other := filepath.Join(t.TempDir(), "other.toml")
	if err := os.WriteFile(other, []byte(strings.Replace(string(text), `"c0"`, `"c77"`, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, warnings, err := Load(other, demo+"/rig.toml"); err != nil || len(warnings) == 0 {
		t.Errorf("%v, %v", warnings, err)
	}
	bare := filepath.Join(t.TempDir(), "bare.toml")
	if err := os.WriteFile(bare, []byte("format = 1\nname = \"bare\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, files := range [][2]string{{bare, ""}, {"gone.toml", ""}, {other, "gone.toml"}} {
		if _, _, err := Load(files[0], files[1]); err == nil {
			t.Errorf("%q was taken", files)
		}
	}
}
