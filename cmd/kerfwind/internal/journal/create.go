package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
)

// pageSize is that of a new file, in bytes. A commit writes each page that it
// touches whole: a run costs 25 kB with pages of 1 KiB and 91 kB with SQLite's
// usual 4 KiB (measured).
const pageSize = 1024

// create makes an empty file with small pages, if there is none: the log mode
// that every other connection asks for would fix the size.
func create(ctx context.Context, path string) error {
	if st, err := os.Stat(path); err == nil && st.Size() > 0 || err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	u := url.URL{Scheme: "file", Path: path}
	db, err := sql.Open("sqlite", u.String())
	if err != nil {
		return err
	}
	_, err = db.ExecContext(ctx, fmt.Sprintf("PRAGMA page_size = %d; PRAGMA application_id = %d", pageSize, appID))
	return errors.Join(err, db.Close())
}
