package draw

import (
	"fmt"
	"math"
	"strings"
	"time"

	"kerfwind/control"
)

// form is how a state of a track looks.
type form int

const (
	formLine  form = iota // a thin line: shut, off, idle
	formFull              // a filled bar
	formRise              // a wedge that rises: on its way open
	formFall              // a wedge that falls: on its way shut
	formCross             // crossed out: not known
)

var (
	gateForms = map[int]form{
		int(control.PositionUnknown): formCross, int(control.PositionOpen): formFull, int(control.PositionShut): formLine,
		int(control.PositionOpening): formRise, int(control.PositionShutting): formFall,
	}
	runForms = map[int]form{0: formLine, 1: formFull, 2: formCross}
)

// piece is a segment on the sheet.
type piece struct {
	segment
	x0, x1 float64
}

// pieces puts a track on the sheet. Pieces that would not be seen because one
// of the same state was drawn in the same pixel are left out, so that a long
// day makes no more elements than the picture has pixels.
func (s *sheet) pieces(t track, skip int) []piece {
	var out []piece
	drawn := map[int]float64{}
	for i, g := range t {
		if g.at >= s.end {
			break
		}
		to := s.end
		if i+1 < len(t) {
			to = min(to, t[i+1].at)
		}
		x0, x1 := s.x(g.at), s.x(to)
		if g.state == skip {
			continue
		}
		if last, ok := drawn[g.state]; ok && x1-last < 0.7 {
			continue
		}
		drawn[g.state] = x1
		out = append(out, piece{g, x0, x1})
	}
	return out
}

// trackLane draws a gate, an outlet or a machine without a current sensor.
func (s *sheet) trackLane(name string, t track, forms map[int]form) {
	h := 20.0
	if s.small {
		h = 17
	}
	top, base := s.y+4, s.y+h-3
	mid := (top + base) / 2
	s.laneName(name, mid, s.left-s.margin()-8)
	s.line("shut", s.left, base, s.left+s.plot, base)
	skip := -1
	for state, f := range forms {
		if f == formLine {
			skip = state
		}
	}
	for _, g := range s.pieces(t, skip) {
		w := max(1, g.x1-g.x0)
		switch forms[g.state] {
		case formFull:
			s.rect("full", g.x0, top, w, base-top)
		case formRise:
			s.polygon("move", g.x0, base, g.x0+w, base, g.x0+w, top)
		case formFall:
			s.polygon("move", g.x0, base, g.x0+w, base, g.x0, top)
		case formCross:
			s.rect("none", g.x0, top, w, base-top)
			if w > s.font*2 {
				s.text(g.x0+w/2, base-1, s.font*0.9, "b halo", "middle", "?")
			}
		case formLine:
		}
	}
	s.y += h
}

// barClass is the pattern of a collector's bar.
func barClass(state int) (bar, words string) {
	switch state {
	case barRunOn:
		return "hatch", "halo"
	case barHeld:
		return "dots", "halo"
	case barStray:
		return "stray", "halo"
	case barDead:
		return "none", "halo"
	}
	return "full", "on"
}

// collectorLane draws when and why the collector runs.
func (s *sheet) collectorLane(name string, t track) {
	h := 40.0
	if s.small {
		h = 34
	}
	top, base := s.y+4, s.y+h-4
	s.laneName(name, (top+base)/2, s.left-s.margin()-8)
	s.line("shut", s.left, base, s.left+s.plot, base)
	size := s.font * 0.88
	before := math.Inf(-1)
	for _, g := range s.pieces(t, barOff) {
		bar, class := barClass(g.state)
		w := max(1, g.x1-g.x0)
		said := clock(g.at, time.Second, s.end) + " " + g.words // shown by a pointer that rests on it
		s.printf(`<rect class="%s" x="%s" y="%s" width="%s" height="%s"><title>%s</title></rect>`, bar, num(g.x0), num(top), num(w), num(base-top), escape(said))
		if g.x0-before < 0.05 && w > 4 { // tell two reasons of one form apart
			s.line("cut", g.x0, top, g.x0, base)
		}
		before = math.Inf(-1)
		if w > 4 {
			before = g.x1
		}
		lines := fit(g.words, size, w-3, base-top)
		for i, l := range lines {
			row := float64(i) - float64(len(lines)-1)/2
			s.text(g.x0+w/2, (top+base)/2+float64(size*(0.36+row*1.15)), size, class, "middle", l)
		}
	}
	s.y += h
}

// fit breaks words into lines that fit a box, or returns none.
func fit(words string, size, width, height float64) []string {
	if words == "" {
		return nil
	}
	for _, w := range strings.Fields(words) {
		if wide(w, size) > width {
			return nil
		}
	}
	lines := wrap(words, size, width)
	if float64(float64(len(lines))*size*1.15) > height {
		return nil
	}
	return lines
}

