// Package live is the terminal of a running shop. It shows currents, machines,
// gates, the collector with the reason it runs, and the last lines of the
// timeline; it redraws in place, fits the terminal it finds, and leaves it as it
// was. It prints lines for a reader who may take none, asks for secrets, and
// watches a test move that a person asked for.
package live

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	"kerfwind/cmd/kerfwind/internal/scene"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
	"kerfwind/sensor"
)

// Screen is a terminal.
type Screen struct {
	Out   io.Writer
	Size  func() (width, height int) // asked before each frame, so that the view follows a resize
	Color bool                       // false: bold and reverse only
	UTF8  bool                       // false: ASCII only
}

// The size of a terminal that does not tell.
const usualWidth, usualHeight = 80, 24

// Terminal describes f, if it is a terminal that can redraw in place. getenv
// is asked for TERM, NO_COLOR and the locale.
func Terminal(f *os.File, getenv func(string) string) (Screen, bool) {
	fd := int(f.Fd())
	kind := getenv("TERM")
	if !term.IsTerminal(fd) || kind == "" || kind == "dumb" {
		return Screen{}, false
	}
	color, utf := habits(getenv)
	return Screen{Out: f, Color: color, UTF8: utf, Size: func() (int, int) {
		w, h, err := term.GetSize(fd)
		if err != nil || w <= 0 || h <= 0 {
			return usualWidth, usualHeight
		}
		return w, h
	}}, true
}

// habits reads what the environment says of colour and characters. The locale
// is the first of LC_ALL, LC_CTYPE and LANG that is set.
func habits(getenv func(string) string) (color, utf bool) {
	color = getenv("NO_COLOR") == ""
	for _, v := range []string{"LC_ALL", "LC_CTYPE", "LANG"} {
		if l := getenv(v); l != "" {
			l = strings.ToLower(l)
			return color, strings.Contains(l, "utf-8") || strings.Contains(l, "utf8")
		}
	}
	return color, false
}

// Channel is one current to show.
type Channel struct {
	Label       string
	Machine     control.ID // control.NoID: none
	Start, Stop float32    // A; 0 none
}

// Options describe what is shown.
type Options struct {
	Title    string
	Names    timeline.Names
	Layout   *scene.Layout // of the shop; nil: not known
	Channels []Channel
	Speed    float64                  // seconds of the stream in a second of wall time; 0 does not wait
	Snapshot func() *control.Snapshot // asked before each frame; nil: what Observe brought is shown
	Sensors  func() *Sensors          // asked before each frame; not nil: the sensors are shown instead of the shop
}

// View is the view. All of it is called from one goroutine.
type View struct {
	screen Screen
	opt    Options
	state  state
	pace   pace
	last   string // what the terminal shows
	w, h   int    // its size then
	open   bool
}

// keepLines is how many lines of the timeline are kept: more than any
// terminal shows.
const keepLines = 200

// New returns a view that has drawn nothing yet.
func New(s Screen, o Options) *View {
	v := &View{screen: s, opt: o, pace: newPace(o.Speed)}
	if v.screen.Size == nil {
		v.screen.Size = func() (int, int) { return usualWidth, usualHeight }
	}
	v.state.channels = make([]current, len(o.Channels))
	v.state.scale = 5
	for _, c := range o.Channels {
		v.state.scale = max(v.state.scale, roundUp(8*float64(c.Start)))
	}
	v.state.speed = o.Speed
	return v
}

// Reading takes one reading of any channel.
func (v *View) Reading(r sensor.Reading) {
	if r.Channel >= 0 && r.Channel < len(v.state.channels) {
		c := &v.state.channels[r.Channel]
		c.amps, c.verdict = r.Amps, r.Verdict
	}
}

// Observe takes the state after a step and what happened in it.
func (v *View) Observe(s *control.Snapshot, events []control.Event) {
	if s != nil {
		v.state.snap = s
	}
	for _, e := range events {
		v.state.lines = append(v.state.lines, entry{e.At, timeline.Loud(e), timeline.Sentence(e, &v.opt.Names)})
	}
	if n := len(v.state.lines) - keepLines; n > 0 {
		v.state.lines = append(v.state.lines[:0], v.state.lines[n:]...)
	}
}

// Escape sequences (ECMA-48 and the private modes that xterm introduced).
const (
	enter = "\x1b[?1049h\x1b[?25l\x1b[?7l\x1b[2J" // other screen, no cursor, no wrapping, empty
	leave = "\x1b[0m\x1b[?7h\x1b[?25h\x1b[?1049l" // all of it back
	home  = "\x1b[H"
	line  = "\x1b[2K" // clear the line; first, since after a full line it would take the last column
	below = "\x1b[J"  // clear from here
)

// Open takes the terminal over. Close must follow, best by defer.
func (v *View) Open() error {
	v.open = true // also when writing fails half-way
	_, err := io.WriteString(v.screen.Out, enter)
	return err
}

// Close gives the terminal back, also after an error or a panic, and leaves
// the last frame on it as plain text. It may be called again.
func (v *View) Close() error {
	if !v.open {
		return nil
	}
	v.open = false
	if _, err := io.WriteString(v.screen.Out, leave); err != nil { // first: what follows may fail
		return err
	}
	w, h := v.screen.Size()
	_, err := io.WriteString(v.screen.Out, strings.Join(v.frame(w, h-3), "\r\n")+"\r\n")
	return err
}

// frame draws one frame for a size.
func (v *View) frame(w, h int) []string {
	if v.opt.Sensors != nil {
		return renderSensors(&v.opt, v.opt.Sensors(), &v.state, w, h, look{v.screen.Color, v.screen.UTF8})
	}
	if v.opt.Snapshot != nil {
		if s := v.opt.Snapshot(); s != nil {
			v.state.snap = s
		}
	}
	return render(&v.opt, &v.state, w, h, look{v.screen.Color, v.screen.UTF8})
}

// draw puts a frame on the terminal, if it differs from what is there.
func (v *View) draw(now time.Duration) error {
	v.state.now = now
	for i := range v.state.channels {
		c := &v.state.channels[i]
		// A scale grows with what lasts, not with the inrush of a moment.
		v.state.scale = max(v.state.scale, roundUp(float64(min(c.amps, c.before))))
		c.before = c.amps
	}
	w, h := v.screen.Size()
	if w <= 0 || h <= 0 {
		w, h = usualWidth, usualHeight
	}
	var b strings.Builder
	b.WriteString(home)
	lines := v.frame(w, h)
	for i, l := range lines {
		if i > 0 {
			b.WriteString("\r\n")
		}
		b.WriteString(line)
		b.WriteString(l)
	}
	if len(lines) < h {
		b.WriteString("\r\n")
		b.WriteString(below)
	}
	if b.String() == v.last && w == v.w && h == v.h {
		return nil
	}
	if w != v.w || h != v.h {
		if _, err := io.WriteString(v.screen.Out, "\x1b[2J"); err != nil {
			return fmt.Errorf("drawing on the terminal: %w", err)
		}
	}
	v.last, v.w, v.h = b.String(), w, h
	if _, err := io.WriteString(v.screen.Out, v.last); err != nil {
		return fmt.Errorf("drawing on the terminal: %w", err)
	}
	return nil
}
