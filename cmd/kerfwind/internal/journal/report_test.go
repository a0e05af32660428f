package journal

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

	"kerfwind/cmd/kerfwind/internal/upkeep"
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
	return &Report{By: Week, From: first, To: first + 18, Groups: []Group{
		{"machine", []Total{
			{First: first, Name: `"saw" <&>`, Runs: 3, Time: 90 * time.Minute, Longest: time.Hour},
			{First: first + 14, Name: `"saw" <&>`, Runs: 1, Time: time.Minute, Longest: time.Minute, Cut: 1, Doubtful: 1},
		}},
		{"collector", []Total{{First: first, Name: "collector", Runs: 2, Time: 2 * time.Hour, Longest: time.Hour}}},
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
	r := Runs{List: []Run{{ID: 1, Machine: "=1+1", Shop: "@barn", Began: began}}, Zone: time.UTC}
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
	r := Report{By: Day, From: 0, To: MostPeriods}
	if err := r.WriteSVG(io.Discard); err == nil || !strings.Contains(err.Error(), "--by") {
		t.Errorf("got %v", err)
	}
	r.To--
	if err := r.WriteSVG(io.Discard); err != nil {
		t.Error(err)
	}
}

func TestNothing(t *testing.T) {
	r := Report{By: Week, From: 100, To: 120}
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
	r := Runs{Zone: time.FixedZone("", 3600), More: true, List: []Run{
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

func TestParseEvery(t *testing.T) {
	tests := []struct {
		text  string
		moves bool
		want  int64
		err   string
	}{
		{"40 h", false, 40 * 3600 * 1000, ""},
		{"never", false, 0, ""},
		{"never", true, 0, ""},
		{"20000 moves", true, 20000, ""},
		{"500", true, 500, ""},
		{"40", false, 0, "unit"},
		{"40 s", false, 0, "between 1 h"},
		{"-3", true, 0, "number of openings"},
		{"40 h", true, 0, "number of openings"},
	}
	for _, tt := range tests {
		got, err := ParseEvery(tt.text, tt.moves)
		if got != tt.want || (err == nil) != (tt.err == "") || err != nil && !strings.Contains(err.Error(), tt.err) {
			t.Errorf("%q: %d %v", tt.text, got, err)
		}
	}
}

func FuzzParseDay(f *testing.F) {
	for _, s := range []string{"2026-03-02", "1969-12-31", "2026-02-30", "", "0000-01-01", "9999-12-31"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		day, err := ParseDay(text)
		if err != nil {
			return
		}
		if got := DayTime(day).Format(time.DateOnly); got != text {
			t.Fatalf("%q is day %d, which is %s", text, day, got)
		}
	})
}

// TestWords: what is not known yet, and what is due, in words.
func TestWords(t *testing.T) {
	now := time.Date(2026, 3, 27, 18, 0, 0, 0, time.UTC)
	if s := trendWords(&upkeep.Trend{}, false); !strings.Contains(s, "no figures") {
		t.Error(s)
	}
	if s := trendWords(&upkeep.Trend{Weak: 0}, true); !strings.Contains(s, "blockage") {
		t.Error(s)
	}
	if s := dueWords(&upkeep.Item{Name: "bin"}); !strings.Contains(s, "not learned yet") {
		t.Error(s)
	}
	if s := dueWords(&upkeep.Item{Name: "bin", Full: true, Since: now}); !strings.Contains(s, "FULL") || !strings.Contains(s, "about 2026-03-27") {
		t.Error(s)
	}
}
