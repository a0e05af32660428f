package panel

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/control"
)

// upkeepPart shows how full the bin is, what wears and what is due, and takes
// the resets.
var upkeepPart = Part{Path: "/upkeep", Title: "Upkeep", Role: Look, File: "upkeep.html", Data: upkeepData,
	Routes: []Route{
		{Method: http.MethodPost, Path: "/reset", Role: Operate, Fields: []string{"item", "seen"}, Do: upkeepReset},
		{Method: http.MethodPost, Path: "/undo", Role: Operate, Fields: []string{"item", "seen"}, Do: upkeepUndo},
		{Method: http.MethodPost, Path: "/cleared", Role: Operate, Fields: []string{"duct"}, Do: upkeepCleared},
		{Method: http.MethodPost, Path: "/every", Role: Setup, Fields: []string{"item", "machine", "every"}, Do: upkeepEvery},
	}}

// Upkeep keeps what wears and fills. Its calls may take their time. An error
// that is the visitor's is a *Mistake; one because somebody else was quicker is
// a *Refusal.
type Upkeep interface {
	// Look returns the state. The error is journal.ErrNone before anything is
	// recorded.
	Look(context.Context) (*UpkeepState, error)
	// Reset says that somebody has reset an item; TakeBack takes back the reset
	// that it counts from. seen is the number of that reset as the visitor saw it.
	Reset(ctx context.Context, item string, seen int64) error
	TakeBack(ctx context.Context, item string, seen int64) error
	// Every sets after how much an item is due, in words as in "40 h",
	// "20000 moves" or "never". machine names the machine whose hours a new item
	// counts.
	Every(ctx context.Context, item, machine, every string) error
}

// UpkeepState is all that the part shows.
type UpkeepState struct {
	journal.Upkeep
	Weak []journal.WeakAir // the newest first
	Zone *time.Location
}

// upkeepMain holds what the template shows.
type upkeepMain struct {
	Settled []Settled
	May     bool // the visitor may say that one is cleared
	None    string
	Due     []upkeepItem
	Items   []upkeepItem
	Gates   []upkeepItem // that are not due
	Starts  string
	Budget  *upkeepMeter
	More    string // when there is one more start
	Trend   string
	Sign    string // of the trend
	Cause   string // what is likeliest behind it
	Picture *trendPicture
	Weak    []upkeepNews
	Names   []string // of the machines
	All     []string // of the items
}

// upkeepMeter is a bar: how much of something is used.
type upkeepMeter struct{ Share, Words string }

type upkeepItem struct {
	Name, Used, Every string
	Meter             *upkeepMeter
	Words, Sign       string
	Since             string
	Seen              int64
	Do                string // what the button says
	May               bool   // the visitor may
}

type upkeepNews struct {
	When, What string
	Sign       string
}

func upkeepData(v *Visit) (any, error) {
	m := &upkeepMain{Settled: v.Shop.settled(), May: v.May(Operate)}
	st, err := v.Shop.upkeepState(v.R.Context())
	switch {
	case errors.Is(err, journal.ErrNone):
		m.None = "Nothing is recorded yet. kerfwind counts hours, gate cycles and the bin's filling from the first run on."
	case err != nil:
		m.None = unread
	default:
		m.fill(st, v.May(Operate))
	}
	m.Names = v.Shop.machineNames()
	if snap := v.Shop.Snapshot(); snap != nil {
		m.left(&snap.Collector, v.Shop.Now())
	}
	return m, nil
}

func (s *Shop) upkeepState(ctx context.Context) (*UpkeepState, error) {
	if s.Upkeep == nil {
		return nil, journal.ErrNone
	}
	st, err := s.Upkeep.Look(ctx)
	if err != nil && !errors.Is(err, journal.ErrNone) {
		err = fmt.Errorf("the history cannot be read just now: %w", err)
	}
	return st, err
}

