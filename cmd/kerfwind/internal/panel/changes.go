package panel

import (
	"cmp"
	"time"
)

// changesPart lists what was changed on the page, by whom and with what result.
var changesPart = Part{Path: "/changes", Title: "Changes made here", Role: Setup, File: "changes.html", Aside: true, Data: changesData}

// actWords are the acts of the page as people name them.
var actWords = map[string]string{
	"/sign-in": "sign in", "/sign-out": "sign out", "/stand-down": "stand down", "/hold": "hold a gate", "/release": "release a gate", "/aside": "set a gate aside",
	"/upkeep/reset": "upkeep: done", "/upkeep/undo": "upkeep: taken back", "/upkeep/every": "upkeep: when it is due", "/upkeep/cleared": "upkeep: a duct is cleared by hand",
	"/signals/learn": "learn a machine", "/signals/learn/mark": "learn: it has happened", "/signals/learn/skip": "learn: left out", "/signals/learn/end": "learn: ended", "/signals/learn/keep": "learn: keep the levels",
	"/move-in/begin": "begin or go on with a move-in", "/move-in/fresh": "begin a move-in again", "/move-in/leave": "stop a move-in for now", "/move-in/answer": "move-in: answer", "/move-in/back": "move-in: back a step", "/move-in/go": "move-in: go to a step",
	"/shops/swap": "swap two things", "/shops/use": "use another shop", "/rehearsal/do": "hands in the simulated workshop",
}

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
		x := changesRow{When: r.At.Local().Format(time.DateTime), What: cmp.Or(actWords[r.What], r.What), Gave: r.Gave(), Role: r.Role, From: r.From, Said: r.Said(), Sign: "ok"}
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
