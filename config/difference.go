package config

import (
	"fmt"
	"reflect"
	"strings"
)

// tableWords name the tables of a shop file in sentences; those in lists have
// a name of their own.
var tableWords = map[string]string{
	"mains": "the supply", "air": "the air", "hours": "the hours", "circuit": "circuit", "machine": "machine", "gate": "gate", "duct": "duct",
	"collector": "the collector", "outlet": "outlet", "indicator": "indicator", "limits": "the limits", "notice": "notice",
}

// keyWords name keys in sentences, where the key says it badly.
var keyWords = map[string]string{
	".units": "system of units", "machine.channels": "sensor", "machine.contacts": "contact", "machine.coast": "coast-down", "machine.rated": "marked for",
	"gate.actuator": "output", "gate.reversed": "open and shut swapped", "circuit.channels": "sensors of other loads",
	"duct.to": "leads to", "outlet.actuator": "output", "collector.actuator": "contactor's output", "collector.channel": "sensor",
	"collector.contact": "auxiliary contact", "collector.coast": "coast-down", "collector.rated": "marked for", "limits.max_open": "most branches open",
}

// Differences says in words what is different in one shop file from another, a
// sentence each, in the second one's units. Things are the same if they have
// the same name. It says nothing where the two mean the same.
func Differences(from, to *Draft) []string {
	d := differ{encoder{units: to.System()}, nil}
	a, b := reflect.ValueOf(from).Elem(), reflect.ValueOf(to).Elem()
	for _, f := range reflect.VisibleFields(a.Type()) {
		key, x, y := f.Tag.Get("toml"), a.FieldByIndex(f.Index), b.FieldByIndex(f.Index)
		inner := f.Type
		for inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice {
			inner = inner.Elem()
		}
		switch {
		case key == "":
		case inner.Kind() != reflect.Struct:
			if p, q := d.say(x, f.Tag), d.say(y, f.Tag); p != q {
				d.add("The %s was %s, is now %s.", words("", key), p, q)
			}
		case f.Type.Kind() == reflect.Slice:
			d.lists(key, x, y)
		default:
			d.tables(key, x, y)
		}
	}
	return d.out
}

type differ struct {
	encoder
	out []string
}

func (d *differ) add(format string, a ...any) {
	s := fmt.Sprintf(format, a...)
	d.out = append(d.out, strings.ToUpper(s[:1])+s[1:])
}

// words name a key of a table.
func words(table, key string) string {
	if w := keyWords[table+"."+key]; w != "" {
		return w
	}
	return strings.ReplaceAll(key, "_", " ")
}

// say is a value for people.
func (d *differ) say(v reflect.Value, tag reflect.StructTag) string {
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return "not given"
		}
		v = v.Elem()
	}
	if v.Kind() == reflect.Slice && v.Len() == 0 {
		return "none"
	}
	if tag.Get("secret") != "" {
		return "a text that is not shown"
	}
	if v.Kind() == reflect.Float64 && tag.Get("q") != "" {
		return d.units.Format(quantityName(tag), v.Float())
	}
	text := d.render(v, tag)
	if v.Kind() == reflect.Slice && v.Type().Elem().Kind() == reflect.String {
		text = strings.Trim(text, "[]")
	}
	return strings.ReplaceAll(text, `"`, "")
}

// table compares two tables of the same thing.
func (d *differ) tables(key string, x, y reflect.Value) {
	who := tableWords[key]
	if x.Kind() == reflect.Pointer {
		switch {
		case x.IsNil() && y.IsNil():
			return
		case x.IsNil():
			d.add("%s is described: %s.", who, d.all(key, y.Elem()))
			return
		case y.IsNil():
			d.add("%s is no longer described.", who)
			return
		}
		x, y = x.Elem(), y.Elem()
	}
	if parts := d.keys(key, x, y); len(parts) > 0 {
		d.add("%s: %s.", who, strings.Join(parts, "; "))
	}
}

// keys lists what is different in two tables.
func (d *differ) keys(key string, x, y reflect.Value) []string {
	var parts []string
	for _, f := range reflect.VisibleFields(x.Type()) {
		k := f.Tag.Get("toml")
		if k == "" {
			continue
		}
		a, b := x.FieldByIndex(f.Index), y.FieldByIndex(f.Index)
		p, q := d.say(a, f.Tag), d.say(b, f.Tag)
		if f.Tag.Get("secret") != "" && a.String() != b.String() {
			parts = append(parts, words(key, k)+" is another one")
		} else if p != q {
			parts = append(parts, fmt.Sprintf("%s was %s, is now %s", words(key, k), p, q))
		}
	}
	return parts
}

// all lists what a table says.
func (d *differ) all(key string, v reflect.Value) string {
	var parts []string
	for _, f := range reflect.VisibleFields(v.Type()) {
		if k := f.Tag.Get("toml"); k != "" && k != "name" {
			if _, ok := d.value(v.FieldByIndex(f.Index), f.Tag); ok {
				parts = append(parts, words(key, k)+" "+d.say(v.FieldByIndex(f.Index), f.Tag))
			}
		}
	}
	if len(parts) == 0 {
		return "nothing but its name"
	}
	return strings.Join(parts, "; ")
}

// lists compares two lists of named things.
func (d *differ) lists(key string, x, y reflect.Value) {
	who := tableWords[key]
	named := func(list reflect.Value, name string) (reflect.Value, bool) {
		for i := range list.Len() {
			if list.Index(i).FieldByName("Name").String() == name {
				return list.Index(i), true
			}
		}
		return reflect.Value{}, false
	}
	for i := range x.Len() {
		name := x.Index(i).FieldByName("Name").String()
		other, ok := named(y, name)
		if !ok {
			d.add("%s %s is gone.", who, name)
			continue
		}
		if parts := d.keys(key, x.Index(i), other); len(parts) > 0 {
			d.add("%s %s: %s.", who, name, strings.Join(parts, "; "))
		}
	}
	for i := range y.Len() {
		name := y.Index(i).FieldByName("Name").String()
		if _, ok := named(x, name); !ok {
			d.add("%s %s is new: %s.", who, name, d.all(key, y.Index(i)))
		}
	}
}
