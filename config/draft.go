package config

import (
	"cmp"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// A Draft is a shop file as a value: its keys, before they are checked
// against a rig. Quantities are in SI units, a nil pointer is a key that is not
// written. A zero Draft lacks its defaults: begin with NewDraft.
type Draft = rawShop

// The tables of a Draft. Begin each with NewDraftOf, so that its defaults hold.
type (
	DraftCircuit   = rawCircuit
	DraftMachine   = rawMachine
	DraftGate      = rawGate
	DraftDuct      = rawDuct
	DraftElbow     = rawElbow
	DraftCollector = rawCollector
	DraftOutlet    = rawOutlet
	DraftIndicator = rawIndicator
)

// A DraftRig is a rig file as a value, as a Draft is a shop file. Its tables are to be
// begun with NewDraftOf too.
type (
	DraftRig      = rawRig
	DraftADC      = rawADC
	DraftChannel  = rawChannel
	DraftContact  = rawContact
	DraftActuator = rawActuator
	DraftPage     = rawPage
)

// NewDraft is a draft with nothing in it but the defaults.
func NewDraft() *Draft {
	d := blank[Draft]()
	d.Format = 1
	d.Units = Metric.String()
	return &d
}

// NewDraftOf is a table of a draft, such as a DraftMachine, with its defaults.
func NewDraftOf[T DraftCircuit | DraftMachine | DraftGate | DraftDuct | DraftElbow | DraftCollector | DraftOutlet | DraftRig | DraftADC | DraftChannel | DraftContact | DraftActuator | DraftPage]() T {
	return blank[T]()
}

// ParseDraft reads a shop file without a rig: syntax, keys, units and ranges
// are checked, names are not. The error is Errors.
func ParseDraft(name string, data []byte) (*Draft, error) {
	var d Draft
	f := decode(name, data, &d)
	if err := f.err(); err != nil {
		return nil, err
	}
	return &d, nil
}

// System is the draft's system of units.
func (raw *rawShop) System() Units {
	if raw.Units == Imperial.String() {
		return Imperial
	}
	return Metric
}

// headings stand above the tables of a written file.
var headings = map[string]string{
	"mains":     "The supply.",
	"air":       "The air of the place, and what is asked of it.",
	"hours":     "When somebody works here.",
	"circuit":   "What hangs on one breaker.",
	"machine":   "Machines: which sensors tell that they run, and where their dust goes.",
	"gate":      "Gates: what moves each, and which duct it sits in.",
	"duct":      "Ducts, each from its hood or the ducts that join it to the next.",
	"collector": "The collector.",
	"outlet":    "Outlets follow machines.",
	"indicator": "Lamps and horns that show a state. Nothing is protected by them.",
	"limits":    "The owner's choices.",
	"notice":    "Who gets notices.",

	"adc":        "Converters: a scan reads every channel below, in their order.",
	"channel":    "Current transformers, each round ONE conductor.",
	"contact":    "Dry contacts: end switches, buttons, stops.",
	"actuator":   "Outputs: what moves gates, switches the contactor and outlets.",
	"servo_chip": "Servo chips with an enable line.",
	"heartbeat":  "A line that toggles while the program lives.",
	"mqtt":       "A broker for topics.",
	"broker":     "A broker of its own.",
	"metrics":    "Figures for a metrics server.",
	"page":       "The page for the phone.",
	"node":       "Other computers of the shop.",
}

// Encode writes the draft as a shop file, in the draft's own units. The lines
// of comment come first. ParseDraft reads back the same values; a key with
// its default is left out.
func (raw *rawShop) Encode(comment ...string) []byte {
	return encode(reflect.ValueOf(raw).Elem(), raw.System(), nil, comment)
}

// EncodeExplained does so, and explains each key where it first appears.
func (raw *rawShop) EncodeExplained(comment ...string) []byte {
	return encode(reflect.ValueOf(raw).Elem(), raw.System(), shopKeys(), comment)
}

// EncodeExplained writes the draft as a rig file, and explains each key where it
// first appears. ParseRig reads back the same values.
func (raw *rawRig) EncodeExplained(comment ...string) []byte {
	return encode(reflect.ValueOf(raw).Elem(), Metric, rigKeys(), comment)
}

// encode writes a raw file. keys, if not nil, explains each key where it first appears.
func encode(v reflect.Value, units Units, keys map[string]string, comment []string) []byte {
	e := encoder{units: units, keys: keys}
	for _, c := range comment {
		for line := range strings.Lines(c) {
			e.text(strings.TrimRight("# "+strings.TrimRight(line, "\n"), " ") + "\n")
		}
	}
	e.plain("", v)
	for _, f := range reflect.VisibleFields(v.Type()) {
		key, into := f.Tag.Get("toml"), v.FieldByIndex(f.Index)
		inner := into.Type()
		for inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice {
			inner = inner.Elem()
		}
		if key == "" || inner.Kind() != reflect.Struct {
			continue
		}
		head := "\n# " + headings[key] + "\n"
		said := f.Tag.Get("need") != ""
		switch into.Kind() {
		case reflect.Slice:
			for i := range into.Len() {
				if i == 0 {
					e.text(head)
				} else {
					e.text("\n")
				}
				e.text("[[" + key + "]]\n")
				e.plain(key+".", into.Index(i))
			}
			continue
		case reflect.Pointer:
			if into.IsNil() {
				continue
			}
			into, said = into.Elem(), true
		default:
		}
		if said || e.written(into) {
			e.text(head + "[" + key + "]\n")
			e.plain(key+".", into)
		}
	}
	return []byte(e.b.String())
}

// encoder collects the text of a file.
type encoder struct {
	b     strings.Builder
	units Units
	keys  map[string]string // explained where they stand first; nil: none is
}

func (e *encoder) text(s string) { e.b.WriteString(s) }

// commentWidth is how long a line of comment gets.
const commentWidth = 100

// comment writes a text as lines of comment.
func comment(text string) string {
	var b strings.Builder
	width := 0
	for i, word := range strings.Fields(text) {
		switch n := utf8.RuneCountInString(word); {
		case i == 0 || width+1+n > commentWidth:
			if i > 0 {
				b.WriteString("\n")
			}
			b.WriteString("# " + word)
			width = 2 + n
		default:
			b.WriteString(" " + word)
			width += 1 + n
		}
	}
	return b.String() + "\n"
}

// written reports whether a table says anything beyond its defaults.
func (e *encoder) written(v reflect.Value) bool {
	for _, f := range reflect.VisibleFields(v.Type()) {
		if _, ok := e.value(v.FieldByIndex(f.Index), f.Tag); ok && f.Tag.Get("toml") != "" {
			return true
		}
	}
	return false
}

// plain writes the keys of a table, one a line. At the top of the file those
// that are tables themselves follow as such.
func (e *encoder) plain(prefix string, v reflect.Value) {
	top := prefix == ""
	for _, f := range reflect.VisibleFields(v.Type()) {
		key := f.Tag.Get("toml")
		inner := f.Type
		for inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice {
			inner = inner.Elem()
		}
		if key == "" || top && inner.Kind() == reflect.Struct {
			continue
		}
		if text, ok := e.value(v.FieldByIndex(f.Index), f.Tag); ok {
			if why := e.keys[prefix+key]; why != "" {
				e.text(comment(why))
				delete(e.keys, prefix+key)
			}
			e.text(key + " = " + text + "\n")
		}
	}
}

// value is how the value of a key is written, unless it is missing or has the
// default of its key.
func (e *encoder) value(v reflect.Value, tag reflect.StructTag) (string, bool) {
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			return "", false
		}
		return e.render(v.Elem(), tag), true
	case reflect.Slice:
		return e.render(v, tag), !v.IsNil()
	default:
		return e.render(v, tag), !isDefault(v, tag)
	}
}