// fill puts the state into words.
func (m *upkeepMain) fill(st *UpkeepState, may bool) {
	for i := range st.Items {
		it := &st.Items[i]
		x := newUpkeepItem(it, st.Zone)
		x.May = may
		m.All = append(m.All, it.Name)
		switch {
		case it.Due():
			m.Due = append(m.Due, x)
		case it.Unit == upkeep.Moves:
			m.Gates = append(m.Gates, x)
		default:
			m.Items = append(m.Items, x)
		}
	}
	m.Starts = fmt.Sprintf("%d in the last hour", st.Hour)
	if st.Budget > 0 {
		m.Starts += fmt.Sprintf(" of the %d the motor may make", st.Budget)
		m.Budget = &upkeepMeter{decimal(min(1, float64(st.Hour)/float64(st.Budget))), m.Starts}
	} else {
		m.Starts += "; the shop file sets no limit (starts_per_hour)"
	}
	m.Starts += fmt.Sprintf("; at most %d in any hour of the last 30 days.", st.Most)
	m.Trend, m.Sign = trendWords(&st.Trend, st.Known)
	if st.Cause != nil {
		m.Cause = st.Cause.Words(dateOf)
	}
	if st.Known {
		m.Picture = newTrendPicture(&st.Trend)
	}
	for i := range st.Weak {
		w := &st.Weak[i]
		n := upkeepNews{When: w.Wall.In(st.Zone).Format("2006-01-02 15:04"), Sign: "warn"}
		if w.Doubtful {
			n.When = "~" + n.When
		}
		with := "no gate"
		if len(w.Gates) > 0 {
			with = strings.Join(w.Gates, ", ")
		}
		n.What = fmt.Sprintf("weak air with %s open: the collector drew %.0f %% of its learned current. Look for a blockage, a full filter or a stuck gate.", with, 100*w.Part)
		if w.Good {
			n.What, n.Sign = fmt.Sprintf("good again with %s open: %.0f %%.", with, 100*w.Part), "ok"
		}
		m.Weak = append(m.Weak, n)
	}
}

// left says how many starts are left now.
func (m *upkeepMain) left(c *control.CollectorView, now time.Duration) {
	if c.StartsLeft < 0 {
		return
	}
	m.More = fmt.Sprintf("Left now: %d", c.StartsLeft)
	if c.NextStart > now {
		m.More += fmt.Sprintf("; one more in %d min", int(math.Ceil((c.NextStart - now).Minutes())))
	}
	m.More += "."
}

func newUpkeepItem(it *upkeep.Item, zone *time.Location) upkeepItem {
	x := upkeepItem{Name: it.Name, Used: it.Unit.Amount(it.Used), Seen: it.Reset, Do: "Seen to", Sign: "ok"}
	if it.Name == "bin" {
		x.Do = "Emptied"
	}
	if it.Every > 0 {
		x.Every = it.Unit.Amount(it.Every)
		x.Meter = &upkeepMeter{decimal(min(1, it.Part())), fmt.Sprintf("%.0f %%", 100*it.Part())}
	}
	switch days, ok := it.Days(); {
	case it.Full:
		x.Words, x.Sign = "full: empty it", "bad"
	case it.Due():
		x.Words, x.Sign = "due", "warn"
	case it.Name == "bin" && it.Every <= 0:
		x.Words, x.Sign = `kerfwind has not learned yet how much fills it: press "Emptied" at each emptying.`, ""
	case ok:
		x.Words = fmt.Sprintf("due in about %.0f days", math.Ceil(days))
	case it.Every > 0:
		x.Words = "not due"
	default:
		x.Words, x.Sign = "counted, never due", ""
	}
	if !it.Since.IsZero() {
		x.Since = it.Since.In(zone).Format("2006-01-02 15:04")
		if !it.Sure {
			x.Since = "about " + x.Since
		}
	}
	return x
}

// trendWords returns what the collector's own current says of the filter.
func trendWords(t *upkeep.Trend, known bool) (words, sign string) {
	if !known {
		return "The collector's own current shows how freely the air moves. There are no figures for two weeks yet, or the collector has no current sensor.", ""
	}
	words = fmt.Sprintf("The collector draws %.0f %% of its first current, %+.1f %% a week over %d weeks", 100*t.Now, 100*t.Slope, t.Weeks)
	switch {
	case t.Weak == 0:
		return words + ". The air is weak. Look for a blockage, a full filter or a stuck gate.", "bad"
	case t.Weak > 0:
		return words + fmt.Sprintf(": weak in about %d weeks. Look at the filter.", t.Weak), "warn"
	}
	return words + ".", "ok"
}

// trendPicture is the way of the collector's current over the weeks.
type trendPicture struct {
	Words       string
	Line        string // the points of a polyline
	Dots        []trendDot
	Weak        string // height of the level below which the air is weak
	Levels      []trendLevel
	First, Last string // weeks
}

type trendDot struct{ X, Y string }

// trendLevel is a line of the picture's scale.
type trendLevel struct{ Y, Words string }

// Measures of the picture of a trend, in its own units.
const (
	trendWide = 340.0
	trendHigh = 120.0
	trendLeft = 56.0 // for the words of the levels
	trendTop  = 1.1  // of the level
	trendFoot = 0.7
)

