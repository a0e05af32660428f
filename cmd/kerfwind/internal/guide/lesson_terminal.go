package guide

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/config"
)

// aloneMost is how long one step may take, of the stream, where standard input
// has ended: our own choice, enough to walk to the machine.
const aloneMost = 10 * time.Minute

// The person has had enough of this machine, or of all.
var (
	ErrSkip = errors.New("skipped")
	ErrQuit = errors.New("ended")
)

// Typed delivers the lines that a person types.
func Typed(r io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(r); s.Scan(); {
			lines <- strings.ToLower(strings.TrimSpace(s.Text()))
		}
	}()
	return lines
}

// LessonTerminal leads a person through a lesson, by lines and what is typed.
type LessonTerminal struct {
	Out  io.Writer
	Keys <-chan string // nil: a recording, which nobody can do anything about

	bar   *live.Line
	step  movein.LearningStep
	alone bool          // nobody is there to say when the tool has stopped, or to end it
	since time.Duration // since when nobody has gone on
}

// Attend takes the lesson from a tap to its end.
func (t *LessonTerminal) Attend(ctx context.Context, tap *record.Tap, l *Lesson) error {
	t.bar, t.step, t.since = live.NewLine(t.Out), 0, 0
	end, err := tap.RunOf(ctx, l.Channels, record.Sink{Reading: l.Read, Each: func(now time.Duration) error { return t.each(l, now) }})
	l.End(end)
	t.bar.End()
	return err
}

// each takes what was typed, and shows what to do.
func (t *LessonTerminal) each(l *Lesson, now time.Duration) error {
	if err := errors.Join(l.Lost(), t.typed(l, now)); err != nil {
		return err
	}
	prompt := l.Prompt(now)
	if t.alone && prompt.Step == movein.LearningRest {
		l.Skip(now)
		prompt = l.Prompt(now)
	}
	if prompt.Step != t.step || !t.alone {
		t.since = now
	}
	if now-t.since > aloneMost {
		return fmt.Errorf("%s: nobody went on for %s with: %s", l.Name, config.FormatDuration(aloneMost), prompt.Text)
	}
	t.show(&prompt)
	if prompt.Step == movein.LearningDone && !l.marked {
		return record.ErrStop
	}
	return nil
}

// typed does what the person has typed.
func (t *LessonTerminal) typed(l *Lesson, now time.Duration) error {
	for {
		select {
		case line, ok := <-t.Keys:
			switch {
			case !ok:
				t.Keys, t.alone = nil, true
			case line == "":
				l.Mark(now)
			case line == "s" && l.Prompt(now).Step == movein.LearningRest:
				l.Skip(now)
			case line == "s":
				return ErrSkip
			case line == "q":
				return ErrQuit
			}
		default:
			return nil
		}
	}
}

// show shows one line a step, and on a terminal how far it is.
func (t *LessonTerminal) show(p *movein.LearningPrompt) {
	if t.Keys == nil && !t.alone {
		return
	}
	if p.Step != t.step {
		t.bar.End()
		t.step = p.Step
		if p.Step == movein.LearningDone {
			return
		}
		hint := "s = leave this machine out, q = end"
		if p.Key != "" {
			hint = "Enter = " + p.Key + ", " + hint
		}
		if p.Step == movein.LearningRest {
			hint = "Enter = " + p.Key + ", s = not known, q = end"
		}
		fmt.Fprintf(t.Out, "  %s (%s)\n", p.Text, hint)
	}
	t.bar.Show(func() string {
		line := fmt.Sprintf("    %7.2f A", p.Amps)
		if p.Share > 0 {
			line += fmt.Sprintf("  %3.0f %%", 100*p.Share)
		}
		if p.Other != "" {
			line += "  a current rises on " + p.Other + " instead"
		}
		return line
	})
}
