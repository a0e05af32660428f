package trace

import (
	"bytes"
	"encoding/binary"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"kerfwind/sensor"
	"kerfwind/testdata/peers"
)

// memFile is a file in memory that can seek.
type memFile struct {
	b  []byte
	at int
}

func (m *memFile) Write(p []byte) (int, error) {
	if need := m.at + len(p); need > len(m.b) {
		m.b = append(m.b, make([]byte, need-len(m.b))...)
	}
	m.at += copy(m.b[m.at:], p)
	return len(p), nil
}

func (m *memFile) Seek(off int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		off += int64(m.at)
	case io.SeekEnd:
		off += int64(len(m.b))
	}
	m.at = int(off)
	return off, nil
}

// ramp is a recording of one channel that rises by one a scan.
func ramp(n int) []float32 {
	raw := make([]float32, n)
	for i := range raw {
		raw[i] = float32(i)
	}
	return raw
}

// noise is a recording of a hum with noise on it, in whole counts.
func noise(n, channels int, limit float64) []float32 {
	rnd := rand.New(rand.NewPCG(1, 2))
	raw := make([]float32, n*channels)
	for i := range raw {
		x := 0.5*math.Sin(float64(i/channels)*0.31) + 0.1*rnd.NormFloat64()
		raw[i] = float32(math.Round(max(-1, min(x, 1)) * limit))
	}
	raw[0], raw[channels] = float32(-limit-1), float32(limit) // the ends of the range
	return raw
}

// writeTo writes one recording in frames of odd lengths.
func writeTo(t testing.TB, w io.Writer, l Layout, raw []float32) {
	t.Helper()
	tw, err := NewWriter(w, l)
	if err != nil {
		t.Fatal(err)
	}
	scans := len(raw) / l.Channels
	for at, n := 0, 1; at < scans; at, n = at+n, n*3%1000+1 {
		n = min(n, scans-at)
		f := sensor.Frame{Channels: l.Channels, Rate: l.Rate, Index: uint64(at), Raw: raw[at*l.Channels : (at+n)*l.Channels]}
		if err := tw.Write(&f); err != nil {
			t.Fatal(err)
		}
	}
	if err := tw.Close(); err != nil {
		t.Fatal(err)
	}
}

// layouts are all ways to write, with a recording that each keeps exactly.
func layouts() (out []struct {
	name string
	l    Layout
	raw  []float32
}) {
	add := func(name string, l Layout, raw []float32) {
		l.Rate = 2000
		out = append(out, struct {
			name string
			l    Layout
			raw  []float32
		}{name, l, raw})
	}
	for _, ch := range []int{1, 2, 3, 8} {
		s := "-" + strconv.Itoa(ch)
		add("wav16"+s, Layout{Kind: WAV, Sample: Int16, Channels: ch, Unit: Counts}, noise(3001, ch, 1<<15-1))
		add("wav24"+s, Layout{Kind: WAV, Sample: Int24, Channels: ch, Unit: Counts}, noise(3001, ch, 1<<23-1))
		add("wav16rf64"+s, Layout{Kind: WAV, Sample: Int16, Channels: ch, Unit: Counts, RF64: true}, noise(3001, ch, 1<<15-1))
		add("flac16"+s, Layout{Kind: FLAC, Sample: Int16, Channels: ch, Unit: Counts}, noise(3001, ch, 1<<15-1))
		add("flac24"+s, Layout{Kind: FLAC, Sample: Int24, Channels: ch, Unit: Counts}, noise(3001, ch, 1<<23-1))
		amps := noise(3001, ch, 1<<15-1)
		for i := range amps {
			amps[i] *= 0.0007324219
		}
		add("wavfloat"+s, Layout{Kind: WAV, Sample: Float32, Channels: ch, Unit: Amperes}, amps)
		add("csv"+s, Layout{Kind: CSV, Channels: ch, Unit: Amperes}, amps)
	}
	add("wavfloatcounts", Layout{Kind: WAV, Sample: Float32, Channels: 2, Unit: Counts}, noise(3001, 2, 1<<15-1))
	return out
}

