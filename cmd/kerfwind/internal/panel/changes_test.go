package panel

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// What was written is read back, the newest first, over both files and past
// lines that a power cut has torn.
func TestLogRows(t *testing.T) {
	l := &Log{Path: filepath.Join(t.TempDir(), "audit.jsonl")}
	all := func(Row) bool { return true }
	if rows, bad, err := l.Rows(5, all); len(rows) != 0 || bad != 0 || err != nil {
		t.Errorf("of no file: %v %d %v", rows, bad, err)
	}
	at := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	add := func(n int) {
		if err := l.Add(Row{At: at.Add(time.Duration(n) * time.Minute), What: fmt.Sprint(n), Result: "done"}); err != nil {
			t.Fatal(err)
		}
	}
	add(0)
	add(1)
	if err := os.Rename(l.Path, l.Path+".1"); err != nil {
		t.Fatal(err)
	}
	add(2)
	add(3)
	f, err := os.OpenFile(l.Path, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	_, err = f.WriteString(`{"at":"2026-03`)
	if err = errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		most int
		want string
		keep func(Row) bool
	}{{10, "3210", all}, {3, "321", all}, {1, "3", all}, {10, "20", func(r Row) bool { return strings.Contains("02", r.What) }}} {
		rows, bad, err := l.Rows(x.most, x.keep)
		got := ""
		for _, r := range rows {
			got += r.What
		}
		if got != x.want || bad != 1 || err != nil {
			t.Errorf("%d: %q, %d bad, %v, want %q", x.most, got, bad, err, x.want)
		}
	}
	if _, _, err := (&Log{Path: t.TempDir()}).Rows(1, all); err == nil {
		t.Error("a folder is read")
	}
}

// A row in words stays on its line.
func TestRowWords(t *testing.T) {
	r := Row{With: url.Values{"gate": {"pla\x1b[31mner"}, "for": {"10"}, "empty": {""}}, Result: "refused", Text: "not\nnow"}
	if r.Gave() != "for 10, gate pla [31mner" || r.Said() != "refused: not now" {
		t.Errorf("%q %q", r.Gave(), r.Said())
	}
	if r = (Row{Result: "failed"}); r.Said() != "failed" || r.Gave() != "" {
		t.Errorf("%q %q", r.Gave(), r.Said())
	}
}

// Every act has words for people.
func TestActWords(t *testing.T) {
	for _, a := range addresses() {
		if a.method == http.MethodPost && actWords[a.path] == "" {
			t.Errorf("%s has no words", a.path)
		}
	}
}

// The list is for those who may set up, and escapes what others gave.
func TestChanges(t *testing.T) {
	b := siege(t, Look, Operate, Setup)
	var rows []Row
	var wrong error
	b.o.Changes = func(most int) ([]Row, error) { return rows[:min(most, len(rows))], wrong }
	setup := b.enter(Setup)
	page := func(want ...string) {
		t.Helper()
		reads(t, b.send(form("GET", "/changes", ""), setup), http.StatusOK, want...)
	}
	code := func(who *http.Cookie) int { return b.send(form("GET", "/changes", ""), who).Code }
	page("Nobody has changed anything on this page yet.")
	rows = []Row{{At: time.Date(2026, 3, 2, 9, 0, 0, 0, time.Local), Role: "operate", From: "192.0.2.7", What: "/hold", With: url.Values{"gate": {"<b>planer"}}, Result: "refused", Text: "not at rest"},
		{Trusted: true, Role: "setup", From: "192.0.2.8", What: "/stand-down", Result: "done"}}
	page("2026-03-02 09:00:00", "the clock was not set", "gate &lt;b&gt;planer", "operate, 192.0.2.7", `<span class="bad">refused: not at rest</span>`, `<span class="ok">done</span>`)
	for len(rows) <= mostChanges {
		rows = append(rows, rows[1])
	}
	page("Older ones")
	if got := code(b.enter(Operate)); got == http.StatusOK {
		t.Errorf("operate may see it: %d", got)
	}
	wrong = errors.New("the disk")
	if got := code(setup); got != http.StatusInternalServerError {
		t.Errorf("a record that cannot be read: %d", got)
	}
	b.o.Changes = nil
	page("This program records no changes here.")
}
