package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"modernc.org/sqlite"
)

// DB is an open history.
type DB struct {
	sql  *sql.DB
	path string
	lock *os.File // nil: read-only, or a guest beside the daemon
}

// access holds what a file is opened for.
type access uint8

const (
	writing access = iota + 1
	reading        // while another may write
	still          // a copy that nobody writes: no log, no locks
)

// dsn names the file with the settings of a connection. wal_autocheckpoint
// counts pages: 800 are 800 kB, and journal_size_limit keeps the log's file
// small after a rush.
func dsn(path string, how access) string {
	q := url.Values{}
	pragma := func(p ...string) {
		for _, s := range p {
			q.Add("_pragma", s)
		}
	}
	pragma("busy_timeout(5000)")
	switch how {
	case reading, still:
		q.Set("mode", "ro")
		if how == still {
			q.Set("immutable", "1")
		}
	case writing:
		q.Set("_txlock", "immediate")
		pragma("journal_mode(WAL)", "synchronous(FULL)", "wal_autocheckpoint(800)", "journal_size_limit(262144)", "foreign_keys(1)")
	}
	u := url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}
	return u.String()
}

// open opens a file with one connection, and makes sure that it can be read.
func open(ctx context.Context, path string, how access) (*DB, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	s, err := sql.Open("sqlite", dsn(abs, how))
	if err != nil {
		return nil, err
	}
	s.SetMaxOpenConns(1)
	var n int
	if err := s.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&n); err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", path, err), s.Close())
	}
	return &DB{sql: s, path: path}, nil
}

// Path is where the history of a state directory lies.
func Path(dir string) string { return filepath.Join(dir, fileName) }

// ErrNone says that a state directory holds no history yet.
var ErrNone = errors.New("no history yet")

// OpenReader opens the history of a state directory for reports. A daemon may
// be writing it.
func OpenReader(ctx context.Context, dir string) (*DB, error) {
	path := Path(dir)
	if _, err := os.Stat(path); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%s: %w: the daemon begins one; pass its state folder with --state", path, ErrNone)
		}
		return nil, err
	}
	how := reading
	if _, err := os.Stat(path + "-wal"); errors.Is(err, fs.ErrNotExist) {
		how = still // no log: nobody has it open, and reading leaves no files behind
	}
	db, err := open(ctx, path, how)
	if err != nil {
		return nil, err
	}
	if err := db.known(ctx); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// OpenGuest opens the history for one small change beside a daemon: a reset.
// The file must exist and be of this program's version.
func OpenGuest(ctx context.Context, dir string) (*DB, error) {
	if _, err := os.Stat(Path(dir)); err != nil {
		return nil, fmt.Errorf("%s: %w", Path(dir), ErrNone)
	}
	db, err := open(ctx, Path(dir), writing)
	if err != nil {
		return nil, err
	}
	if err := db.known(ctx); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// known refuses a file of another program or another version.
func (db *DB) known(ctx context.Context) error {
	var version, app int
	if err := db.sql.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	if err := db.sql.QueryRowContext(ctx, "PRAGMA application_id").Scan(&app); err != nil {
		return err
	}
	switch {
	case app != appID:
		return fmt.Errorf("%s: %w", db.path, errForeign)
	case version > len(migrations):
		return &NewerError{db.path, version, len(migrations)}
	case version < len(migrations):
		return fmt.Errorf("%s: history version %d is older than this program: start the daemon once to bring the file up to date", db.path, version)
	}
	return nil
}

// Close closes the file. Closing the last connection folds the log into it.
func (db *DB) Close() error {
	err := db.sql.Close()
	if db.lock != nil {
		err = errors.Join(err, db.lock.Close())
	}
	return err
}

// reopen takes a new connection to the file. bad: the file is closed for good,
// with its lock, so that it is checked when it is opened again.
func (db *DB) reopen(ctx context.Context, bad bool) error {
	err := db.sql.Close()
	if !bad {
		var again *DB
		if again, err = open(ctx, db.path, writing); err == nil {
			db.sql = again.sql
			return nil
		}
	}
	return errors.Join(errDamaged, err, db.lock.Close())
}

// ErrInUse says that another program writes the history.
var ErrInUse = errors.New("another kerfwind writes this history")

// Lock takes the lock of a state directory's history, which its one writer
// holds. Closing the file gives it back.
func Lock(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, lockName), os.O_CREATE|os.O_RDWR, 0o640)
	if err != nil {
		return nil, err
	}
	if err := LikeFolder(f.Name()); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		if errors.Is(err, syscall.EWOULDBLOCK) {
			err = ErrInUse
		}
		return nil, errors.Join(fmt.Errorf("%s: %w", f.Name(), err), f.Close())
	}
	return f, nil
}

// LikeFolder gives a file in the state directory, made by root, to the
// directory's owner: the daemon runs as that user and must be able to write it.
func LikeFolder(path string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	st, err := os.Stat(filepath.Dir(path))
	if err != nil {
		return err
	}
	if s, ok := st.Sys().(*syscall.Stat_t); ok {
		return os.Chown(path, int(s.Uid), int(s.Gid))
	}
	return nil
}

