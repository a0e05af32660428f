package ductview

import (
	"cmp"
	"embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"

	"kerfwind/config"
	"kerfwind/control/duct"
)

//go:embed ducts.svg figure.svg parts.svg
var svgFiles embed.FS

var svgTemplates = template.Must(template.ParseFS(svgFiles, "*.svg"))

// Measures of the picture, px. It is as wide as a phone and as long as needed.
const (
	pictureWidth = 390
	edge         = 14
	perPixel     = 0.008 // m of diameter
	rowMain      = 62    // a stretch of main with its label
	rowHood      = 40    // a branch with its label
	indent       = 56    // from a main to one that joins it
	stub         = 62    // the least length of a branch
	minPipe      = 4.0
	rim          = 1.2 // of the edge
	lineHeight   = 16
	boxWidth     = 270
	lettersInAll = 55 // on a whole line
)

// lettering is the size of the words: the width of a letter, for cutting long
// names, and the distances of lines from the duct that they stand beside.
type lettering struct {
	wide               float64
	over, under        float64 // a branch
	mainName, mainLine float64
	boxWidth           float64
}

// A picture of its own has letters of 12 px. A figure in a page is shown
// smaller on a phone, so its letters are of 14.
var (
	small = lettering{6.7, -3, 12, 17, 32, boxWidth}
	large = lettering{7.8, -4, 14, 18, 35, 320}
)

// pipe is one duct: a line of its width, drawn as an edge with a filling.
type pipe struct {
	Path, Rim    string  // of the filling and of the edge around it
	Edge, Inside float64 // stroke widths
	Class        string  // carries, doubtful, settles, idle
}

// mark is a small thing at a place: an arrow or a gate.
type mark struct {
	X, Y, Turn float64
	Size       float64
	Class      string
}

// label is a line of text.
type label struct {
	X, Y  float64
	Text  string
	Class string
}

// panel is one set of open gates.
type panel struct {
	Pipes    []pipe
	Arrows   []mark
	Gates    []mark
	Labels   []label
	Box      label // the collector: its place and its words
	BoxWidth float64
	Spine    string
}

// picture holds what the template draws.
type picture struct {
	Name, Desc, Disclaimer string
	Width, Height          float64
	Panels                 []panel
	Legend                 []panel
	LegendY                float64
	Notes                  []label
}

// WriteSVG draws the ducts once for each set of open gates, beside it what others
// are that differ in something. It returns false if an operating point was not
// found.
func (s *Study) WriteSVG(w io.Writer, sets []uint64, others []*Study) (converged bool, err error) {
	p := picture{Name: s.Name, Width: pictureWidth, Disclaimer: Disclaimer}
	y := 26.0
	var words []string
	converged = true
	for _, open := range sets {
		for i, x := range append([]*Study{s}, others...) {
			c := x.Look(open)
			converged = converged && c.Converged
			if i > 0 {
				c.Title += ", if " + x.Name
			}
			d := drawing{layout: newLayout(x.Net), study: x, c: c, y: y, letters: small}
			d.head()
			d.panel()
			p.Panels = append(p.Panels, d.out)
			y = d.y + 30
			words = append(words, d.words())
		}
	}
	p.Desc = strings.Join(words, " ")
	p.LegendY = y
	y = s.legend(&p, y, lettersInAll, true)
	p.Height = y + 8
	return converged, svgTemplates.ExecuteTemplate(w, "ducts.svg", p)
}

// Figure draws one solved set of open gates for a page, without a style of its
// own: the page styles its classes. The words over a picture, and
// the disclaimer, are left to the page.
func (s *Study) Figure(c *Case) (template.HTML, error) {
	d := drawing{layout: newLayout(s.Net), study: s, c: c, y: 2, letters: large}
	d.panel()
	p := picture{Name: s.Name, Width: pictureWidth, Panels: []panel{d.out}, Desc: d.words(), LegendY: d.y + 30}
	p.Height = s.legend(&p, p.LegendY, int((pictureWidth-2*edge)/large.wide), false) + 8
	var b strings.Builder
	err := svgTemplates.ExecuteTemplate(&b, "figure.svg", p)
	return template.HTML(b.String()), err //nolint:gosec // the template has escaped what it was given
}

