package shopfiles

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
)

// historyPart is the history's name in a bundle.
const historyPart = State + "/history.db"

// Folders say what is backed up, and where it is restored to.
type Folders struct {
	Config string // of rig.toml and shops/
	State  string
}

// owned lists what belongs into a backup, but for the history: names in it and
// where they lie.
func (f Folders) owned() (names, paths []string, err error) {
	for _, dir := range []string{f.Config, f.State} {
		if strings.ContainsAny(dir, `*?[\`) {
			return nil, nil, fmt.Errorf("%s: a folder with * ? [ or \\ in its name cannot be backed up", dir)
		}
	}
	for _, x := range []struct{ place, dir, pattern string }{
		{Config, f.Config, "rig.toml"}, {Config, f.Config, "shops/*.toml"},
		{State, f.State, "learned.json"}, {State, f.State, "active"}, {State, f.State, "shops/*.toml"},
	} {
		found, err := filepath.Glob(filepath.Join(x.dir, x.pattern))
		if err != nil {
			return nil, nil, err
		}
		for _, p := range found {
			if st, err := os.Stat(p); err != nil || !st.Mode().IsRegular() || strings.HasPrefix(filepath.Base(p), ".") {
				continue
			}
			names = append(names, x.place+"/"+filepath.ToSlash(strings.TrimPrefix(p, filepath.Clean(x.dir)+string(filepath.Separator))))
			paths = append(paths, p)
		}
	}
	return names, paths, nil
}

// lacking says what a backup of these names would be without.
func (f Folders) lacking(names []string) []string {
	var out []string
	if !slices.Contains(names, Config+"/rig.toml") {
		out = append(out, "rig file in "+f.Config)
	}
	if !slices.ContainsFunc(names, func(n string) bool { return strings.Contains(n, "/shops/") }) {
		out = append(out, fmt.Sprintf("shop file in %s or %s", filepath.Join(f.Config, "shops"), filepath.Join(f.State, "shops")))
	}
	if !slices.Contains(names, historyPart) {
		out = append(out, "history in "+f.State)
	}
	return out
}

// Backup writes a bundle of the folders into a file, and says what is in it and
// what it lacks.
func (f Folders) Backup(ctx context.Context, file string, force bool, now time.Time) (names, lacking []string, err error) {
	names, paths, err := f.owned()
	if err != nil {
		return nil, nil, err
	}
	db, err := journal.OpenReader(ctx, f.State)
	switch {
	case errors.Is(err, journal.ErrNone):
	case err != nil:
		return nil, nil, err
	default:
		// The copy lies where there is room for it: beside the backup.
		beside := filepath.Dir(file)
		if file == "-" {
			beside = os.TempDir()
		}
		dir, err := os.MkdirTemp(beside, ".kerfwind-backup-*")
		if err != nil {
			return nil, nil, errors.Join(err, db.Close())
		}
		defer os.RemoveAll(dir) //nolint:errcheck // a copy that stays is no harm, and nobody could act on it
		tmp := filepath.Join(dir, "history.db")
		if err := errors.Join(db.Export(ctx, tmp), db.Close()); err != nil {
			return nil, nil, err
		}
		names, paths = append(names, historyPart), append(paths, tmp)
	}
	if len(names) == 0 {
		return nil, nil, fmt.Errorf("nothing to back up in %s and %s: name the folders with --config and --state", f.Config, f.State)
	}
	return names, f.lacking(names), state.WriteFile(file, force, func(out io.Writer) error { return write(out, names, paths, now) })
}

// write writes a bundle of files under these names.
func write(out io.Writer, names, paths []string, now time.Time) error {
	b := NewWriter(out, "kerfwind", now)
	for i, name := range names {
		in, err := os.Open(paths[i])
		if err != nil {
			return err
		}
		if err := errors.Join(b.Add(name, in), in.Close()); err != nil {
			return err
		}
	}
	return b.Close()
}

// restored is one part on its way to its place.
type restored struct {
	name, tmp, to string
}

// Restored is the result of a restore.
type Restored struct {
	Files int
	Made  time.Time // the backup
	Aside []string  // folders that hold what was there before
}

// Restore checks a bundle whole and then puts its files in place. What is there
// already is kept aside with force, and refused without.
func (f Folders) Restore(ctx context.Context, file string, force bool, now time.Time) (got *Restored, err error) {
	in, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, in.Close()) }()
	st, err := in.Stat()
	if err != nil {
		return nil, err
	}
	b, err := Read(in, st.Size())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	for _, dir := range []string{f.Config, f.State} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return nil, err
		}
	}
	lock, err := journal.Lock(f.State)
	if err != nil {
		if errors.Is(err, journal.ErrInUse) {
			err = fmt.Errorf("%w: stop the daemon first (systemctl stop kerfwind)", err)
		}
		return nil, err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	var parts []restored
	defer func() {
		for _, p := range parts {
			if e := os.Remove(p.tmp); e != nil && !errors.Is(e, fs.ErrNotExist) {
				err = errors.Join(err, e)
			}
		}
	}()
	for _, p := range b.Parts {
		r := f.place(p.Name)
		parts = append(parts, r)
		if err := b.unpack(p, r.tmp); err != nil {
			return nil, err
		}
	}
	if err := check(ctx, parts); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	got = &Restored{Files: len(parts), Made: b.Made}
	if got.Aside, err = f.keepAside(parts, force, now); err != nil {
		return nil, err
	}
	for _, p := range parts {
		if err := os.Rename(p.tmp, p.to); err != nil {
			return nil, err
		}
	}
	return got, syncFolders(parts)
}

// place says where a part goes.
func (f Folders) place(name string) restored {
	place, rest, _ := strings.Cut(name, "/")
	dir := f.Config
	if place == State {
		dir = f.State
	}
	to := filepath.Join(dir, filepath.FromSlash(rest))
	return restored{name: name, to: to, tmp: filepath.Join(filepath.Dir(to), ".restored-"+filepath.Base(to))}
}

// unpack writes a part beside its place, lasting.
func (b *Bundle) unpack(p Part, tmp string) error {
	if dir := filepath.Dir(tmp); filepath.Base(dir) == "shops" {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return err
		}
		if err := journal.LikeFolder(dir); err != nil {
			return err
		}
	}
	out, err := os.OpenFile(tmp, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	err = b.Copy(out, p)
	if err == nil {
		err = errors.Join(out.Sync(), journal.LikeFolder(tmp))
	}
	return errors.Join(err, out.Close())
}

// check makes sure that this program can use what is to be restored.
func check(ctx context.Context, parts []restored) error {
	var errs []error
	var rig *config.Rig
	for _, p := range parts {
		if p.name != Config+"/rig.toml" {
			continue
		}
		data, err := os.ReadFile(p.tmp)
		if err == nil {
			rig, err = config.ParseRig(p.name, data)
		}
		errs = append(errs, err)
	}
	for _, p := range parts {
		switch {
		case p.name == historyPart:
			errs = append(errs, journal.CheckFile(ctx, p.tmp))
		case rig != nil && strings.HasSuffix(p.name, ".toml") && strings.Contains(p.name, "/shops/"):
			data, err := os.ReadFile(p.tmp)
			if err == nil {
				_, err = config.ParseShop(p.name, data, rig)
			}
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// inTheWay lists what lies where the parts go.
func inTheWay(parts []restored) []string {
	var there []string
	for _, p := range parts {
		ends := []string{""}
		if p.name == historyPart {
			ends = []string{"", "-wal", "-shm"}
		}
		for _, end := range ends {
			if _, err := os.Lstat(p.to + end); err == nil {
				there = append(there, p.to+end)
			}
		}
	}
	return there
}

// keepAside moves what is in the way into a folder of its own in each place,
// and says which. Without force it refuses, and moves nothing.
func (f Folders) keepAside(parts []restored, force bool, now time.Time) (aside []string, err error) {
	there := inTheWay(parts)
	if len(there) > 0 && !force {
		return nil, fmt.Errorf("these are there already:\n  %s\nnothing was changed: --force keeps them aside and restores", strings.Join(there, "\n  "))
	}
	for _, path := range there {
		dir := f.State
		if rel, err := filepath.Rel(f.Config, path); err == nil && filepath.IsLocal(rel) {
			dir = f.Config
		}
		rel, err := filepath.Rel(dir, path)
		if err != nil {
			return aside, err
		}
		keep := filepath.Join(dir, "before-restore-"+now.Format("20060102T150405"))
		if !slices.Contains(aside, keep) {
			if _, err := os.Lstat(keep); err == nil {
				return aside, fmt.Errorf("%s is there already: try again in a second", keep)
			}
			aside = append(aside, keep)
		}
		if err := os.MkdirAll(filepath.Join(keep, filepath.Dir(rel)), 0o755); err != nil {
			return aside, err
		}
		if err := os.Rename(path, filepath.Join(keep, rel)); err != nil {
			return aside, err
		}
	}
	return aside, nil
}

// syncFolders makes the renames lasting.
func syncFolders(parts []restored) error {
	var done []string
	var errs []error
	for _, p := range parts {
		dir := filepath.Dir(p.to)
		if slices.Contains(done, dir) {
			continue
		}
		done = append(done, dir)
		d, err := os.Open(dir)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		errs = append(errs, d.Sync(), d.Close())
	}
	return errors.Join(errs...)
}

// SayLacking prints what is not in a backup.
func SayLacking(w io.Writer, lacking []string) {
	for _, x := range lacking {
		fmt.Fprintf(w, "notice: there is no %s, so none is in the backup: --config and --state name the folders\n", x)
	}
}
