package record

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/replay"
)

// tap is a recording of 5 s in amperes, 50 Hz from 2 s on.
func tap(t *testing.T) *Tap {
	t.Helper()
	path := filepath.Join(t.TempDir(), "in.csv")
	var b strings.Builder
	b.WriteString("t,saw\n")
	for n := range 5000 {
		at, amps := float64(n)/1000, 0.0
		if at >= 2 {
			amps = 8 * math.Sin(2*math.Pi*50*at)
		}
		fmt.Fprintf(&b, "%g,%g\n", at, amps)
	}
	if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	tap, err := OpenTrace([]string{path}, false, replay.Options{Amperes: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(tap.Close)
	return tap
}

// TestLines prints a block a second, with a trouble once.
func TestLines(t *testing.T) {
	var out bytes.Buffer
	w := Watch{Tap: tap(t), Every: time.Second}
	w.Notice(errors.New("no answer"))
	if err := w.Show(t.Context(), &out, &out); err != nil {
		t.Fatal(err)
	}
	s := out.String()
	if strings.Count(s, "notice: no answer") != 1 || strings.Count(s, "    m0") != 5 || !strings.Contains(s, "running") {
		t.Error(s)
	}
	ctx, end := context.WithCancel(t.Context())
	end()
	w = Watch{Tap: tap(t), Every: time.Second}
	if err := w.Show(ctx, &out, &out); err != nil {
		t.Errorf("the person had enough: %v", err)
	}
}

// TestScreen draws in place, and tells the trouble at the end.
func TestScreen(t *testing.T) {
	file, err := os.Create(filepath.Join(t.TempDir(), "out"))
	if err != nil {
		t.Fatal(err)
	}
	w := Watch{Tap: tap(t), Every: time.Second, Speed: 1e6}
	var notices bytes.Buffer
	var said bytes.Buffer
	if err := w.Show(t.Context(), &said, &notices); err != nil { // makes the gauges
		t.Fatal(err)
	}
	w.Tap = tap(t)
	w.Notice(errors.New("no answer"))
	if err := errors.Join(w.screen(t.Context(), live.Screen{Out: file, Size: func() (int, int) { return 80, 24 }}, &notices), file.Close()); err != nil {
		t.Fatal(err)
	}
	drawn, err := os.ReadFile(file.Name())
	if err != nil || !bytes.Contains(drawn, []byte("kerfwind watch")) || notices.String() != "notice: no answer\n" {
		t.Errorf("%d bytes, %q, %v", len(drawn), notices.String(), err)
	}
}
