package config

import (
	"fmt"
	"math"
	"strings"
)

// Rating is one supply that a motor's plate is marked for.
type Rating struct{ Volts, Hertz float64 }

const ratingExample = `write one supply a text, as its plate has it: rated = ["120 V 60 Hz", "240 V 60 Hz"]`

// ParseRating reads "230 V 50 Hz". The error is a *QuantityError.
func ParseRating(text string) (Rating, error) {
	bad := &QuantityError{fmt.Sprintf("%q is not a supply", text), ratingExample}
	volts, hertz, ok := strings.Cut(strings.TrimSpace(text), "V")
	if !ok {
		return Rating{}, bad
	}
	v, err := Parse(Voltage, volts+"V")
	if err != nil {
		return Rating{}, bad
	}
	f, err := Parse(Frequency, hertz)
	if err != nil || v < 90 || v > 500 || f < 45 || f > 65 {
		return Rating{}, bad
	}
	return Rating{v, f}, nil
}

// String writes the rating as a file has it.
func (r Rating) String() string {
	return Metric.Format(Voltage, r.Volts) + " " + Metric.Format(Frequency, r.Hertz)
}

// Fits reports whether a motor marked so may be connected to a supply: within
// 10 % of its voltage and, as the grid holds far better than that, 1 Hz of its
// frequency. IEC 60034-1 (zone B: 10 % of the voltage, 3 % above and 5 % below
// the frequency), from memory.
func (r Rating) Fits(volts, hertz float64) bool {
	return math.Abs(volts-r.Volts) <= 0.1*r.Volts && math.Abs(hertz-r.Hertz) <= 1
}

// Marked reports whether one of the ratings fits a supply; nothing is known where
// there is none.
func Marked(list []Rating, volts, hertz float64) (fits, known bool) {
	for _, r := range list {
		fits = fits || r.Fits(volts, hertz)
	}
	return fits, len(list) > 0
}

func (b *builder) ratings(t at, texts []string) []Rating {
	var out []Rating
	for i, text := range texts {
		r, err := ParseRating(text)
		if err != nil {
			b.add(t.item("rated", i), fmt.Sprintf("%s: %q is not a supply", b.tableName(t.path), text), ratingExample)
			continue
		}
		out = append(out, r)
	}
	return out
}

// doubtRatings warns of motors that are not marked for the supply here.
func (b *builder) doubtRatings() {
	doubt := func(t at, who string, rated []Rating, circuit int) {
		volts, hertz := b.s.Supply(circuit)
		if fits, known := Marked(rated, volts, hertz); known && !fits {
			b.doubt(t.key("rated"), fmt.Sprintf("%s is marked for %s, and the supply here is %s: do not connect it", who, ratings(rated), Rating{volts, hertz}), "ask an electrician")
		}
	}
	for i := range b.s.Machines {
		m := &b.s.Machines[i]
		doubt(b.raw.Machine[i].at, fmt.Sprintf("machine %q", m.Name), m.Rated, m.Circuit)
	}
	doubt(b.raw.Collector.at, "the collector", b.s.Collector.Rated, b.s.Collector.Circuit)
}

func ratings(list []Rating) string {
	words := make([]string, len(list))
	for i, r := range list {
		words[i] = r.String()
	}
	return strings.Join(words, " or ")
}

// marked says which supplies a motor is marked for, as the end of a sentence.
func marked(list []Rating) string {
	if len(list) == 0 {
		return ""
	}
	return "; marked for " + ratings(list)
}
