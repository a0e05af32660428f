package live

import (
	"fmt"
	"io"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
)

// Lines writes lines from a goroutine of its own, so that a terminal that
// takes nothing cannot hold up the loop: what does not fit the queue is dropped
// and counted.
type Lines struct {
	queue   chan consoleLine
	done    chan struct{}
	dropped atomic.Int64
}

type consoleLine struct {
	text  string
	event bool // goes to the standard output
}

// lineQueue is more lines than a busy minute has.
const lineQueue = 1024

// endWait bounds how long the end waits for a terminal that takes nothing.
const endWait = time.Second

// NewLines writes events to stdout and everything else to stderr.
func NewLines(stdout, stderr io.Writer) *Lines {
	l := &Lines{queue: make(chan consoleLine, lineQueue), done: make(chan struct{})}
	go func() {
		defer close(l.done)
		for x := range l.queue {
			w := stderr
			if x.event {
				w = stdout
			}
			fmt.Fprintln(w, x.text)
			if n := l.dropped.Swap(0); n > 0 {
				fmt.Fprintf(stderr, "%d lines could not be written in time\n", n)
			}
		}
	}()
	return l
}

func (l *Lines) put(x consoleLine) {
	select {
	case l.queue <- x:
	default:
		l.dropped.Add(1)
	}
}

// Event prints what happened.
func (l *Lines) Event(text string) { l.put(consoleLine{text, true}) }

// Say prints what a person should know.
func (l *Lines) Say(text string) { l.put(consoleLine{text, false}) }

// Notice prints what is wrong.
func (l *Lines) Notice(err error) { l.Say("notice: " + err.Error()) }

// End waits until all is written, but not for ever. Nothing may be put after it.
func (l *Lines) End() {
	close(l.queue)
	limit := time.NewTimer(endWait)
	defer limit.Stop()
	select {
	case <-l.done:
	case <-limit.C:
	}
}

// Events prints events, each a line for people or a JSON object.
type Events struct {
	Out   *Lines
	Names *timeline.Names
	JSON  bool
}

// Observe prints what happened.
func (e *Events) Observe(_ *control.Snapshot, list []control.Event) {
	for _, ev := range list {
		if e.JSON {
			l := timeline.FromEvent(ev, e.Names)
			e.Out.Event(string(l.AppendJSON(nil)))
		} else {
			e.Out.Event(string(timeline.AppendText(nil, ev, e.Names)))
		}
	}
}
