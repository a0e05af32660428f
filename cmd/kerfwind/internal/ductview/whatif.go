package ductview

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"kerfwind/config"
	"kerfwind/control/duct"
)

// WhatIfHelp explains what WhatIf accepts.
const WhatIfHelp = `Changes are separated by semicolons:
  DUCT.diameter=5 in     a machine's port keeps its size
  DUCT.length=4 m        or by a signed difference: DUCT.length=-3 m
  DUCT.kind=smooth       smooth, spiral or hose
  DUCT.roughness=2 mm
  DUCT.loss=0.5          further velocity pressures
  GATE.opening=80 %      GATE.leak=3 %
  filter=clean           clean, loaded, or a share of the way: 40 %
  mains=50 Hz            the fan's speed follows
  fan=0 cfm @ 12 inH2O, 800 cfm @ 9.5 inH2O, 1500 cfm @ 2 inH2O
  plate=1650 cfm @ 11.5 inH2O
  altitude=1500 m        density=1.1 kg/m3    temperature=30 °C
  transport=28 m/s`

// WhatIf returns a study of the network with changes such as
// "B1.diameter=5 in; filter=loaded".
func (s *Study) WhatIf(changes string) (*Study, error) {
	n := s.Net.Clone()
	if strings.Trim(changes, "; \t") == "" {
		return nil, fmt.Errorf("%q changes nothing: write it as \"B1.diameter=5 in\"", changes)
	}
	for _, one := range strings.Split(changes, ";") {
		if strings.TrimSpace(one) == "" {
			continue
		}
		key, value, ok := strings.Cut(one, "=")
		if !ok {
			return nil, fmt.Errorf("%q is not a change: write it as \"B1.diameter=5 in\"", strings.TrimSpace(one))
		}
		if err := s.change(n, strings.TrimSpace(key), strings.TrimSpace(value)); err != nil {
			return nil, fmt.Errorf("%q: %w", strings.TrimSpace(one), err)
		}
	}
	o, err := New(changes, s.Units, n)
	if err != nil {
		return nil, err
	}
	o.readings = s.readings
	o.cloud, err = s.cloud.Like(n)
	return o, err
}

func (s *Study) change(n *duct.Network, key, value string) error {
	if dot := strings.LastIndexByte(key, '.'); dot >= 0 {
		name, property := key[:dot], key[dot+1:]
		if property == "opening" || property == "leak" {
			g := slices.IndexFunc(n.Gates, func(g duct.Gate) bool { return g.Name == name })
			if g < 0 {
				return fmt.Errorf("no gate %q", name)
			}
			return changeGate(&n.Gates[g], property, value)
		}
		i := slices.IndexFunc(n.Segments, func(g duct.Segment) bool { return g.Name == name })
		if i < 0 {
			return fmt.Errorf("no duct %q", name)
		}
		return changeDuct(n, i, property, value)
	}
	number := func(q config.Quantity, to *float64) error {
		x, err := config.Parse(q, value)
		if err == nil && x <= 0 && q != config.Length { // 0 would stand for a default
			err = fmt.Errorf("write more than 0")
		}
		if err == nil {
			*to = x
		}
		return err
	}
	switch key {
	case "filter":
		f := &n.Filter
		switch value {
		case "clean":
			f.Now = duct.Exact(f.Clean)
		case "loaded":
			f.Now = duct.Exact(f.Loaded)
		default:
			x, err := config.Parse(config.Share, value)
			if err != nil || x < 0 || x > 1 {
				return fmt.Errorf("write clean, loaded or a share such as 40 %%")
			}
			f.Now = duct.Exact(f.Clean + x*(f.Loaded-f.Clean))
		}
		return nil
	case "mains":
		return number(config.Frequency, &n.Fan.Mains)
	case "fan":
		var points []duct.FanPoint
		for _, text := range strings.Split(value, ",") {
			p, err := fanPoint(text)
			if err != nil {
				return err
			}
			points = append(points, p)
		}
		n.Fan.Points, n.Fan.Frequency = points, n.Fan.Mains
		n.Fan.FlowFactor, n.Fan.PressureFactor, n.Fan.Density = duct.Estimate{}, duct.Estimate{}, 0
		return nil
	case "plate":
		p, err := fanPoint(value)
		if err != nil {
			return err
		}
		f := duct.Nameplate(p.Flow, p.Pressure)
		f.Mains, f.Frequency = n.Fan.Mains, n.Fan.Mains
		n.Fan = f
		return nil
	case "altitude":
		n.Air.Density = 0
		return number(config.Length, &n.Air.Altitude)
	case "density":
		return number(config.Density, &n.Air.Density)
	case "temperature":
		n.Air.Density, n.Air.HasCelsius = 0, true
		err := number(config.Temperature, &n.Air.Celsius)
		n.Air.Celsius -= 273.15
		return err
	case "transport":
		return number(config.Velocity, &n.Transport.Min)
	}
	return fmt.Errorf("no part is called %q", key)
}

