package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/upkeep"
)

// The items that every shop has. Gates and machines have one each of their own,
// under their names.
const (
	itemBin    = "bin"
	itemFilter = "filter"
)

// bySensor says that nobody reset an item: a sensor did.
const bySensor = "sensor"

// What an item counts.
const (
	ofCollector = "collector" // its time
	ofMachines  = "machines"  // the time of all
	ofMachine   = "machine"   // the time of one
	ofGate      = "gate"      // openings of one
)

// Intervals of items for which the owner has set none: common practice, no
// source. The bin's is learned.
const (
	filterEvery = 50 * time.Hour // of the collector: look at it, shake it
	gateEvery   = 20000          // openings: look at blade, servo and switch
)

// querier is a database or a transaction.
type querier interface {
	QueryContext(context.Context, string, ...any) (*sql.Rows, error)
	QueryRowContext(context.Context, string, ...any) *sql.Row
	ExecContext(context.Context, string, ...any) (sql.Result, error)
}

// binFull reports whether the bin's sensor said "full" since the bin was last
// emptied.
func binFull(ctx context.Context, q querier) (bool, error) {
	var full bool
	err := q.QueryRowContext(ctx, `SELECT coalesce((SELECT max(id) FROM mark WHERE kind = 'bin-full'), 0) >
		coalesce((SELECT max(id) FROM mark WHERE kind = 'bin-has-room'), 0)`).Scan(&full)
	return full, err
}

// item holds what is kept of an item.
type item struct {
	name, kind, of string
	every          int64 // ms or openings; 0 the owner wants no word of it
	set            bool  // by the owner
}

// items lists what there is: bin, filter, every gate that has moved, and what
// the owner has added. Later rows replace earlier ones.
func items(ctx context.Context, q querier) ([]item, error) {
	out := []item{{name: itemBin, kind: ofMachines}, {name: itemFilter, kind: ofCollector, every: filterEvery.Milliseconds()}}
	rows, err := q.QueryContext(ctx, `SELECT name FROM counter WHERE kind = ? ORDER BY name`, kindOpening)
	if err != nil {
		return nil, err
	}
	gates, err := drain(rows, func(r *sql.Rows) (it item, err error) {
		it = item{kind: ofGate, every: gateEvery}
		err = r.Scan(&it.of)
		it.name = "gate " + it.of
		return it, err
	})
	if err != nil {
		return nil, err
	}
	out = append(out, gates...)
	if rows, err = q.QueryContext(ctx, `SELECT name, kind, of, every FROM item ORDER BY id`); err != nil {
		return nil, err
	}
	own, err := drain(rows, func(r *sql.Rows) (it item, err error) {
		it.set = true
		return it, errors.Join(err, r.Scan(&it.name, &it.kind, &it.of, &it.every))
	})
	for _, it := range own {
		if i := slices.IndexFunc(out, func(o item) bool { return o.name == it.name }); i >= 0 {
			out[i] = it
		} else {
			out = append(out, it)
		}
	}
	return out, err
}

// counted is how much an item has counted since ever, in ms or openings.
func counted(ctx context.Context, q querier, it item) (n int64, err error) {
	row := func(query string, args ...any) error { return q.QueryRowContext(ctx, query, args...).Scan(&n) }
	switch it.kind {
	case ofCollector:
		err = row(`SELECT coalesce(sum(ms), 0) FROM counter WHERE kind = ?`, kindCollector)
	case ofMachines:
		err = row(`SELECT coalesce(sum(ms), 0) FROM counter WHERE kind = ?`, kindMachine)
	case ofMachine:
		err = row(`SELECT coalesce(sum(ms), 0) FROM counter WHERE kind = ? AND name = ?`, kindMachine, it.of)
	case ofGate:
		err = row(`SELECT coalesce(sum(n), 0) FROM counter WHERE kind = ? AND name = ?`, kindOpening, it.of)
	default:
		err = fmt.Errorf("item %q counts %q, which this program does not know: use a newer kerfwind", it.name, it.kind)
	}
	return n, err
}

