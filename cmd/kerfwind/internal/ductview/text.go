package ductview

import (
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"
	"time"

	"kerfwind/config"
	"kerfwind/control/duct"
)

// writer keeps the first error of a chain of writes.
type writer struct {
	w   io.Writer
	err error
}

func (w *writer) Write(b []byte) (int, error) {
	if w.err != nil {
		return len(b), nil
	}
	_, w.err = w.w.Write(b)
	return len(b), nil
}

func (w *writer) line(format string, args ...any) {
	fmt.Fprintf(w, format+"\n", args...)
}

// lineLength is the length of the report's lines of prose.
const lineLength = 92

// paragraph writes text in lines of lineLength, the first after a mark.
func (w *writer) paragraph(mark, text string) {
	for _, l := range wrap(text, lineLength) {
		w.line("%s%s", mark, l)
		mark = strings.Repeat(" ", len(mark))
	}
}

// table writes rows with aligned columns.
func (w *writer) table(rows [][]string) {
	t := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	for _, r := range rows {
		fmt.Fprintln(t, "  "+strings.TrimRight(strings.Join(r, "\t"), "\t "))
	}
	_ = t.Flush() // writes into w, which keeps the error
}

// WriteText writes the report on sets of open gates, with the run-on table after
// it if runOns is set. It returns false if an operating point was not found.
func (s *Study) WriteText(out io.Writer, sets []uint64, runOns bool) (converged bool, err error) {
	w := &writer{w: out}
	s.head(w)
	converged = true
	for i, open := range sets {
		s.progress(i, len(sets))
		c := s.Look(open)
		converged = converged && c.Converged
		w.line("")
		s.caseText(w, c)
	}
	if runOns {
		s.writeAdvice(w)
		ok := s.runOnTable(w)
		converged = converged && ok
	}
	w.line("")
	w.line("%s", Disclaimer)
	return converged, w.err
}

func (s *Study) head(w *writer) {
	n := s.Net
	fan := n.Fan.Points
	w.line("Ducts of %q: %s, %s, %s. Air of %s.", s.Name, count(len(n.Segments), "duct"), count(len(n.Gates), "gate"), count(len(n.Machines), "machine"), s.u(config.Density, s.middle.Rho()))
	top, last := fan[0], fan[len(fan)-1]
	speed := ""
	if n.Fan.Mains != n.Fan.Frequency {
		speed = fmt.Sprintf(", at %s; it runs at %s", s.u(config.Frequency, n.Fan.Frequency), s.u(config.Frequency, n.Fan.Mains))
	}
	w.line("Fan: %s at %s, %s at %s%s.", s.u(config.Pressure, top.Pressure), s.u(config.Flow, top.Flow), s.u(config.Pressure, last.Pressure), s.u(config.Flow, last.Flow), speed)
	s.motor(w)
	moist := ""
	if low := n.Transport.Min; low < duct.MinMoist {
		moist = fmt.Sprintf(" Moist ones need %s.", s.u(config.Velocity, duct.MinMoist))
	}
	w.line("Chips need %s; below %s they settle, between the two it is doubtful.%s", s.u(config.Velocity, s.minimum()), s.u(config.Velocity, duct.Marginal*s.minimum()), moist)
	if text := s.Calibration(); text != "" {
		w.line("%s", text)
	}
	if len(n.Guesses) > 0 {
		w.line("Guesses, the one that counts most first. A range in brackets holds the figure in 8 of 10 cases.")
		for _, g := range s.Guesses() {
			w.paragraph("  - ", g)
		}
	}
}

// minimum is the transport velocity of the shop.
func (s *Study) minimum() float64 { return s.Net.MinVelocity(0, 0, s.middle.Rho()) }

// span writes the range of a figure, or nothing where the guesses leave none.
func (s *Study) span(q config.Quantity, r duct.Range) string {
	low, high := s.u(q, r.Low), s.u(q, r.High)
	if low == high || math.Abs(r.High-r.Low) < 0.005*math.Abs(r.High) {
		return ""
	}
	_, unit, _ := strings.Cut(low, " ")
	return fmt.Sprintf("(%s to %s)", strings.TrimSuffix(low, " "+unit), strings.TrimSuffix(high, " "+unit))
}

// Span writes a figure and the range that holds it in eight cases of ten.
func (s *Study) Span(q config.Quantity, r duct.Range) string {
	return strings.TrimRight(s.u(q, r.Middle)+" "+s.span(q, r), " ")
}

