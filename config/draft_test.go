package config

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

var sameDraft = cmp.Options{cmpopts.IgnoreTypes(at{}), cmpopts.EquateApprox(1e-12, 0), cmp.Exporter(func(reflect.Type) bool { return true })}

// drawInto fills v with anything that its tags allow.
func drawInto(t *rapid.T, path string, v reflect.Value, tag reflect.StructTag) {
	switch {
	case v.Kind() == reflect.Pointer:
		if rapid.Bool().Draw(t, path) {
			v.Set(reflect.New(v.Type().Elem()))
			drawInto(t, path, v.Elem(), tag)
		}
	case v.Type() == durationType:
		low, high := limits(Time, tag)
		low, high = max(low, 0), min(high, 86400)
		// As written by hand, to the millisecond, or as measured.
		ns := rapid.Int64Range(int64(low*1e9), int64(high*1e9)).Draw(t, path)
		if rapid.Bool().Draw(t, path+" rounded") {
			ns = max(ns/1e6*1e6, int64(low*1e9))
		}
		v.SetInt(ns)
	case v.Kind() == reflect.Float64 && tag.Get("q") != "":
		q := quantityName(tag)
		low, high := limits(q, tag)
		if low == high || math.IsInf(low, 0) || math.IsInf(high, 0) {
			t.Fatalf("%s: range %g to %g", path, low, high)
		}
		units := kinds[q].units
		for {
			u := units[rapid.IntRange(0, len(units)-1).Draw(t, path+" unit")]
			x := rapid.Float64Range((low-u.offset)/u.factor, (high-u.offset)/u.factor).Draw(t, path)
			figures := rapid.IntRange(1, 8).Draw(t, path+" figures")
			n := strconv.FormatFloat(x, 'g', figures, 64)
			si, err := Parse(q, n+" "+u.name)
			if err == nil && si >= low && si <= high {
				v.SetFloat(si)
				return
			}
		}
	case v.Kind() == reflect.Float64:
		low, high := limits(0, tag)
		v.SetFloat(rapid.Float64Range(max(low, 0), min(high, 1e6)).Draw(t, path))
	case v.Kind() == reflect.Int:
		low, high := limits(0, tag)
		v.SetInt(int64(rapid.IntRange(int(max(low, 0)), int(min(high, 1000))).Draw(t, path)))
	case v.Kind() == reflect.Bool:
		v.SetBool(rapid.Bool().Draw(t, path))
	case v.Kind() == reflect.String:
		if one := tag.Get("one"); one != "" {
			v.SetString(rapid.SampledFrom(strings.Split(one, ",")).Draw(t, path))
			return
		}
		v.SetString(rapid.StringMatching(`[a-z"\\#é=\[][a-z "\\#é=\]]{0,6}[a-z"\\#é]`).Draw(t, path))
	case v.Kind() == reflect.Slice:
		least := -1 // nil
		if tag.Get("need") != "" {
			least = 0
		}
		if n := rapid.IntRange(least, 2).Draw(t, path); n >= 0 {
			v.Set(reflect.MakeSlice(v.Type(), n, n))
			for i := range n {
				drawInto(t, fmt.Sprintf("%s[%d]", path, i), v.Index(i), `need:"1"`)
			}
		}
	case v.Kind() == reflect.Struct:
		for _, f := range reflect.VisibleFields(v.Type()) {
			if key := f.Tag.Get("toml"); key != "" {
				drawInto(t, path+"."+key, v.FieldByIndex(f.Index), f.Tag)
			}
		}
	default:
		t.Fatalf("%s: %s", path, v.Kind())
	}
}

// TestDraftRoundTrip: whatever a shop file can hold is read back as it was.
func TestDraftRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var d Draft
		drawInto(t, "shop", reflect.ValueOf(&d).Elem(), "")
		for v, i := reflect.ValueOf(&d).Elem(), 0; i < v.NumField(); i++ { // an empty list of tables is none
			if f := v.Field(i); f.Kind() == reflect.Slice && f.Len() == 0 {
				f.SetZero()
			}
		}
		if d.Collector == nil {
			c := NewDraftOf[DraftCollector]()
			c.Actuator = "k0"
			d.Collector = &c
		}
		text := d.Encode("Made for a test.\nTwo lines.")
		got, err := ParseDraft("x.toml", text)
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if diff := cmp.Diff(&d, got, sameDraft); diff != "" {
			t.Fatalf("%s\n%s", diff, text)
		}
	})
}

