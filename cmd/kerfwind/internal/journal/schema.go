package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"time"
)

// appID marks the file as ours in its header ("kerf").
const appID = 0x6b657266

// migrations bring a file from each version to the next; version 0 is empty.
// They are never changed once released, only added to.
var migrations = []string{schema1}

// schema1 is the first version. Times are milliseconds: at from the boot on,
// wall from 1970 (UTC). day counts days from 1970-01-01 in the calendar of the
// shop when the row was labelled. doubtful: the clock was not to be trusted.
//
// A span is something that lasts: kind is machine, collector, outlet,
// gate-open, gate-close (a move; its length is the travel) or fault:NAME. ms is
// null while it lasts. ending says how it ended:
//
//	seen    its end was seen
//	closed  the program ended in order while it lasted
//	cut     power cut or crash: ended at the last known instant
//	lost    its end was among events that had to be dropped
//	failed  a move that was not confirmed
//	turned  a move that was stopped or turned round
//
// A mark is something that happens: kind is the name of its event.
const schema1 = `
CREATE TABLE session (
	id       INTEGER PRIMARY KEY,
	boot     TEXT    NOT NULL,
	at       INTEGER NOT NULL,
	last     INTEGER NOT NULL,
	wall     INTEGER NOT NULL,
	doubtful INTEGER NOT NULL,
	shop     TEXT    NOT NULL,
	program  TEXT    NOT NULL,
	budget   INTEGER NOT NULL,
	ending   TEXT    CHECK (ending IN ('closed', 'cut'))
) STRICT;
CREATE TABLE span (
	id       INTEGER PRIMARY KEY,
	session  INTEGER NOT NULL REFERENCES session(id),
	kind     TEXT    NOT NULL,
	name     TEXT    NOT NULL,
	cause    TEXT    NOT NULL,
	at       INTEGER NOT NULL,
	ms       INTEGER CHECK (ms >= 0),
	wall     INTEGER NOT NULL,
	day      INTEGER NOT NULL,
	doubtful INTEGER NOT NULL,
	ending   TEXT    CHECK (ending IN ('seen', 'closed', 'cut', 'lost', 'failed', 'turned')),
	CHECK ((ms IS NULL) = (ending IS NULL))
) STRICT;
CREATE INDEX span_day ON span(day, kind);
CREATE INDEX span_machine ON span(name, day) WHERE kind = 'machine';
CREATE INDEX span_doubtful ON span(session) WHERE doubtful = 1;
CREATE INDEX span_lasting ON span(session) WHERE ms IS NULL;
CREATE TABLE mark (
	id       INTEGER PRIMARY KEY,
	session  INTEGER NOT NULL REFERENCES session(id),
	kind     TEXT    NOT NULL,
	name     TEXT    NOT NULL,
	cause    TEXT    NOT NULL,
	at       INTEGER NOT NULL,
	wall     INTEGER NOT NULL,
	day      INTEGER NOT NULL,
	doubtful INTEGER NOT NULL,
	value    INTEGER NOT NULL
) STRICT;
CREATE INDEX mark_kind ON mark(kind);
CREATE TABLE day_total (
	day      INTEGER NOT NULL,
	kind     TEXT    NOT NULL,
	name     TEXT    NOT NULL,
	n        INTEGER NOT NULL,
	ms       INTEGER NOT NULL,
	longest  INTEGER NOT NULL,
	cut      INTEGER NOT NULL,
	doubtful INTEGER NOT NULL,
	PRIMARY KEY (day, kind, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE counter (
	kind TEXT    NOT NULL,
	name TEXT    NOT NULL,
	n    INTEGER NOT NULL,
	ms   INTEGER NOT NULL,
	PRIMARY KEY (kind, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE item (
	id    INTEGER PRIMARY KEY,
	name  TEXT    NOT NULL,
	kind  TEXT    NOT NULL,
	of    TEXT    NOT NULL,
	every INTEGER NOT NULL CHECK (every >= 0)
) STRICT;
CREATE TABLE reset (
	id       INTEGER PRIMARY KEY,
	item     TEXT    NOT NULL,
	base     INTEGER NOT NULL,
	boot     TEXT    NOT NULL,
	at       INTEGER NOT NULL,
	wall     INTEGER NOT NULL,
	day      INTEGER NOT NULL,
	doubtful INTEGER NOT NULL,
	by       TEXT    NOT NULL,
	undoes   INTEGER UNIQUE REFERENCES reset(id)
) STRICT;
CREATE TABLE draw (
	day       INTEGER NOT NULL,
	shop      TEXT    NOT NULL,
	gates     TEXT    NOT NULL,
	weak      INTEGER NOT NULL,
	stretches INTEGER NOT NULL,
	seconds   REAL    NOT NULL,
	amps      REAL    NOT NULL,
	PRIMARY KEY (shop, gates, weak, day)
) STRICT, WITHOUT ROWID;
CREATE VIEW run AS
	SELECT id, name AS machine, datetime(wall / 1000, 'unixepoch') AS began_utc, ms / 1000.0 AS seconds, ending, doubtful
	FROM span WHERE kind = 'machine';
CREATE VIEW fault AS
	SELECT id, substr(kind, 7) AS fault, name, datetime(wall / 1000, 'unixepoch') AS began_utc, ms / 1000.0 AS seconds, ending, doubtful
	FROM span WHERE kind LIKE 'fault:%';
`

