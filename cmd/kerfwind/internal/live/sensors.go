package live

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// Sensors is the view of the sensors, shown instead of the shop.
type Sensors struct {
	Hertz    float64  // of the mains
	Measured bool     // false: as given, or 0: not known yet
	Doubt    string   // that the mains is another than the shop file says
	Notes    []string // what else is to be said of them
	Channels []Sensor
}

// Sensor is one channel.
type Sensor struct {
	Label       string
	Use         string // what it senses; empty: nothing
	Amps        float64
	Idle        float64 // A, what it shows while idle, smoothed; NaN: not seen idle yet
	Code        float64 // resting point, counts; NaN: not known
	Start, Stop float64 // A; 0: none
	Verdict     sensor.Verdict
	Health      sensor.Health
}

// Words say in a line what a channel shows, for where nothing can be redrawn.
func (s *Sensor) Words() string {
	amps := func(a float64) string { return config.Metric.Format(config.Current, short(a)) }
	var b strings.Builder
	b.WriteString(s.Label)
	if s.Use != "" {
		b.WriteString(" (" + s.Use + ")")
	}
	b.WriteString(": ")
	if s.Health == sensor.Healthy {
		fmt.Fprintf(&b, "%s, %s", amps(s.Amps), s.Verdict)
	} else {
		fmt.Fprintf(&b, "unknown, %s", s.Health)
	}
	if !math.IsNaN(s.Idle) {
		fmt.Fprintf(&b, "; noise %s", amps(s.Idle))
	}
	if s.Start > 0 {
		fmt.Fprintf(&b, "; start %s, stop %s", amps(s.Start), amps(s.Stop))
	}
	if !math.IsNaN(s.Code) {
		fmt.Fprintf(&b, "; rests at code %.0f", s.Code)
	}
	if r := s.Health.Remedy(); r != "" {
		b.WriteString("; " + r)
	}
	return b.String()
}

// short rounds to three figures.
func short(a float64) float64 {
	if a == 0 || math.IsNaN(a) || math.IsInf(a, 0) {
		return a
	}
	scale := math.Pow(10, 2-math.Floor(math.Log10(math.Abs(a))))
	return math.Round(a*scale) / scale
}

// Frequency says the mains frequency in words.
func (s *Sensors) Frequency() string {
	runs := slices.ContainsFunc(s.Channels, func(c Sensor) bool { return c.Verdict == sensor.Running })
	switch {
	case s.Measured && s.Doubt != "":
		return fmt.Sprintf("mains %.2f Hz. %s", s.Hertz, s.Doubt)
	case s.Measured:
		return fmt.Sprintf("mains %.2f Hz", s.Hertz)
	case s.Hertz > 0 && runs:
		return fmt.Sprintf("mains %.4g Hz, not measured yet", s.Hertz)
	case s.Hertz > 0:
		return fmt.Sprintf("mains %.4g Hz, not measured: nothing runs", s.Hertz)
	case runs:
		return "mains frequency not measured yet"
	}
	return "mains frequency not known: nothing runs"
}

// SensorsOf describes the channels of a shop's rig to the view.
func SensorsOf(s *config.Shop, channels []config.ChannelUse) []Sensor {
	out := make([]Sensor, len(channels))
	for i := range channels {
		u, x := &channels[i], &out[i]
		x.Label = s.Rig.Channels[i].Name
		switch {
		case u.Machine != control.NoID:
			x.Use = s.Machines[u.Machine].Name
		case u.Collector != control.NoID:
			x.Use = "collector"
		case len(u.Circuits) > 0:
			x.Use = "circuit " + s.Circuits[u.Circuits[0]].Name
		}
		if x.Use == x.Label {
			x.Use = ""
		}
		if u.Machine != control.NoID || u.Collector != control.NoID {
			x.Start, x.Stop = u.Start, u.Stop
		}
	}
	return out
}

// ampere writes a current in 7 columns.
func ampere(a float64) string {
	switch {
	case math.IsNaN(a):
		return "      -"
	case math.Abs(a) < 0.0995:
		return fmt.Sprintf("%4.0f mA", 1e3*a)
	case math.Abs(a) < 10:
		return fmt.Sprintf("%5.2f A", a)
	}
	return fmt.Sprintf("%5.1f A", a)
}

