package panel

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strconv"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/config"
)

// runsPart shows the hours of the machines and the list of their runs.
var runsPart = Part{Path: "/runs", Title: "Runs", Role: Look, File: "runs.html", Fields: append([]string{"before"}, runsFields...), Data: runs,
	Routes: []Route{
		{Method: http.MethodGet, Path: "/runs.csv", Role: Look, Stream: true, Fields: runsFields, Do: runsCSV},
		{Method: http.MethodGet, Path: "/hours.csv", Role: Look, Stream: true, Fields: runsFields, Do: hoursCSV},
		{Method: http.MethodGet, Path: "/recording", Role: Look, Stream: true, Fields: []string{"start"}, Do: runRecording},
	}}

var runsFields = []string{"from", "to", "machine", "by"}

// History is the record of what ran. Its calls may take their time. Days count
// from 1970-01-01 in the shop's calendar.
type History interface {
	// Extent is the first and the last day on which a machine ran; ok is false
	// before any did.
	Extent(context.Context) (first, last int, ok bool, err error)
	// Hours sums up the runs of machines, and of the collector where no machine
	// is chosen, in order of period and name.
	Hours(context.Context, journal.ReportOf) ([]Hours, error)
	// Runs lists runs, the newest first, in the shop's zone. A Before that is no run
	// is a *Mistake.
	Runs(context.Context, journal.RunsOf) ([]journal.Run, error)
	// HoursCSV and RunsCSV write them all, as RFC 4180 has it.
	HoursCSV(context.Context, io.Writer, journal.ReportOf) error
	RunsCSV(context.Context, io.Writer, journal.RunsOf) error
	Close() error
}

// Hours holds what one machine, or the collector, ran in one period.
type Hours struct {
	journal.Total
	Collector bool // it is no machine
}

// Bounds of the part: our own choice.
const (
	runsOnPage  = 50
	mostPeriods = 150
	noFrom      = -1 << 31
	noTo        = 1<<31 - 1
)

// runsMain holds what the template shows.
type runsMain struct {
	None     string    // why there is nothing
	Tape     []tapeRow // runs that are still in memory
	From, To string
	Machines []runsMachine
	By       []runsMachine
	Strips   []hoursStrip
	First    string // of the strips, in days
	Middle   string // "" where they are few
	Last     string
	Scale    string
	Rows     []hoursRow
	Runs     []runRow
	Older    string // the address of the next page
	Newest   string // that of the first
	Query    string // of what is chosen, for the downloads
	Doubtful bool
	Cut      int
}

type runsMachine struct {
	Value, Words string
	Chosen       bool
}

// hoursStrip is a row of bars, one a period.
type hoursStrip struct {
	Name, Sum string
	Words     string // for who does not see it
	Top       string // the time of a bar as high as the picture
	Collector bool
	Width     int
	Bars      []hoursBar
}

// hoursBar is in units of a period wide and of ten high.
type hoursBar struct {
	X, Y, Height string
	Doubtful     bool
}

type hoursRow struct {
	When, Name, Time string
	Starts           int
	Longest          string
	Collector        bool
}

type runRow struct {
	ID                         int64
	Date, Clock, Machine, Time string
	Note                       string
	Doubtful                   bool
}

// offered are the periods that the page offers.
var offered = []journal.Period{journal.Day, journal.Week, journal.Month}

// runsAsk holds what is asked for.
type runsAsk struct {
	journal.ReportOf
	before  int64
	hasFrom bool
	hasTo   bool
}

// parseRuns reads what is asked for. Without days it is all there are.
func parseRuns(field func(string) string) (runsAsk, error) {
	by := cmp.Or(field("by"), "day")
	a := runsAsk{ReportOf: journal.ReportOf{Machine: field("machine"), From: noFrom, To: noTo}}
	if a.By, _ = journal.ParsePeriod(by); !slices.Contains(offered, a.By) {
		return a, &Mistake{fmt.Sprintf("choose day, week or month, not %.40q", by)}
	}
	for _, d := range []struct {
		name string
		day  *int
		has  *bool
	}{{"from", &a.From, &a.hasFrom}, {"to", &a.To, &a.hasTo}} {
		text := field(d.name)
		if text == "" {
			continue
		}
		t, err := time.Parse(time.DateOnly, text)
		if err != nil {
			return a, &Mistake{fmt.Sprintf("%.40q is no date: write year, month and day, as in 2026-03-02", text)}
		}
		*d.day, *d.has = int(t.Unix()/86400), true
	}
	if a.From > a.To {
		return a, &Mistake{fmt.Sprintf("the first day, %s, is after the last, %s", dateOf(a.From), dateOf(a.To))}
	}
	if text := field("before"); text != "" {
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil || n <= 0 {
			return a, &Mistake{fmt.Sprintf("no run %.40q: begin at the newest", text)}
		}
		a.before = n
	}
	return a, nil
}

