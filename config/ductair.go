package config

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"kerfwind/control/duct"
)

// Duct returns the network of the shop's ducts for the airflow solver, or nil
// where there is nothing to compute: no duct, or neither a fan curve nor a plate
// nor the collector's power. Gate i of the network is gate i of the shop, and
// machine i machine i. The caller may change what it is given.
func (s *Shop) Duct() *duct.Network {
	if s.network == nil {
		return nil
	}
	return s.network.Clone()
}

// runOnAlone is the run-on of a machine with no gate open but its own, where the
// duct is computed.
func (s *Shop) runOnAlone(m *Machine) (duct.RunOn, bool) {
	i := slices.IndexFunc(s.Machines, func(x Machine) bool { return x.Name == m.Name })
	if s.network == nil || i < 0 || len(s.network.Machines[i].Hoods) == 0 {
		return duct.RunOn{}, false
	}
	solver, err := duct.NewSolver(s.network)
	if err != nil {
		return duct.RunOn{}, false
	}
	st := solver.Solve(s.network.Machines[i].Gates)
	return s.network.RunOn(i, st, solver.Rho()), st.Converged
}

// RunOnAlone is the run-on of a machine while no other runs: as written, else
// computed from the duct where that can be, else with the shop's own clear-out.
func (s *Shop) RunOnAlone(machine int) time.Duration {
	m := &s.Machines[machine]
	if r, ok := s.runOnAlone(m); ok && !m.GivenRun {
		return r.Total
	}
	return m.RunOn
}

// airflow makes the network out of a raw shop. Everything that is not in the
// file is a guess: it has a range and is named in Network.Guesses.
type airflow struct {
	*builder
	n     *duct.Network
	hoses []string // with a guessed roughness
	ribs  []string // hoses known by their ribs
	plain []string // pipes
	sheet []string
	hoods []string // of machines, with a guessed entry loss
	kinds []string // hoods known by their kind
	wyes  []string
	leaks []string
	read  []*rawMeasured // of each of the network's measures
	bores []string       // gates with a guessed open loss
}

// air builds and checks the network. Problems are reported at their lines,
// unless something is wrong there already.
func (b *builder) air() {
	if len(b.raw.Duct) == 0 || b.raw.Collector == nil {
		return
	}
	a := &airflow{builder: b, n: &duct.Network{Expansion: true}}
	a.surroundings()
	for i := range b.raw.Gate {
		a.gate(i)
	}
	for i := range b.raw.Duct {
		a.segment(i)
	}
	a.machines()
	a.collector()
	a.measured()
	a.guessed()
	known := len(b.problems)
	wrong := false
	fan := len(a.n.Fan.Points) > 0
	tell := func(p duct.Problem) {
		switch path := a.path(p); {
		case p.Where == duct.AtFan && !fan: // nothing is said of the fan: that is allowed
		case b.inTrouble(path, known):
			wrong = wrong || !p.Warning
		case p.Warning:
			b.doubt(path, p.Message, p.Remedy)
		default:
			wrong = true
			b.add(path, p.Message, p.Remedy)
		}
	}
	for _, p := range a.n.Validate() {
		tell(p)
	}
	if raw := a.raw.Air; raw != nil && raw.Purge && !fan && !wrong {
		b.doubt("air.purge", "without the fan's curve no air is computed, so it is not known where chips lie", "give fan, its curve, or free_flow and shut_off, or power")
	}
	if wrong || !fan {
		return
	}
	b.s.network = a.n
	a.believed()
	for _, p := range a.n.Reach() {
		tell(p)
	}
}

// inTrouble reports whether one of the first known problems lies in the table
// around path: what follows from it need not be told.
func (b *builder) inTrouble(path string, known int) bool {
	table, _, _ := strings.Cut(path, ".")
	for where, pos := range b.places {
		if where != table && !strings.HasPrefix(where, table+".") {
			continue
		}
		for _, p := range b.problems[:known] {
			if p.Line == pos.line && p.Column == pos.column {
				return true
			}
		}
	}
	return false
}

