package rig

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// Lock is the sole right to a rig's hardware. The kernel gives it back when
// the program ends, however it ends.
type Lock struct{ f *os.File }

// Held is the error of a lock that another program has.
type Held struct {
	Path string
	PID  string // of the holder, as it wrote it; "" if it wrote none
}

func (h *Held) Error() string {
	who := "another kerfwind"
	if h.PID != "" {
		who += ", process " + h.PID + ","
	}
	return fmt.Sprintf("%s has the rig (%s): stop it first, with systemctl stop kerfwind or Ctrl-C", who, h.Path)
}

// Folder is the runtime folder: as given, else as systemd gives it to a
// service, else the usual one.
func Folder(given string) string {
	if given != "" {
		return given
	}
	if d := os.Getenv("RUNTIME_DIRECTORY"); d != "" {
		return strings.SplitN(d, ":", 2)[0]
	}
	return "/run/kerfwind"
}

// TakeLock takes the rig's lock in a folder, which it makes if need be. The
// error is a *Held when somebody else has it.
func TakeLock(folder string) (*Lock, error) {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return nil, fmt.Errorf("the runtime folder: %w; name another one with --runtime", err)
	}
	path := filepath.Join(folder, "rig.lock")
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("the rig's lock: %w; name another folder with --runtime, or run as the user kerfwind", err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		pid := make([]byte, 20)
		n, _ := f.ReadAt(pid, 0) // nothing there is no matter
		_ = f.Close()            // it is not ours
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, &Held{path, strings.TrimSpace(string(pid[:n]))}
		}
		return nil, fmt.Errorf("the rig's lock %s: %w", path, err)
	}
	err = f.Truncate(0)
	if err == nil {
		_, err = f.WriteAt(fmt.Appendln(nil, os.Getpid()), 0)
	}
	if err != nil {
		_ = f.Close() // the first error tells more
		return nil, fmt.Errorf("the rig's lock: %w", err)
	}
	return &Lock{f}, nil
}

// Free gives the lock back.
func (l *Lock) Free() error { return l.f.Close() }
