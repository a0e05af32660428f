package trace

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"kerfwind/sensor"
)

// counts holds the figures found by reading a recording.
type counts struct {
	scans, gaps, lost, missing int64
	least, most                []float32 // of each channel
}

// count reads a recording to its end.
func count(r *Reader) (counts, error) {
	n := r.Info().Channels
	t := counts{least: make([]float32, n), most: make([]float32, n)}
	seen := make([]bool, n)
	var f sensor.Frame
	for {
		if err := r.Next(&f); errors.Is(err, io.EOF) {
			return t, nil
		} else if err != nil {
			return t, err
		}
		if lost := int64(f.Index) - t.scans; lost > 0 {
			t.gaps++
			t.lost += lost
		}
		t.scans = int64(f.Index) + int64(f.Scans())
		for i, v := range f.Raw {
			c := i % n
			switch {
			case v != v || v-v != 0: // not a number, or infinite
				t.missing++
			case !seen[c]:
				t.least[c], t.most[c], seen[c] = v, v, true
			default:
				t.least[c], t.most[c] = min(t.least[c], v), max(t.most[c], v)
			}
		}
	}
}

// Describe says in lines what a recording holds. With whole it reads the recording
// to its end and counts; what it found comes with an error too.
func Describe(name string, opt Options, whole bool) (string, error) {
	r, err := Open([]string{name}, opt)
	if err != nil {
		return "", err
	}
	defer func() { _ = r.Close() }() // nothing was written
	info := r.Info()
	var counted counts
	if whole {
		counted, err = count(r)
		info.Scans = counted.scans
	} else if info.Scans >= 0 && info.Scans < info.Want {
		err = &TruncatedError{File: name, Scans: info.Scans, Want: info.Want}
	}
	var out strings.Builder
	fmt.Fprintf(&out, "%s\n  %s, %s, %s scans/s, %v\n", name, info.Format, plural(int64(info.Channels), "channel"), figures(info.Rate), info.Unit)
	if info.Names != nil {
		fmt.Fprintf(&out, "  channels: %s\n", strings.Join(info.Names, ", "))
	}
	if info.Scans < 0 {
		fmt.Fprintln(&out, "  length not known without reading it: --count")
	} else {
		note := ""
		if info.Unread && !whole {
			note = ", as its header says: --count reads them"
		}
		fmt.Fprintf(&out, "  %s, %v%s\n", plural(info.Scans, "scan"), Instant(uint64(info.Scans), info.Rate).Round(time.Millisecond), note)
	}
	if whole {
		fmt.Fprintf(&out, "  %s, %s lost; %s missing\n", plural(counted.gaps, "gap"), plural(counted.lost, "scan"), plural(counted.missing, "sample"))
		for c := range counted.least {
			fmt.Fprintf(&out, "  channel %d: from %s to %s\n", c, figures(float64(counted.least[c])), figures(float64(counted.most[c])))
		}
	}
	return out.String(), err
}

// plural puts a number before a word.
func plural(n int64, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

// figures writes a number without needless digits.
func figures(v float64) string { return strconv.FormatFloat(v, 'g', 7, 64) }