// path is the place in the file that a problem of the network is about.
func (a *airflow) path(p duct.Problem) string {
	raw := a.raw
	switch p.Where {
	case duct.AtSegment:
		switch d := &raw.Duct[p.Index]; {
		case p.Key == "port" || p.Key == "flow":
			return d.key("hood." + p.Key)
		default:
			return d.key(p.Key)
		}
	case duct.AtGate:
		return raw.Gate[p.Index].key(p.Key)
	case duct.AtMachine:
		return raw.Machine[p.Index].key(p.Key)
	case duct.AtFan:
		if p.Index < len(raw.Collector.Fan) {
			return raw.Collector.item("fan", p.Index)
		}
		return raw.Collector.key("shut_off")
	case duct.AtFilter:
		return raw.Collector.key(p.Key)
	case duct.AtAir, duct.AtTransport:
		return "air." + p.Key
	default:
		return "duct"
	}
}

func (a *airflow) surroundings() {
	raw := a.raw.Air
	if raw == nil {
		return
	}
	n := a.n
	set(&n.Air.Altitude, raw.Altitude)
	set(&n.Air.Density, raw.Density)
	if raw.Temperature != nil {
		n.Air.Celsius, n.Air.HasCelsius = *raw.Temperature-273.15, true
	}
	set(&n.Transport.Min, raw.Transport)
	set(&n.Transport.Slip, raw.Slip)
	set(&n.Transport.Settle, raw.Settle)
	set(&n.Expansion, raw.Expansion)
}

func (a *airflow) gate(i int) {
	raw := &a.raw.Gate[i]
	g := duct.Gate{Name: raw.Name, Open: duct.DefaultGate()}
	if raw.LossOpen != nil {
		g.Open = duct.Exact(*raw.LossOpen)
	} else {
		a.bores = append(a.bores, raw.Name)
	}
	switch {
	case raw.LossShut != nil && raw.Leak != nil:
		a.add(raw.key("leak"), fmt.Sprintf("gate %q: leak and loss_shut say the same thing twice", raw.Name), "keep either")
	case raw.LossShut != nil:
		g.Shut = duct.Exact(*raw.LossShut)
	case raw.Leak != nil:
		g.Shut = duct.Exact(duct.LeakLoss(*raw.Leak))
	default:
		e := duct.DefaultLeak()
		g.Shut = duct.Guess(duct.LeakLoss(e.Value), duct.LeakLoss(e.High), duct.LeakLoss(e.Low))
		a.leaks = append(a.leaks, raw.Name)
	}
	set(&g.Opening, raw.Opening)
	a.n.Gates = append(a.n.Gates, g)
}

const degree = math.Pi / 180

