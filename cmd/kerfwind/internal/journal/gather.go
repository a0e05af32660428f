package journal

import (
	"context"
	"time"
)

// ReportOf chooses totals.
type ReportOf struct {
	By       Period
	Machine  string // this one alone; "" all, and the collector
	From, To int    // days, both included
	Recent   bool   // without From: the last periods
}

// ParsePeriod finds a period by its name; ok is false where there is none.
func ParsePeriod(name string) (p Period, ok bool) {
	for _, p := range []Period{Day, Week, Month, All} {
		if p.String() == name {
			return p, true
		}
	}
	return p, false
}

// recent is how many periods the last ones are.
var recent = map[Period]int{Day: 14, Week: 8, Month: 12}

// Since returns the first day of the last periods, of which the last one holds day to.
func (p Period) Since(to int) int {
	from := p.First(to)
	for i := 1; i < recent[p]; i++ {
		from = p.First(from - 1)
	}
	return from
}

// Gather reads totals; nil: nothing has run yet.
func Gather(ctx context.Context, db *DB, of ReportOf) (*Report, error) {
	first, last, ok, err := db.Extent(ctx, Machines)
	if err != nil || !ok {
		return nil, err
	}
	r := &Report{By: of.By, From: of.From, To: min(of.To, last)}
	if of.Recent {
		r.From = of.By.Since(r.To)
	}
	r.From = max(r.From, of.By.First(first)) // nothing is before
	if of.By == All {
		r.From = max(r.From, first)
	}
	add := func(kind, of, name string) {
		if err != nil {
			return
		}
		var t []Total
		t, err = db.Totals(ctx, kind, name, r.By, r.From, r.To)
		r.Groups = append(r.Groups, Group{of, t})
	}
	add(Machines, "machine", of.Machine)
	if of.Machine == "" {
		add(Collectors, "collector", "")
	}
	return r, err
}

// ReadRuns reads the newest runs that are chosen, Limit of them at the most.
func ReadRuns(ctx context.Context, db *DB, of RunsOf) (Runs, error) {
	most := of.Limit
	of.Limit++ // to see whether there are more
	list, err := db.Runs(ctx, of)
	r := Runs{List: list, Zone: time.Local, More: len(list) > most}
	if r.More {
		r.List = list[:most]
	}
	return r, err
}
