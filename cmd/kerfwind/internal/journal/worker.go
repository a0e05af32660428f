package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/control"
)

// Pacing of the worker.
const (
	linger      = 2 * time.Second // events wait for company before a commit
	checkpoint  = time.Minute     // while something lasts: how far a power cut sets its end back
	look        = time.Minute     // at the clock and the day, while nothing happens
	firstTry    = time.Second     // after a failed commit; doubled each time
	lastTry     = time.Minute     // and not beyond
	firstBackup = 10 * time.Minute
	nextBackup  = time.Hour
	batchMost   = 256 // notes in one transaction
)

// worker holds what only the journal's goroutine touches.
type worker struct {
	db      *DB
	book    book
	snap    *control.Snapshot // the newest
	resync  bool              // rows and snapshot must be brought together
	pending []note            // of the next transaction
	commits time.Duration     // of the last commit, since the boot

	air     upkeep.Air
	nameOf  func(control.Subject, control.ID) string // as of the newest note
	resetID int64                                    // newest reset that the levels know
	drawn   []string                                 // sets with a new stretch

	raised  map[NoticeKind]bool
	failing bool
	refused bool // the file is not ours: nothing is recorded
	wait    time.Duration
	backup  time.Duration // not before then, since the boot
	result  error         // of the last act

	commit func() error // tests: before each commit
	steps  []string     // migrations
}

// errRefused answers those that wait while nothing is recorded.
var errRefused = errors.New("the history cannot be used and records nothing")

// run is the worker.
func (j *Journal) run() {
	defer close(j.done)
	for !j.loop(context.Background()) {
	}
}

// loop works until the journal is closed, and says so. A fault of its own ends
// the recording, not the program: control goes on.
func (j *Journal) loop(ctx context.Context) (closed bool) {
	defer func() {
		if r := recover(); r != nil {
			j.refused = true
			j.raise(Refused, fmt.Sprintf("the history has a fault in the program and records nothing more: %v", r))
		}
	}()
	timer := time.NewTimer(0)
	defer timer.Stop()
	lingering := false
	for {
		in := j.work
		if len(j.pending) >= batchMost {
			in = nil // the disk fails: the queue fills, and counts
		}
		select {
		case <-j.stop:
			j.finish(ctx)
			return true
		case n := <-in:
			waiting := len(j.pending)
			j.take(n)
			if j.failing || len(j.pending) == waiting {
				continue // the timer runs already, or there is nothing to write
			}
			if n.flush == nil && len(j.pending) < batchMost {
				if !lingering {
					lingering = true
					timer.Reset(linger)
				}
				continue
			}
		case <-timer.C:
		}
		lingering = false
		timer.Reset(j.turn(ctx))
	}
}

// turn does what is due and says when to come again.
func (j *Journal) turn(ctx context.Context) time.Duration {
	now := j.o.Clock()
	err := j.write(ctx, now, false)
	j.answer(err)
	if j.refused {
		return look
	}
	if err != nil {
		wait := j.wait
		j.wait = min(2*j.wait, lastTry)
		return wait
	}
	j.wait = firstTry
	j.daily(ctx, now)
	if len(j.book.open) > 0 {
		return checkpoint
	}
	return look
}

// raise tells of a fault once, clear that it is over.
func (j *Journal) raise(k NoticeKind, text string) {
	if !j.raised[k] {
		j.raised[k] = true
		j.o.Notice(Notice{Kind: k, Text: text})
	}
}

func (j *Journal) clear(k NoticeKind, text string) {
	if j.raised[k] {
		delete(j.raised, k)
		j.o.Notice(Notice{Kind: k, Clear: true, Text: text})
	}
}

// answer tells those that wait for a flush how it went. What could be written
// is written then; what could not stays pending without them.
func (j *Journal) answer(err error) {
	j.pending = slices.DeleteFunc(j.pending, func(n note) bool {
		if n.flush != nil {
			n.flush <- err // has room for one
		}
		return n.flush != nil
	})
}

// take puts a note to those of the next transaction. Currents go to the
// learner, and to the history only what it makes of them.
func (j *Journal) take(n note) {
	switch {
	case n.draw != nil:
		if w, ok := j.air.Feed(n.draw.at, n.draw.amps); ok {
			j.pending = append(j.pending, note{weak: &w})
			text := fmt.Sprintf("weak air with %s open: the collector draws %.1f A instead of %.1f A. Look for a blockage, a full filter or a stuck gate", w.Gates, w.Amps, w.Level)
			if w.Good {
				text = fmt.Sprintf("the air is good again with %s open: the collector draws %.1f A", w.Gates, w.Amps)
			}
			j.o.Notice(Notice{Kind: AirWeak, Clear: w.Good, Text: text})
		}
		return
	case n.move != nil:
		j.stretch(upkeep.Stretch{}, false)
		j.nameOf = n.move.NameOf
	case n.snap != nil:
		j.snap = n.snap
		gates, still := gatesKey(n.snap, j.nameOf)
		on := n.snap.Collector.Commanded
		s, ok := j.air.Set(n.snap.At, gates, on && still)
		j.stretch(s, ok)
	}
	j.pending = append(j.pending, n)
}

