package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
)

// moveInFlags are the flags of movein.
type moveInFlags struct {
	hardwareFlags
	fresh bool
}

func newMoveIn() *cobra.Command {
	var f moveInFlags
	cmd := &cobra.Command{
		Use:   "movein --rig FILE [--shop FILE]",
		Short: "Match the rig to a new shop, question by question",
		Long: `Movein leads through the matching of a rig to a new shop: its supply and circuits,
which sensor is round which machine's conductor, which output moves which gate,
levels, coast-downs and the duct. Then it looks for what is missing, works out
the air, tries the new shop on a made recording, and puts it in force at rest.

Answer with the number of an answer or with a text. Enter takes what stands
behind "Enter =". b goes a step back and loses nothing. q leaves: the next
movein goes on there, also after a restart.

While it looks at sensors and gates, kerfwind serves no machine. Where kerfwind
runs, it is the one that looks and moves; after q, and at its next start, it takes
up the shop before.
The new shop is a file of its own in the state folder; none is changed. --shop
names the shop before, if it is not the one in force.

A test move moves a gate with a person beside it: hands and tools away.

Exit code 3: a file cannot be used. Exit code 4: the hardware cannot be used.`,
		Example: `  kerfwind movein --rig rig.toml --shop shops/barn.toml`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, stop := untilEnded(cmd.Context())
			defer stop()
			return f.run(ctx, cmd)
		},
	}
	f.add(cmd)
	cmd.Flags().BoolVar(&f.fresh, "fresh", false, "throw away the answers of a move-in that was left, and begin anew")
	return cmd
}

// before is the shop in force: that of the kerfwind that runs, else the one that
// was chosen. --shop names another one.
func (f *moveInFlags) before(running *socket.Status) (movein.Before, error) {
	c, err := daemon.Choose(stateFolder(f.state), "")
	if err != nil {
		return movein.Before{}, &exitError{exitConfig, err}
	}
	b := movein.Before{File: c.File, Chosen: c.Chosen}
	if !c.Chosen && running != nil {
		b.File = ofProcess(running.PID, running.File)
	}
	if f.shop != "" {
		b.File = f.shop
	}
	if b.File == "" || filepath.Base(b.File) == guide.BenchFile {
		return movein.Before{}, nil
	}
	if b.Text, err = os.ReadFile(b.File); err == nil {
		b.File, err = filepath.Abs(b.File)
	}
	if err != nil {
		return b, &exitError{exitConfig, err}
	}
	return b, nil
}

func (f *moveInFlags) run(ctx context.Context, cmd *cobra.Command) error {
	r, err := config.LoadRig(f.rig)
	if err != nil {
		return &exitError{exitConfig, err}
	}
	o := guide.Options{State: stateFolder(f.state), Rig: r, Notice: noticeTo(cmd.ErrOrStderr()), Today: func() string { return time.Now().Format(time.DateOnly) }}
	var g *guide.Guide
	link := &benchLink{rig: r, read: func(x reading) { x.to(g) }, notice: o.Notice, down: func() bool { down, _ := daemon.StoodDown(o.State); return down }}
	runtime := rig.Folder(f.runtime)
	far := &farBench{runtime: runtime, state: o.State, benchLink: link, before: func() string { return g.GoBack() }}
	answer, err := far.request(ctx, socket.Request{Do: socket.DoStatus})
	switch {
	case err == nil: // the daemon looks and moves
		defer far.end()
		o.Link, o.Use = far, far.use
	case errors.Is(err, socket.ErrNobody):
		near := &nearBench{runtime: runtime, benchLink: link, how: realRig()}
		defer near.end()
		o.Link, o.Use = near, func(file string) error { return daemon.SetActiveShop(o.State, file) }
	default:
		return err
	}
	if o.Before, err = f.before(answer.Status); err != nil {
		return err
	}
	if g, err = guide.Open(o); err != nil {
		return err
	}
	defer g.Close()
	link.begin()
	defer link.end()
	if f.fresh {
		if err := g.Fresh(); err != nil {
			return err
		}
	}
	t := moveInTerminal{g: g, out: cmd.OutOrStdout(), bar: live.NewLine(cmd.OutOrStdout())}
	return t.run(ctx, typedAsIs(cmd.InOrStdin()))
}

// moveInTerminal shows the questions of a move-in on a terminal.
type moveInTerminal struct {
	g     *guide.Guide
	out   io.Writer
	bar   *live.Line
	shown string // what was printed last
}

// run asks until the new shop is in force, or the person leaves.
func (t *moveInTerminal) run(ctx context.Context, lines <-chan string) error {
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
func (t *moveInTerminal) tell(err error) {
	if err == nil {
		return
	}
	t.shown = ""
	if v, _ := t.g.View(); !strings.Contains(v.Wrong, err.Error()) {
		fmt.Fprintln(t.out, wrapText(capitalised(err.Error())+".", "", ""))
	}
}

func capitalised(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// show prints the question where it is another one than before.
func (t *moveInTerminal) show(v *movein.View) {
	var b strings.Builder
	fmt.Fprintf(&b, "\n%s\n%s\n", v.Title, v.Place)
	for _, p := range v.Text {
		hang := ""
		if strings.HasPrefix(p, "- ") {
			hang = "  "
		}
		fmt.Fprintln(&b, wrapText(p, "", hang))
	}
	for i, c := range v.Choices {
		fmt.Fprintln(&b, wrapText(c.Text, fmt.Sprintf("%3d  ", i+1), "     "))
	}
	if v.Wrong != "" {
		fmt.Fprintln(&b, wrapText(capitalised(v.Wrong), "! ", "  "))
	}
	if v.Free && v.Example != "" {
		fmt.Fprintln(&b, wrapText("For example: "+v.Example, "", "    "))
	}
	if v.Keep != "" {
		fmt.Fprintln(&b, wrapText("Enter = "+v.KeepText, "", "    "))
	}
	if text := b.String(); text != t.shown {
		t.bar.End()
		t.shown = text
		fmt.Fprint(t.out, text)
	}
	if v.Live {
		t.bar.Show(func() string {
			line := fmt.Sprintf("    %7.2f A", v.Amps)
			if v.Share > 0 {
				line += fmt.Sprintf("  %3.0f %%", 100*v.Share)
			}
			return line
		})
	}
}

// terminalWidth is that of a narrow terminal, or a phone's.
const terminalWidth = 60

// wrapText breaks a text into lines, the first after mark, the others after
// hang.
func wrapText(text, mark, hang string) string {
	var b strings.Builder
	line, n := mark, 0
	for _, w := range strings.Fields(text) {
		if n > 0 && len([]rune(line))+1+len([]rune(w)) > terminalWidth {
			b.WriteString(strings.TrimRight(line, " ") + "\n")
			line, n = hang, 0
		}
		if n > 0 {
			line += " "
		}
		line += w
		n++
	}
	return b.String() + strings.TrimRight(line, " ")
}
