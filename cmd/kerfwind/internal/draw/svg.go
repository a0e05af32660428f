package draw

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"kerfwind/control"
)

// Options say how the picture is made.
type Options struct {
	Title string        // what is shown; empty: "kerfwind recording"
	Width int           // pixels at natural size, 320 to 8000; 0 takes 1200. Below 640 it is laid out for a phone.
	RunUp time.Duration // from the collector's command to full flow; 0 not known, and the picture says so
}

// Limits of lists below the lanes.
const (
	mostStarts = 6
	mostFlags  = 12
)

// WriteSVG draws what was gathered from 0 to end. Errors: end is not above 0,
// or w fails.
func (p *Picture) WriteSVG(w io.Writer, end time.Duration, opt Options) error {
	if end <= 0 {
		return errors.New("draw: the recording is empty: there is nothing to draw")
	}
	s := newSheet(opt.Width, end)
	title := opt.Title
	if title == "" {
		title = "kerfwind recording"
	}
	s.y = float64(s.font * 2.2)
	s.text(s.margin(), s.y, s.font*1.4, "b", "start", cut(title, s.font*1.5, s.width-s.margin()*2))
	s.y += s.font * 1.2
	top := s.y

	// The lanes are drawn on a sheet of their own: the grid behind them needs
	// to know how far down they reach.
	body := *s
	body.b = strings.Builder{}
	p.lanes(&body)
	bottom := body.y
	s.axis(top, bottom)
	s.b.WriteString(body.b.String())
	s.y = bottom + float64(s.font*2.2)
	p.legend(s)
	p.flowTable(s, opt.RunUp)
	p.flagList(s)

	height := s.y + s.font
	head := fmt.Sprintf(`<svg class="kw" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" width="%s" height="%s" style="max-width:100%%;height:auto" role="img" aria-labelledby="kw-title kw-desc">
<title id="kw-title">%s</title>
<desc id="kw-desc">%s</desc>
%s<rect class="bg" width="%s" height="%s"/>
`, num(s.width), num(height), num(s.width), num(height), escape(title), escape(p.describe(end)), style, num(s.width), num(height))
	_, err := io.WriteString(w, head+s.b.String()+"</svg>\n")
	return err
}

func (s *sheet) margin() float64 {
	if s.small {
		return 8
	}
	return 16
}

// describe says in words what the picture shows.
func (p *Picture) describe(end time.Duration) string {
	var b strings.Builder
	fmt.Fprintf(&b, "Length %s. ", end.Round(time.Millisecond))
	for i, t := range p.collectors {
		n := 0
		before := false
		for _, g := range t {
			on := g.state != barOff && g.state != barStray
			if on && !before {
				n++
			}
			before = on
		}
		fmt.Fprintf(&b, "%s switched on: %d times. ", p.names.Name(control.ACollector, control.ID(i)), n)
	}
	fmt.Fprintf(&b, "Notices: %d. ", len(p.flags))
	b.WriteString("Lanes from top to bottom: current of each channel with the runs that were detected, gates, collector with the reason it runs, outlets, notices.")
	return b.String()
}

// lanes draws every lane and leaves y below the last.
func (p *Picture) lanes(s *sheet) {
	top := s.y
	if len(p.channels) > 0 {
		s.heading("Current, true RMS amperes")
		for i := range p.channels {
			p.currentLane(s, &p.channels[i])
		}
	}
	if len(p.loose) > 0 {
		s.heading("Machines without a current sensor")
		for _, m := range p.loose {
			s.trackLane(p.names.Name(control.AMachine, control.ID(m)), p.machines[m], runForms)
		}
	}
	if len(p.gates) > 0 {
		s.heading("Gates")
		for i := range p.gates {
			s.trackLane(p.names.Name(control.AGate, control.ID(i)), p.gates[i], gateForms)
		}
	}
	switch {
	case len(p.outlets) > 0:
		s.heading("Collector and outlets")
	case len(p.collectors) > 0:
		s.heading("Collector")
	}
	for i := range p.collectors {
		s.collectorLane(p.names.Name(control.ACollector, control.ID(i)), p.collectors[i])
	}
	for i := range p.outlets {
		s.trackLane(p.names.Name(control.AnOutlet, control.ID(i)), p.outlets[i], runForms)
	}
	if len(p.flags) > 0 {
		p.flagLane(s, top)
	}
}

