package panel

import (
	"fmt"
	"strconv"
	"time"

	"kerfwind/config"
	"kerfwind/control"
)

// nowPart says what runs, what is open, what is wrong, and why.
var nowPart = Part{Path: "/", Title: "Now", Role: Look, File: "now.html", Data: now,
	Routes: []Route{
		{Method: "GET", Path: "/events", Role: Look, Stream: true, Do: events},
		{Method: "POST", Path: "/stand-down", Role: Operate, Do: standDown},
		{Method: "POST", Path: "/hold", Role: Operate, Fields: []string{"gate", "for"}, Do: hold},
		{Method: "POST", Path: "/aside", Role: Operate, Fields: []string{"gate"}, Do: setAside},
		{Method: "POST", Path: "/release", Role: Operate, Fields: []string{"gate"}, Do: release},
	}}

// nowMain holds what its template shows.
type nowMain struct {
	*nowView
	Picture *sketch
	At      time.Duration
	Wall    string // the time of day, for a page that does not follow by itself
}

func now(v *Visit) (any, error) { return makeNowMain(v.Shop), nil }

func makeNowMain(s *Shop) *nowMain {
	m := &nowMain{nowView: makeNow(s.nowIn()), At: s.Now()}
	m.Picture = s.draw(m.nowView, true)
	if at, trusted := s.Wall(); trusted {
		m.Wall = at.Format("15:04:05")
	}
	return m
}

// nowIn returns what there is to show.
func (s *Shop) nowIn() nowIn {
	var down []partDown
	if s.Down != nil {
		s.Down(func(part string, why error) { down = append(down, partDown{part, why.Error()}) })
	}
	var lacks []lack
	if s.Missing != nil {
		s.Missing(func(name, why string, serves []string) { lacks = append(lacks, lack{name, why, serves}) })
	}
	return nowIn{Down: down, Lacks: lacks, Now: s.Now(), Spoke: time.Duration(s.spoke.Load()), Speed: s.Speed, Snap: s.Snapshot(), Shop: s.Shop, Names: s.Names, Amps: s.trail.latest(), Over: s.over.Load(), Plan: s.plan, Air: s.air.now(s.Shop, s.Snapshot()), Lies: s.lies()}
}

// Time returns what a clock of the page shows.
func (m *nowMain) Time(c clock) string { return c.Text(m.At) }

// Words is a length of time in a few characters.
func (m *nowMain) Words(d time.Duration) string { return config.FormatDuration(d) }

// Seconds is a length of time as a field of a form has it.
func (m *nowMain) Seconds(d time.Duration) string { return strconv.Itoa(int(d / time.Second)) }

func standDown(v *Visit) error {
	err := v.Shop.Ask(v.R.Context(), control.Input{Kind: control.Ask, State: uint8(control.AskStandDown), ID: control.NoID})
	if err != nil {
		return err
	}
	v.Said("Stood down. " + notLocked)
	return nil
}

// hold holds a gate open, for sweeping up there.
func hold(v *Visit) error {
	id, err := v.gate()
	if err != nil {
		return err
	}
	n, err := strconv.Atoi(v.Field("for"))
	if err != nil || n <= 0 || n > int(24*time.Hour/time.Second) {
		return &Mistake{"say for how many seconds to hold the gate"}
	}
	long := time.Duration(n) * time.Second
	if most := v.Shop.Control().HoldLongest; long > most && most > 0 {
		return &Mistake{"here a gate can be held for at most " + config.FormatDuration(most)}
	}
	in := control.Input{Kind: control.Ask, State: uint8(control.AskHold), ID: id, For: long}
	if err := v.Shop.Ask(v.R.Context(), in); err != nil {
		return err
	}
	v.Said(fmt.Sprintf("%s is held open for %s. The collector may start.", v.Field("gate"), config.FormatDuration(long)))
	return nil
}

func release(v *Visit) error {
	id, err := v.gate()
	if err != nil {
		return err
	}
	if err := v.Shop.Ask(v.R.Context(), control.Input{Kind: control.Ask, State: uint8(control.AskRelease), ID: id}); err != nil {
		return err
	}
	v.Said(v.Field("gate") + " is no longer held.")
	return nil
}

// setAside sets a gate aside, since hands are in it. Only somebody at the shop takes
// it back.
func setAside(v *Visit) error {
	id, err := v.gate()
	if err != nil {
		return err
	}
	if err := v.Shop.Ask(v.R.Context(), control.Input{Kind: control.Ask, State: uint8(control.AskAside), ID: id}); err != nil {
		return err
	}
	v.Said(v.Field("gate") + " is set aside: it does not move and nothing is collected there. A fan that runs goes on. Lock the collector's disconnect before hands go in.")
	return nil
}

// gate is the gate that a form names.
func (v *Visit) gate() (control.ID, error) {
	for i := range v.Shop.Gates {
		if v.Shop.Gates[i].Name == v.Field("gate") {
			return control.ID(i), nil
		}
	}
	return control.NoID, &Mistake{fmt.Sprintf("no gate %.40q here", v.Field("gate"))}
}
