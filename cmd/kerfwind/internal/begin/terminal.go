package begin

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/cmd/kerfwind/internal/wiresheet"
	"kerfwind/config"
)

// AnswersFile keeps the answers in the folder that the files are written to.
const AnswersFile = "begin.json"

// Terminal asks on a terminal and writes the files.
type Terminal struct {
	Folder string // where everything is written
	Force  bool   // files that exist are replaced
	Out    io.Writer
}

// Run asks until everything is answered, and writes the files; or until the input ends
// or somebody leaves. The answers are kept after each.
func (t *Terminal) Run(in io.Reader) error {
	s, err := t.open()
	if err != nil {
		return err
	}
	fmt.Fprintln(t.Out, "Enter takes what is proposed, b goes a question back, q leaves and keeps your answers.")
	lines := bufio.NewScanner(in)
	for {
		q, more := s.Next()
		if !more {
			return t.write(s)
		}
		t.show(&q)
		if !lines.Scan() {
			fmt.Fprintf(t.Out, "\nLeft. Your answers are kept in %s: the same command goes on here.\n", filepath.Join(t.Folder, AnswersFile))
			return lines.Err()
		}
		switch text := strings.TrimSpace(lines.Text()); text {
		case "q":
			fmt.Fprintf(t.Out, "Left. Your answers are kept in %s: the same command goes on here.\n", filepath.Join(t.Folder, AnswersFile))
			return nil
		case "b":
			if !s.Back() {
				fmt.Fprintln(t.Out, "This is the first question.")
			}
		default:
			if err := s.Answer(text); err != nil {
				fmt.Fprintln(t.Out, live.Wrap(err.Error(), "! ", "  "))
				continue
			}
			if err := t.keep(s); err != nil {
				return err
			}
			if sheet := s.Sheet(); sheet != "" {
				fmt.Fprintln(t.Out, "  "+sheet)
			}
		}
	}
}

// open takes the answers up that were kept.
func (t *Terminal) open() (*Session, error) {
	path := filepath.Join(t.Folder, AnswersFile)
	data, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return New(), os.MkdirAll(t.Folder, 0o755)
	}
	if err != nil {
		return nil, err
	}
	s, err := Restore(data)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return s, nil
}

func (t *Terminal) keep(s *Session) error {
	data, err := s.Encode()
	if err != nil {
		return err
	}
	return state.WriteFile(filepath.Join(t.Folder, AnswersFile), true, func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	})
}

// show prints a question.
func (t *Terminal) show(q *Question) {
	fmt.Fprintf(t.Out, "\n%s\n", live.Wrap(fmt.Sprintf("%d of %d. %s", q.Number, q.Of, q.Title), "", ""))
	fmt.Fprintln(t.Out, live.Wrap(q.Why, "  ", "  "))
	for i, c := range q.Choices {
		fmt.Fprintln(t.Out, live.Wrap(c.Text, fmt.Sprintf("%3d  ", i+1), "     "))
	}
	if q.Example != "" {
		fmt.Fprintln(t.Out, live.Wrap("For example: "+q.Example, "  ", "    "))
	}
	if q.Default != "" {
		text := q.Default
		for _, c := range q.Choices {
			if c.Answer == text {
				text = c.Text
			}
		}
		fmt.Fprintln(t.Out, live.Wrap("Enter = "+text, "  ", "    "))
	}
}

// write writes rig, shop, wiring sheet and what comes next.
func (t *Terminal) write(s *Session) error {
	rigText, shopText, name, err := s.Files()
	if err != nil {
		return fmt.Errorf("these answers do not make a rig and a shop that can be used; b goes back: %w", err)
	}
	at := func(parts ...string) string { return filepath.Join(append([]string{t.Folder}, parts...)...) }
	rigPath, shopPath := at("rig.toml"), at("shops", name)
	for _, p := range []string{rigPath, shopPath, at("wiring.txt"), at("wiring.html")} {
		if err := state.FreePath(p, t.Force); err != nil {
			return err
		}
	}
	if err := os.MkdirAll(at("shops"), 0o755); err != nil {
		return err
	}
	put := func(path string, text []byte) error {
		return state.WriteFile(path, t.Force, func(w io.Writer) error {
			_, err := w.Write(text)
			return err
		})
	}
	if err := errors.Join(put(rigPath, rigText), put(shopPath, shopText)); err != nil {
		return err
	}
	r, err := config.LoadRig(rigPath)
	if err != nil {
		return err
	}
	shop, err := config.LoadShop(shopPath, r)
	if err != nil {
		return err
	}
	sheet := wiresheet.Make(r, shop)
	if err := errors.Join(state.WriteFile(at("wiring.txt"), t.Force, sheet.WriteText), state.WriteFile(at("wiring.html"), t.Force, sheet.WriteHTML)); err != nil {
		return err
	}
	fmt.Fprintf(t.Out, `
Written: %s and %s, which are yours from now on: change them as you like.
%s and wiring.html say what to buy and which wire goes where.
Levels and times are learned at the machines: kerfwind learn.
Next:
  kerfwind check --rig %[1]s --shop %[2]s
  kerfwind rehearse --rig %[1]s --shop %[2]s
`, rigPath, shopPath, at("wiring.txt"))
	return nil
}