// What is written is read back to the bit, from a file and from a pipe.
func TestRoundTrip(t *testing.T) {
	for _, tt := range layouts() {
		for _, pipe := range []bool{false, true} {
			if pipe && tt.l.RF64 {
				continue
			}
			var file memFile
			var buf bytes.Buffer
			if pipe {
				writeTo(t, &buf, tt.l, tt.raw)
			} else {
				writeTo(t, &file, tt.l, tt.raw)
				buf.Write(file.b)
			}
			raw, info, err := readBytes(t, buf.Bytes(), Options{})
			if err != nil || !same(raw, tt.raw) {
				t.Errorf("%s, pipe %v: %d samples of %d, error %v", tt.name, pipe, len(raw), len(tt.raw), err)
			}
			if info.Channels != tt.l.Channels || info.Rate != tt.l.Rate || info.Unit != tt.l.Unit {
				t.Errorf("%s: info %+v", tt.name, info)
			}
			if !pipe && tt.l.Kind != CSV && info.Scans != 3001 {
				t.Errorf("%s: the header says %d scans", tt.name, info.Scans)
			}
			if tt.l.RF64 && string(buf.Bytes()[:4]) != "RF64" {
				t.Errorf("%s: begins with %q", tt.name, buf.Bytes()[:4])
			}
		}
	}
}

// Beyond 4 GiB the header becomes RF64. The limit is lowered here; the sizes
// beyond it are put together with a file that forgets its samples.
func TestWriteRF64(t *testing.T) {
	l := Layout{Kind: WAV, Sample: Int16, Channels: 1, Rate: 2000, Unit: Counts}
	for _, n := range []int{100, 101} {
		var file memFile
		w, err := newWAVWriter(&file, l)
		if err != nil {
			t.Fatal(err)
		}
		w.limit = 4 + 36 + 24 + 8 + 2*100
		if err := w.Write(&sensor.Frame{Channels: 1, Rate: 2000, Raw: ramp(n)}); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		want := map[int]string{100: "RIFF", 101: "RF64"}[n]
		if got := string(file.b[:4]); got != want {
			t.Errorf("%d samples: %q, want %q", n, got, want)
		}
		if raw, _, err := readBytes(t, file.b, Options{}); err != nil || !same(raw, ramp(n)) {
			t.Errorf("%d samples: read back %d, error %v", n, len(raw), err)
		}
	}
	var file memFile
	w, err := newWAVWriter(&file, l)
	if err != nil {
		t.Fatal(err)
	}
	w.bytes, w.scans = 5<<30, 5<<29
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	le := binary.LittleEndian
	if string(file.b[:4]) != "RF64" || string(file.b[12:16]) != "ds64" || le.Uint32(file.b[4:]) != math.MaxUint32 ||
		le.Uint64(file.b[20:]) != 5<<30+72 || le.Uint64(file.b[28:]) != 5<<30 || le.Uint64(file.b[36:]) != 5<<29 {
		t.Errorf("header %q", file.b[:48])
	}
}