// when labels a reset.
type when func() (boot string, at, wall int64, day int, doubtful bool)

// addReset writes that an item was reset, or takes a reset back.
func addReset(ctx context.Context, q querier, name, by string, undoes int64, w when) error {
	all, err := items(ctx, q)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(all, func(it item) bool { return it.name == name })
	if i < 0 {
		return unknownItem(name, all)
	}
	base, err := counted(ctx, q, all[i])
	if err != nil {
		return err
	}
	var u any
	if undoes > 0 {
		u = undoes
	}
	boot, at, wall, day, doubtful := w()
	_, err = q.ExecContext(ctx, `INSERT INTO reset(item, base, boot, at, wall, day, doubtful, by, undoes) VALUES(?,?,?,?,?,?,?,?,?)`,
		name, base, boot, at, wall, day, doubtful, by, u)
	return err
}

// unknownItem names what there is.
func unknownItem(name string, all []item) error {
	list := ""
	for i, it := range all {
		if i > 0 {
			list += ", "
		}
		list += it.name
	}
	return &itemError{fmt.Sprintf("no item %q here: there are %s", name, list)}
}

// ErrItem is the error of an item that there is not, or that cannot be had as
// asked for.
var ErrItem = errors.New("no such item")

// itemError is an ErrItem that says it in its own words.
type itemError struct{ text string }

func (e *itemError) Error() string { return e.text }

// Is makes it an ErrItem.
func (e *itemError) Is(target error) bool { return target == ErrItem }

// Reset is one time that an item was reset.
type Reset struct {
	ID       int64
	Item     string
	Base     int64 // what it had counted by then
	Wall     time.Time
	Day      int
	Doubtful bool
	By       string
}

// resets lists the resets that stand, oldest first: without those that were
// taken back and those that take back.
func resets(ctx context.Context, q querier) ([]Reset, error) {
	rows, err := q.QueryContext(ctx, `SELECT id, item, base, wall, day, doubtful, by FROM reset
		WHERE undoes IS NULL AND id NOT IN (SELECT undoes FROM reset WHERE undoes IS NOT NULL) ORDER BY id`)
	if err != nil {
		return nil, err
	}
	return drain(rows, func(r *sql.Rows) (x Reset, err error) {
		var wall int64
		err = r.Scan(&x.ID, &x.Item, &x.Base, &wall, &x.Day, &x.Doubtful, &x.By)
		x.Wall = time.UnixMilli(wall).UTC()
		return x, err
	})
}

// change runs one change in a transaction.
func (db *DB) change(ctx context.Context, f func(*sql.Tx) error) error {
	tx, err := db.sql.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	if err := f(tx); err != nil {
		return errors.Join(err, rollback(tx))
	}
	return tx.Commit()
}

// Reset writes that somebody has reset an item. Nothing is deleted.
func (db *DB) Reset(ctx context.Context, name, by string, now Stamp, loc *time.Location) error {
	return db.change(ctx, func(tx *sql.Tx) error { return addReset(ctx, tx, name, by, 0, now.when(loc)) })
}

func (s Stamp) when(loc *time.Location) when {
	return func() (string, int64, int64, int, bool) {
		return s.Boot, s.Mono.Milliseconds(), s.Wall.UnixMilli(), dayOf(s.Wall.In(loc)), !s.Trusted
	}
}

// Undo takes back the last reset not yet taken back, of one item or ("") of any. It
// returns what it has taken back.
func (db *DB) Undo(ctx context.Context, name, by string, now Stamp, loc *time.Location) (undone Reset, err error) {
	err = db.change(ctx, func(tx *sql.Tx) error {
		all, err := resets(ctx, tx)
		if err != nil {
			return err
		}
		for _, r := range slices.Backward(all) {
			if name == "" && r.By != bySensor || name == r.Item {
				undone = r
				return addReset(ctx, tx, r.Item, by, r.ID, now.when(loc))
			}
		}
		return errors.New("no reset to undo")
	})
	return undone, err
}

