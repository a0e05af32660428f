package config

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// A file is decoded in two steps. The TOML library reads it into plain values
// and says where the syntax is wrong. The decoder below then fills raw structs
// and reports everything at once that does not fit: it knows the place of each
// key in the file, so that later checks can name line and column too.
//
// Raw structs are the one place where keys, units, ranges and defaults are
// written down, as field tags:
//
//	toml   the key
//	q      the quantity, for *float64 and float64; time.Duration needs none
//	min    the least value allowed, as it would stand in a file
//	max    the greatest
//	def    the default; check prints every default in force
//	need   "1": there is no default, the key must be there
//	one    the words allowed, separated by commas
//	eg     an example for a message, where the type says too little
//	secret "1": no message quotes the value
//
// A pointer field stays nil when the key is missing.

// at is embedded in a raw struct; it holds the struct's place in the file.
type at struct{ path string }

func (a *at) place(path string) { a.path = path }

// key is the place of one key of the struct.
func (a at) key(name string) string { return a.path + "." + name }

// item is the place of one entry of a list.
func (a at) item(name string, i int) string { return fmt.Sprintf("%s.%s[%d]", a.path, name, i) }

// position of a key or table in a file, from 1.
type position struct{ line, column int }

// Default is a value that was not written in the file and is in force.
type Default struct {
	Key   string // such as "gate.travel"
	Value string // as it would be written
	Count int    // how many tables lack the key
}

type file struct {
	name     string
	places   map[string]position
	names    map[string]string // of a table, by its path: "gate[2]" is "planer"
	problems Errors
	defaults []Default
	broken   bool  // not even TOML: nothing was decoded
	units    Units // that people see, as far as the file says so
}

// problem is something to say about the place of path, or of the table around it.
func (f *file) problem(path, message, remedy string) Problem {
	p := Problem{File: f.name, Line: 1, Column: 1, Message: message, Remedy: remedy}
	for cut := len(path); cut > 0; cut = strings.LastIndexAny(path, ".[") {
		path = path[:cut]
		if pos, ok := f.places[path]; ok {
			p.Line, p.Column = pos.line, pos.column
			break
		}
	}
	return p
}

// add reports a problem that stops the file from being used.
func (f *file) add(path, message, remedy string) {
	f.problems = append(f.problems, f.problem(path, message, remedy))
}

func (f *file) err() error {
	if len(f.problems) == 0 {
		return nil
	}
	return f.problems.sorted()
}

// decode fills the raw struct that v points to.
func decode(name string, data []byte, v any) *file {
	f := &file{name: name, places: map[string]position{}, names: map[string]string{}}
	if f.problems = notText(name, data); f.problems != nil {
		f.broken = true
		return f
	}
	if f.problems = syntax(name, data, listsOf(reflect.TypeOf(v).Elem())); f.problems != nil {
		f.broken = true
		return f
	}
	var tree map[string]any
	if err := toml.Unmarshal(data, &tree); err != nil {
		f.problems = Errors{syntaxProblem(name, err)} // syntax has found nothing
		f.broken = true
		return f
	}
	if p, mixed := swapped(name, tree, reflect.TypeOf(v).Elem()); mixed {
		f.problems, f.broken = Errors{p}, true
		return f
	}
	f.places = index(data)
	if tree["units"] == Imperial.String() {
		f.units = Imperial
	}
	f.table("", tree, reflect.ValueOf(v).Elem())
	return f
}

// blank is a raw struct with nothing but its defaults.
func blank[T any]() T {
	var raw T
	f := &file{names: map[string]string{}}
	f.table("blank", nil, reflect.ValueOf(&raw).Elem())
	return raw
}

