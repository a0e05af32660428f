package daemon

import (
	"fmt"
	"math"
	"slices"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/sensor"
)

// hears keeps what channels show of each other's current, as ordinary use tells it.
type hears struct {
	next time.Duration
	kept []sensor.Share // as last kept, or tried to be
	now  []sensor.Share
	much atomic.Pointer[[]string] // what is to be said of it
}

const (
	hearsEach = time.Minute
	hearsMore = 0.005 // a share that differs by more is stored again: the file is not written for nothing
	hearsUp   = 1.25  // so is one that was heard with so many times the current, since it holds for that
)

// hear says what channels hear of each other, and once a minute has kept what is
// new. It is the loop's, and does not wait.
func (d *Daemon) hear(s *session, now time.Duration) {
	h := &s.hears
	h.now = s.live.Shares(h.now[:0])
	rig := s.shop.Rig
	much := []string{}
	for _, x := range h.now {
		if x.Size() >= sensor.HeardMuch {
			much = append(much, x.Words(rig.Channels[x.Channel].Name, rig.Channels[x.Of].Name))
		}
	}
	h.much.Store(&much)
	if d.o.State == "" || now < h.next {
		return
	}
	h.next = now + hearsEach
	news := func(x sensor.Share) bool {
		return !slices.ContainsFunc(h.kept, func(o sensor.Share) bool {
			return o.Channel == x.Channel && o.Of == x.Of && math.Hypot(o.Re-x.Re, o.Im-x.Im) <= hearsMore && x.Amps <= hearsUp*o.Amps
		})
	}
	if slices.ContainsFunc(h.now, news) {
		h.kept = slices.Clone(h.now)
		kept := h.kept
		d.chore(func() { d.keepPairs(rig, kept) })
	}
}

// pairs is what is kept of what the channels of a rig hear of each other: more than
// was known when the shop was read. It is nil where there is nothing to know it from.
func (d *Daemon) pairs(rig *config.Rig) []sensor.Share {
	if d.o.State == "" {
		return nil
	}
	l, err := state.ReadLearned(d.o.State)
	if err != nil {
		return nil // whoever read the shop has said so
	}
	return rig.Shares(l)
}

// keepPairs writes what channels of a rig hear of each other.
func (d *Daemon) keepPairs(rig *config.Rig, shares []sensor.Share) {
	when := ""
	if d.o.Wall != nil {
		if now, trusted := d.o.Wall(); trusted {
			when = now.Format(time.DateOnly)
		}
	}
	err := state.ChangeLearned(d.o.State, func(l *sensor.Learned) { l.AddPairs(rig.Pairs(shares, when)) })
	if err != nil {
		d.o.Notice(fmt.Errorf("what the channels hear of each other is not kept: %w", err))
	}
}
