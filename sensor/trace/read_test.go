package trace

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"kerfwind/sensor"
	"kerfwind/testdata/peers"
)

// gap is a jump of the index: missing scans before the scan at.
type gap struct{ at, missing uint64 }

// readAll collects the samples of a recording and its gaps.
func readAll(t testing.TB, r *Reader) (raw []float32, gaps []gap, err error) {
	t.Helper()
	var f sensor.Frame
	next := uint64(0)
	for {
		if err := r.Next(&f); err != nil {
			if errors.Is(err, io.EOF) {
				err = nil
			}
			return raw, gaps, err
		}
		if f.Index != next {
			gaps = append(gaps, gap{next, f.Index - next})
		}
		if want := Instant(f.Index, f.Rate); f.At != want {
			t.Fatalf("scan %d is at %v, want %v", f.Index, f.At, want)
		}
		if len(f.Raw) != f.Scans()*f.Channels || f.Scans() == 0 {
			t.Fatalf("frame of %d samples, %d channels", len(f.Raw), f.Channels)
		}
		raw = append(raw, f.Raw...)
		next = f.Index + uint64(f.Scans())
	}
}

// readBytes opens a recording held in memory and reads it to its end.
func readBytes(t testing.TB, b []byte, opt Options) ([]float32, Info, error) {
	t.Helper()
	r, err := NewReader("test", bytes.NewReader(b), opt)
	if err != nil {
		return nil, Info{}, err
	}
	raw, _, err := readAll(t, r)
	return raw, r.Info(), err
}

// same compares samples, taking NaN as equal to NaN.
func same(a, b []float32) bool {
	return slices.EqualFunc(a, b, func(x, y float32) bool { return x == y || x != x && y != y })
}

// riff builds a WAV file by hand, from chunks of name and body.
func riff(chunks ...string) []byte {
	var b []byte
	for i := 0; i < len(chunks); i += 2 {
		b = append(b, chunks[i]...)
		b = binary.LittleEndian.AppendUint32(b, uint32(len(chunks[i+1])))
		b = append(b, chunks[i+1]...)
		if len(b)%2 == 1 {
			b = append(b, 0)
		}
	}
	h := binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(4+len(b)))
	return append(append(h, "WAVE"...), b...)
}

// wavFormat is the body of a plain format chunk.
func wavFormat(code, channels, rate, depth int) string {
	le := binary.LittleEndian
	b := le.AppendUint16(nil, uint16(code))
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, uint32(rate))
	b = le.AppendUint32(b, uint32(rate*channels*depth/8))
	b = le.AppendUint16(b, uint16(channels*depth/8))
	return string(le.AppendUint16(b, uint16(depth)))
}