// index finds the line and column of every key and table: "gate[2].travel".
func index(data []byte) map[string]position {
	places := map[string]position{}
	starts := []int{0}
	for i, c := range data {
		if c == '\n' {
			starts = append(starts, i+1)
		}
	}
	where := func(offset uint32) position {
		o := int(offset)
		line, found := slices.BinarySearch(starts, o)
		if !found {
			line--
		}
		return position{line + 1, utf8.RuneCount(data[starts[line]:o]) + 1}
	}
	last := map[string]int{} // the newest entry of each array of tables
	// extend adds the parts of a key to a path and notes the place of each.
	extend := func(path string, keys unstable.Iterator, array bool) (string, position) {
		var pos position
		for keys.Next() {
			if path != "" {
				path += "."
			}
			path += string(keys.Node().Data)
			pos = where(keys.Node().Raw.Offset)
			if _, ok := places[path]; !ok {
				places[path] = pos
			}
			if n, ok := last[path]; ok && (!array || !keys.IsLast()) {
				path = fmt.Sprintf("%s[%d]", path, n)
			}
		}
		return path, pos
	}
	var value func(path string, pos position, n *unstable.Node)
	keyval := func(path string, n *unstable.Node) {
		p, pos := extend(path, n.Key(), false)
		value(p, pos, n.Value())
	}
	value = func(path string, pos position, n *unstable.Node) {
		switch n.Kind {
		case unstable.InlineTable:
			for c := n.Children(); c.Next(); {
				keyval(path, c.Node())
			}
		case unstable.Array:
			i := 0
			for c := n.Children(); c.Next(); i++ {
				item := fmt.Sprintf("%s[%d]", path, i)
				at := pos
				if c.Node().Raw.Length > 0 {
					at = where(c.Node().Raw.Offset)
				}
				places[item] = at
				value(item, at, c.Node())
			}
		default: // a plain value has no places within it
		}
	}
	var p unstable.Parser
	p.Reset(data)
	table := ""
	for p.NextExpression() {
		switch n := p.Expression(); n.Kind {
		case unstable.Table:
			table, _ = extend("", n.Key(), false)
		case unstable.ArrayTable:
			path, pos := extend("", n.Key(), true)
			i, seen := last[path]
			if seen {
				i++
			}
			last[path] = i
			table = fmt.Sprintf("%s[%d]", path, i)
			places[table] = pos
		case unstable.KeyValue:
			keyval(table, n)
		default: // comments
		}
	}
	return places
}

var durationType = reflect.TypeFor[time.Duration]()

// table fills the struct v from the table m.
func (f *file) table(path string, m map[string]any, v reflect.Value) {
	if p, ok := v.Addr().Interface().(interface{ place(string) }); ok {
		p.place(path)
	}
	if name, ok := m["name"].(string); ok && path != "" {
		f.names[path] = name
	}
	var known []string
	for _, field := range reflect.VisibleFields(v.Type()) {
		key := field.Tag.Get("toml")
		if key == "" {
			continue
		}
		known = append(known, key)
		where := key
		if path != "" {
			where = path + "." + key
		}
		x, ok := m[key]
		into := v.FieldByIndex(field.Index)
		switch tag := field.Tag; {
		case ok:
			f.value(where, x, into, tag)
		case tag.Get("need") != "":
			f.add(path, fmt.Sprintf("%s lacks the key %q", f.tableName(path), key), "add it: "+key+" = "+example(field.Type, tag))
		case tag.Get("def") != "":
			f.value(where, defaultValue(field.Type, tag.Get("def")), into, tag)
			def := tag.Get("def")
			if k := field.Type.Kind(); k != reflect.Bool && k != reflect.Int {
				def = strconv.Quote(def)
			}
			f.defaulted(where, def)
		case into.Kind() == reflect.Struct && into.Type() != reflect.TypeFor[Ratio]():
			f.table(where, nil, into) // its defaults hold although it is left out
		}
	}
	for _, key := range sortedKeys(m) {
		if !slices.Contains(known, key) {
			where := key
			if path != "" {
				where = path + "." + key
			}
			f.add(where, fmt.Sprintf("%s has no key %q", f.tableName(path), key), cmp.Or(didYouMean(key, known), "look its name up in deploy/KEYS.md, or man 5 kerfwind-rig.toml and kerfwind-shop.toml"))
		}
	}
}

