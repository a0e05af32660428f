package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"maps"
	"slices"
	"time"

	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/control"
)

// Kinds of spans. A fault's kind is kindFault and its name.
const (
	kindMachine   = "machine"
	kindCollector = "collector"
	kindOutlet    = "outlet"
	kindOpening   = "gate-open"
	kindClosing   = "gate-close"
	kindFault     = "fault:"
)

// How spans end; see schema1.
const (
	endSeen   = "seen"
	endClosed = "closed"
	endCut    = "cut"
	endLost   = "lost"
	endFailed = "failed"
	endTurned = "turned"
)

// Marks that are no events of the control.
const markLost = "events-lost"

// thing holds what a span is about.
type thing struct{ kind, name string }

// lasting is a span that has begun.
type lasting struct{ id, at int64 }

// book turns events into rows. It belongs to one session and one transaction at
// a time: what it remembers is copied before and put back when the transaction
// fails.
type book struct {
	session  int64
	origin   time.Duration // instant of the stream's beginning, since the boot
	shop     string
	nameOf   func(control.Subject, control.ID) string
	open     map[thing]lasting
	last     int64 // newest instant that was seen, ms since the boot
	doubtful bool  // rows of this boot await their label
	budget   int   // the collector's starts an hour
}

func (b *book) clone() book {
	c := *b
	c.open = maps.Clone(b.open)
	return c
}

// entry is a transaction with the clocks at its beginning.
type entry struct {
	ctx   context.Context
	tx    *sql.Tx
	stamp Stamp
	loc   *time.Location
}

// exec runs a statement and drops its result.
func (e *entry) exec(q string, args ...any) error {
	_, err := e.tx.ExecContext(e.ctx, q, args...)
	return err
}

// label returns what the clocks say of an instant of this boot.
func (e *entry) label(at int64) (wall int64, day int, doubtful bool) {
	t := e.stamp.Wall.Add(time.Duration(at)*time.Millisecond - e.stamp.Mono.Truncate(time.Millisecond))
	return t.UnixMilli(), dayOf(t.In(e.loc)), !e.stamp.Trusted
}

// ms is an instant of the stream, since the boot.
func (b *book) ms(at time.Duration) int64 { return (b.origin + at).Milliseconds() }

// beginSession writes the session's row.
func (b *book) beginSession(e *entry, program string) error {
	at := e.stamp.Mono.Milliseconds()
	wall, _, doubtful := e.label(at)
	r, err := e.tx.ExecContext(e.ctx, `INSERT INTO session(boot, at, last, wall, doubtful, shop, program, budget) VALUES(?,?,?,?,?,?,?,?)`,
		e.stamp.Boot, at, at, wall, doubtful, b.shop, program, b.budget)
	if err != nil {
		return err
	}
	b.session, err = r.LastInsertId()
	b.last = at
	b.doubtful = b.doubtful || doubtful
	return err
}

