package guide

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/movein"
)

// Terminal shows the questions of a move-in on a terminal.
type Terminal struct {
	g     *Guide
	out   io.Writer
	bar   *live.Line
	shown string // what was printed last
}

// NewTerminal shows a move-in on out.
func NewTerminal(g *Guide, out io.Writer) *Terminal {
	return &Terminal{g: g, out: out, bar: live.NewLine(out)}
}

// Run asks until the new shop has taken effect, or the person leaves.
func (t *Terminal) Run(ctx context.Context, in io.Reader) error {
	lines := typed(in)
	fmt.Fprintln(t.out, "b goes a step back, q leaves and keeps your answers.")
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	for {
		v, changed := t.g.View()
		t.show(&v)
		if v.Done {
			return nil
		}
		select {
		case <-ctx.Done():
			return nil
		case <-changed:
		case <-tick.C:
		case line, ok := <-lines:
			t.bar.End()
			switch {
			case !ok, line == "q":
				fmt.Fprintln(t.out, "Left. Your answers are kept: kerfwind movein goes on here.")
				return nil
			case line == "b":
				t.tell(t.g.Back(v.Revision))
			default:
				t.tell(t.g.Answer(v.Revision, line))
			}
		}
	}
}

// tell repeats the question after an answer that does not do, and says why
// where the question does not.
func (t *Terminal) tell(err error) {
	if err == nil {
		return
	}
	t.shown = ""
	if v, _ := t.g.View(); !strings.Contains(v.Wrong, err.Error()) {
		fmt.Fprintln(t.out, live.Wrap(capitalised(err.Error())+".", "", ""))
	}
}

func capitalised(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// show prints the question where it is another one than before.
func (t *Terminal) show(v *movein.View) {
	var b strings.Builder
	fmt.Fprintf(&b, "\n%s\n%s\n", v.Title, v.Place)
	for _, p := range v.Text {
		hang := ""
		if strings.HasPrefix(p, "- ") {
			hang = "  "
		}
		fmt.Fprintln(&b, live.Wrap(p, "", hang))
	}
	for i, c := range v.Choices {
		fmt.Fprintln(&b, live.Wrap(c.Text, fmt.Sprintf("%3d  ", i+1), "     "))
	}
	if v.Wrong != "" {
		fmt.Fprintln(&b, live.Wrap(capitalised(v.Wrong), "! ", "  "))
	}
	if v.Free && v.Example != "" {
		fmt.Fprintln(&b, live.Wrap("For example: "+v.Example, "", "    "))
	}
	if v.Keep != "" {
		fmt.Fprintln(&b, live.Wrap("Enter = "+v.KeepText, "", "    "))
	}
	if text := b.String(); text != t.shown {
		t.bar.End()
		t.shown = text
		fmt.Fprint(t.out, text)
	}
	if v.Live {
		t.bar.Show(func() string {
			line := fmt.Sprintf("    %7.2f A", v.Amps)
			if v.Waits != "" {
				line = "    " + v.Waits
			}
			if v.Share > 0 {
				line += fmt.Sprintf("  %3.0f %%", 100*v.Share)
			}
			return line
		})
	}
}

// typed delivers the lines of the person.
func typed(r io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(r); s.Scan(); {
			lines <- strings.TrimSpace(s.Text())
		}
	}()
	return lines
}
