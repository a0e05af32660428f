package replay

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
	"kerfwind/testdata/peers"
)

// lines is an observer that keeps the JSON lines.
type lines struct {
	names *timeline.Names
	out   []byte
	ends  []int           // of each line in out
	at    []time.Duration // of each line
}

func (l *lines) Observe(_ *control.Snapshot, events []control.Event) {
	for _, e := range events {
		line := timeline.FromEvent(e, l.names)
		l.out = append(line.AppendJSON(l.out), '\n')
		l.ends = append(l.ends, len(l.out))
		l.at = append(l.at, e.At)
	}
}

// upTo is the part of the timeline with t <= end.
func (l *lines) upTo(end time.Duration) []byte {
	n := 0
	for i, at := range l.at {
		if at <= end {
			n = l.ends[i]
		}
	}
	return l.out[:n]
}

// replayed runs o to its end.
func replayed(t testing.TB, o Options) (*lines, time.Duration) {
	t.Helper()
	r, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	l := &lines{names: &r.Names}
	end, err := r.Run(context.Background(), nil, nil, l)
	if err != nil {
		t.Fatal(err)
	}
	return l, end
}

// wavFile is a recording in memory, cut and framed at will.
func wavFile(t testing.TB, raw []float32, channels int, rate float64, frame int) *trace.Reader {
	t.Helper()
	var b bytes.Buffer
	w, err := trace.NewWriter(&b, trace.Layout{Kind: trace.WAV, Sample: trace.Float32, Channels: channels, Rate: rate, Unit: trace.Amperes})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(&sensor.Frame{Channels: channels, Rate: rate, Raw: raw}); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := trace.NewReader("made.wav", &b, trace.Options{FrameScans: frame})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// shopSound makes currents of several machines with starts, stops, spikes and
// gaps at odd instants: what a detector may meet, made up for this test.
func shopSound(rng *rand.Rand, channels, scans int, rate float64) []float32 {
	raw := make([]float32, scans*channels)
	hz := 49.5 + rng.Float64()*11.1
	for c := range channels {
		on, amps := false, 0.0
		for i := range scans {
			if rng.Float64() < 1.5/rate {
				on, amps = !on, 0.3+rng.Float64()*12
			}
			v := rng.NormFloat64() * 0.02
			if on {
				v += amps * math.Sqrt2 * math.Sin(2*math.Pi*hz*float64(i)/rate+float64(c))
			}
			if rng.Float64() < 0.5/rate {
				v += 15
			}
			raw[i*channels+c] = float32(v)
		}
		for range rng.IntN(3) {
			from := rng.IntN(scans)
			for i := from; i < min(scans, from+rng.IntN(int(rate))); i++ {
				raw[i*channels+c] = float32(math.NaN())
			}
		}
	}
	return raw
}

// TestCutsAndPrefixes: where the frames are cut changes no byte of the
// timeline, and a recording cut at T gives exactly the events up to T.
func TestCutsAndPrefixes(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	events := 0
	for round := range 12 {
		channels, rate := 1+rng.IntN(5), []float64{1000, 2000, 1953, 441}[round%4]
		scans := int(rate) * 20
		raw := shopSound(rng, channels, scans, rate)
		whole, end := replayed(t, Options{Trace: wavFile(t, raw, channels, rate, 0)})
		events += len(whole.at)
		if want := trace.Instant(uint64(scans), rate); end != want {
			t.Fatalf("ends at %v, not %v", end, want)
		}
		for _, frame := range []int{1, 7, 33, 4096} {
			if frame == 1 && round > 2 {
				continue // slow
			}
			if got, _ := replayed(t, Options{Trace: wavFile(t, raw, channels, rate, frame)}); !bytes.Equal(got.out, whole.out) {
				t.Fatalf("round %d: frames of %d scans change the timeline", round, frame)
			}
		}
		for range 8 {
			cut := rng.IntN(scans)
			got, end := replayed(t, Options{Trace: wavFile(t, raw[:cut*channels], channels, rate, 0)})
			if want := whole.upTo(end); !bytes.Equal(got.out, want) {
				t.Fatalf("round %d: cut at %v:\ngot\n%s\nwant\n%s", round, end, got.out, want)
			}
		}
		// And cut just where something happens.
		for _, at := range whole.at[:min(len(whole.at), 10)] {
			for _, off := range []int{-1, 0, 1} {
				cut := min(max(int(math.Round(at.Seconds()*rate))+off, 0), scans)
				got, end := replayed(t, Options{Trace: wavFile(t, raw[:cut*channels], channels, rate, 0)})
				if want := whole.upTo(end); !bytes.Equal(got.out, want) {
					t.Fatalf("round %d: cut at %v:\ngot\n%s\nwant\n%s", round, end, got.out, want)
				}
			}
		}
	}
	if events < 100 {
		t.Errorf("only %d events: the test has hardly looked", events)
	}
}

// TestRecordings holds the starts of all recordings that are not in the
// repository: real recordings (FIRED, ITSC) and rebuilt ones (PLAID). Labels of
// the rebuilt ones are good to 10 ms.
func TestRecordings(t *testing.T) {
	manifest := peers.Shared(t, "traces", "manifest.csv")
	f, err := os.Open(manifest)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	col := func(name string) int { return slices.Index(rows[0], name) }
	starts := func(file string, scale float64, level float64) []timeline.Line {
		src, err := trace.Open([]string{filepath.Join(filepath.Dir(manifest), file)}, trace.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		r, err := New(Options{Trace: src, Amperes: true, Scale: scale, StandIn: config.StandInOptions{Start: level}})
		if err != nil {
			t.Fatal(err)
		}
		var got []timeline.Line
		if _, err := r.Run(context.Background(), nil, nil, observe(func(e control.Event) {
			if e.Kind == control.MachineStarted || e.Kind == control.MachineStopped || e.Kind == control.MachineUnknown {
				got = append(got, timeline.FromEvent(e, &r.Names))
			}
		})); err != nil {
			t.Fatal(err)
		}
		return got
	}
	seen := 0
	for _, row := range rows[1:] {
		file, dataset := row[col("file")], row[col("dataset")]
		seen++
		switch {
		case strings.HasPrefix(file, "rebuilt/"), strings.Contains(file, "fridge"), strings.Contains(file, "kettle"):
			scale := 1.0
			if strings.HasPrefix(file, "rebuilt/") {
				scale = 10 // to 10 A steady
			}
			label, err := strconv.ParseFloat(row[col("on_time_s")], 64)
			if err != nil {
				t.Fatal(err)
			}
			got := starts(file, scale, 0.6)
			if until, ok := peers.BelowUntil[file]; ok && len(got) == 1 && got[0].T.Seconds() >= until.Seconds() {
				label = until.Seconds()
			}
			if len(got) != 1 || got[0].Event != "machine-started" {
				t.Errorf("%s: want one start and nothing else, got %v", file, got)
				continue
			}
			if late := got[0].T.Seconds() - label; late < -0.010 || late > 0.060 {
				t.Errorf("%s: started %.0f ms after its label", file, 1000*late)
			}
		case strings.Contains(file, "television"):
			if got := starts(file, 1, 0.6); len(got) > 2 {
				t.Errorf("%s: more than one run at 0.6 A: %v", file, got)
			}
			if got := starts(file, 1, 2); len(got) != 0 {
				t.Errorf("%s: runs at 2 A: %v", file, got)
			}
		case strings.HasPrefix(dataset, "ITSC"): // runs from the first full window to the end
			got := starts(file, 1, 0.6)
			if len(got) != 1 || got[0].Event != "machine-started" || got[0].T > 40*time.Millisecond {
				t.Errorf("%s: want one start at once and no end, got %v", file, got)
			}
		default:
			t.Errorf("%s: no rule for it", file)
		}
	}
	if seen < 50 {
		t.Errorf("only %d recordings", seen)
	}
}

type observe func(control.Event)

func (f observe) Observe(_ *control.Snapshot, events []control.Event) {
	for _, e := range events {
		f(e)
	}
}

// TestMisfits: what does not fit together is said, not guessed.
func TestMisfits(t *testing.T) {
	rig, err := config.ParseRig("rig.toml", []byte(`format = 1
adc = [{ name = "a", chip = "mcp3208", port = "/dev/spidev0.0", rate = "1 kHz", vref = "3.3 V" }]
channel = [{ name = "c0", adc = "a", input = 0, ratio = "30 A : 1 V" }, { name = "c1", adc = "a", input = 1, ratio = "30 A : 1 V" }]
actuator = [{ name = "k0", kind = "relay", chip = "x", line = 1 }]
`))
	if err != nil {
		t.Fatal(err)
	}
	read := func(name, text string) *trace.Reader {
		r, err := trace.NewReader(name, strings.NewReader(text), trace.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	counts := func(channels int) *trace.Reader {
		var b bytes.Buffer
		w, err := trace.NewWriter(&b, trace.Layout{Kind: trace.WAV, Sample: trace.Int16, Channels: channels, Rate: 1000, Unit: trace.Counts})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		return read("counts.wav", b.String())
	}
	for _, c := range []struct {
		name string
		o    Options
		want string
	}{
		{"counts without a rig", Options{Trace: counts(1)}, "the recording holds raw counts: give --rig FILE"},
		{"too few channels", Options{Trace: counts(1), Rig: rig}, "the recording has 1 channel, the rig has 2"},
		{"no such column", Options{Trace: read("x.csv", "t,c0,saw\n0,1,1\n0.001,1,1\n"), Rig: rig}, "the recording has no column for the rig's c1: its header names c0, saw"},
		{"too slow", Options{Trace: read("x.csv", "t,a\n0,1\n0.01,1\n0.02,1\n")}, "the recording has 100 scans a second"},
		{"bad plant", Options{Trace: counts(2), Rig: rig, Plant: strings.NewReader("at noon gate x sticks\n"), PlantName: "p.txt"}, "p.txt:1: "},
	} {
		_, err := New(c.o)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.name, err, c.want)
		}
	}
	// Columns in another order are found by name.
	src := "t,c1,c0\n"
	for i := range 2000 {
		src += fmt.Sprintf("%g,%g,0\n", float64(i)/1000, 8*math.Sqrt2*math.Sin(2*math.Pi*50*float64(i)/1000))
	}
	r, err := New(Options{Trace: read("x.csv", src), Rig: rig})
	if err != nil {
		t.Fatal(err)
	}
	l := &lines{names: &r.Names}
	if _, err := r.Run(context.Background(), nil, nil, l); err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(l.out, []byte(`"event":"machine-started","machine":"c1"`)) || bytes.Contains(l.out, []byte(`"c0"`)) {
		t.Errorf("want c1 to start alone:\n%s", l.out)
	}
}

// TestTruncatedStillTells: the whole scans of a recording that was cut short
// are replayed, and then the error comes.
func TestTruncatedStillTells(t *testing.T) {
	raw := shopSound(rand.New(rand.NewPCG(3, 4)), 1, 5000, 1000)
	var b bytes.Buffer
	w, err := trace.NewWriter(&seeker{&b}, trace.Layout{Kind: trace.WAV, Sample: trace.Float32, Channels: 1, Rate: 1000, Unit: trace.Amperes})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(&sensor.Frame{Channels: 1, Rate: 1000, Raw: raw}); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	data := b.Bytes()[:b.Len()-1] // half a scan is missing at the end
	src, err := trace.NewReader("cut.wav", bytes.NewReader(data), trace.Options{})
	if err != nil {
		t.Fatal(err)
	}
	r, err := New(Options{Trace: src})
	if err != nil {
		t.Fatal(err)
	}
	end, err := r.Run(context.Background(), nil, nil)
	if err == nil || !strings.Contains(err.Error(), "cut.wav") {
		t.Errorf("error %v", err)
	}
	if end < 4900*time.Millisecond {
		t.Errorf("only %v replayed", end)
	}
}

// seeker hides that a buffer cannot seek: it is written front to back only.
type seeker struct{ io.Writer }

// BenchmarkReplay is the whole way from an int16 WAV file to events: 8
// channels at 2,000 scans a second, a machine running a third of the time. It
// reports how many times faster than real it is.
func BenchmarkReplay(b *testing.B) {
	const rate, seconds, channels = 2000, 600, 8
	path := filepath.Join(b.TempDir(), "b.wav")
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	w, err := trace.NewWriter(f, trace.Layout{Kind: trace.WAV, Sample: trace.Int16, Channels: channels, Rate: rate, Unit: trace.Counts})
	if err != nil {
		b.Fatal(err)
	}
	raw := make([]float32, rate*channels)
	rng := rand.New(rand.NewPCG(5, 6))
	for s := range seconds {
		for i := range rate {
			for c := range channels {
				v := rng.NormFloat64() * 2
				if (s/20+c)%3 == 0 {
					v += 300 * math.Sin(2*math.Pi*60*float64(i)/rate)
				}
				raw[i*channels+c] = float32(math.Round(v))
			}
		}
		if err := w.Write(&sensor.Frame{Channels: channels, Index: uint64(s * rate), Rate: rate, Raw: raw}); err != nil {
			b.Fatal(err)
		}
	}
	if err := errors.Join(w.Close(), f.Close()); err != nil {
		b.Fatal(err)
	}
	b.ResetTimer()
	for b.Loop() {
		src, err := trace.Open([]string{path}, trace.Options{})
		if err != nil {
			b.Fatal(err)
		}
		_, end := replayed(b, Options{Trace: src, Amperes: true, Scale: 0.05})
		if end != seconds*time.Second {
			b.Fatal(end)
		}
		if err := src.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
	b.ReportMetric(b.Elapsed().Seconds()*1e9/float64(b.N)/(rate*seconds*channels), "ns/sample")
}
