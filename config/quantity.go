package config

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Quantity is a kind of physical quantity. In files a quantity is a number
// with a unit; inside it is a float64 in the SI unit named here.
type Quantity uint8

// The quantities of the files, with the unit they have inside.
const (
	Length      Quantity = iota + 1 // m
	Flow                            // m³/s
	Pressure                        // Pa
	Velocity                        // m/s
	Current                         // A
	Voltage                         // V
	Power                           // W
	Resistance                      // ohm
	Frequency                       // Hz
	Rate                            // 1/s
	Time                            // s
	Temperature                     // K
	Angle                           // rad
	Density                         // kg/m³
	Share                           // 1 (written in per cent)
)

// unit is one accepted spelling of a unit: SI = value*factor + offset.
type unit struct {
	name           string
	factor, offset float64
}

// kind describes one quantity: its article and name, an example in either
// system, and its units, the best suggestion first. Conversion factors are
// exact by definition (inch, pound, mechanical horsepower from them), except
// the inch of water: 248.84 Pa, the value at 60 °F used with the
// 4005 ft/min form of velocity pressure.
type kind struct {
	name    string
	example string
	sums    bool // "1 h 30 min", "12 ft 6 in"
	units   []unit
}

const (
	foot  = 0.3048
	inch  = 0.0254
	cfm   = foot * foot * foot / 60
	inH2O = 248.84
	hp    = 550 * foot * 0.45359237 * 9.80665
)

var kinds = map[Quantity]kind{
	Length: {"a length", `"3.6 m" or "12 ft"`, true, []unit{
		{"m", 1, 0}, {"mm", 1e-3, 0}, {"in", inch, 0}, {"ft", foot, 0}, {"cm", 1e-2, 0},
		{"inch", inch, 0}, {"inches", inch, 0}, {"foot", foot, 0}, {"feet", foot, 0},
	}},
	Flow: {"a flow", `"900 m3/h" or "550 cfm"`, false, []unit{
		{"m3/h", 1.0 / 3600, 0}, {"cfm", cfm, 0}, {"L/s", 1e-3, 0}, {"m3/s", 1, 0}, {"m3/min", 1.0 / 60, 0},
		{"m³/h", 1.0 / 3600, 0}, {"m³/s", 1, 0}, {"m³/min", 1.0 / 60, 0}, {"l/s", 1e-3, 0}, {"ft3/min", cfm, 0}, {"ft³/min", cfm, 0},
	}},
	Pressure: {"a pressure", `"1500 Pa" or "6 inH2O"`, false, []unit{
		{"Pa", 1, 0}, {"inH2O", inH2O, 0}, {"kPa", 1e3, 0}, {"mbar", 100, 0}, {"hPa", 100, 0},
		{"in.wg", inH2O, 0}, {"in wg", inH2O, 0}, {"in w.g.", inH2O, 0}, {"in wc", inH2O, 0},
	}},
	Velocity: {"a velocity", `"20 m/s" or "4000 ft/min"`, false, []unit{
		{"m/s", 1, 0}, {"ft/min", foot / 60, 0}, {"fpm", foot / 60, 0},
	}},
	Current:    {"a current", `"8 A" or "600 mA"`, false, []unit{{"A", 1, 0}, {"mA", 1e-3, 0}}},
	Voltage:    {"a voltage", `"240 V"`, false, []unit{{"V", 1, 0}, {"mV", 1e-3, 0}}},
	Power:      {"a power", `"1.5 kW" or "2 hp"`, false, []unit{{"kW", 1e3, 0}, {"hp", hp, 0}, {"W", 1, 0}}},
	Resistance: {"a resistance", `"22 ohm"`, false, []unit{{"ohm", 1, 0}, {"Ω", 1, 0}, {"kohm", 1e3, 0}, {"kΩ", 1e3, 0}}},
	Frequency:  {"a frequency", `"50 Hz"`, false, []unit{{"Hz", 1, 0}, {"kHz", 1e3, 0}}},
	Rate: {"a sampling rate", `"1 kHz"`, false, []unit{
		{"kHz", 1e3, 0}, {"Hz", 1, 0}, {"kS/s", 1e3, 0}, {"S/s", 1, 0},
	}},
	Time: {"a time", `"400 ms", "8 s" or "20 min"`, true, []unit{
		{"s", 1, 0}, {"ms", 1e-3, 0}, {"min", 60, 0}, {"h", 3600, 0}, {"us", 1e-6, 0}, {"µs", 1e-6, 0},
	}},
	Temperature: {"a temperature", `"20 °C" or "70 °F"`, false, []unit{
		{"°C", 1, 273.15}, {"°F", 5.0 / 9, 273.15 - 32*5.0/9}, {"C", 1, 273.15}, {"F", 5.0 / 9, 273.15 - 32*5.0/9}, {"K", 1, 0},
	}},
	Angle:   {"an angle", `"45 deg"`, false, []unit{{"deg", math.Pi / 180, 0}, {"°", math.Pi / 180, 0}, {"rad", 1, 0}}},
	Density: {"a density", `"1.2 kg/m3" or "0.075 lb/ft3"`, false, []unit{{"kg/m3", 1, 0}, {"lb/ft3", 0.45359237 / (foot * foot * foot), 0}, {"kg/m³", 1, 0}, {"lb/ft³", 0.45359237 / (foot * foot * foot), 0}}},
	Share:   {"a share", `"1.5 %"`, false, []unit{{"%", 1e-2, 0}}},
}

