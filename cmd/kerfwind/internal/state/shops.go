package state

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"unicode"

	"golang.org/x/sys/unix"
)

// ShopsFolder is the folder of the shop files that the program made, within the
// state folder.
const ShopsFolder = "shops"

// ShopFile is a shop file that the program made. None is ever changed: a new
// version gets the next number.
type ShopFile struct {
	Name   string // of its versions: letters, digits and dashes
	Number int    // from 1
}

// Path is the file as seen from the state folder.
func (f ShopFile) Path() string {
	return ShopsFolder + "/" + f.Name + "." + strconv.Itoa(f.Number) + ".toml"
}

// Slug makes of a shop's name the name of its files.
func Slug(name string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(name) {
		switch {
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
		if b.Len() >= 60 {
			break
		}
	}
	return cmp.Or(strings.Trim(b.String(), "-"), "shop")
}

// Shops lists the shop files of a state folder, by name and number. None is no
// error.
func Shops(folder string) ([]ShopFile, error) {
	entries, err := os.ReadDir(filepath.Join(folder, ShopsFolder))
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	var out []ShopFile
	for _, e := range entries {
		if f, ok := shopFile(e.Name()); ok && e.Type().IsRegular() {
			out = append(out, f)
		}
	}
	slices.SortFunc(out, func(a, b ShopFile) int { return cmp.Or(cmp.Compare(a.Name, b.Name), a.Number-b.Number) })
	return out, nil
}

// shopFile takes a file's name apart.
func shopFile(name string) (ShopFile, bool) {
	rest, ok := strings.CutSuffix(name, ".toml")
	at := strings.LastIndexByte(rest, '.')
	if !ok || at < 1 || strings.HasPrefix(rest, ".") {
		return ShopFile{}, false
	}
	n, err := strconv.Atoi(rest[at+1:])
	return ShopFile{rest[:at], n}, err == nil && n > 0 && strconv.Itoa(n) == rest[at+1:]
}

// WriteShop keeps a shop file under the next number of the shop's name, a text
// for people, and returns which that is. After it returns nil the file outlasts
// a power cut. It replaces no file.
func WriteShop(folder, name string, data []byte) (ShopFile, error) {
	slug := Slug(name)
	path := filepath.Join(folder, ShopsFolder)
	if err := os.MkdirAll(path, 0o750); err != nil {
		return ShopFile{}, fmt.Errorf("the folder of shops: %w; name another state folder with --state, or run as the user kerfwind", err)
	}
	if err := errors.Join(likeFolder(folder, path), syncFolder(folder)); err != nil {
		return ShopFile{}, fmt.Errorf("the folder of shops: %w", err)
	}
	list, err := Shops(folder)
	if err != nil {
		return ShopFile{}, err
	}
	f := ShopFile{slug, 1}
	for _, old := range list {
		if old.Name == slug {
			f.Number = max(f.Number, old.Number+1)
		}
	}
	// Beside its place first; then it is moved there if the place is free.
	draft := ".new-" + slug
	if err := Write(path, draft, data); err != nil {
		return ShopFile{}, err
	}
	from := filepath.Join(path, draft)
	for {
		to := filepath.Join(folder, f.Path())
		err = unix.Renameat2(unix.AT_FDCWD, from, unix.AT_FDCWD, to, unix.RENAME_NOREPLACE)
		if errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ENOSYS) { // a file system that cannot tell
			if _, there := os.Lstat(to); there == nil {
				err = unix.EEXIST
			} else {
				err = os.Rename(from, to)
			}
		}
		if !errors.Is(err, unix.EEXIST) {
			if err = errors.Join(err, likeFolder(folder, to), syncFolder(path)); err != nil {
				return ShopFile{}, fmt.Errorf("%s: cannot be written: %w", to, err)
			}
			return f, nil
		}
		f.Number++ // somebody else was faster
	}
}

// likeFolder gives what root made to the owner of the folder, so that the
// program, which is not root, can read it.
func likeFolder(folder, made string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	st, err := os.Stat(folder)
	if err != nil {
		return err
	}
	if s, ok := st.Sys().(*syscall.Stat_t); ok {
		return os.Chown(made, int(s.Uid), int(s.Gid))
	}
	return nil
}
