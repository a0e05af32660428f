package journal

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"kerfwind/config"
)

// Group is the totals of one kind: of machines, of the collector, of outlets.
type Group struct {
	Of     string // "machine", "collector", "outlet"
	Totals []Total
}

// Report is totals over periods.
type Report struct {
	By       Period
	From, To int // days, both included
	Groups   []Group
}

// date writes a day as ISO 8601 has it.
func date(day int) string { return DayTime(day).Format(time.DateOnly) }

// bounds are the first and the last day of a total's period, within the report.
func (r *Report) bounds(t *Total) (from, to int) {
	return max(r.From, t.First), min(r.To, r.next(t.First)-1)
}

// next is the first day of the period after the one that begins at first.
func (r *Report) next(first int) int {
	if r.By == All {
		return r.To + 1
	}
	return r.By.Next(first)
}

// Span writes a length of time as h:mm:ss.
func Span(d time.Duration) string {
	s := int64(d.Round(time.Second) / time.Second)
	return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
}

// doubt marks a date that is not sure.
func doubt(d bool) string {
	if d {
		return "~"
	}
	return ""
}

// WriteTable writes the report for people.
func (r *Report) WriteTable(w io.Writer) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	head := r.By.String() + " from"
	if r.By == Day {
		head = "day"
	}
	if r.By == All {
		head = "from"
	}
	fmt.Fprintf(tw, "%s\t\thours\tstarts\tlongest\n", head)
	var rows []*Total
	cut, doubtful := 0, 0
	for _, g := range r.Groups {
		for i := range g.Totals {
			t := &g.Totals[i]
			rows = append(rows, t)
			cut, doubtful = cut+t.Cut, doubtful+t.Doubtful
		}
	}
	slices.SortStableFunc(rows, func(a, b *Total) int { return a.First - b.First })
	last := ""
	for _, t := range rows {
		from, _ := r.bounds(t)
		when := date(from) + doubt(t.Doubtful > 0)
		if when == last {
			when = ""
		} else {
			last = when
		}
		fmt.Fprintf(tw, "%s\t%s\t%s\t%d\t%s\n", when, t.Name, Span(t.Time), t.Runs, Span(t.Longest))
	}
	if len(rows) == 0 {
		_, err := fmt.Fprintf(w, "nothing ran from %s to %s\n", date(r.From), date(r.To))
		return err
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	if doubtful > 0 {
		fmt.Fprintf(w, "~ the date is uncertain: the clock was not set then\n")
	}
	if cut > 0 {
		fmt.Fprintf(w, "%s ended unseen (power cut, or the disk was too slow); counted up to the last certain moment\n", plural(cut, "run"))
	}
	return nil
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return strconv.Itoa(n) + " " + what + "s"
}

// jsonTotal is a total in JSON, format 1. Times are seconds.
type jsonTotal struct {
	From     string  `json:"from"`
	To       string  `json:"to"`
	Of       string  `json:"of"`
	Name     string  `json:"name"`
	Starts   int     `json:"starts"`
	Seconds  float64 `json:"seconds"`
	Longest  float64 `json:"longest_seconds"`
	Cut      int     `json:"ended_unseen"`
	Doubtful int     `json:"date_not_sure"`
}

func (r *Report) rows() []jsonTotal {
	out := []jsonTotal{}
	for _, g := range r.Groups {
		for i := range g.Totals {
			t := &g.Totals[i]
			from, to := r.bounds(t)
			out = append(out, jsonTotal{date(from), date(to), g.Of, t.Name, t.Runs, t.Time.Seconds(), t.Longest.Seconds(), t.Cut, t.Doubtful})
		}
	}
	return out
}

// WriteJSON writes the report as one JSON object.
func (r *Report) WriteJSON(w io.Writer) error {
	return writeJSON(w, struct {
		Format int         `json:"format"`
		By     string      `json:"by"`
		From   string      `json:"from"`
		To     string      `json:"to"`
		Totals []jsonTotal `json:"totals"`
	}{1, r.By.String(), date(r.From), date(r.To), r.rows()})
}

func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// WriteCSV writes the report as RFC 4180 has it, with a header.
func (r *Report) WriteCSV(w io.Writer) error {
	c := csv.NewWriter(w)
	rows := [][]string{{"from", "to", "of", "name", "starts", "seconds", "longest_seconds", "ended_unseen", "date_not_sure"}}
	for _, t := range r.rows() {
		rows = append(rows, []string{t.From, t.To, t.Of, cell(t.Name), strconv.Itoa(t.Starts), number(t.Seconds), number(t.Longest), strconv.Itoa(t.Cut), strconv.Itoa(t.Doubtful)})
	}
	return c.WriteAll(rows)
}