// ErrChanged says that an item was reset, or a reset taken back, since
// somebody looked.
var ErrChanged = errors.New("this changed since the page loaded; look again")

// ResetSeen is Reset by somebody who sees the item as of its reset seen, 0 if
// there was none. It is refused with ErrChanged if that is no longer so: two
// people, or one who presses twice, reset an item once.
func (db *DB) ResetSeen(ctx context.Context, name string, seen int64, by string, now Stamp, loc *time.Location) error {
	return db.change(ctx, func(tx *sql.Tx) error {
		if _, err := stillSeen(ctx, tx, name, seen); err != nil {
			return err
		}
		return addReset(ctx, tx, name, by, 0, now.when(loc))
	})
}

// UndoSeen takes back the reset seen of an item. It is refused with ErrChanged
// if that is not the last one.
func (db *DB) UndoSeen(ctx context.Context, name string, seen int64, by string, now Stamp, loc *time.Location) (undone Reset, err error) {
	err = db.change(ctx, func(tx *sql.Tx) error {
		if undone, err = stillSeen(ctx, tx, name, seen); err != nil {
			return err
		}
		if undone.ID == 0 {
			return &itemError{"no reset to undo"}
		}
		return addReset(ctx, tx, name, by, undone.ID, now.when(loc))
	})
	return undone, err
}

// stillSeen returns the last reset of an item not yet taken back, if it is the one
// that somebody has seen; number 0 for none.
func stillSeen(ctx context.Context, q querier, name string, seen int64) (last Reset, err error) {
	all, err := resets(ctx, q)
	if err != nil {
		return last, err
	}
	for _, r := range all {
		if r.Item == name {
			last = r
		}
	}
	if last.ID != seen {
		return last, ErrChanged
	}
	return last, nil
}

// WeakAir is an instant at which the collector's own current said that the air
// had become weak with a set of open gates, or good again.
type WeakAir struct {
	Wall     time.Time
	Gates    []string // that were open
	Part     float64  // of the learned current
	Good     bool     // again
	Doubtful bool     // the date is not sure
}

// WeakAirs lists the last n of them, the newest first.
func (db *DB) WeakAirs(ctx context.Context, n int) ([]WeakAir, error) {
	return collect(ctx, db.sql, `SELECT wall, name, value, kind = 'air-good', doubtful FROM mark WHERE kind IN ('air-weak', 'air-good') ORDER BY id DESC LIMIT ?`,
		func(r *sql.Rows) (x WeakAir, err error) {
			var wall, value int64
			var gates string
			err = r.Scan(&wall, &gates, &value, &x.Good, &x.Doubtful)
			x.Gates = namesOf(gates)
			x.Wall, x.Part = time.UnixMilli(wall).UTC(), float64(value)/1000
			return x, err
		}, n)
}