func (a *airflow) segment(i int) {
	raw, d := &a.raw.Duct[i], &a.s.Ducts[i]
	s := duct.Segment{Name: raw.Name, To: duct.Collector, Diameter: raw.Diameter, Length: raw.Length, Rise: d.Rise,
		Gate: duct.NoGate, Flexible: raw.Kind == "hose"}
	if d.To != ToCollector {
		s.To = d.To
	}
	if d.Gate >= 0 {
		s.Gate = d.Gate
	}
	switch {
	case raw.Roughness != nil && raw.Ribs != nil:
		a.add(raw.key("ribs"), fmt.Sprintf("duct %q: roughness and ribs say the same thing twice", raw.Name), "keep either")
	case raw.Roughness != nil:
		s.Roughness = duct.Exact(*raw.Roughness)
	case raw.Ribs != nil && raw.Kind != "hose" && raw.Kind != "":
		a.add(raw.key("ribs"), fmt.Sprintf("duct %q: only a hose has ribs", raw.Name), `take ribs out, or write kind = "hose"`)
	case raw.Ribs != nil:
		s.Roughness = duct.Hose(*raw.Ribs)
		a.ribs = append(a.ribs, raw.Name)
	case raw.Kind == "hose":
		s.Roughness = duct.StretchedHose
		a.hoses = append(a.hoses, raw.Name)
	case raw.Kind == "spiral":
		s.Roughness = duct.SpiralPipe
		a.sheet = append(a.sheet, raw.Name)
	default:
		s.Roughness = duct.SmoothPipe
		a.plain = append(a.plain, raw.Name)
	}
	for range raw.Elbows {
		s.Pieces = append(s.Pieces, duct.Piece{Kind: duct.Elbow, Angle: 90, RadiusRatio: 1.5, Pleated: s.Flexible})
	}
	for j := range raw.Elbow {
		e := &raw.Elbow[j]
		p := duct.Piece{Kind: duct.Elbow, Angle: e.Angle / degree, RadiusRatio: 1.5, Gores: e.Pieces, Pleated: s.Flexible && e.Pieces == 0}
		if e.Radius != nil && raw.Diameter > 0 {
			p.RadiusRatio = *e.Radius / raw.Diameter
		}
		if e.Loss != nil {
			if e.Radius != nil || e.Pieces != 0 {
				a.add(e.key("loss"), fmt.Sprintf("duct %q: an elbow's loss already covers its radius and pieces", raw.Name), "keep either")
			}
			p = duct.Piece{Kind: duct.RawLoss, Loss: duct.Exact(*e.Loss)}
		}
		for range e.Count {
			s.Pieces = append(s.Pieces, p)
		}
	}
	if r := raw.Reducer; r != nil {
		p := duct.Piece{Kind: duct.Reducer, From: r.From, Taper: r.Taper / degree}
		if r.Loss != nil {
			p = duct.Piece{Kind: duct.RawLoss, Loss: duct.Exact(*r.Loss)}
		}
		s.Pieces = append(s.Pieces, p)
	}
	if raw.Loss != nil {
		s.Pieces = append(s.Pieces, duct.Piece{Kind: duct.RawLoss, Loss: duct.Exact(*raw.Loss)})
	}
	switch {
	case raw.Wye != nil && d.To == ToCollector:
		a.add(raw.key("wye"), fmt.Sprintf("duct %q runs to the collector and joins no other duct", raw.Name), "take wye out")
	case raw.Wye != nil:
		s.Pieces = append(s.Pieces, duct.Piece{Kind: duct.Wye, Angle: *raw.Wye / degree})
	case a.n.Expansion && a.side(i):
		// 45 degrees; between a slanted wye and a tee.
		s.Pieces = append(s.Pieces, duct.Piece{Kind: duct.Wye, Loss: duct.Guess(duct.WyeLoss(45), duct.WyeLoss(30), duct.WyeLoss(90))})
		a.wyes = append(a.wyes, raw.Name)
	}
	a.hood(i, &s)
	a.n.Segments = append(a.n.Segments, s)
}

// side reports whether duct i joins another from the side without saying at
// which angle: of those that do not say, the widest goes straight through.
func (a *airflow) side(i int) bool {
	d := a.s.Ducts
	if d[i].To == ToCollector {
		return false
	}
	for j := range d {
		if j != i && d[j].To == d[i].To && d[j].Wye == nil && (d[j].Diameter > d[i].Diameter || d[j].Diameter == d[i].Diameter && (a.s.joined(j) && !a.s.joined(i) || a.s.joined(j) == a.s.joined(i) && j < i)) {
			return true
		}
	}
	return false
}

func (a *airflow) hood(i int, s *duct.Segment) {
	raw, d := &a.raw.Duct[i], &a.s.Ducts[i]
	if a.s.joined(i) {
		if raw.Hood != nil {
			a.add(raw.key("hood"), fmt.Sprintf("duct %q has a hood, and other ducts run into it", raw.Name), "put the hood on a duct of its own that runs to this one")
		}
		return
	}
	h := &duct.Hood{}
	s.Hood = h
	if r := raw.Hood; r != nil {
		set(&h.Port, r.Port)
		set(&h.Wants, r.Flow)
		switch {
		case r.Kind != nil && r.Loss != nil:
			a.add(r.key("loss"), fmt.Sprintf("duct %q: a hood's kind and its loss say the same thing twice", raw.Name), "keep either")
			return
		case r.Loss != nil:
			h.Entry = duct.Exact(*r.Loss)
			return
		case r.Kind != nil:
			h.Entry = duct.HoodKinds[*r.Kind]
			if e := h.Entry; e.Low < e.High {
				a.kinds = append(a.kinds, fmt.Sprintf("%s (%s, %s to %s)", raw.Name, *r.Kind, number(e.Low), number(e.High)))
			}
			return
		}
	}
	switch {
	case !a.n.Expansion: // no loss that is not written
		h.Entry = duct.Exact(0)
	case len(d.Hoods) > 0:
		h.Entry = duct.UnknownHood()
		a.hoods = append(a.hoods, raw.Name)
	default:
		h.Entry = duct.HoodKinds["plain"]
	}
}

