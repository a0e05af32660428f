// Package journal keeps the history of a shop in one SQLite file: runs, gate
// moves, times of the collector, faults, totals, and what was reset. It also
// reads the file back, into tables, JSON, CSV and a picture.
//
// # Duties
//
// A [Journal] is a loop observer. Observe copies and returns; one worker does
// the rest. Control never waits for it: while the disk hangs or is full the
// queue fills, then events are dropped and counted, and a notice goes out. The
// worker brings itself back into step with the next snapshot.
//
// What has been committed survives a power cut: the file is in WAL mode with
// synchronous=FULL. Events wait up to two seconds so that those that come
// together are committed together; [Journal.Flush] waits for that. A run that
// lasts when the power goes is closed at the last instant known, at most a minute
// back, and says so.
//
// # Time
//
// An instant is a boot's identity and a monotonic offset in that boot; lengths
// are differences of offsets. The wall clock only labels rows. Rows written
// before the clock can be trusted are marked doubtful and labelled afresh, by
// their offsets, once it can. Rows of a boot that never learned the time stay
// doubtful; their order is that of their numbers.
//
// # Damage
//
// Every start checks every page. A damaged file is set aside under a name with
// the date, with its log, and the newest good backup takes its place; what lasts
// just then is begun again from the newest snapshot. A backup is made each day
// that something is recorded, when nothing runs; seven are kept. A file of a
// newer program, or of another, is left alone and nothing is recorded.
//
// # Totals
//
// day_total holds sums by day and name, counter holds them since ever. Both
// change in the transaction that ends a run. [DB.Verify] compares them with the
// rows and [DB.Rebuild] makes them again.
package journal
