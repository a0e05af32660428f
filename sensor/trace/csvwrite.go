package trace

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"kerfwind/sensor"
)

// csvWriter writes a CSV file: "t,<channel>,...", then seconds and amperes.
type csvWriter struct {
	flow
	w      *bufio.Writer
	digits int // after the point of a time stamp
	buf    []byte
}

func newCSVWriter(w io.Writer, l Layout) (*csvWriter, error) {
	cw := &csvWriter{flow: flow{l: l}, w: bufio.NewWriterSize(w, 64<<10)}
	// As many digits as make the stamp exact, from milliseconds to nanoseconds.
	for cw.digits = 3; cw.digits < 9; cw.digits++ {
		if step := math.Pow(10, float64(cw.digits)) / l.Rate; step == math.Trunc(step) {
			break
		}
	}
	names := l.Names
	if names == nil {
		for i := range l.Channels {
			names = append(names, "c"+strconv.Itoa(i))
		}
	}
	for _, n := range names {
		if n == "" || strings.ContainsAny(n, ",;\"\r\n") || n != strings.TrimSpace(n) {
			return nil, fmt.Errorf("the channel name %q cannot stand in a CSV header: no commas, semicolons, quotes or blanks around it", n)
		}
	}
	_, err := cw.w.WriteString("t," + strings.Join(names, ",") + "\n")
	return cw, err
}

func (cw *csvWriter) Write(f *sensor.Frame) error {
	missing, err := cw.take(f)
	if err != nil {
		return err
	}
	cw.scans += missing
	nch := cw.l.Channels
	for at := 0; at < len(f.Raw); at += nch {
		// A quotient of whole numbers, so that stamps do not drift.
		b := strconv.AppendFloat(cw.buf[:0], float64(cw.scans)/cw.l.Rate, 'f', cw.digits, 64)
		for _, v := range f.Raw[at : at+nch] {
			b = append(b, ',')
			if v == v { // a missing sample is an empty cell
				b = strconv.AppendFloat(b, float64(v), 'g', -1, 32)
			}
		}
		cw.buf = append(b, '\n')
		if _, err := cw.w.Write(cw.buf); err != nil {
			return err
		}
		cw.scans++
	}
	return nil
}

func (cw *csvWriter) Close() error { return cw.w.Flush() }