// renderSensors lays the view of the sensors out: at most height lines of at
// most width columns.
func renderSensors(o *Options, q *Sensors, s *state, w, h int, k look) []string {
	w, h = max(w, 1), max(h, 1)
	rows := []row{titleRow(o, s, w, k)}
	if q.Doubt == "" {
		rows = append(rows, row{{quiet, q.Frequency()}})
	} else {
		rows = append(rows, wrapped(q.Frequency(), w)...)
	}
	t := newSensorTable(q, w, k)
	if h > len(q.Channels)+4 {
		rows = append(rows, t.head())
	}
	var ill []row
	for i := range q.Channels {
		c := &q.Channels[i]
		rows = append(rows, t.row(c, s.scale))
		if c.Health != sensor.Healthy && c.Health != sensor.Starting {
			ill = append(ill, wrapped(fmt.Sprintf("%s, %s: %s", c.Label, c.Health, c.Health.Remedy()), w)...)
		}
	}
	for _, note := range q.Notes {
		ill = append(ill, wrapped(note, w)...)
	}
	if len(ill) > 0 && len(rows)+len(ill) < h {
		rows = append(rows, row{})
	}
	rows = append(rows, ill...)
	if len(rows) > h {
		rows = rows[:h]
	}
	out := make([]string, len(rows))
	for i, r := range rows {
		out[i] = r.write(w, k)
	}
	return out
}

// sensorTable is the columns that fit the terminal.
type sensorTable struct {
	w, nameW, useW           int
	use, noise, levels, code bool
	k                        look
}

func newSensorTable(q *Sensors, w int, k look) sensorTable {
	t := sensorTable{w: w, nameW: 4, k: k}
	for i := range q.Channels {
		t.nameW = max(t.nameW, width(clean(q.Channels[i].Label, k.utf8)))
		t.useW = max(t.useW, width(clean(q.Channels[i].Use, k.utf8)))
	}
	t.nameW = min(t.nameW, max(4, w/5))
	t.useW = min(t.useW, max(0, w/4))
	// What is left out first where it is narrow: code, levels, noise, use.
	wide := func(columns int) bool { return w >= columns+t.nameW }
	t.use, t.noise, t.levels, t.code = wide(34) && t.useW > 0, wide(20), wide(44+t.useW), wide(60+t.useW)
	return t
}

// head names the columns.
func (t *sensorTable) head() row {
	r := row{{quiet, pad("", t.nameW, t.k.utf8) + " "}}
	if t.use {
		r.put(quiet, pad("senses", t.useW, t.k.utf8)+" ")
	}
	r.put(quiet, "      now")
	if t.noise {
		r.put(quiet, "    noise")
	}
	if t.levels {
		r.put(quiet, "    start     stop")
	}
	if t.code {
		r.put(quiet, "   code")
	}
	return r
}

// row shows a channel; a bar of its current goes as far as scale.
func (t *sensorTable) row(c *Sensor, scale float64) row {
	var r row
	st, symbol, nameStyle := quiet, "-", common
	if t.k.utf8 {
		symbol = "○"
	}
	switch c.Verdict {
	case sensor.Running:
		st, symbol, nameStyle = active, "*", strong
		if t.k.utf8 {
			symbol = "●"
		}
	case sensor.Idle:
	default:
		st, symbol = alarm, "?"
	}
	r.put(nameStyle, pad(clean(c.Label, t.k.utf8), t.nameW, t.k.utf8)+" ")
	if t.use {
		r.put(common, pad(clean(c.Use, t.k.utf8), t.useW, t.k.utf8)+" ")
	}
	r.put(st, symbol)
	now := "      ?"
	if c.Verdict != sensor.Unknown {
		now = ampere(c.Amps)
	}
	r.put(common, " "+now)
	if t.noise {
		r.put(common, "  "+ampere(c.Idle))
	}
	if t.levels {
		start, stop := math.NaN(), math.NaN()
		if c.Start > 0 {
			start, stop = c.Start, c.Stop
		}
		r.put(common, "  "+ampere(start)+"  "+ampere(stop))
	}
	if t.code {
		code := "     -"
		if !math.IsNaN(c.Code) {
			code = fmt.Sprintf("%6.0f", c.Code)
		}
		r.put(common, " "+code)
	}
	if barW := t.w - r.columns(t.k) - 2; barW >= 10 && c.Health == sensor.Healthy {
		r.put(common, "  ")
		r = append(r, bar(&current{amps: float32(c.Amps), verdict: c.Verdict}, float32(c.Start), scale, barW, t.k)...)
	} else if c.Health != sensor.Healthy && barW >= 8 {
		r.put(common, "  ")
		r.put(alarm, c.Health.String())
	}
	return r
}

