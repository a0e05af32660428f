package doctor

import (
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/warthog618/go-gpiocdev/uapi"
	"golang.org/x/sys/unix"
)

// System is the computer as far as it is not files below Root: what only
// system calls tell. Tests have their own.
type System struct {
	Root string // before every path; "/" but in tests
	UID  int
	// Access says whether this user may read and write a file.
	Access func(path string) error
	// Group is the group of a file by name or number, and whether others of it
	// may read and write the file.
	Group func(path string) (name string, may bool)
	// Chips lists the GPIO chips; denied says that some may not be opened.
	Chips func() (chips []Chip, denied bool)
	// Space returns how much is free for this user, and whether the disk may be written.
	Space func(path string) (free uint64, readOnly bool, err error)
	// Synced says whether the clock is set by somebody who knows.
	Synced func() (bool, error)
	// Holder is the process that has locked a file; "" is nobody.
	Holder func(path string) (pid string, err error)
	// Reach opens a connection to "host:port" and closes it.
	Reach func(address string) error
}

// Chip is a GPIO chip.
type Chip struct {
	Label, Device string
	Lines         []Line
}

// Line is one line of a chip.
type Line struct {
	Used     bool
	Consumer string // who holds it, as it says
}

// Here is this computer.
func Here() System {
	return System{
		Root:   "/",
		UID:    os.Geteuid(),
		Access: func(path string) error { return unix.Access(path, unix.R_OK|unix.W_OK) },
		Group:  group,
		Chips:  chips,
		Space:  space,
		Synced: synced,
		Holder: holder,
		Reach:  reach,
	}
}

func group(path string) (name string, may bool) {
	var st unix.Stat_t
	if err := unix.Stat(path, &st); err != nil {
		return "", false
	}
	return groupName("/etc/group", strconv.FormatUint(uint64(st.Gid), 10)), st.Mode&0o060 == 0o060
}

// groupName looks a number up; where no line has it, the number is the name.
func groupName(file, gid string) string {
	data, err := os.ReadFile(file)
	if err != nil {
		return gid
	}
	for line := range strings.Lines(string(data)) {
		if f := strings.Split(line, ":"); len(f) > 2 && f[2] == gid {
			return f[0]
		}
	}
	return gid
}

func chips() (list []Chip, denied bool) {
	paths, err := filepath.Glob("/dev/gpiochip*")
	if err != nil {
		return nil, false
	}
	var seen []string // some kernels have two names for one chip
	for _, path := range paths {
		if target, err := filepath.EvalSymlinks(path); err == nil {
			path = target
		}
		if slices.Contains(seen, path) {
			continue
		}
		seen = append(seen, path)
		c, err := chip(path)
		switch {
		case errors.Is(err, os.ErrPermission):
			denied = true
		case err == nil:
			list = append(list, c)
		}
	}
	return list, denied
}

func chip(path string) (Chip, error) {
	f, err := os.Open(path)
	if err != nil {
		return Chip{}, err
	}
	defer func() { _ = f.Close() }() // only asked
	info, err := uapi.GetChipInfo(f.Fd())
	if err != nil {
		return Chip{}, fmt.Errorf("%s: %w", path, err)
	}
	c := Chip{Label: uapi.BytesToString(info.Label[:]), Device: filepath.Base(path)}
	for i := range int(info.Lines) {
		l, err := uapi.GetLineInfoV2(f.Fd(), i)
		if err != nil {
			return c, fmt.Errorf("%s: line %d: %w", path, i, err)
		}
		c.Lines = append(c.Lines, Line{Used: l.Flags.IsUsed(), Consumer: uapi.BytesToString(l.Consumer[:])})
	}
	return c, nil
}

func space(path string) (free uint64, readOnly bool, err error) {
	var st unix.Statfs_t
	if err := unix.Statfs(path, &st); err != nil {
		return 0, false, err
	}
	return st.Bavail * uint64(st.Bsize), st.Flags&unix.ST_RDONLY != 0, nil
}

// synced asks the kernel, as adjtimex(2) says: the state is TIME_ERROR as long
// as nobody keeps the clock.
func synced() (bool, error) {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return state != unix.TIME_ERROR, err
}

// holder looks the file up among the kernel's locks: trying the lock could
// make a kerfwind that starts at this instant believe that it is taken.
func holder(path string) (pid string, err error) {
	var st unix.Stat_t
	if err := unix.Stat(path, &st); errors.Is(err, os.ErrNotExist) {
		return "", nil
	} else if err != nil {
		return "", err
	}
	locks, err := os.ReadFile("/proc/locks")
	if err != nil {
		return "", err
	}
	return lockedBy(string(locks), fmt.Sprintf("%02x:%02x:%d", unix.Major(st.Dev), unix.Minor(st.Dev), st.Ino)), nil
}

// lockedBy finds who holds an flock(2) of a file in the text of /proc/locks,
// where a line reads "1: FLOCK  ADVISORY  WRITE 1234 00:19:567 0 EOF".
func lockedBy(locks, file string) (pid string) {
	for line := range strings.Lines(locks) {
		if f := strings.Fields(line); len(f) >= 6 && f[1] == "FLOCK" && f[5] == file {
			return f[4]
		}
	}
	return ""
}

// patience is how long a server may take to let us in.
const patience = 5 * time.Second

func reach(address string) error {
	c, err := net.DialTimeout("tcp", address, patience)
	if err != nil {
		return err
	}
	return c.Close()
}

// path is a path of the computer below Root.
func (s *System) path(name string) string { return filepath.Join(s.Root, name) }

// read returns the text of a file, and whether it is there.
func (s *System) read(name string) (string, bool) {
	b, err := os.ReadFile(s.path(name))
	if err != nil {
		return "", false
	}
	return printable(b), true
}

// glob lists the files of the computer that fit a pattern, without Root.
func (s *System) glob(pattern string) []string {
	list, err := filepath.Glob(s.path(pattern))
	if err != nil {
		return nil
	}
	for i := range list {
		list[i] = "/" + strings.TrimPrefix(strings.TrimPrefix(list[i], filepath.Clean(s.Root)), "/")
	}
	return list
}

// number reads a file that holds one whole number.
func (s *System) number(name string) (int64, bool) {
	text, ok := s.read(name)
	if !ok {
		return 0, false
	}
	n, err := strconv.ParseInt(text, 10, 64)
	return n, err == nil
}
