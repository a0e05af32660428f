package config

import (
	"os"
	"strings"
	"testing"
)

func TestRating(t *testing.T) {
	for _, c := range []struct {
		text         string
		volts, hertz float64
		want         bool
	}{
		{"230 V 50 Hz", 230, 50, true}, {"230 V 50 Hz", 240, 50, true}, {"230 V 50 Hz", 207, 50, true}, {"230 V 50 Hz", 206, 50, false},
		{"230 V 50 Hz", 253, 50, true}, {"230 V 50 Hz", 254, 50, false}, {"240 V 60 Hz", 230, 50, false}, {"120 V 60 Hz", 240, 60, false},
		{" 400V 50Hz", 400, 50, true},
	} {
		r, err := ParseRating(c.text)
		if err != nil {
			t.Fatal(err)
		}
		if got := r.Fits(c.volts, c.hertz); got != c.want {
			t.Errorf("%s at %g V %g Hz: %v", c.text, c.volts, c.hertz, got)
		}
	}
	for _, text := range []string{"", "V", "230", "230 V", "50 Hz 230 V", "230 V 50", "12 V 50 Hz", "230 V 400 Hz", "230 kV 50 Hz"} {
		if r, err := ParseRating(text); err == nil || !strings.Contains(err.Error(), "as its plate has it") {
			t.Errorf("%q: %v, %v", text, r, err)
		}
	}
	if _, known := Marked(nil, 230, 50); known {
		t.Error("nothing is known of a plate that nobody read")
	}
}

// TestDoNotConnect: a motor that is not marked for the supply is warned of; one
// of two ratings is enough.
func TestDoNotConnect(t *testing.T) {
	read := func(name string) string {
		b, err := os.ReadFile("../testdata/config/valid/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	rig, err := ParseRig("rig", []byte(read("rig-full.toml")))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		rated string
		want  string
	}{
		{`"230 V 50 Hz", "240 V 60 Hz"`, ""},
		{`"120 V 60 Hz", "240 V 60 Hz"`, `machine "saw" is marked for 120 V 60 Hz or 240 V 60 Hz, and the supply here is 230 V 50 Hz: do not connect it; ask an electrician`},
		{`"one"`, `machine "saw": "one" is not a supply`},
	} {
		text := strings.Replace(read("shop-full.toml"), `"230 V 50 Hz", "240 V 60 Hz"`, c.rated, 1)
		s, err := ParseShop("shop", []byte(text), rig)
		got := ""
		if err != nil {
			got = err.Error()
		} else {
			for _, w := range s.Warnings {
				if strings.Contains(w.Message, "do not connect") && strings.Contains(w.Message, "saw") {
					got += w.Message + "; " + w.Remedy
				}
			}
		}
		if !strings.Contains(got, c.want) || c.want == "" && got != "" {
			t.Errorf("%s: %q, want %q", c.rated, got, c.want)
		}
	}
}
