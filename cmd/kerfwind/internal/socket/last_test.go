package socket

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"kerfwind/sensor"
)

// TestLast: what is in memory arrives whole, and a stream that breaks off does
// not pass for the whole.
func TestLast(t *testing.T) {
	for line, want := range map[string]string{
		`{"v":1,"do":"last"}`:                 "",
		`{"v":1,"do":"last","last":120}`:      "",
		`{"v":1,"do":"last","last":-1}`:       "seconds from 0",
		`{"v":1,"do":"last","last":1e9}`:      "seconds from 0",
		`{"v":1,"do":"frames","last":1}`:      `takes no "last"`,
		`{"v":1,"do":"last","source":1}`:      `takes no "source"`,
		`{"v":1,"do":"last","ask":"release"}`: "takes neither",
	} {
		if _, err := ParseRequest([]byte(line)); want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%s: %v, want %q", line, err, want)
		}
	}
	frame := Answer{Frame: NewFrame(&sensor.Frame{Channels: 2, Index: 7, At: 7 * time.Millisecond, Rate: 1000, Raw: []float32{1, 2, 3, 4}})}
	ctx, cancel := context.WithCancel(t.Context())
	full := errors.New("the disk is full")
	for _, c := range []struct {
		name  string
		ctx   context.Context
		lines []Answer
		take  func() error
		want  error
		got   int
	}{
		{"whole", t.Context(), []Answer{frame, {}, frame, {End: true}}, func() error { return nil }, nil, 2},
		{"disk full", t.Context(), []Answer{frame, frame, {End: true}}, func() error { return full }, full, 1},
		{"enough", ctx, []Answer{frame, {}}, func() error { cancel(); return nil }, context.Canceled, 1},
		{"broken off", t.Context(), []Answer{frame, frame}, func() error { return nil }, io.ErrUnexpectedEOF, 2},
	} {
		h := &house{stream: make(chan Answer, 10)}
		folder, _ := serve(t, h)
		for _, a := range c.lines {
			h.stream <- a
		}
		close(h.stream)
		got := 0
		err := Last(c.ctx, folder, 2*time.Minute, func(f *sensor.Frame) error {
			if f.Index != 7 || f.Scans() != 2 || f.Raw[3] != 4 {
				t.Errorf("%+v", f)
			}
			got++
			return c.take()
		})
		if !errors.Is(err, c.want) || got != c.got {
			t.Errorf("%s: %d frames, %v", c.name, got, err)
		}
	}
	take := func(*sensor.Frame) error { return nil }
	if err := Last(t.Context(), t.TempDir(), 0, take); !errors.Is(err, ErrNobody) {
		t.Error(err)
	}
}
