package ductview

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"kerfwind/config"
	"kerfwind/control/duct"
)

// MeasureHelp explains what ParseMeasure accepts.
const MeasureHelp = `A measure says which gates were open, where it was taken and what was read:
  open=B1; at=T3; pressure=-8.1 inH2O      a tap in the wall at the downstream end,
                                           ahead of the wye
  open=B1,B2; at=B1; velocity=5000 ft/min  the mean over the section
  open=none; filter=1.5 inH2O              the pressure across the filter
  open=B1; at=T3; pressure=-8 inH2O; within=3 %
                                           how good the reading is; else 2 % of a
                                           pressure, 5 % of a velocity
Readings of the shop file (air.measured) count too, and need not be given again. Where
the readings fit, the lines that keep them there are printed.`

// ParseMeasure reads one measure; see MeasureHelp.
func (s *Study) ParseMeasure(text string) (duct.Measure, error) {
	m := duct.Measure{Segment: -1}
	opened := false
	for _, part := range strings.Split(text, ";") {
		key, value, ok := strings.Cut(part, "=")
		key, value = strings.TrimSpace(key), strings.TrimSpace(value)
		var err error
		switch {
		case strings.TrimSpace(part) == "":
			continue
		case !ok:
			err = errors.New(`write it as "open=B1; at=T3; pressure=-8 inH2O"`)
		case key == "open":
			opened = true
			m.Open, err = s.ParseOpen(value)
		case key == "at":
			m.Segment = slices.IndexFunc(s.Net.Segments, func(g duct.Segment) bool { return g.Name == value })
			if m.Segment < 0 {
				err = fmt.Errorf("no duct %q", value)
			}
		case (key == "pressure" || key == "velocity" || key == "filter") && m.Quantity != 0:
			err = errors.New("give each measure one figure")
		case key == "pressure":
			m.Quantity = duct.StaticPressure
			m.Value, err = config.Parse(config.Pressure, value)
			if err == nil && m.Value > 0 {
				m.Value = -m.Value // a gauge on the suction side shows suction
			}
		case key == "velocity":
			m.Quantity = duct.MeanVelocity
			m.Value, err = config.Parse(config.Velocity, value)
		case key == "filter":
			m.Quantity = duct.FilterDrop
			m.Value, err = config.Parse(config.Pressure, value)
		case key == "within":
			m.Error, err = config.Parse(config.Share, value)
			if err == nil && (m.Error < 0.001 || m.Error > 0.5) {
				err = errors.New("a reading is good to between 0.1 and 50 %")
			}
		default:
			err = fmt.Errorf("a measure has open, at, and pressure, velocity or filter, and no %q", key)
		}
		if err != nil {
			return m, fmt.Errorf("measure %q: %w", text, err)
		}
	}
	switch {
	case !opened:
		return m, fmt.Errorf("measure %q: say which gates were open: open=B1", text)
	case m.Segment < 0 && m.Quantity != duct.FilterDrop:
		return m, fmt.Errorf("measure %q: say where: at=T3, the downstream end of a duct", text)
	case m.Quantity == 0:
		return m, fmt.Errorf("measure %q: give a pressure or a velocity", text)
	case m.Value == 0:
		return m, fmt.Errorf("measure %q: the figure is 0", text)
	}
	return m, nil
}

// ParseMeasures reads a list of them.
func (s *Study) ParseMeasures(texts []string) (out []duct.Measure, err error) {
	for _, text := range texts {
		m, bad := s.ParseMeasure(text)
		if bad != nil {
			err = errors.Join(err, bad)
		}
		out = append(out, m)
	}
	return out, err
}

// parts are the words for --adjust.
var parts = map[string]duct.Part{"hose": duct.HosePart, "fan": duct.FanPart, "filter": duct.FilterPart, "leak": duct.LeakPart, "hood": duct.HoodPart, "block": duct.BlockPart}

// part names what a finding is about.
func (s *Study) part(f *duct.Finding) string {
	switch f.Part {
	case 0:
		return "nothing far off"
	case duct.FanPart:
		return "the fan's pressure"
	case duct.LeakPart:
		return "the leak of the shut gates"
	case duct.BlockPart:
		return "something that lies in " + s.Net.Segments[f.At[0]].Name
	default:
		return s.unknown(&duct.Unknown{Part: f.Part, At: f.At})
	}
}

// factor writes the factor of a finding and the interval that holds it in nine
// cases of ten.
func factor(f *duct.Finding) string {
	word := "times"
	switch f.Part {
	case 0:
		return ""
	case duct.BlockPart:
		word = "velocity pressures:"
	default:
	}
	low, value, high := f.Low, f.Factor, f.High
	if f.Part == duct.LeakPart { // the loss is the rest of the bore
		low, value, high = 1/math.Sqrt(high), 1/math.Sqrt(value), 1/math.Sqrt(low)
	}
	return fmt.Sprintf("%s %.3g (%.3g to %.3g)", word, value, low, high)
}

