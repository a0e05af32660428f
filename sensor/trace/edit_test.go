package trace

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
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

// counted is a source of so many frames of one scan.
type counted struct{ at, frames int }

func (c *counted) Next(f *sensor.Frame) error {
	if c.at == c.frames {
		return io.EOF
	}
	*f = sensor.Frame{Channels: 1, Index: uint64(c.at), Rate: 1000, Raw: []float32{1}}
	c.at++
	return nil
}

// TestGuards: an empty source, one that is reported of, and one that is ended.
func TestGuards(t *testing.T) {
	var f sensor.Frame
	why := errors.New("nothing there")
	if err := NotEmpty(&counted{}, why).Next(&f); !errors.Is(err, why) {
		t.Error(err)
	}
	some := NotEmpty(&counted{frames: 1}, why)
	if err := errors.Join(some.Next(&f), some.Next(&f)); !errors.Is(err, io.EOF) || errors.Is(err, why) {
		t.Error(err)
	}
	var far []int64
	r := Reported(&counted{frames: 2}, func(done, total int64) { far = append(far, done, total) }, 2)
	if err := errors.Join(r.Next(&f), r.Next(&f)); err != nil || !slices.Equal(far, []int64{0, 2, 1, 2}) {
		t.Error(far, err)
	}
	ctx, end := context.WithCancel(t.Context())
	u := Until(ctx, &counted{frames: 2})
	if err := u.Next(&f); err != nil {
		t.Error(err)
	}
	end()
	if err := u.Next(&f); err == nil || !strings.Contains(err.Error(), "interrupted") {
		t.Error(err)
	}
}

// TestDescribe says what a recording holds, with and without reading it.
func TestDescribe(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.csv")
	if err := os.WriteFile(path, []byte("t,saw\n0,1\n0.001,NaN\n0.002,3\n0.005,-2\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	short, err := Describe(path, Options{}, false)
	if err != nil || !strings.Contains(short, "--count") || !strings.Contains(short, "channels: saw") {
		t.Errorf("%s\n%v", short, err)
	}
	whole, err := Describe(path, Options{}, true)
	if err != nil || !strings.Contains(whole, "1 gap, 2 scans lost; 1 sample missing") || !strings.Contains(whole, "channel 0: from -2 to 3") || !strings.Contains(whole, "6 scans, 6ms") {
		t.Errorf("%s\n%v", whole, err)
	}
	if text, err := Describe(path+".gone", Options{}, true); text != "" || err == nil {
		t.Errorf("%q, %v", text, err)
	}
	wav := filepath.Join(t.TempDir(), "x.wav")
	file, err := os.Create(wav)
	if err != nil {
		t.Fatal(err)
	}
	w, err := NewWriter(file, Layout{Kind: WAV, Sample: Int16, Unit: Counts, Channels: 1, Rate: 1000})
	if err == nil {
		err = errors.Join(Copy(w, &counted{frames: 100}), w.Close(), file.Truncate(144), file.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	for _, all := range []bool{false, true} {
		if text, err := Describe(wav, Options{}, all); !errors.As(err, new(*TruncatedError)) || !strings.Contains(text, "x.wav") {
			t.Errorf("%s\n%v", text, err)
		}
	}
}
