package panel

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"slices"
)

// Learner leads through the learning of a machine. The session is kept by the
// computer, so that a phone may sleep meanwhile or another one go on. Errors
// that are the visitor's are *Mistake or *Refusal.
type Learner interface {
	// Machines lists what can be learned.
	Machines() []string
	// State is how far the session is; nil: there is none.
	State() *LearnState
	// Begin begins a session. There is one at a time.
	Begin(machine string) error
	// Mark says that what LearnState.Mark says has happened; Skip leaves the
	// coasting out.
	Mark() error
	Skip() error
	// End ends the session, and nothing is kept.
	End() error
	// Keep keeps what was learned, and ends the session.
	Keep(context.Context) error
}

// LearnState is how far a session is.
type LearnState struct {
	Machine string
	Text    string  // what the person is to do
	Mark    string  // what the button says now; "" there is none
	Skip    bool    // the coasting may be left out now
	Share   float64 // of the step that is over; 0 where it waits for the person
	Amps    string  // what the machine's sensors show
	Other   string  // sensors of others that move instead
	Done    bool
	Report  string // of what was learned, in lines
	Wrong   string // why nothing was
}

// learnView holds what the template shows.
type learnView struct {
	*LearnState
	Machines []string
	Share    string
	Percent  int
}

// learn makes the view; nil where nothing can be learned here.
func (s *Shop) learn() *learnView {
	if s.Learn == nil {
		return nil
	}
	v := &learnView{LearnState: s.Learn.State(), Machines: s.Learn.Machines()}
	if v.LearnState != nil {
		v.Share, v.Percent = decimal(v.LearnState.Share), int(100*v.LearnState.Share)
	}
	return v
}

// learnRoutes are the routes of a session, below the part Signals.
var learnRoutes = []Route{
	{Method: http.MethodGet, Path: "/learn/step", Role: Setup, Do: func(v *Visit) error { return v.fragment("step", v.Shop.learn()) }},
	{Method: http.MethodPost, Path: "/learn", Role: Setup, Fields: []string{"machine"}, Do: func(v *Visit) error {
		machine := v.Field("machine")
		return v.learning(fmt.Sprintf("%s: the session has begun.", machine), func(l Learner) error {
			if !slices.Contains(l.Machines(), machine) {
				return &Mistake{fmt.Sprintf("%.40q has no current sensor, so there are no levels to learn", machine)}
			}
			return l.Begin(machine)
		})
	}},
	{Method: http.MethodPost, Path: "/learn/mark", Role: Setup, Do: func(v *Visit) error { return v.learning("Noted.", Learner.Mark) }},
	{Method: http.MethodPost, Path: "/learn/skip", Role: Setup, Do: func(v *Visit) error { return v.learning("Left out.", Learner.Skip) }},
	{Method: http.MethodPost, Path: "/learn/end", Role: Setup, Do: func(v *Visit) error {
		return v.learning("The session has ended. Nothing was kept.", Learner.End)
	}},
	{Method: http.MethodPost, Path: "/learn/keep", Role: Setup, Do: func(v *Visit) error {
		return v.learning("Kept. The new levels take effect when the shop is at rest.", func(l Learner) error { return l.Keep(v.R.Context()) })
	}},
}

// learning carries something of a session out.
func (v *Visit) learning(said string, do func(Learner) error) error {
	if v.Shop.Learn == nil {
		return &Refusal{"nothing can be learned here: no machine has a current sensor"}
	}
	if err := do(v.Shop.Learn); err != nil {
		return err
	}
	v.Said(said)
	return nil
}

// fragment answers with a piece of the part's page, for what follows by itself.
func (v *Visit) fragment(name string, data any) error {
	var b bytes.Buffer
	if err := templates[v.Part.File].ExecuteTemplate(&b, name, data); err != nil {
		return err
	}
	v.W.Header().Set("Content-Type", "text/html; charset=utf-8")
	v.W.Header().Set("Cache-Control", "no-store")
	_, err := v.W.Write(b.Bytes())
	return err
}
