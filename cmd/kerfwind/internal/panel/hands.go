package panel

import "net/http"

// handsPart is people's hands in a workshop that is simulated.
var handsPart = Part{Path: "/rehearsal", Title: "Rehearsal", Role: Look, File: "hands.html", Aside: true,
	Data: func(v *Visit) (any, error) { return v.Shop.look(), nil },
	Routes: []Route{
		{Method: http.MethodGet, Path: "/look", Role: Look, Do: func(v *Visit) error { return v.fragment("look", v.Shop.look()) }},
		{Method: http.MethodPost, Path: "/do", Role: Operate, Fields: []string{"do"}, Do: func(v *Visit) error {
			if v.Shop.Hands == nil {
				return &Refusal{"this workshop is real: go there"}
			}
			if err := v.Shop.Hands.Do(v.Field("do")); err != nil {
				return &Mistake{err.Error()}
			}
			v.Said("Done: " + v.Field("do") + ".")
			return nil
		}},
	}}

// Hands are people's hands in a simulated workshop.
type Hands interface {
	// Look is the workshop as it truly is.
	Look() []HandGroup
	// Do does what a HandAct says. The error is the visitor's.
	Do(string) error
}

// HandGroup is one kind of thing in the workshop.
type HandGroup struct {
	Title string
	Lines []HandLine
}

// HandLine is one thing: what it truly does, and what can be done to it.
type HandLine struct {
	Name, State string
	Acts        []HandAct
}

// HandAct is a button: its label, and what Hands.Do is told.
type HandAct struct{ Label, Do string }

// handsView holds what the template shows.
type handsView struct {
	Real   bool
	Groups []HandGroup
}

func (s *Shop) look() *handsView {
	if s.Hands == nil {
		return &handsView{Real: true}
	}
	return &handsView{Groups: s.Hands.Look()}
}