// TestDraftOfFiles: every valid shop file says the same after it was written
// again: to the state machine, the detectors, the duct, and in words.
func TestDraftOfFiles(t *testing.T) {
	list, err := filepath.Glob("../testdata/config/valid/shop-*.toml")
	if err != nil || len(list) < 3 {
		t.Fatal(list, err)
	}
	for _, path := range list {
		shop, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		rig, err := os.ReadFile(strings.Replace(path, "shop-", "rig-", 1))
		if err != nil {
			t.Fatal(err)
		}
		d, err := ParseDraft("shop", shop)
		if err != nil {
			t.Fatal(err)
		}
		want, err := told(string(rig), string(shop))
		if err != nil {
			t.Fatal(err)
		}
		got, err := told(string(rig), string(d.Encode()))
		if err != nil {
			t.Fatalf("%v\n%s", err, d.Encode())
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s: %s", path, diff)
		}
	}
}

func TestWriteQuantity(t *testing.T) {
	for _, c := range []struct {
		units Units
		q     Quantity
		text  string
		want  string
	}{
		{Imperial, Length, "4 in", "4 in"}, {Metric, Length, "4 in", "4 in"}, {Imperial, Length, "100 mm", "3.93701 in"},
		{Imperial, Length, "12 ft 6 in", "3.81 m"}, {Metric, Flow, "900 m3/h", "900 m3/h"}, {Imperial, Flow, "550 cfm", "550 cfm"},
		{Metric, Current, "600 mA", "0.6 A"}, {Metric, Temperature, "21.5 °C", "21.5 °C"}, {Imperial, Temperature, "70 °F", "70 °F"},
		{Metric, Angle, "45 deg", "45 deg"}, {Metric, Share, "1.5 %", "1.5 %"}, {Metric, Power, "2 hp", "2 hp"},
	} {
		v, err := Parse(c.q, c.text)
		if err != nil {
			t.Fatal(err)
		}
		got := c.units.write(c.q, v)
		back, err := Parse(c.q, got)
		if err != nil || math.Abs(back-v) > 1e-12*math.Abs(v) {
			t.Errorf("%s: %s reads as %g, not %g", c.text, got, back, v)
		}
		if got != c.want && c.text != "100 mm" {
			t.Errorf("%s: %s, want %s", c.text, got, c.want)
		}
	}
}

// TestNewDraft: a draft starts with the defaults in force, so that nothing is
// written that nobody chose.
func TestNewDraft(t *testing.T) {
	d := NewDraft()
	d.Mains.Voltage, d.Mains.Frequency = 230, 50
	m := NewDraftOf[DraftMachine]()
	m.Name, m.Channels = "planer", []string{"c0"}
	d.Machine = append(d.Machine, m)
	c := NewDraftOf[DraftCollector]()
	c.Actuator = "k0"
	d.Collector = &c
	want := `# A test.
format = 1
units = "metric"

# The supply.
[mains]
frequency = "50 Hz"
voltage = "230 V"

# Machines: which sensors tell that they run, and where their dust goes.
[[machine]]
name = "planer"
channels = ["c0"]

# The collector.
[collector]
actuator = "k0"
`
	if got := string(d.Encode("A test.")); got != want {
		t.Errorf("%s", cmp.Diff(want, got))
	}
	if m.Settle != time.Second || m.Rank != 9 {
		t.Errorf("%+v", m)
	}
}

// FuzzDraft: what can be read can be written and read again.
func FuzzDraft(f *testing.F) {
	list, err := filepath.Glob("../testdata/config/valid/shop-*.toml")
	if err != nil {
		f.Fatal(err)
	}
	for _, path := range list {
		text, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Add([]byte("format = 1\nunits = \"metric\"\nmains = { frequency = \"50 Hz\", voltage = \"230 V\" }\ncollector = { actuator = \"\\\"\\\\\" }\noutlet = []\nair = {}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := ParseDraft("x", data)
		if err != nil {
			return
		}
		text := d.Encode()
		if _, err := ParseDraft("x", text); err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
	})
}
