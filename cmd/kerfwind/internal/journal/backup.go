package journal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Keep is how many daily backups are kept.
const Keep = 7

// backups lists the backups in a folder, oldest first. Their names begin with a
// number that rises, since the clock may have been wrong: 000012-2026-03-01.db.
func backups(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, e := range entries {
		if _, _, ok := backupName(e.Name()); ok && e.Type().IsRegular() {
			out = append(out, filepath.Join(dir, e.Name()))
		}
	}
	slices.Sort(out)
	return out, nil
}

// backupName reads a backup's number and date from its name.
func backupName(name string) (n int, date string, ok bool) {
	number, rest, ok := strings.Cut(name, "-")
	date, isDB := strings.CutSuffix(rest, ".db")
	if !ok || !isDB || len(number) != 6 {
		return 0, "", false
	}
	n, err := strconv.Atoi(number)
	if err != nil || n < 0 {
		return 0, "", false
	}
	_, err = time.Parse(time.DateOnly, date)
	return n, date, err == nil
}

// backupDue reports whether the newest backup is of another day than now. A clock
// that is not to be trusted makes none for a day that seems past.
func backupDue(dir string, now time.Time, trusted bool) (bool, error) {
	all, err := backups(dir)
	if err != nil || len(all) == 0 {
		return true, err
	}
	_, newest, _ := backupName(filepath.Base(all[len(all)-1]))
	today := now.Format(time.DateOnly)
	return today > newest || trusted && today != newest, nil
}

// Backup writes a backup into dir and removes those beyond Keep.
func (db *DB) Backup(ctx context.Context, dir string, now time.Time) error {
	all, err := backups(dir)
	if err != nil {
		return err
	}
	n := 0
	if len(all) > 0 {
		n, _, _ = backupName(filepath.Base(all[len(all)-1]))
	}
	if err := db.Export(ctx, filepath.Join(dir, fmt.Sprintf("%06d-%s.db", n+1, now.Format(time.DateOnly)))); err != nil {
		return err
	}
	all, err = backups(dir)
	if err != nil {
		return err
	}
	var errs []error
	for len(all) > Keep {
		errs = append(errs, os.Remove(all[0]))
		all = all[1:]
	}
	return errors.Join(errs...)
}

// Export writes a whole copy of the history, as of one instant, to a new file.
// The file at path is never half a copy.
func (db *DB) Export(ctx context.Context, path string) (err error) {
	tmp := filepath.Join(filepath.Dir(path), "."+filepath.Base(path)+".tmp")
	if err := os.Remove(tmp); err != nil && !errors.Is(err, os.ErrNotExist) { // of a backup that was cut short
		return err
	}
	defer func() {
		if err != nil {
			if e := os.Remove(tmp); !errors.Is(e, os.ErrNotExist) {
				err = errors.Join(err, e)
			}
		}
	}()
	if _, err := db.sql.ExecContext(ctx, "VACUUM INTO ?", tmp); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return putFile(tmp, path)
}

// putFile makes a finished file lasting under its name.
func putFile(tmp, path string) error {
	f, err := os.OpenFile(tmp, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(tmp, path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// copyFile copies a file to a new place, lasting.
func copyFile(from, to string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, in.Close()) }()
	tmp := to + ".tmp"
	out, err := os.OpenFile(tmp, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o640)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	if err = errors.Join(err, out.Close()); err != nil {
		return err
	}
	return putFile(tmp, to)
}
