package guide

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/state"
)

// Course is one lesson after the other at a terminal.
type Course struct {
	LessonOptions
	Given  movein.LearningGiven
	Out    io.Writer
	Keys   <-chan string // see Terminal
	Folder string        // in which what was learned is kept
	Dry    bool          // nothing is kept
	Open   func() (*record.Tap, error)

	Kept bool // something was
	Bad  int  // how many machines could not be learned
}

// MarksError says what is wrong with the marks of a recording.
type MarksError struct{ error }

// Unwrap is the cause.
func (e *MarksError) Unwrap() error { return e.error }

// notLearned says what speaks against the levels of one machine.
type notLearned struct{ error }

// Teach goes through the machines and closes the tap. A recording is opened again for
// each. The error is ErrQuit where the person has had enough.
func (c *Course) Teach(ctx context.Context, tap *record.Tap, list []Subject) error {
	defer func() { tap.Close() }()
	person := LessonTerminal{Out: c.Out, Keys: c.Keys}
	for n, x := range list {
		if n > 0 && c.Recorded { // from the beginning again
			again, err := c.Open()
			if err != nil {
				return err
			}
			tap.Close()
			tap = again
		}
		fmt.Fprintf(c.Out, "%s, on channel %s\n", x.Name, record.Names(tap.Shop.Rig, x.Channels))
		learned, err := c.one(ctx, &person, tap, x)
		switch {
		case errors.Is(err, ErrSkip):
			fmt.Fprint(c.Out, "  left out\n\n")
			continue
		case errors.As(err, new(*notLearned)):
			c.Bad++
			fmt.Fprintf(c.Out, "  nothing was learned:\n    %s\n\n", strings.ReplaceAll(err.Error(), "\n", "\n    "))
			continue
		case err != nil:
			return err
		}
		fmt.Fprint(c.Out, learned.Report)
		if c.Dry {
			fmt.Fprint(c.Out, "  not kept: --dry-run\n\n")
			continue
		}
		if err := learned.Keep(c.Folder); err != nil {
			return err
		}
		c.Kept = true
		fmt.Fprintf(c.Out, "  kept in %s\n\n", filepath.Join(c.Folder, state.LearnedFile))
	}
	return nil
}

// one is the lesson of one machine.
func (c *Course) one(ctx context.Context, person *LessonTerminal, tap *record.Tap, x Subject) (*Learned, error) {
	o := c.LessonOptions
	var others []string
	for i := range tap.Shop.Machines {
		if name := tap.Shop.Machines[i].Name; name != x.Name {
			others = append(others, name)
		}
	}
	var err error
	if o.Marks, err = c.Given.Marks(x.Name, others); errors.Is(err, movein.ErrNoRun) {
		return nil, &notLearned{err}
	} else if err != nil {
		return nil, &MarksError{err}
	}
	l := NewLesson(tap.Shop, x, o)
	if err := person.Attend(ctx, tap, l); err != nil {
		return nil, err
	}
	today := time.Now()
	learned, err := l.Learned(today)
	if err != nil {
		return nil, &notLearned{err}
	}
	learned.Hears(tap.Shop.Rig, tap.Shares(), today)
	if doubt := tap.MainsDoubt(); doubt != "" {
		learned.Report += fmt.Sprintf("  %-9s %s\n", "mains", doubt)
	}
	return learned, nil
}