// cell is a text in CSV. One that a spreadsheet would take for a formula gets a
// quotation mark before it, which makes it text there (OWASP, CSV injection; from
// memory).
func cell(text string) string {
	text = config.OneLine(text)
	if text != "" && strings.ContainsRune("=+-@", rune(text[0])) {
		return "'" + text
	}
	return text
}

func number(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// Runs is one page of the list of runs.
type Runs struct {
	List []Run
	Zone *time.Location
	More bool // there are older ones
}

// WriteTable writes the page for people.
func (r *Runs) WriteTable(w io.Writer) error {
	if len(r.List) == 0 {
		_, err := fmt.Fprintln(w, "no such runs")
		return err
	}
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "run\tbegan\tmachine\ttime\t")
	for i := range r.List {
		x := &r.List[i]
		fmt.Fprintf(tw, "%d\t%s%s\t%s\t%s\t%s\n", x.ID, doubt(x.Doubtful), x.Began.In(r.Zone).Format(time.DateTime), x.Machine, Span(x.Time), Ending(x.Ending))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	if r.More {
		_, err := fmt.Fprintf(w, "older ones: --before %d\n", r.List[len(r.List)-1].ID)
		return err
	}
	return nil
}

// Ending is how a run ended, in words, by its name in the record. It is empty
// for one whose end was seen.
func Ending(e string) string {
	switch e {
	case "seen":
		return ""
	case "":
		return "runs"
	case "closed":
		return "kerfwind was stopped meanwhile"
	case "cut":
		return "its end was not seen: power cut or crash"
	case "lost":
		return "its end was not recorded: the disk was too slow"
	}
	return e
}

// jsonRun is a run in JSON, format 1.
type jsonRun struct {
	ID       int64   `json:"id"`
	Began    string  `json:"began"` // RFC 3339
	Machine  string  `json:"machine"`
	Shop     string  `json:"shop"`
	Seconds  float64 `json:"seconds"`
	Ending   string  `json:"ending"`
	Doubtful bool    `json:"date_not_sure"`
}

func (r *Runs) rows() []jsonRun {
	out := []jsonRun{}
	for _, x := range r.List {
		e := x.Ending
		if e == "" {
			e = "runs"
		}
		out = append(out, jsonRun{x.ID, x.Began.In(r.Zone).Format("2006-01-02T15:04:05.000Z07:00"), x.Machine, x.Shop, x.Time.Seconds(), e, x.Doubtful})
	}
	return out
}

// WriteJSON writes the page as one JSON object.
func (r *Runs) WriteJSON(w io.Writer) error {
	return writeJSON(w, struct {
		Format int       `json:"format"`
		Runs   []jsonRun `json:"runs"`
		More   bool      `json:"more"`
	}{1, r.rows(), r.More})
}

// WriteCSV writes the page as RFC 4180 has it, with a header.
func (r *Runs) WriteCSV(w io.Writer) error {
	return csv.NewWriter(w).WriteAll(append([][]string{runColumns}, r.csvRows()...))
}

var runColumns = []string{"id", "began", "machine", "shop", "seconds", "ending", "date_not_sure"}

func (r *Runs) csvRows() [][]string {
	var rows [][]string
	for _, x := range r.rows() {
		rows = append(rows, []string{strconv.FormatInt(x.ID, 10), x.Began, cell(x.Machine), cell(x.Shop), number(x.Seconds), x.Ending, strconv.FormatBool(x.Doubtful)})
	}
	return rows
}

// StreamCSV writes runs page by page as WriteCSV has them, with one header.
// next gives the page after a run, the first after 0; an empty page ends it.
func StreamCSV(w io.Writer, zone *time.Location, next func(before int64) ([]Run, error)) error {
	c := csv.NewWriter(w)
	if err := c.Write(runColumns); err != nil {
		return err
	}
	for before := int64(0); ; {
		list, err := next(before)
		if err != nil {
			return err
		}
		if len(list) == 0 {
			c.Flush()
			return c.Error()
		}
		before = list[len(list)-1].ID
		r := Runs{List: list, Zone: zone}
		if err := c.WriteAll(r.csvRows()); err != nil {
			return err
		}
	}
}

// ParseDay reads a date as ISO 8601 has it, 2026-03-02.
func ParseDay(text string) (day int, err error) {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return 0, fmt.Errorf("%q is no date: write year, month and day, as in 2026-03-02", text)
	}
	return int(t.Unix() / 86400), nil
}