func TestReadWAVWidths(t *testing.T) {
	// Bytes written out by hand: least, -1, 0, 1, greatest of each width.
	f32 := func(v ...float32) (s string) {
		for _, v := range v {
			s += string(binary.LittleEndian.AppendUint32(nil, math.Float32bits(v)))
		}
		return s
	}
	f64 := func(v ...float64) (s string) {
		for _, v := range v {
			s += string(binary.LittleEndian.AppendUint64(nil, math.Float64bits(v)))
		}
		return s
	}
	nan := float32(math.NaN())
	tests := []struct {
		name        string
		code, depth int
		data        string
		want        []float32
		unit        Unit
	}{
		{"8-bit integer", 1, 8, "\x00\x7F\x80\x81\xFF", []float32{-128, -1, 0, 1, 127}, Counts},
		{"16-bit integer", 1, 16, "\x00\x80\xFF\xFF\x00\x00\x01\x00\xFF\x7F", []float32{-32768, -1, 0, 1, 32767}, Counts},
		{"24-bit integer", 1, 24, "\x00\x00\x80\xFF\xFF\xFF\x00\x00\x00\x01\x00\x00\xFF\xFF\x7F", []float32{-1 << 23, -1, 0, 1, 1<<23 - 1}, Counts},
		{"32-bit integer", 1, 32, "\x00\x00\x00\x80\xFF\xFF\xFF\xFF\x00\x00\x00\x00\x01\x00\x00\x00\xFF\xFF\xFF\x7F", []float32{-1 << 31, -1, 0, 1, 1 << 31}, Counts},
		{"32-bit float", 3, 32, f32(-1.5, nan, 0, float32(math.Inf(1)), 1e-3), []float32{-1.5, nan, 0, float32(math.Inf(1)), 1e-3}, Amperes},
		{"64-bit float", 3, 64, f64(-1.5, math.NaN(), 0, math.Inf(-1), 0.1), []float32{-1.5, nan, 0, float32(math.Inf(-1)), 0.1}, Amperes},
	}
	guid := "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xAA\x00\x38\x9B\x71"
	for _, tt := range tests {
		plain := wavFormat(tt.code, 1, 1000, tt.depth)
		ext := "\xFE\xFF" + plain[2:] + "\x16\x00" + string([]byte{byte(tt.depth), 0}) + "\x00\x00\x00\x00" + string([]byte{byte(tt.code), 0}) + guid
		for _, format := range []string{plain, ext} {
			raw, info, err := readBytes(t, riff("odd ", "abc", "fmt ", format, "LIST", "INFOISFT\x01\x00\x00\x00x\x00", "data", tt.data, "tail", "x"), Options{FrameScans: 2})
			if err != nil {
				t.Fatalf("%s: %v", tt.name, err)
			}
			if !same(raw, tt.want) {
				t.Errorf("%s: %v, want %v", tt.name, raw, tt.want)
			}
			if info.Format != "WAV, "+tt.name || info.Unit != tt.unit || info.Rate != 1000 || info.Channels != 1 || info.Scans != 5 {
				t.Errorf("%s: info %+v", tt.name, info)
			}
		}
	}
}

