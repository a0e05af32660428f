package daemon

import (
	"bytes"
	"errors"
	"io"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// TestMemory: a part and a client get the same samples of the last while, and
// they are those of the converter.
func TestMemory(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		seen := map[uint64]float32{} // of channel 0, by scan
		x := begin(t, t.TempDir(), barn(t), nil, nil, Part{Name: "page", Start: func(*Host) (Watcher, error) {
			return Watcher{Observer: observe(func() {}), Frame: func(f *sensor.Frame, _ time.Duration) {
				for i := range f.Scans() {
					seen[f.Index+uint64(i)] = f.Raw[i*f.Channels]
				}
			}}, nil
		}})
		time.Sleep(30*time.Second + time.Millisecond)
		synctest.Wait()
		ctx, d := t.Context(), x.Door(seam.Page)
		st, err := d.State(ctx)
		if err != nil || st.Memory.From != 0 || (30*time.Second-st.Memory.To).Abs() > 20*time.Millisecond {
			t.Errorf("%v is kept, %v", st.Memory, err)
		}
		last := func(from, to time.Duration) func(emit func(*sensor.Frame) error) error {
			return func(emit func(*sensor.Frame) error) error {
				items, err := d.Last(ctx, seam.Span{From: from, To: to})
				if err != nil {
					return err
				}
				defer func() { _ = items.Close() }()
				var f sensor.Frame
				for {
					x, err := items.Next(ctx)
					if errors.Is(err, io.EOF) {
						return nil
					}
					if err = errors.Join(err, x.Frame.To(&f)); err == nil {
						err = emit(&f)
					}
					if err != nil {
						return err
					}
				}
			}
		}
		var b bytes.Buffer
		saved, err := record.Save(&b, last(10*time.Second, 20*time.Second))
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
		// A client that goes leaves nothing behind.
		items, err := d.Last(ctx, st.Memory)
		if err != nil {
			t.Fatal(err)
		}
		if err := items.Close(); err != nil {
			t.Error(err)
		}
		x.stop()
		if _, err := d.Last(ctx, st.Memory); !errors.Is(err, seam.ErrNoShop) {
			t.Errorf("after its end: %v", err)
		}
	})
}