func (a *airflow) machines() {
	n := a.n
	for i := range a.s.Machines {
		m, raw := &a.s.Machines[i], &a.raw.Machine[i]
		dm := duct.Machine{Name: m.Name, Hoods: slices.Clone(m.Hoods), Coast: m.Coast}
		set(&dm.MinVelocity, raw.Transport)
		if m.GivenRun {
			dm.RunOn = m.RunOn
		}
		for _, g := range m.Gates {
			dm.Gates |= 1 << uint(g)
		}
		if len(dm.Hoods) == 0 {
			for d := range a.s.Ducts {
				if on := n.OpenFor(d); !a.s.joined(d) && on != 0 && on&^dm.Gates == 0 {
					dm.Hoods = append(dm.Hoods, d)
				}
			}
		}
		n.Machines = append(n.Machines, dm)
		// What the machine wants is shared by its hoods after their ports.
		total := 0.0
		port := func(d int) float64 {
			w := n.Segments[d].Diameter
			if p := n.Segments[d].Hood.Port; p > 0 {
				w = p
			}
			return w * w
		}
		for _, d := range dm.Hoods {
			total += port(d)
		}
		for _, d := range dm.Hoods {
			if h := n.Segments[d].Hood; h.Wants == 0 && m.Flow > 0 && total > 0 {
				h.Wants = m.Flow * port(d) / total
			}
		}
	}
	// What is open all the time and belongs to no machine is a relief.
	for d := range n.Segments {
		if h := n.Segments[d].Hood; h != nil && n.OpenFor(d) == 0 && !slices.ContainsFunc(n.Machines, func(m duct.Machine) bool { return slices.Contains(m.Hoods, d) }) {
			h.Relief = true
		}
	}
	for i := range a.s.Gates {
		// A gate that only a person opens occurs by itself.
		set := uint64(0)
		if d := a.s.Gates[i].Duct; d >= 0 && !a.s.joined(d) {
			set = n.OpenFor(d)
		}
		if set != 0 && !slices.ContainsFunc(n.Machines, func(m duct.Machine) bool { return m.Gates == set }) {
			n.Together = append(n.Together, set)
		}
	}
	if a.raw.Air == nil {
		return
	}
	for i, names := range a.raw.Air.Together {
		set := uint64(0)
		for j, name := range names {
			key := fmt.Sprintf("air.together[%d][%d]", i, j)
			if m := a.find(key, name, "machine", a.builder.machines); m >= 0 {
				set |= n.Machines[m].Gates
			}
		}
		if set != 0 && !slices.Contains(n.Together, set) {
			n.Together = append(n.Together, set)
		}
	}
}

func (a *airflow) collector() {
	raw, n := a.raw.Collector, a.n
	f := &n.Fan
	switch plate := raw.FreeFlow != nil || raw.ShutOff != nil; {
	case len(raw.Fan) > 0 && plate:
		a.add(raw.key("fan"), "collector: the fan is given by points and by its plate as well", "keep the points, which say more")
	case len(raw.Fan) > 0:
		for _, p := range raw.Fan {
			f.Points = append(f.Points, duct.FanPoint{Flow: p.Flow, Pressure: p.Pressure})
		}
	case raw.Power == nil && (raw.FreeFlow == nil || raw.ShutOff == nil):
		if plate {
			a.add(raw.path, "collector: its plate needs both free_flow and shut_off, or one of them and power", "add what is missing")
		}
	case plate || raw.Power != nil:
		flow, shut := 0.0, 0.0
		if raw.Power != nil {
			flow, shut = duct.FreeFlow(*raw.Power), duct.ShutOffPressure(*raw.Power)
		}
		set(&flow, raw.FreeFlow)
		set(&shut, raw.ShutOff)
		*f = duct.Nameplate(flow, shut)
		from := "its plate"
		if raw.Power != nil && (raw.FreeFlow == nil || raw.ShutOff == nil) {
			byPower, known := duct.FromPower(*raw.Power)
			if !known {
				a.doubt(raw.key("power"), fmt.Sprintf("what a fan of %s moves is not known here: classes from 1 to 5 hp are, and the nearest is taken", a.s.u(Power, *raw.Power)),
					"give free_flow and shut_off from its plate, or fan, its curve")
			}
			f.FlowFactor, f.PressureFactor = byPower.FlowFactor, byPower.PressureFactor
			if raw.FreeFlow != nil {
				f.FlowFactor = duct.Nameplate(flow, shut).FlowFactor
			}
			if raw.ShutOff != nil {
				f.PressureFactor = duct.Nameplate(flow, shut).PressureFactor
			}
		}
		if !plate {
			from = "its power alone"
		}
		a.assume([]duct.Part{duct.FanPart, duct.FanFlowPart}, fmt.Sprintf("the fan's curve, from %s: %s free (%s to %s times that), %s shut off (%s to %s times)", from,
			a.s.u(Flow, flow), number(f.FlowFactor.Low), number(f.FlowFactor.High), a.s.u(Pressure, shut), number(f.PressureFactor.Low), number(f.PressureFactor.High)))
	}
	f.Mains = a.s.Mains.Frequency
	f.Frequency = f.Mains
	set(&f.Frequency, raw.FanFrequency)
	set(&f.Density, raw.FanDensity)
	a.cloth()
	if r := raw.Separator; r != nil && r.Flow > 0 {
		n.Separator = duct.Exact(r.Pressure / (r.Flow * r.Flow))
	}
	if raw.Leakage != nil {
		n.Leakage = duct.Exact(math.Pi / 4 * *raw.Leakage * *raw.Leakage)
	}
}