// flagLane draws the notices: numbered flags, and how long a fault stood.
func (p *Picture) flagLane(s *sheet, top float64) {
	size := s.font * 0.85
	h := s.font * 1.7
	s.y += s.font * 0.8
	s.laneName("notices", s.y+float64(h*0.4), s.left-s.margin()-8)
	rows := []float64{-100, -100, -100} // where the last flag of each row ends
	deepest := 0
	for i, f := range p.flags {
		if f.at > s.end {
			continue
		}
		x := s.x(f.at)
		w := wide(fmt.Sprint(i+1), size) + 9
		row := 0
		for row < len(rows)-1 && x < rows[row]+2 {
			row++
		}
		if x < rows[row]+2 { // no room for a number: a mark
			s.line("lasts", x, s.y+2, x, s.y+6)
			continue
		}
		deepest = max(deepest, row)
		y := s.y + 4 + float64(h*float64(row))
		if i < mostFlags {
			s.line("flagline", x, top+float64(s.font*1.2), x, y)
		}
		end := x + w
		if f.cleared > f.at {
			to := s.x(f.cleared)
			if to > end {
				s.line("lasts", end, y+h/2-2, to, y+h/2-2)
				s.line("lasts", to, y+h/2-6, to, y+h/2+2)
				end = to
			}
		}
		s.polygon("flag", x, y, x+w, y, x+w, y+h-6, x+4, y+h-6, x, y+h-1)
		s.text(x+w/2, y+float64(size*1.05), size, "b", "middle", fmt.Sprint(i+1))
		rows[row] = end
	}
	s.y += float64(h*float64(deepest+1)) + 6
}

// flagList says what the flags mean.
func (p *Picture) flagList(s *sheet) {
	if len(p.flags) == 0 {
		return
	}
	s.y += s.font * 2
	s.text(s.margin(), s.y, s.font*1.1, "b", "start", "Notices")
	step := time.Second
	for i, f := range p.flags {
		if i == mostFlags {
			s.y += s.font * 1.5
			s.text(s.margin(), s.y, s.font*0.92, "m", "start", fmt.Sprintf("and %d more: see the timeline", len(p.flags)-i))
			return
		}
		s.y += s.font * 1.5
		indent := s.margin() + float64(s.font*2.2)
		s.text(indent-float64(s.font*0.7), s.y, s.font*0.92, "b", "end", fmt.Sprint(i+1))
		words := clock(f.at, step, s.end) + "  " + f.words
		if f.cleared > 0 {
			words += "; cleared " + clock(f.cleared, step, s.end)
		}
		for j, l := range wrap(words, s.font*0.92, s.width-indent-s.margin()) {
			if j > 0 {
				s.y += s.font * 1.3
			}
			s.text(indent, s.y, s.font*0.92, "", "start", l)
		}
	}
}

// sample is an entry of the legend.
type sample struct {
	words string
	draw  func(x, y float64) // into a box of 12 high
	box   float64            // its width
}

// legend explains the forms that are used.
func (p *Picture) legend(s *sheet) {
	var all []sample
	bar := func(class, words string) {
		all = append(all, sample{words, func(x, y float64) { s.rect(class, x, y, 30, 12) }, 30})
	}
	if len(p.channels) > 0 {
		all = append(all,
			sample{"current, least to greatest", func(x, y float64) {
				s.polygon("band", x, y+11, x+8, y+4, x+16, y+6, x+30, y+1, x+30, y+6, x+16, y+9, x+8, y+7)
			}, 30},
			sample{"detected run", func(x, y float64) {
				s.rect("run", x, y, 30, 12)
				s.rect("cap", x, y-1, 30, 3)
				s.line("capline", x, y, x, y+12)
				s.line("capline", x+30, y, x+30, y+12)
			}, 30})
		for _, c := range p.channels {
			if c.level.Start > 0 {
				all = append(all,
					sample{"starts a run", func(x, y float64) { s.line("start", x, y+6, x+30, y+6) }, 30},
					sample{"ends it", func(x, y float64) { s.line("stop", x, y+6, x+30, y+6) }, 30})
				break
			}
		}
		all = append(all, sample{"beyond the axis", func(x, y float64) { s.polygon("over", x+10.5, y+10, x+19.5, y+10, x+15, y+1) }, 30})
	}
	if len(p.gates) > 0 {
		all = append(all, sample{"gate opens, is open, closes, is shut", func(x, y float64) {
			s.line("shut", x, y+12, x+54, y+12)
			s.polygon("move", x, y+12, x+12, y+12, x+12, y+1)
			s.rect("full", x+12, y+1, 14, 11)
			s.polygon("move", x+26, y+1, x+38, y+12, x+26, y+12)
		}, 54})
	}
	bar("none", "not known")
	if len(p.collectors) > 0 {
		bar("full", "on: needed")
		bar("hatch", "on: duct clearing")
		bar("dots", "on: spares the motor")
	}
	for _, t := range p.collectors {
		for _, g := range t {
			if g.state == barStray {
				bar("stray", "runs uncommanded")
				break
			}
		}
	}
	s.flowLegend(all)
}

// flowLegend sets entries one after the other and breaks lines.
func (s *sheet) flowLegend(all []sample) {
	size := s.font * 0.9
	s.y += s.font * 0.8
	x := s.margin()
	for _, e := range all {
		w := e.box + 6 + wide(e.words, size)
		if x > s.margin() && x+w > s.width-s.margin() {
			x = s.margin()
			s.y += s.font * 1.7
		}
		e.draw(x, s.y)
		s.text(x+e.box+6, s.y+11, size, "", "start", e.words)
		x += w + 18
	}
	s.y += s.font
}