// Repair says what opening a history has mended.
type Repair struct {
	Damage   error  // what was wrong with the file; nil nothing
	Aside    string // where the damaged file lies now
	From     string // the backup it was made again from; "" none was good
	Totals   int    // totals that did not agree with the rows and were made again
	Migrated bool
}

// openWriter opens the history for its one writer: it takes the lock, checks
// the file, sets a damaged one aside and takes the newest good backup, and
// brings the version up to date.
func openWriter(ctx context.Context, dir string, now time.Time, steps []string) (_ *DB, r Repair, err error) {
	if err := os.MkdirAll(filepath.Join(dir, backupsDir), 0o750); err != nil {
		return nil, r, err
	}
	lock, err := Lock(dir)
	if err != nil {
		return nil, r, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, lock.Close())
		}
	}()
	path := Path(dir)
	if err := create(ctx, path); err != nil {
		return nil, r, err
	}
	db, err := openChecked(ctx, path)
	if damaged(err) {
		r.Damage = err
		if r.Aside, err = setAside(path, now); err != nil {
			return nil, r, fmt.Errorf("a damaged history cannot be set aside: %w", err)
		}
		if r.From, err = takeBackup(ctx, dir, steps); err != nil {
			return nil, r, err
		}
		db, err = openChecked(ctx, path)
	}
	if err != nil {
		return nil, r, err
	}
	db.lock = lock
	defer func() {
		if err != nil {
			err = errors.Join(err, db.sql.Close())
		}
	}()
	err = migrate(ctx, db.sql, path, steps, func() error {
		r.Migrated = true
		return db.Backup(ctx, filepath.Join(dir, backupsDir), now)
	})
	if err != nil {
		return nil, r, err
	}
	return db, r, err
}

// openChecked opens a file for writing and checks every page of it.
func openChecked(ctx context.Context, path string) (*DB, error) {
	db, err := open(ctx, path, writing)
	if err != nil {
		return nil, err
	}
	if err := db.Check(ctx); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// errDamaged holds what Check found.
var errDamaged = errors.New("the file is damaged")

// Check reads every page of the file.
func (db *DB) Check(ctx context.Context) error {
	found, err := collect(ctx, db.sql, "PRAGMA quick_check(5)", func(r *sql.Rows) (s string, err error) {
		err = r.Scan(&s)
		return s, err
	})
	if err != nil {
		return err
	}
	found = slices.DeleteFunc(found, func(s string) bool { return s == "ok" })
	if len(found) > 0 {
		return fmt.Errorf("%s: %w: %s", db.path, errDamaged, strings.Join(found, "; "))
	}
	return nil
}

// SQLite's primary result codes (sqlite.org/rescode.html).
const (
	codeError      = 1
	codeCorrupt    = 11
	codeConstraint = 19
	codeMismatch   = 20
	codeNotADB     = 26
)

// code is SQLite's primary result code of an error, 0 if it has none.
func code(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code() & 0xff
	}
	return 0
}

// damaged reports whether an error means that the file itself is bad.
func damaged(err error) bool {
	c := code(err)
	return errors.Is(err, errDamaged) || c == codeCorrupt || c == codeNotADB
}

// setAside renames a file and its log, and says where the file lies now. An
// older one of the same name is kept.
func setAside(path string, now time.Time) (string, error) {
	base := strings.TrimSuffix(path, filepath.Ext(path)) + ".damaged-" + now.UTC().Format("20060102T150405")
	aside := base + ".db"
	for n := 2; ; n++ {
		if _, err := os.Lstat(aside); errors.Is(err, fs.ErrNotExist) {
			break
		}
		aside = fmt.Sprintf("%s-%d.db", base, n)
	}
	for _, end := range []string{"-wal", "-shm", ""} { // the file last: a cut in between leaves it to be found again
		if err := os.Rename(path+end, aside+end); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
	}
	return aside, syncDir(filepath.Dir(path))
}

// takeBackup copies the newest good backup to where the history belongs and
// returns its name, or "" when there is none.
func takeBackup(ctx context.Context, dir string, steps []string) (string, error) {
	names, err := backups(filepath.Join(dir, backupsDir))
	if err != nil {
		return "", err
	}
	for _, name := range slices.Backward(names) {
		err := goodFile(ctx, name, len(steps))
		if err != nil {
			continue // an older one may be good
		}
		return name, copyFile(name, Path(dir))
	}
	return "", nil
}

// goodFile checks a copy of a history that nobody writes.
func goodFile(ctx context.Context, path string, version int) error {
	db, err := open(ctx, path, still)
	if err != nil {
		return err
	}
	var app, has int
	err = errors.Join(db.Check(ctx),
		db.sql.QueryRowContext(ctx, "PRAGMA application_id").Scan(&app),
		db.sql.QueryRowContext(ctx, "PRAGMA user_version").Scan(&has),
		db.Close())
	switch {
	case err != nil:
		return err
	case app != appID:
		return fmt.Errorf("%s: %w", path, errForeign)
	case has > version:
		return &NewerError{path, has, version}
	}
	return nil
}

// CheckFile checks every page of a copy of a history that nobody writes, and
// that this program knows its version.
func CheckFile(ctx context.Context, path string) error { return goodFile(ctx, path, len(migrations)) }