// heading begins a group of lanes.
func (s *sheet) heading(words string) {
	s.y += s.font * 1.5
	s.text(s.margin(), s.y, s.font*0.9, "m", "start", cut(words, s.font*0.9, s.width-s.margin()*2))
	s.y += s.font * 0.45
}

// laneName writes the name of a lane whose middle is at y.
func (s *sheet) laneName(name string, y, room float64) {
	s.text(s.margin(), y+float64(s.font*0.36), s.font, "b", "start", cut(name, s.font*1.08, room))
}

// axis draws the time axis below the lanes and its grid behind them.
func (s *sheet) axis(top, bottom float64) {
	room := 64.0
	if s.small {
		room = 46
	}
	step := s.step(room)
	y := bottom + float64(s.font*1.25)
	for t := time.Duration(0); t <= s.end; t += step {
		x := s.x(t)
		s.line("grid", x, top+float64(s.font*1.2), x, bottom)
		s.line("axis", x, bottom, x, bottom+4)
		anchor := "middle"
		if x > s.width-wide("0:00:00", s.font)/2 {
			anchor = "end"
		}
		s.text(x, y, s.font*0.92, "", anchor, clock(t, step, s.end))
	}
	s.line("axis", s.left, bottom, s.left+s.plot, bottom)
	unit := "min:s"
	switch {
	case s.end >= time.Hour && step >= time.Minute:
		unit = "h:min"
	case s.end >= time.Hour:
		unit = "h:min:s"
	}
	s.text(s.margin(), y, s.font*0.92, "m", "start", unit)
}

// currentLane draws one channel.
func (p *Picture) currentLane(s *sheet, c *channel) {
	h := 66.0
	switch n := len(p.channels); {
	case s.small && n > 8:
		h = 34
	case s.small:
		h = 50
	case n > 12:
		h = 36
	case n > 6:
		h = 50
	}
	s.y += 4
	top, base := s.y, s.y+h
	cols, most := c.bins.columns(s.end, int(s.plot))
	level := 0.0
	if c.machine != control.NoID {
		level = float64(max(c.level.Start, c.level.Stop))
	}
	scale := axisTop(float64(c.bins.settled(startUp)), float64(most), level)
	y := func(a float64) float64 { return base - float64(h*min(1, a/scale)) }

	senses := c.machine != control.NoID // else nothing follows from what is detected
	for _, r := range s.visible(c.bins.spans(s.end, sawRunning)) {
		if !senses {
			break
		}
		x0, x1 := s.at(r.from), s.at(r.to)
		s.rect("run", x0, top, max(1, x1-x0), h)
		s.line("capline", x0, top, x0, base)
		s.line("capline", x1, top, x1, base)
		s.rect("cap", x0, top-3, max(1, x1-x0), 3)
	}
	s.line("grid", s.left, top, s.left+s.plot, top)
	s.line("grid", s.left, y(scale/2), s.left+s.plot, y(scale/2))
	s.line("axis", s.left, base, s.left+s.plot, base)
	s.line("axis", s.left, top, s.left, base)
	s.band(cols, c.bins.width(), y)
	s.peaks(cols, scale, top)
	for _, u := range s.visible(c.bins.spans(s.end, sawUnknown)) {
		x0, x1 := s.at(u.from), s.at(u.to)
		s.rect("none", x0, top, max(1, x1-x0), h)
		if x1-x0 > s.font*1.4 {
			s.text((x0+x1)/2, (top+base)/2+float64(s.font*0.4), s.font*1.1, "b halo", "middle", "?")
		}
	}
	if senses {
		s.levels(c.level, scale, y)
	}

	small := s.font * 0.85
	s.text(s.left-5, top+float64(small*0.75), small, "m", "end", fmt.Sprintf("%g", scale))
	if h > 40 && !s.small {
		s.text(s.left-5, y(scale/2)+float64(small*0.36), small, "m", "end", fmt.Sprintf("%g", scale/2))
	}
	s.text(s.left-5, base+float64(small*0.1), small, "m", "end", "0")
	room := s.left - s.margin() - 6
	if !s.small {
		room -= wide(fmt.Sprintf("%g", scale/2), small) + 4
	}
	name := p.names.Name(control.AMachine, c.machine)
	if name == "" {
		s.laneName(c.label, (top+base)/2-float64(s.font*0.55), room)
		s.text(s.margin(), (top+base)/2+float64(s.font*0.95), small, "m", "start", cut("no machine", small, room))
	} else {
		s.laneName(name, (top+base)/2-float64(s.font*0.55), room)
		s.text(s.margin(), (top+base)/2+float64(s.font*0.95), small, "m", "start", cut(c.label, small, room))
	}
	s.y = base + 4
}

