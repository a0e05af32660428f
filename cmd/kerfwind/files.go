package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"kerfwind/sensor/trace"
)

// exists refuses to replace a file without --force: the rule of every command
// that writes one.
func exists(path string, force bool) error {
	if st, err := os.Stat(path); path == "-" || force || err != nil || !st.Mode().IsRegular() {
		return nil // new, or CreateTemp says what is wrong
	}
	return fmt.Errorf("%s exists: choose another name, or --force to replace it", path)
}

// writeFile writes a file beside its place and then moves it there, so that
// what stands there is never half a file. What is no plain file, such as a
// pipe, is written directly; "-" is standard output.
func writeFile(path string, force bool, body func(io.Writer) error) (err error) {
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
	if err := exists(path, force); err != nil {
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

// progress makes options that show how far a long job is, on a terminal only.
// finish takes the line away again.
func progress(cmd *cobra.Command, what string) (opt trace.Options, finish func()) {
	w, ok := cmd.ErrOrStderr().(*os.File)
	if !ok || !term.IsTerminal(int(w.Fd())) {
		return opt, func() {}
	}
	shown := int64(-1)
	opt.Progress = func(done, total int64) {
		part := done >> 24 // without a total: every 16 MiB
		if total > 0 {
			part = done * 100 / total
		}
		if part == shown {
			return
		}
		shown = part
		if total > 0 {
			fmt.Fprintf(w, "\r%s %d %%", what, part)
		} else {
			fmt.Fprintf(w, "\r%s %d MiB", what, done>>20)
		}
	}
	return opt, func() {
		if shown >= 0 {
			fmt.Fprintf(w, "\r%*s\r", len(what)+16, "")
			shown = -1
		}
	}
}
