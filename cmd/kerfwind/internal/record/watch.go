package record

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// Watch says what is shown, and how.
type Watch struct {
	Tap   *Tap
	Every time.Duration // between lines
	Speed float64       // seconds of a recording in a second, on a terminal
	Plain bool          // lines, on a terminal too

	gauges  *live.Gauges
	trouble string
}

// Notice keeps the newest trouble, to be shown.
func (w *Watch) Notice(err error) { w.trouble = err.Error() }

// sensors returns what the sensors show now.
func (w *Watch) sensors() *live.Sensors {
	var detectors []*sensor.Detector
	for i := range w.Tap.Sources {
		detectors = append(detectors, w.Tap.Sources[i].Detector)
	}
	w.gauges.Look(detectors)
	return &w.gauges.Sensors
}

// Show shows the sensors until the recording or ctx ends.
func (w *Watch) Show(ctx context.Context, out, notices io.Writer) error {
	columns, _ := ColumnsOf(w.Tap)
	w.gauges = live.NewGauges(live.SensorsOf(w.Tap.Shop, w.Tap.Channels), columns, w.Tap.Unit == trace.Counts)
	show := w.lines
	if file, ok := out.(*os.File); ok && !w.Plain {
		if screen, ok := live.Terminal(file, os.Getenv); ok {
			show = func(ctx context.Context, _ io.Writer) error { return w.screen(ctx, screen, notices) }
		}
	}
	err := show(ctx, out)
	if errors.Is(err, context.Canceled) {
		return nil // the person has seen enough
	}
	return err
}

// screen draws the sensors again in place.
func (w *Watch) screen(ctx context.Context, screen live.Screen, notices io.Writer) error {
	g, tap := w.gauges, w.Tap
	o := live.Options{Title: "kerfwind watch: " + tap.Shop.Rig.Name, Sensors: w.sensors}
	if tap.Now == nil {
		o.Speed = w.Speed
	}
	for i, c := range g.Channels {
		o.Channels = append(o.Channels, live.Channel{Label: c.Label, Machine: tap.Channels[i].Machine, Start: float32(c.Start)})
	}
	view := live.New(screen, o)
	if err := view.Open(); err != nil {
		return err
	}
	defer func() { _ = view.Close() }() // again after the one below, or from a panic
	_, err := tap.Run(ctx, Sink{
		Frame:   g.Frame,
		Reading: func(r sensor.Reading) { g.Reading(r); view.Reading(r) },
		Each:    func(now time.Duration) error { return view.Pace(ctx, now) },
	})
	if cerr := view.Close(); err == nil {
		err = cerr
	}
	if w.trouble != "" {
		fmt.Fprintln(notices, "notice:", w.trouble)
	}
	return err
}

// lines prints a block of lines now and then.
func (w *Watch) lines(ctx context.Context, to io.Writer) error {
	out := bufio.NewWriter(to)
	next := w.Every
	_, err := w.Tap.Run(ctx, Sink{Frame: w.gauges.Frame, Reading: w.gauges.Reading, Each: func(now time.Duration) error {
		if now < next {
			return nil
		}
		for next <= now {
			next += w.Every
		}
		s := w.sensors()
		fmt.Fprintf(out, "%s  %s\n", timeline.Clock(now), s.Frequency())
		for i := range s.Channels {
			fmt.Fprintf(out, "    %s\n", s.Channels[i].Words())
		}
		for _, note := range s.Notes {
			fmt.Fprintf(out, "    %s\n", note)
		}
		if w.trouble != "" {
			fmt.Fprintf(out, "    notice: %s\n", w.trouble)
			w.trouble = ""
		}
		return out.Flush()
	}})
	if cerr := out.Flush(); err == nil {
		err = cerr
	}
	return err
}
