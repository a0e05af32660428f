package trace

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
)

// csvPeek is how many rows are looked at to find the rate.
const csvPeek = 1000

// csvGap is the step between time stamps, in samples, above which samples are
// missing. csvFast is the step below which the rate has changed.
const (
	csvGap  = 1.5
	csvFast = 0.5
)

// csvFile decodes one CSV file: a header "t,<channel>,...", then rows of
// seconds and amperes. An empty cell, "nan" and "inf" are missing samples.
// Steps of the time stamps above 1.5 samples are gaps.
type csvFile struct {
	in    *input
	inf   Info
	line  int       // number of the line read last, from 1
	times []float64 // rows read ahead
	vals  []float32
	pos   int     // rows of times delivered
	last  float64 // time stamp delivered last
	gaps  int     // steps above csvGap in a row
	rows  int64   // delivered
	lines []int   // line numbers of the rows read ahead
	torn  bool    // the line read last has no end: the file may be cut short
	end   error   // after the rows read ahead
}

func (d *csvFile) info() Info { return d.inf }

// bom is the byte order mark that some programs put first.
const bom = "\xEF\xBB\xBF"

// looksLikeCSV reports whether a file's first bytes begin a header "t,...".
func looksLikeCSV(head []byte) bool {
	s := strings.TrimLeft(strings.TrimPrefix(string(head), bom), " \t\"")
	return len(s) > 0 && (s[0] == 't' || s[0] == 'T')
}

func newCSV(in *input) (*csvFile, error) {
	d := &csvFile{in: in}
	head, err := d.readLine()
	if err != nil {
		return nil, d.readError(err)
	}
	names, err := d.header(strings.TrimPrefix(string(head), bom))
	if err != nil {
		return nil, err
	}
	d.inf = Info{Format: "CSV", Channels: len(names), Names: names, Scans: -1, Want: -1, Unit: Amperes}
	digits := 0
	row := make([]float32, len(names))
	for len(d.times) < csvPeek && d.end == nil {
		t, dig, err := d.row(row)
		if err != nil {
			d.end = d.tornRow(err)
			break
		}
		digits = max(digits, dig)
		d.times = append(d.times, t)
		d.vals = append(d.vals, row...)
		d.lines = append(d.lines, d.line)
	}
	if len(d.times) < 2 {
		if d.end != nil && !errors.Is(d.end, io.EOF) {
			return nil, d.end
		}
		return nil, in.errorf("%d rows: at least two are needed to know the rate", len(d.times))
	}
	if d.inf.Rate, err = csvRate(d.times, digits); err != nil {
		return nil, d.fault(d.lines[0], "rows up to line %d: %w", d.lines[len(d.lines)-1], err)
	}
	return d, nil
}

// header takes the first line.
func (d *csvFile) header(line string) ([]string, error) {
	cells := strings.Split(line, ",")
	for i := range cells {
		cells[i] = strings.Trim(strings.TrimSpace(cells[i]), "\"")
	}
	bad := func(what string) error {
		return d.fault(1, "%s: the first line must be \"t,<channel>,...\", then rows of seconds and amperes separated by commas", what)
	}
	switch {
	case strings.Contains(line, ";"):
		return nil, bad("columns are separated by semicolons")
	case !strings.EqualFold(cells[0], "t"):
		return nil, bad(fmt.Sprintf("the first column is %q", cells[0]))
	case len(cells) < 2:
		return nil, bad("no channel")
	case len(cells)-1 > maxChannels:
		return nil, bad(fmt.Sprintf("%d channels, more than %d", len(cells)-1, maxChannels))
	}
	names := cells[1:]
	for i, n := range names {
		if n == "" {
			return nil, bad(fmt.Sprintf("column %d has no name", i+2))
		}
		for _, m := range names[:i] {
			if n == m {
				return nil, bad(fmt.Sprintf("two columns are named %q", n))
			}
		}
	}
	return names, nil
}

