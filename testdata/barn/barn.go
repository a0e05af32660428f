// Package barn reads the demo's shop for tests.
package barn

import (
	"strings"
	"testing"

	"kerfwind/config"
	"kerfwind/testdata"
)

// Shop is the demo's shop. change is pairs of old and new text: they edit its file
// first.
func Shop(t testing.TB, change ...string) *config.Shop {
	t.Helper()
	read := func(name string) []byte {
		b, err := testdata.Demo.ReadFile("demo/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	r, err := config.ParseRig("rig.toml", read("rig.toml"))
	if err != nil {
		t.Fatal(err)
	}
	old := string(read("shops/barn.toml"))
	text := strings.NewReplacer(change...).Replace(old)
	if len(change) > 0 && text == old {
		t.Fatal("nothing is changed")
	}
	s, err := config.ParseShop("barn.toml", []byte(text), r)
	if err != nil {
		t.Fatal(err)
	}
	return s
}