// InCases says odds in words.
func InCases(odds float64) string {
	switch n := math.Round(10 * odds); {
	case odds >= 1:
		return "in every case"
	case odds <= 0:
		return "in no case"
	case n == 10:
		return "in nearly every case"
	case n == 0:
		return "in hardly any case"
	default:
		return fmt.Sprintf("in %.0f of 10 cases", n)
	}
}

func (s *Study) caseText(w *writer, c *Case) {
	n := s.Net
	title := strings.ToUpper(c.Title[:1]) + c.Title[1:]
	if len(c.Hoods) == 1 && len(c.RunOns) == 1 {
		title += " alone"
	}
	w.line("%s", title)
	open := "none"
	if c.Open != 0 {
		open = strings.Join(s.GateNames(c.Open), ", ")
	}
	w.line("  open: %s; the fan moves %s and lifts %s, of which the filter takes %s", open,
		s.u(config.Flow, c.Spread.Total().Middle), s.u(config.Pressure, c.Spread.Fan().Middle), s.u(config.Pressure, c.Spread.Filter().Middle))
	if !c.Converged {
		w.line("  NO BALANCE OF FAN AND DUCTS FOUND: residual %.1e after %d passes; do not trust the figures below", c.State.Residual, c.State.Passes)
	}
	rows := [][]string{{"hood", "flow", "", "wanted", "verdict"}}
	for i := range c.Hoods {
		h := &c.Hoods[i]
		want := s.u(config.Flow, h.Want)
		if !h.Given {
			want += " (port area)"
		}
		rows = append(rows, []string{s.HoodName(h.Segment), s.u(config.Flow, h.Flow.Middle), s.span(config.Flow, h.Flow), want, h.Word()})
	}
	if len(rows) > 1 {
		w.table(rows)
	}
	rows = [][]string{{"duct", "diameter", "flow", "velocity", "", "wall tap", "chips"}}
	for i := range n.Segments {
		span := ""
		if c.Carry[i] != duct.Idle {
			span = s.span(config.Velocity, c.Speed[i])
		}
		rows = append(rows, []string{n.Segments[i].Name, s.u(config.Length, n.Segments[i].Diameter), s.u(config.Flow, c.Spread.Flow(i).Middle),
			s.u(config.Velocity, c.Speed[i].Middle), span, s.u(config.Pressure, c.Spread.Static(i).Middle), s.CarryWord(c, i)})
	}
	w.table(rows)
	for _, r := range c.RunOns {
		w.line("  run-on of %s: %s", n.Machines[r.Machine].Name, s.runOnWords(&r))
	}
	for _, line := range append(s.Verdicts(c), s.Doubts(c)...) {
		w.paragraph("  * ", line)
	}
}

// HoodName names the hood of segment i after its duct and what it serves.
func (s *Study) HoodName(i int) string {
	name := s.Net.Segments[i].Name
	for _, m := range s.Net.Machines {
		for _, h := range m.Hoods {
			if h == i {
				return name + " " + m.Name
			}
		}
	}
	if g := s.Net.Segments[i].Gate; g >= 0 && s.Net.Gates[g].Name != name {
		return name + " " + s.Net.Gates[g].Name
	}
	return name
}

// Word says in a few words whether the hood gets what it wants.
func (h *HoodView) Word() string {
	word, odds := "enough", h.Odds
	if !h.Enough() {
		word, odds = "short", 1-odds
	}
	if !h.Known {
		word += " " + InCases(odds)
	}
	return word
}

// CarryWord says in a few words what becomes of chips in segment i.
func (s *Study) CarryWord(c *Case, i int) string {
	switch k := c.Carry[i]; {
	case k == duct.Idle:
		return "-"
	case s.known():
		return k.String()
	case k == duct.Carries:
		return "carries " + InCases(c.Swift[i])
	case k == duct.Settles:
		return "settles " + InCases(c.Stuck[i])
	default:
		return fmt.Sprintf("doubtful: carries %s, settles %s", InCases(c.Swift[i]), InCases(c.Stuck[i]))
	}
}