// fault reports a fault of a line.
func (d *csvFile) fault(line int, format string, args ...any) error {
	return fmt.Errorf("%s:%d: "+format, append([]any{d.in.name, line}, args...)...)
}

// readLine returns the next line without its end. The bytes are valid until the
// next call. io.EOF comes alone, after the last line.
func (d *csvFile) readLine() ([]byte, error) {
	b, err := d.in.br.ReadSlice('\n')
	if errors.Is(err, io.EOF) && len(b) > 0 {
		err = nil
	}
	if err != nil {
		return nil, err
	}
	d.line++
	d.torn = b[len(b)-1] != '\n'
	b = bytes.TrimSuffix(b, []byte("\n"))
	return bytes.TrimSuffix(b, []byte("\r")), nil
}

// readError names the place of a failed read.
func (d *csvFile) readError(err error) error {
	switch {
	case errors.Is(err, io.EOF):
		return io.EOF
	case errors.Is(err, bufio.ErrBufferFull):
		return d.fault(d.line+1, "longer than 64 KiB: not a recording")
	}
	return d.in.errorf("cannot be read after line %d: %w", d.line, err)
}

// row reads the next row into dst. digits counts those after the point of the
// time stamp.
func (d *csvFile) row(dst []float32) (t float64, digits int, err error) {
	var b []byte
	for {
		if b, err = d.readLine(); err != nil {
			return 0, 0, d.readError(err)
		}
		if len(bytes.TrimSpace(b)) > 0 {
			break
		}
	}
	cell, rest, more := bytes.Cut(b, comma)
	cell = bytes.TrimSpace(cell)
	t, err = strconv.ParseFloat(string(cell), 64)
	if err != nil || math.IsNaN(t) || math.IsInf(t, 0) {
		return 0, 0, d.fault(d.line, "the time %q is not a number of seconds", clip(cell))
	}
	if dot := bytes.IndexByte(cell, '.'); dot >= 0 && !bytes.ContainsAny(cell, "eE") {
		digits = len(cell) - dot - 1
	}
	for i := range dst {
		if !more {
			return 0, 0, d.fault(d.line, "%d channels, but the header has %d", i, len(dst))
		}
		cell, rest, more = bytes.Cut(rest, comma)
		v, err := strconv.ParseFloat(string(cell), 32)
		if err != nil {
			if v, err = oddCell(cell); err != nil {
				return 0, 0, d.fault(d.line, "column %d: %q is not a number of amperes: use a point, no unit; leave the cell empty for a missing sample", i+2, clip(cell))
			}
		}
		dst[i] = float32(v)
	}
	if more {
		return 0, 0, d.fault(d.line, "more cells than the header's %d channels", len(dst))
	}
	return t, digits, nil
}

// tornRow is the fault of a row: if it is the last one and has no line end, the
// file has been cut short there.
func (d *csvFile) tornRow(err error) error {
	if errors.Is(err, io.EOF) || !d.torn {
		return err
	}
	return &TruncatedError{File: d.in.name, Scans: d.rows + int64(len(d.times)), Want: -1}
}

var comma = []byte(",")

// oddCell reads the rarer forms of a sample: empty, blanks around, quoted, or a
// number beyond float32, which becomes infinite.
func oddCell(cell []byte) (float64, error) {
	s := strings.TrimSpace(strings.Trim(strings.TrimSpace(string(cell)), "\""))
	if s == "" {
		return math.NaN(), nil
	}
	v, err := strconv.ParseFloat(s, 32)
	if errors.Is(err, strconv.ErrRange) {
		return v, nil
	}
	return v, err
}

// clip shortens a cell for a message.
func clip(b []byte) string {
	if len(b) > 24 {
		return string(b[:24]) + "..."
	}
	return string(b)
}

