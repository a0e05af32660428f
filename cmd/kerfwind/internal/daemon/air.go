package daemon

import "kerfwind/control/duct"

// Air returns the computed air for a set of open gates, such as Snapshot.Open. It
// may be called from any goroutine and never waits: false means that the duct is
// not computed, or that the set is being worked out: ask again in a moment.
func (s *Shop) Air(open uint64) (*duct.Solution, bool) { return s.Live.Air.Solved(open) }
