package record_test

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// frame has scans from an index on; sample c of scan i is 10 i + c, modulo
// what 12 bits hold.
func frame(index, scans, channels int) *sensor.Frame {
	f := &sensor.Frame{Channels: channels, Index: uint64(index), At: trace.Instant(uint64(index), 1000), Rate: 1000}
	for i := range scans {
		for c := range channels {
			f.Raw = append(f.Raw, float32((10*(index+i)+c)%4096))
		}
	}
	return f
}

// TestRing compares with a list that keeps everything.
func TestRing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		channels := rapid.IntRange(1, 3).Draw(t, "channels")
		keep := rapid.IntRange(1, 50).Draw(t, "scans")
		r, err := record.NewRing(channels, 1000, time.Duration(keep)*time.Millisecond)
		if err != nil {
			t.Fatal(err)
		}
		all := map[int]bool{}
		index, first := 0, 0
		for range rapid.IntRange(0, 20).Draw(t, "frames") {
			gap := rapid.SampledFrom([]int{0, 0, 0, 1, 7, 60}).Draw(t, "gap")
			n := rapid.IntRange(1, 70).Draw(t, "n")
			if gap >= keep || len(all) == 0 {
				first = index + gap
			}
			index += gap
			r.Add(frame(index, n, channels))
			for i := range n {
				all[index+i] = true
			}
			index += n
		}
		long := rapid.IntRange(0, 60).Draw(t, "last")
		f := r.Last(time.Duration(long) * time.Millisecond)
		from := index
		if len(all) > 0 {
			from = max(first, index-keep, index-long)
		}
		if f.Scans() != index-from || int(f.Index) != from && f.Scans() > 0 {
			t.Fatalf("%d scans from %d, want those from %d to %d", f.Scans(), f.Index, from, index)
		}
		for i := range f.Scans() {
			for c := range channels {
				got, want := f.Raw[i*channels+c], float32((10*(from+i)+c)%4096)
				if all[from+i] && got != want || !all[from+i] && got == got {
					t.Fatalf("scan %d: %g, want %g, there: %v", from+i, got, want, all[from+i])
				}
			}
		}
	})
}

