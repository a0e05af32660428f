package journal

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	"kerfwind/cmd/kerfwind/internal/upkeep"
)

// The totals as the rows have them. sumsByDay ends where a WHERE may follow.
const (
	sumsByDay = `SELECT day, kind, name, count(*), sum(ms), max(ms), sum(ending IN ('cut', 'lost')), sum(doubtful) FROM span WHERE ms IS NOT NULL`
	sumsEver  = `SELECT kind, name, count(*), sum(ms) FROM span WHERE ms IS NOT NULL GROUP BY kind, name`
)

// Verify compares the totals with the rows and lists what differs, at most a
// hundred of each.
func (db *DB) Verify(ctx context.Context) ([]string, error) {
	const query = `
WITH have AS (SELECT day, kind, name, n, ms, longest, cut, doubtful FROM day_total),
     want AS MATERIALIZED (` + sumsByDay + ` GROUP BY day, kind, name),
     total AS (SELECT kind, name, n, ms FROM counter),
     sum AS MATERIALIZED (` + sumsEver + `)
SELECT * FROM (SELECT 'day_total is wrong: ' || format('day %d, %s %s: %d, %d ms', day, kind, name, n, ms) FROM (SELECT * FROM have EXCEPT SELECT * FROM want) LIMIT 100)
UNION ALL
SELECT * FROM (SELECT 'day_total lacks: ' || format('day %d, %s %s: %d, %d ms', day, kind, name, n, ms) FROM
	(SELECT day, kind, name, "count(*)" AS n, "sum(ms)" AS ms FROM (SELECT * FROM want EXCEPT SELECT * FROM have)) LIMIT 100)
UNION ALL
SELECT * FROM (SELECT 'counter is wrong: ' || format('%s %s: %d, %d ms', kind, name, n, ms) FROM (SELECT * FROM total EXCEPT SELECT * FROM sum) LIMIT 100)
UNION ALL
SELECT * FROM (SELECT 'counter lacks: ' || format('%s %s: %d, %d ms', kind, name, "count(*)", "sum(ms)") FROM (SELECT * FROM sum EXCEPT SELECT * FROM total) LIMIT 100)`
	return collect(ctx, db.sql, query, func(r *sql.Rows) (s string, err error) {
		err = r.Scan(&s)
		return s, err
	})
}

// Rebuild makes the totals again from the rows.
func (db *DB) Rebuild(ctx context.Context) error {
	tx, err := db.sql.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `DELETE FROM day_total; DELETE FROM counter;
		INSERT INTO day_total `+sumsByDay+` GROUP BY day, kind, name;
		INSERT INTO counter `+sumsEver)
	if err != nil {
		return errors.Join(err, rollback(tx))
	}
	return tx.Commit()
}

// relabel labels afresh what was written in this boot before the clock could be
// trusted, and makes the totals of the days that it touches again. It returns
// how many rows it has labelled.
func relabel(e *entry) (int, error) {
	if !e.stamp.Trusted {
		return 0, nil
	}
	base := e.stamp.Wall.Add(-e.stamp.Mono.Truncate(time.Millisecond)).UnixMilli() // wall of the boot
	n := 0
	days := map[int]bool{}
	for _, table := range []string{"span", "mark", "reset"} {
		of := `session IN (SELECT id FROM session WHERE boot = ?)`
		if table == "reset" {
			of = `boot = ?`
		}
		type row struct {
			id, at int64
			day    int
		}
		rows, err := collectTx(e, `SELECT id, at, day FROM `+table+` WHERE doubtful = 1 AND `+of, func(r *sql.Rows) (x row, err error) {
			err = r.Scan(&x.id, &x.at, &x.day)
			return x, err
		}, e.stamp.Boot)
		if err != nil {
			return 0, err
		}
		for _, x := range rows {
			wall, day, _ := e.label(x.at)
			if err := e.exec(`UPDATE `+table+` SET wall = ?, day = ?, doubtful = 0 WHERE id = ?`, wall, day, x.id); err != nil {
				return 0, err
			}
			if table == "span" {
				days[x.day], days[day] = true, true
			}
		}
		n += len(rows)
	}
	if err := e.exec(`UPDATE session SET wall = ? + at, doubtful = 0 WHERE boot = ? AND doubtful = 1`, base, e.stamp.Boot); err != nil {
		return 0, err
	}
	for day := range days {
		if err := e.exec(`DELETE FROM day_total WHERE day = ?`, day); err != nil {
			return 0, err
		}
		if err := e.exec(`INSERT INTO day_total `+sumsByDay+` AND day = ? GROUP BY day, kind, name`, day); err != nil {
			return 0, err
		}
	}
	return n, nil
}

// collect reads all rows of a query.
func collect[T any](ctx context.Context, db *sql.DB, query string, scan func(*sql.Rows) (T, error), args ...any) ([]T, error) {
	rows, err := db.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	return drain(rows, scan)
}

// collectTx does so within a transaction.
func collectTx[T any](e *entry, query string, scan func(*sql.Rows) (T, error), args ...any) ([]T, error) {
	rows, err := e.tx.QueryContext(e.ctx, query, args...)
	if err != nil {
		return nil, err
	}
	return drain(rows, scan)
}

func drain[T any](rows *sql.Rows, scan func(*sql.Rows) (T, error)) ([]T, error) {
	var out []T
	for rows.Next() {
		x, err := scan(rows)
		if err != nil {
			return nil, errors.Join(err, rows.Close())
		}
		out = append(out, x)
	}
	return out, errors.Join(rows.Err(), rows.Close())
}

// Total is a row of the totals of a day, week or month.
type Total struct {
	First    int // first day of the period, counted from 1970-01-01
	Name     string
	Runs     int
	Time     time.Duration
	Longest  time.Duration
	Cut      int // runs whose end was not seen
	Doubtful int // runs whose date is not sure
}