// defaulted notes a default in force.
func (f *file) defaulted(path, value string) {
	key := path
	if open := strings.IndexByte(path, '['); open >= 0 {
		key = path[:open] + path[strings.IndexByte(path, ']')+1:]
	}
	for i := range f.defaults {
		if f.defaults[i].Key == key && f.defaults[i].Value == value {
			f.defaults[i].Count++
			return
		}
	}
	f.defaults = append(f.defaults, Default{key, value, 1})
}

// defaultValue is the default as the TOML library would deliver it.
func defaultValue(t reflect.Type, def string) any {
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch t.Kind() {
	case reflect.Bool:
		return def == "true"
	case reflect.Int:
		n, err := strconv.ParseInt(def, 10, 64)
		if err != nil {
			panic("config: bad default " + def)
		}
		return n
	default:
		return def
	}
}

func sortedKeys[T any](m map[string]T) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// value fills v from x.
func (f *file) value(path string, x any, v reflect.Value, tag reflect.StructTag) {
	if v.Kind() == reflect.Pointer {
		v.Set(reflect.New(v.Type().Elem()))
		f.value(path, x, v.Elem(), tag)
		return
	}
	wrong := func() {
		f.add(path, fmt.Sprintf("%s is %s", f.say(path), kindOf(x)), "write "+example(v.Type(), tag))
	}
	switch w, kind := v.Interface().(worded); {
	case kind:
		text, ok := x.(string)
		if !ok {
			wrong()
			return
		}
		i := slices.Index(w.words(), text)
		if i < 0 {
			f.add(path, fmt.Sprintf("%s cannot be %q", f.say(path), text), didYouMean(text, w.words()))
			return
		}
		v.SetUint(uint64(i) + 1)
	case v.Type() == durationType || v.Kind() == reflect.Float64 && tag.Get("q") != "":
		text, ok := x.(string)
		if !ok {
			// A bare number is the commonest slip: treat it as a quantity without unit.
			switch n := x.(type) {
			case int64:
				text = strconv.FormatInt(n, 10)
			case float64:
				text = strconv.FormatFloat(n, 'g', -1, 64)
			default:
				wrong()
				return
			}
		}
		f.quantity(path, text, v, tag)
	case v.Type() == reflect.TypeFor[Ratio]():
		text, ok := x.(string)
		if !ok {
			wrong()
			return
		}
		r, err := ParseRatio(text)
		var qe *QuantityError
		if errors.As(err, &qe) {
			f.add(path, f.say(path)+": "+qe.Message, qe.Remedy)
		}
		v.Set(reflect.ValueOf(r))
	case v.Kind() == reflect.String:
		text, ok := x.(string)
		if !ok {
			wrong()
			return
		}
		if one := tag.Get("one"); one != "" && !slices.Contains(strings.Split(one, ","), text) {
			f.add(path, fmt.Sprintf("%s cannot be %q", f.say(path), text), didYouMean(text, strings.Split(one, ",")))
			return
		}
		if strings.TrimSpace(text) == "" || text != strings.TrimSpace(text) || strings.ContainsFunc(text, Hidden) {
			if tag.Get("secret") != "" {
				text = "***"
			}
			f.add(path, fmt.Sprintf("%s is %q", f.say(path), text), "write a text without blanks at its ends and without characters that cannot be seen")
			return
		}
		v.SetString(text)
	case v.Kind() == reflect.Bool:
		b, ok := x.(bool)
		if !ok {
			wrong()
			return
		}
		v.SetBool(b)
	case v.Kind() == reflect.Int:
		n, ok := x.(int64)
		if !ok {
			wrong()
			return
		}
		v.SetInt(n)
		f.bounds(path, float64(n), tag, strconv.FormatInt(n, 10), "")
	case v.Kind() == reflect.Float64:
		var n float64
		switch y := x.(type) {
		case int64:
			n = float64(y)
		case float64:
			n = y
		default:
			wrong()
			return
		}
		if math.IsNaN(n) || math.IsInf(n, 0) {
			f.add(path, fmt.Sprintf("%s is %v", f.say(path), n), "write "+example(v.Type(), tag))
			return
		}
		v.SetFloat(n)
		f.bounds(path, n, tag, strconv.FormatFloat(n, 'g', -1, 64), "")
	case v.Kind() == reflect.Slice:
		f.list(path, x, v, tag)
	case v.Kind() == reflect.Struct:
		m, ok := x.(map[string]any)
		if !ok {
			if items, list := x.([]any); list && len(items) > 0 {
				if _, tables := items[0].(map[string]any); tables {
					f.add(path, fmt.Sprintf("%s is a list, and there is only one", f.say(path)), fmt.Sprintf("write [%s] with single brackets", path))
					return
				}
			}
			wrong()
			return
		}
		f.table(path, m, v)
	}
}