// stretch puts a stretch of steady current to the next transaction.
func (j *Journal) stretch(s upkeep.Stretch, ok bool) {
	if ok {
		j.pending = append(j.pending, note{stretch: &s})
	}
}

// open opens the history, or says why not.
func (j *Journal) open(ctx context.Context, now Stamp) error {
	db, r, err := openWriter(ctx, j.o.Dir, now.Wall, j.steps)
	if r.Damage != nil && r.Aside != "" {
		from := "no backup was good, so a new history begins"
		if r.From != "" {
			from = "it continues from the backup " + filepath.Base(r.From)
		}
		j.o.Notice(Notice{Kind: Repaired, Text: fmt.Sprintf("the history was damaged (%v) and is set aside as %s; %s", r.Damage, filepath.Base(r.Aside), from)})
	}
	var newer *NewerError
	if errors.As(err, &newer) || errors.Is(err, errForeign) {
		j.refused = true
		j.raise(Refused, err.Error())
	}
	if err != nil {
		return err
	}
	j.db = db
	if r.Damage != nil { // the file is another one now
		j.resync = j.book.session != 0 // what lasts is in the damaged file only
		j.book.session = 0
		j.book.doubtful = true
		clear(j.book.open)
	}
	if j.backup == 0 {
		j.backup = now.Mono + firstBackup
	}
	j.resetID = -1
	return nil
}

// write brings what is pending to the disk, in one transaction. Without
// anything pending it writes only what time demands.
func (j *Journal) write(ctx context.Context, now Stamp, last bool) error {
	if j.refused {
		j.drop()
		return errRefused
	}
	err := j.try(ctx, now, last)
	if err == nil {
		j.failing = false
		j.clear(NoStorage, "the history is written again")
		return nil
	}
	if j.refused {
		j.drop()
		return errRefused
	}
	j.failing = true
	j.failed.Add(1)
	j.raise(NoStorage, fmt.Sprintf("the history cannot be written; kerfwind tries again: %v", err))
	if c := code(err); c == codeError || c == codeConstraint || c == codeMismatch {
		// Not the disk: a fault of ours, which would come again for ever.
		j.drop()
		j.resync = true
	}
	if j.db != nil {
		// A connection may stay confused after a bad disk: take a new one.
		// Only a file that is damaged is checked again.
		bad := damaged(err)
		if e := j.db.reopen(ctx, bad); e != nil {
			j.db = nil
		}
	}
	return err
}

// drop gives up what is pending and counts its events.
func (j *Journal) drop() {
	for i := range j.pending {
		j.dropped.Add(int64(len(j.pending[i].events)))
	}
	j.forget()
}

// forget empties what is pending. Only answers are left.
func (j *Journal) forget() {
	j.pending = slices.DeleteFunc(j.pending, func(n note) bool { return n.flush == nil })
}

// try is one try to write.
func (j *Journal) try(ctx context.Context, now Stamp, last bool) error {
	if j.db == nil {
		if err := j.open(ctx, now); err != nil {
			return err
		}
	}
	relabels := j.book.doubtful && now.Trusted
	checks := len(j.book.open) > 0 && now.Mono-j.commits >= checkpoint
	if !j.any() && !last && !relabels && !checks && j.book.session != 0 {
		return nil
	}
	before, resync := j.book.clone(), j.resync
	if err := j.transact(ctx, now, last, relabels); err != nil {
		j.book, j.resync = before, resync
		return err
	}
	j.commits = now.Mono
	j.written.Add(1)
	lost := int64(0)
	for i := range j.pending {
		lost += j.pending[i].lost
	}
	if lost > 0 {
		j.raise(EventsLost, fmt.Sprintf("%d events are missing in the history: the disk was too slow", lost))
	} else if j.any() {
		j.clear(EventsLost, "all events are recorded again")
	}
	j.forget()
	return j.learn(ctx)
}

// any reports whether something waits to be written.
func (j *Journal) any() bool {
	for i := range j.pending {
		if j.pending[i].flush == nil {
			return true
		}
	}
	return false
}

