package main

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/panel"
)

// pageUpkeep is the upkeep of a state folder as the page sees and changes it.
type pageUpkeep struct {
	state string
	clock func() journal.Stamp
	zone  *time.Location
	room  readers
}

// byPage says in the record that a visitor of the page did it.
const byPage = "page"

// weakAirs is how many news of weak air the page shows.
const weakAirs = 6

func (u *pageUpkeep) Look(ctx context.Context) (*panel.UpkeepState, error) {
	if err := u.room.enter(ctx); err != nil {
		return nil, err
	}
	defer u.room.leave()
	db, err := openForPage(ctx, u.state)
	if err != nil {
		return nil, err
	}
	s, err := readUpkeep(ctx, db, u.clock().Wall)
	var weak []journal.WeakAir
	if err == nil {
		weak, err = db.WeakAirs(ctx, weakAirs)
	}
	if err = errors.Join(err, db.Close()); err != nil {
		if errors.Is(err, journal.ErrNone) {
			err = panel.ErrNoHistory
		}
		return nil, err
	}
	out := &panel.UpkeepState{Items: s.items, Hour: s.hour, Most: s.most, Budget: s.session.Budget, Trend: s.trend, Known: s.known, Zone: u.zone}
	for _, w := range weak {
		x := panel.WeakAir{Wall: w.Wall, Part: w.Part, Good: w.Good, Doubtful: w.Doubtful}
		if json.Unmarshal([]byte(w.Gates), &x.Gates) != nil {
			x.Gates = []string{w.Gates}
		}
		out.Weak = append(out.Weak, x)
	}
	return out, nil
}

// change opens the history beside its writer for one change.
func (u *pageUpkeep) change(ctx context.Context, f func(*journal.DB, journal.Stamp) error) error {
	if err := u.room.enter(ctx); err != nil {
		return err
	}
	defer u.room.leave()
	db, err := journal.OpenGuest(ctx, u.state)
	if err != nil {
		return err
	}
	err = errors.Join(f(db, u.clock()), db.Close())
	if errors.Is(err, journal.ErrChanged) {
		return &panel.Refusal{Why: "somebody has seen to it, or taken that back, since this page was shown: look at it again"}
	}
	return err
}

func (u *pageUpkeep) Reset(ctx context.Context, item string, seen int64) error {
	return u.change(ctx, func(db *journal.DB, now journal.Stamp) error {
		return known(db.ResetSeen(ctx, item, seen, byPage, now, u.zone))
	})
}

func (u *pageUpkeep) TakeBack(ctx context.Context, item string, seen int64) error {
	return u.change(ctx, func(db *journal.DB, now journal.Stamp) error {
		_, err := db.UndoSeen(ctx, item, seen, byPage, now, u.zone)
		return known(err)
	})
}

func (u *pageUpkeep) Every(ctx context.Context, item, machine, text string) error {
	return u.change(ctx, func(db *journal.DB, _ journal.Stamp) error {
		moves, err := db.Counts(ctx, item)
		if err != nil {
			return err
		}
		every, err := parseEvery(text, moves)
		if err != nil {
			return &panel.Mistake{Text: err.Error()}
		}
		return known(db.Every(ctx, item, machine, every))
	})
}

// known makes a mistake of the visitor's of what the record says about an item
// that it does not have.
func known(err error) error {
	if errors.Is(err, journal.ErrItem) {
		return &panel.Mistake{Text: err.Error()}
	}
	return err
}