// fanPoint reads "400 cfm @ 11.5 inH2O".
func fanPoint(text string) (duct.FanPoint, error) {
	left, right, ok := strings.Cut(text, "@")
	if !ok {
		return duct.FanPoint{}, fmt.Errorf("%q is not a point on a fan curve: write it as \"400 cfm @ 11.5 inH2O\"", strings.TrimSpace(text))
	}
	q, err := config.Parse(config.Flow, strings.TrimSpace(left))
	if err != nil {
		return duct.FanPoint{}, err
	}
	p, err := config.Parse(config.Pressure, strings.TrimSpace(right))
	return duct.FanPoint{Flow: q, Pressure: p}, err
}

func changeGate(g *duct.Gate, property, value string) error {
	x, err := config.Parse(config.Share, value)
	if err != nil {
		return err
	}
	if x < 0 || x > 1 || property == "opening" && x == 0 {
		return fmt.Errorf("write a share of the bore, above 0 %% and up to 100 %%")
	}
	if property == "opening" {
		g.Opening = x
	} else {
		g.Shut = duct.Exact(duct.LeakLoss(x))
	}
	return nil
}

func changeDuct(n *duct.Network, i int, property, value string) error {
	g := &n.Segments[i]
	switch property {
	case "diameter":
		d, err := config.Parse(config.Length, value)
		if err == nil {
			widen(n, i, d)
		}
		return err
	case "length":
		x, err := config.Parse(config.Length, value)
		if err != nil {
			return err
		}
		if strings.HasPrefix(value, "-") || strings.HasPrefix(value, "+") {
			x += g.Length
		}
		if x < 0 {
			return fmt.Errorf("%q would be shorter than nothing: write a smaller difference", g.Name)
		}
		g.Length, g.Rise = x, min(g.Rise, x)
		return nil
	case "kind":
		kinds := map[string]duct.Estimate{"smooth": duct.SmoothPipe, "spiral": duct.SpiralPipe, "hose": duct.StretchedHose}
		r, ok := kinds[value]
		if !ok {
			return fmt.Errorf("write smooth, spiral or hose")
		}
		g.Roughness, g.Flexible = r, value == "hose"
		return nil
	case "roughness":
		x, err := config.Parse(config.Length, value)
		if err == nil {
			g.Roughness = duct.Exact(x)
		}
		return err
	case "loss":
		x, err := strconv.ParseFloat(value, 64)
		if err != nil || !(x >= 0) || math.IsInf(x, 0) {
			return fmt.Errorf("write a number of velocity pressures, such as 0.5")
		}
		g.Pieces = append(g.Pieces, duct.Piece{Kind: duct.RawLoss, Loss: duct.Exact(x)})
		return nil
	}
	return fmt.Errorf("a duct has no %q here; it has diameter, length, kind, roughness and loss, and a gate opening and leak", property)
}

// WriteWhatIf sets the study beside others that differ in something.
func (s *Study) WriteWhatIf(out io.Writer, sets []uint64, others []*Study) (converged bool, err error) {
	w := &writer{w: out}
	all := append([]*Study{s}, others...)
	w.line("Ducts of %q, side by side.", s.Name)
	w.line("  (0) as they are")
	for i, o := range others {
		w.line("  (%d) %s", i+1, o.Name)
	}
	converged = true
	for _, open := range sets {
		w.line("")
		title := s.Title(open)
		w.line("%s", strings.ToUpper(title[:1])+title[1:])
		cases := make([]*Case, len(all))
		header := []string{""}
		for i, x := range all {
			cases[i] = x.Look(open)
			converged = converged && cases[i].Converged
			header = append(header, fmt.Sprintf("(%d)", i))
		}
		rows := [][]string{header}
		row := func(name string, cell func(x *Study, c *Case) string) {
			r := []string{name}
			for i, x := range all {
				r = append(r, cell(x, cases[i]))
			}
			rows = append(rows, r)
		}
		for k := range cases[0].Hoods {
			row(s.HoodName(cases[0].Hoods[k].Segment), func(x *Study, c *Case) string {
				h := &c.Hoods[k]
				return s.u(config.Flow, h.Flow.Middle) + " " + h.Word()
			})
		}
		row("slowest", func(x *Study, c *Case) string {
			i := x.slowest(c)
			if i < 0 {
				return "-"
			}
			return fmt.Sprintf("%s in %s %s", s.u(config.Velocity, c.Speed[i].Middle), x.Net.Segments[i].Name, c.Carry[i])
		})
		row("fan", func(x *Study, c *Case) string {
			return s.u(config.Flow, c.State.Total) + " at " + s.u(config.Pressure, c.State.Fan)
		})
		for k := range cases[0].RunOns {
			row("run-on "+s.Net.Machines[cases[0].RunOns[k].Machine].Name, func(x *Study, c *Case) string {
				return config.FormatDuration(c.RunOns[k].Total)
			})
		}
		w.table(rows)
	}
	w.line("")
	w.line("%s", Disclaimer)
	return converged, w.err
}