// A QuantityError says what is wrong with a written quantity, and what to
// write instead.
type QuantityError struct {
	Message string // what was written and why it does not do
	Remedy  string // what to write, with an example
}

func (e *QuantityError) Error() string { return e.Message + ": " + e.Remedy }

// Parse reads a quantity of kind q, such as "4 in" for a Length, and returns
// it in SI units. The error is a *QuantityError.
func Parse(q Quantity, text string) (float64, error) {
	v, err := parse(q, text, anything)
	if err != nil {
		return 0, err
	}
	return v, nil
}

// hints holds what is known of the key that a quantity is for. It only serves the
// remedy of an error.
type hints struct {
	low, high float64 // the range that is sensible
	example   string  // instead of the quantity's own
	units     Units   // of the file
}

var anything = hints{low: math.Inf(-1), high: math.Inf(1)}

func parse(q Quantity, text string, h hints) (float64, *QuantityError) {
	k := kinds[q]
	example := cmp.Or(h.example, k.example)
	remedy := "write " + example
	rest := strings.TrimSpace(text)
	if rest == "" {
		return 0, &QuantityError{"nothing is written where " + k.name + " should be", remedy}
	}
	sum, sign, last := 0.0, 1.0, math.Inf(1)
	for first := true; rest != ""; first = false {
		number, after := cutNumber(rest)
		x, err := strconv.ParseFloat(number, 64)
		switch {
		case number == "" || err != nil:
			return 0, &QuantityError{fmt.Sprintf("%q is not %s", text, k.name), remedy}
		case strings.HasPrefix(after, ","):
			return 0, &QuantityError{fmt.Sprintf("%q is not %s", text, k.name), "write decimals with a point: " + example}
		case first && strings.HasPrefix(number, "-"):
			sign, x = -1, -x // every part of "-1 h 30 min" is negative
		case !first && strings.ContainsAny(number, "+-"):
			return 0, &QuantityError{fmt.Sprintf("%q is not %s", text, k.name), remedy}
		}
		name, next := cutUnit(strings.TrimSpace(after))
		if name == "" {
			return 0, &QuantityError{fmt.Sprintf("%q has no unit", text), remedy + guess(k, number, "", h)}
		}
		i := slices.IndexFunc(k.units, func(u unit) bool { return u.name == name })
		if i < 0 {
			return 0, &QuantityError{wrongUnit(q, text, name), remedy + guess(k, number, name, h)}
		}
		u := k.units[i]
		if !first && (!k.sums || u.factor >= last) {
			return 0, &QuantityError{fmt.Sprintf("%q is not %s", text, k.name), remedy}
		}
		last = u.factor
		sum += float64(sign*x*u.factor) + u.offset
		rest = next
	}
	if math.IsInf(sum, 0) || math.IsNaN(sum) {
		return 0, &QuantityError{fmt.Sprintf("%q is too large", text), remedy}
	}
	return sum, nil
}

// cutNumber splits a plain decimal number off the front of s.
func cutNumber(s string) (number, rest string) {
	i := 0
	if i < len(s) && (s[i] == '-' || s[i] == '+') {
		i++
	}
	digits := func() {
		for i < len(s) && s[i] >= '0' && s[i] <= '9' {
			i++
		}
	}
	start := i
	digits()
	if i < len(s) && s[i] == '.' {
		i++
		digits()
	}
	if i == start {
		return "", s
	}
	// An exponent needs a digit: "8 e" is a number and a word.
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		mark := i
		i++
		if i < len(s) && (s[i] == '-' || s[i] == '+') {
			i++
		}
		from := i
		digits()
		if i == from {
			i = mark
		}
	}
	return s[:i], s[i:]
}

// cutUnit splits a unit off the front of s: everything up to a blank that a
// number follows.
func cutUnit(s string) (name, rest string) {
	for i := 0; i < len(s); i++ {
		if s[i] != ' ' {
			continue
		}
		after := strings.TrimLeft(s[i:], " ")
		if after != "" && strings.IndexByte("0123456789.-+", after[0]) >= 0 {
			return strings.TrimSpace(s[:i]), after
		}
	}
	return strings.TrimSpace(s), ""
}

