package live

import (
	"fmt"
	"os"
	"time"

	"golang.org/x/term"
)

// Line is one line on a terminal that is drawn again now and then; on anything
// else it is nothing.
type Line struct {
	w     *os.File
	last  string
	drawn time.Time
}

// NewLine makes a line on w.
func NewLine(w any) *Line {
	file, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(file.Fd())) {
		return &Line{}
	}
	return &Line{w: file}
}

// Show draws what text returns, unless that was done just now.
func (p *Line) Show(text func() string) {
	if p.w == nil || time.Since(p.drawn) < 200*time.Millisecond {
		return
	}
	p.drawn = time.Now()
	line := text()
	fmt.Fprintf(p.w, "\r%-*s", len(p.last), line)
	p.last = line
}

// End takes the line away.
func (p *Line) End() {
	if p.w != nil && p.last != "" {
		fmt.Fprintf(p.w, "\r%*s\r", len(p.last), "")
		p.last = ""
	}
}

// HowFar says how far a job is that has read so many bytes; total 0 is not known.
func HowFar(what string, done, total int64) string {
	if total > 0 {
		return fmt.Sprintf("%s %d %%", what, done*100/total)
	}
	return fmt.Sprintf("%s %d MiB", what, done>>20)
}