// told is how much of what was thought possible a fit may leave and still be
// worth writing down.
const told = 0.7

// WriteFit says what readings tell of the duct, those of the shop file too: which part
// is off and by how much, or that they cannot tell. today dates those that are new.
func (s *Study) WriteFit(out io.Writer, adjust Adjust, measures []duct.Measure, today string) error {
	for i := range measures {
		measures[i].Date = today
	}
	measures = slices.Concat(s.Net.Measured, measures)
	if len(measures) == 0 {
		return ErrNoMeasure
	}
	d, err := duct.Diagnose(s.Net, measures)
	if err != nil {
		return err
	}
	f := &d.Findings[0]
	if adjust.part != 0 {
		if f = d.Find(adjust.part, adjust.at...); f == nil {
			return fmt.Errorf("nothing to adjust: no %s that the air of these readings passes", adjust.text)
		}
	}
	w := &writer{w: out}
	w.line("%s of %q", count(len(measures), "reading"), s.Name)
	rows := [][]string{{"open", "at", "read", "as the shop file has it", s.part(f), "off by"}}
	for i, m := range measures {
		q, where := config.Pressure, "the filter"
		if m.Quantity != duct.FilterDrop {
			where = s.Net.Segments[m.Segment].Name + " static pressure"
		}
		if m.Quantity == duct.MeanVelocity {
			q, where = config.Velocity, s.Net.Segments[m.Segment].Name+" velocity"
		}
		open := strings.Join(s.GateNames(m.Open), ", ")
		if open == "" {
			open = "none"
		}
		rows = append(rows, []string{open, where, s.u(q, m.Value), s.u(q, d.Before[i]), s.u(q, f.Points[i]), fmt.Sprintf("%+.1f %%", 100*(f.Points[i]/m.Value-1))})
	}
	w.table(rows)
	w.line("What may be off, while all else lies within its guesses. The brackets hold the factor in 9 of 10 cases.")
	rows = nil
	for i := range d.Findings {
		x := &d.Findings[i]
		fits := "fits"
		if !x.Fits {
			fits = "does not fit"
		}
		if i < 6 || x == f {
			rows = append(rows, []string{fmt.Sprintf("%.0f %%", 100*x.Odds), s.part(x), factor(x), fits})
		}
	}
	w.table(rows)
	use := s.verdict(w, d, f, adjust.part != 0)
	switch n := f.Network(); {
	case use && f.Part != 0:
		s.fitted(w, f)
		if f.Part != duct.BlockPart {
			s.keep(w, measures, n.Mark())
		}
	case d.Find(0) != nil && d.Find(0).Fits && len(measures) > len(s.Net.Measured):
		s.keep(w, measures, s.Net.Mark())
	}
	w.line("%s", Disclaimer)
	return w.err
}

// ErrNoMeasure says that there is nothing to fit to.
var ErrNoMeasure = errors.New(`fit needs a reading: --measure "open=B1; at=T3; pressure=-8 inH2O", or air.measured in the shop file`)

// keep prints the lines of the shop file that keep readings.
func (s *Study) keep(w *writer, measures []duct.Measure, mark string) {
	w.line("In the shop file, in air, so that all that is computed agrees with the readings until the ducts change:")
	w.line("  measured = [")
	for _, m := range measures {
		open := []string{}
		for _, name := range s.GateNames(m.Open) {
			open = append(open, strconv.Quote(name))
		}
		key, q := "pressure", config.Pressure
		switch m.Quantity {
		case duct.MeanVelocity:
			key, q = "velocity", config.Velocity
		case duct.FilterDrop:
			key = "filter"
		case duct.StaticPressure:
		}
		line := fmt.Sprintf("    { open = [%s], ", strings.Join(open, ", "))
		if m.Quantity != duct.FilterDrop {
			line += fmt.Sprintf("duct = %q, ", s.Net.Segments[m.Segment].Name)
		}
		line += fmt.Sprintf("%s = %q, ", key, s.u(q, m.Value))
		if m.Error > 0 {
			line += fmt.Sprintf("within = \"%.3g %%\", ", 100*m.Error)
		}
		if m.Date != "" {
			line += fmt.Sprintf("date = %q, ", m.Date)
		}
		w.line("%sof = %q },", line, mark)
	}
	w.line("  ]")
}

// Adjust is a part to adjust; the zero value means the likeliest.
type Adjust struct {
	part duct.Part
	at   []int
	text string
}

// ParseAdjust reads one, as in "hose" or "hood B1".
func (s *Study) ParseAdjust(text string) (Adjust, error) {
	if text == "" {
		return Adjust{}, nil
	}
	kind, name, _ := strings.Cut(strings.TrimSpace(text), " ")
	a := Adjust{part: parts[kind], text: text}
	if a.part == 0 {
		return a, fmt.Errorf(`adjust hose, fan, filter, leak, "hood DUCT" or "block DUCT", not %q`, text)
	}
	if name = strings.TrimSpace(name); name != "" {
		i := slices.IndexFunc(s.Net.Segments, func(g duct.Segment) bool { return g.Name == name })
		if i < 0 {
			return a, fmt.Errorf("no duct %q", name)
		}
		a.at = []int{i}
	}
	return a, nil
}