func isDefault(v reflect.Value, tag reflect.StructTag) bool {
	def := tag.Get("def")
	if def == "" {
		return false
	}
	f := &file{names: map[string]string{}}
	was := reflect.New(v.Type()).Elem()
	f.value(tag.Get("toml"), defaultValue(v.Type(), def), was, tag)
	return was.Equal(v)
}

// render is how a value is written.
func (e *encoder) render(v reflect.Value, tag reflect.StructTag) string {
	if v.Kind() == reflect.Uint8 && v.Uint() > 0 {
		if w, ok := v.Interface().(worded); ok {
			return quote(w.words()[v.Uint()-1])
		}
	}
	switch {
	case v.Type() == reflect.TypeFor[Ratio]():
		return quote(fmt.Sprint(v.Interface()))
	case v.Type() == durationType:
		return quote(writeDuration(time.Duration(v.Int())))
	case v.Kind() == reflect.Float64 && tag.Get("q") != "":
		return quote(e.units.write(quantityName(tag), v.Float()))
	case v.Kind() == reflect.Float64:
		return strconv.FormatFloat(v.Float(), 'f', -1, 64)
	case v.Kind() == reflect.String:
		return quote(v.String())
	case v.Kind() == reflect.Bool:
		return strconv.FormatBool(v.Bool())
	case v.Kind() == reflect.Int:
		return strconv.FormatInt(v.Int(), 10)
	case v.Kind() == reflect.Slice:
		items := make([]string, v.Len())
		for i := range items {
			items[i] = e.render(v.Index(i), "")
		}
		return "[" + strings.Join(items, ", ") + "]"
	}
	var parts []string
	for _, f := range reflect.VisibleFields(v.Type()) {
		if key := f.Tag.Get("toml"); key != "" {
			if text, ok := e.value(v.FieldByIndex(f.Index), f.Tag); ok {
				parts = append(parts, key+" = "+text)
			}
		}
	}
	if len(parts) == 0 {
		return "{}"
	}
	return "{ " + strings.Join(parts, ", ") + " }"
}

