package trace

import (
	"bytes"
	"errors"
	"io"
	"testing"

	"kerfwind/sensor"
)

// benchmarkRead reads a recording of 8 channels of a hum with noise, 12-bit, at
// 2 kS/s, and reports the time a sample and the multiple of real time.
func benchmarkRead(b *testing.B, l Layout, scale float32) {
	l.Channels, l.Rate = 8, 2000
	const scans = 60 * 2000
	raw := noise(scans, l.Channels, 2047)
	for i := range raw {
		raw[i] *= scale
	}
	var m memFile
	writeTo(b, &m, l, raw)
	b.SetBytes(int64(len(m.b)))
	b.ReportAllocs()
	var f sensor.Frame
	for b.Loop() {
		r, err := NewReader("bench", bytes.NewReader(m.b), Options{})
		if err != nil {
			b.Fatal(err)
		}
		n := 0
		for err = r.Next(&f); err == nil; err = r.Next(&f) {
			n += f.Scans()
		}
		if !errors.Is(err, io.EOF) || n != scans {
			b.Fatalf("%d scans, error %v", n, err)
		}
	}
	second := b.Elapsed().Seconds() / float64(b.N)
	b.ReportMetric(second*1e9/float64(len(raw)), "ns/sample")
	b.ReportMetric(60/second, "x-real-time")
}

func BenchmarkReadWAV16(b *testing.B) {
	benchmarkRead(b, Layout{Kind: WAV, Sample: Int16, Unit: Counts}, 1)
}

func BenchmarkReadWAVFloat(b *testing.B) {
	benchmarkRead(b, Layout{Kind: WAV, Sample: Float32, Unit: Amperes}, 0.0073)
}

func BenchmarkReadFLAC16(b *testing.B) {
	benchmarkRead(b, Layout{Kind: FLAC, Sample: Int16, Unit: Counts}, 1)
}

func BenchmarkReadCSV(b *testing.B) {
	benchmarkRead(b, Layout{Kind: CSV, Unit: Amperes}, 0.0073)
}

// BenchmarkWriteFLAC16 is what recording costs.
func BenchmarkWriteFLAC16(b *testing.B) {
	l := Layout{Kind: FLAC, Sample: Int16, Channels: 8, Rate: 2000, Unit: Counts}
	raw := noise(60*2000, l.Channels, 2047)
	var m memFile
	for b.Loop() {
		m = memFile{b: m.b[:0]}
		writeTo(b, &m, l, raw)
	}
	b.ReportMetric(b.Elapsed().Seconds()*1e9/float64(b.N)/float64(len(raw)), "ns/sample")
	b.ReportMetric(float64(8*len(m.b))/float64(len(raw)), "bits/sample")
}
