package ductview

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"kerfwind/config"
	"kerfwind/control/duct"
)

// ParseMeasure reads one measure, such as
// "open=B1; at=T3; pressure=-8.1 inH2O" or "open=B1; at=B1; velocity=5000 ft/min".
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
		case (key == "pressure" || key == "velocity") && m.Quantity != 0:
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
		default:
			err = fmt.Errorf("a measure has open, at, and pressure or velocity, and no %q", key)
		}
		if err != nil {
			return m, fmt.Errorf("measure %q: %w", text, err)
		}
	}
	switch {
	case !opened:
		return m, fmt.Errorf("measure %q: say which gates were open: open=B1", text)
	case m.Segment < 0:
		return m, fmt.Errorf("measure %q: say where: at=T3, the downstream end of a duct", text)
	case m.Quantity == 0:
		return m, fmt.Errorf("measure %q: give a pressure or a velocity", text)
	case m.Value == 0:
		return m, fmt.Errorf("measure %q: the figure is 0", text)
	}
	return m, nil
}

// WriteFit adjusts hose roughness or the fan's curve to measures and says how
// well it fits, and what to write in the shop file.
func (s *Study) WriteFit(out io.Writer, what duct.Fitted, measures []duct.Measure) error {
	f, err := duct.FitTo(s.Net, what, measures)
	if err != nil {
		return err
	}
	w := &writer{w: out}
	name := "the roughness of the hoses"
	if what == duct.FanCurve {
		name = "the fan's pressure"
	}
	w.line("Fit of %s, %d measured: times %.3g", name, len(measures), f.Factor)
	rows := [][]string{{"open", "at", "measured", "before", "after", "off by"}}
	for _, p := range f.Points {
		q, kind := config.Pressure, "static pressure"
		if p.Measure.Quantity == duct.MeanVelocity {
			q, kind = config.Velocity, "velocity"
		}
		open := strings.Join(s.GateNames(p.Measure.Open), ", ")
		if open == "" {
			open = "none"
		}
		rows = append(rows, []string{open, s.Net.Segments[p.Measure.Segment].Name + " " + kind, s.u(q, p.Measure.Value),
			s.u(q, p.Before), s.u(q, p.After), fmt.Sprintf("%+.1f %%", 100*(p.After/p.Measure.Value-1))})
	}
	w.table(rows)
	w.line("The differences, root mean square: %.1f %% before, %.1f %% after.", 100*f.Before, 100*f.After)
	use := true
	switch {
	case f.AtLimit && (f.After > 0.02 || f.Sensitivity >= 0.02):
		use = false
		w.line("It does not fit: the best factor is at the end of the range, %.3g. Something else is wrong: check a gate, a hood, a leak, the other adjustment.", f.Factor)
	case f.Sensitivity < 0.02:
		use = false
		w.line("The measurements hardly depend on it: 1 %% more changes them by %.3f %%. Do not rely on the figure; measure where it shows more.", f.Sensitivity)
	case len(measures) == 1:
		w.line("One measurement cannot tell how good the fit is: take a second one.")
	case f.After > 0.05:
		use = false
		w.line("A poor fit: the measurements contradict each other, or something else is wrong too.")
	default:
		w.line("A good fit: what is left is within the error of such measurements.")
	}
	if use {
		s.fitted(w, f)
	}
	w.line("%s", Disclaimer)
	return w.err
}

// fitted says what to write in the shop file.
func (s *Study) fitted(w *writer, f *duct.Fit) {
	w.line("In the shop file:")
	if f.What == duct.HoseRoughness {
		for i := range s.Net.Segments {
			if g := &s.Net.Segments[i]; g.Flexible {
				w.line("  duct %q: roughness = %q (was %s)", g.Name, millimetres(f.Network.Segments[i].Roughness.Value), millimetres(g.Roughness.Value))
			}
		}
		return
	}
	k := f.Network.Fan.PressureFactor.Value
	flow := 1.0
	if q := f.Network.Fan.FlowFactor; q != (duct.Estimate{}) {
		flow = q.Value
	}
	w.line("  collector: fan = [")
	for _, p := range f.Network.Fan.Points {
		w.line("    { flow = %q, pressure = %q },", s.u(config.Flow, p.Flow*flow), s.u(config.Pressure, p.Pressure*k))
	}
	w.line("  ]")
}

func millimetres(m float64) string { return fmt.Sprintf("%.3g mm", m*1000) }
