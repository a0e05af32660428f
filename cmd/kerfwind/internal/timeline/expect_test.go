package timeline

import (
	"cmp"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func ms(n int) time.Duration { return time.Duration(n) * time.Millisecond }

func ptr(d time.Duration) *time.Duration { return &d }

// TestJSONIsExact holds the form of the JSON lines: member order, and times
// that keep every nanosecond and end without needless zeros.
func TestJSONIsExact(t *testing.T) {
	for want, l := range map[string]Line{
		`{"t":0,"event":"x"}`: {Event: "x"},
		`{"t":1.5,"event":"machine-started","machine":"band saw","onset":1.466666667,"cause":"current"}`: {
			T: ms(1500), Event: "machine-started", Of: "machine", Name: "band saw", Onset: ptr(1466666667), Cause: "current"},
		`{"t":0.000000001,"event":"fault-raised","gate":"a \"b\"","fault":"stuck","until":60}`: {
			T: 1, Event: "fault-raised", Of: "gate", Name: `a "b"`, Fault: "stuck", Until: ptr(time.Minute)},
		`{"t":-2.25,"event":"x"}`: {T: ms(-2250), Event: "x"},
	} {
		if got := string(l.AppendJSON(nil)); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
}

// TestCompare probes the tolerance at its edges and each kind of difference.
func TestCompare(t *testing.T) {
	const file = `{"format":1,"tolerance":0.1}
# the planer alone
{"t":1,"event":"machine-started","machine":"planer","onset":0.9}
{"t":2,"event":"gate-open","gate":"planer","tolerance":0.5,"cause":"demand"}
{"t":9,"event":"collector-off","collector":"main"}
`
	start := Line{T: ms(1000), Event: "machine-started", Of: "machine", Name: "planer", Onset: ptr(ms(900))}
	open := Line{T: ms(2500), Event: "gate-open", Of: "gate", Name: "planer", Cause: "demand"}
	off := Line{T: ms(8900), Event: "collector-off", Of: "collector", Name: "main"}
	with := func(l Line, f func(*Line)) Line { f(&l); return l }
	for _, c := range []struct {
		name string
		got  []Line
		want []string
	}{
		{"equal at the edges", []Line{start, open, off}, nil},
		{"late by a nanosecond too much", []Line{with(start, func(l *Line) { l.T = ms(1100) + 1 }), open, off},
			[]string{"x:3: missing: machine-started planer at 0:00:01.000 (± 100ms); it came at 0:00:01.100, 100.000001ms late"}},
		{"early", []Line{start, open, with(off, func(l *Line) { l.T = ms(8000) })},
			[]string{"x:5: missing: collector-off main at 0:00:09.000 (± 100ms); it came at 0:00:08.000, 1s early"}},
		{"missing", []Line{start, open}, []string{"x:5: missing: collector-off main at 0:00:09.000 (± 100ms)"}},
		{"not expected", []Line{start, open, off, off}, []string{"not expected: collector-off main at 0:00:08.900"}},
		{"another subject", []Line{with(start, func(l *Line) { l.Name = "router" }), open, off},
			[]string{"not expected: machine-started router at 0:00:01.000", "x:3: missing: machine-started planer at 0:00:01.000 (± 100ms)"}},
		{"cause and onset", []Line{with(start, func(l *Line) { l.Onset = ptr(ms(500)) }), with(open, func(l *Line) { l.Cause = "held" }), off},
			[]string{"x:3: machine-started planer at 0:00:01.000: onset is 0:00:00.500, expected 0:00:00.900",
				`x:4: gate-open planer at 0:00:02.000: cause is "held", expected "demand"`}},
	} {
		x, err := ReadExpectation("x", strings.NewReader(file))
		if err != nil {
			t.Fatal(err)
		}
		got := x.Compare(c.got)
		if len(got) == 0 {
			got = nil
		}
		want := append([]string(nil), c.want...)
		sortLike(got, want)
		if d := gocmp.Diff(want, got); d != "" {
			t.Errorf("%s: (-want +got)\n%s", c.name, d)
		}
	}
}

// sortLike brings want into got's order where both hold the same lines.
func sortLike(got, want []string) {
	if len(got) == 2 && len(want) == 2 && got[0] == want[1] {
		want[0], want[1] = want[1], want[0]
	}
}

// TestBadExpectation holds that every error is reported, with its line.
func TestBadExpectation(t *testing.T) {
	_, err := ReadExpectation("bad.jsonl", strings.NewReader(`{"t":"soon","event":"x"}
nonsense
{"event":"x"}
{"t":1,"event":"x","gate":"a","machine":"b"}
{"t":1,"event":"x","colour":"red"}
{"t":1e300,"event":"x"}
{"t":1,"event":"x","tolerance":-1}
{"t":1,"event":"x"} {}
`))
	if err == nil {
		t.Fatal("no error")
	}
	want := []string{
		`bad.jsonl:1: "t" must be a number of seconds`,
		`bad.jsonl:2: not a JSON object: invalid character 'o' in literal null (expecting 'u')`,
		`bad.jsonl:3: "t" is missing: write the time in seconds`,
		`bad.jsonl:4: both "machine" and "gate": an event concerns one thing`,
		`bad.jsonl:5: unknown member "colour"`,
		`bad.jsonl:6: "t" must be seconds between -1e9 and 1e9, not 1e+300`,
		`bad.jsonl:7: "tolerance" must not be negative`,
		`bad.jsonl:8: more than one JSON object on the line`,
	}
	if d := gocmp.Diff(want, strings.Split(err.Error(), "\n")); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
	if _, err := ReadExpectation("f", strings.NewReader(`{"format":2}`)); err == nil {
		t.Error("format 2 was accepted")
	}
}

// TestWrittenLinesAreExpected: what AppendJSON writes, ReadExpectation reads,
// and it agrees with itself at tolerance 0; moving one line is found.
func TestWrittenLinesAreExpected(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Line {
			l := Line{
				T:     time.Duration(rapid.Int64Range(0, 1e13).Draw(t, "t")),
				Event: rapid.SampledFrom([]string{"machine-started", "gate-open"}).Draw(t, "event"),
				Of:    rapid.SampledFrom(ofKeys).Draw(t, "of"),
				Name:  rapid.String().Draw(t, "name"),
				Cause: rapid.StringMatching("[a-z ]*").Draw(t, "cause"),
			}
			if rapid.Bool().Draw(t, "has onset") {
				l.Onset = ptr(time.Duration(rapid.Int64Range(0, 1e13).Draw(t, "onset")))
			}
			return l
		}), 1, 20).Draw(t, "lines")
		slices.SortFunc(lines, func(a, b Line) int { return cmp.Compare(a.T, b.T) })
		b := []byte("{\"format\":1,\"tolerance\":0}\n")
		for i := range lines {
			b = append(lines[i].AppendJSON(b), '\n')
		}
		x, err := ReadExpectation("x", strings.NewReader(string(b)))
		if err != nil {
			t.Fatal(err)
		}
		// Equal keys at equal times may pair the other way round.
		seen := map[string]bool{}
		for i := range lines {
			k := lines[i].key() + lines[i].T.String()
			if seen[k] {
				t.Skip("two alike")
			}
			seen[k] = true
		}
		if d := x.Compare(lines); len(d) != 0 {
			t.Fatalf("a timeline differs from itself: %q", d)
		}
		i := rapid.IntRange(0, len(lines)-1).Draw(t, "moved")
		lines[i].T += time.Hour
		if d := x.Compare(lines); len(d) == 0 {
			t.Fatal("a moved line was not found")
		}
	})
}

func FuzzReadExpectation(f *testing.F) {
	f.Add(`{"format":1,"tolerance":0.05}` + "\n" + `{"t":1,"event":"gate-open","gate":"planer"}`)
	f.Add(`{"t":1e400}`)
	f.Add(`{"t":1,"event":["x"],"until":{}}`)
	f.Fuzz(func(t *testing.T, s string) {
		x, err := ReadExpectation("f", strings.NewReader(s))
		if (x == nil) == (err == nil) {
			t.Fatal("want exactly one of a value and an error")
		}
		if x != nil {
			x.Compare([]Line{{T: 1, Event: "gate-open", Of: "gate", Name: "planer"}})
		}
	})
}