// list fills a slice of texts or of tables.
func (f *file) list(path string, x any, v reflect.Value, tag reflect.StructTag) {
	items, ok := x.([]any)
	if !ok {
		remedy := "write " + example(v.Type(), tag)
		if _, single := x.(map[string]any); single && v.Type().Elem().Kind() == reflect.Struct {
			remedy = fmt.Sprintf("there may be several, so write [[%s]] with two brackets", path)
		}
		f.add(path, fmt.Sprintf("%s is %s, not a list", f.say(path), kindOf(x)), remedy)
		return
	}
	v.Set(reflect.MakeSlice(v.Type(), 0, len(items)))
	for i, item := range items {
		e := reflect.New(v.Type().Elem()).Elem()
		f.value(fmt.Sprintf("%s[%d]", path, i), item, e, "")
		v.Set(reflect.Append(v, e))
	}
}

// quantity fills a float64 or a time.Duration from a written quantity.
func (f *file) quantity(path, text string, v reflect.Value, tag reflect.StructTag) {
	q := quantityOf(v.Type(), tag)
	h := hints{example: tag.Get("def"), units: f.units}
	if h.example != "" {
		h.example = strconv.Quote(h.example)
	}
	h.low, h.high = limits(q, tag)
	si, qe := parse(q, text, h)
	if qe != nil {
		f.add(path, f.say(path)+": "+qe.Message, qe.Remedy)
		return
	}
	if !f.bounds(path, si, tag, strconv.Quote(text), suggestion(q, text, h)) {
		return
	}
	if v.Type() == durationType {
		d, qe := seconds(text, si)
		if qe != nil {
			f.add(path, f.say(path)+": "+qe.Message, qe.Remedy)
			return
		}
		v.SetInt(int64(d))
		return
	}
	v.SetFloat(si)
}

// suggestion is the same number with another unit that fits the range.
func suggestion(q Quantity, text string, h hints) string {
	n, rest := cutNumber(strings.TrimSpace(text))
	name, _ := cutUnit(strings.TrimSpace(rest))
	return guess(kinds[q], n, name, h)
}

// bounds reports a value outside the range of its tag.
func (f *file) bounds(path string, x float64, tag reflect.StructTag, written, hint string) bool {
	low, high := limits(quantityName(tag), tag)
	if x >= low && x <= high {
		return true
	}
	var remedy string
	switch {
	case math.IsInf(high, 1):
		remedy = "write at least " + tag.Get("min")
	case math.IsInf(low, -1):
		remedy = "write at most " + tag.Get("max")
	default:
		remedy = "write something from " + tag.Get("min") + " to " + tag.Get("max")
	}
	f.add(path, fmt.Sprintf("%s = %s is out of range", f.say(path), written), remedy+hint)
	return false
}

