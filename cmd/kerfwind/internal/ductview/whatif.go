package ductview

import (
	"fmt"
	"io"
	"maps"
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
  DUCT.elbows=1          of 90 degrees, in place of all that are there; or a signed
                         difference: DUCT.elbows=-1
  DUCT.wye=30 deg        the angle at which it joins
  DUCT.rise=2 m          part of its length that leads up
  DUCT.loss=0.5          further velocity pressures
  DUCT.hood=saw          a kind of hood, or its loss in velocity pressures
  DUCT.port=5 in         the opening at the machine
  DUCT.flow=500 cfm      what the hood wants
  GATE.opening=80 %      GATE.leak=3 %
  relief=T1 @ 4 in       an opening without a gate where the branches join T1; it must
                         take in no chips
  filter=clean           clean, loaded, a share of the way: 40 %, or another filter:
                         1 inH2O @ 1000 cfm
  separator=4 inH2O @ 1000 cfm     or none
  leakage=30 mm          all that leaks at the collector, as one hole
  mains=50 Hz            the fan's speed follows
  fan=0 cfm @ 12 inH2O, 800 cfm @ 9.5 inH2O, 1500 cfm @ 2 inH2O
  plate=1650 cfm @ 11.5 inH2O      power=3 hp
  second=parallel        the same fan again, beside this one; series: one behind the
                         other; or another: parallel 1100 cfm @ 8.5 inH2O
  cupboard=10 in         the collector in a cupboard that breathes out through one hole
  outdoors=10 in         it blows outdoors, and air comes in through one hole
  altitude=1500 m        density=1.1 kg/m3    temperature=30 °C
  transport=28 m/s`

// WhatIf returns a study of the network with changes such as
// "B1.diameter=5 in; filter=loaded".
func (s *Study) WhatIf(changes string) (*Study, error) {
	n := s.Net.Clone()
	n.Measured = nil // in other ducts
	var vents []vent
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
		key, value = strings.TrimSpace(key), strings.TrimSpace(value)
		var err error
		if key == "cupboard" || key == "outdoors" {
			var v vent
			if v, err = newVent(n, key, value); err == nil {
				vents = append(vents, v)
			}
		} else {
			err = s.change(n, key, value)
		}
		if err != nil {
			return nil, fmt.Errorf("%q: %w", strings.TrimSpace(one), err)
		}
	}
	o, err := New(changes, s.Units, n)
	if err != nil {
		return nil, err
	}
	if s.told != "" {
		o.told = s.told + " in the ducts as they are"
	}
	o.vents = append(slices.Clone(s.vents), vents...)
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
	switch key {
	case "filter":
		return changeFilter(n, value)
	case "separator":
		if value == "none" {
			n.Separator = duct.Exact(0)
			return nil
		}
		p, err := lossPoint(value)
		if err == nil {
			n.Separator = duct.Exact(p.Pressure / (p.Flow * p.Flow))
		}
		return err
	case "leakage":
		d, err := config.Parse(config.Length, value)
		if err == nil {
			n.Leakage = duct.Exact(math.Pi / 4 * d * d)
		}
		return err
	case "relief":
		return relief(n, value)
	case "second":
		return second(n, value)
	case "power", "mains", "fan", "plate":
		return changeFan(n, key, value)
	case "altitude":
		n.Air.Density = 0
		return number(config.Length, value, &n.Air.Altitude)
	case "density":
		return number(config.Density, value, &n.Air.Density)
	case "temperature":
		n.Air.Density, n.Air.HasCelsius = 0, true
		err := number(config.Temperature, value, &n.Air.Celsius)
		n.Air.Celsius -= 273.15
		return err
	case "transport":
		return number(config.Velocity, value, &n.Transport.Min)
	}
	return fmt.Errorf("no part is called %q", key)
}

// number reads a figure above 0; an altitude may be any.
func number(q config.Quantity, value string, to *float64) error {
	x, err := config.Parse(q, value)
	if err == nil && x <= 0 && q != config.Length { // 0 would mean a default
		err = fmt.Errorf("write more than 0")
	}
	if err == nil {
		*to = x
	}
	return err
}

// changeFilter makes the filter clean, loaded, something between, or another one.
func changeFilter(n *duct.Network, value string) error {
	f := &n.Filter
	switch {
	case value == "clean":
		f.Now = duct.Exact(f.Clean)
	case value == "loaded":
		f.Now = duct.Exact(f.Loaded)
	case strings.Contains(value, "@"):
		p, err := lossPoint(value)
		if err == nil {
			k := p.Pressure / p.Flow
			n.Filter = duct.Filter{Now: duct.Exact(k), Clean: k, Loaded: k}
		}
		return err
	default:
		x, err := config.Parse(config.Share, value)
		if err != nil || x < 0 || x > 1 {
			return fmt.Errorf("write clean, loaded, a share such as 40 %%, or another filter: 1 inH2O @ 1000 cfm")
		}
		f.Now = duct.Exact(f.Clean + x*(f.Loaded-f.Clean))
	}
	return nil
}

// changeFan puts in another fan by its power, its plate or its curve, or runs it on
// another mains.
func changeFan(n *duct.Network, key, value string) error {
	switch key {
	case "mains":
		return number(config.Frequency, value, &n.Fan.Mains)
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
		if err == nil {
			swapFan(n, duct.Nameplate(p.Flow, p.Pressure))
		}
		return err
	default: // power
		var watts float64
		if err := number(config.Power, value, &watts); err != nil {
			return err
		}
		f, known := duct.FromPower(watts)
		if !known {
			return fmt.Errorf("what a fan moves is known here from 1 to 5 hp only: write its plate, plate=2600 cfm @ 14 inH2O")
		}
		swapFan(n, f)
		return nil
	}
}

// swapFan puts another fan on the mains of the one before.
func swapFan(n *duct.Network, f duct.Fan) {
	f.Mains, f.Frequency = n.Fan.Mains, n.Fan.Mains
	n.Fan = f
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

// lossPoint reads "1 inH2O @ 1000 cfm", what something costs at a flow.
func lossPoint(text string) (duct.FanPoint, error) {
	left, right, ok := strings.Cut(text, "@")
	if !ok {
		return duct.FanPoint{}, fmt.Errorf("%q does not say at which flow: write it as \"1 inH2O @ 1000 cfm\"", text)
	}
	p, err := fanPoint(right + "@" + left)
	if err == nil && !(p.Flow > 0 && p.Pressure >= 0) {
		err = fmt.Errorf("write a pressure and a flow above 0")
	}
	return p, err
}

// relief adds an opening without a gate where the branches join a main, as in
// "T1 @ 4 in". It is a hood that throws no chips.
func relief(n *duct.Network, value string) error {
	name, size, ok := strings.Cut(value, "@")
	if !ok {
		return fmt.Errorf("write where and how wide: relief=T1 @ 4 in")
	}
	name = strings.TrimSpace(name)
	to := slices.IndexFunc(n.Segments, func(g duct.Segment) bool { return g.Name == name })
	if to < 0 {
		return fmt.Errorf("no duct %q", name)
	}
	if n.Segments[to].Hood != nil {
		return fmt.Errorf("%q is a branch with a hood: name the main that it runs into", name)
	}
	d, err := config.Parse(config.Length, strings.TrimSpace(size))
	if err != nil {
		return err
	}
	n.Segments = append(n.Segments, duct.Segment{Name: fmt.Sprintf("relief %d", len(n.Segments)+1), To: to, Diameter: d, Length: d, Roughness: duct.SmoothPipe, Gate: duct.NoGate,
		Pieces: []duct.Piece{{Kind: duct.Wye, Angle: 45}}, Hood: &duct.Hood{Entry: duct.HoodKinds["plain"], Relief: true}})
	return nil
}

// second adds a fan to the one that is there: "parallel" or "series", the same
// again or one with a plate of its own.
func second(n *duct.Network, value string) error {
	how, plate, _ := strings.Cut(value, " ")
	other := n.Fan
	if plate = strings.TrimSpace(plate); plate != "" {
		p, err := fanPoint(plate)
		if err != nil {
			return err
		}
		other = duct.Nameplate(p.Flow, p.Pressure)
	}
	switch how {
	case "parallel":
		n.Fan.Points = duct.Parallel(n.Fan.Points, other.Points)
	case "series":
		n.Fan.Points = duct.Series(n.Fan.Points, other.Points)
	default:
		return fmt.Errorf("write parallel or series, and the plate of the other where it differs: parallel 1100 cfm @ 8.5 inH2O")
	}
	return nil
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
	case "elbows":
		count, err := strconv.Atoi(strings.TrimPrefix(value, "+"))
		if err != nil || count > 20 {
			return fmt.Errorf("write a number of elbows up to 20, or a signed difference")
		}
		bend := duct.Piece{Kind: duct.Elbow, Angle: 90, RadiusRatio: 1.5, Pleated: g.Flexible}
		isBend := func(p duct.Piece) bool { return p.Kind == duct.Elbow }
		switch {
		case strings.HasPrefix(value, "-"):
			for range -count {
				i := slices.IndexFunc(g.Pieces, isBend)
				if i < 0 {
					return fmt.Errorf("%q has no such elbow to take away", g.Name)
				}
				g.Pieces = slices.Delete(g.Pieces, i, i+1)
			}
			return nil
		case !strings.HasPrefix(value, "+"):
			g.Pieces = slices.DeleteFunc(g.Pieces, isBend)
		}
		for range count {
			g.Pieces = append(g.Pieces, bend)
		}
		return nil
	case "wye":
		x, err := config.Parse(config.Angle, value)
		if err == nil && g.To == duct.Collector {
			err = fmt.Errorf("%q joins no other duct", g.Name)
		}
		if err == nil {
			g.Pieces = append(slices.DeleteFunc(g.Pieces, func(p duct.Piece) bool { return p.Kind == duct.Wye }), duct.Piece{Kind: duct.Wye, Angle: x / (math.Pi / 180)})
		}
		return err
	case "rise":
		x, err := config.Parse(config.Length, value)
		if err == nil {
			g.Rise = x
		}
		return err
	case "hood", "port", "flow":
		if g.Hood == nil {
			return fmt.Errorf("%q has no hood", g.Name)
		}
		return changeHood(g.Hood, property, value)
	case "loss":
		x, err := strconv.ParseFloat(value, 64)
		if err != nil || !(x >= 0) || math.IsInf(x, 0) {
			return fmt.Errorf("write a number of velocity pressures, such as 0.5")
		}
		g.Pieces = append(g.Pieces, duct.Piece{Kind: duct.RawLoss, Loss: duct.Exact(x)})
		return nil
	}
	return fmt.Errorf("a duct has no %q here; it has diameter, length, kind, roughness, elbows, wye, rise, loss, hood, port and flow, and a gate opening and leak", property)
}

func changeHood(h *duct.Hood, property, value string) error {
	var x float64
	var err error
	switch property {
	case "port":
		if x, err = config.Parse(config.Length, value); err == nil {
			h.Port = x
		}
		return err
	case "flow":
		if x, err = config.Parse(config.Flow, value); err == nil && x <= 0 {
			err = fmt.Errorf("write more than 0")
		}
		if err == nil {
			h.Wants = x
		}
		return err
	}
	if e, ok := duct.HoodKinds[value]; ok {
		h.Entry = e
		return nil
	}
	if x, err = strconv.ParseFloat(value, 64); err != nil || !(x >= 0) || math.IsInf(x, 0) {
		return fmt.Errorf("write a number of velocity pressures, or %s", strings.Join(slices.Sorted(maps.Keys(duct.HoodKinds)), ", "))
	}
	h.Entry = duct.Exact(x)
	return nil
}

// WriteWhatIf sets the study beside others that differ in something.
func (s *Study) WriteWhatIf(out io.Writer, sets []uint64, others []*Study) (converged bool, err error) {
	w := &writer{w: out}
	all := append([]*Study{s}, others...)
	w.line("Ducts of %q, side by side.", s.Name)
	w.line("  (0) as they are")
	for i, o := range others {
		w.line("  (%d) %s", i+1, o.Name)
		for _, note := range o.Notes() {
			w.paragraph("      ", note)
		}
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
			return s.u(config.Flow, c.Spread.Total().Middle) + " at " + s.u(config.Pressure, c.Spread.Fan().Middle)
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
