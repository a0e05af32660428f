package config

import (
	"reflect"
	"slices"
	"testing"
)

// optional are the fields of a description that a kind may do without.
var optional = map[string]bool{
	"may": true, "defaults": true, "reverse": true, "reversing": true, "supply": true, "steps": true, "notes": true, "note": true,
	"ranges": true, "addresses": true, "numbered": true, "rule": true, "decider": true, "acts": true, "part": true,
}

// ofWired are the fields that only a wired output needs.
var ofWired = map[string]bool{"parts": true}

// TestKindsAreWhole names what the description of a kind lacks.
func TestKindsAreWhole(t *testing.T) {
	whole := func(kind, list string, facts any, needs func(field string) bool) {
		v := reflect.ValueOf(facts)
		for i := range v.NumField() {
			if name := v.Type().Field(i).Name; v.Field(i).Kind() != reflect.Bool && v.Field(i).IsZero() && needs(name) {
				t.Errorf("%s %q lacks %s", list, kind, name)
			}
		}
	}
	for _, k := range Chips() {
		f := *k.facts()
		whole(k.String(), "converter", f, func(name string) bool { return !optional[name] })
		if (f.bus == i2cBus) != (f.addresses != nil) {
			t.Errorf("converter %q: what hangs on I2C has addresses, and nothing else has", k)
		}
		var inputs []int
		for _, p := range f.pins {
			if p.Signal == 0 || p.Name == "" {
				t.Errorf("converter %q: pin %+v", k, p)
			}
			if p.Signal == ToInput {
				inputs = append(inputs, p.Input)
			}
		}
		for n := range f.inputs {
			if !slices.Contains(inputs, n) {
				t.Errorf("converter %q: no pin is input %d", k, n)
			}
		}
		for i, a := range f.addresses {
			if a.n != f.addresses[0].n+i || a.pin == "" {
				t.Errorf("converter %q: address %+v", k, a)
			}
		}
	}
	for _, k := range ActuatorKinds() {
		f := *k.facts()
		whole(k.String(), "output", f, func(name string) bool {
			return !optional[name] && !(ofWired[name] && !f.wired) && name != "lines"
		})
		if f.wired && f.lines == nil && !f.onChip {
			t.Errorf("output %q lacks lines: it is wired, and hangs on no servo chip", k)
		}
		if f.reverse == nil && f.reversing == "" {
			t.Errorf("output %q lacks reverse, or reversing with what to do instead", k)
		}
		for _, key := range f.need {
			if keyExamples[key] == "" {
				t.Errorf("output %q: keyExamples has no example of %s", k, key)
			}
		}
		keys := written(&rawActuator{})
		for _, key := range slices.Concat(f.need, f.may) {
			if _, ok := keys[key]; !ok {
				t.Errorf("output %q: the file has no key %s", k, key)
			}
		}
	}
	for _, k := range all[ContactKind](len(contacts)) {
		whole(k.String(), "contact", *k.facts(), func(name string) bool { return !optional[name] })
	}
}

// A kind that is none of those of the file says so, and panics nowhere.
func TestNoKind(t *testing.T) {
	for _, k := range []ActuatorKind{0, 200} {
		a := Actuator{Kind: k}
		if k.String() != "" || k.Wired() || k.Serves(ForGate) || a.Lines() != nil || a.Parts() != nil || a.End(nil) != "" || a.Turned() != a {
			t.Errorf("kind %d: %+v", k, a)
		}
	}
	if c := ChipKind(200); c.String() != "" || c.Inputs() != 0 || c.Pins() != nil {
		t.Errorf("%v", c)
	}
	if c := ContactKind(200); c.String() != "" || c.About() != 0 {
		t.Errorf("%v", c)
	}
}
