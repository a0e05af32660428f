// Package journaltest makes a history for tests.
package journaltest

import (
	"context"
	"errors"
	"math"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/control"
)

// names are those of the machines and gates.
var names = map[control.Subject][]string{
	control.AMachine:   {"band saw", "thickness planer", "drum sander"},
	control.AGate:      {"saw", "planer", "sander"},
	control.ACollector: {"collector"},
}

// Make records some invented weeks of work in a state directory, from
// Monday 2026-02-02 on. The filter fills: the collector draws less each week.
func Make(dir string, weeks int) error {
	begin := time.Date(2026, 2, 2, 8, 0, 0, 0, time.UTC)
	var mu sync.Mutex
	var at time.Duration
	set := func(d time.Duration) {
		mu.Lock()
		defer mu.Unlock()
		at = d
	}
	j := journal.Start(journal.Options{Dir: dir, Zone: time.UTC, Shop: "barn", Program: "test", Budget: 6,
		Clock: func() journal.Stamp {
			mu.Lock()
			defer mu.Unlock()
			return journal.Stamp{Boot: "boot", Mono: at, Wall: begin.Add(at), Trusted: true}
		},
		NameOf: func(of control.Subject, id control.ID) string {
			if l := names[of]; int(id) < len(l) {
				return l[id]
			}
			return ""
		}})
	ctx := context.Background()
	say := func(now time.Duration, open control.ID, on bool, kinds ...control.EventKind) {
		set(now)
		s := &control.Snapshot{At: now, Gates: make([]control.GateView, 3), Collector: control.CollectorView{Commanded: on}}
		if on {
			s.Gates[open].Position = control.PositionOpen
		}
		var events []control.Event
		for _, k := range kinds {
			id := open
			if k.Subject() == control.ACollector {
				id = 0
			}
			events = append(events, control.Event{At: now, Kind: k, ID: id})
		}
		j.Observe(s, events)
	}
	for day := range weeks * 7 {
		if day%7 > 4 {
			continue
		}
		t := time.Duration(day) * 24 * time.Hour
		for run := range 6 {
			m := control.ID((day + run) % 3)
			t += 20 * time.Minute
			say(t, m, true, control.MachineStarted, control.GateOpening, control.GateIsOpen, control.CollectorIsOn)
			length := time.Duration(3+2*run+day%4) * time.Minute
			amps := (10 - float64(m)) * (1 - 0.01*float64(day/7)) // 1 % a week
			for s := time.Duration(20); s < 50; s++ {
				j.Draw(t+s*time.Second, amps+0.02*math.Sin(float64(s)))
			}
			t += length
			say(t, m, false, control.MachineStopped)
			say(t+20*time.Second, m, false, control.CollectorIsOff, control.GateClosing, control.GateIsClosed)
			if err := j.Flush(ctx); err != nil {
				return err
			}
		}
		if day%7 == 4 && day/7%2 == 1 {
			say(t+time.Minute, 0, false, control.BinIsFull, control.BinHasRoom)
		}
	}
	return errors.Join(j.Flush(ctx), j.Close())
}
