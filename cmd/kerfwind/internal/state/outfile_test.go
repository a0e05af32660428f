package state_test

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"kerfwind/cmd/kerfwind/internal/state"
)

// say writes a text.
func say(text string) func(io.Writer) error {
	return func(w io.Writer) error { _, err := io.WriteString(w, text); return err }
}

// TestWrite: a file is new or as it was, and replaced only where that was said.
func TestWriteFile(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "sheet.txt")
	held := func(want string) {
		t.Helper()
		if got, err := os.ReadFile(path); err != nil || string(got) != want {
			t.Errorf("%q, %v, want %q", got, err, want)
		}
		if left, err := filepath.Glob(filepath.Join(folder, ".*")); err != nil || len(left) > 0 {
			t.Errorf("left behind: %v, %v", left, err)
		}
	}
	if err := state.WriteFile(path, false, say("one")); err != nil {
		t.Fatal(err)
	}
	held("one")
	if err := state.WriteFile(path, false, say("two")); err == nil || !strings.Contains(err.Error(), "--force") {
		t.Error(err)
	}
	held("one")
	broken := errors.New("broken off")
	if err := state.WriteFile(path, true, func(w io.Writer) error { return errors.Join(say("thr")(w), broken) }); !errors.Is(err, broken) {
		t.Error(err)
	}
	held("one")
	if err := state.WriteFile(path, true, say("two")); err != nil {
		t.Error(err)
	}
	held("two")
	if err := state.WriteFile(filepath.Join(folder, "gone", "x"), false, say("x")); err == nil || !strings.Contains(err.Error(), "cannot be written") {
		t.Error(err)
	}
}

// TestWritePipe: what is no plain file is written directly.
func TestWritePipe(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}()
	if err := state.WriteFile(path, false, say("through")); err != nil {
		t.Fatal(err)
	}
	b := make([]byte, 7)
	if _, err := io.ReadFull(r, b); err != nil || string(b) != "through" {
		t.Errorf("%q, %v", b, err)
	}
	if err := state.FreePath("-", false); err != nil {
		t.Error(err)
	}
}
