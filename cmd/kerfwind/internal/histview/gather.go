package histview

import (
	"context"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
)

// Of chooses totals.
type Of struct {
	By       journal.Period
	Machine  string // this one alone; "" all, and the collector
	From, To int    // days, both included
	Recent   bool   // without From: the last periods
}

// ParsePeriod finds a period by its name; ok is false where there is none.
func ParsePeriod(name string) (p journal.Period, ok bool) {
	for _, p := range []journal.Period{journal.Day, journal.Week, journal.Month, journal.All} {
		if p.String() == name {
			return p, true
		}
	}
	return p, false
}

// recent is how many periods the last ones are.
var recent = map[journal.Period]int{journal.Day: 14, journal.Week: 8, journal.Month: 12}

// Gather reads totals; nil: nothing has run yet.
func Gather(ctx context.Context, db *journal.DB, of Of) (*Report, error) {
	first, last, ok, err := db.Extent(ctx, journal.Machines)
	if err != nil || !ok {
		return nil, err
	}
	r := &Report{By: of.By, From: of.From, To: min(of.To, last)}
	if of.Recent {
		r.From = of.By.First(r.To)
		for i := 1; i < recent[of.By]; i++ {
			r.From = of.By.First(r.From - 1)
		}
	}
	r.From = max(r.From, of.By.First(first)) // nothing is before
	if of.By == journal.All {
		r.From = max(r.From, first)
	}
	add := func(kind, of, name string) {
		if err != nil {
			return
		}
		var t []journal.Total
		t, err = db.Totals(ctx, kind, name, r.By, r.From, r.To)
		r.Groups = append(r.Groups, Group{of, t})
	}
	add(journal.Machines, "machine", of.Machine)
	if of.Machine == "" {
		add(journal.Collectors, "collector", "")
	}
	return r, err
}

// ReadRuns reads the newest runs that are chosen, Limit of them at the most.
func ReadRuns(ctx context.Context, db *journal.DB, of journal.RunsOf) (Runs, error) {
	most := of.Limit
	of.Limit++ // to see whether there are more
	list, err := db.Runs(ctx, of)
	r := Runs{List: list, Zone: time.Local, More: len(list) > most}
	if r.More {
		r.List = list[:most]
	}
	return r, err
}
