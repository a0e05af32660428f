package journal

import (
	"context"
	"database/sql"
	"time"

	"kerfwind/cmd/kerfwind/internal/upkeep"
)

// ReadTally reads what was counted so far, today being the day of now. A run counts
// once it has ended.
func ReadTally(ctx context.Context, db *DB, now time.Time) (t upkeep.Tally, err error) {
	today := dayOf(now)
	machines, err := db.counts(ctx, Machines, today)
	if err != nil {
		return t, err
	}
	collectors, err := db.counts(ctx, Collectors, today)
	if err != nil {
		return t, err
	}
	t.Machines = machines
	for _, c := range collectors { // there is one at a time; a shop before may have called it otherwise
		t.Collector.Hours += c.Hours
		t.Collector.Today += c.Today
	}
	t.Items, err = db.Upkeep(ctx, today)
	return t, err
}

// counts are the hours ever, and the runs of a day, by name.
func (db *DB) counts(ctx context.Context, kind string, day int) (map[string]upkeep.Count, error) {
	type row struct {
		name string
		upkeep.Count
	}
	rows, err := collect(ctx, db.sql, `SELECT counter.name, counter.ms, coalesce(day_total.n, 0) FROM counter
		LEFT JOIN day_total ON day_total.kind = counter.kind AND day_total.name = counter.name AND day_total.day = ?1 WHERE counter.kind = ?2`,
		func(r *sql.Rows) (x row, err error) {
			var ms int64
			err = r.Scan(&x.name, &ms, &x.Today)
			x.Hours = (time.Duration(ms) * time.Millisecond).Hours()
			return x, err
		}, day, kind)
	out := map[string]upkeep.Count{}
	for _, x := range rows {
		out[x.name] = x.Count
	}
	return out, err
}