// A jump of the index is a time jump in CSV, missing samples in float WAV, and
// an error in an integer file unless the lowest code may stand for it.
func TestWriteGaps(t *testing.T) {
	nan := float32(math.NaN())
	frames := []sensor.Frame{
		{Index: 7, Channels: 1, Rate: 100, Raw: []float32{1, nan}},
		{Index: 12, Channels: 1, Rate: 100, Raw: []float32{4, 5}},
	}
	write := func(l Layout) ([]byte, error) {
		l.Channels, l.Rate = 1, 100
		var b memFile
		w, err := NewWriter(&b, l)
		if err != nil {
			t.Fatal(err)
		}
		for i := range frames {
			if err := w.Write(&frames[i]); err != nil {
				return nil, err
			}
		}
		err = w.Close()
		return b.b, err
	}
	for _, tt := range []struct {
		l    Layout
		want []float32
	}{
		{Layout{Kind: CSV, Unit: Amperes}, []float32{1, nan, 4, 5}},
		{Layout{Kind: WAV, Sample: Float32, Unit: Amperes}, []float32{1, nan, nan, nan, nan, 4, 5}},
		{Layout{Kind: WAV, Sample: Int16, Unit: Counts, LowestIsGap: true}, []float32{1, -32768, -32768, -32768, -32768, 4, 5}},
		{Layout{Kind: FLAC, Sample: Int24, Unit: Counts, LowestIsGap: true}, []float32{1, -1 << 23, -1 << 23, -1 << 23, -1 << 23, 4, 5}},
	} {
		b, err := write(tt.l)
		if err != nil {
			t.Fatal(err)
		}
		r, err := NewReader("test", bytes.NewReader(b), Options{})
		if err != nil {
			t.Fatal(err)
		}
		raw, gaps, err := readAll(t, r)
		if err != nil || !same(raw, tt.want) {
			t.Errorf("%+v: %v, error %v, want %v", tt.l, raw, err, tt.want)
		}
		if tt.l.Kind == CSV && !slices.Equal(gaps, []gap{{2, 3}}) {
			t.Errorf("CSV gaps %v", gaps)
		}
	}
	for _, k := range []Kind{WAV, FLAC} {
		_, err := write(Layout{Kind: k, Sample: Int16, Unit: Counts})
		if err == nil || !strings.Contains(err.Error(), "misses a sample at 0.010 s") {
			t.Errorf("a gap in an integer file: %v", err)
		}
	}
}

func TestWriteFaults(t *testing.T) {
	good := Layout{Kind: WAV, Sample: Int16, Channels: 1, Rate: 1000, Unit: Counts}
	for _, tt := range []struct {
		want string
		edit func(*Layout)
	}{
		{"no file format", func(l *Layout) { l.Kind = 0 }},
		{"0 channels", func(l *Layout) { l.Channels = 0 }},
		{"9 channels", func(l *Layout) { l.Kind, l.Channels = FLAC, 9 }},
		{"NaN scans a second", func(l *Layout) { l.Rate = math.NaN() }},
		{"whole rates only", func(l *Layout) { l.Rate = 33.5 }},
		{"32-bit floats", func(l *Layout) { l.Kind, l.Sample = FLAC, Float32 }},
		{"at most 655350", func(l *Layout) { l.Kind, l.Rate = FLAC, 1e6 }},
		{"integer files hold counts", func(l *Layout) { l.Unit = Amperes }},
		{"CSV holds amperes", func(l *Layout) { l.Kind = CSV }},
		{"channel names", func(l *Layout) { l.Names = []string{"a", "b"} }},
		{"cannot stand in a CSV header", func(l *Layout) { l.Kind, l.Unit, l.Names = CSV, Amperes, []string{"a,b"} }},
		{"a pipe cannot", func(l *Layout) { l.RF64 = true }},
	} {
		l := good
		tt.edit(&l)
		if _, err := NewWriter(io.Discard, l); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("want an error with %q, got %v", tt.want, err)
		}
	}
	for _, tt := range []struct {
		want string
		f    sensor.Frame
	}{
		{"2 channels", sensor.Frame{Channels: 2, Rate: 1000, Raw: ramp(2)}},
		{"2000 scans a second", sensor.Frame{Channels: 1, Rate: 2000, Raw: ramp(2)}},
		{"goes back", sensor.Frame{Channels: 1, Rate: 1000, Index: 3, Raw: ramp(2)}},
		{"more than a day", sensor.Frame{Channels: 1, Rate: 1000, Index: 1e9, Raw: ramp(2)}},
		{"does not fit into 16 bits", sensor.Frame{Channels: 1, Rate: 1000, Index: 10, Raw: []float32{32768}}},
	} {
		w, err := NewWriter(io.Discard, good)
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Write(&sensor.Frame{Channels: 1, Rate: 1000, Raw: ramp(10)}); err != nil {
			t.Fatal(err)
		}
		if err := w.Write(&tt.f); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("want an error with %q, got %v", tt.want, err)
		}
	}
}