// address is an address with a query.
func address(path string, q map[string]string) string {
	v := url.Values{}
	for k, x := range q {
		v.Set(k, x)
	}
	if len(v) == 0 {
		return path
	}
	return path + "?" + v.Encode()
}

// query returns what is asked for as an address has it.
func (a *runsAsk) query() map[string]string {
	q := map[string]string{}
	if a.hasFrom {
		q["from"] = dateOf(a.From)
	}
	if a.hasTo {
		q["to"] = dateOf(a.To)
	}
	if a.Machine != "" {
		q["machine"] = a.Machine
	}
	if a.By != journal.Day {
		q["by"] = a.By.String()
	}
	return q
}

func dayTime(day int) time.Time { return time.Unix(int64(day)*86400, 0).UTC() }

func dateOf(day int) string { return dayTime(day).Format(time.DateOnly) }

// history opens the record. The error journal.ErrNone is left to the caller.
func (s *Shop) history(ctx context.Context, long bool) (History, error) {
	if s.History == nil {
		return nil, journal.ErrNone
	}
	h, err := s.History(ctx, long)
	if err != nil && !errors.Is(err, journal.ErrNone) {
		err = fmt.Errorf("the history cannot be read just now: %w", err)
	}
	return h, err
}

func runs(v *Visit) (any, error) {
	a, err := parseRuns(v.Field)
	if err != nil {
		return nil, err
	}
	m := &runsMain{Tape: v.Shop.tapeRows()}
	h, err := v.Shop.history(v.R.Context(), false)
	if errors.Is(err, journal.ErrNone) {
		m.None = "Nothing is recorded yet. The list begins with the first machine that runs."
		return m, nil
	}
	if err == nil {
		err = m.fill(v.R.Context(), h, &a, v.Shop.Shop)
		err = errors.Join(err, h.Close())
	}
	if mine := (*Mistake)(nil); err != nil && !errors.As(err, &mine) {
		m.None, err = unread, nil
	}
	return m, err
}

// unread is what a part says in the place of what it cannot read; what is in memory it shows.
const unread = "The history cannot be read just now. Machines are served all the same. To see why, run kerfwind doctor at the computer."

// fill reads what is asked for from the record.
func (m *runsMain) fill(ctx context.Context, h History, a *runsAsk, shop *config.Shop) error {
	first, last, ok, err := h.Extent(ctx)
	if err != nil {
		return err
	}
	if !ok {
		m.None = "No machine has run yet."
		return nil
	}
	whole := journal.RunsOf{Machine: a.Machine, From: a.From, To: a.To, Before: a.before, Limit: runsOnPage + 1}
	asked := *a
	a.To = min(a.To, last)
	if !a.hasFrom {
		a.From = a.By.Since(a.To)
	}
	a.From = max(a.From, a.By.First(first)) // nothing was before
	var hours []Hours
	if a.From <= a.To {
		if hours, err = h.Hours(ctx, a.ReportOf); err != nil {
			return err
		}
		if err := m.strips(hours, a, shop); err != nil {
			return err
		}
	}
	list, err := h.Runs(ctx, whole)
	if err != nil {
		return err
	}
	m.list(list, &asked)
	if asked.hasFrom {
		m.From = dateOf(asked.From)
	}
	if asked.hasTo {
		m.To = dateOf(asked.To)
	}
	m.choices(hours, list, a, shop)
	m.Query = address("", asked.query())
	return nil
}

