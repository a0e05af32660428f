package shopfiles

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"kerfwind/cmd/kerfwind/internal/live"
)

// Shelf is where shop files lie: in the state folder those that the program made,
// in the owner's folder his own.
type Shelf struct{ State, Owner string }

func (s Shelf) folders() []string { return []string{filepath.Join(s.State, "shops"), s.Owner} }

// Find returns the absolute path of a shop: a file, or the name of one on the shelf.
func (s Shelf) Find(name string) (string, error) {
	try := []string{name}
	if !strings.ContainsRune(name, filepath.Separator) {
		for _, dir := range s.folders() {
			try = append(try, filepath.Join(dir, strings.TrimSuffix(name, ".toml")+".toml"))
		}
	}
	for _, path := range try {
		switch st, err := os.Stat(path); {
		case err == nil && st.Mode().IsRegular():
			return filepath.Abs(path)
		case err != nil && !errors.Is(err, fs.ErrNotExist):
			return "", err
		}
	}
	return "", fmt.Errorf("there is no shop %q: looked for %s; kerfwind shops lists those that are kept", name, strings.Join(try, ", "))
}

// Back is the command that goes back to a shop file.
func (s Shelf) Back(file string) string {
	name := strings.TrimSuffix(filepath.Base(file), ".toml")
	path := At(s.State, file)
	if got, err := s.Find(name); err != nil || !Same(got, path) {
		name = path
		if abs, err := filepath.Abs(path); err == nil {
			name = abs
		}
	}
	return "kerfwind use " + shellWord(name)
}

// shellWord quotes a word for a shell if need be.
func shellWord(s string) string {
	if strings.ContainsAny(s, " '\"\\$*?[]();&|<>") {
		return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
	}
	return s
}

// Names prints the files on the shelf and marks the one that was chosen; "" is none.
func (s Shelf) Names(w io.Writer, chosen string) error {
	var all []string
	if chosen != "" {
		all = append(all, chosen)
	}
	for _, dir := range s.folders() {
		found, err := filepath.Glob(filepath.Join(dir, "*.toml"))
		if err != nil {
			return err
		}
		for _, path := range found {
			if !slices.Contains(all, path) {
				all = append(all, path)
			}
		}
	}
	for _, path := range all {
		mark := " "
		if path == chosen {
			mark = "*"
		}
		fmt.Fprintln(w, mark, path)
	}
	if chosen == "" {
		fmt.Fprintln(w, `none is chosen: "kerfwind run" runs the one that its --shop names`)
	}
	return nil
}

// Print lists the files on the shelf with what is different in each. now is the one
// in force, "" for none, and why says who wants it; waits says that it takes effect
// at rest.
func (s Shelf) Print(w io.Writer, now, why string, waits bool) error {
	list, err := List(s.State, s.Owner, now)
	if err != nil {
		return err
	}
	found := false
	for i := range list {
		k := &list[i]
		mark := " "
		if now != "" && Same(At(s.State, k.File), now) {
			mark, found = "*", true
		}
		k.print(w, mark)
	}
	switch {
	case now == "":
		fmt.Fprintln(w, "None was chosen, and no kerfwind runs.")
		return nil
	case found && waits:
		fmt.Fprintf(w, "* takes effect once the shop is at rest: %s\n", why)
	case found:
		fmt.Fprintf(w, "* is in use: %s\n", why)
	default:
		fmt.Fprintf(w, "In use: %s, %s\n", now, why)
	}
	if before, ok := Previous(s.State, FromState(s.State, now)); ok {
		fmt.Fprintf(w, "To go back: %s\n", s.Back(before))
	}
	return nil
}

// print says what a file is.
func (k *Kept) print(w io.Writer, mark string) {
	if k.Trouble != nil {
		fmt.Fprintf(w, "%s %s: it cannot be read:\n%s\n", mark, k.Name, k.Trouble)
		return
	}
	fmt.Fprintln(w, live.Wrap(fmt.Sprintf("%s (%q), %s", k.Name, k.Shop, k.Origin()), mark+" ", "  "))
	if k.Before != "" {
		fmt.Fprintf(w, "  against %s:\n", k.Before)
		for _, c := range k.Changes {
			fmt.Fprintln(w, live.Wrap(c, "  - ", "    "))
		}
	}
}
