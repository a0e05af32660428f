package histview

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
)

func day(t testing.TB, text string) int {
	t.Helper()
	d, err := ParseDay(text)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// report is three weeks with a name that must be escaped everywhere.
func report(t testing.TB) *Report {
	first := day(t, "2026-03-02")
	return &Report{By: journal.Week, From: first, To: first + 18, Groups: []Group{
		{"machine", []journal.Total{
			{First: first, Name: `"saw" <&>`, Runs: 3, Time: 90 * time.Minute, Longest: time.Hour},
			{First: first + 14, Name: `"saw" <&>`, Runs: 1, Time: time.Minute, Longest: time.Minute, Cut: 1, Doubtful: 1},
		}},
		{"collector", []journal.Total{{First: first, Name: "collector", Runs: 2, Time: 2 * time.Hour, Longest: time.Hour}}},
	}}
}

func TestTable(t *testing.T) {
	var b strings.Builder
	if err := report(t).WriteTable(&b); err != nil {
		t.Fatal(err)
	}
	want := `week from               hours    starts  longest
2026-03-02   "saw" <&>  1:30:00  3       1:00:00
             collector  2:00:00  2       1:00:00
2026-03-16~  "saw" <&>  0:01:00  1       0:01:00
~ the date is uncertain: the clock was not set then
1 run ended unseen (power cut, or the disk was too slow); counted up to the last certain moment
`
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
}

// TestCell: a name that a spreadsheet would take for a formula is text there.
func TestCell(t *testing.T) {
	for name, want := range map[string]string{
		"planer": "planer", "=1+1": "'=1+1", "+1": "'+1", "-1": "'-1", "@SUM(A1)": "'@SUM(A1)", "\t=1": "'=1", "": "", "a=b": "a=b", "=\u202e1": "'= 1",
	} {
		if got := cell(name); got != want {
			t.Errorf("%q becomes %q, want %q", name, got, want)
		}
	}
	began := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	r := Runs{List: []journal.Run{{ID: 1, Machine: "=1+1", Shop: "@barn", Began: began}}, Zone: time.UTC}
	if row := r.csvRows()[0]; row[2] != "'=1+1" || row[3] != "'@barn" {
		t.Error(row)
	}
}

func TestCSVAndJSON(t *testing.T) {
	var c, j bytes.Buffer
	if err := report(t).WriteCSV(&c); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&c).ReadAll()
	if err != nil || len(rows) != 4 {
		t.Fatal(rows, err)
	}
	if got := fmt.Sprint(rows[2]); got != `[2026-03-16 2026-03-20 machine "saw" <&> 1 60 60 1 1]` { // the last week ends with the report
		t.Error(got)
	}
	if err := report(t).WriteJSON(&j); err != nil {
		t.Fatal(err)
	}
	var v struct {
		Format int
		Totals []map[string]any
	}
	if err := json.Unmarshal(j.Bytes(), &v); err != nil || v.Format != 1 || len(v.Totals) != 3 || v.Totals[1]["name"] != `"saw" <&>` || v.Totals[0]["seconds"] != 5400.0 {
		t.Errorf("%+v %v", v, err)
	}
}

// The picture is well-formed, whatever the names, and its bars are to scale and
// within their strips.
func TestSVG(t *testing.T) {
	var b bytes.Buffer
	if err := report(t).WriteSVG(&b); err != nil {
		t.Fatal(err)
	}
	d := xml.NewDecoder(&b)
	var heights []string
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if e, ok := tok.(xml.StartElement); ok && e.Name.Local == "rect" {
			class, h := "", ""
			for _, a := range e.Attr {
				switch a.Name.Local {
				case "class":
					class = a.Value
				case "height":
					h = a.Value
				}
			}
			if strings.HasPrefix(class, "machine") || strings.HasPrefix(class, "collector") {
				heights = append(heights, class+" "+h)
			}
		}
	}
	// 90 min of 1.5 h, 1 min of 1.5 h, 2 h of 2 h; a strip is 46 high.
	if got := fmt.Sprint(heights); got != "[machine 46.0 machine u 0.5 collector 46.0]" {
		t.Error(got)
	}
}

func TestSVGTooMany(t *testing.T) {
	r := Report{By: journal.Day, From: 0, To: MostPeriods}
	if err := r.WriteSVG(io.Discard); err == nil || !strings.Contains(err.Error(), "--by") {
		t.Errorf("got %v", err)
	}
	r.To--
	if err := r.WriteSVG(io.Discard); err != nil {
		t.Error(err)
	}
}

func TestNothing(t *testing.T) {
	r := Report{By: journal.Week, From: 100, To: 120}
	var b strings.Builder
	if err := r.WriteTable(&b); err != nil || !strings.Contains(b.String(), "nothing ran") {
		t.Errorf("%q %v", b.String(), err)
	}
	if err := r.WriteSVG(io.Discard); err != nil {
		t.Error(err)
	}
	if err := (&Runs{Zone: time.UTC}).WriteTable(&b); err != nil {
		t.Error(err)
	}
}

func TestRunsTable(t *testing.T) {
	r := Runs{Zone: time.FixedZone("", 3600), More: true, List: []journal.Run{
		{ID: 7, Machine: "planer", Shop: "barn", Began: time.Date(2026, 3, 2, 23, 30, 0, 0, time.UTC), Time: 65 * time.Second, Ending: "seen"},
		{ID: 5, Machine: "planer", Shop: "barn", Began: time.Date(1970, 1, 1, 0, 1, 0, 0, time.UTC), Time: time.Second, Ending: "cut", Doubtful: true},
		{ID: 4, Machine: "saw", Began: time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)},
	}}
	var b strings.Builder
	if err := r.WriteTable(&b); err != nil {
		t.Fatal(err)
	}
	want := `run  began                 machine  time     
7    2026-03-03 00:30:00   planer   0:01:05  
5    ~1970-01-01 01:01:00  planer   0:00:01  its end was not seen: power cut or crash
4    1970-01-01 01:00:00   saw      0:00:00  runs
older ones: --before 4
`
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
	b.Reset()
	if err := r.WriteCSV(&b); err != nil || !strings.Contains(b.String(), "7,2026-03-03T00:30:00.000+01:00,planer,barn,65,seen,false\n") {
		t.Errorf("%s %v", b.String(), err)
	}
}
