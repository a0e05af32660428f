package panel

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"time"
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
		s.o.Notice(fmt.Errorf("page: %s of %s was not written down: %w", what, row.From, err))
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
	if info, err := os.Stat(l.Path); err == nil && info.Size() >= mostLog {
		if err := os.Rename(l.Path, l.Path+".1"); err != nil {
			return err
		}
	}
	if err := os.MkdirAll(filepath.Dir(l.Path), 0o750); err != nil {
		return err
	}
	f, err := os.OpenFile(l.Path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(append(line, '\n'))
	return errors.Join(err, f.Sync(), f.Close())
}
