package draw

import (
	"encoding/xml"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// sheet is the paper: it turns times into places and collects SVG elements.
// Lengths are user units; at the picture's natural size one is a pixel.
type sheet struct {
	b     strings.Builder
	width float64
	left  float64 // where the plot begins; labels stand before it
	plot  float64 // width of the plot
	end   time.Duration
	font  float64 // size of common text
	y     float64 // the next free line
	small bool    // made for a phone
}

// The narrowest picture, and the width below which it is laid out for a phone.
const (
	leastWidth   = 320
	defaultWidth = 1200
	mostWidth    = 8000
	phoneWidth   = 640
)

func newSheet(width int, end time.Duration) *sheet {
	if width <= 0 {
		width = defaultWidth
	}
	w := float64(min(max(width, leastWidth), mostWidth))
	s := &sheet{width: w, end: max(end, time.Millisecond), font: 13, left: 176, small: w < phoneWidth}
	right := 78.0
	if s.small {
		s.font, s.left, right = 11, 104, 12
	}
	s.plot = w - s.left - right
	return s
}

// x is the place of a time, held inside the plot.
func (s *sheet) x(t time.Duration) float64 {
	return s.at(float64(t) / float64(s.end))
}

// at is the place of a part of the recording.
func (s *sheet) at(part float64) float64 {
	return s.left + float64(s.plot*min(1, max(0, part)))
}

func (s *sheet) printf(format string, args ...any) {
	fmt.Fprintf(&s.b, format, args...)
	s.b.WriteByte('\n')
}

// text writes words at a place. class may carry several classes; anchor is
// start, middle or end.
func (s *sheet) text(x, y, size float64, class, anchor, words string) {
	if words == "" {
		return
	}
	a := ""
	if anchor != "start" {
		a = ` text-anchor="` + anchor + `"`
	}
	s.printf(`<text class="%s" x="%s" y="%s" font-size="%s"%s>%s</text>`, class, num(x), num(y), num(size), a, escape(words))
}

func (s *sheet) rect(class string, x, y, w, h float64) {
	s.printf(`<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`, class, num(x), num(y), num(w), num(h))
}

func (s *sheet) line(class string, x1, y1, x2, y2 float64) {
	s.printf(`<line class="%s" x1="%s" y1="%s" x2="%s" y2="%s"/>`, class, num(x1), num(y1), num(x2), num(y2))
}

// polygon takes x, y, x, y, …
func (s *sheet) polygon(class string, xy ...float64) {
	s.printf(`<polygon class="%s" points="%s"/>`, class, points(xy))
}

func points(xy []float64) string {
	var b []byte
	for i, v := range xy {
		if i > 0 {
			b = append(b, " ,"[i%2])
		}
		b = append(b, num(v)...)
	}
	return string(b)
}

// num writes a length to a tenth of a pixel. The hair that it adds keeps halves
// from falling to either side: processors differ in the last bit of a sum of
// products.
func num(v float64) string {
	t := math.Floor(float64(v*10) + 0.5 + 1e-6)
	if t == 0 {
		return "0"
	}
	return strconv.FormatFloat(t/10, 'f', -1, 64)
}

// escape makes any text safe inside an element or a quoted attribute.
// Characters that XML forbids become U+FFFD.
func escape(words string) string {
	var b strings.Builder
	if err := xml.EscapeText(&b, []byte(words)); err != nil { // a Builder never fails
		return ""
	}
	return b.String()
}

// wide estimates the width of words in a common sans-serif face: on the safe
// side for DejaVu Sans, one of the broadest.
func wide(words string, size float64) float64 {
	n := 0.0
	for _, r := range words {
		switch {
		case r >= 0x1100:
			n += 1.05
		case strings.ContainsRune("iljftr.,:;'|!()[] -", r):
			n += 0.42
		case strings.ContainsRune("mwMW@%—…", r), r >= 'A' && r <= 'Z':
			n += 0.86
		default:
			n += 0.63
		}
	}
	return n * size
}

// cut shortens words to a width.
func cut(words string, size, width float64) string {
	if wide(words, size) <= width {
		return words
	}
	r := []rune(words)
	for len(r) > 1 && wide(string(r)+"…", size) > width {
		r = r[:len(r)-1]
	}
	return strings.TrimSpace(string(r)) + "…"
}

// wrap breaks words into lines of at most a width. A single word that is
// longer is shortened.
func wrap(words string, size, width float64) []string {
	var lines []string
	line := ""
	for _, w := range strings.Fields(words) {
		switch {
		case line == "":
			line = w
		case wide(line+" "+w, size) <= width:
			line += " " + w
		default:
			lines = append(lines, cut(line, size, width))
			line = w
		}
	}
	return append(lines, cut(line, size, width))
}

// roundUp is the next round number, for the end of an axis.
func roundUp(v float64) float64 {
	if v <= 0 || math.IsInf(v, 0) || math.IsNaN(v) {
		return 1
	}
	unit := 1.0
	for unit*10 <= v {
		unit *= 10
	}
	for unit > v {
		unit /= 10
	}
	for _, f := range []float64{1, 1.5, 2, 3, 4, 5, 6, 8} {
		if v <= unit*f*1.0001 {
			return unit * f
		}
	}
	return unit * 10
}

// steps are the distances of marks on the time axis.
var steps = []time.Duration{
	10 * time.Millisecond, 20 * time.Millisecond, 50 * time.Millisecond, 100 * time.Millisecond, 200 * time.Millisecond, 500 * time.Millisecond,
	time.Second, 2 * time.Second, 5 * time.Second, 10 * time.Second, 15 * time.Second, 30 * time.Second,
	time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute,
	time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour, 24 * time.Hour, 7 * 24 * time.Hour, 28 * 24 * time.Hour,
}

// step chooses the distance of marks so that they stand at least room apart.
func (s *sheet) step(room float64) time.Duration {
	for _, d := range steps {
		if s.plot*float64(d)/float64(s.end) >= room {
			return d
		}
	}
	return max(s.end/4, 1)
}

// clock writes a time of the axis: hours and minutes where the marks are a
// minute or more apart in an hour or more, else minutes and seconds.
func clock(t, step, end time.Duration) string {
	switch {
	case end >= time.Hour && step >= time.Minute:
		return fmt.Sprintf("%d:%02d", t/time.Hour, t/time.Minute%60)
	case end >= time.Hour:
		return fmt.Sprintf("%d:%02d:%02d", t/time.Hour, t/time.Minute%60, t/time.Second%60)
	case step >= time.Second:
		return fmt.Sprintf("%d:%02d", t/time.Minute, t/time.Second%60)
	}
	frac := strconv.FormatFloat(float64(t%time.Second)/1e9, 'f', -1, 64)
	return fmt.Sprintf("%d:%02d%s", t/time.Minute, t/time.Second%60, strings.TrimPrefix(frac, "0"))
}

// seconds writes a length of time as the table needs it.
func seconds(d time.Duration) string {
	switch {
	case d >= 100*time.Second:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d >= 10*time.Second:
		return fmt.Sprintf("%.1f s", d.Seconds())
	}
	return fmt.Sprintf("%.2f s", d.Seconds())
}
