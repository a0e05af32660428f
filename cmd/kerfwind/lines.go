package main

import (
	"fmt"
	"io"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
)

// lines writes lines from a goroutine of its own, so that a terminal that
// takes nothing cannot hold up the loop: what does not fit the queue is dropped
// and counted.
type lines struct {
	queue   chan line
	done    chan struct{}
	dropped atomic.Int64
}

type line struct {
	text  string
	event bool // goes to the standard output
}

// lineQueue is more lines than a busy minute has.
const lineQueue = 1024

// endWait bounds how long the end waits for a terminal that takes nothing.
const endWait = time.Second

func newLines(stdout, stderr io.Writer) *lines {
	l := &lines{queue: make(chan line, lineQueue), done: make(chan struct{})}
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

func (l *lines) put(x line) {
	select {
	case l.queue <- x:
	default:
		l.dropped.Add(1)
	}
}

// event prints what happened, say what a person should know, and notice what
// is wrong.
func (l *lines) event(text string) { l.put(line{text, true}) }
func (l *lines) say(text string)   { l.put(line{text, false}) }
func (l *lines) notice(err error)  { l.say("notice: " + err.Error()) }

// end waits until all is written, but not for ever. Nothing may be put after it.
func (l *lines) end() {
	close(l.queue)
	limit := time.NewTimer(endWait)
	defer limit.Stop()
	select {
	case <-l.done:
	case <-limit.C:
	}
}

// events prints events.
type events struct {
	out   *lines
	names *timeline.Names
	json  bool
}

// Observe prints what happened.
func (e *events) Observe(_ *control.Snapshot, list []control.Event) {
	for _, ev := range list {
		if e.json {
			l := timeline.FromEvent(ev, e.names)
			e.out.event(string(l.AppendJSON(nil)))
		} else {
			e.out.event(string(timeline.AppendText(nil, ev, e.names)))
		}
	}
}
