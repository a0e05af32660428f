package trace

import (
	"bytes"
	"errors"
	"io"
	"math"
	"testing"
	"time"

	"kerfwind/sensor"
)

// Cut takes the scans from one instant up to another, wherever frames end and
// gaps lie. A slow twin looks at the instant of every scan.
func TestCut(t *testing.T) {
	const file = "t,a\n0,0\n0.3,1\n0.6,2\n0.9,3\n1.8,6\n2.1,7\n2.4,8\n2.7,9\n3,10\n"
	times := []time.Duration{-1, 0, 1, 299 * time.Millisecond, 300 * time.Millisecond, 600 * time.Millisecond,
		901 * time.Millisecond, 1800 * time.Millisecond, 1801 * time.Millisecond, 3 * time.Second, 3001 * time.Millisecond, math.MaxInt64}
	for _, frame := range []int{1, 2, 100} {
		for _, from := range times[1:] {
			for _, to := range times {
				r, err := NewReader("test", bytes.NewReader([]byte(file)), Options{FrameScans: frame})
				if err != nil {
					t.Fatal(err)
				}
				var got, want []uint64
				src := Cut(r, from, to)
				var f sensor.Frame
				for err = src.Next(&f); err == nil; err = src.Next(&f) {
					for i, v := range f.Raw {
						if uint64(v) != f.Index+uint64(i) || f.At != Instant(f.Index, f.Rate) {
							t.Fatalf("sample %v is at scan %d, %v", v, f.Index+uint64(i), f.At)
						}
						got = append(got, uint64(v))
					}
				}
				if !errors.Is(err, io.EOF) {
					t.Fatal(err)
				}
				for _, i := range []uint64{0, 1, 2, 3, 6, 7, 8, 9, 10} {
					if at := Instant(i, r.Info().Rate); at >= from && (to < 0 || at < to) {
						want = append(want, i)
					}
				}
				if len(got) != len(want) || len(got) > 0 && (got[0] != want[0] || got[len(got)-1] != want[len(want)-1]) {
					t.Errorf("frames of %d, from %v to %v: %v, want %v", frame, from, to, got, want)
				}
			}
		}
	}
}

// Counts to amperes and back are the same counts.
func TestScale(t *testing.T) {
	raw := noise(2000, 2, 1<<15-1)
	var m memFile
	writeTo(t, &m, Layout{Kind: WAV, Sample: Int16, Channels: 2, Rate: 2000, Unit: Counts}, raw)
	r, err := NewReader("test", bytes.NewReader(m.b), Options{})
	if err != nil {
		t.Fatal(err)
	}
	const step = 30 * 3.3 / 4096
	var csv bytes.Buffer
	w, err := NewWriter(&csv, Layout{Kind: CSV, Channels: 2, Rate: 2000, Unit: Amperes})
	if err != nil {
		t.Fatal(err)
	}
	if err := Copy(w, Scale(r, step)); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if r, err = NewReader("test", &csv, Options{}); err != nil {
		t.Fatal(err)
	}
	var back memFile
	if w, err = NewWriter(&back, Layout{Kind: WAV, Sample: Int16, Channels: 2, Rate: 2000, Unit: Counts}); err != nil {
		t.Fatal(err)
	}
	if err := Copy(w, Scale(r, 1/step)); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(m.b, back.b) {
		t.Error("counts differ after a way through amperes")
	}
}
