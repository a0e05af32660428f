package replay

import (
	"bufio"
	"fmt"
	"io"
	"time"

	"kerfwind/cmd/kerfwind/internal/draw"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
)

// Printer writes the timeline as it comes and keeps what the end needs.
type Printer struct {
	Clear func()          // takes a line of progress away before one of the timeline; may be nil
	Keep  bool            // the lines are kept
	Lines []timeline.Line // kept
	Tally *timeline.Tally
	Err   error // in writing

	r    *Replay
	w    *bufio.Writer
	json bool
	buf  []byte
}

// NewPrinter writes the timeline of r, for people or as JSON lines.
func NewPrinter(w io.Writer, r *Replay, asJSON bool) *Printer {
	return &Printer{w: bufio.NewWriter(w), r: r, json: asJSON, Tally: timeline.NewTally(&r.Names)}
}

// Observe prints events.
func (p *Printer) Observe(_ *control.Snapshot, events []control.Event) {
	if p.Clear != nil {
		p.Clear()
	}
	for _, e := range events {
		p.Tally.Add(e)
		line := timeline.FromEvent(e, &p.r.Names)
		if p.Keep {
			p.Lines = append(p.Lines, line)
		}
		if p.json {
			p.buf = line.AppendJSON(p.buf[:0])
		} else {
			p.buf = timeline.AppendText(p.buf[:0], e, &p.r.Names)
			if e.Kind == control.MachineStopped && e.Until > e.At {
				if why := p.r.Air.RunOn(e.ID); why != "" {
					p.buf = append(p.buf, " ("+why+")"...)
				}
			}
		}
		_, err := p.w.Write(append(p.buf, '\n'))
		p.failed(err)
	}
	p.failed(p.w.Flush())
}

// failed keeps the first error.
func (p *Printer) failed(err error) {
	if p.Err == nil {
		p.Err = err
	}
}

// End prints the summary for people, with levels also what a shop that nobody has
// described takes for granted.
func (p *Printer) End(at time.Duration, levels bool) {
	if p.json {
		return
	}
	fmt.Fprintf(p.w, "%s   end of the recording\n\n", timeline.Clock(at))
	if levels {
		fmt.Fprint(p.w, p.r.levels())
	}
	p.failed(p.Tally.Write(p.w, at))
	for i, note := range p.r.Notes() {
		if i == 0 {
			fmt.Fprintln(p.w)
		}
		fmt.Fprintln(p.w, note)
	}
	p.failed(p.w.Flush())
}

// levels says what the shop takes for a start.
func (r *Replay) levels() string {
	if len(r.Shop.Machines) == 0 {
		return ""
	}
	m := &r.Shop.Machines[0]
	return fmt.Sprintf("No shop file: a machine starts at %s and stops below %s for %s.\n",
		config.Metric.Format(config.Current, m.Start), config.Metric.Format(config.Current, m.Stop), config.FormatDuration(m.StopHold))
}

// Picture draws a replay while it runs.
type Picture struct {
	*draw.Picture
	r    *Replay
	next time.Duration
}

// Picture begins a picture.
func (r *Replay) Picture() *Picture {
	n := len(r.Channels)
	labels, machines, levels := make([]string, n), make([]control.ID, n), make([]draw.Level, n)
	for i, use := range r.Channels {
		labels[i], machines[i] = r.Shop.Rig.Channels[i].Name, use.Machine
		if use.Used() {
			levels[i] = draw.Level{Start: float32(use.Start), Stop: float32(use.Stop)}
		}
	}
	p := &Picture{Picture: draw.New(r.Names, labels, machines, levels), r: r, next: time.Second}
	p.Observe(r.Core.Snapshot(), nil)
	return p
}

// Second takes the state up once a second.
func (p *Picture) Second(now time.Duration) {
	if now >= p.next {
		p.Observe(p.r.Core.Snapshot(), nil)
		p.next = now + time.Second
	}
}

// Write writes the picture of what came up to end.
func (p *Picture) Write(w io.Writer, end time.Duration, title string) error {
	return p.WriteSVG(w, end, draw.Options{Title: title, RunUp: p.r.Shop.Collector.RunUp})
}