// measured takes over what was read in the shop.
func (a *airflow) measured() {
	if a.raw.Air == nil {
		return
	}
	for i := range a.raw.Air.Measured {
		raw := &a.raw.Air.Measured[i]
		m := duct.Measure{Segment: -1}
		for j, name := range raw.Open {
			if g := a.find(raw.item("open", j), name, "gate", a.gates); g >= 0 {
				m.Open |= 1 << uint(g)
			}
		}
		figures := 0
		take := func(q duct.Quantity, v *float64) {
			if v != nil {
				figures++
				m.Quantity, m.Value = q, *v
			}
		}
		take(duct.StaticPressure, raw.Pressure)
		m.Value = -math.Abs(m.Value) // a gauge on the suction side shows suction
		take(duct.MeanVelocity, raw.Velocity)
		take(duct.FilterDrop, raw.Filter)
		set(&m.Error, raw.Within)
		where := raw.Duct != nil
		if where {
			m.Segment = a.find(raw.key("duct"), *raw.Duct, "duct", a.ducts)
		}
		switch {
		case figures != 1:
			a.add(raw.path, "a reading is one figure", "give pressure, velocity or filter, one of them")
		case raw.Filter != nil && where:
			a.add(raw.key("duct"), "the loss of the filter is read across the filter, not in a duct", "leave duct out")
		case raw.Filter == nil && !where:
			a.add(raw.path, "where it was read is missing", "give duct: the pressure is that at its downstream end, ahead of the wye")
		case m.Value == 0:
			a.add(raw.key("pressure"), "a pressure of 0 tells nothing", "read it again while the collector runs")
		case m.Quantity == duct.StaticPressure && -m.Value > a.lifts():
			a.add(raw.key("pressure"), fmt.Sprintf("the fan cannot lift that: %s at most", a.s.u(Pressure, a.lifts())), "check the unit, or the fan's curve")
		}
		set(&m.Date, raw.Date)
		if raw.Date != nil {
			if _, err := time.Parse(time.DateOnly, *raw.Date); err != nil {
				a.add(raw.key("date"), fmt.Sprintf("%q is no date", *raw.Date), `write it as in "2026-11-30"`)
			}
		}
		if m.Quantity != 0 && (m.Segment >= 0 || m.Quantity == duct.FilterDrop) {
			a.n.Measured, a.read = append(a.n.Measured, m), append(a.read, raw)
		}
	}
}

// lifts is the most that the fan is thought to lift, in Pa.
func (a *airflow) lifts() float64 {
	f := &a.n.Fan
	if len(f.Points) == 0 {
		return math.Inf(1)
	}
	return f.Points[0].Pressure * max(1.3, f.PressureFactor.High)
}