// drawing lays out one panel from the collector down.
type drawing struct {
	*layout
	study   *Study
	c       *Case
	y       float64
	reach   float64 // x of all hoods
	letters lettering
	out     panel
}

// head says in words what the panel shows.
func (d *drawing) head() {
	s, c := d.study, d.c
	title := strings.ToUpper(c.Title[:1]) + c.Title[1:]
	d.text(edge, d.y, title, "title")
	open := strings.Join(s.GateNames(c.Open), ", ")
	if open == "" {
		open = "none"
	}
	d.wrapped(edge, &d.y, "open: "+open, "small")
	for _, v := range d.short() {
		d.wrapped(edge, &d.y, v, "say")
	}
	d.y += 14
}

func (d *drawing) panel() {
	s, c := d.study, d.c
	d.out.BoxWidth = d.letters.boxWidth
	box := "collector: %s at %s"
	if c.Still {
		box = "off; would move %s at %s"
	}
	d.out.Box = label{X: edge, Y: d.y, Text: fmt.Sprintf(box, s.u(config.Flow, c.Spread.Total().Middle), s.u(config.Pressure, c.Spread.Fan().Middle))}
	d.y += 30
	d.reach = edge + 20 + float64(d.deepest)*indent + stub
	inlets := d.joining[duct.Collector]
	if len(inlets) == 1 && s.Net.Segments[inlets[0]].Hood == nil {
		d.stretch(inlets[0], edge+20, d.y, d.y)
		return
	}
	// Several inlets hang on a line that is no duct.
	top := d.y
	for _, i := range inlets {
		d.y += 24
		d.out.Spine = fmt.Sprintf("M%d %.1fV%.1f", edge+20, top, d.y)
		if s.Net.Segments[i].Hood != nil {
			d.hood(i, edge+20, d.y)
			d.y -= 24
		} else {
			d.aside(i, edge+20, d.y)
		}
	}
	d.y += 24
}

// short says what matters about the case in one line each.
func (d *drawing) short() []string {
	s := d.study
	var out []string
	for i := range d.c.Hoods {
		h := &d.c.Hoods[i]
		out = append(out, fmt.Sprintf("%s: %s of %s, %s", s.HoodName(h.Segment), s.u(config.Flow, h.Flow.Middle), s.u(config.Flow, h.Want), h.Word()))
	}
	var slow []string
	for i, k := range d.c.Carry {
		if k == duct.Settles {
			slow = append(slow, s.Net.Segments[i].Name)
		}
	}
	if len(slow) > 0 {
		line := "chips settle in " + strings.Join(slow, ", ")
		switch p := d.c.Plan; {
		case p.Helpers != 0:
			line += "; " + s.first(d.c, p.Helpers) + "open " + gateList(s.GateNames(p.Helpers)) + " as a helper"
		case p.Purge != 0:
			line += "; " + s.first(d.c, p.Purge) + "open " + gateList(s.GateNames(p.Purge)) + " during the run-on"
		}
		out = append(out, line)
	}
	return out
}

// words describes the panel for those who do not see it.
func (d *drawing) words() string {
	return d.c.Title + ": " + strings.Join(d.short(), "; ") + "."
}

// layout is how the ducts hang together in the picture.
type layout struct {
	joining map[int][]int // by the segment they run into
	deepest int           // columns beside the first
}

// newLayout orders what joins each segment: hoods first, mains last, and the one
// with the most behind it at the very end, where it goes straight on.
func newLayout(n *duct.Network) *layout {
	l := &layout{joining: map[int][]int{}}
	for i := range n.Segments {
		to := n.Segments[i].To
		l.joining[to] = append(l.joining[to], i)
	}
	behind := make([]int, len(n.Segments))
	var weigh func(i int) int
	weigh = func(i int) int {
		sum := 1
		for _, k := range l.joining[i] {
			sum += weigh(k)
		}
		if i >= 0 {
			behind[i] = sum
		}
		return sum
	}
	weigh(duct.Collector)
	isMain := func(i int) int {
		if n.Segments[i].Hood == nil {
			return 1
		}
		return 0
	}
	for _, list := range l.joining {
		slices.SortStableFunc(list, func(a, b int) int {
			return cmp.Or(cmp.Compare(isMain(a), isMain(b)), isMain(a)*cmp.Compare(behind[a], behind[b]))
		})
	}
	var columns func(i, column int)
	columns = func(i, column int) {
		l.deepest = max(l.deepest, column)
		list := l.joining[i]
		for at, k := range list {
			switch {
			case n.Segments[k].Hood != nil:
			case at == len(list)-1 && (i != duct.Collector || len(list) == 1):
				columns(k, column)
			default:
				columns(k, column+1)
			}
		}
	}
	columns(duct.Collector, 0)
	return l
}

