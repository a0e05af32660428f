package timeline

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"sort"
	"strings"
	"time"
)

// DefaultTolerance is how far an event may be from its expected time where
// the file says nothing: two mains cycles at 50 Hz, rounded up.
const DefaultTolerance = 50 * time.Millisecond

// manyErrors is where reading a file gives up: it is of another kind.
const manyErrors = 40

// Expectation is a timeline that a replay should produce.
type Expectation struct {
	name  string
	lines []expected
}

// ReadExpectation reads one event a line, as replay's JSON output writes
// them; name is for errors. Blank lines and lines that begin with # are
// skipped. The first object may be {"format":1,"tolerance":0.05}, which sets
// the tolerance in seconds of all lines after it; a line's own "tolerance"
// overrides it. A member that a line leaves out is not compared. All errors
// are reported at once, each with file and line.
func ReadExpectation(name string, r io.Reader) (*Expectation, error) {
	x := &Expectation{name: name}
	tol := DefaultTolerance
	var errs []error
	sc := bufio.NewScanner(r)
	sc.Buffer(nil, 1<<20)
	first := true
	n := 0
	for sc.Scan() {
		n++
		text := bytes.TrimSpace(sc.Bytes())
		if len(text) == 0 || text[0] == '#' {
			continue
		}
		if first {
			first = false
			head, ok, err := parseHead(text)
			if err != nil {
				errs = append(errs, fmt.Errorf("%s:%d: %w", name, n, err))
				continue
			}
			if ok {
				tol = head
				continue
			}
		}
		e, err := parseLine(text, tol)
		if err != nil {
			for one := range strings.SplitSeq(err.Error(), "\n") {
				errs = append(errs, fmt.Errorf("%s:%d: %s", name, n, one))
			}
			if len(errs) >= manyErrors {
				errs = append(errs, fmt.Errorf("%s: so many errors that the rest is not read: is it a timeline, as \"kerfwind replay --json\" writes it?", name))
				return nil, errors.Join(errs...)
			}
			continue
		}
		e.line = n
		x.lines = append(x.lines, e)
	}
	if err := sc.Err(); err != nil {
		errs = append(errs, fmt.Errorf("%s:%d: %w; write one event a line", name, n+1, err))
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return x, nil
}

// parseHead reads the optional first object; ok is false for an event.
func parseHead(text []byte) (tol time.Duration, ok bool, err error) {
	var probe map[string]json.RawMessage
	if json.Unmarshal(text, &probe) != nil || probe["format"] == nil {
		return 0, false, nil
	}
	var head struct {
		Format    int      `json:"format"`
		Tolerance *float64 `json:"tolerance"`
	}
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&head); err != nil {
		return 0, false, fmt.Errorf("first line: %w", err)
	}
	if head.Format != 1 {
		return 0, false, fmt.Errorf("format %d is not known to this program; it reads format 1", head.Format)
	}
	tol = DefaultTolerance
	if head.Tolerance != nil {
		if tol, err = parseSeconds("tolerance", *head.Tolerance); err != nil {
			return 0, false, err
		}
		if tol < 0 {
			return 0, false, errors.New(`"tolerance" must not be negative`)
		}
	}
	return tol, true, nil
}

// diff is one difference, at a time for sorting.
type diff struct {
	at   time.Duration
	text string
}

// Compare holds got, in order of time, against the expectation and returns the differences as
// sentences in order of time; none means that they agree. Events are paired
// in order of time among those of the same kind and subject.
func (x *Expectation) Compare(got []Line) []string {
	want := map[string][]expected{}
	for _, e := range x.lines {
		want[e.key()] = append(want[e.key()], e)
	}
	have := map[string][]Line{}
	for _, l := range got {
		have[l.key()] = append(have[l.key()], l)
	}
	var diffs []diff
	for k, w := range want {
		sort.SliceStable(w, func(i, j int) bool { return w[i].T < w[j].T })
		diffs = append(diffs, x.pair(w, have[k])...)
		delete(have, k)
	}
	for _, h := range have {
		diffs = append(diffs, x.pair(nil, h)...)
	}
	sort.Slice(diffs, func(i, j int) bool {
		if diffs[i].at != diffs[j].at {
			return diffs[i].at < diffs[j].at
		}
		return diffs[i].text < diffs[j].text
	})
	out := make([]string, len(diffs))
	for i, d := range diffs {
		out[i] = d.text
	}
	return out
}

// pair matches expected and actual events of one kind, both in order of time.
func (x *Expectation) pair(want []expected, got []Line) []diff {
	var diffs []diff
	i, j := 0, 0
	for i < len(want) || j < len(got) {
		switch {
		case j == len(got) || i < len(want) && want[i].T+want[i].tol < got[j].T:
			w := &want[i]
			text := fmt.Sprintf("%s:%d: missing: %s at %s (± %s)", x.name, w.line, w.what(), Clock(w.T), w.tol)
			if j < len(got) && (i+1 == len(want) || got[j].T < want[i+1].T-want[i+1].tol) {
				text += fmt.Sprintf("; it came at %s, %s late", Clock(got[j].T), got[j].T-w.T)
				j++
			}
			diffs = append(diffs, diff{w.T, text})
			i++
		case i == len(want) || got[j].T < want[i].T-want[i].tol:
			g := &got[j]
			text := fmt.Sprintf("not expected: %s at %s", g.what(), Clock(g.T))
			if i < len(want) && (j+1 == len(got) || got[j+1].T > want[i].T+want[i].tol) {
				text = fmt.Sprintf("%s:%d: missing: %s at %s (± %s); it came at %s, %s early", x.name, want[i].line,
					want[i].what(), Clock(want[i].T), want[i].tol, Clock(g.T), want[i].T-g.T)
				i++
			}
			diffs = append(diffs, diff{g.T, text})
			j++
		default:
			diffs = append(diffs, x.members(&want[i], &got[j])...)
			i++
			j++
		}
	}
	return diffs
}

// members compares what else the expected line gives.
func (x *Expectation) members(w *expected, g *Line) []diff {
	var diffs []diff
	add := func(member, want, got string) {
		diffs = append(diffs, diff{w.T, fmt.Sprintf("%s:%d: %s at %s: %s is %s, expected %s",
			x.name, w.line, w.what(), Clock(w.T), member, got, want)})
	}
	if w.Cause != "" && w.Cause != g.Cause {
		add("cause", fmt.Sprintf("%q", w.Cause), fmt.Sprintf("%q", g.Cause))
	}
	for _, m := range []struct {
		name      string
		want, got *time.Duration
	}{{"onset", w.Onset, g.Onset}, {"until", w.Until, g.Until}} {
		switch {
		case m.want == nil:
		case m.got == nil:
			add(m.name, Clock(*m.want), "not given")
		case (*m.want - *m.got).Abs() > w.tol:
			add(m.name, Clock(*m.want), Clock(*m.got))
		}
	}
	return diffs
}

// Clock writes a time for people: hours, minutes, seconds and milliseconds
// from the start of the recording.
func Clock(d time.Duration) string {
	sign := ""
	if d < 0 {
		sign, d = "-", -d
	}
	d = d.Round(time.Millisecond)
	return fmt.Sprintf("%s%d:%02d:%02d.%03d", sign, d/time.Hour, d/time.Minute%60, d/time.Second%60, d/time.Millisecond%1000)
}
