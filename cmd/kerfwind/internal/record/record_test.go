package record_test

import (
	"bytes"
	"errors"
	"io"
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
		oldest := index
		if len(all) > 0 {
			oldest = max(first, index-keep)
		}
		if a, b := r.Span(); a != b && (int(a) != oldest || int(b) != index) || a == b && oldest != index {
			t.Fatalf("%d to %d are kept, want %d to %d", a, b, oldest, index)
		}
		want := rapid.IntRange(-1, index+10).Draw(t, "from")
		from := r.Scan(time.Duration(want) * time.Millisecond)
		if begin := min(max(want, oldest), index); len(all) > 0 && int(from) != begin {
			t.Fatalf("scan %d at %d ms, want %d", from, want, begin)
		}
		most := rapid.IntRange(0, 60).Draw(t, "most")
		var f sensor.Frame
		r.Read(from, most, &f)
		if n := min(most, index-int(from)); len(all) > 0 && (f.Scans() != n || f.Index != from || f.At != trace.Instant(from, 1000)) {
			t.Fatalf("%d scans from %d at %v, want %d from %d", f.Scans(), f.Index, f.At, n, from)
		}
		for i := range f.Scans() {
			for c := range channels {
				at := int(f.Index) + i
				got, want := f.Raw[i*channels+c], float32((10*at+c)%4096)
				if all[at] && got != want || !all[at] && got == got {
					t.Fatalf("scan %d: %g, want %g, there: %v", at, got, want, all[at])
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
	if a, b := r.Span(); a != b {
		t.Errorf("scans from %d to %d", a, b)
	}
	r.Add(frame(500, 10, 2))
	r.Add(frame(3, 10, 2)) // begins anew
	if a, b := r.Span(); a != 3 || b != 13 {
		t.Errorf("scans from %d to %d", a, b)
	}
	// What is no count of 16 bits is missing; halves go away from zero.
	inf := float32(math.Inf(1))
	r.Add(&sensor.Frame{Channels: 2, Index: 13, At: 13 * time.Millisecond, Rate: 1000, Raw: []float32{-32767, 32767, -32768, 32768, inf, -inf, float32(math.NaN()), 2.5, -2.5, 2.4}})
	var f sensor.Frame
	r.Read(13, 100, &f)
	nan := float32(math.NaN())
	for i, want := range []float32{-32767, 32767, nan, nan, nan, nan, nan, 3, -3, 2} {
		if got := f.Raw[i]; got != want && !(got != got && want != want) {
			t.Errorf("sample %d: %g, want %g", i, got, want)
		}
	}
}

// memory makes one of two channels at 1 kHz.
func memory(t *testing.T) *record.Memory {
	t.Helper()
	m, err := record.NewMemory([][]int{{0, 1}}, []float64{1000})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// TestMemory: what is in memory reads back from a file, with its gap.
func TestMemory(t *testing.T) {
	m := memory(t)
	var b bytes.Buffer
	if _, err := save(m, &b, 0, time.Hour); !errors.Is(err, record.ErrNothing) || b.Len() > 0 {
		t.Errorf("%v, %d bytes", err, b.Len())
	}
	m.Add(frame(1000, 1090, 2))
	m.Add(&sensor.Frame{Err: errors.New("no answer"), At: 2090 * time.Millisecond})
	m.Add(frame(2100, 900, 2))
	if from, to := m.Kept(); from != time.Second || to != 3*time.Second {
		t.Errorf("%v to %v are kept", from, to)
	}
	saved, err := save(m, &b, 1500*time.Millisecond, 2900*time.Millisecond)
	if want := (record.Saved{Scans: 1400, From: 1500 * time.Millisecond, To: 2900 * time.Millisecond, Lost: 10}); err != nil || saved != want {
		t.Fatalf("%+v, %v", saved, err)
	}
	in, err := trace.NewReader("x"+record.Extension(m.Channels()), &b, trace.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var f sensor.Frame
	at := 1500
	for in.Next(&f) == nil {
		for i := range f.Scans() {
			want := float32((10 * at) % 4096)
			if at >= 2090 && at < 2100 {
				want = -32768
			}
			if f.Raw[2*i] != want || f.Rate != 1000 {
				t.Errorf("scan %d: %g, want %g", at, f.Raw[2*i], want)
			}
			at++
		}
	}
	if at != 2900 {
		t.Errorf("it ends at %d", at)
	}
	// Before it and after it there is nothing.
	for _, at := range []time.Duration{0, 3 * time.Second} {
		if _, err := save(m, &b, at, at+time.Second); !errors.Is(err, record.ErrNothing) {
			t.Errorf("at %v: %v", at, err)
		}
	}
	full := errors.New("the disk is full")
	if _, err := save(m, failing{full}, 0, time.Hour); !errors.Is(err, full) {
		t.Error(err)
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

// TestMemoryBounds: five minutes, or what fits.
func TestMemoryBounds(t *testing.T) {
	eight := []int{0, 1, 2, 3, 4, 5, 6, 7}
	for _, c := range []struct {
		columns [][]int
		rates   []float64
		keep    time.Duration
	}{
		{[][]int{eight}, []float64{1000}, 262144 * time.Millisecond},
		{[][]int{eight}, []float64{2000}, 131072 * time.Millisecond},
		{[][]int{{0}, {}, {1, 2}}, []float64{100, 100, 2000}, 5 * time.Minute},
	} {
		m, err := record.NewMemory(c.columns, c.rates)
		if err != nil {
			t.Fatal(err)
		}
		main := slices.Index(c.rates, slices.Max(c.rates))
		n := int(c.rates[main] / 10)
		for i := range 4000 {
			f := frame(n*i, n, len(c.columns[main]))
			f.Source, f.At, f.Rate = main, time.Duration(i)*100*time.Millisecond, c.rates[main]
			m.Add(f)
		}
		from, to := m.Kept()
		if kept := to - from; to != 400*time.Second || (kept-c.keep).Abs() > time.Millisecond {
			t.Errorf("%v of %d channels at %v: %v is kept, want %v", to, m.Channels(), m.Rate(), kept, c.keep)
		}
	}
	for _, rates := range [][]float64{{0}, {math.NaN()}} {
		if _, err := record.NewMemory([][]int{eight}, rates); err == nil {
			t.Errorf("%v was taken", rates)
		}
	}
	if _, err := record.NewMemory(nil, nil); err == nil {
		t.Error("a rig without converters was taken")
	}
}

// TestMemoryMixes: a slower converter's newest sample stands in each scan, to
// the last one.
func TestMemoryMixes(t *testing.T) {
	m, err := record.NewMemory([][]int{{1}, {2, 0}}, []float64{250, 1000})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 30 { // 3 s of each
		m.Add(&sensor.Frame{Channels: 9, Source: 7, Raw: make([]float32, 9)})
		slow := frame(25*i, 25, 1)
		slow.At, slow.Rate, slow.Source = time.Duration(i)*100*time.Millisecond, 250, 0
		m.Add(slow)
		fast := frame(100*i, 100, 2)
		fast.Source = 1
		m.Add(fast)
	}
	next, pieces := 1000, 0
	err = m.Frames(time.Second, time.Hour, func(f *sensor.Frame) error {
		if int(f.Index) != next || f.Channels != 3 || f.Rate != 1000 || f.At != trace.Instant(f.Index, 1000) {
			t.Fatalf("%d channels from %d at %v", f.Channels, f.Index, f.At)
		}
		for i := range f.Scans() {
			at := next + i
			want := []float32{float32((10*at + 1) % 4096), float32((10 * (at / 4)) % 4096), float32((10 * at) % 4096)}
			if row := f.Raw[3*i : 3*i+3]; !slices.Equal(row, want) {
				t.Fatalf("scan %d: %v, want %v", at, row, want)
			}
		}
		next += f.Scans()
		pieces++
		return nil
	})
	if err != nil || next != 3000 || pieces < 3 {
		t.Errorf("to %d in %d pieces, %v", next, pieces, err)
	}
	stop := errors.New("enough")
	if err := m.Frames(0, time.Hour, func(*sensor.Frame) error { return stop }); !errors.Is(err, stop) {
		t.Error(err)
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

// TestBroken: a source that begins again gets a new file, or an end.
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

// save writes what is kept of a part of the stream.
func save(m *record.Memory, w io.Writer, from, to time.Duration) (record.Saved, error) {
	return record.Save(w, func(emit func(*sensor.Frame) error) error { return m.Frames(from, to, emit) })
}