// strips draws one strip for each machine and one for the collector.
func (m *runsMain) strips(hours []Hours, a *runsAsk, shop *config.Shop) error {
	at := map[int]int{}
	n := 0
	for d := a.By.First(a.From); d <= a.To; d = a.By.Next(d) {
		if n++; n > mostPeriods {
			return &Mistake{fmt.Sprintf("that is more than %d: choose longer periods or fewer days", mostPeriods)}
		}
		at[d] = n - 1
	}
	m.First, m.Last = dateOf(a.From), dateOf(a.To)
	if a.To-a.From > 1 {
		m.Middle = dateOf((a.From + a.To) / 2)
	}
	var most [2]time.Duration // of machines, of the collector
	kind := func(h *Hours) int {
		if h.Collector {
			return 1
		}
		return 0
	}
	for i := range hours {
		h := &hours[i]
		most[kind(h)] = max(most[kind(h)], h.Time)
	}
	strips := map[string]*hoursStrip{}
	sums := map[string]time.Duration{}
	peak := map[string]*Hours{}
	var order []string
	for i := range hours {
		h := &hours[i]
		key := h.Name
		if h.Collector {
			key = "\x00" + key
		}
		if strips[key] == nil {
			strips[key] = &hoursStrip{Name: h.Name, Collector: h.Collector, Width: n}
			order = append(order, key)
		}
		sums[key] += h.Time
		if p := peak[key]; p == nil || h.Time > p.Time {
			peak[key] = h
		}
		high := 0.0
		if top := most[kind(h)]; top > 0 {
			high = 10 * h.Time.Seconds() / top.Seconds()
		}
		strips[key].Bars = append(strips[key].Bars, hoursBar{X: decimal(float64(at[h.First]) + 0.1), Y: decimal(10 - high), Height: decimal(high), Doubtful: h.Doubtful > 0})
		m.Rows = append(m.Rows, hoursRow{When: m.when(a.By, h.First), Name: h.Name, Time: hms(h.Time), Starts: h.Runs, Longest: hms(h.Longest), Collector: h.Collector})
		m.Doubtful = m.Doubtful || h.Doubtful > 0
		if !h.Collector {
			m.Cut += h.Cut
		}
	}
	slices.Reverse(m.Rows) // the newest first, as in the list
	for i := len(m.Rows) - 1; i > 0; i-- {
		if m.Rows[i].When == m.Rows[i-1].When {
			m.Rows[i].When = ""
		}
	}
	rank := func(key string) int {
		for i := range shop.Machines {
			if shop.Machines[i].Name == key {
				return i
			}
		}
		if strips[key].Collector {
			return len(shop.Machines) + 1
		}
		return len(shop.Machines) // of another shop
	}
	slices.SortStableFunc(order, func(a, b string) int { return rank(a) - rank(b) })
	for _, key := range order {
		s := strips[key]
		s.Sum, s.Top = hms(sums[key]), hms(most[0])
		if s.Collector {
			s.Top = hms(most[1])
		}
		s.Words = fmt.Sprintf("%s: %s from %s to %s; most: %s, %s", s.Name, s.Sum, m.First, m.Last, m.when(a.By, peak[key].First), hms(peak[key].Time))
		m.Strips = append(m.Strips, *s)
	}
	m.Scale = fmt.Sprintf("One bar a %s; the highest of a machine is %s", a.By, hms(most[0]))
	if most[1] > 0 {
		m.Scale += ", of the collector " + hms(most[1])
	}
	return nil
}

// when names a period.
func (m *runsMain) when(by journal.Period, first int) string {
	if by == journal.Week {
		return "week of " + dateOf(first)
	}
	if by == journal.Month {
		return dayTime(first).Format("2006-01")
	}
	return dayTime(first).Format("Mon 2006-01-02")
}

// list makes the page of runs.
func (m *runsMain) list(list []journal.Run, a *runsAsk) {
	if a.before > 0 {
		m.Newest = address("/runs", a.query())
	}
	if len(list) > runsOnPage {
		list = list[:runsOnPage]
		q := a.query()
		q["before"] = strconv.FormatInt(list[len(list)-1].ID, 10)
		m.Older = address("/runs", q)
	}
	date := ""
	for i := range list {
		r := &list[i]
		row := runRow{ID: r.ID, Date: r.Began.Format("Mon 2006-01-02"), Clock: r.Began.Format("15:04:05"), Machine: r.Machine, Time: hms(r.Time), Note: journal.Ending(r.Ending), Doubtful: r.Doubtful}
		m.Doubtful = m.Doubtful || r.Doubtful
		if row.Date == date {
			row.Date = ""
		} else {
			date = row.Date
		}
		m.Runs = append(m.Runs, row)
	}
}

