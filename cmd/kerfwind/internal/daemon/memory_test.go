package daemon

import (
	"bytes"
	"context"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// TestMemory: a part and a client get the same samples of the last while, and
// they are those of the converter.
func TestMemory(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var shop *Shop
		seen := map[uint64]float32{} // of channel 0, by scan
		x := begin(t, t.TempDir(), barn(t), nil, nil, Part{Name: "page", Start: func(s *Shop) (Watcher, error) {
			shop = s
			return Watcher{Observer: observe(func() {}), Frame: func(f *sensor.Frame, _ time.Duration) {
				for i := range f.Scans() {
					seen[f.Index+uint64(i)] = f.Raw[i*f.Channels]
				}
			}}, nil
		}})
		time.Sleep(30*time.Second + time.Millisecond)
		synctest.Wait() // the loop rests: what it has written may be read
		from, to := shop.Memory.Kept()
		if from != 0 || (30*time.Second-to).Abs() > 20*time.Millisecond {
			t.Errorf("%v to %v is kept", from, to)
		}
		var b bytes.Buffer
		saved, err := shop.Memory.Write(&b, 10*time.Second, 20*time.Second)
		if err != nil || saved.Scans != 10_000 || saved.From != 10*time.Second || saved.To != 20*time.Second || saved.Lost != 0 {
			t.Errorf("%+v, %v", saved, err)
		}
		in, err := trace.NewReader("x.flac", &b, trace.Options{})
		if err != nil {
			t.Fatal(err)
		}
		var f sensor.Frame
		n := uint64(0)
		for in.Next(&f) == nil {
			for i := range f.Scans() {
				if at := 10_000 + n; f.Raw[i*f.Channels] != seen[at] {
					t.Fatalf("scan %d: %g, the converter gave %g", at, f.Raw[i*f.Channels], seen[at])
				}
				n++
			}
		}
		if n != 10_000 {
			t.Errorf("%d scans", n)
		}
		for long, want := range map[float64]int{2: 2000, 0: int(to.Milliseconds()), 600: int(to.Milliseconds())} {
			out, err := x.Stream(t.Context(), socket.Request{Do: socket.DoLast, Last: long})
			if err != nil {
				t.Fatal(err)
			}
			scans, end := 0, false
			for a := range out {
				if a.Frame != nil {
					scans += len(a.Frame.Raw) / 4 / a.Frame.Channels
				}
				end = a.End
			}
			if scans != want || !end {
				t.Errorf("the last %g s: %d scans, the end: %v", long, scans, end)
			}
		}
		// A client that goes leaves nothing behind.
		ctx, cancel := context.WithCancel(t.Context())
		if _, err := x.Stream(ctx, socket.Request{Do: socket.DoLast}); err != nil {
			t.Fatal(err)
		}
		cancel()
		x.stop()
		if _, err := x.Stream(t.Context(), socket.Request{Do: socket.DoLast}); err == nil {
			t.Error("it answers after its end")
		}
	})
}
