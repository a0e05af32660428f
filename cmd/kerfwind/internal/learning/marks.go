package learning

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"kerfwind/sensor"
)

// Span is a piece of a recording.
type Span struct{ From, To time.Duration }

// Marks say what a recording holds.
type Marks struct {
	Running []Span        // the machine runs
	Busy    []Span        // other machines run: neither idle nor of use
	Rest    time.Duration // after the last run the tool stands still; 0: not known
}

// ErrNoRun is the error of a labels file that does not tell of the machine.
var ErrNoRun = errors.New("no labelled run")

// Guards about what a mark says: a person is not quicker, and a fan or a
// charging capacitor goes on for a while.
const (
	guardBefore = 500 * time.Millisecond
	guardAfter  = 2 * time.Second
)

// Marked learns from readings whose state is known from marks instead of from
// the steps of a session.
type Marked struct {
	Session
	m Marks
}

// NewMarked begins. The durations of the parameters have no meaning here.
func NewMarked(p Params, m Marks) *Marked {
	s := &Marked{Session: *New(p), m: m}
	s.step = Done
	if n := len(m.Running); n > 0 && m.Rest > m.Running[n-1].To {
		s.coast = m.Rest - m.Running[n-1].To
	}
	return s
}

// Read takes a reading of any channel of the rig.
func (s *Marked) Read(r sensor.Reading) {
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