func TestReadWAVStreamedSizes(t *testing.T) {
	file := riff("fmt ", wavFormat(1, 3, 1000, 16), "data", strings.Repeat("\x01\x00\x02\x00\x03\x00", 10))
	at := bytes.Index(file, []byte("data")) + 4
	for _, size := range []uint32{0, math.MaxUint32, 0x7FFFF000, 0x7FFFF000 - 0x7FFFF000%6, math.MaxInt32, 0x80000000} {
		b := slices.Clone(file)
		binary.LittleEndian.PutUint32(b[at:], size)
		raw, info, err := readBytes(t, b, Options{})
		if err != nil || len(raw) != 30 || info.Scans != -1 {
			t.Errorf("size %#x: %d samples of 30, info %d scans, error %v", size, len(raw), info.Scans, err)
		}
		path := filepath.Join(t.TempDir(), "s.wav")
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := Open([]string{path}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if r.Info().Scans != 10 {
			t.Errorf("size %#x: %d scans by the length of the file, want 10", size, r.Info().Scans)
		}
		if raw, _, err := readAll(t, r); err != nil || len(raw) != 30 {
			t.Errorf("size %#x: %d samples, error %v", size, len(raw), err)
		}
	}
}

// A recording of 8 channels at 2 kS/s, mostly a hole in the file, with a mark
// near its end; and an RF64 file of 5 GB with a ds64 chunk. An hour is read to
// its end, or with KERFWIND_LONG set 24 hours and the 5 GB.
func TestReadLongWAV(t *testing.T) {
	for _, big := range []bool{false, true} {
		const channels, rate, hour = 8, 2000, 3600
		long := os.Getenv("KERFWIND_LONG") != ""
		scans := int64(hour * rate)
		switch {
		case big:
			scans = 5 << 30 / 16
		case long:
			scans *= 24
		case testing.Short():
			scans /= 60
		}
		format := wavFormat(1, channels, rate, 16)
		head := riff("fmt ", format, "data", "")
		binary.LittleEndian.PutUint32(head[len(head)-4:], uint32(scans*16))
		if big {
			var ds [28]byte
			binary.LittleEndian.PutUint64(ds[8:], uint64(scans*16))
			head = riff("ds64", string(ds[:]), "fmt ", format, "data", "")
			copy(head, "RF64\xFF\xFF\xFF\xFF")
			binary.LittleEndian.PutUint32(head[len(head)-4:], math.MaxUint32)
		}
		path := filepath.Join(t.TempDir(), "day.wav")
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.Write(head); err != nil {
			t.Fatal(err)
		}
		if err := f.Truncate(int64(len(head)) + scans*16); err != nil {
			t.Skipf("no sparse file: %v", err)
		}
		mark := scans - 7
		if _, err := f.WriteAt([]byte{0x39, 0x30}, int64(len(head))+mark*16+2*5); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		r, err := Open([]string{path}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if r.Info().Scans != scans {
			t.Errorf("%d scans, want %d", r.Info().Scans, scans)
		}
		if big && !long {
			if err := r.Close(); err != nil {
				t.Fatal(err)
			}
			continue
		}
		var fr sensor.Frame
		var n int64
		found := int64(-1)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		for err = r.Next(&fr); err == nil; err = r.Next(&fr) {
			if i := slices.Index(fr.Raw, 12345); i >= 0 && i%channels == 5 {
				found = n + int64(i/channels)
			}
			n += int64(fr.Scans())
		}
		runtime.ReadMemStats(&after)
		if !errors.Is(err, io.EOF) || n != scans || found != mark {
			t.Errorf("%d scans, mark at %d, want %d; error %v", n, found, mark, err)
		}
		if grown := after.TotalAlloc - before.TotalAlloc; grown > 1<<20 {
			t.Errorf("reading allocated %d bytes", grown)
		}
	}
}

func TestReadEndToEnd(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, b []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	a := write("a.wav", riff("fmt ", wavFormat(1, 1, 1000, 16), "data", "\x01\x00\x02\x00\x03\x00"))
	b := write("b.wav", riff("fmt ", wavFormat(1, 1, 1000, 8), "data", "\x84\x85"))
	two := write("two.wav", riff("fmt ", wavFormat(1, 2, 1000, 16), "data", "\x01\x00\x02\x00"))
	fast := write("fast.wav", riff("fmt ", wavFormat(1, 1, 2000, 16), "data", "\x01\x00"))
	amps := write("amps.wav", riff("fmt ", wavFormat(3, 1, 1000, 32), "data", "\x00\x00\x00\x00"))

	done, total := int64(-1), int64(-1)
	r, err := Open([]string{a, b, a}, Options{FrameScans: 2, Progress: func(d, n int64) { done, total = d, n }})
	if err != nil {
		t.Fatal(err)
	}
	if r.Info().Scans != 8 {
		t.Errorf("%d scans, want 8", r.Info().Scans)
	}
	raw, gaps, err := readAll(t, r)
	if want := []float32{1, 2, 3, 4, 5, 1, 2, 3}; err != nil || !same(raw, want) || gaps != nil {
		t.Errorf("%v, gaps %v, error %v; want %v", raw, gaps, err, want)
	}
	if sizes := int64(3*44 + 6 + 2 + 6); done != sizes || total != sizes {
		t.Errorf("progress ended at %d of %d, want %d", done, total, sizes)
	}

	_, err = Open([]string{a, two, filepath.Join(dir, "none.wav"), fast, amps, dir}, Options{})
	for _, want := range []string{
		"two.wav has 2 channels, but " + a + " has 1",
		"none.wav: cannot be read: no such file",
		"fast.wav has 2000 scans a second, but " + a + " has 1000",
		"amps.wav is in amperes, but " + a + " is in counts",
		"is a folder",
	} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error does not say %q:\n%v", want, err)
		}
	}
}