// Period is how days are put together.
type Period uint8

// The periods. A week begins on Monday (ISO 8601).
const (
	Day Period = iota + 1
	Week
	Month
	All // one period
)

var periodNames = [...]string{Day: "day", Week: "week", Month: "month", All: "all"}

// String is the period's name in one word.
func (p Period) String() string {
	if int(p) < len(periodNames) && p > 0 {
		return periodNames[p]
	}
	return "invalid"
}

// First is the first day of the period that a day is in.
func (p Period) First(day int) int {
	switch p {
	case Week:
		return upkeep.Monday(day)
	case Month:
		return day - DayTime(day).Day() + 1
	case All:
		return 0
	default:
		return day
	}
}

// Next is the first day of the period after the one that a day is in.
func (p Period) Next(day int) int {
	switch p {
	case Week:
		return p.First(day) + 7
	case Month:
		return dayOf(DayTime(p.First(day)).AddDate(0, 1, 0))
	case All:
		return 1
	default:
		return day + 1
	}
}

// Totals sums up the runs of machines, or of what else kind names, by period,
// from the totals of the days from to to (both included). name "" is all. They
// come in order of period and name.
func (db *DB) Totals(ctx context.Context, kind, name string, p Period, from, to int) ([]Total, error) {
	days, err := collect(ctx, db.sql, `SELECT day, name, n, ms, longest, cut, doubtful FROM day_total
		WHERE day BETWEEN ?1 AND ?2 AND kind = ?3 AND (?4 = '' OR name = ?4) ORDER BY day`,
		func(r *sql.Rows) (t Total, err error) {
			var ms, longest int64
			err = r.Scan(&t.First, &t.Name, &t.Runs, &ms, &longest, &t.Cut, &t.Doubtful)
			t.Time, t.Longest = time.Duration(ms)*time.Millisecond, time.Duration(longest)*time.Millisecond
			return t, err
		}, from, to, kind, name)
	if err != nil {
		return nil, err
	}
	// The days of a period come together; names are put in order here.
	out := days[:0] // each is read before its place is written
	began := 0      // where the period that grows begins in out
	for _, d := range days {
		d.First = p.First(d.First)
		if began < len(out) && out[began].First != d.First {
			began = len(out)
		}
		i, ok := slices.BinarySearchFunc(out[began:], d.Name, func(t Total, name string) int { return cmp.Compare(t.Name, name) })
		i += began
		if !ok {
			out = slices.Insert(out, i, d)
			continue
		}
		t := &out[i]
		t.Runs += d.Runs
		t.Time += d.Time
		t.Longest = max(t.Longest, d.Longest)
		t.Cut += d.Cut
		t.Doubtful += d.Doubtful
	}
	return out, nil
}

// Kinds of totals.
const (
	Machines   = kindMachine
	Collectors = kindCollector
	Outlets    = kindOutlet
)

// Run is one run of a machine.
type Run struct {
	ID       int64
	Machine  string
	Shop     string
	Began    time.Time     // UTC
	Day      int           // of the shop's calendar
	Time     time.Duration // so far, if it lasts
	Ending   string        // "" it lasts; see the schema
	Doubtful bool          // its date is not sure
}

// RunsOf chooses runs. Newest come first: by day, then by number.
type RunsOf struct {
	Machine  string // "" all
	From, To int    // days, both included
	Before   int64  // number of the last run of the page before; 0 is the first page
	Limit    int
}

// ErrNoRun is the error of a page that is to begin after a run which there is
// not.
var ErrNoRun = errors.New("there is no run")

// Runs lists one page of runs.
func (db *DB) Runs(ctx context.Context, of RunsOf) ([]Run, error) {
	from := `span INDEXED BY span_day`
	where := `span.kind = 'machine'`
	var args []any
	if of.Machine != "" {
		from = `span INDEXED BY span_machine`
		where += ` AND name = ?`
		args = append(args, of.Machine)
	}
	if of.Before > 0 {
		var day int
		err := db.sql.QueryRowContext(ctx, `SELECT day FROM span WHERE id = ? AND kind = 'machine'`, of.Before).Scan(&day)
		if err != nil {
			if errors.Is(err, sql.ErrNoRows) {
				err = fmt.Errorf("%w %d", ErrNoRun, of.Before)
			}
			return nil, err
		}
		where += ` AND (day < ? OR span.id < ?)`
		args = append(args, day, of.Before)
		of.To = min(of.To, day)
	}
	where += ` AND day BETWEEN ? AND ?`
	args = append(args, of.From, of.To)
	query := `SELECT span.id, name, session.shop, span.wall, day, coalesce(ms, session.last - span.at), coalesce(span.ending, ''), span.doubtful
		FROM ` + from + ` JOIN session ON session.id = span.session WHERE ` + where + ` ORDER BY day DESC, span.id DESC LIMIT ?`
	return collect(ctx, db.sql, query, func(r *sql.Rows) (x Run, err error) {
		var wall, ms int64
		err = r.Scan(&x.ID, &x.Machine, &x.Shop, &wall, &x.Day, &ms, &x.Ending, &x.Doubtful)
		x.Began, x.Time = time.UnixMilli(wall).UTC(), time.Duration(max(0, ms))*time.Millisecond
		return x, err
	}, append(args, of.Limit)...)
}

// Extent is the first and the last day that have totals of a kind.
func (db *DB) Extent(ctx context.Context, kind string) (first, last int, ok bool, err error) {
	var a, b sql.NullInt64
	err = db.sql.QueryRowContext(ctx, `SELECT min(day), max(day) FROM day_total WHERE kind = ?`, kind).Scan(&a, &b)
	return int(a.Int64), int(b.Int64), a.Valid, err
}
