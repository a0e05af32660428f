package movein

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"kerfwind/config"
	"kerfwind/sensor"
)

// Span is a piece of a recording.
type Span struct{ From, To time.Duration }

// Marks say what a recording holds.
type Marks struct {
	Running []Span        // the machine runs
	Busy    []Span        // other machines run: neither idle nor of use
	Rest    time.Duration // after the last run the tool has stopped; 0: not known
}

// ErrNoRun is the error of a labels file that does not tell of the machine.
var ErrNoRun = errors.New("no labelled run")

// Guards about what a mark says: a person is not quicker, and a fan or a
// charging capacitor goes on for a while.
const (
	guardBefore = 500 * time.Millisecond
	guardAfter  = 2 * time.Second
)

// MarkedLearning learns from readings whose state is known from marks instead of from
// the steps of a session.
type MarkedLearning struct {
	Learning
	m Marks
}

// NewMarkedLearning begins. The durations of the parameters have no meaning here.
func NewMarkedLearning(p LearningParams, m Marks) *MarkedLearning {
	s := &MarkedLearning{Learning: *NewLearning(p), m: m}
	s.step = LearningDone
	if n := len(m.Running); n > 0 && m.Rest > m.Running[n-1].To {
		s.coast = m.Rest - m.Running[n-1].To
	}
	return s
}

// Read takes a reading of any channel of the rig.
func (s *MarkedLearning) Read(r sensor.Reading) {
	if r.Channel < 0 || r.Channel >= len(s.passes) {
		return
	}
	pass := &s.passes[r.Channel]
	for _, run := range s.m.Running {
		switch {
		case r.At > run.From && r.At <= run.To:
			pass.Run(r)
			return
		case r.At > run.From-guardBefore && r.At <= run.To+guardAfter:
			return
		case r.At > run.To:
			pass.NextRun()
		}
	}
	if !slices.ContainsFunc(s.m.Busy, func(b Span) bool { return r.At > b.From-guardBefore && r.At <= b.To+guardAfter }) {
		pass.Idle(r)
	}
}

// ReadLabels reads the labels of a recording, as the making of one writes them,
// and picks what tells of a machine: its runs, and those of the other machines
// named. file is for messages.
func ReadLabels(file string, r io.Reader, machine string, others []string) (Marks, error) {
	var m Marks
	c := csv.NewReader(r)
	head, err := c.Read()
	if err != nil {
		return m, fmt.Errorf("%s: %w", file, err)
	}
	at := map[string]int{}
	for i, name := range head {
		at[name] = i
	}
	for _, key := range []string{"start", "end", "what", "machine"} {
		if _, ok := at[key]; !ok {
			return m, fmt.Errorf("%s:1: no column %q: a labels file begins with the line start,end,what,machine,channels", file, key)
		}
	}
	var errs []error
	for {
		row, err := c.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return m, errors.Join(append(errs, fmt.Errorf("%s: %w", file, err))...)
		}
		line, _ := c.FieldPos(0)
		name := row[at["machine"]]
		if row[at["what"]] != "run" || name != machine && !slices.Contains(others, name) {
			continue
		}
		var span Span
		for _, x := range []struct {
			key string
			to  *time.Duration
		}{{"start", &span.From}, {"end", &span.To}} {
			v, err := strconv.ParseFloat(strings.TrimSpace(row[at[x.key]]), 64)
			if err != nil || !(v >= 0 && v <= 1e8) {
				errs = append(errs, fmt.Errorf("%s:%d: %s = %q: want seconds from the start of the recording", file, line, x.key, row[at[x.key]]))
				continue
			}
			*x.to = time.Duration(v * 1e9)
		}
		if name == machine {
			m.Running = append(m.Running, span)
		} else {
			m.Busy = append(m.Busy, span)
		}
	}
	if len(errs) == 0 && len(m.Running) == 0 {
		errs = append(errs, fmt.Errorf("%s: %w of the %s", file, ErrNoRun, machine))
	}
	return m, errors.Join(errs...)
}

// ParseTime reads a time of a recording: "12 s", or 1m30s.
func ParseTime(text string) (time.Duration, error) {
	d, err := config.ParseDuration(text)
	if err != nil {
		if d2, err2 := time.ParseDuration(strings.TrimSpace(text)); err2 == nil {
			d, err = d2, nil
		}
	}
	if err == nil && d < 0 {
		err = errors.New("a time before the beginning")
	}
	return d, err
}

// LearningGiven are marks as a person gives them.
type LearningGiven struct {
	Labels  string   // labels file; "" none
	Running []string // "12s-45s"
	Rest    string   // when the tool has stopped after its last run; "" not known
}

// Marks reads the marks of a machine; nil: none are given. others are the other
// machines of the shop.
func (g *LearningGiven) Marks(machine string, others []string) (*Marks, error) {
	var m Marks
	if g.Labels != "" {
		file, err := os.Open(g.Labels)
		if err != nil {
			return nil, err
		}
		m, err = ReadLabels(g.Labels, file, machine, others)
		if err = errors.Join(err, file.Close()); err != nil {
			return nil, err
		}
	}
	at := func(flag, text string) (time.Duration, error) {
		d, err := ParseTime(text)
		if err != nil {
			err = fmt.Errorf("--%s %q: %w", flag, text, err)
		}
		return d, err
	}
	for _, text := range g.Running {
		from, to, ok := strings.Cut(text, "-")
		if !ok {
			return nil, fmt.Errorf("--running %q: write two times, e.g. 12s-45s", text)
		}
		a, err1 := at("running", from)
		b, err2 := at("running", to)
		if err := errors.Join(err1, err2); err != nil {
			return nil, err
		}
		if b <= a {
			return nil, fmt.Errorf("--running %q: it ends before it begins", text)
		}
		m.Running = append(m.Running, Span{From: a, To: b})
	}
	slices.SortFunc(m.Running, func(x, y Span) int { return int(x.From - y.From) })
	if g.Rest != "" {
		var err error
		if m.Rest, err = at("rest", g.Rest); err != nil {
			return nil, err
		}
	}
	if len(m.Running) == 0 {
		return nil, nil
	}
	return &m, nil
}