// csvRate finds the rate from time stamps with the given number of digits after
// the point. Steps that are gaps are left out. Stamps are rounded, so the rate
// is known only to about a digit over their span: the roundest rate within that
// is taken.
func csvRate(times []float64, digits int) (float64, error) {
	var steps []float64
	for i, t := range times[1:] {
		if step := t - times[i]; step > 0 { // others are told when their row comes
			steps = append(steps, step)
		}
	}
	if len(steps) == 0 {
		return 0, errors.New("time stamps must increase from row to row")
	}
	slices.Sort(steps)
	middle := steps[len(steps)/2]
	span, n := 0.0, 0
	for _, step := range steps {
		if step <= csvGap*middle {
			span += step
			n++
		}
	}
	rate := float64(n) / span
	if !goodRate(rate) {
		return 0, fmt.Errorf("the time stamps give a rate of %g scans a second: from above 0 to %.0f can be read; are they in seconds?", rate, maxRate)
	}
	// Each gap splits the span and adds the rounding of two more stamps.
	digit := max(math.Pow(10, -float64(min(digits, 15))), math.Abs(times[len(times)-1])*0x1p-51)
	off := rate * min(float64(len(times)-n)*digit/span, 0.01)
	for _, unit := range []float64{1000, 500, 100, 50, 10, 5, 1, 0.5, 0.1, 0.01, 0.001} {
		if round := math.Round(rate/unit) * unit; round > 0 && math.Abs(round-rate) <= off {
			return round, nil
		}
	}
	return rate, nil
}

func (d *csvFile) read(dst []float32) (int, uint64, error) {
	nch := d.inf.Channels
	var skip uint64
	n := 0
	for ; n < len(dst)/nch; n++ {
		if d.pos == len(d.times) {
			d.refill()
		}
		if d.pos == len(d.times) {
			if n > 0 {
				return n, skip, nil
			}
			return 0, 0, d.end
		}
		t := d.times[d.pos]
		if d.rows > 0 {
			missing, err := d.step(t)
			if err != nil {
				d.end, d.times, d.pos = err, d.times[:0], 0
				if n > 0 {
					return n, skip, nil
				}
				return 0, 0, err
			}
			if missing > 0 {
				if n > 0 { // the gap comes before the next read
					return n, skip, nil
				}
				skip = missing
				d.gaps++
			}
		}
		copy(dst[n*nch:(n+1)*nch], d.vals[d.pos*nch:])
		d.last = t
		d.pos++
		d.rows++
	}
	return n, skip, nil
}

// step judges the step to time t and returns the scans missing before it.
func (d *csvFile) step(t float64) (uint64, error) {
	line := d.lines[d.pos]
	step := (t - d.last) * d.inf.Rate
	switch {
	case t <= d.last:
		return 0, d.fault(line, "the time %v does not come after %v: rows must be in order of time", t, d.last)
	case step < csvFast:
		return 0, d.fault(line, "a step of %.6g s, but the rate so far is %v scans a second: a recording must keep one rate", t-d.last, d.inf.Rate)
	case step <= csvGap:
		d.gaps = 0
		return 0, nil
	case step > 1e15:
		return 0, d.fault(line, "a jump of %.6g s: the time stamps are damaged", t-d.last)
	}
	if d.gaps == csvGaps {
		return 0, d.fault(line, "more than %d gaps in a row, although the rate was %v scans a second: a recording must keep one rate", csvGaps, d.inf.Rate)
	}
	return uint64(math.Round(step)) - 1, nil
}

// csvGaps is how many gaps in a row are taken before the rate has changed.
const csvGaps = 16

// refill reads up to csvPeek rows ahead.
func (d *csvFile) refill() {
	d.times, d.lines, d.pos = d.times[:0], d.lines[:0], 0
	nch := d.inf.Channels
	for len(d.times) < csvPeek && d.end == nil {
		at := len(d.times) * nch
		if cap(d.vals) < at+nch {
			d.vals = append(d.vals[:at], make([]float32, nch)...)
		}
		d.vals = d.vals[:at+nch]
		t, _, err := d.row(d.vals[at:])
		if err != nil {
			d.end = d.tornRow(err)
			return
		}
		d.times = append(d.times, t)
		d.lines = append(d.lines, d.line)
	}
}
