package config

import (
	"os"
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestDifferences(t *testing.T) {
	text, err := os.ReadFile("../testdata/config/valid/shop-full.toml")
	if err != nil {
		t.Fatal(err)
	}
	parse := func(text string) *Draft {
		d, err := ParseDraft("x", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	from := parse(string(text))
	if got := Differences(from, parse(string(text))); len(got) > 0 {
		t.Errorf("%q", got)
	}
	var changes []string
	for _, c := range [][2]string{
		{`name = "full shop"`, `name = "garage"`},
		{`frequency = "50 Hz", voltage = "230 V"`, `frequency = "60 Hz", voltage = "240 V"`},
		{`channels = ["c0", "c1"]`, `channels = ["c2"]`},
		{`coast = "12 s"`, `coast = "9 s"`},
		{`{ name = "lathe", contacts`, `{ name = "jointer", contacts`},
		{`together = [["saw", "lathe"]]`, `together = [["saw", "jointer"]]`},
		{`name = "hand gate", duct = "H3", actuator = "g2"`, `name = "hand gate", duct = "H3", actuator = "g1"`},
		{`?key=s3cret`, `?key=s4cret`},
		{`units = "metric"`, `units = "imperial"`},
	} {
		if !strings.Contains(string(text), c[0]) {
			t.Fatal(c[0])
		}
		changes = append(changes, c[0], c[1])
	}
	got := strings.Join(Differences(from, parse(strings.NewReplacer(changes...).Replace(string(text)))), "\n")
	want := `The name was full shop, is now garage.
The system of units was metric, is now imperial.
The supply: frequency was 50 Hz, is now 60 Hz; voltage was 230 V, is now 240 V.
The air: together was [[saw, lathe]], is now [[saw, jointer]].
Machine saw: sensor was c0, c1, is now c2; coast-down was 12 s, is now 9 s.
Machine lathe is gone.
Machine jointer is new: contact lathe switch; gates hand gate; circuit one; full load 5 A; run on 9 s.
Gate hand gate: output was g2, is now g1.
Notice phone: url is another one.`
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if strings.Contains(got, "cret") {
		t.Error("a secret is shown")
	}
}

// TestDifferencesNever: two drafts of any kind can be compared; a draft is no
// different from itself.
func TestDifferencesNever(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var a, b Draft
		drawInto(t, "a", reflect.ValueOf(&a).Elem(), "")
		drawInto(t, "b", reflect.ValueOf(&b).Elem(), "")
		Differences(&a, &b)
		if d := Differences(&a, &a); len(d) > 0 {
			t.Fatal(d)
		}
	})
}
