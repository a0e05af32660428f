package shopfiles

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"path"
	"slices"
	"strings"
	"time"
)

// listName is the part that lists the others. It comes last, so that it can
// tell their sums.
const listName = "kerfwind-backup.json"

// Limits of what is read: a history of half a million runs is a quarter of it.
const (
	maxParts = 1000
	maxPart  = 1 << 30
	maxList  = 1 << 20
)

// The places that parts come from, the first element of their names.
const (
	Config = "config" // the owner's files: rig.toml, shops/NAME.toml
	State  = "state"  // the program's: learned.json, active, shops/…, history.db
)

// list is the content of listName.
type list struct {
	Format  int    `json:"format"`
	Program string `json:"program"`
	Made    string `json:"made"` // RFC 3339
	Parts   []Part `json:"parts"`
}

// Part is one file in a bundle.
type Part struct {
	Name string `json:"name"` // with its place: config/rig.toml
	Size int64  `json:"size"`
	Sum  string `json:"sha256"`
}

// Writer writes a bundle.
type Writer struct {
	z    *zip.Writer
	made time.Time
	list list
}

// NewWriter begins a bundle. made labels it and its parts.
func NewWriter(w io.Writer, program string, made time.Time) *Writer {
	return &Writer{zip.NewWriter(w), made.UTC(), list{Format: 1, Program: program, Made: made.UTC().Format(time.RFC3339)}}
}

// create begins a file of the ZIP file. All have the date of the bundle, so that
// the same parts at the same time make the same bytes.
func (w *Writer) create(name string) (io.Writer, error) {
	return w.z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: w.made})
}

// Add copies a part into the bundle.
func (w *Writer) Add(name string, r io.Reader) error {
	if err := checkName(name); err != nil {
		return err
	}
	out, err := w.create(name)
	if err != nil {
		return err
	}
	h := sha256.New()
	n, err := io.Copy(io.MultiWriter(out, h), r)
	if err != nil {
		return err
	}
	if n > maxPart {
		return fmt.Errorf("%s: larger than 1 GiB", name)
	}
	w.list.Parts = append(w.list.Parts, Part{name, n, hex.EncodeToString(h.Sum(nil))})
	return nil
}

// Close writes the list and ends the bundle.
func (w *Writer) Close() error {
	out, err := w.create(listName)
	if err != nil {
		return err
	}
	e := json.NewEncoder(out)
	e.SetIndent("", "  ")
	if err := e.Encode(w.list); err != nil {
		return err
	}
	return w.z.Close()
}

// checkName says whether a part's name is one that a bundle may hold: nothing
// that could land outside the two folders.
func checkName(name string) error {
	place, rest, ok := strings.Cut(name, "/")
	ok = ok && path.Clean(name) == name && !strings.ContainsAny(name, "\\\x00:") && len(name) < 300
	for _, e := range strings.Split(rest, "/") {
		ok = ok && e != "" && e != "." && e != ".." && !strings.HasPrefix(e, ".")
	}
	switch {
	case !ok:
	case place == Config && (rest == "rig.toml" || isShop(rest)):
		return nil
	case place == State && (rest == "learned.json" || rest == "active" || rest == "history.db" || isShop(rest)):
		return nil
	}
	return fmt.Errorf("%q has no place in a backup of kerfwind's", name)
}

func isShop(name string) bool {
	dir, file := path.Split(name)
	return dir == "shops/" && strings.HasSuffix(file, ".toml") && file != ".toml"
}

// Bundle is a bundle that is read.
type Bundle struct {
	Program string
	Made    time.Time
	Parts   []Part
	files   map[string]*zip.File
}

// Read reads the list of a bundle and compares it with what is there. The
// parts' contents are checked as they are read.
func Read(r io.ReaderAt, size int64) (*Bundle, error) {
	z, err := zip.NewReader(r, size)
	if err != nil {
		return nil, fmt.Errorf("this is no backup, or not a whole one: %w", err)
	}
	if len(z.File) > maxParts {
		return nil, fmt.Errorf("this is no backup of kerfwind's: %d parts", len(z.File))
	}
	b := &Bundle{files: map[string]*zip.File{}}
	for _, f := range z.File {
		if _, twice := b.files[f.Name]; twice {
			return nil, fmt.Errorf("%q is in it twice", f.Name)
		}
		b.files[f.Name] = f
	}
	f, ok := b.files[listName]
	if !ok {
		return nil, fmt.Errorf("this is no backup of kerfwind's: it holds no %s", listName)
	}
	data, err := readAll(f, maxList)
	if err != nil {
		return nil, err
	}
	var l list
	d := json.NewDecoder(bytes.NewReader(data))
	if err := d.Decode(&l); err != nil {
		return nil, fmt.Errorf("%s: %w", listName, err)
	}
	if l.Format != 1 {
		return nil, fmt.Errorf("the backup has format %d and this program reads 1: use a newer kerfwind", l.Format)
	}
	if b.Made, err = time.Parse(time.RFC3339, l.Made); err != nil {
		return nil, fmt.Errorf("%s: made: %w", listName, err)
	}
	b.Program, b.Parts = l.Program, l.Parts
	delete(b.files, listName)
	var errs []error
	for _, p := range b.Parts {
		f, ok := b.files[p.Name]
		switch err := checkName(p.Name); {
		case err != nil:
			errs = append(errs, err)
		case !ok:
			errs = append(errs, fmt.Errorf("%s is missing", p.Name))
		case p.Size < 0 || p.Size > maxPart || f.UncompressedSize64 != uint64(p.Size):
			errs = append(errs, fmt.Errorf("%s is %d bytes long; the list says %d", p.Name, f.UncompressedSize64, p.Size))
		}
	}
	for name := range b.files {
		if !slices.ContainsFunc(b.Parts, func(p Part) bool { return p.Name == name }) {
			errs = append(errs, fmt.Errorf("%q is not in the list", name))
		}
	}
	slices.SortFunc(errs, func(x, y error) int { return strings.Compare(x.Error(), y.Error()) })
	return b, errors.Join(errs...)
}

func readAll(f *zip.File, most int64) ([]byte, error) {
	r, err := f.Open()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.Name, err)
	}
	data, err := io.ReadAll(io.LimitReader(r, most+1))
	if err = errors.Join(err, r.Close()); err != nil {
		return nil, fmt.Errorf("%s: %w", f.Name, err)
	}
	if int64(len(data)) > most {
		return nil, fmt.Errorf("%s: too long", f.Name)
	}
	return data, nil
}

// Copy writes a part to w and checks that it is the same as was put in.
func (b *Bundle) Copy(w io.Writer, p Part) error {
	r, err := b.files[p.Name].Open()
	if err != nil {
		return fmt.Errorf("%s: %w", p.Name, err)
	}
	h := sha256.New()
	n, err := io.Copy(io.MultiWriter(w, h), io.LimitReader(r, p.Size+1))
	if err = errors.Join(err, r.Close()); err != nil {
		return fmt.Errorf("%s: %w", p.Name, err)
	}
	if n != p.Size || sum(h) != p.Sum {
		return fmt.Errorf("%s is not what was put in: the backup is damaged", p.Name)
	}
	return nil
}

func sum(h hash.Hash) string { return hex.EncodeToString(h.Sum(nil)) }
