package record_test

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/replay"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/seam/seamtest"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

func TestParseSize(t *testing.T) {
	for text, want := range map[string]int64{"100 MiB": 100 << 20, "1.5 GB": 1.5e9, "64KiB": 64 << 10} {
		if size, ok, err := record.ParseSize(text); err != nil || !ok || size != want {
			t.Errorf("%q: %d, %v, %v", text, size, ok, err)
		}
	}
	for _, text := range []string{"1 kB", "-3 MB", "1e30 GB", "0 MB", "MiB", "NaN MB"} {
		if size, ok, err := record.ParseSize(text); err == nil || !ok {
			t.Errorf("%q: %d, %v", text, size, ok)
		}
	}
	if _, ok, err := record.ParseSize("1 h"); ok || err != nil {
		t.Errorf("a time is taken for a size: %v", err)
	}
}

// tapOf is a recording of so many scans of two channels at 1000 a second.
func tapOf(t *testing.T, scans int) *record.Tap {
	t.Helper()
	path := filepath.Join(t.TempDir(), "in.wav")
	file, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	w, err := trace.NewWriter(file, trace.Layout{Kind: trace.WAV, Sample: trace.Float32, Unit: trace.Amperes, Channels: 2, Rate: 1000})
	if err == nil {
		err = errors.Join(trace.Copy(w, &frames{left: scans}), w.Close(), file.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	tap, err := record.OpenTrace([]string{path}, false, replay.Options{Amperes: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(tap.Close)
	return tap
}

// frames is a source of so many scans.
type frames struct{ at, left int }

func (f *frames) Next(fr *sensor.Frame) error {
	if f.left == 0 {
		return io.EOF
	}
	n := min(f.left, 100)
	*fr = *frame(f.at, n, 2)
	f.at, f.left = f.at+n, f.left-n
	return nil
}

// TestFollow records what is looked at, to its end or to a length.
func TestFollow(t *testing.T) {
	for _, x := range []struct {
		name  string
		long  time.Duration
		bytes int64
		scans uint64
		text  string
	}{
		{name: "all", scans: 20_000, text: "20 s recorded"},
		{name: "a length", long: 1234 * time.Millisecond, scans: 1234, text: "1.234 s recorded"},
		{name: "a full file", bytes: 64 << 10, scans: 7600, text: "7.6 s recorded"},
	} {
		tap := tapOf(t, 20_000)
		o := record.Options{Path: filepath.Join(t.TempDir(), "out.wav"), Layout: record.LayoutOf(tap), Bytes: x.bytes, Free: record.FreeOn}
		rec, err := record.NewRecorder(o)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := rec.Summary(); err == nil {
			t.Errorf("%s: something was recorded before it began", x.name)
		}
		if err := rec.Follow(t.Context(), tap, x.long, live.NewLine(nil)); err != nil || rec.Scans != x.scans {
			t.Errorf("%s: %d scans, %v", x.name, rec.Scans, err)
		}
		if text, err := rec.Summary(); err != nil || !strings.Contains(text, x.text) || !strings.HasPrefix(text, o.Path+": ") {
			t.Errorf("%s: %q, %v", x.name, text, err)
		}
	}
}

// TestFollowFull: a disk that is nearly full ends the recording, and says so.
func TestFollowFull(t *testing.T) {
	tap := tapOf(t, 20_000)
	calls := 0
	o := record.Options{Path: filepath.Join(t.TempDir(), "out.wav"), Layout: record.LayoutOf(tap), Reserve: 1, Free: func(string) (int64, error) {
		calls++
		return int64(max(0, 5-calls)), nil
	}}
	rec, err := record.NewRecorder(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := rec.Follow(t.Context(), tap, 0, live.NewLine(nil)); !errors.Is(err, record.ErrSpace) || rec.Scans == 0 || len(rec.Files()) != 1 {
		t.Errorf("%d scans, %v, %v", rec.Scans, rec.Files(), err)
	}
}

// TestLast writes what a running kerfwind has in memory.
func TestLast(t *testing.T) {
	folder, err := os.MkdirTemp("", "kw") // a socket's path is short
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := os.RemoveAll(folder); err != nil {
			t.Error(err)
		}
	}()
	rec, err := record.NewRecorder(record.Options{Path: filepath.Join(folder, "last.flac"), Layout: trace.Layout{Sample: trace.Int16, Unit: trace.Counts}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := rec.Last(t.Context(), folder, time.Minute); !errors.Is(err, socket.ErrNobody) {
		t.Errorf("nobody runs: %v", err)
	}
	f := seamtest.New(t)
	f.Now(seam.Hello{}, seam.State{Memory: seam.Span{To: time.Minute}})
	f.Keeps(seam.Item{Kind: seam.AFrame, Frame: seam.FrameOf(frame(0, 300, 3))})
	l, err := socket.Listen(folder)
	if err != nil {
		t.Fatal(err)
	}
	ctx, end := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		socket.Serve(ctx, l, func(socket.Peer) seam.Shop { return f }, func(err error) { t.Error(err) })
	}()
	defer func() { end(); <-done }()
	kept, err := rec.Last(t.Context(), folder, time.Minute)
	text, none := rec.Summary()
	if err := errors.Join(err, none); err != nil || kept != 300*time.Millisecond || rec.Scans != 300 || !strings.Contains(text, "last.flac: 300 ms recorded") {
		t.Errorf("%v, %q, %v", kept, text, err)
	}
}