// wrapped lays a text out in lines of so many columns, the later ones indented.
func wrapped(text string, w int) []row {
	var out []row
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && width(line)+1+width(word) > w {
			out = append(out, row{{common, line}})
			line = " "
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	return append(out, row{{common, line}})
}

// Gauges gathers what the view of the sensors shows.
type Gauges struct {
	Sensors
	columns [][]int // of each source: the channel of each column
	counts  bool    // samples are counts
	below   []sensor.Below
}

// smooth is the weight of a new value: about a second of frames of 10 ms, or
// of readings.
const smooth = 0.01

// NewGauges begins with channels of which nothing is known. columns says for
// each source which channels its scans hold; counts, whether the samples are
// counts.
func NewGauges(channels []Sensor, columns [][]int, counts bool) *Gauges {
	g := &Gauges{columns: columns, counts: counts, below: make([]sensor.Below, len(channels))}
	for _, c := range channels {
		c.Verdict, c.Health = sensor.Unknown, sensor.Starting
		c.Idle, c.Code = math.NaN(), math.NaN()
		g.Channels = append(g.Channels, c)
	}
	return g
}

// Look takes from the detectors what they say of the mains and of crosstalk, and
// notes which currents stayed below their start level.
func (g *Gauges) Look(detectors []*sensor.Detector) {
	g.Notes, g.Doubt, g.Measured = g.Notes[:0], "", false
	for _, d := range detectors {
		if hz, measured := d.Mains(); !g.Measured {
			g.Hertz, g.Measured = hz, measured
			g.Doubt = d.MainsDoubt()
		}
		for _, x := range d.Shares(nil) {
			if x.Size() >= sensor.HeardMuch && x.Channel < len(g.Channels) && x.Of < len(g.Channels) {
				g.Notes = append(g.Notes, x.Words(g.Channels[x.Channel].Label, g.Channels[x.Of].Label))
			}
		}
	}
	for i := range g.Channels {
		if c := &g.Channels[i]; c.Start > 0 {
			if words := config.BelowWords(c.Label, &g.below[i], c.Start); words != "" {
				g.Notes = append(g.Notes, words)
			}
		}
	}
}

// Frame takes the resting points from a frame.
func (g *Gauges) Frame(f *sensor.Frame) {
	n := f.Scans()
	if !g.counts || n == 0 || f.Source >= len(g.columns) || f.Channels != len(g.columns[f.Source]) {
		return
	}
	for col, ch := range g.columns[f.Source] {
		sum, good := 0.0, 0
		for i := range n {
			if v := float64(f.Raw[i*f.Channels+col]); v-v == 0 {
				sum += v
				good++
			}
		}
		if good == 0 {
			continue
		}
		c := &g.Channels[ch]
		// Frames are not whole cycles, so the weight is by their length.
		weight := min(1, 100*smooth*float64(good)/max(f.Rate, 1))
		if mean := sum / float64(good); math.IsNaN(c.Code) {
			c.Code = mean
		} else {
			c.Code += weight * (mean - c.Code)
		}
	}
}

// Reading takes a reading.
func (g *Gauges) Reading(r sensor.Reading) {
	if r.Channel < 0 || r.Channel >= len(g.Channels) {
		return
	}
	c := &g.Channels[r.Channel]
	c.Amps, c.Verdict, c.Health = float64(r.Amps), r.Verdict, r.Health
	g.below[r.Channel].Take(r)
	if r.Verdict != sensor.Idle || c.Stop > 0 && c.Amps >= c.Stop { // a start is not seen at once
		return
	}
	if math.IsNaN(c.Idle) {
		c.Idle = c.Amps
	} else {
		c.Idle += smooth * (c.Amps - c.Idle)
	}
}
