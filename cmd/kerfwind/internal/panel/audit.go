package panel

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"kerfwind/config"
)

// Row is one line of the record of changes.
type Row struct {
	At      time.Time  `json:"at"`
	Trusted bool       `json:"trusted"` // the clock is
	Shop    string     `json:"shop,omitempty"`
	Role    string     `json:"role"` // that it was done in
	From    string     `json:"from"` // address
	What    string     `json:"what"` // "/stand-down"
	With    url.Values `json:"with,omitempty"`
	Result  string     `json:"result"` // "done", "refused" or "failed"
	Text    string     `json:"text,omitempty"`
}

// audit writes down what was done or tried.
func (s *Server) audit(v *Visit, what, result, text string) {
	row := Row{At: time.Now(), Role: v.Role.String(), From: v.who.from.String(), What: what, With: v.fields, Result: result, Text: text}
	if v.Shop != nil {
		row.Shop = v.Shop.Name
		row.At, row.Trusted = v.Shop.Wall()
	}
	if err := s.o.Audit(row); err != nil {
		s.o.Notice(fmt.Errorf("page: cannot write down %s from %s: %w", what, row.From, err))
	}
}

// mostLog bounds a file of the record, bytes; one older file is kept.
const mostLog = 1 << 20

// Log is a record of changes in a file, one JSON object a line.
type Log struct {
	Path string
	mu   sync.Mutex
}

// Add writes a row. It returns once it would outlast a power cut.
func (l *Log) Add(row Row) error {
	line, err := json.Marshal(row)
	if err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	info, err := os.Stat(l.Path)
	fresh := err != nil
	if !fresh && info.Size() >= mostLog {
		if err := os.Rename(l.Path, l.Path+".1"); err != nil {
			return err
		}
		fresh = true
	}
	folder := filepath.Dir(l.Path)
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return err
	}
	f, err := os.OpenFile(l.Path, os.O_APPEND|os.O_CREATE|os.O_RDWR, 0o640)
	if err != nil {
		return err
	}
	line = append(line, '\n')
	if torn(f) { // by a power cut: what came before does not spoil this row
		line = append([]byte{'\n'}, line...)
	}
	_, err = f.Write(line)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil || !fresh {
		return err
	}
	d, err := os.Open(folder) // its new entry must last too
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// torn reports whether a file ends within a line.
func torn(f *os.File) bool {
	info, err := f.Stat()
	if err != nil || info.Size() == 0 {
		return false
	}
	var last [1]byte
	_, err = f.ReadAt(last[:], info.Size()-1)
	return err == nil && last[0] != '\n'
}

// Rows are the newest rows that keep wants, the newest first, at most so many.
// bad is how many lines of the record cannot be read: one torn by a power cut.
func (l *Log) Rows(most int, keep func(Row) bool) (rows []Row, bad int, err error) {
	for _, path := range []string{l.Path, l.Path + ".1"} {
		text, err := os.ReadFile(path)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, bad, err
		}
		for len(text) > 0 && len(rows) < most {
			text = bytes.TrimSuffix(text, []byte("\n"))
			at := bytes.LastIndexByte(text, '\n') + 1
			line := text[at:]
			text = text[:at]
			var row Row
			switch err := json.Unmarshal(line, &row); {
			case err != nil:
				bad++
			case keep(row):
				rows = append(rows, row)
			}
		}
	}
	return rows, bad, nil
}

// Gave returns what was given with a change, in words: "for 10, gate planer".
func (r *Row) Gave() string {
	var out []string
	for _, key := range slices.Sorted(maps.Keys(r.With)) {
		if value := strings.Join(r.With[key], ", "); value != "" {
			out = append(out, key+" "+value)
		}
	}
	return config.OneLine(strings.Join(out, ", "))
}

// Said returns what came of it, in words.
func (r *Row) Said() string {
	if r.Result == "done" {
		return config.OneLine(r.Text)
	}
	return config.OneLine(strings.TrimSuffix(r.Result+": "+r.Text, ": "))
}