// visible joins spans that less than two pixels part: their edges would run
// into one.
func (s *sheet) visible(all []span) []span {
	out := all[:0]
	for _, r := range all {
		if n := len(out) - 1; n >= 0 && s.at(r.from)-s.at(out[n].to) < 2 {
			out[n].to = r.to
			continue
		}
		out = append(out, r)
	}
	return out
}

// startUp is how long a motor may take to run up, for the choice of an axis.
const startUp = 2 * time.Second

// axisTop chooses the end of a current axis. A motor that starts takes several
// times its running current: where that would press the run flat the axis ends
// above the run, and peaks marks what is beyond.
func axisTop(settled, most, level float64) float64 {
	top := most
	if settled > 0 && most > settled*1.6 {
		top = settled * 1.3 // with room for words
	}
	return roundUp(max(top, level*1.25, 1))
}

// band draws least to greatest current. It breaks where nothing was read for
// a while and where there is no current to trust.
func (s *sheet) band(cols []column, width time.Duration, y func(float64) float64) {
	gap := max(float64(3*width), 0.5e9, float64(s.end)/s.plot*3) / float64(s.end)
	var up, down []float64
	flush := func() {
		if len(up) == 2 { // a single column: give it a width
			up = append(up, up[0]+1, up[1])
			down = append(down, down[0]+1, down[1])
		}
		if len(up) > 0 {
			for i := len(down) - 2; i >= 0; i -= 2 {
				up = append(up, down[i], down[i+1])
			}
			s.polygon("band", up...)
		}
		up, down = up[:0], down[:0]
	}
	last := -1.0
	for _, c := range cols {
		if c.max < 0 || last >= 0 && c.x-last > gap {
			flush()
		}
		last = c.x
		if c.max < 0 {
			continue
		}
		x := s.at(c.x)
		up = append(up, x, y(float64(c.max)))
		down = append(down, x, y(float64(c.min)))
	}
	flush()
}

// peaks marks where the current goes beyond the axis and says how far the
// largest went.
func (s *sheet) peaks(cols []column, scale, top float64) {
	last, most, mostX := -100.0, 0.0, 0.0
	for _, c := range cols {
		a := float64(c.max)
		if a <= scale*1.0001 {
			continue
		}
		x := s.at(c.x)
		if x-last >= 10 {
			s.polygon("over", x-4.5, top+7, x+4.5, top+7, x, top-2)
			last = x
		}
		if a > most {
			most, mostX = a, x
		}
	}
	if most == 0 {
		return
	}
	words := fmt.Sprintf("peak %.3g A", most)
	size := s.font * 0.85
	if mostX+8+wide(words, size) < s.left+s.plot {
		s.text(mostX+8, top+float64(size*0.95), size, "halo", "start", words)
	} else {
		s.text(mostX-8, top+float64(size*0.95), size, "halo", "end", words)
	}
}

// levels draws where a run begins and ends.
func (s *sheet) levels(l Level, scale float64, y func(float64) float64) {
	right := s.left + s.plot
	size := s.font * 0.85
	startY, stopY := y(float64(l.Start)), y(float64(l.Stop))
	if l.Start > 0 {
		s.line("start", s.left, startY, right, startY)
	}
	if l.Stop > 0 && l.Stop != l.Start {
		s.line("stop", s.left, stopY, right, stopY)
	}
	if s.small || scale <= 0 {
		return
	}
	textStart, textStop := startY+float64(size*0.1), stopY+float64(size*0.6)
	if textStop-textStart < size {
		textStart = textStop - size
	}
	if l.Start > 0 {
		s.text(right+5, textStart, size, "", "start", fmt.Sprintf("start %g", l.Start))
	}
	if l.Stop > 0 && l.Stop != l.Start {
		s.text(right+5, textStop, size, "", "start", fmt.Sprintf("stop %g", l.Stop))
	}
}