// quote writes a text as a TOML basic string. The decoder takes no control
// characters.
func quote(s string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(s) + `"`
}

// writeDuration writes a time so that ParseDuration reads the same back.
func writeDuration(d time.Duration) string {
	if text := FormatDuration(d); d != 0 {
		if back, err := ParseDuration(text); err == nil && back == d {
			return text
		}
	}
	// Whole nanoseconds have at most nine decimals.
	return strconv.FormatFloat(d.Seconds(), 'f', -1, 64) + " s"
}

// write writes a quantity so that Parse reads the same back, to 12 figures at
// least: in the unit that needs the fewest figures, which is most often the one
// in which a person wrote it; among equals in the one that Format would take.
func (u Units) write(q Quantity, v float64) string {
	units := slices.Clone(kinds[q].units)
	best := u.unit(q, v)
	slices.SortStableFunc(units, func(a, b unit) int { return cmp.Compare(btoi(b.name == best), btoi(a.name == best)) })
	for figures := 1; figures <= 6; figures++ {
		for _, c := range units {
			text := plainNumber((v-c.offset)/c.factor, figures) + " " + c.name
			if back, err := Parse(q, text); err == nil && back == v {
				return text
			}
		}
	}
	shortest := ""
	for _, c := range units {
		for figures := 1; figures <= 17; figures++ {
			text := plainNumber((v-c.offset)/c.factor, figures) + " " + c.name
			if back, err := Parse(q, text); err == nil && math.Abs(back-v) <= 1e-12*math.Abs(v) {
				if shortest == "" || len(text) < len(shortest) {
					shortest = text
				}
				break
			}
		}
	}
	return shortest
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// plainNumber writes x with so many significant figures and no exponent.
func plainNumber(x float64, figures int) string {
	r, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', figures, 64), 64)
	if err != nil {
		r = x
	}
	return strconv.FormatFloat(r, 'f', -1, 64)
}
