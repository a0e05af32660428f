package sensor_test

import (
	"testing"
	"time"

	"kerfwind/sensor"
)

// wave is close enough to a sine, of 40 samples a cycle, and the same on every
// processor: a parabola for each half.
func wave(n int, amplitude, middle float64, phase int) float32 {
	k := (n + phase) % 40
	x := float64(k%20)/10 - 1
	y := float64(amplitude * (1 - float64(x*x)))
	if k >= 20 {
		y = -y
	}
	return float32(middle + y)
}

func benchFrame() *sensor.Frame {
	const channels, scans = 8, 40
	f := &sensor.Frame{Channels: channels, Rate: 2000, Raw: make([]float32, channels*scans)}
	for i := range f.Raw {
		amplitude := 2.0 // idle
		if i%channels < 3 {
			amplitude = 300 // running
		}
		f.Raw[i] = wave(i/channels, amplitude, 2048, i%channels)
	}
	return f
}

var sink float64

func sumOfSquares(raw []float32) float64 {
	s := 0.0
	for _, v := range raw {
		x := float64(v)
		s += float64(x * x)
	}
	return s
}

// BenchmarkFeedInrush is the same while one channel is so loud that the others'
// own current is told from its crosstalk.
func BenchmarkFeedInrush(b *testing.B) {
	f := benchFrame()
	for i := 0; i < len(f.Raw); i += f.Channels {
		f.Raw[i] = wave(i/f.Channels, 1900, 2048, 0)
	}
	p := sensor.Params{Mains: 50}
	for i := range f.Channels {
		p.Channels = append(p.Channels, sensor.ChannelParams{
			Used: true, Channel: i, Scale: 0.024, Max: 4095, Start: 0.6, Stop: 0.4, StopHold: time.Second,
		})
	}
	d := newDetector(b, p)
	out := make([]sensor.Reading, 0, 64)
	const turn = 200
	best := never
	b.ReportAllocs()
	for b.Loop() {
		t0 := b.Elapsed()
		for range turn {
			out = d.Feed(f, out[:0])
			f.Index += uint64(f.Scans())
			f.At = time.Duration(f.Index) * (time.Second / 2000)
		}
		best = min(best, b.Elapsed()-t0)
	}
	b.ReportMetric(float64(best)/float64(turn*len(f.Raw)), "ns/sample")
}

// BenchmarkFeed is raw samples to readings: 8 interleaved channels at 2 kS/s,
// three of them running, beside a plain float64 sum of squares over the same
// buffer. The two take turns, and the best turn of each counts, so that a busy
// computer does not blur the ratio.
func BenchmarkFeed(b *testing.B) {
	f := benchFrame()
	p := sensor.Params{Mains: 50}
	for i := range f.Channels {
		p.Channels = append(p.Channels, sensor.ChannelParams{
			Used: true, Channel: i, Scale: 0.024, Max: 4095, Start: 0.6, Stop: 0.4, StopHold: time.Second,
		})
	}
	d := newDetector(b, p)
	out := make([]sensor.Reading, 0, 64)
	feed := func() {
		out = d.Feed(f, out[:0])
		f.Index += uint64(f.Scans())
		f.At = time.Duration(f.Index) * (time.Second / 2000)
	}
	for range 1000 { // past the starts
		feed()
	}
	const turn = 200
	plain, ours := never, never
	b.ReportAllocs()
	for b.Loop() {
		t0 := b.Elapsed()
		for range turn {
			sink = sumOfSquares(f.Raw)
		}
		t1 := b.Elapsed()
		for range turn {
			feed()
		}
		plain, ours = min(plain, t1-t0), min(ours, b.Elapsed()-t1)
	}
	samples := float64(turn * len(f.Raw))
	b.ReportMetric(float64(ours)/samples, "ns/sample")
	b.ReportMetric(float64(plain)/samples, "plain-ns/sample")
	b.ReportMetric(float64(ours)/float64(plain), "ratio")
}

const never = time.Duration(1<<63 - 1)