// choices returns what the form offers.
func (m *runsMain) choices(hours []Hours, list []journal.Run, a *runsAsk, shop *config.Shop) {
	names := []string{""}
	add := func(name string) {
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	for i := range shop.Machines {
		add(shop.Machines[i].Name)
	}
	for i := range hours {
		if !hours[i].Collector {
			add(hours[i].Name)
		}
	}
	for i := range list {
		add(list[i].Machine)
	}
	add(a.Machine)
	for _, name := range names {
		words := name
		if name == "" {
			words = "all machines"
		}
		m.Machines = append(m.Machines, runsMachine{name, words, name == a.Machine})
	}
	for _, by := range offered {
		m.By = append(m.By, runsMachine{by.String(), by.String(), by == a.By})
	}
}

// decimal is a coordinate.
func decimal(x float64) string { return strconv.FormatFloat(x, 'f', 2, 64) }

// hms writes a length of time as h:mm:ss.
func hms(d time.Duration) string {
	s := int64(d.Round(time.Second) / time.Second)
	return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
}

func runsCSV(v *Visit) error {
	return v.table("runs", func(ctx context.Context, w io.Writer, h History, a *runsAsk) error {
		return h.RunsCSV(ctx, w, journal.RunsOf{Machine: a.Machine, From: a.From, To: a.To})
	})
}

func hoursCSV(v *Visit) error {
	return v.table("hours", func(ctx context.Context, w io.Writer, h History, a *runsAsk) error {
		return h.HoursCSV(ctx, w, a.ReportOf)
	})
}

// table answers with a table that may be long.
func (v *Visit) table(what string, write func(context.Context, io.Writer, History, *runsAsk) error) error {
	a, err := parseRuns(v.Field)
	if err != nil {
		return err
	}
	ctx := v.R.Context()
	h, err := v.Shop.history(ctx, true)
	if errors.Is(err, journal.ErrNone) {
		return &Mistake{"nothing is recorded yet"}
	} else if err != nil {
		return err
	}
	name := "kerfwind-" + what
	if a.hasFrom {
		name += "-from-" + dateOf(a.From)
	}
	if a.hasTo {
		name += "-to-" + dateOf(a.To)
	}
	w := v.download(name+".csv", "text/csv; charset=utf-8")
	err = errors.Join(write(ctx, w, h, &a), h.Close())
	return w.end(err)
}

// slow writes an answer that may be long, to a visitor who may be slow or whose
// session may end.
type slow struct {
	v       *Visit
	to      *http.ResponseController
	n       int64
	checked time.Time
}

// errEnded ends a download.
var errEnded = errors.New("the session has ended")

// download begins an answer that the browser keeps as a file.
func (v *Visit) download(name, kind string) *slow {
	v.W.Header().Set("Content-Type", kind)
	v.W.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
	v.W.Header().Set("Cache-Control", "no-store")
	return &slow{v: v, to: http.NewResponseController(v.W)}
}

// Write gives the visitor streamWrite for each piece.
func (w *slow) Write(b []byte) (int, error) {
	now := time.Now()
	if now.Sub(w.checked) > time.Second {
		if !w.v.Still() {
			return 0, errEnded
		}
		w.checked = now
	}
	if err := w.to.SetWriteDeadline(now.Add(streamWrite)); err != nil && !errors.Is(err, http.ErrNotSupported) && !errors.Is(err, os.ErrNoDeadline) {
		return 0, err
	}
	n, err := w.v.W.Write(b)
	w.n += int64(n)
	return n, err
}

// end ends the answer. What fails after something was sent can be told only by
// breaking off, so that nobody takes a piece for the whole.
func (w *slow) end(err error) error {
	if err != nil && w.n > 0 {
		panic(http.ErrAbortHandler)
	}
	if err != nil {
		for _, h := range []string{"Content-Disposition", "Content-Type"} {
			w.v.W.Header().Del(h)
		}
	}
	return err
}