// wrongUnit says what the unit is, if it belongs to another quantity.
func wrongUnit(q Quantity, text, name string) string {
	for other := Length; other <= Share; other++ {
		if other == q {
			continue
		}
		for _, u := range kinds[other].units {
			if u.name == name {
				return fmt.Sprintf("%q is %s, not %s", text, kinds[other].name, kinds[q].name)
			}
		}
	}
	return fmt.Sprintf("%q: %q is not a unit of %s", text, name, strings.TrimPrefix(strings.TrimPrefix(kinds[q].name, "a "), "an "))
}

// guess offers what may have been meant: a unit of the same letters, or of all
// but one of them, else the first unit that makes the number sensible for the
// key; for a bare number in an imperial file, one of that system if there is one.
func guess(k kind, number, name string, h hints) string {
	x, err := strconv.ParseFloat(number, 64)
	if err != nil {
		return ""
	}
	for _, u := range k.units {
		if name != "" && name != u.name && strings.EqualFold(u.name, name) {
			return fmt.Sprintf("; did you mean \"%s %s\"?", number, u.name)
		}
	}
	for _, u := range k.units {
		if len(name) > 2 && name != u.name && distance(name, u.name) == 1 {
			return fmt.Sprintf("; did you mean \"%s %s\"?", number, u.name)
		}
	}
	if math.IsInf(h.low, 0) && math.IsInf(h.high, 0) {
		return ""
	}
	units := k.units
	if name == "" {
		units = h.units.order(units)
	}
	for _, u := range units {
		if v := float64(x*u.factor) + u.offset; u.name != name && v >= h.low && v <= h.high {
			return fmt.Sprintf("; did you mean \"%s %s\"?", number, u.name)
		}
	}
	return ""
}

// order puts the imperial units first for an imperial file.
func (u Units) order(units []unit) []unit {
	if u != Imperial {
		return units
	}
	first := []string{"ft", "in", "cfm", "inH2O", "ft/min", "hp", "°F", "lb/ft3"}
	place := func(x unit) int {
		if i := slices.Index(first, x.name); i >= 0 {
			return i
		}
		return len(first)
	}
	units = slices.Clone(units)
	slices.SortStableFunc(units, func(a, b unit) int { return place(a) - place(b) })
	return units
}

// ParseDuration reads a time such as "400 ms", "8 s" or "1 h 30 min", rounded
// to the nanosecond. The error is a *QuantityError.
func ParseDuration(text string) (time.Duration, error) {
	s, qe := parse(Time, text, anything)
	if qe == nil {
		var d time.Duration
		if d, qe = seconds(text, s); qe == nil {
			return d, nil
		}
	}
	return 0, qe
}

func seconds(text string, s float64) (time.Duration, *QuantityError) {
	if math.Abs(s) > 1e9 {
		return 0, &QuantityError{fmt.Sprintf("%q is too long", text), "write a time below 30 years"}
	}
	return time.Duration(math.Round(s * 1e9)), nil
}

// Ratio says what a current transformer makes of its primary current.
type Ratio struct {
	Primary   float64 // A
	Secondary float64 // V, or A for a current output, which needs a burden
	IsCurrent bool    // the secondary is a current
}

const ratioExample = `write the current and what comes out at that current: "30 A : 1 V", or "100 A : 50 mA" with a burden`

// ParseRatio reads "30 A : 1 V" or "100 A : 50 mA". The error is a *QuantityError.
func ParseRatio(text string) (Ratio, error) {
	left, right, ok := strings.Cut(text, ":")
	if !ok {
		return Ratio{}, &QuantityError{fmt.Sprintf("%q is not a transformer's ratio", text), ratioExample}
	}
	var r Ratio
	var err error
	if r.Primary, err = Parse(Current, left); err != nil {
		return Ratio{}, &QuantityError{fmt.Sprintf("%q: the left side is not a current", text), ratioExample}
	}
	if r.Secondary, err = Parse(Voltage, right); err != nil {
		r.IsCurrent = true
		if r.Secondary, err = Parse(Current, right); err != nil {
			return Ratio{}, &QuantityError{fmt.Sprintf("%q: the right side is neither a voltage nor a current", text), ratioExample}
		}
	}
	if r.Primary <= 0 || r.Secondary <= 0 {
		return Ratio{}, &QuantityError{fmt.Sprintf("%q: both sides must be above zero", text), ratioExample}
	}
	return r, nil
}

// String writes the ratio as a file has it.
func (r Ratio) String() string {
	if r.IsCurrent {
		return number(r.Primary) + " A : " + number(r.Secondary*1e3) + " mA"
	}
	return number(r.Primary) + " A : " + number(r.Secondary) + " V"
}