// believed leaves out readings of other ducts, and warns of those that cannot be
// believed.
func (a *airflow) believed() {
	n := a.n
	mark := n.Mark()
	all := n.Measured
	n.Measured = nil
	for i, raw := range a.read {
		if raw.Of != nil && *raw.Of != mark {
			a.doubt(raw.key("of"), fmt.Sprintf("it was read in other ducts: the mark of these is %q, so it does not count", mark), "read again, or take it out")
			continue
		}
		n.Measured = append(n.Measured, all[i])
	}
	if len(n.Measured) == 0 {
		return
	}
	e, err := duct.NewEnsemble(n)
	if err != nil {
		return // it is told elsewhere
	}
	if _, used := e.Measured(); used == 0 {
		n.Measured = nil
		a.doubt("air.measured", "the readings lie outside what the guesses leave possible, so they do not count", `run "kerfwind ducts fit" to see what may be off`)
	}
}

// cloth is the filter. Without a word about it, it is taken as seasoned: 2 in.wg
// at free flow, from 0.5 (clean) to 5 (loaded). Common practice, no source.
func (a *airflow) cloth() {
	n, r := a.n, a.raw.Collector.Filter
	if r == nil {
		if p := n.Fan.Points; len(p) > 1 && n.Expansion {
			q := p[len(p)-1].Flow
			n.Filter = duct.Filter{Now: duct.Guess(2*inH2O/q, 0.5*inH2O/q, 5*inH2O/q), Clean: 0.5 * inH2O / q, Loaded: 5 * inH2O / q}
			a.assume([]duct.Part{duct.FilterPart}, fmt.Sprintf("the filter: %s at %s (%s clean to %s loaded)", a.s.u(Pressure, 2*inH2O), a.s.u(Flow, q), a.s.u(Pressure, 0.5*inH2O), a.s.u(Pressure, 5*inH2O)))
		}
		return
	}
	if r.Flow <= 0 {
		return
	}
	f := duct.Filter{Clean: r.Clean / r.Flow, Loaded: r.Clean / r.Flow}
	if r.Loaded != nil {
		f.Loaded = *r.Loaded / r.Flow
	}
	switch {
	case r.Now != nil:
		f.Now = duct.Exact(f.Clean + *r.Now*(f.Loaded-f.Clean))
	case f.Clean >= f.Loaded: // more is an error, found later
		f.Now = duct.Exact(f.Clean)
	default:
		f.Now = duct.Guess((f.Clean+f.Loaded)/2, f.Clean, f.Loaded)
		a.assume([]duct.Part{duct.FilterPart}, "the filter: half way between clean and loaded (from one to the other)")
	}
	n.Filter = f
}

// assume names a guess.
func (a *airflow) assume(parts []duct.Part, words string) {
	a.n.Guesses = append(a.n.Guesses, duct.Assumption{Parts: parts, Words: words})
}

// guessed says in words what has a range, one line a kind.
func (a *airflow) guessed() {
	say := func(p duct.Part, names []string, format string, args ...any) {
		if len(names) > 0 {
			a.assume([]duct.Part{p}, fmt.Sprintf(format, args...)+": "+strings.Join(names, ", "))
		}
	}
	h, l, g, u := duct.StretchedHose, duct.DefaultLeak(), duct.DefaultGate(), duct.UnknownHood()
	mm := func(x float64) string { return number(x*1000) + " mm" }
	say(duct.HoodPart, a.hoods, "machine hoods of unknown loss, taken as %s velocity pressures (%s to %s)", number(u.Value), number(u.Low), number(u.High))
	say(duct.HosePart, a.hoses, "hoses of unknown ribs, roughness %s (%s to %s)", mm(h.Value), mm(h.Low), mm(h.High))
	say(duct.FittingPart, a.wyes, "branches of unknown angle, taken as 45 degrees (30 to 90)")
	say(duct.LeakPart, a.leaks, "shut gates of unknown leak, taken as %s %% of the bore (%s to %s %%)", number(l.Value*100), number(l.Low*100), number(l.High*100))
	say(duct.OpenPart, a.bores, "open gates of unknown loss, taken as %s velocity pressures (%s to %s)", number(g.Value), number(g.Low), number(g.High))
	say(duct.HoodPart, a.kinds, "hoods of a named kind, in velocity pressures")
	say(duct.HosePart, a.ribs, "hoses known by their ribs, roughness within half of that")
	rough := func(names []string, kind string, e duct.Estimate) {
		say(duct.PipePart, names, "%s, roughness %s (%s to %s)", kind, mm(e.Value), mm(e.Low), mm(e.High))
	}
	rough(a.plain, "smooth pipes", duct.SmoothPipe)
	rough(a.sheet, "spiral pipes", duct.SpiralPipe)
}
