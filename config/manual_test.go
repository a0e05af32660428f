package config

import (
	"flag"
	"fmt"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// manualKeys lists the keys of a raw struct in the order of the file, each with
// what its tags say: kind of value, range, default.
func manualKeys(prefix string, t reflect.Type) (keys []string, facts map[string]string) {
	facts = map[string]string{}
	for _, field := range reflect.VisibleFields(t) {
		key := field.Tag.Get("toml")
		if key == "" {
			continue
		}
		key = prefix + key
		inner := field.Type
		for inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice && inner.Elem().Kind() == reflect.Struct {
			inner = inner.Elem()
		}
		keys = append(keys, key)
		facts[key] = keyFacts(field.Type, inner, field.Tag)
		if inner.Kind() == reflect.Struct && inner != reflect.TypeFor[Ratio]() {
			more, theirs := manualKeys(key+".", inner)
			keys = append(keys, more...)
			for k, v := range theirs {
				facts[k] = v
			}
		}
	}
	return keys, facts
}

// keyFacts words the tags of one key.
func keyFacts(whole, inner reflect.Type, tag reflect.StructTag) string {
	for whole.Kind() == reflect.Pointer {
		whole = whole.Elem()
	}
	kind := ""
	w, worded := reflect.Zero(inner).Interface().(worded)
	switch {
	case worded:
		kind = strings.Join(w.words(), " | ")
	case tag.Get("one") != "":
		kind = strings.ReplaceAll(tag.Get("one"), ",", " | ")
	case inner == reflect.TypeFor[time.Duration]():
		kind = "time"
	case tag.Get("q") != "":
		kind = tag.Get("q")
	case inner == reflect.TypeFor[Ratio]():
		kind = "ratio"
	case whole.Kind() == reflect.Slice && inner.Kind() == reflect.Struct:
		kind = "list of tables"
	case whole == reflect.TypeFor[[][]string]():
		kind = "list of lists of names"
	case whole.Kind() == reflect.Slice:
		kind = "list of names"
	case inner.Kind() == reflect.Struct:
		kind = "table"
	case inner.Kind() == reflect.String:
		kind = "text"
	case inner.Kind() == reflect.Bool:
		kind = "true | false"
	case inner.Kind() == reflect.Int:
		kind = "whole number"
	default:
		kind = "number"
	}
	if low, high := tag.Get("min"), tag.Get("max"); high != "" {
		kind += ", " + low + " to " + high
	}
	if tag.Get("need") != "" {
		kind += "; required"
	}
	if def := tag.Get("def"); def != "" {
		kind += "; default " + def
	}
	return kind
}

// manualEntry is how a key stands in a manual page: tag, facts, description.
var manualEntry = regexp.MustCompile(`(?m)^\.TP\n\.B (\S+)\n\.I (.*)\n\.br\n([^.\n].*\n)?`)

// TestManual holds the manual pages to the raw structs: every key stands there
// once, in the order of the structs, with its range and default and with a
// description. With -rewrite it brings ranges and defaults up to date.
func TestManual(t *testing.T) {
	for name, raw := range map[string]reflect.Type{"rig": reflect.TypeFor[rawRig](), "shop": reflect.TypeFor[rawShop]()} {
		path := "../deploy/man/kerfwind-" + name + ".toml.5"
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		page := string(data)
		keys, facts := manualKeys("", raw)
		if f := flag.Lookup("rewrite"); f != nil && f.Value.String() == "true" {
			page = manualEntry.ReplaceAllStringFunc(page, func(entry string) string {
				m := manualEntry.FindStringSubmatch(entry)
				if facts[m[1]] == "" {
					return entry
				}
				return fmt.Sprintf(".TP\n.B %s\n.I %s\n.br\n%s", m[1], facts[m[1]], m[3])
			})
			if err := os.WriteFile(path, []byte(page), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		var found []string
		for _, m := range manualEntry.FindAllStringSubmatch(page, -1) {
			found = append(found, m[1])
			switch want := facts[m[1]]; {
			case want == "":
				t.Errorf("%s: there is no key %s", path, m[1])
			case m[2] != want:
				t.Errorf("%s: %s: the page says %q, the program %q (run the test with -rewrite)", path, m[1], m[2], want)
			case m[3] == "":
				t.Errorf("%s: %s: no description", path, m[1])
			}
		}
		for _, k := range keys {
			if !slices.Contains(found, k) {
				t.Errorf("%s: the key %s is missing", path, k)
			}
		}
		if len(found) != len(keys) {
			t.Errorf("%s: %d entries for %d keys", path, len(found), len(keys))
		}
	}
}
