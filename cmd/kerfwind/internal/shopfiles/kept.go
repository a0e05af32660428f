package shopfiles

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
)

// Kept is a shop file that is there.
type Kept struct {
	File    string // as state.ShopFile.Path, or the owner's with its path
	Name    string // what a person types: "barn.2", or "barn" for the owner's barn.toml
	Shop    string // the shop's name in it
	Made    time.Time
	Owner   bool   // the owner's own, which the program never changes
	How     string // how it came to be, in words; "" is not known
	Before  string // the file that it came from; "" is not known
	Changes []string
	Trouble error // it cannot be read: nothing else is known of it
}

// mostText bounds a shop file, bytes.
const mostText = 4 << 20

// List lists the shop files that the program made in a state folder, the newest
// first, and then the owner's: in a folder of his, "" for none, and more files
// that are his wherever they lie. Each says what is different in it from the one
// that it came from.
func List(folder, owner string, more ...string) ([]Kept, error) {
	made, err := state.Shops(folder)
	if err != nil {
		return nil, err
	}
	var out []Kept
	seen := map[string]bool{}
	drafts := map[string]*config.Draft{}
	add := func(k Kept) {
		path := At(folder, k.File)
		if seen[resolved(path)] {
			return
		}
		seen[resolved(path)] = true
		st, err := os.Stat(path)
		var text []byte
		if err == nil {
			k.Made = st.ModTime()
			text, err = read(path)
		}
		var d *config.Draft
		if err == nil {
			k.How, k.Before = head(text)
			d, err = config.ParseDraft(k.Name, text)
		}
		if k.Trouble = err; err == nil {
			if k.Shop = k.Name; d.Name != nil {
				k.Shop = *d.Name
			}
			d.Name = &k.Shop
			drafts[k.File] = d
		}
		out = append(out, k)
	}
	for _, f := range made {
		add(Kept{File: f.Path(), Name: nameOf(f.Path())})
	}
	if owner != "" {
		found, err := filepath.Glob(filepath.Join(owner, "*.toml"))
		if err != nil {
			return nil, fmt.Errorf("%s: a folder with * ? [ or \\ in its name cannot be looked through", owner)
		}
		more = append(found, more...)
	}
	for _, path := range more {
		if abs, err := filepath.Abs(path); err == nil && path != "" {
			add(Kept{File: abs, Name: nameOf(path), Owner: true})
		}
	}
	slices.SortStableFunc(out, func(a, b Kept) int {
		if a.Owner != b.Owner {
			return cmp.Compare(btoi(a.Owner), btoi(b.Owner))
		}
		return b.Made.Compare(a.Made)
	})
	for i := range out {
		k := &out[i]
		to := drafts[k.File]
		from := drafts[k.Before]
		if to == nil || k.Before == "" {
			continue
		}
		if from == nil { // it lies elsewhere, or is gone
			if text, err := read(At(folder, k.Before)); err == nil {
				if from, err = config.ParseDraft(k.Before, text); err == nil && from.Name == nil {
					from.Name = to.Name
				}
			}
		}
		if from != nil {
			k.Changes = config.Differences(from, to)
		}
	}
	return out, nil
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// read reads a shop file.
func read(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }() // only read
	return io.ReadAll(io.LimitReader(f, mostText))
}

// nameOf returns what a person calls a file.
func nameOf(path string) string { return strings.TrimSuffix(filepath.Base(path), ".toml") }

// head reads the lines that the program has put above a file of its own.
func head(text []byte) (how, before string) {
	n := 0
	for line := range strings.Lines(string(text)) {
		if n++; n > mostHeads || !strings.HasPrefix(line, "#") {
			return how, before
		}
		line = strings.TrimRight(line, "\r\n")
		if rest, ok := strings.CutPrefix(line, madeBy); ok {
			how = "made " + strings.TrimSuffix(rest, ".")
		}
		if rest, ok := strings.CutPrefix(line, cameFrom); ok {
			before = rest
		}
	}
	return how, before
}

// Differences says in words what is different in the second of two shop files.
func Differences(from, to string) ([]string, error) {
	var d [2]*config.Draft
	for i, path := range []string{from, to} {
		text, err := read(path)
		if err != nil {
			return nil, err
		}
		if d[i], err = config.ParseDraft(path, text); err != nil {
			return nil, err
		}
		if d[i].Name == nil {
			name := nameOf(path)
			d[i].Name = &name
		}
	}
	return config.Differences(d[0], d[1]), nil
}

// Previous is the file to go back to from a file: the one that it came from, if
// it is still there.
func Previous(folder, file string) (string, bool) {
	text, err := read(At(folder, file))
	if err != nil {
		return "", false
	}
	_, before := head(text)
	if before == "" {
		return "", false
	}
	st, err := os.Stat(At(folder, before))
	return before, err == nil && st.Mode().IsRegular()
}