// transact is one transaction.
func (j *Journal) transact(ctx context.Context, now Stamp, last, relabels bool) (err error) {
	tx, err := j.db.sql.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rollback(tx)) }() // nothing after a commit
	e := &entry{ctx: ctx, tx: tx, stamp: now, loc: j.o.Zone}
	b := &j.book
	if b.session == 0 {
		if err := closeCut(e); err != nil {
			return err
		}
		if err := b.beginSession(e, j.o.Program); err != nil {
			return err
		}
	}
	if relabels {
		if _, err := relabel(e); err != nil {
			return err
		}
		b.doubtful = false
	}
	for i := range j.pending {
		if err := j.note(e, &j.pending[i]); err != nil {
			return err
		}
	}
	if j.resync && j.snap != nil {
		if err := b.reconcile(e, j.snap); err != nil {
			return err
		}
		j.resync = false
	}
	at := now.Mono.Milliseconds()
	if last {
		err = b.endSession(e, at)
	} else {
		b.last = max(b.last, at)
		err = e.exec(`UPDATE session SET last = ? WHERE id = ?`, b.last, b.session)
	}
	if err != nil {
		return err
	}
	if j.commit != nil {
		if err := j.commit(); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// note writes one note.
func (j *Journal) note(e *entry, n *note) error {
	b := &j.book
	for i := range n.events {
		if err := b.event(e, n.events[i]); err != nil {
			return err
		}
	}
	switch {
	case n.lost > 0 && n.snap != nil:
		if err := b.mark(e, markLost, "", "", b.ms(n.snap.At), n.lost); err != nil {
			return err
		}
		return b.reconcile(e, n.snap)
	case n.stretch != nil:
		s := n.stretch
		j.drawn = append(j.drawn, s.Gates)
		return b.addDraw(e, s)
	case n.weak != nil:
		kind := "air-weak"
		if n.weak.Good {
			kind = "air-good"
		}
		return b.mark(e, kind, n.weak.Gates, "", b.ms(n.weak.At), int64(1000*n.weak.Amps/n.weak.Level))
	case n.move != nil:
		if err := b.endSession(e, e.stamp.Mono.Milliseconds()); err != nil {
			return err
		}
		b.shop, b.nameOf, b.budget = n.move.Shop, n.move.NameOf, n.move.Budget
		j.resetID = -1
		return b.beginSession(e, j.o.Program)
	}
	return nil
}

// learn tells the learner the levels again that may have changed: that of a set
// with a new stretch, and all when something was reset.
func (j *Journal) learn(ctx context.Context) error {
	var newest int64
	if err := j.db.sql.QueryRowContext(ctx, `SELECT coalesce(max(id), 0) FROM reset`).Scan(&newest); err != nil {
		return err
	}
	if newest == j.resetID && len(j.drawn) == 0 {
		return nil
	}
	since, err := filterDay(ctx, j.db.sql)
	if err != nil {
		return err
	}
	sets := j.drawn
	if newest != j.resetID {
		sets, err = collect(ctx, j.db.sql, `SELECT DISTINCT gates FROM draw WHERE shop = ?`, func(r *sql.Rows) (g string, err error) {
			err = r.Scan(&g)
			return g, err
		}, j.book.shop)
		if err != nil {
			return err
		}
		for _, g := range j.air.Sets() { // of another shop
			if !slices.Contains(sets, g) {
				j.air.Learn(g, 0)
			}
		}
	}
	for _, g := range sets {
		d, err := draws(ctx, j.db.sql, `WHERE shop = ? AND gates = ? AND weak = 0 AND day > ? ORDER BY day LIMIT ?`, j.book.shop, g, since, upkeep.LevelDays)
		if err != nil {
			return err
		}
		level, _ := upkeep.Level(d)
		j.air.Learn(g, level)
	}
	j.resetID, j.drawn = newest, nil
	return nil
}

// daily makes the backup of the day when nothing runs, or when none was made
// for too long.
func (j *Journal) daily(ctx context.Context, now Stamp) {
	if j.db == nil || now.Mono < j.backup || len(j.book.open) > 0 && now.Mono < j.backup+24*time.Hour {
		return
	}
	j.backup = now.Mono + nextBackup
	dir := filepath.Join(j.o.Dir, backupsDir)
	due, err := backupDue(dir, now.Wall.In(j.o.Zone), now.Trusted)
	if err == nil && due {
		j.verify(ctx)
		err = j.db.Backup(ctx, dir, now.Wall.In(j.o.Zone))
	}
	if err != nil {
		j.raise(NoBackup, fmt.Sprintf("the daily backup of the history failed; kerfwind tries again in an hour: %v", err))
		return
	}
	j.clear(NoBackup, "the history has its backup again")
}

// verify compares the totals with the rows before a backup, and makes them again
// if they differ.
func (j *Journal) verify(ctx context.Context) {
	diffs, err := j.db.Verify(ctx)
	if err == nil && len(diffs) > 0 {
		if err = j.db.Rebuild(ctx); err == nil {
			j.o.Notice(Notice{Kind: Repaired, Text: fmt.Sprintf("totals in the history did not match its rows; kerfwind rebuilt them, first: %s", diffs[0])})
		}
	}
	if err != nil {
		j.raise(NoStorage, fmt.Sprintf("the totals of the history cannot be verified: %v", err))
	}
}

// finish writes what waits and ends the session.
func (j *Journal) finish(ctx context.Context) {
	for len(j.work) > 0 {
		j.take(<-j.work)
	}
	err := j.write(ctx, j.o.Clock(), true)
	j.answer(err)
	if j.refused {
		err = nil // told already
	}
	if j.db != nil {
		err = errors.Join(err, j.db.Close())
	}
	j.result = err
}
