package config

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// Units is the system of units that people see. The zero value is metric.
type Units uint8

// The systems of units.
const (
	Metric Units = iota
	Imperial
)

// String names the system as a shop file writes it.
func (u Units) String() string {
	if u == Imperial {
		return "imperial"
	}
	return "metric"
}

// Format writes an SI value of kind q for people, to three or four figures.
// Parse reads it back.
func (u Units) Format(q Quantity, v float64) string {
	if q == Time {
		return FormatDuration(time.Duration(math.Round(v * 1e9)))
	}
	name := u.unit(q, v)
	for _, c := range kinds[q].units {
		if c.name == name {
			return number((v-c.offset)/c.factor) + " " + name
		}
	}
	return number(v)
}

// Short writes a quantity in SI units as Format does, to three figures: what is
// computed of air is not better than that.
func (u Units) Short(q Quantity, v float64) string {
	whole := u.Format(q, v)
	_, unit, _ := strings.Cut(whole, " ")
	one, err := Parse(q, "1 "+unit)
	if err != nil || v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return whole
	}
	x := v / one
	size := math.Floor(math.Log10(math.Abs(x)))
	step := math.Pow(10, 2-size)
	text := strconv.FormatFloat(math.Round(x*step)/step, 'f', max(0, 2-int(size)), 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text + " " + unit
}

// unit picks the unit in which v reads best.
func (u Units) unit(q Quantity, v float64) string {
	imperial := u == Imperial
	pick := func(metric, other string) string {
		if imperial {
			return other
		}
		return metric
	}
	switch q {
	case Length:
		if imperial && math.Abs(v) < 2*foot {
			return "in"
		}
		if math.Abs(v) < 1 {
			return pick("mm", "ft")
		}
		return pick("m", "ft")
	case Flow:
		return pick("m3/h", "cfm")
	case Pressure:
		return pick("Pa", "inH2O")
	case Velocity:
		return pick("m/s", "ft/min")
	case Power:
		return pick("kW", "hp")
	case Temperature:
		return pick("°C", "°F")
	case Density:
		return pick("kg/m3", "lb/ft3")
	case Current:
		if math.Abs(v) < 0.1 {
			return "mA"
		}
		return "A"
	case Rate:
		if math.Abs(v) >= 1000 {
			return "kHz"
		}
		return "Hz"
	default:
		return kinds[q].units[0].name
	}
}

// number writes x to four significant figures without an exponent.
func number(x float64) string {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return strconv.FormatFloat(x+0, 'g', 4, 64)
	}
	places := 3 - int(math.Floor(math.Log10(math.Abs(x))))
	if places < 0 {
		places = 0
	}
	s := strconv.FormatFloat(x, 'f', places, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// FormatDuration writes a time for people: "900 ms", "8 s", "1 h 30 min".
func FormatDuration(d time.Duration) string {
	sign := ""
	if d < 0 {
		sign, d = "-", -d
	}
	if d < time.Second {
		if d%time.Millisecond != 0 && d < time.Millisecond {
			return sign + number(float64(d)/1e3) + " us"
		}
		if d != 0 {
			return sign + number(float64(d)/1e6) + " ms"
		}
		return "0 s"
	}
	var parts []string
	if h := d / time.Hour; h > 0 {
		parts = append(parts, strconv.FormatInt(int64(h), 10)+" h")
	}
	if m := d % time.Hour / time.Minute; m > 0 {
		parts = append(parts, strconv.FormatInt(int64(m), 10)+" min")
	}
	if s := d % time.Minute; s > 0 {
		parts = append(parts, number(s.Seconds())+" s")
	}
	return sign + strings.Join(parts, " ")
}