// sox reads what is written here, and what sox writes is read here, to the bit.
// flac -t checks the checksums and the MD5 of the FLAC files. libsndfile reads
// RF64, which sox does not know.
func TestAgainstSox(t *testing.T) {
	sox := peers.Require(t, "sox", "Debian package sox")
	check := peers.Require(t, "flac", "Debian package flac")
	convert := peers.Require(t, "sndfile-convert", "Debian package sndfile-programs")
	dir := t.TempDir()
	run := func(in []byte, name string, arg ...string) []byte {
		t.Helper()
		cmd := exec.Command(name, arg...)
		cmd.Stdin = bytes.NewReader(in)
		var out, msg bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &msg
		if err := cmd.Run(); err != nil {
			t.Fatalf("%s %v: %v\n%s", name, arg, err, msg.Bytes())
		}
		return out.Bytes()
	}
	for _, tt := range layouts() {
		if tt.l.Kind == CSV {
			continue
		}
		if tt.l.Sample == Float32 {
			tt.raw = noise(3001, tt.l.Channels, 1<<15-1)
			for i := range tt.raw {
				tt.raw[i] /= 1 << 15 // sox keeps 32-bit fractions of 1
			}
		}
		ext := map[Kind]string{WAV: "wav", FLAC: "flac"}[tt.l.Kind]
		path := filepath.Join(dir, tt.name+"."+ext)
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		writeTo(t, f, tt.l, tt.raw)
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		if tt.l.RF64 {
			out := filepath.Join(dir, "converted.wav")
			run(nil, convert, path, out)
			path = out
		}
		if tt.l.Kind == FLAC {
			run(nil, check, "--totally-silent", "-t", path)
		}
		kind := "signed-integer"
		if tt.l.Sample == Float32 {
			kind = "floating-point"
		}
		raw := []string{"-t", "raw", "-e", kind, "-b", strconv.Itoa(tt.l.Sample.bits()), "-L"}
		want := stored(tt.l.Sample, tt.raw)
		if got := run(nil, sox, append(append([]string{"-D", path}, raw...), "-")...); !bytes.Equal(got, want) {
			t.Errorf("%s: sox reads %d bytes, not the %d written", tt.name, len(got), len(want))
		}
		// And back: sox writes a file, and into a pipe, with sizes it cannot know.
		in := append(append([]string{"-D"}, raw...), "-r", "2000", "-c", strconv.Itoa(tt.l.Channels), "-", "-t", ext)
		back := filepath.Join(dir, "back."+ext)
		run(want, sox, append(in, back)...)
		r, err := Open([]string{back}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if samples, _, err := readAll(t, r); err != nil || !same(samples, tt.raw) {
			t.Errorf("%s: sox's file reads as %d samples, error %v", tt.name, len(samples), err)
		}
		piped := run(want, sox, append(in, "-")...)
		if samples, _, err := readBytes(t, piped, Options{}); err != nil || !same(samples, tt.raw) {
			t.Errorf("%s: sox's pipe reads as %d samples, error %v", tt.name, len(samples), err)
		}
	}
}

// stored lays samples out as little-endian integers or floats.
func stored(s Sample, raw []float32) (b []byte) {
	for _, v := range raw {
		u := uint32(int32(v))
		if s == Float32 {
			u = math.Float32bits(v)
		}
		b = append(b, binary.LittleEndian.AppendUint32(nil, u)[:s.bits()/8]...)
	}
	return b
}

// FLAC blocks of odd lengths and shapes: constant, steps, full-scale noise, the
// ends of the range in turn. The reference decoder checks the files too.
func TestFLACShapes(t *testing.T) {
	check := peers.Require(t, "flac", "Debian package flac")
	rnd := rand.New(rand.NewPCG(3, 4))
	shapes := map[string]func(i int, limit float64) float64{
		"constant": func(int, float64) float64 { return -7 },
		"steps":    func(i int, limit float64) float64 { return float64(i/100%2) * limit },
		"noise":    func(_ int, limit float64) float64 { return math.Round((2*rnd.Float64() - 1) * limit) },
		"ends":     func(i int, limit float64) float64 { return float64(i%2)*(2*limit+1) - limit - 1 },
		"bursts":   func(i int, limit float64) float64 { return math.Round(rnd.NormFloat64() * float64(1+i/64%2*60)) },
	}
	for name, shape := range shapes {
		for _, n := range []int{1, 2, 4, 5, 6, 15, 33, 64, 1023, 1024, 1025, 1100, 5000} {
			for _, s := range []Sample{Int16, Int24} {
				limit := float64(int(1)<<(s.bits()-1) - 1)
				raw := make([]float32, n)
				for i := range raw {
					raw[i] = float32(shape(i, limit))
				}
				var m memFile
				writeTo(t, &m, Layout{Kind: FLAC, Sample: s, Channels: 1, Rate: 2000, Unit: Counts}, raw)
				got, _, err := readBytes(t, m.b, Options{})
				if err != nil || !same(got, raw) {
					t.Errorf("%s, %d scans of %d bits: read back %d, error %v", name, n, s.bits(), len(got), err)
				}
				if most := n*s.bits()/8 + 64 + n/1024*16; len(m.b) > most {
					t.Errorf("%s, %d scans of %d bits: %d bytes, more than %d", name, n, s.bits(), len(m.b), most)
				}
				if n < 1000 {
					continue
				}
				cmd := exec.Command(check, "--totally-silent", "-t", "-")
				cmd.Stdin = bytes.NewReader(m.b)
				if out, err := cmd.CombinedOutput(); err != nil {
					t.Errorf("%s, %d scans of %d bits: flac -t: %v %s", name, n, s.bits(), err, out)
				}
			}
		}
	}
}

// Widths that are read but not written here come from sox, RF64 of another hand
// from libsndfile.
func TestReadOthers(t *testing.T) {
	sox := peers.Require(t, "sox", "Debian package sox")
	convert := peers.Require(t, "sndfile-convert", "Debian package sndfile-programs")
	dir := t.TempDir()
	raw := noise(3001, 3, 127)
	bytes8 := make([]byte, len(raw))
	for i, v := range raw {
		bytes8[i] = byte(int8(v))
	}
	for _, tt := range []struct {
		name  string
		scale float32
		args  []string
	}{
		{"u8.wav", 1, []string{"-b", "8", "-e", "unsigned-integer"}},
		{"s32.wav", 1 << 24, []string{"-b", "32", "-e", "signed-integer"}},
		{"f64.wav", 1.0 / 128, []string{"-b", "64", "-e", "floating-point"}},
		{"s16.rf64", 256, []string{"-b", "16"}},
	} {
		path := filepath.Join(dir, strings.TrimSuffix(tt.name, ".rf64"))
		if filepath.Ext(path) == "" {
			path += ".wav"
		}
		args := append([]string{"-D", "-t", "raw", "-e", "signed-integer", "-b", "8", "-r", "2000", "-c", "3", "-"}, tt.args...)
		cmd := exec.Command(sox, append(args, path)...)
		cmd.Stdin = bytes.NewReader(bytes8)
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("sox: %v\n%s", err, out)
		}
		if strings.HasSuffix(tt.name, ".rf64") {
			big := filepath.Join(dir, tt.name)
			if out, err := exec.Command(convert, path, big).CombinedOutput(); err != nil {
				t.Fatalf("sndfile-convert: %v\n%s", err, out)
			}
			if head, err := os.ReadFile(big); err != nil || string(head[:4]) != "RF64" {
				t.Fatalf("sndfile-convert has not written RF64: %v", err)
			}
			path = big
		}
		want := make([]float32, len(raw))
		for i, v := range raw {
			want[i] = v * tt.scale
		}
		r, err := Open([]string{path}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if got, _, err := readAll(t, r); err != nil || !same(got, want) {
			t.Errorf("%s: %d samples, error %v, begins %v, want %v", tt.name, len(got), err, got[:min(6, len(got))], want[:6])
		}
	}
}