// stretch draws segment i from (x, from) on, away from the collector, with its words
// at y, and what joins it: all of it at one place, its far end.
func (d *drawing) stretch(i int, x, from, y float64) {
	s := d.study
	g := &s.Net.Segments[i]
	if g.Hood != nil {
		d.hood(i, x, from)
		return
	}
	d.mainLabel(i, x, y)
	d.y = y + rowMain
	node := d.y - slant
	siblings := d.joining[i]
	var straight = -1
	sides := siblings
	if last := siblings[len(siblings)-1]; s.Net.Segments[last].Hood == nil {
		straight, sides = last, siblings[:len(siblings)-1]
	}
	for _, k := range sides {
		if s.Net.Segments[k].Hood != nil {
			d.hood(k, x, node)
			continue
		}
		d.aside(k, x, node)
	}
	end := node
	if straight < 0 { // its far end is closed
		end += d.width(i) / 2
	}
	// Over what joins it, and with a rim at its far end.
	start := fmt.Sprintf("M%.1f %.1f", x, from)
	d.pipe(i, fmt.Sprintf("%sV%.1f", start, end), fmt.Sprintf("%sV%.1f", start, end+rim))
	if d.c.Carry[i] != duct.Idle && !d.c.Still {
		d.out.Arrows = append(d.out.Arrows, mark{X: x, Y: y + 22, Turn: -90, Size: d.width(i) / 2, Class: d.c.Carry[i].String()})
	}
	d.gate(i, x, y+38, 90)
	if straight >= 0 {
		d.stretch(straight, x, node, d.y)
	}
}

// slant is how far a branch runs aslant from where it joins to its row, px.
const slant = 18

// branch is the way from (x, from) aslant to the present row.
func (d *drawing) branch(x, from float64) string {
	return fmt.Sprintf("M%.1f %.1fL%.1f %.1f", x, from, x+slant, d.y)
}

// aside draws main k, which leaves the column at x for one of its own.
func (d *drawing) aside(k int, x, from float64) {
	path := fmt.Sprintf("%sH%.1f", d.branch(x, from), x+indent+d.width(k)/2)
	d.pipe(k, path, path)
	d.stretch(k, x+indent, d.y, d.y)
	d.y += 6
}

// hood draws a branch from (x, from) to its hood on the present row.
func (d *drawing) hood(i int, x, from float64) {
	s, c := d.study, d.c
	y := d.y
	path := fmt.Sprintf("%sH%.1f", d.branch(x, from), d.reach)
	d.pipe(i, path, path)
	if c.Carry[i] != duct.Idle && !c.Still {
		d.out.Arrows = append(d.out.Arrows, mark{X: (x+d.reach)/2 + 2, Y: y, Turn: 180, Size: d.width(i) / 2, Class: c.Carry[i].String()})
	}
	d.gate(i, d.reach-12, y, 0)
	g := &s.Net.Segments[i]
	name := s.HoodName(i)
	d.text(d.reach+9, y+d.letters.over, fmt.Sprintf("%s, %s", name, s.u(config.Length, g.Diameter)), "name")
	line := "shut, leaks " + s.u(config.Flow, c.Spread.Flow(i).Middle)
	if g.Gate >= 0 && c.Doubt>>uint(g.Gate)&1 == 1 {
		line = "whether it is open is not known"
	} else if c.Carry[i] != duct.Idle {
		line = fmt.Sprintf("%s, %s", s.u(config.Flow, c.Spread.Flow(i).Middle), d.speed(i))
	} else if g.Gate >= 0 && c.Open>>uint(g.Gate)&1 == 1 {
		line = "open, but the way on is shut"
	}
	d.text(d.reach+9, y+d.letters.under, line, "small")
	d.y += rowHood
}