// NewerError says that a file was written by a newer program. It is left as it
// is.
type NewerError struct {
	Path      string
	Has, Know int // versions
}

func (e *NewerError) Error() string {
	return fmt.Sprintf("%s: history version %d was written by a newer kerfwind; this one knows up to %d. Use the newer program, or move the file away to begin a new history",
		e.Path, e.Has, e.Know)
}

// errForeign says that a file is a database of something else.
var errForeign = errors.New("this is not a kerfwind history: move the file away")

// migrate brings the file up to date. Before a file that holds something is
// changed, backup is called.
func migrate(ctx context.Context, db *sql.DB, path string, steps []string, backup func() error) error {
	var version, app int
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	if err := db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&app); err != nil {
		return err
	}
	var tables int
	if err := db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return err
	}
	switch {
	case app != appID && (tables > 0 || version > 0):
		return fmt.Errorf("%s: %w", path, errForeign)
	case version > len(steps):
		return &NewerError{path, version, len(steps)}
	case version == len(steps):
		return nil
	case version > 0:
		if err := backup(); err != nil {
			return fmt.Errorf("no backup, so no migration: %w", err)
		}
	}
	for ; version < len(steps); version++ {
		tx, err := db.BeginTx(ctx, nil)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, fmt.Sprintf("%s; PRAGMA application_id = %d; PRAGMA user_version = %d", steps[version], appID, version+1))
		if err != nil {
			return errors.Join(fmt.Errorf("%s: migration to version %d: %w", path, version+1, err), rollback(tx))
		}
		if err := tx.Commit(); err != nil {
			return err
		}
	}
	return nil
}

// rollback ends a transaction that has failed, if the failure has not.
func rollback(tx *sql.Tx) error {
	if err := tx.Rollback(); !errors.Is(err, sql.ErrTxDone) {
		return err
	}
	return nil
}

// Names of the files in the state directory.
const (
	fileName   = "history.db"
	lockName   = "history.lock"
	backupsDir = "backups"
)

// Stamp is an instant by every clock there is.
type Stamp struct {
	Boot    string        // identity of the boot
	Mono    time.Duration // since the boot, counting sleep
	Wall    time.Time
	Trusted bool // the wall clock is right, as far as the computer knows
}

// dayOf is the day of t in its location, counted from 1970-01-01.
func dayOf(t time.Time) int {
	y, m, d := t.Date()
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// DayTime is the beginning of a day, as UTC midnight: only its date counts.
func DayTime(day int) time.Time { return time.Unix(int64(day)*86400, 0).UTC() }

// syncDir makes a rename in dir lasting.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
