package main

import (
	"bufio"
	"io"
	"os"
	"path/filepath"
)

// writeFile writes a file by way of a temporary one beside it, so that it is
// there whole or not at all. What is no plain file, such as a pipe, is written
// directly.
func writeFile(path string, write func(io.Writer) error) error {
	if st, err := os.Stat(path); err == nil && !st.Mode().IsRegular() {
		f, err := os.OpenFile(path, os.O_WRONLY, 0)
		if err != nil {
			return err
		}
		return flushClose(f, write)
	}
	tmp, err := os.CreateTemp(filepath.Dir(path), ".kerfwind-*")
	if err != nil {
		return err
	}
	err = tmp.Chmod(0o644)
	if werr := flushClose(tmp, write); err == nil {
		err = werr
	}
	if err == nil {
		err = os.Rename(tmp.Name(), path)
	}
	if err != nil {
		_ = os.Remove(tmp.Name()) // the first error tells more
	}
	return err
}

// flushClose writes through a buffer and closes f.
func flushClose(f *os.File, write func(io.Writer) error) error {
	w := bufio.NewWriter(f)
	err := write(w)
	if err == nil {
		err = w.Flush()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	return err
}
