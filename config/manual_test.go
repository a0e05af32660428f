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
//
// From the same texts come keys.txt, which the program explains keys by, and the
// reference deploy/KEYS.md: with -rewrite they are written, else they are compared.
func TestManual(t *testing.T) {
	short, table := "", strings.Builder{}
	table.WriteString(keysHead)
	for _, file := range []struct {
		name string
		raw  reflect.Type
	}{{"rig", reflect.TypeFor[rawRig]()}, {"shop", reflect.TypeFor[rawShop]()}} {
		name, raw := file.name, file.raw
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
		fmt.Fprintf(&table, "\n## The %s file\n\n| key | its value | what it is |\n| --- | --- | --- |\n", name)
		var found []string
		for _, m := range manualEntry.FindAllStringSubmatch(page, -1) {
			found = append(found, m[1])
			text := plainRoff(m[3])
			short += name + " " + m[1] + " " + text + "\n"
			fmt.Fprintf(&table, "| `%s` | %s | %s |\n", m[1], strings.ReplaceAll(m[2], "|", "or"), strings.ReplaceAll(text, "|", "or"))
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
	for path, want := range map[string]string{"keys.txt": short, "../deploy/KEYS.md": table.String()} {
		if f := flag.Lookup("rewrite"); f != nil && f.Value.String() == "true" {
			if err := os.WriteFile(path, []byte(want), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if got, err := os.ReadFile(path); err != nil || string(got) != want {
			t.Errorf("%s is not what the manual pages say (%v): run the test with -rewrite", path, err)
		}
	}
}

// keysHead begins the reference.
var keysHead = strings.ReplaceAll(`# Every key of the rig and shop files

The rig file says what travels with its owner, the shop file what belongs to an address. 'kerfwind begin' writes both, with each key explained
where it is written; 'kerfwind check' says what they describe and which defaults apply. A key of a table in a list is written here with a dot:
'machine.coast' is the key 'coast' of each '[[machine]]'. A quantity is a text with its unit, metric or imperial: '"4 in"', '"3.6 m"',
'"550 cfm"', '"900 m3/h"', '"8 A"', '"2 hp"', '"400 ms"'. A key that is not required may be left out.

A test keeps this table to the program. The manual pages 'man 5 kerfwind-rig.toml' and 'man 5 kerfwind-shop.toml' say the same.
`, "'", "`")

// plainRoff is a line of a manual page as plain text.
func plainRoff(s string) string {
	return strings.TrimSpace(strings.NewReplacer(`\(dq`, `"`, `\-`, "-", `\fB`, "", `\fI`, "", `\fR`, "", `\&`, "").Replace(s))
}