func (d *drawing) mainLabel(i int, x, y float64) {
	s := d.study
	off := x + d.width(i)/2 + 9
	d.text(off, y+d.letters.mainName, fmt.Sprintf("%s, %s", s.Net.Segments[i].Name, s.u(config.Length, s.Net.Segments[i].Diameter)), "name")
	line := "leaks only, " + s.u(config.Velocity, d.c.Speed[i].Middle)
	if d.c.Carry[i] != duct.Idle {
		line = d.speed(i)
	}
	d.text(off, y+d.letters.mainLine, line, "small")
}

// speed is the velocity with a word where it is not enough.
func (d *drawing) speed(i int) string {
	text := d.study.u(config.Velocity, d.c.Speed[i].Middle)
	if k := d.c.Carry[i]; k != duct.Carries {
		text += " " + k.String()
	}
	return text
}

func (d *drawing) width(i int) float64 {
	return max(d.study.Net.Segments[i].Diameter/perPixel, minPipe)
}

func (d *drawing) pipe(i int, path, around string) {
	w := d.width(i)
	d.out.Pipes = append(d.out.Pipes, pipe{Path: path, Rim: around, Edge: w, Inside: w - 2*rim, Class: d.c.Carry[i].String()})
}

// gate marks the gate of segment i: a bar across the duct when shut, two ticks
// beside it when open, a broken bar when that is not known.
func (d *drawing) gate(i int, x, y, turn float64) {
	g := d.study.Net.Segments[i].Gate
	if g < 0 {
		return
	}
	class := "shut"
	if d.c.Doubt>>uint(g)&1 == 1 {
		class = "unsure"
	} else if d.c.Open>>uint(g)&1 == 1 {
		class = "open"
	}
	d.out.Gates = append(d.out.Gates, mark{X: x, Y: y, Turn: turn, Size: d.width(i)/2 + 4, Class: class})
}

// text adds a line, cut to the picture's width.
func (d *drawing) text(x, y float64, text, class string) {
	room := int((pictureWidth - x - 4) / d.letters.wide)
	if class == "title" {
		room = int((pictureWidth - x - 4) / 9)
	}
	if r := []rune(text); len(r) > room {
		text = string(r[:room-1]) + "…"
	}
	d.out.Labels = append(d.out.Labels, label{x, y, text, class})
}

// wrapped adds lines below y, broken between words.
func (d *drawing) wrapped(x float64, y *float64, text, class string) {
	for _, line := range wrap(text, lettersInAll) {
		*y += lineHeight
		d.text(x, *y, line, class)
	}
}

func wrap(text string, width int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && len([]rune(line))+1+len([]rune(word)) > width {
			lines = append(lines, line)
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	return append(lines, line)
}

// legend explains the fillings and the signs, in lines of so many letters.
func (s *Study) legend(p *picture, y float64, letters int, disclaim bool) float64 {
	min := s.minimum()
	for i, row := range []struct{ class, text string }{
		{"carries", "carries chips: " + s.u(config.Velocity, min) + " or more"},
		{"doubtful", "doubtful: from " + s.u(config.Velocity, duct.Marginal*min)},
		{"settles", "too slow: chips settle"},
		{"idle", "no open hood: leaks only"},
	} {
		at := y + float64(i)*22
		sample := fmt.Sprintf("M%d %.1fH%d", edge, at, edge+44)
		p.Legend = append(p.Legend, panel{
			Pipes:  []pipe{{Path: sample, Rim: sample, Edge: 13, Inside: 13 - 2*rim, Class: row.class}},
			Labels: []label{{edge + 56, at + 4.5, row.text, "small"}},
		})
	}
	y += 4*22 + 8
	notes := wrap("Widths are to scale, lengths are not. Arrows point the way the air goes. A bar across a duct is a shut gate, two ticks beside it an open one.", letters)
	if disclaim {
		notes = append(notes, wrap(Disclaimer, letters)...)
	}
	for _, n := range notes {
		p.Notes = append(p.Notes, label{edge, y, n, "small"})
		y += lineHeight
	}
	return y
}
