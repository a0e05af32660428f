package panel

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
)

// fakeHistory has a planer that runs once a day, an hour longer each day of
// the week.
type fakeHistory struct {
	first, last int
	closed      *int
	long        bool
	fails       error
}

func (h fakeHistory) Extent(context.Context) (int, int, bool, error) {
	return h.first, h.last, h.last >= h.first, h.fails
}

func (h fakeHistory) Hours(_ context.Context, of journal.ReportOf) ([]Hours, error) {
	var out []Hours
	for d := max(of.From, h.first); d <= min(of.To, h.last); d++ {
		first := of.By.First(d)
		x := Hours{Total: journal.Total{First: first, Name: "planer", Runs: 1, Time: time.Hour, Longest: time.Hour, Doubtful: d % 2}}
		if n := len(out); n > 0 && out[n-1].First == first {
			out[n-1].Time += x.Time
			out[n-1].Runs++
			continue
		}
		out = append(out, x)
	}
	if of.Machine == "" {
		for _, x := range out {
			x.Name, x.Collector, x.Time = "collector", true, 2*x.Time
			out = append(out, x)
		}
	}
	return out, nil
}

// Runs: run number n began on day n-1 after the first.
func (h fakeHistory) Runs(_ context.Context, of journal.RunsOf) ([]journal.Run, error) {
	var out []journal.Run
	top := int64(h.last - h.first + 1)
	if of.Before > top {
		return nil, &Mistake{fmt.Sprintf("there is no run %d", of.Before)}
	}
	if of.Before > 0 {
		top = of.Before - 1
	}
	for n := top; n > 0 && len(out) < of.Limit; n-- {
		if d := h.first + int(n) - 1; d >= of.From && d <= of.To {
			out = append(out, journal.Run{ID: n, Machine: "planer", Began: dayTime(d).Add(9 * time.Hour), Time: time.Hour, Ending: "seen"})
		}
	}
	return out, nil
}

func (h fakeHistory) HoursCSV(_ context.Context, w io.Writer, of journal.ReportOf) error {
	_, err := fmt.Fprintf(w, "hours %+v", of)
	return err
}

func (h fakeHistory) RunsCSV(_ context.Context, w io.Writer, of journal.RunsOf) error {
	if h.fails != nil {
		return h.fails
	}
	if !h.long {
		return errors.New("a download takes the room of a page")
	}
	_, err := fmt.Fprintf(w, "runs %+v", of)
	return err
}

func (h fakeHistory) Close() error {
	*h.closed--
	return nil
}

// runsPage is a page over a record, and how many records are open.
func runsPage(t testing.TB, h fakeHistory, opening error) (s *Server, open *int) {
	s, p := New(Options{Notice: func(err error) { t.Log(err) }}), onPage(demoShop(t), time.Minute)
	open = new(int)
	h.closed = open
	p.History = func(_ context.Context, long bool) (History, error) {
		if opening != nil {
			return nil, opening
		}
		*open++
		h.long = long
		return h, nil
	}
	s.Show(p)
	return s, open
}

// day0 is Monday 2026-03-02.
var day0 = int(time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC).Unix() / 86400)

func TestRunsPages(t *testing.T) {
	s, open := runsPage(t, fakeHistory{first: day0 - 119, last: day0}, nil)
	w := look(s, "/runs")
	reads(t, w, http.StatusOK, "Mon 2026-03-02", "planer", `href="/runs?before=71">Older`, "14:00:00", "28:00:00", "<span>2026-02-17</span><span>2026-02-23</span><span>2026-03-02</span>")
	if strings.Count(w.Body.String(), "<td>09:00:00</td>") != runsOnPage {
		t.Error("not a page of runs")
	}
	reads(t, look(s, "/runs?before=71"), http.StatusOK, `href="/runs?before=21">Older`, `href="/runs">Newest`)
	last := look(s, "/runs?before=21")
	reads(t, last, http.StatusOK, `href="/runs">Newest`)
	if strings.Contains(last.Body.String(), "Older") {
		t.Error("there is nothing older")
	}
	// What is chosen stays chosen on the next page and in the downloads.
	reads(t, look(s, "/runs?from=2025-12-01&machine=planer&by=week"), http.StatusOK, "/runs?before=71&amp;by=week&amp;from=2025-12-01&amp;machine=planer",
		"/runs/runs.csv?by=week&amp;from=2025-12-01&amp;machine=planer", `<option value="planer" selected>`, "week of 2026-02-23", `value="2025-12-01"`)
	reads(t, look(s, "/runs?by=month&machine=lathe"), http.StatusOK, `<option value="lathe" selected>`)
	reads(t, look(s, "/runs?from=2027-01-01"), http.StatusOK, "Nothing ran in these days.", "No such runs.")
	reads(t, look(s, "/runs?to=2020-01-01"), http.StatusOK, "Nothing ran in these days.", "No such runs.")
	if *open != 0 {
		t.Errorf("%d records left open", *open)
	}
}