// Every fault names the file, the place and the remedy; whole scans before it
// are delivered.
func TestReadFaults(t *testing.T) {
	pcm := wavFormat(1, 2, 1000, 16)
	good := riff("fmt ", pcm, "data", "\x01\x00\x02\x00\x03\x00\x04\x00")
	var fl memFile
	writeTo(t, &fl, Layout{Kind: FLAC, Sample: Int16, Channels: 1, Rate: 1000, Unit: Counts}, ramp(5000))
	flac := fl.b
	badFlac := slices.Clone(flac)
	badFlac[len(badFlac)-600] ^= 4
	csv := "t,saw\n0,1\n0.001,2\n0.002,3\n"
	tests := []struct {
		name, file string
		scans      int // delivered before the error
		want       []string
	}{
		{"empty", "", 0, []string{"the file is empty"}},
		{"not a recording", "hello there, this is a letter", 0, []string{"not a recording", "t,<channel>"}},
		{"picture", "\x89PNG\r\n\x1a\n12345678", 0, []string{"not a recording"}},
		{"big-endian", "RIFX\x00\x00\x00\x00WAVE", 0, []string{"big-endian", "convert"}},
		{"avi", "RIFF\x00\x00\x00\x00AVI ", 0, []string{"not WAV"}},
		{"header only", string(good[:44]), 0, []string{"cut short", "0 whole scans of 2"}},
		{"half a header", string(good[:30]), 0, []string{"cut short at byte 20"}},
		{"no format", string(riff("data", "1234")), 0, []string{"no format chunk", "byte 12"}},
		{"no data", string(riff("fmt ", pcm)), 0, []string{"cut short at byte 36"}},
		{"cut in a scan", string(good[:len(good)-1]), 1, []string{"cut short", "1 whole scans of 2", "kerfwind trace cut"}},
		{"half a scan", string(riff("fmt ", pcm, "data", "\x01\x00\x02\x00\x03\x00")), 1, []string{"middle of a scan after 1 "}},
		{"no samples", string(riff("fmt ", pcm, "data", "")), 0, []string{"nothing was recorded"}},
		{"long chunk", string(riff("fmt ", pcm)) + "junk\xFF\xFF\xFF\x7F123", 0, []string{`chunk "junk" at byte 36`}},
		{"no channels", string(riff("fmt ", wavFormat(1, 0, 1000, 16), "data", "12")), 0, []string{"0 channels", "byte 12"}},
		{"no rate", string(riff("fmt ", wavFormat(1, 1, 0, 16), "data", "12")), 0, []string{"a rate of 0"}},
		{"12 bits", string(riff("fmt ", wavFormat(1, 1, 1000, 12), "data", "12")), 0, []string{"12 bits", "convert"}},
		{"law", string(riff("fmt ", wavFormat(7, 1, 1000, 8), "data", "12")), 0, []string{"format 7 with 8 bits"}},
		{"align", string(riff("fmt ", pcm[:12]+"\x03\x00"+pcm[14:], "data", "1234")), 0, []string{"3 bytes a scan", "need 4"}},
		{"short format", string(riff("fmt ", pcm[:14], "data", "1234")), 0, []string{"14 bytes"}},
		{"sub-format", string(riff("fmt ", "\xFE\xFF"+pcm[2:]+strings.Repeat("x", 24), "data", "1234")), 0, []string{"unknown sub-format"}},

		{"flac header", string(flac[:20]), 0, []string{"FLAC header is damaged or cut short"}},
		{"flac cut", string(flac[:len(flac)/2]), 2048, []string{"cut short", "2048 whole scans of 5000"}},
		{"flac damaged", string(badFlac), 0, []string{"damaged after 0 scans", "near byte", "checksum"}},

		{"no rows", "t,saw\n", 0, []string{"0 rows"}},
		{"one row", "t,saw\n0,1\n", 0, []string{"1 rows", "two are needed"}},
		{"no channel", "t\n0\n1\n", 0, []string{"test:1: ", "no channel"}},
		{"semicolons", "t;saw\n0;1\n", 0, []string{"test:1: ", "semicolons"}},
		{"time column", "time,saw\n0,1\n", 0, []string{"test:1: ", `the first column is "time"`}},
		{"nameless", "t,saw,\n0,1,2\n", 0, []string{"test:1: ", "column 3 has no name"}},
		{"twice", "t,saw,saw\n0,1,2\n", 0, []string{"test:1: ", `two columns are named "saw"`}},
		{"text", csv + "0.003,four\n", 3, []string{"test:5: column 2", `"four"`, "use a point"}},
		{"text at once", "t,saw\n0,x\n", 0, []string{"test:2: column 2"}},
		{"time text", csv + "noon,4\n", 3, []string{"test:5: ", `the time "noon"`}},
		{"time nan", csv + "nan,4\n", 3, []string{"test:5: ", `the time "nan"`}},
		{"too few", csv + "0.003\n", 3, []string{"test:5: ", "0 channels, but the header has 1"}},
		{"too many", csv + "0.003,4,5\n", 3, []string{"test:5: ", "more cells"}},
		{"backwards", csv + "0.001,4\n", 3, []string{"test:5: ", "0.001 does not come after 0.002"}},
		{"same time", csv + "0.002,4\n", 3, []string{"test:5: ", "in order of time"}},
		{"all the same time", "t,saw\n1,1\n1,2\n", 0, []string{"test:2: ", "up to line 3", "must increase"}},
		{"faster", csv + "0.0022,4\n", 3, []string{"test:5: ", "must keep one rate"}},
		{"far jump", csv + "1e300,4\n", 3, []string{"test:5: ", "damaged"}},
		{"microseconds", "t,saw\n0,1\n1e-8,2\n", 0, []string{"in seconds?"}},
		{"torn row", csv + "0.0", 3, []string{"middle of a scan after 3 "}},
		{"torn cell", csv + "0.003,-", 3, []string{"middle of a scan after 3 "}},
		{"long line", csv + "0.003," + strings.Repeat("4", 70000) + "\n", 3, []string{"test:5: ", "longer than 64 KiB"}},
	}
	for _, tt := range tests {
		raw, info, err := readBytes(t, []byte(tt.file), Options{})
		if err == nil {
			t.Errorf("%s: no error", tt.name)
			continue
		}
		for _, want := range append(tt.want, "test") {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: error does not say %q: %v", tt.name, want, err)
			}
		}
		if got := len(raw) / max(info.Channels, 1); got != tt.scans {
			t.Errorf("%s: %d scans before the error, want %d", tt.name, got, tt.scans)
		}
		var cut *TruncatedError
		if errors.As(err, &cut) && tt.scans > 0 {
			raw, _, err := readBytes(t, []byte(tt.file), Options{AllowTruncated: true})
			if err != nil || len(raw)/info.Channels != tt.scans {
				t.Errorf("%s: allowed, but %d scans and error %v", tt.name, len(raw)/info.Channels, err)
			}
		}
	}
	if _, err := Open([]string{"-", "-"}, Options{}); err == nil || !strings.Contains(err.Error(), "twice") {
		t.Errorf("standard input twice: %v", err)
	}
	if _, err := Open(nil, Options{}); err == nil {
		t.Error("no file, but no error")
	}
}