func TestRingLimits(t *testing.T) {
	for _, c := range []struct {
		channels int
		rate     float64
		keep     time.Duration
	}{{0, 1000, time.Second}, {1, 0, time.Second}, {1, math.NaN(), time.Second}, {1, 1000, 0}, {16, 1e6, time.Hour}} {
		if _, err := record.NewRing(c.channels, c.rate, c.keep); err == nil {
			t.Errorf("%+v was taken", c)
		}
	}
	r, err := record.NewRing(2, 1000, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	r.Add(frame(0, 10, 3)) // another shape
	if f := r.Last(time.Hour); f.Scans() != 0 {
		t.Errorf("%d scans", f.Scans())
	}
	r.Add(frame(500, 10, 2))
	r.Add(frame(3, 10, 2)) // begins anew
	if f := r.Last(time.Hour); f.Scans() != 10 || f.Index != 3 {
		t.Errorf("%d scans from %d", f.Scans(), f.Index)
	}
}

// TestWriteLast: the ring's recording reads back, with its gap.
func TestWriteLast(t *testing.T) {
	r, err := record.NewRing(2, 1000, 100*time.Millisecond)
	if err != nil {
		t.Fatal(err)
	}
	r.Add(frame(0, 90, 2))
	r.Add(frame(100, 50, 2))
	var b bytes.Buffer
	w, err := trace.NewWriter(&b, trace.Layout{Kind: trace.FLAC, Sample: trace.Int16, Channels: 2, Rate: 1000, Unit: trace.Counts, LowestIsGap: true})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(r.WriteLast(w, 80*time.Millisecond), w.Close()); err != nil {
		t.Fatal(err)
	}
	in, err := trace.NewReader("x.flac", &b, trace.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var f sensor.Frame
	if err := in.Next(&f); err != nil || f.Scans() != 80 {
		t.Fatalf("%d scans, %v", f.Scans(), err)
	}
	for i := range 80 {
		want := float32((10 * (70 + i)) % 4096)
		if 70+i >= 90 && 70+i < 100 {
			want = -32768
		}
		if f.Raw[2*i] != want {
			t.Errorf("scan %d: %g, want %g", 70+i, f.Raw[2*i], want)
		}
	}
}

// TestMixer: the slower converter's newest sample stands in each scan.
func TestMixer(t *testing.T) {
	m := record.NewMixer([][]int{{1}, {2, 0}}, []float64{250, 1000})
	var got []sensor.Frame
	emit := func(f *sensor.Frame) {
		c := *f
		c.Raw = slices.Clone(f.Raw)
		got = append(got, c)
	}
	slow := func(index, n int) *sensor.Frame {
		f := frame(index, n, 1)
		f.At, f.Rate, f.Source = trace.Instant(uint64(index), 250), 250, 0
		return f
	}
	fast := func(index, n int) *sensor.Frame {
		f := frame(index, n, 2)
		f.Source = 1
		return f
	}
	m.Add(fast(0, 10), emit)
	if len(got) != 0 {
		t.Fatal("mixed before the slower one has come")
	}
	m.Add(slow(0, 5), emit) // 0 to 16 ms
	m.Add(fast(10, 10), emit)
	if len(got) != 1 {
		t.Fatalf("%d frames", len(got))
	}
	m.Add(slow(5, 5), emit) // 20 to 36 ms
	if len(got) != 2 || got[1].Index != 10 || got[1].Scans() != 10 || got[1].Channels != 3 {
		t.Fatalf("%+v", got)
	}
	for n, f := range got {
		for i := range 10 {
			at := 10*n + i
			want := []float32{float32(10*at + 1), float32(10 * (at / 4)), float32(10 * at)}
			if row := f.Raw[3*i : 3*i+3]; !slices.Equal(row, want) {
				t.Errorf("scan %d: %v, want %v", at, row, want)
			}
		}
	}
	// The slow one falls silent: it is waited for, and then missing.
	for i := range 40 {
		m.Add(fast(20+10*i, 10), emit)
	}
	if len(got) < 10 || got[len(got)-1].Index > 400 {
		t.Fatalf("%d frames, the last from %d", len(got), got[len(got)-1].Index)
	}
	for range 40 {
		m.Add(fast(int(got[len(got)-1].Index)+500, 10), emit)
	}
	last := got[len(got)-1]
	if v := last.Raw[1]; v == v {
		t.Errorf("an old sample passes for a new one: %g", v)
	}
	// What does not fit is left out.
	n := len(got)
	m.Add(&sensor.Frame{Source: 7, Channels: 1, Raw: []float32{1}}, emit)
	m.Add(frame(0, 10, 5), emit)
	if len(got) != n {
		t.Error("a frame of no source was mixed")
	}
	// One converter passes through; its errors do not.
	one := record.NewMixer([][]int{{0, 1}}, []float64{1000})
	n = len(got)
	one.Add(frame(0, 10, 2), emit)
	one.Add(&sensor.Frame{Err: errors.New("x")}, emit)
	if len(got) != n+1 {
		t.Errorf("%d frames", len(got)-n)
	}
}

func layout() trace.Layout {
	return trace.Layout{Sample: trace.Int16, Channels: 2, Rate: 1000, Unit: trace.Counts}
}

// scansOf counts the scans of recordings laid end to end.
func scansOf(t *testing.T, paths ...string) int {
	t.Helper()
	r, err := trace.Open(paths, trace.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	n := 0
	var f sensor.Frame
	for r.Next(&f) == nil {
		n += f.Scans()
	}
	return n
}

func TestRecorder(t *testing.T) {
	for _, name := range []string{"x.wav", "x.FLAC"} {
		dir := t.TempDir()
		path := filepath.Join(dir, name)
		r, err := record.NewRecorder(record.Options{Path: path, Layout: layout()})
		if err != nil {
			t.Fatal(err)
		}
		for i := range 20 {
			if err := r.Add(frame(5000+100*i, 90, 2)); err != nil { // 10 are missing each time
				t.Fatal(err)
			}
		}
		if _, err := os.Stat(path); err == nil {
			t.Error("it bears its name before it is complete")
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		if n := scansOf(t, path); n != 1990 || r.Scans != 1800 || r.Lost != 190 || r.Size() == 0 {
			t.Errorf("%d scans, %+v", n, r)
		}
		if list, err := os.ReadDir(dir); err != nil || len(list) != 1 {
			t.Errorf("%v, %v", list, err)
		}
		if _, err := record.NewRecorder(record.Options{Path: path, Layout: layout()}); err == nil {
			t.Error("it would be written over")
		}
	}
	if _, err := record.NewRecorder(record.Options{Path: "x.csv"}); err == nil || !strings.Contains(err.Error(), ".flac or .wav") {
		t.Error(err)
	}
}

// TestTurns: files in turns, each within its limit, the newest kept, nothing
// lost between them.
func TestTurns(t *testing.T) {
	for _, c := range []struct {
		name  string
		bytes int64
		time  time.Duration
	}{{"a.wav", 20_000, 0}, {"a.flac", 20_000, 0}, {"a*[b.wav", 0, 3 * time.Second}} {
		dir := t.TempDir()
		r, err := record.NewRecorder(record.Options{Path: filepath.Join(dir, c.name), Layout: layout(), Bytes: c.bytes, Time: c.time, Keep: 3})
		if err != nil {
			t.Fatal(err)
		}
		for i := range 300 {
			if err := r.Add(frame(100*i, 100, 2)); err != nil {
				t.Fatal(err)
			}
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		list, err := os.ReadDir(dir)
		if err != nil || len(list) != 3 || len(r.Files()) != 3 {
			t.Fatalf("%s: %v, %v", c.name, list, err)
		}
		for _, e := range list {
			info, err := e.Info()
			if err != nil || c.bytes > 0 && info.Size() > c.bytes || c.time > 0 && scansOf(t, filepath.Join(dir, e.Name())) > 3000 {
				t.Errorf("%s: %d bytes, %v", e.Name(), info.Size(), err)
			}
		}
		if n := scansOf(t, r.Files()...); n < 3000 || n > 15_000 || r.Scans != 30_000 {
			t.Errorf("%s: %d scans in three files, %d in all", c.name, n, r.Scans)
		}
		if _, err := record.NewRecorder(record.Options{Path: filepath.Join(dir, c.name), Layout: layout(), Keep: 3}); err == nil || !strings.Contains(err.Error(), "exists") {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// TestLimit: without turns the limit ends it.
func TestLimit(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.wav")
	r, err := record.NewRecorder(record.Options{Path: path, Layout: layout(), Time: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 10 {
		if err := r.Add(frame(100*i, 100, 2)); err != nil {
			t.Fatal(err)
		}
	}
	if err := r.Add(frame(1000, 100, 2)); !errors.Is(err, record.ErrFull) {
		t.Error(err)
	}
	if err := r.Close(); err != nil || scansOf(t, path) != 1000 {
		t.Error(err)
	}
}

// TestSpace: a disk that is nearly full ends it, and what was written is whole.
func TestSpace(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.flac")
	free := int64(1000)
	o := record.Options{Path: path, Layout: layout(), Reserve: 500, Free: func(string) (int64, error) { return free, nil }}
	r, err := record.NewRecorder(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(r.Add(frame(0, 100, 2)), r.Check()); err != nil {
		t.Fatal(err)
	}
	free = 499
	if err := r.Check(); !errors.Is(err, record.ErrSpace) {
		t.Error(err)
	}
	if err := r.Close(); err != nil || scansOf(t, path) != 100 {
		t.Error(err)
	}
	o.Path += "2.wav"
	if r, err = record.NewRecorder(o); err != nil {
		t.Fatal(err)
	}
	if err := r.Add(frame(0, 100, 2)); !errors.Is(err, record.ErrSpace) {
		t.Error(err)
	}
}

// TestBroken: a source that begins anew gets a new file, or an end.
func TestBroken(t *testing.T) {
	dir := t.TempDir()
	for keep, want := range map[int]error{0: record.ErrFull, 5: nil} {
		r, err := record.NewRecorder(record.Options{Path: filepath.Join(dir, "x.wav"), Layout: layout(), Keep: keep})
		if err != nil {
			t.Fatal(err)
		}
		if err := r.Add(frame(1000, 100, 2)); err != nil {
			t.Fatal(err)
		}
		if err := r.Add(frame(0, 100, 2)); !errors.Is(err, want) || r.Broken != 1 {
			t.Errorf("%v, %d", err, r.Broken)
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}
}

// TestNoFolder: the folder must be there.
func TestNoFolder(t *testing.T) {
	r, err := record.NewRecorder(record.Options{Path: filepath.Join(t.TempDir(), "no", "x.wav"), Layout: layout()})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Add(frame(0, 1, 2)); err == nil || !strings.Contains(err.Error(), "cannot be written") {
		t.Error(err)
	}
}

// TestWriteError: after an error in writing, what there is stays under its other name.
func TestWriteError(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.wav")
	r, err := record.NewRecorder(record.Options{Path: path, Layout: layout()})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Add(frame(0, 10, 2)); err != nil {
		t.Fatal(err)
	}
	bad := frame(10, 1, 2)
	bad.Raw[0] = 1e9 // does not fit 16 bits
	if err := r.Add(bad); err == nil || !strings.Contains(err.Error(), "what there is of it is in") {
		t.Errorf("%v", err)
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
}
