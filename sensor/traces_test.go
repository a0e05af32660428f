package sensor_test

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"

	"kerfwind/sensor"
	"kerfwind/sensor/trace"
	"kerfwind/testdata/peers"
)

// span is one run in a recording.
type span struct{ start, onset, stop time.Duration }

// runs feeds a one-channel recording, and silence after it, to a detector and
// returns the runs; a run that lasts to the end has stop < 0. unknown counts the
// unknown readings.
func runs(t *testing.T, path string, p sensor.Params, silence time.Duration) (out []span, unknown int, first, end time.Duration) {
	t.Helper()
	r, err := trace.Open([]string{path}, trace.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	d, err := sensor.New(p)
	if err != nil {
		t.Fatal(err)
	}
	var f sensor.Frame
	var buf []sensor.Reading
	next := uint64(0)
	first = -1
	last := sensor.Idle
	for {
		if err := r.Next(&f); errors.Is(err, io.EOF) {
			if end != 0 || silence == 0 {
				return out, unknown, first, end
			}
			rate := r.Info().Rate
			end = trace.Instant(next, rate)
			f = sensor.Frame{
				Channels: 1, Index: next, At: end, Rate: rate,
				Raw: make([]float32, int(silence.Seconds()*rate)),
			}
		} else if err != nil {
			t.Fatal(err)
		}
		next = f.Index + uint64(f.Scans())
		buf = d.Feed(&f, buf[:0])
		for _, x := range buf {
			if first < 0 {
				first = x.At
			}
			if x.Verdict == sensor.Unknown {
				unknown++
			}
			if x.Verdict == last {
				continue
			}
			last = x.Verdict
			switch x.Verdict {
			case sensor.Running:
				out = append(out, span{x.At, x.Onset, -1})
			case sensor.Idle:
				out[len(out)-1].stop = x.At
			case sensor.Unknown: // counted above
			}
		}
	}
}

// amps describes one channel of amperes at the quick-look levels.
func amps(scale, start float64) sensor.Params {
	return sensor.Params{Channels: []sensor.ChannelParams{{
		Used: true, Scale: scale, Start: start, Stop: start * 2 / 3, StopHold: time.Second,
	}}}
}

// TestRecordings holds the detector to the labelled switch-on instants of the
// shared recordings (sources: manifest.csv beside them). The labels of the
// rebuilt files are good to 10 ms either way.
func TestRecordings(t *testing.T) {
	dir := peers.Shared(t, "traces")
	file, err := os.Open(filepath.Join(dir, "manifest.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	type class struct {
		files, starts int
		delays        []time.Duration
		onsets        []time.Duration
	}
	classes := map[string]*class{}
	for _, row := range rows[1:] {
		name, mains, label := row[0], row[5], row[8]
		path := filepath.Join(dir, name)
		kind, _, _ := strings.Cut(name, "/")
		base := strings.TrimSuffix(filepath.Base(name), ".wav")
		scale := 1.0
		if kind == "rebuilt" {
			scale = 10
			base = base[:strings.LastIndex(base, "_")]
		} else if strings.HasPrefix(base, "itsc") {
			base = "itsc"
		}
		for _, nominal := range []string{"0", mains} {
			p := amps(scale, 0.6)
			p.Mains, _ = strconv.ParseFloat(nominal, 64)
			got, unknown, first, _ := runs(t, path, p, 0)
			stopped, _, _, end := runs(t, path, p, 3*time.Second)
			if len(stopped) != len(got) {
				t.Errorf("%s and silence: runs %v, want %v and a stop", name, stopped, got)
			} else if n := len(got); n > 0 {
				late := stopped[n-1].stop - end - time.Second
				if got[n-1].stop < 0 && (late < 0 || late > 250*time.Millisecond) {
					t.Errorf("%s, off at %v: runs %v, want a stop within 250 ms of the hold", name, end, stopped)
				}
			}
			if unknown > 0 {
				t.Errorf("%s: %d unknown readings", name, unknown)
			}
			c := classes[base]
			if c == nil {
				c = &class{}
				classes[base] = c
			}
			if nominal != "0" {
				c.files++
				c.starts += len(got)
			}
			switch base {
			case "itsc":
				if len(got) != 1 || got[0].start != first || got[0].stop >= 0 {
					t.Errorf("%s: runs %v, want one from the first window at %v to the end", name, got, first)
				}
			case "fired_television":
				if len(got) > 1 {
					t.Errorf("%s: runs %v, want at most one at 0.6 A", name, got)
				}
				if two, _, _, _ := runs(t, path, amps(scale, 2), 0); len(two) > 0 {
					t.Errorf("%s: runs %v, want none at 2 A", name, two)
				}
			default:
				at, err := strconv.ParseFloat(label, 64)
				if err != nil {
					t.Fatal(err)
				}
				on := time.Duration(at * 1e9)
				if until, ok := peers.BelowUntil[name]; ok && len(got) == 1 && got[0].start >= until-10*time.Millisecond {
					on = until
				}
				if len(got) != 1 || got[0].start < on-10*time.Millisecond || got[0].start > on+60*time.Millisecond {
					t.Errorf("%s: runs %v, want one within 60 ms of %v", name, got, on)
					continue
				}
				if nominal != "0" {
					c.delays = append(c.delays, got[0].start-on)
					c.onsets = append(c.onsets, got[0].onset-on)
				}
			}
		}
	}
	names := make([]string, 0, len(classes))
	for n := range classes {
		names = append(names, n)
	}
	sort.Strings(names)
	var b strings.Builder
	fmt.Fprintf(&b, "%-24s files runs  decision-label ms     onset-label ms\n", "class")
	for _, n := range names {
		c := classes[n]
		fmt.Fprintf(&b, "%-24s %5d %4d  %s  %s\n", n, c.files, c.starts, spread(c.delays), spread(c.onsets))
	}
	t.Log("\n" + b.String())
}

func spread(d []time.Duration) string {
	if len(d) == 0 {
		return strings.Repeat(" ", 20)
	}
	sort.Slice(d, func(i, j int) bool { return d[i] < d[j] })
	ms := func(x time.Duration) float64 { return float64(x) / 1e6 }
	return fmt.Sprintf("%5.1f %5.1f %5.1f   ", ms(d[0]), ms(d[len(d)/2]), ms(d[len(d)-1]))
}
