package panel

import (
	"context"
	"net/http"
	"slices"
	"strconv"

	"kerfwind/cmd/kerfwind/internal/movein"
)

// moveInPart leads through the matching of the rig to a new shop. Nothing of it
// looks at the rig before somebody begins.
var moveInPart = Part{Path: "/move-in", Title: "Move-in", Role: Setup, File: "movein.html", Data: moveIn,
	Routes: []Route{
		{Method: http.MethodGet, Path: "/question", Role: Setup, Do: func(v *Visit) error { return v.fragment("question", v.Shop.moveIn()) }},
		{Method: http.MethodPost, Path: "/begin", Role: Setup, Do: func(v *Visit) error {
			return v.moving("The move-in is under way.", func(m MoveIn) error { return m.Begin(v.R.Context(), false) })
		}},
		{Method: http.MethodPost, Path: "/fresh", Role: Setup, Do: func(v *Visit) error {
			return v.moving("A new move-in has begun.", func(m MoveIn) error { return m.Begin(v.R.Context(), true) })
		}},
		{Method: http.MethodPost, Path: "/leave", Role: Setup, Do: func(v *Visit) error {
			return v.moving("Stopped. The answers are kept.", func(m MoveIn) error { return m.Leave(v.R.Context()) })
		}},
		{Method: http.MethodPost, Path: "/answer", Role: Setup, Fields: []string{"revision", "answer"}, Do: func(v *Visit) error {
			return v.answering(func(m MoveIn, revision int) error { return m.Answer(revision, v.Field("answer")) })
		}},
		{Method: http.MethodPost, Path: "/back", Role: Setup, Fields: []string{"revision"}, Do: func(v *Visit) error {
			return v.answering(MoveIn.Back)
		}},
		{Method: http.MethodPost, Path: "/go", Role: Setup, Fields: []string{"revision", "step"}, Do: func(v *Visit) error {
			return v.answering(func(m MoveIn, revision int) error { return m.Go(revision, v.Field("step")) })
		}},
	}}

// MoveIn is a move-in. It is kept by the computer: a phone may sleep meanwhile,
// or another one go on. Errors that are the visitor's are *Mistake or *Refusal.
type MoveIn interface {
	// Kept reports whether one was left and can be taken up again.
	Kept() bool
	// Question is the question asked now; nil: none is under way.
	Question() *MoveInQuestion
	// Begin takes the one up that was left, or begins one; again throws away what
	// was answered. Leave ends it for now: the earlier shop takes effect again.
	Begin(ctx context.Context, anew bool) error
	Leave(context.Context) error
	// Answer answers the question of a revision; Back goes to the step before,
	// and Go to one that was answered.
	Answer(revision int, text string) error
	Back(revision int) error
	Go(revision int, step string) error
}

// MoveInQuestion is one question.
type MoveInQuestion struct {
	movein.View
	Reached []movein.Reached // the steps that can be gone to
	Was     string           // an answer that was not taken
}

// moveInView holds what the template shows.
type moveInView struct {
	None  string
	Kept  bool
	Q     *MoveInQuestion
	Amps  string
	Share string
}

// says reports whether the question itself says what was wrong with an answer.
func (m *moveInView) says(wrong string) bool {
	return m.Q != nil && wrong != "" && m.Q.Wrong == wrong
}

func moveIn(v *Visit) (any, error) {
	m := v.Shop.moveIn()
	if m.Q != nil {
		m.Q.Was = v.Field("answer")
	}
	return m, nil
}

func (s *Shop) moveIn() *moveInView {
	if s.MoveIn == nil {
		return &moveInView{None: "This program cannot move in: it has no rig."}
	}
	m := &moveInView{Kept: s.MoveIn.Kept(), Q: s.MoveIn.Question()}
	if q := m.Q; q != nil {
		q.Wrong = sentence(q.Wrong)
		if q.Free && slices.ContainsFunc(q.Choices, func(c movein.Choice) bool { return c.Answer == q.Keep }) {
			q.Keep = "" // its button says it better than a filled field
		}
		if q.Live && !q.Working || q.Amps > 0 {
			m.Amps = strconv.FormatFloat(q.Amps, 'f', 1, 64) + " A"
		}
		if q.Share > 0 && q.Share < 1 {
			m.Share = decimal(q.Share)
		}
	}
	return m
}

// moving carries something of a move-in out.
func (v *Visit) moving(said string, do func(MoveIn) error) error {
	if v.Shop.MoveIn == nil {
		return &Refusal{"no rig to move in with"}
	}
	if err := do(v.Shop.MoveIn); err != nil {
		return err
	}
	v.Said(said)
	return nil
}

// answering carries out what depends on the question that the visitor saw.
func (v *Visit) answering(do func(MoveIn, int) error) error {
	revision, err := strconv.Atoi(v.Field("revision"))
	if err != nil {
		return &Mistake{"part of the form is missing: load the page again"}
	}
	return v.moving("", func(m MoveIn) error { return do(m, revision) })
}