// Every sets after how much an item is due: a length of time, or openings of a
// gate. Zero means that the owner wants no word of it. machine names the
// machine whose hours a new item counts; it must have run once.
func (db *DB) Every(ctx context.Context, name, machine string, every int64) error {
	return db.change(ctx, func(tx *sql.Tx) error {
		all, err := items(ctx, tx)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(all, func(it item) bool { return it.name == name })
		it := item{name: name, kind: ofMachine, of: machine}
		switch {
		case i >= 0 && machine != "" && (all[i].kind != ofMachine || all[i].of != machine):
			return &itemError{fmt.Sprintf("%q exists already and counts something else: choose another name", name)}
		case i >= 0:
			it = all[i]
		case machine == "":
			return fmt.Errorf("%w; for a new one say whose hours it counts", unknownItem(name, all))
		default:
			if err := hasRun(ctx, tx, machine); err != nil {
				return err
			}
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO item(name, kind, of, every) VALUES(?,?,?,?)`, it.name, it.kind, it.of, every)
		return err
	})
}

// hasRun makes sure that the history knows a machine: a name that is misspelt
// would count nothing for ever.
func hasRun(ctx context.Context, q querier, machine string) error {
	rows, err := q.QueryContext(ctx, `SELECT name FROM counter WHERE kind = ? ORDER BY name`, kindMachine)
	if err != nil {
		return err
	}
	names, err := drain(rows, func(r *sql.Rows) (name string, err error) {
		err = r.Scan(&name)
		return name, err
	})
	switch {
	case err != nil || slices.Contains(names, machine):
		return err
	case names == nil:
		return errors.New("no machine has run yet: its hours count from its first run on")
	}
	return fmt.Errorf("no machine %q has run yet; those that have are %s", machine, strings.Join(names, ", "))
}

// Counts reports whether an item counts openings of a gate; else it counts time.
func (db *DB) Counts(ctx context.Context, name string) (moves bool, err error) {
	all, err := items(ctx, db.sql)
	if err != nil {
		return false, err
	}
	for _, it := range all {
		if it.name == name {
			return it.kind == ofGate, nil
		}
	}
	return false, nil
}

// rateDays is over how many days a rate is reckoned.
const rateDays = 28

// Upkeep reckons every item of the shop as of today.
func (db *DB) Upkeep(ctx context.Context, today int) ([]upkeep.Item, error) {
	all, err := items(ctx, db.sql)
	if err != nil {
		return nil, err
	}
	done, err := resets(ctx, db.sql)
	if err != nil {
		return nil, err
	}
	full, err := binFull(ctx, db.sql)
	if err != nil {
		return nil, err
	}
	var out []upkeep.Item
	for _, it := range all {
		if it.set && it.every == 0 {
			continue
		}
		n, err := counted(ctx, db.sql, it)
		if err != nil {
			return nil, err
		}
		rate, err := db.rate(ctx, it, today)
		if err != nil {
			return nil, err
		}
		var base int64
		u := upkeep.Item{Name: it.name, Of: it.of, Unit: upkeep.Hours, Sure: true}
		for _, r := range done {
			if r.Item == it.name {
				base, u.Since, u.Sure, u.Reset = r.Base, r.Wall, !r.Doubtful, r.ID
			}
		}
		per := float64(time.Hour / time.Millisecond)
		switch it.kind {
		case ofGate:
			per, u.Unit = 1, upkeep.Moves
		case ofCollector:
			u.Of = "the collector"
		case ofMachines:
			u.Of = "all machines"
		}
		u.Used, u.Every, u.Rate = float64(n-base)/per, float64(it.every)/per, rate/per
		if it.name == itemBin {
			u.Full = full
			if u.Every == 0 {
				if u.Every, _, err = db.binHours(ctx, done); err != nil {
					return nil, err
				}
			}
		}
		out = append(out, u)
	}
	return out, nil
}

// rate returns what an item counts in a day, over the last weeks, or over what there
// is if that is less.
func (db *DB) rate(ctx context.Context, it item, today int) (float64, error) {
	kind, col := kindMachine, "ms"
	switch it.kind {
	case ofCollector:
		kind = kindCollector
	case ofGate:
		kind, col = kindOpening, "n"
	}
	var sum float64
	var first sql.NullInt64
	err := db.sql.QueryRowContext(ctx, `SELECT coalesce(sum(`+col+`), 0), min(day) FROM day_total WHERE day > ? AND day <= ? AND kind = ? AND (? = '' OR name = ?)`,
		today-rateDays, today, kind, it.of, it.of).Scan(&sum, &first)
	if err != nil || !first.Valid {
		return 0, err
	}
	return sum / float64(max(7, today-int(first.Int64)+1)), nil
}

// binHours is how many machine hours fill the bin.
func (db *DB) binHours(ctx context.Context, done []Reset) (float64, bool, error) {
	// What all machines had counted when the sensor said "full" is in the
	// mark's value.
	fulls, err := collect(ctx, db.sql, `SELECT value FROM mark WHERE kind = 'bin-full' ORDER BY id`, func(r *sql.Rows) (v int64, err error) {
		err = r.Scan(&v)
		return v, err
	})
	if err != nil {
		return 0, false, err
	}
	var bins []int64
	for _, r := range done {
		if r.Item == itemBin {
			bins = append(bins, r.Base)
		}
	}
	const hour = float64(time.Hour / time.Millisecond)
	var hours []float64
	from := int64(0)
	if len(fulls) > 0 {
		// Emptied, then full: the first "full" after each emptying.
		bins = append([]int64{0}, bins...)
		for i, b := range bins {
			for _, f := range fulls {
				if f > b && (i+1 == len(bins) || f <= bins[i+1]) {
					hours = append(hours, float64(f-b)/hour)
					break
				}
			}
		}
	} else {
		for _, b := range bins {
			hours = append(hours, float64(b-from)/hour)
			from = b
		}
	}
	h, ok := upkeep.BinHours(hours)
	return h, ok, nil
}

// Draws lists the collector's own current by day and set of open gates in a
// shop, since the filter was last reset.
func (db *DB) Draws(ctx context.Context, shop string) ([]upkeep.Draw, error) {
	since, err := filterDay(ctx, db.sql)
	if err != nil {
		return nil, err
	}
	return draws(ctx, db.sql, `WHERE shop = ? AND day > ? ORDER BY day, gates, weak`, shop, since)
}

// filterDay is the day on which the filter was last reset.
func filterDay(ctx context.Context, q querier) (int, error) {
	done, err := resets(ctx, q)
	since := -1 << 31
	for _, r := range done {
		if r.Item == itemFilter {
			since = r.Day
		}
	}
	return since, err
}

func draws(ctx context.Context, q querier, where string, args ...any) ([]upkeep.Draw, error) {
	rows, err := q.QueryContext(ctx, `SELECT day, gates, weak, stretches, amps FROM draw `+where, args...)
	if err != nil {
		return nil, err
	}
	return drain(rows, func(r *sql.Rows) (d upkeep.Draw, err error) {
		err = r.Scan(&d.Day, &d.Gates, &d.Weak, &d.Stretches, &d.Amps)
		return d, err
	})
}

// Session is the latest start of the program.
type Session struct {
	Shop, Program string
	Budget        int // starts an hour; 0 no budget
	Began         time.Time
	Doubtful      bool
	Lives         bool
}

// Latest is the latest session.
func (db *DB) Latest(ctx context.Context) (s Session, err error) {
	var wall int64
	err = db.sql.QueryRowContext(ctx, `SELECT shop, program, budget, wall, doubtful, ending IS NULL FROM session ORDER BY id DESC LIMIT 1`).
		Scan(&s.Shop, &s.Program, &s.Budget, &wall, &s.Doubtful, &s.Lives)
	if errors.Is(err, sql.ErrNoRows) {
		return s, fmt.Errorf("%s: %w: nothing was ever recorded", db.path, ErrNone)
	}
	s.Began = time.UnixMilli(wall).UTC()
	return s, err
}

// Starts counts the collector's starts in the hour before now, and the most in
// any hour of the last days.
func (db *DB) Starts(ctx context.Context, now time.Time, days int) (hour, most int, err error) {
	walls, err := collect(ctx, db.sql, `SELECT wall FROM span WHERE kind = 'collector' AND day >= ? ORDER BY wall`,
		func(r *sql.Rows) (w int64, err error) {
			err = r.Scan(&w)
			return w, err
		}, int(now.Unix()/86400)-days)
	if err != nil {
		return 0, 0, err
	}
	first := 0
	for i, w := range walls {
		for walls[first] <= w-time.Hour.Milliseconds() {
			first++
		}
		most = max(most, i-first+1)
		if w > now.Add(-time.Hour).UnixMilli() && w <= now.UnixMilli() {
			hour++
		}
	}
	return hour, most, nil
}