var quantityNames = map[string]Quantity{
	"length": Length, "flow": Flow, "pressure": Pressure, "velocity": Velocity, "current": Current,
	"voltage": Voltage, "power": Power, "resistance": Resistance, "frequency": Frequency, "rate": Rate,
	"time": Time, "temperature": Temperature, "angle": Angle, "density": Density, "share": Share,
}

func quantityName(tag reflect.StructTag) Quantity { return quantityNames[tag.Get("q")] }

func quantityOf(t reflect.Type, tag reflect.StructTag) Quantity {
	if t == durationType {
		return Time
	}
	return quantityName(tag)
}

// limits reads the tags min and max; "0" needs no unit.
func limits(q Quantity, tag reflect.StructTag) (low, high float64) {
	bound := func(key string, otherwise float64) float64 {
		text := tag.Get(key)
		if text == "" {
			return otherwise
		}
		if x, err := strconv.ParseFloat(text, 64); err == nil {
			return x
		}
		for _, q := range []Quantity{q, Time} {
			if x, err := Parse(q, text); err == nil {
				return x
			}
		}
		panic("config: bad tag " + string(tag))
	}
	return bound("min", math.Inf(-1)), bound("max", math.Inf(1))
}

// example shows how a value of a field is written.
func example(t reflect.Type, tag reflect.StructTag) string {
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	var words []string
	if w, ok := reflect.Zero(t).Interface().(worded); ok {
		words = slices.Clone(w.words())
	} else if one := tag.Get("one"); one != "" {
		words = strings.Split(one, ",")
	}
	switch {
	case tag.Get("eg") != "":
		return tag.Get("eg")
	case words != nil:
		for i := range words {
			words[i] = strconv.Quote(words[i])
		}
		return strings.Join(words, " or ")
	case quantityOf(t, tag) != 0:
		return kinds[quantityOf(t, tag)].example
	case t == reflect.TypeFor[Ratio]():
		return `"30 A : 1 V"`
	case t.Kind() == reflect.String:
		return `"a text"`
	case t.Kind() == reflect.Bool:
		return "true or false"
	case t.Kind() == reflect.Int:
		return "a whole number"
	case t.Kind() == reflect.Float64:
		return "a number"
	case t.Kind() == reflect.Slice && t.Elem().Kind() == reflect.String:
		return `["a name", "another"]`
	case t.Kind() == reflect.Slice:
		return "[{ … }]"
	}
	return "{ … }"
}

// kindOf says what a value of the TOML library is.
func kindOf(x any) string {
	switch y := x.(type) {
	case string:
		return fmt.Sprintf("the text %q", y)
	case int64, float64:
		return fmt.Sprintf("the number %v", y)
	case bool:
		return fmt.Sprintf("%v", y)
	case []any:
		return "a list"
	case map[string]any:
		return "a table"
	}
	return "a date or a time of day"
}

// tableName names a table of the file for a message: gate "planer", or the
// third gate where it has no name.
func (f *file) tableName(path string) string {
	if path == "" {
		return "the file"
	}
	word, rest, ok := strings.Cut(path, "[")
	if !ok {
		return path
	}
	if name := f.names[path]; name != "" {
		return fmt.Sprintf("%s %q", word, name)
	}
	i, err := strconv.Atoi(strings.TrimSuffix(rest, "]"))
	if err != nil {
		return path
	}
	return fmt.Sprintf("%s number %d", word, i+1)
}

// tableOf names the table around a key.
func (f *file) tableOf(path string) string {
	return f.tableName(path[:max(strings.LastIndexByte(path, '.'), 0)])
}

// say names a key for a message: gate "planer": travel.
func (f *file) say(path string) string {
	cut := strings.LastIndexByte(path, '.')
	if cut < 0 {
		return path
	}
	key, _, _ := strings.Cut(path[cut+1:], "[")
	return f.tableName(path[:cut]) + ": " + key
}
