// Package state keeps what must outlive the program in a folder of small
// files: each is replaced as a whole, so that a power cut leaves the old one or
// the new one. It also writes the files that commands are asked for.
package state

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// usual is where the state is kept when neither a flag nor systemd says.
const usual = "/var/lib/kerfwind"

// maxFile bounds what is read: no file of ours comes near it.
const maxFile = 4 << 20

// Folder is the state folder: as given, else as systemd gives it to a service,
// else the usual one. getenv is asked for STATE_DIRECTORY.
func Folder(given string, getenv func(string) string) string {
	if given != "" {
		return given
	}
	if d, _, _ := strings.Cut(getenv("STATE_DIRECTORY"), ":"); d != "" {
		return d
	}
	return usual
}

// Write puts data in the place of the file of that name in a folder, which it
// makes if need be. After it returns nil, the file holds data also after a
// power cut; before that, and after an error, what it held before.
func Write(folder, name string, data []byte) error { return write(folder, name, data, 0o640) }

// WriteSecret is Write of what nobody but the owner of the folder may read.
func WriteSecret(folder, name string, data []byte) error { return write(folder, name, data, 0o600) }

func makeFolder(folder string) error {
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return fmt.Errorf("the state folder: %w; name another one with --state, or run as the user kerfwind", err)
	}
	return nil
}

func write(folder, name string, data []byte, mode os.FileMode) (err error) {
	if err := makeFolder(folder); err != nil {
		return err
	}
	path := filepath.Join(folder, name)
	f, err := os.CreateTemp(folder, "."+name+".*")
	if err != nil {
		return fmt.Errorf("%s: cannot be written: %w", path, err)
	}
	closed := false
	defer func() {
		if err != nil {
			if !closed {
				err = errors.Join(err, f.Close())
			}
			err = fmt.Errorf("%s: cannot be written: %w", path, errors.Join(err, os.Remove(f.Name())))
		}
	}()
	if _, err := f.Write(data); err != nil {
		return err
	}
	if err := f.Chmod(mode); err != nil {
		return err
	}
	if err := likeFolder(folder, f.Name()); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	closed = true
	if err := f.Close(); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	return syncFolder(folder)
}

// Remove takes a file away for good. It is no error if there is none.
func Remove(folder, name string) error {
	if err := os.Remove(filepath.Join(folder, name)); err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return nil
		}
		return err
	}
	return syncFolder(folder)
}

// syncFolder makes a rename or removal in a folder last.
func syncFolder(folder string) error {
	d, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// Read reads a file of the folder. The error is os.ErrNotExist if there is none.
func Read(folder, name string) ([]byte, error) {
	f, err := os.Open(filepath.Join(folder, name))
	if err != nil {
		return nil, err
	}
	data, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err == nil && len(data) > maxFile {
		err = fmt.Errorf("%s: larger than %d MiB: this is no file of kerfwind", f.Name(), maxFile>>20)
	}
	return data, errors.Join(err, f.Close())
}