// closeCut ends what sessions before this one have left open, at the last
// instant they are known to have lived.
func closeCut(e *entry) error {
	type row struct {
		id, at, last int64
		t            thing
	}
	rows, err := e.tx.QueryContext(e.ctx, `SELECT span.id, span.at, session.last, span.kind, span.name FROM span JOIN session ON session.id = span.session
		WHERE span.ms IS NULL ORDER BY span.id`)
	if err != nil {
		return err
	}
	var open []row
	for rows.Next() {
		var r row
		if err := rows.Scan(&r.id, &r.at, &r.last, &r.t.kind, &r.t.name); err != nil {
			return errors.Join(err, rows.Close())
		}
		open = append(open, r)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	for _, r := range open {
		if err := endSpan(e, r.t, lasting{r.id, r.at}, max(r.at, r.last), endCut); err != nil {
			return err
		}
	}
	return e.exec(`UPDATE session SET ending = ? WHERE ending IS NULL`, endCut)
}

// endSession ends what lasts, and the session, in order.
func (b *book) endSession(e *entry, at int64) error {
	for _, t := range b.things() {
		if err := b.end(e, t, at, endClosed); err != nil {
			return err
		}
	}
	return e.exec(`UPDATE session SET last = ?, ending = ? WHERE id = ?`, max(at, b.last), endClosed, b.session)
}

// things lists what lasts, in an order that does not change from run to run.
func (b *book) things() []thing {
	return slices.SortedFunc(maps.Keys(b.open), func(x, y thing) int {
		return int(b.open[x].id - b.open[y].id)
	})
}

// begin writes the row of a span that lasts. One that has not ended is ended.
func (b *book) begin(e *entry, t thing, cause string, at int64, instead string) error {
	if err := b.end(e, t, at, instead); err != nil {
		return err
	}
	wall, day, doubtful := e.label(at)
	r, err := e.tx.ExecContext(e.ctx, `INSERT INTO span(session, kind, name, cause, at, wall, day, doubtful) VALUES(?,?,?,?,?,?,?,?)`,
		b.session, t.kind, t.name, cause, at, wall, day, doubtful)
	if err != nil {
		return err
	}
	id, err := r.LastInsertId()
	b.open[t] = lasting{id, at}
	b.doubtful = b.doubtful || doubtful
	return err
}

// end ends a span, if it lasts, and adds it to the totals.
func (b *book) end(e *entry, t thing, at int64, ending string) error {
	l, ok := b.open[t]
	if !ok {
		return nil
	}
	delete(b.open, t)
	return endSpan(e, t, l, at, ending)
}

// endSpan writes how a span ended and adds it to the totals.
func endSpan(e *entry, t thing, l lasting, at int64, ending string) error {
	ms := max(0, at-l.at)
	var day int
	var doubtful bool
	err := e.tx.QueryRowContext(e.ctx, `UPDATE span SET ms = ?, ending = ? WHERE id = ? RETURNING day, doubtful`, ms, ending, l.id).Scan(&day, &doubtful)
	if err != nil {
		return err
	}
	cut := ending == endCut || ending == endLost
	err = e.exec(`INSERT INTO day_total(day, kind, name, n, ms, longest, cut, doubtful) VALUES(?1,?2,?3,1,?4,?4,?5,?6)
		ON CONFLICT DO UPDATE SET n = n+1, ms = ms+?4, longest = max(longest, ?4), cut = cut+?5, doubtful = doubtful+?6`, day, t.kind, t.name, ms, cut, doubtful)
	if err != nil {
		return err
	}
	return e.exec(`INSERT INTO counter(kind, name, n, ms) VALUES(?1,?2,1,?3) ON CONFLICT DO UPDATE SET n = n+1, ms = ms+?3`, t.kind, t.name, ms)
}

// mark writes something that happened.
func (b *book) mark(e *entry, kind, name, cause string, at, value int64) error {
	wall, day, doubtful := e.label(at)
	b.doubtful = b.doubtful || doubtful
	return e.exec(`INSERT INTO mark(session, kind, name, cause, at, wall, day, doubtful, value) VALUES(?,?,?,?,?,?,?,?,?)`,
		b.session, kind, name, cause, at, wall, day, doubtful, value)
}

// event writes what follows from one event.
func (b *book) event(e *entry, ev control.Event) error {
	at := b.ms(ev.At)
	b.last = max(b.last, at)
	onset := at // a run begins and ends when the motor does, not when that was sure
	if ev.Onset > 0 && ev.Onset < ev.At {
		onset = b.ms(ev.Onset)
	}
	name, cause := b.nameOf(ev.Subject(), ev.ID), ""
	if ev.Cause != 0 {
		cause = ev.Cause.String()
	}
	opening, closing := thing{kindOpening, name}, thing{kindClosing, name}
	switch ev.Kind {
	case control.MachineStarted:
		return b.begin(e, thing{kindMachine, name}, cause, onset, endLost)
	case control.MachineStopped:
		return b.end(e, thing{kindMachine, name}, onset, endSeen)
	case control.CollectorIsOn:
		return b.begin(e, thing{kindCollector, name}, cause, at, endLost)
	case control.CollectorIsOff:
		return b.end(e, thing{kindCollector, name}, at, endSeen)
	case control.OutletIsOn:
		return b.begin(e, thing{kindOutlet, name}, cause, at, endLost)
	case control.OutletIsOff:
		return b.end(e, thing{kindOutlet, name}, at, endSeen)
	case control.GateOpening:
		return errors.Join(b.end(e, closing, at, endTurned), b.begin(e, opening, cause, at, endFailed))
	case control.GateClosing:
		return errors.Join(b.end(e, opening, at, endTurned), b.begin(e, closing, cause, at, endFailed))
	case control.GateIsOpen:
		return errors.Join(b.end(e, opening, at, endSeen), b.end(e, closing, at, endTurned))
	case control.GateIsClosed:
		return errors.Join(b.end(e, closing, at, endSeen), b.end(e, opening, at, endTurned))
	case control.GateStopped:
		return errors.Join(b.end(e, opening, at, endTurned), b.end(e, closing, at, endTurned))
	case control.FaultRaised:
		if ev.Fault == control.GateNotOpen || ev.Fault == control.GateNotShut || ev.Fault == control.GateOutput {
			if err := errors.Join(b.end(e, opening, at, endFailed), b.end(e, closing, at, endFailed)); err != nil {
				return err
			}
		}
		return b.begin(e, thing{kindFault + ev.Fault.String(), name}, cause, at, endLost)
	case control.FaultCleared:
		return b.end(e, thing{kindFault + ev.Fault.String(), name}, at, endSeen)
	case control.BinIsFull:
		hours, err := counted(e.ctx, e.tx, item{kind: ofMachines})
		if err != nil {
			return err
		}
		return b.mark(e, ev.Kind.String(), name, cause, at, hours)
	case control.BinHasRoom:
		return errors.Join(b.emptied(e, at), b.mark(e, ev.Kind.String(), name, cause, at, 0))
	case control.MachineUnknown, control.MachineLeft, control.ClosedShopRun, control.WeakAir, control.BudgetExceeded,
		control.StoodDown, control.StandDownLifted, control.StopOpened, control.LatchLifted, control.CircuitOver:
		return b.mark(e, ev.Kind.String(), name, cause, at, 0)
	default: // the rest is no part of a history
		return nil
	}
}

// emptied writes that the bin was emptied, if its sensor had said that it is
// full since it was last emptied.
func (b *book) emptied(e *entry, at int64) error {
	full, err := binFull(e.ctx, e.tx)
	if err != nil || !full {
		return err
	}
	return addReset(e.ctx, e.tx, itemBin, bySensor, 0, func() (string, int64, int64, int, bool) {
		wall, day, doubtful := e.label(at)
		return e.stamp.Boot, at, wall, day, doubtful
	})
}

// reconcile brings the rows into step with a snapshot after events were lost:
// what runs there and not here is begun, what lasts here and not there is
// ended, at the instants that the snapshot knows.
func (b *book) reconcile(e *entry, s *control.Snapshot) error {
	at := b.ms(s.At)
	b.last = max(b.last, at)
	is := map[thing]int64{} // since when
	for i := range s.Machines {
		t, since := thing{kindMachine, b.nameOf(control.AMachine, control.ID(i))}, b.ms(s.Machines[i].Since)
		if s.Machines[i].Run {
			is[t] = since
		} else if err := b.end(e, t, since, endLost); err != nil {
			return err
		}
	}
	fan, since := thing{kindCollector, b.nameOf(control.ACollector, 0)}, b.ms(s.Collector.Since)
	if s.Collector.Commanded {
		is[fan] = since
	} else if err := b.end(e, fan, since, endLost); err != nil {
		return err
	}
	for i := range s.Outlets {
		if s.Outlets[i].Commanded {
			is[thing{kindOutlet, b.nameOf(control.AnOutlet, control.ID(i))}] = at
		}
	}
	for i := range s.Gates {
		name := b.nameOf(control.AGate, control.ID(i))
		switch s.Gates[i].Position {
		case control.PositionOpening:
			is[thing{kindOpening, name}] = at
		case control.PositionShutting:
			is[thing{kindClosing, name}] = at
		default:
		}
	}
	for _, f := range s.Faults {
		is[thing{kindFault + f.Fault.String(), b.nameOf(f.Fault.Subject(), f.ID)}] = b.ms(f.Since)
	}
	for _, t := range b.things() {
		since, on := is[t]
		// What has ended and begun again in between is two.
		if exact := t.kind == kindMachine || t.kind == kindCollector; on && exact && since > b.open[t].at+1000 {
			on = false
		}
		if !on {
			if err := b.end(e, t, at, endLost); err != nil {
				return err
			}
		}
	}
	for _, t := range slices.SortedFunc(maps.Keys(is), func(x, y thing) int {
		return slices.Compare([]string{x.kind, x.name}, []string{y.kind, y.name})
	}) {
		if _, ok := b.open[t]; !ok {
			if err := b.begin(e, t, "", is[t], endLost); err != nil {
				return err
			}
		}
	}
	return nil
}

// gatesKey names the set of gates that are open in a snapshot; still says that
// none is on its way.
func gatesKey(s *control.Snapshot, nameOf func(control.Subject, control.ID) string) (key string, still bool) {
	names := []string{}
	still = true
	for i := range s.Gates {
		switch s.Gates[i].Position {
		case control.PositionOpen:
			names = append(names, nameOf(control.AGate, control.ID(i)))
		case control.PositionOpening, control.PositionShutting:
			still = false
		default:
		}
	}
	slices.Sort(names)
	text, err := json.Marshal(names)
	if err != nil { // cannot happen for strings
		return "[]", false
	}
	return string(text), still
}

// addDraw folds a stretch of steady current into its day.
func (b *book) addDraw(e *entry, s *upkeep.Stretch) error {
	_, day, _ := e.label(b.ms(s.To))
	return e.exec(`INSERT INTO draw(day, shop, gates, weak, stretches, seconds, amps) VALUES(?1,?2,?3,?4,1,?5,?6)
		ON CONFLICT DO UPDATE SET amps = (amps*seconds + ?6*?5) / (seconds + ?5), seconds = seconds + ?5, stretches = stretches + 1`,
		day, b.shop, s.Gates, s.Weak, (s.To - s.From).Seconds(), s.Amps)
}