func TestRunsEmpty(t *testing.T) {
	s, open := runsPage(t, fakeHistory{first: 1, last: 0}, nil)
	reads(t, look(s, "/runs"), http.StatusOK, "No machine has run yet.")
	if *open != 0 {
		t.Error("left open")
	}
	s, _ = runsPage(t, fakeHistory{}, journal.ErrNone)
	reads(t, look(s, "/runs"), http.StatusOK, "Nothing is recorded yet.")
	reads(t, look(s, "/runs/runs.csv"), http.StatusBadRequest, "Nothing is recorded yet.")
	s, _ = runsPage(t, fakeHistory{}, errors.New("disk gone"))
	reads(t, look(s, "/runs"), http.StatusOK, unread)
}

func TestRunsMistakes(t *testing.T) {
	s, open := runsPage(t, fakeHistory{first: day0 - 1000, last: day0}, nil)
	for query, want := range map[string]string{
		"from=yesterday":                "is no date: write year, month and day",
		"from=2026-13-01":               "is no date",
		"from=2026-03-02&to=2026-03-01": "the first day, 2026-03-02, is after the last, 2026-03-01",
		"by=hour":                       "hoose day, week or month",
		"before=-3":                     "o run",
		"before=1e9":                    "o run",
		"before=99999":                  "no run 99999",
		"from=2023-06-07":               "more than 150",
		"offset=3":                      "unknown field",
	} {
		w := look(s, "/runs?"+query)
		reads(t, w, http.StatusBadRequest)
		if !strings.Contains(strings.ToLower(w.Body.String()), strings.ToLower(want)) {
			t.Errorf("%s: no %q in\n%s", query, want, w.Body)
		}
	}
	if *open != 0 {
		t.Errorf("%d records left open", *open)
	}
}

func TestRunsDownloads(t *testing.T) {
	s, _ := runsPage(t, fakeHistory{first: day0 - 9, last: day0}, nil)
	w := look(s, "/runs/runs.csv?from=2026-03-01&machine=planer")
	reads(t, w, http.StatusOK, "runs {Machine:planer From:20513")
	if got := w.Header().Get("Content-Disposition"); got != `attachment; filename="kerfwind-runs-from-2026-03-01.csv"` {
		t.Error(got)
	}
	if got := w.Header().Get("Content-Type"); got != "text/csv; charset=utf-8" {
		t.Error(got)
	}
	reads(t, look(s, "/runs/hours.csv?by=week"), http.StatusOK, "hours {By:week")
	reads(t, look(s, "/runs/hours.csv?before=3"), http.StatusBadRequest, "unknown field")
	// What fails before the first byte is told as anything that fails.
	s, open := runsPage(t, fakeHistory{first: day0 - 9, last: day0, fails: errors.New("disk gone")}, nil)
	w = look(s, "/runs/runs.csv")
	reads(t, w, http.StatusInternalServerError, "Disk gone.")
	if w.Header().Get("Content-Disposition") != "" || *open != 0 {
		t.Error(w.Header(), *open)
	}
}

func FuzzRunsQuery(f *testing.F) {
	for _, q := range []string{"", "by=week&from=2026-01-01", "to=0001-01-01", "from=9999-12-31&by=month", "before=7", "machine=%3Cb%3E"} {
		f.Add(q)
	}
	shop := demoShop(f)
	f.Fuzz(func(t *testing.T, query string) {
		values, err := parseFields(query, runsPart.Fields)
		if err != nil {
			return
		}
		a, err := parseRuns(values.Get)
		if err != nil {
			if m := (*Mistake)(nil); !errors.As(err, &m) {
				t.Errorf("%q: %v", query, err)
			}
			return
		}
		n := 0
		var m runsMain
		if err := m.fill(t.Context(), fakeHistory{first: day0 - 40, last: day0, closed: &n}, &a, shop); err != nil && !errors.As(err, new(*Mistake)) {
			t.Errorf("%q: %v", query, err)
		}
	})
}