// verdict says in words what to make of a fit, and whether to write it down.
func (s *Study) verdict(w *writer, d *duct.Diagnosis, f *duct.Finding, asked bool) (use bool) {
	other := &d.Findings[0]
	if other == f {
		other = &d.Findings[min(1, len(d.Findings)-1)]
	}
	switch {
	case !d.Fits():
		w.paragraph("", "It does not fit: no single part explains these readings. Check which gates were open, where the taps are and the units; then read again.")
	case !f.Fits:
		w.paragraph("", fmt.Sprintf("It does not fit: %s cannot explain these readings. Likelier is %s.", s.part(f), s.part(other)))
	case !asked && f.Odds < duct.Sure && d.Find(0) != nil && d.Find(0).Fits && d.Find(0).Odds > f.Odds/3:
		w.paragraph("", "Nothing need be off: the readings lie within the guesses. Nothing is adjusted; \"kerfwind ducts\" with the same readings has narrower ranges.")
	case asked && f.Left > told:
		w.paragraph("", fmt.Sprintf("The readings hardly depend on %s: they leave %.0f %% of what was possible. Do not rely on the figure; measure where it shows more.%s", s.part(f), 100*math.Min(1, f.Left), s.tell(d, f, other)))
	case f.Part == 0 && f.Odds >= duct.Sure:
		w.paragraph("", "Nothing is far off: the readings lie within the guesses.")
	case f.Odds >= duct.Sure:
		w.paragraph("", fmt.Sprintf("It is %s: %s.", s.part(f), factor(f)))
		return true
	case asked && f.Odds < other.Odds/3:
		w.paragraph("", fmt.Sprintf("Likelier than %s is %s. Nothing is adjusted.%s", s.part(f), s.part(other), s.tell(d, f, other)))
	default:
		w.paragraph("", fmt.Sprintf("These readings cannot tell %s from %s. Nothing is adjusted.%s", s.part(f), s.part(other), s.tell(d, f, other)))
	}
	return false
}

// tell says which reading would tell two findings apart.
func (s *Study) tell(d *duct.Diagnosis, a, b *duct.Finding) string {
	m, apart := d.Tell(a, b)
	if apart < 2 {
		return " No single reading here tells the two apart."
	}
	open := strings.Join(s.GateNames(m.Open), ", ")
	if open == "" {
		open = "no gate"
	}
	return fmt.Sprintf(" Measure %s with %s open: there the two differ.", s.reading(duct.Check{Quantity: m.Quantity, Segment: m.Segment}), open)
}

// fitted says what to write in the shop file.
func (s *Study) fitted(w *writer, f *duct.Finding) {
	n := f.Network()
	if f.Part == duct.BlockPart {
		w.paragraph("", fmt.Sprintf("Open %s and look; clear it and read again. The shop file stays as it is.", s.Net.Segments[f.At[0]].Name))
		return
	}
	w.line("In the shop file:")
	switch f.Part {
	case duct.HosePart:
		for _, i := range f.At {
			w.line("  duct %q: roughness = %q (was %s)", n.Segments[i].Name, millimetres(n.Segments[i].Roughness.Value), millimetres(s.Net.Segments[i].Roughness.Value))
		}
	case duct.HoodPart:
		for _, i := range f.At {
			w.line("  duct %q: hood = { loss = %.3g } (was %.3g)", n.Segments[i].Name, n.Segments[i].Hood.Entry.Value, s.Net.Segments[i].Hood.Entry.Value)
		}
	case duct.LeakPart:
		for i := range n.Gates {
			if k := n.Gates[i].Shut.Value; !math.IsInf(k, 1) {
				w.line("  gate %q: leak = \"%.2g %%\"", n.Gates[i].Name, 100/(0.6*math.Sqrt(k)))
			}
		}
	case duct.FilterPart:
		q := n.Fan.Points[len(n.Fan.Points)-1].Flow
		w.line("  collector: filter = { flow = %q, clean = %q }", s.u(config.Flow, q), s.u(config.Pressure, n.Filter.Now.Value*q))
	default:
		flow := 1.0
		if q := n.Fan.FlowFactor; q != (duct.Estimate{}) {
			flow = q.Value
		}
		w.line("  collector: fan = [")
		for _, p := range n.Fan.Points {
			w.line("    { flow = %q, pressure = %q },", s.u(config.Flow, p.Flow*flow), s.u(config.Pressure, p.Pressure*n.Fan.PressureFactor.Value))
		}
		w.line("  ]")
	}
}

// count writes a number and a word, in the plural where it needs one.
func count(n int, word string) string {
	if n != 1 {
		word += "s"
	}
	return fmt.Sprintf("%d %s", n, word)
}

func millimetres(m float64) string { return fmt.Sprintf("%.3g mm", m*1000) }