func TestReadCSV(t *testing.T) {
	nan := float32(math.NaN())
	file := bom + "t, \"band saw\" ,planer\r\n" +
		"5.000,1,-2.5\r\n5.002,,nan\r\n\r\n5.004, 3 ,\"4\"\r\n" + // blank line, missing, blanks, quotes
		"5.010,5,1e2\r\n5.012,6,Inf" // two scans missing before; no end of line
	for _, frame := range []int{1, 2, 100} {
		r, err := NewReader("test", strings.NewReader(file), Options{FrameScans: frame})
		if err != nil {
			t.Fatal(err)
		}
		raw, gaps, err := readAll(t, r)
		want := []float32{1, -2.5, nan, nan, 3, 4, 5, 100, 6, float32(math.Inf(1))}
		if err != nil || !same(raw, want) {
			t.Errorf("frames of %d: %v, error %v; want %v", frame, raw, err, want)
		}
		if !slices.Equal(gaps, []gap{{3, 2}}) {
			t.Errorf("frames of %d: gaps %v", frame, gaps)
		}
		if i := r.Info(); i.Rate != 500 || !slices.Equal(i.Names, []string{"band saw", "planer"}) || i.Unit != Amperes || i.Scans != -1 {
			t.Errorf("info %+v", i)
		}
	}
}

