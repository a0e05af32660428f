// Package timeline puts what the control decided into lines: one JSON object
// an event for programs, a sentence for people, and a comparison with what was
// expected.
package timeline

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// Line is one event of a timeline.
type Line struct {
	T     time.Duration // when the decision could be acted on, from the start of the stream
	Event string        // name of the event, e.g. "gate-open"
	Of    string        // what it concerns: "machine", "gate", "collector", … or ""
	Name  string        // which one
	Onset *time.Duration
	Until *time.Duration // a deadline that the event set, where it set one
	Cause string         // why
	Fault string         // which fault, for fault-raised and fault-cleared
}

// ofKeys are the JSON members that name what an event concerns.
var ofKeys = []string{"machine", "gate", "collector", "outlet", "circuit", "stop", "contact"}

// AppendJSON appends the line as one JSON object without a line break. Members
// come in a fixed order and times are exact to the nanosecond, so that equal
// timelines are equal bytes.
func (l *Line) AppendJSON(b []byte) []byte {
	b = append(b, `{"t":`...)
	b = appendSeconds(b, l.T)
	b = append(b, `,"event":`...)
	b = appendString(b, l.Event)
	if l.Of != "" {
		b = append(b, ',')
		b = appendString(b, l.Of)
		b = append(b, ':')
		b = appendString(b, l.Name)
	}
	if l.Fault != "" {
		b = append(b, `,"fault":`...)
		b = appendString(b, l.Fault)
	}
	if l.Onset != nil {
		b = append(b, `,"onset":`...)
		b = appendSeconds(b, *l.Onset)
	}
	if l.Until != nil {
		b = append(b, `,"until":`...)
		b = appendSeconds(b, *l.Until)
	}
	if l.Cause != "" {
		b = append(b, `,"cause":`...)
		b = appendString(b, l.Cause)
	}
	return append(b, '}')
}

// appendString appends s as a JSON string.
func appendString(b []byte, s string) []byte {
	q, err := json.Marshal(s)
	if err != nil { // cannot happen for a string
		return strconv.AppendQuote(b, s)
	}
	return append(b, q...)
}

// appendSeconds appends d in seconds, exactly, without trailing zeros.
func appendSeconds(b []byte, d time.Duration) []byte {
	if d < 0 {
		b = append(b, '-')
		d = -d
	}
	b = strconv.AppendInt(b, int64(d/time.Second), 10)
	if ns := int64(d % time.Second); ns != 0 {
		frac := fmt.Sprintf("%09d", ns)
		b = append(b, '.')
		b = append(b, strings.TrimRight(frac, "0")...)
	}
	return b
}

// key is equal where two lines are the same event, perhaps at another time.
func (l *Line) key() string { return l.Event + "\x00" + l.Of + "\x00" + l.Name + "\x00" + l.Fault }

// what is the event in words, without its time.
func (l *Line) what() string {
	s := l.Event
	if l.Name != "" {
		s += " " + l.Name
	}
	if l.Fault != "" {
		s += " (" + l.Fault + ")"
	}
	return s
}

// expected is a line of an expectation with its own tolerance.
type expected struct {
	Line
	tol  time.Duration
	line int // in the file
}

// maxSeconds bounds a time in a file; beyond it a Duration would overflow.
const maxSeconds = 1e9

// parseSeconds turns a JSON number of seconds into a Duration.
func parseSeconds(field string, v float64) (time.Duration, error) {
	if math.IsNaN(v) || math.Abs(v) > maxSeconds {
		return 0, fmt.Errorf("%q must be seconds between -1e9 and 1e9, not %v", field, v)
	}
	return time.Duration(math.Round(v * 1e9)), nil
}

// parseLine reads one JSON line of an expectation.
func parseLine(text []byte, tol time.Duration) (expected, error) {
	e := expected{tol: tol}
	dec := json.NewDecoder(bytes.NewReader(text))
	var m map[string]any
	if err := dec.Decode(&m); err != nil {
		return e, fmt.Errorf("not a JSON object: %w", jsonCause(err))
	}
	if dec.More() {
		return e, errors.New("more than one JSON object on the line")
	}
	var errs []error
	seconds := func(field string) *time.Duration {
		v, ok := m[field]
		if !ok {
			return nil
		}
		delete(m, field)
		f, ok := v.(float64)
		if !ok {
			errs = append(errs, fmt.Errorf("%q must be a number of seconds", field))
			return nil
		}
		d, err := parseSeconds(field, f)
		if err != nil {
			errs = append(errs, err)
			return nil
		}
		return &d
	}
	text1 := func(field string) string {
		v, ok := m[field]
		if !ok {
			return ""
		}
		delete(m, field)
		s, ok := v.(string)
		if !ok {
			errs = append(errs, fmt.Errorf("%q must be a text", field))
		}
		return s
	}
	if _, ok := m["t"]; !ok {
		errs = append(errs, errors.New(`"t" is missing: write the time in seconds`))
	} else if t := seconds("t"); t != nil {
		e.T = *t
	}
	if e.Event = text1("event"); e.Event == "" {
		errs = append(errs, errors.New(`"event" is missing: write what should happen, e.g. "machine-started"`))
	}
	for _, k := range ofKeys {
		if _, ok := m[k]; ok {
			if e.Of != "" {
				errs = append(errs, fmt.Errorf("both %q and %q: an event concerns one thing", e.Of, k))
			}
			e.Of, e.Name = k, text1(k)
		}
	}
	e.Fault, e.Cause = text1("fault"), text1("cause")
	e.Onset, e.Until = seconds("onset"), seconds("until")
	if d := seconds("tolerance"); d != nil {
		e.tol = *d
	}
	if e.tol < 0 {
		errs = append(errs, errors.New(`"tolerance" must not be negative`))
	}
	for k := range m {
		errs = append(errs, fmt.Errorf("unknown member %q", k))
	}
	return e, errors.Join(errs...)
}

// jsonCause keeps a decoder's error readable when the text just ends.
func jsonCause(err error) error {
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		return errors.New("the line ends too early")
	}
	return err
}