// Verdicts says what is wrong in a case and what to do, in sentences.
func (s *Study) Verdicts(c *Case) []string {
	n := s.Net
	var out []string
	short := 0
	for i := range c.Hoods {
		h := &c.Hoods[i]
		if h.Enough() {
			continue
		}
		if short++; short > mostHelped {
			continue
		}
		line := fmt.Sprintf("%s gets %s of the %s it wants", s.HoodName(h.Segment), s.u(config.Flow, h.Flow.Middle), s.u(config.Flow, h.Want))
		if r := s.airRemedies(c, h); len(r) > 0 {
			line += ". What would help: " + strings.Join(r, "; or ")
		} else {
			line += ". No single change is enough: combine a larger branch, smoother pipe and a bigger collector"
		}
		out = append(out, line)
	}
	if more := short - mostHelped; more > 0 {
		out = append(out, fmt.Sprintf("%s more get less than they want: see the table of hoods", count(more, "hood")))
	}
	var slow, doubtful []string
	for i, k := range c.Carry {
		word := fmt.Sprintf("%s (%s)", n.Segments[i].Name, s.u(config.Velocity, c.Speed[i].Middle))
		switch k {
		case duct.Settles:
			slow = append(slow, word)
		case duct.Doubtful:
			doubtful = append(doubtful, word)
		default:
		}
	}
	if len(slow) > 0 {
		out = append(out, "chips settle in "+strings.Join(slow, ", ")+"; time alone will not clear it. "+sentence(strings.Join(s.slowRemedies(c), "; or ")))
	}
	if len(doubtful) > 0 {
		out = append(out, "transport is doubtful in "+strings.Join(doubtful, ", "))
	}
	if dead := s.blocked(c.Open); len(dead) > 0 {
		why := "shut"
		if c.Doubt != 0 {
			why = "shut, or not known to be open"
		}
		out = append(out, "open for nothing, since a gate further on is "+why+": "+strings.Join(dead, ", "))
	}
	return out
}

// mostHelped bounds the hoods of a case for which remedies, or the guess that counts
// most, are sought: what helps one helps its neighbours.
const mostHelped = 8

// progress says how many of the sets of gates are done.
func (s *Study) progress(done, of int) {
	if s.Progress != nil {
		s.Progress(fmt.Sprintf("%d of %d sets of gates", done, of))
	}
}

// blocked lists the open gates whose way to the collector is shut.
func (s *Study) blocked(open uint64) []string {
	var out []string
	for _, g := range duct.GateList(open) {
		if i := s.segmentOf(g); i >= 0 && s.Net.OpenFor(i)&^open != 0 {
			out = append(out, s.Net.Gates[g].Name)
		}
	}
	return out
}

func sentence(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

// runOnWords says how a run-on comes about.
func (s *Study) runOnWords(r *RunOnView) string {
	travel := "chips are not lifted"
	if !math.IsInf(r.Travel, 0) {
		travel = "chips travel " + config.FormatDuration(time.Duration(r.Travel*1e9).Round(100*time.Millisecond))
	}
	text := fmt.Sprintf("%s = %s to coast + %s to clear the duct (%s)", config.FormatDuration(r.Total), config.FormatDuration(r.Coast), config.FormatDuration(r.Clear), travel)
	if r.Given {
		text = fmt.Sprintf("%s as given (computed: %s to clear the duct; %s)", config.FormatDuration(r.Total), config.FormatDuration(r.Clear), travel)
	}
	if len(r.Stuck) > 0 {
		var names []string
		for _, i := range r.Stuck {
			names = append(names, s.Net.Segments[i].Name)
		}
		text += "; does not clear " + strings.Join(names, ", ")
	}
	return text
}

// runOnTable prints what the daemon uses: the run-on of each machine for singles,
// pairs and declared sets.
func (s *Study) runOnTable(w *writer) (converged bool) {
	table, err := duct.NewTable(s.Net)
	if err != nil || len(s.Net.Machines) == 0 {
		return err == nil
	}
	table.Start()
	rows := [][]string{{"open for", "helper gates", "run-on"}}
	for _, set := range s.Net.StartSets() {
		var runs []string
		for m, mc := range s.Net.Machines {
			if mc.Gates != 0 && mc.Gates&^set == 0 {
				runs = append(runs, mc.Name+" "+config.FormatDuration(table.RunOn(m, set)))
			}
		}
		helpers := strings.Join(s.GateNames(table.Helper(set)), ", ")
		if helpers == "" {
			helpers = "-"
		}
		if len(runs) > 0 {
			rows = append(rows, []string{s.Title(set), helpers, strings.Join(runs, ", ")})
		}
	}
	w.line("")
	w.line("Run-on table, as the daemon uses it. For a set missing here: coast + 60 s until it is solved.")
	w.table(rows)
	return len(table.Failed()) == 0
}