// Time stamps rounded to few digits still give the rate.
func TestCSVRate(t *testing.T) {
	for _, tt := range []struct {
		rate   float64
		digits int
		rows   int
	}{
		{2000, 4, 1000}, {2000, 6, 3}, {1000, 3, 2}, {999, 6, 1000}, {1920, 6, 1000}, {3333, 6, 1000},
		{7, 3, 50}, {0.5, 0, 5}, {44100, 9, 1000}, {96000, 9, 500}, {1e6, 6, 1000}, {12.5, 3, 20},
	} {
		for _, from := range []float64{0, 86400 * 3} {
			var b strings.Builder
			b.WriteString("t,a\n")
			for i := range tt.rows {
				if i > tt.rows/2 && tt.rows > 10 {
					i += 5 // a gap does not disturb it
				}
				fmt.Fprintf(&b, "%.*f,0\n", tt.digits, from+float64(i)/tt.rate)
			}
			r, err := NewReader("test", strings.NewReader(b.String()), Options{})
			if err != nil {
				t.Errorf("%v scans/s with %d digits: %v", tt.rate, tt.digits, err)
				continue
			}
			if r.Info().Rate != tt.rate {
				t.Errorf("%v scans/s with %d digits read as %v", tt.rate, tt.digits, r.Info().Rate)
			}
			_, gaps, err := readAll(t, r)
			if err != nil || len(gaps) > 1 || len(gaps) == 1 && gaps[0].missing != 5 {
				t.Errorf("%v scans/s with %d digits: gaps %v, error %v", tt.rate, tt.digits, gaps, err)
			}
		}
	}
	// A rate that changes is told.
	var b strings.Builder
	b.WriteString("t,a\n")
	for i := range 2000 {
		fmt.Fprintf(&b, "%.4f,0\n", float64(i)/1000)
	}
	for i := range 100 {
		fmt.Fprintf(&b, "%.4f,0\n", 2+float64(i)/500)
	}
	_, _, err := readBytes(t, []byte(b.String()), Options{})
	if err == nil || !strings.Contains(err.Error(), "keep one rate") {
		t.Errorf("a rate that halves: %v", err)
	}
}

// Times are quotients of whole numbers, wherever the scan is.
func TestInstant(t *testing.T) {
	for _, tt := range []struct {
		index uint64
		rate  float64
		want  time.Duration
	}{
		{0, 2000, 0}, {1, 2000, 500 * time.Microsecond}, {1, 3, 333333333}, {2, 3, 666666667},
		{2000 * 86400 * 365, 2000, 365 * 24 * time.Hour}, {86400 * 3333, 3333, 24 * time.Hour},
		{5, 12.5, 400 * time.Millisecond}, {math.MaxUint64, 1, math.MaxInt64}, {math.MaxUint64, 0.5, math.MaxInt64},
	} {
		if got := Instant(tt.index, tt.rate); got != tt.want {
			t.Errorf("scan %d at %v/s: %v, want %v", tt.index, tt.rate, got, tt.want)
		}
	}
}

// The manifest beside the shared recordings tells their rates and units.
func TestSharedRecordings(t *testing.T) {
	folder := peers.Shared(t, "traces")
	manifest, err := os.ReadFile(filepath.Join(folder, "manifest.csv"))
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, line := range strings.Split(string(manifest), "\n")[1:] {
		if line == "" {
			continue
		}
		cells := strings.Split(strings.ReplaceAll(line, `, no load, `, ` `), ",")
		r, err := Open([]string{filepath.Join(folder, cells[0])}, Options{})
		if err != nil {
			t.Error(err)
			continue
		}
		raw, _, err := readAll(t, r)
		if err != nil || int64(len(raw)) != r.Info().Scans {
			t.Errorf("%s: %d samples, error %v", cells[0], len(raw), err)
		}
		if got := fmt.Sprint(r.Info().Rate); got != cells[4] {
			t.Errorf("%s: %s scans/s, the manifest says %s", cells[0], got, cells[4])
		}
		n++
	}
	if n < 10 {
		t.Errorf("only %d recordings", n)
	}
}
