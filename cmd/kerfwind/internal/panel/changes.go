package panel

import "time"

// changesPart lists what was changed on the page, by whom and with what result.
var changesPart = Part{Path: "/changes", Title: "Changes made here", Role: Setup, File: "changes.html", Aside: true, Data: changesData}

// mostChanges bounds the list.
const mostChanges = 100

// changesMain holds what the template shows.
type changesMain struct {
	None bool // nobody has the record
	Rows []changesRow
	More bool // than are shown
}

type changesRow struct {
	When, Doubt, What, Gave, Role, From, Sign, Said string
}

func changesData(v *Visit) (any, error) {
	m := &changesMain{None: v.s.o.Changes == nil}
	if m.None {
		return m, nil
	}
	rows, err := v.s.o.Changes(mostChanges + 1)
	if err != nil {
		return nil, err
	}
	if m.More = len(rows) > mostChanges; m.More {
		rows = rows[:mostChanges]
	}
	for i := range rows {
		r := &rows[i]
		x := changesRow{When: r.At.Local().Format(time.DateTime), What: r.What, Gave: r.Gave(), Role: r.Role, From: r.From, Said: r.Said(), Sign: "ok"}
		if !r.Trusted {
			x.Doubt = "the clock was not set"
		}
		if r.Result != "done" {
			x.Sign = "bad"
		}
		m.Rows = append(m.Rows, x)
	}
	return m, nil
}
