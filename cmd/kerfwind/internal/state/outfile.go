package state

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// FreePath refuses to replace a file without --force: the rule of every command
// that writes one.
func FreePath(path string, force bool) error {
	if st, err := os.Stat(path); path == "-" || force || err != nil || !st.Mode().IsRegular() {
		return nil // new, or CreateTemp says what is wrong
	}
	return fmt.Errorf("%s exists: choose another name, or --force to replace it", path)
}

// WriteFile writes a file beside its place and then moves it there, so that
// the file there is never half written. What is no plain file, such as a
// pipe, is written directly; "-" is standard output.
func WriteFile(path string, force bool, body func(io.Writer) error) (err error) {
	if path == "-" {
		return body(os.Stdout)
	}
	if st, err := os.Stat(path); err == nil && !st.Mode().IsRegular() {
		f, err := os.OpenFile(path, os.O_WRONLY, 0)
		if err != nil {
			return err
		}
		return errors.Join(body(f), f.Close())
	}
	if err := FreePath(path, force); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return fmt.Errorf("%s: cannot be written: %w", path, err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, f.Close(), os.Remove(f.Name()))
		}
	}()
	if err := body(f); err != nil {
		return err
	}
	if err := f.Chmod(0o644); err != nil {
		return fmt.Errorf("%s: cannot be written: %w", path, err)
	}
	if err := f.Sync(); err != nil {
		return fmt.Errorf("%s: cannot be written: %w", path, err)
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return fmt.Errorf("%s: cannot be written: %w", path, err)
	}
	return f.Close()
}
