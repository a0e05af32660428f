package draw

import (
	"fmt"
	"strings"
	"time"

	"kerfwind/control"
)

// partNames are the four parts of a start with their patterns, in the order in
// which they pass.
var partNames = [4]struct{ name, class, says string }{
	{"sensing", "ink", "switch-on to decision"},
	{"gate", "hatch", "until the path is open"},
	{"stagger", "dots", "until the collector may start"},
	{"fan", "bars", "until the air is at full flow"},
}

// flowTable draws what the seconds from switch-on to wanted flow were spent on.
func (p *Picture) flowTable(s *sheet, runUp time.Duration) {
	rows, left := p.flow.slowest(mostStarts, runUp)
	if len(rows) == 0 {
		return
	}
	s.y += s.font * 2.2
	s.text(s.margin(), s.y, s.font*1.1, "b", "start", "From switch-on to wanted flow")
	if left > 0 {
		words := fmt.Sprintf("the slowest %d; %d more are left out", len(rows), left)
		if s.small {
			s.y += s.font * 1.3
			s.text(s.margin(), s.y, s.font*0.92, "m", "start", words)
		} else {
			s.text(s.margin()+wide("From switch-on to wanted flow", s.font*1.3), s.y, s.font*0.92, "m", "start", words)
		}
	}
	scale := barScale(rows, runUp)
	colW := 0.0
	if !s.small {
		colW = s.font * 5.2
	}
	barW := s.width - s.left - s.margin() - float64(colW*5) - 10
	if s.small {
		barW = s.width - s.left - s.margin() - float64(s.font*4.5)
	}
	if !s.small {
		s.y += s.font * 1.5
		x := s.left + barW + 10 + colW
		for _, pn := range partNames {
			s.text(x, s.y, s.font*0.92, "m", "end", pn.name)
			x += colW
		}
		s.text(x, s.y, s.font*0.92, "b", "end", "together")
	}
	for _, st := range rows {
		p.flowRow(s, st, runUp, barW, colW, scale)
	}
	var all []sample
	for _, pn := range partNames {
		if pn.name == "fan" && runUp == 0 {
			continue
		}
		all = append(all, sample{pn.name + ": " + pn.says, func(x, y float64) { s.rect(pn.class, x, y, 30, 12) }, 30})
	}
	s.y += s.font * 0.4
	for i := range all {
		all[i].words = cut(all[i].words, s.font*0.9, s.width-s.margin()*2-60)
	}
	s.flowLegend(all)
	if runUp == 0 {
		s.y += s.font * 1.4
		for _, l := range wrap("These figures leave out how long the fan takes to full flow: that is not known.", s.font*0.92, s.width-s.margin()*2) {
			s.text(s.margin(), s.y, s.font*0.92, "m", "start", l)
			s.y += s.font * 1.2
		}
	}
}

// barScale is the time of a whole bar: the longest, or less where
// one would make all others dots. That one is drawn broken.
func barScale(rows []start, runUp time.Duration) time.Duration {
	var most, next time.Duration
	for _, st := range rows {
		d := st.parts(runUp).total()
		most, next = max(most, d), max(next, min(most, d))
	}
	if next > 0 && most > 4*next {
		most = 2 * next
	}
	return max(most, time.Millisecond)
}

// flowRow draws one start.
func (p *Picture) flowRow(s *sheet, st start, runUp time.Duration, barW, colW float64, scale time.Duration) {
	s.y += s.font * 1.8
	parts := st.parts(runUp)
	list := [4]time.Duration{parts.sensing, parts.gate, parts.stagger, parts.fan}
	label := clock(st.decided, time.Second, s.end) + " " + p.names.Name(control.AMachine, st.machine)
	s.text(s.margin(), s.y, s.font, "", "start", cut(label, s.font, s.left-s.margin()-8))
	x := s.left
	y := s.y - float64(s.font*0.9)
	for i, d := range list {
		if d <= 0 {
			continue
		}
		w := min(s.left+barW-x, float64(barW*float64(d)/float64(scale)))
		s.rect(partNames[i].class, x, y, max(1, w), s.font*1.1)
		x += w
	}
	if parts.total() > scale { // broken
		top, base := y-float64(s.font*0.2), y+float64(s.font*1.3)
		s.polygon("bg", x-24, base, x-18, top, x-10, top, x-16, base)
		s.line("axis", x-24, base, x-18, top)
		s.line("axis", x-16, base, x-10, top)
	}
	failed := ""
	switch {
	case st.done():
	case st.left > 0:
		failed = "left alone after " + seconds(st.left-st.onset) + ", until it is switched off and on again"
	case st.over > 0:
		failed = "switched off before, after " + seconds(st.over-st.onset)
	default:
		failed = "still waiting at the end, after " + seconds(s.end-st.onset)
	}
	if failed != "" {
		s.text(x+6, s.y, s.font*0.92, "b", "start", cut(failed, s.font, s.width-x-14))
		return
	}
	if s.small {
		s.text(x+5, s.y, s.font*0.92, "b", "start", seconds(parts.total()))
		words := make([]string, 0, 4)
		for i, d := range list {
			if i < 3 || runUp > 0 {
				words = append(words, fmt.Sprintf("%s %.2f", partNames[i].name, d.Seconds()))
			}
		}
		s.y += s.font * 1.25
		s.text(s.left, s.y, s.font*0.85, "m", "start", cut(strings.Join(words, "  "), s.font*0.85, s.width-s.left-4))
		return
	}
	x = s.left + barW + 10 + colW
	for i, d := range list {
		words := seconds(d)
		if i == 3 && runUp == 0 {
			words = "—"
		}
		s.text(x, s.y, s.font*0.92, "", "end", words)
		x += colW
	}
	s.text(x, s.y, s.font*0.92, "b", "end", seconds(parts.total()))
}
