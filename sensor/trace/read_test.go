package trace

import (
	"errors"
	"io"
	"path/filepath"
	"testing"

	"kerfwind/sensor"
	"kerfwind/testdata/peers"
)

// readAll collects a recording; skips lists scans missing before index.
func readAll(t testing.TB, r *Reader) (raw []float32, gaps map[uint64]uint64, err error) {
	t.Helper()
	gaps = map[uint64]uint64{}
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
			gaps[next] = f.Index - next
		}
		if want := instant(f.Index, f.Rate); f.At != want {
			t.Fatalf("scan %d is at %v, want %v", f.Index, f.At, want)
		}
		if len(f.Raw) != f.Scans()*f.Channels || f.Scans() == 0 {
			t.Fatalf("frame of %d samples, %d channels", len(f.Raw), f.Channels)
		}
		raw = append(raw, f.Raw...)
		next = f.Index + uint64(f.Scans())
	}
}

func TestSharedRecordings(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(peers.Shared(t, "traces"), "re*", "*.wav"))
	if err != nil || len(files) == 0 {
		t.Skip("none")
	}
	r, err := Open(files[:1], Options{})
	if err != nil {
		t.Fatal(err)
	}
	raw, _, err := readAll(t, r)
	t.Log(len(raw), err, r.Info())
}
