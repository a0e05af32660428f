package journal

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"time"
)

//go:embed hours.svg
var svgText string

var svgTemplate = template.Must(template.New("hours.svg").Parse(svgText))

// Measures of the picture, px.
const (
	svgWidth  = 720
	svgLeft   = 168 // names and sums
	svgRight  = 16
	svgTop    = 60
	stripHigh = 46
	stripStep = 66
	axisHigh  = 34
	mostBar   = 30
	letter    = 7.2 // width of one
)

// MostPeriods is how many periods fit into a picture.
const MostPeriods = 150

// MostPeriods makes bars of 3 px with a gap of 0.6.

type svgBar struct {
	X, Y, W, H float64
	Doubtful   bool
	Text       string // hours, where there is room
	Title      string
}

type svgStrip struct {
	Name, Sum string
	Y, Base   float64
	Kind      string
	Bars      []svgBar
}

type svgTick struct {
	X    float64
	Text string
}

type svgPicture struct {
	Width, Height float64
	Left, Right   float64
	Title, Scale  string
	Desc          string
	Strips        []svgStrip
	Ticks         []svgTick
	AxisY         float64
	Doubtful      bool
}

// WriteSVG draws one strip of bars for each machine, to the same scale, and one
// for the collector.
func (r *Report) WriteSVG(w io.Writer) error {
	var firsts []int
	for d := r.By.First(r.From); d <= r.To; d = r.next(d) {
		firsts = append(firsts, d)
		if len(firsts) > MostPeriods {
			return fmt.Errorf("a picture has room for %d periods: choose longer ones with --by, or fewer days with --from and --to", MostPeriods)
		}
	}
	at := map[int]int{}
	for i, d := range firsts {
		at[d] = i
	}
	p := svgPicture{Width: svgWidth, Left: svgLeft, Right: svgWidth - svgRight, Title: r.title()}
	step := (svgWidth - svgLeft - svgRight) / float64(len(firsts))
	bar := min(mostBar, step*0.8)
	y := float64(svgTop)
	for _, g := range r.Groups {
		most := time.Duration(0)
		for i := range g.Totals {
			most = max(most, g.Totals[i].Time)
		}
		top := niceHours(most.Hours())
		if len(g.Totals) > 0 {
			p.Scale += fmt.Sprintf("; %s strips to %s h", g.Of, number(top))
		}
		var order []string
		sums := map[string]time.Duration{}
		strips := map[string]*svgStrip{}
		for i := range g.Totals {
			t := &g.Totals[i]
			s := strips[t.Name]
			if s == nil {
				s = &svgStrip{Name: shorten(t.Name, int((svgLeft-24)/letter)), Kind: g.Of}
				strips[t.Name] = s
				order = append(order, t.Name)
			}
			sums[t.Name] += t.Time
			k := at[t.First]
			h := stripHigh * t.Time.Hours() / top
			b := svgBar{X: svgLeft + (float64(k)+0.5)*step - bar/2, W: bar, H: h, Y: stripHigh - h, Doubtful: t.Doubtful > 0,
				Title: fmt.Sprintf("%s, %s: %s in %s", t.Name, r.periodName(t.First), Span(t.Time), plural(t.Runs, "start"))}
			if text := hours(t.Time); float64(len(text))*letter < step {
				b.Text = text
			}
			p.Doubtful = p.Doubtful || b.Doubtful
			s.Bars = append(s.Bars, b)
		}
		for _, name := range order {
			s := strips[name]
			s.Sum = hours(sums[name]) + " h"
			s.Y, s.Base = y, y+stripHigh
			for i := range s.Bars {
				s.Bars[i].Y += y
			}
			p.Strips = append(p.Strips, *s)
			p.Desc += fmt.Sprintf("%s %s. ", name, s.Sum)
			y += stripStep
		}
	}
	p.Scale = "hours" + p.Scale
	p.AxisY = y - stripStep + stripHigh
	if len(p.Strips) == 0 {
		p.AxisY = y + stripHigh
		p.Desc = "Nothing ran."
	}
	every := 1
	for float64(every)*step < 11*letter*0.9 && every < len(firsts) {
		every++
	}
	for i := 0; i < len(firsts); i += every {
		p.Ticks = append(p.Ticks, svgTick{svgLeft + (float64(i)+0.5)*step, r.periodName(firsts[i])})
	}
	p.Height = p.AxisY + axisHigh
	if p.Doubtful {
		p.Height += 18
	}
	return svgTemplate.Execute(w, p)
}

func (r *Report) title() string {
	return fmt.Sprintf("Hours by %s, %s to %s", r.By, date(r.From), date(r.To))
}

// periodName is short: 2026-03-02, or 2026-03 for a month.
func (r *Report) periodName(first int) string {
	switch r.By {
	case Month:
		return DayTime(first).Format("2006-01")
	case All:
		return date(r.From) + " on"
	default:
		return date(max(first, r.By.First(r.From)))
	}
}

// hours writes hours to two figures or so.
func hours(d time.Duration) string {
	h := d.Hours()
	if h >= 9.95 || h == 0 {
		return fmt.Sprintf("%.0f", h)
	}
	if h < 0.095 {
		return fmt.Sprintf("%.2f", h)
	}
	return fmt.Sprintf("%.1f", h)
}

// niceHours is the next round number at or above x, from 0.1 on.
func niceHours(x float64) float64 {
	for e := 0; e < 8; e++ {
		for _, m := range []float64{1, 1.5, 2, 3, 4, 5, 6, 8} {
			if v := m * math.Pow10(e) / 10; v >= x {
				return v
			}
		}
	}
	return x
}

// shorten cuts a name that is too long.
func shorten(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	return string(r[:n-1]) + "…"
}

// Half is half a bar's width.
func (b svgBar) Half() float64 { return b.W / 2 }
