package trace

import (
	"bytes"
	"testing"

	"kerfwind/sensor"
)

// fuzzRead reads a damaged recording: nothing may panic, frames must be whole,
// and an error must name the file.
func fuzzRead(t *testing.T, b []byte) {
	r, err := NewReader("fuzz", bytes.NewReader(b), Options{FrameScans: 7})
	if err != nil {
		if !bytes.Contains([]byte(err.Error()), []byte("fuzz:")) {
			t.Fatalf("error does not name the file: %v", err)
		}
		return
	}
	i := r.Info()
	if i.Channels < 1 || !goodRate(i.Rate) || i.Unit.String() == "invalid" || i.Scans < -1 {
		t.Fatalf("info %+v", i)
	}
	var f sensor.Frame
	next := uint64(0)
	for n := 0; n < 1000; n++ {
		if err := r.Next(&f); err != nil {
			return
		}
		if f.Scans() < 1 || f.Scans() > 7 || len(f.Raw) != f.Scans()*i.Channels || f.Index < next {
			t.Fatalf("frame of %d samples at %d after %d", len(f.Raw), f.Index, next)
		}
		next = f.Index + uint64(f.Scans())
	}
}

// seeds adds the start of a recording of every kind.
func seeds(f *testing.F, kind Kind) {
	for _, l := range layouts() {
		if l.l.Kind == kind && l.l.Channels <= 2 {
			var m memFile
			writeTo(f, &m, l.l, l.raw[:40*l.l.Channels])
			f.Add(m.b)
		}
	}
}

func FuzzWAV(f *testing.F) {
	seeds(f, WAV)
	f.Add(riff("ds64", string(make([]byte, 28)), "fmt ", wavFormat(1, 1, 1, 8), "data", "1"))
	f.Fuzz(fuzzRead)
}

func FuzzFLAC(f *testing.F) {
	seeds(f, FLAC)
	f.Fuzz(fuzzRead)
}

func FuzzCSV(f *testing.F) {
	seeds(f, CSV)
	f.Add([]byte("t,a\n0,1\n0.5,\n1e3,\"2\"\n"))
	f.Fuzz(fuzzRead)
}
