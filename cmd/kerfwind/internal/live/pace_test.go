package live

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/control"
	"kerfwind/sensor"
)

// screen records what is written.
type screen struct {
	writes []string
	when   []time.Time
	w, h   int
	err    error
}

func (s *screen) Write(b []byte) (int, error) {
	if s.err != nil {
		return 0, s.err
	}
	s.writes = append(s.writes, string(b))
	s.when = append(s.when, time.Now())
	return len(b), nil
}

func (s *screen) all() string { return strings.Join(s.writes, "") }

func newView(s *screen, speed float64) *View {
	o, _ := barn()
	o.Speed = speed
	return New(Screen{Out: s, Size: func() (int, int) { return s.w, s.h }, UTF8: true}, *o)
}

// stream plays n pieces of the stream, each long, into the view.
func stream(v *View, ctx context.Context, n int, long time.Duration) error {
	for i := range n {
		now := time.Duration(i+1) * long
		v.Reading(sensor.Reading{Channel: 1, At: now, Amps: float32(i % 10), Verdict: sensor.Running})
		v.Observe(nil, []control.Event{{At: now, Kind: control.MachineStarted, ID: 1}})
		if err := v.Pace(ctx, now); err != nil {
			return err
		}
	}
	return nil
}

func TestPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &screen{w: 80, h: 24}
		v := newView(s, 10)
		begin := time.Now()
		if err := stream(v, t.Context(), 3600, 100*time.Millisecond); err != nil { // six minutes
			t.Fatal(err)
		}
		// The first piece sets the start: 3599 pieces are paced.
		if took := time.Since(begin); took != 35990*time.Millisecond {
			t.Errorf("six minutes at ten times took %v, want 35.99 s", took)
		}
		if n := len(s.writes); n < 14*35 || n > 15*36+2 {
			t.Errorf("%d writes in 36 s, want about 15 a second", n)
		}
		for i := 3; i < len(s.when); i++ { // the first frame clears the screen in a write of its own
			if d := s.when[i].Sub(s.when[i-1]); d < frameTime {
				t.Fatalf("frames %d and %d are %v apart, want at least %v", i-1, i, d, frameTime)
			}
		}
	})
}

// TestPaceDoesNotWait: at speed 0, and when the stream is late, nothing is
// waited for.
func TestPaceDoesNotWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		v := newView(&screen{w: 80, h: 24}, 0)
		begin := time.Now()
		if err := stream(v, t.Context(), 1000, time.Minute); err != nil {
			t.Fatal(err)
		}
		if took := time.Since(begin); took != 0 {
			t.Errorf("speed 0 waited %v", took)
		}
		v = newView(&screen{w: 80, h: 24}, 1)
		if err := v.Pace(t.Context(), 0); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute) // the computer was busy
		begin = time.Now()
		if err := v.Pace(t.Context(), 59*time.Second); err != nil {
			t.Fatal(err)
		}
		if took := time.Since(begin); took != 0 {
			t.Errorf("a late stream waited %v", took)
		}
	})
}

// TestFollowsResize: while it waits it goes on drawing, so that a resize shows.
func TestFollowsResize(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &screen{w: 80, h: 24}
		v := newView(s, 1)
		begin := time.Now()
		v.screen.Size = func() (int, int) {
			if time.Since(begin) > 10*time.Second {
				return 80, 41 // all that there is fits both
			}
			return 80, 40
		}
		if err := v.Pace(t.Context(), 0); err != nil {
			t.Fatal(err)
		}
		before := len(s.writes)
		if err := v.Pace(t.Context(), 30*time.Second); err != nil {
			t.Fatal(err)
		}
		after := s.writes[before:]
		if len(after) != 3 || !strings.Contains(after[1], "\x1b[2J") {
			t.Errorf("got %d writes, want the new time, a cleared screen and a frame of the new size:\n%q", len(after), after)
		}
	})
}

func TestPaceEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &screen{w: 80, h: 24}
		v := newView(s, 1)
		ctx, cancel := context.WithCancel(t.Context())
		if err := v.Open(); err != nil {
			t.Fatal(err)
		}
		begin := time.Now()
		go func() {
			time.Sleep(3 * time.Second)
			cancel()
		}()
		if err := stream(v, ctx, 2, time.Hour); !errors.Is(err, context.Canceled) {
			t.Errorf("got %v, want cancelled", err)
		}
		if took := time.Since(begin); took != 3*time.Second {
			t.Errorf("it ended after %v, want 3 s", took)
		}
		if err := v.Close(); err != nil {
			t.Fatal(err)
		}
		if err := v.Close(); err != nil {
			t.Fatal(err)
		}
		text := s.all()
		if strings.Count(text, "\x1b[?1049h") != 1 || strings.Count(text, "\x1b[?1049l") != 1 {
			t.Error("the other screen was not entered and left once each")
		}
		if on, off := strings.LastIndex(text, "\x1b[?25h"), strings.LastIndex(text, "\x1b[?25l"); on < off {
			t.Error("the cursor stays hidden")
		}
		end := text[strings.LastIndex(text, "\x1b[?1049l"):]
		if !strings.Contains(end, "planer") || strings.Contains(end, "\x1b[H") {
			t.Errorf("the last frame is not left as plain text: %q", end)
		}
	})
}

// TestPanic: a deferred Close gives the terminal back, even when drawing
// itself is what fails.
func TestPanic(t *testing.T) {
	s := &screen{w: 80, h: 24}
	func() {
		defer func() { _ = recover() }()
		o, _ := barn()
		o.Snapshot = func() *control.Snapshot { panic("broken") }
		v := New(Screen{Out: s, Size: func() (int, int) { return 80, 24 }}, *o)
		if err := v.Open(); err != nil {
			t.Error(err)
		}
		defer func() { _ = v.Close() }()
		_ = v.Pace(t.Context(), 0)
	}()
	if text := s.all(); !strings.Contains(text, leave) {
		t.Errorf("the terminal was not given back: %q", text)
	}
}

func TestWriteError(t *testing.T) {
	gone := errors.New("terminal gone")
	s := &screen{w: 80, h: 24, err: gone}
	v := newView(s, 0)
	if err := v.Open(); !errors.Is(err, gone) {
		t.Errorf("Open: %v", err)
	}
	if err := v.Pace(t.Context(), 0); !errors.Is(err, gone) {
		t.Errorf("Pace: %v", err)
	}
	if err := v.Close(); !errors.Is(err, gone) {
		t.Errorf("Close: %v", err)
	}
}

// TestScale: bars follow what lasts, not the inrush of one frame.
func TestScale(t *testing.T) {
	s := &screen{w: 80, h: 24}
	v := newView(s, 0)
	frame := func(amps float32) float64 {
		v.Reading(sensor.Reading{Channel: 1, Amps: amps, Verdict: sensor.Running})
		v.Reading(sensor.Reading{Channel: 99, Amps: 1e9}) // none of ours
		if err := v.draw(0); err != nil {
			t.Fatal(err)
		}
		return v.state.scale
	}
	for i, tt := range []struct {
		amps float32
		want float64
	}{{0, 20}, {61, 20}, {14, 20}, {27, 20}, {28, 30}, {5, 30}} {
		if got := frame(tt.amps); got != tt.want {
			t.Errorf("frame %d with %v A: bars end at %v A, want %v", i, tt.amps, got, tt.want)
		}
	}
}

// TestKeepsFewLines: the timeline in memory is bounded.
func TestKeepsFewLines(t *testing.T) {
	v := newView(&screen{w: 80, h: 24}, 0)
	for i := range 5000 {
		v.Observe(nil, []control.Event{{At: time.Duration(i), Kind: control.MachineStarted}})
	}
	if n := len(v.state.lines); n != keepLines || v.state.lines[n-1].at != 4999 {
		t.Errorf("%d lines, the last of %v", n, v.state.lines[n-1].at)
	}
}