func newTrendPicture(t *upkeep.Trend) *trendPicture {
	first, last := t.Points[0].Week, t.Points[len(t.Points)-1].Week
	y := func(part float64) string {
		part = min(max(part, trendFoot), trendTop)
		return decimal(6 + (trendHigh-12)*(trendTop-part)/(trendTop-trendFoot))
	}
	p := &trendPicture{Weak: y(1 - upkeep.Drop), First: dateOf(first), Last: dateOf(last)}
	for _, part := range []float64{trendTop, 1, 0.8, trendFoot} {
		p.Levels = append(p.Levels, trendLevel{y(part), fmt.Sprintf("%.0f %%", 100*part)})
	}
	var line []string
	for _, q := range t.Points {
		x := decimal(trendLeft + (trendWide-trendLeft-8)*float64(q.Week-first)/float64(max(last-first, 1)))
		p.Dots = append(p.Dots, trendDot{x, y(q.Part)})
		line = append(line, x+","+y(q.Part))
	}
	p.Line = strings.Join(line, " ")
	p.Words = fmt.Sprintf("From %.0f %% in the week of %s to %.0f %% in the week of %s; weak from %.0f %% down", 100*t.Points[0].Part, p.First, 100*t.Now, p.Last, 100*(1-upkeep.Drop))
	return p
}

// seen is the number of the reset that the visitor saw.
func (v *Visit) seen() (item string, seen int64, err error) {
	item = v.Field("item")
	seen, err = strconv.ParseInt(v.Field("seen"), 10, 64)
	if item == "" || err != nil || seen < 0 {
		return item, 0, &Mistake{"the form does not say what was done: use the part Upkeep"}
	}
	return item, seen, nil
}

// errNoUpkeep is the answer where nothing is recorded.
var errNoUpkeep = &Refusal{"nothing is recorded yet, so there is nothing to reset"}

func upkeepReset(v *Visit) error {
	item, seen, err := v.seen()
	if err != nil {
		return err
	}
	if v.Shop.Upkeep == nil {
		return errNoUpkeep
	}
	if err := v.Shop.Upkeep.Reset(v.R.Context(), item, seen); err != nil {
		return err
	}
	v.Said(fmt.Sprintf("%s: reset. You can undo it below.", item))
	return nil
}

// upkeepCleared takes a duct as cleared by hand.
func upkeepCleared(v *Visit) error {
	duct := v.Field("duct")
	if !slices.ContainsFunc(v.Shop.settled(), func(x Settled) bool { return x.Duct == duct }) {
		return &Refusal{Why: "nothing is known to lie there any more"}
	}
	if err := v.Shop.Cleared(v.R.Context(), duct); err != nil {
		return err
	}
	v.Said(duct + ": taken as clear.")
	return nil
}

func upkeepUndo(v *Visit) error {
	item, seen, err := v.seen()
	if err != nil {
		return err
	}
	if v.Shop.Upkeep == nil {
		return errNoUpkeep
	}
	if err := v.Shop.Upkeep.TakeBack(v.R.Context(), item, seen); err != nil {
		return err
	}
	v.Said(fmt.Sprintf("%s: the reset is undone.", item))
	return nil
}

// mostItemName bounds the name of an item, letters.
const mostItemName = 60

func upkeepEvery(v *Visit) error {
	item, machine, every := strings.TrimSpace(v.Field("item")), v.Field("machine"), strings.TrimSpace(v.Field("every"))
	switch {
	case item == "" || len([]rune(item)) > mostItemName:
		return &Mistake{fmt.Sprintf("name the item, in at most %d letters", mostItemName)}
	case every == "":
		return &Mistake{`say after how much it is due: "40 h", "20000 moves" or never`}
	case machine != "" && !slices.Contains(v.Shop.machineNames(), machine):
		return &Mistake{fmt.Sprintf("no machine %.40q in this shop", machine)}
	case v.Shop.Upkeep == nil:
		return errNoUpkeep
	}
	if err := v.Shop.Upkeep.Every(v.R.Context(), item, machine, every); err != nil {
		return err
	}
	v.Said(fmt.Sprintf("%s: due every %s.", item, every))
	if every == "never" {
		v.Said(item + ": no further reminders.")
	}
	return nil
}

func (s *Shop) machineNames() []string {
	var out []string
	for i := range s.Machines {
		out = append(out, s.Machines[i].Name)
	}
	return out
}
