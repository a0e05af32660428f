package movein

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"kerfwind/config"
	"kerfwind/sensor"
)

// ErrStale is the error of an answer to a question that is no longer asked.
var ErrStale = errors.New("the question has changed since: look again")

// Session is one move-in. Its methods are to be called from one goroutine.
type Session struct {
	rig     *config.Rig
	learned *sensor.Learned
	old     *config.Draft // nil: there was no shop
	kept    kept
	live    *live // of the present step; nil: it only asks
	wrong   string
	wishes  []Request
	names   []string // of the rig's channels
	otherHz float64  // measured on a running machine, where the supply was answered to have another frequency; else 0
}

// kept holds what outlives the program.
type kept struct {
	Format   int               `json:"format"`
	Revision int               `json:"revision"`
	At       string            `json:"at"` // step
	OldFile  string            `json:"old_file,omitempty"`
	Chosen   bool              `json:"old_chosen,omitempty"` // not the owner's default
	Old      string            `json:"old,omitempty"`        // text of the old shop file
	Answers  map[string]string `json:"answers"`              // by step
}

// Before is the earlier shop. The zero value is none.
type Before struct {
	File   string
	Chosen bool // by somebody: it is not the owner's default
	Text   []byte
}

// New begins a move-in. The error is that of the shop before, and then nothing
// of it is known.
func New(rig *config.Rig, learned *sensor.Learned, old Before) (*Session, error) {
	s := &Session{rig: rig, learned: learned, kept: kept{Format: 1, Revision: 1, OldFile: old.File, Chosen: old.Chosen, Old: string(old.Text), Answers: map[string]string{}}}
	err := s.begin()
	s.advance()
	return s, err
}

// Restore goes on where Encode left a session.
func Restore(rig *config.Rig, learned *sensor.Learned, data []byte) (*Session, error) {
	s := &Session{rig: rig, learned: learned}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&s.kept); err != nil {
		return nil, fmt.Errorf("this is not a move-in that this program knows: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("this is not a move-in that this program knows: something follows its end")
	}
	if s.kept.Format != 1 {
		return nil, fmt.Errorf("format %d: this program knows format 1", s.kept.Format)
	}
	if s.kept.Answers == nil {
		s.kept.Answers = map[string]string{}
	}
	if err := s.begin(); err != nil {
		return nil, err
	}
	// Who saw a question before the restart may have seen more than was kept.
	s.kept.Revision++
	if s.index() < 0 {
		s.advance()
	}
	s.enter()
	return s, nil
}

// begin reads the old shop and the rig's names.
func (s *Session) begin() error {
	if s.learned == nil {
		s.learned = &sensor.Learned{}
	}
	for i := range s.rig.Channels {
		s.names = append(s.names, s.rig.Channels[i].Name)
	}
	if s.kept.Old == "" {
		return nil
	}
	var err error
	if s.old, err = config.ParseDraft(s.kept.OldFile, []byte(s.kept.Old)); err != nil {
		s.kept.Old = ""
		return fmt.Errorf("the earlier shop is not used: %w", err)
	}
	return nil
}

// Encode is all that must outlive the program. It is to be kept whenever
// View.Revision has changed.
func (s *Session) Encode() ([]byte, error) {
	b, err := json.MarshalIndent(s.kept, "", "  ")
	return append(b, '\n'), err
}

// kind says what a step is. The zero value is invalid.
type kind uint8

const (
	asks     kind = iota + 1
	finds         // a machine's sensor, by switching it on
	moves         // a gate, to see which it is
	learns        // levels and coast-down of a machine
	computes      // something that the face works out, and its report
	ends
)

// step is one step. Its id is what, or what/of.
type step struct {
	kind     kind
	what, of string
}

func (st step) id() string {
	if st.of == "" {
		return st.what
	}
	return st.what + "/" + st.of
}

// index is the session's present step, -1 if there is no such step any more.
func (s *Session) index() int {
	return slices.IndexFunc(s.steps(), func(st step) bool { return st.id() == s.kept.At })
}

// now is the session's present step.
func (s *Session) now() step {
	list := s.steps()
	if i := s.index(); i >= 0 {
		return list[i]
	}
	return list[0]
}

// Choice is one of the answers that a question offers.
type Choice struct {
	Answer string // what to give to Session.Answer; its number, from 1, does as well
	Text   string
}

// Revision is that of the question that is asked now.
func (s *Session) Revision() int { return s.kept.Revision }

// View holds what to show.
type View struct {
	Revision int
	Step     string
	Place    string // how far it is: "Part 3 of 8: sensors, 2 of 5"
	First    bool   // there is no step before
	Title    string
	Text     []string // paragraphs: what to do and what is known
	Choices  []Choice
	Keep     string  // what an empty answer means; "": nothing, an answer is wanted
	KeepText string  // the same for people
	Free     bool    // any text may be answered, as Example shows
	Example  string  //
	Wrong    string  // why the last answer does not do
	Live     bool    // readings are wanted: it changes by itself
	Amps     float64 // what is read now, where Live
	Share    float64 // of what it waits for, 0 to 1
	Working  bool    // a Request is being carried out
	Waits    string  // what it waits for, and how long; "" nothing that is known
	Done     bool    // the new shop was handed over
}

// View says what to show at the stream's time now.
func (s *Session) View(now time.Duration) View {
	st := s.now()
	v := View{Revision: s.kept.Revision, Step: st.id(), Place: s.progress(st), First: s.index() <= 0, Wrong: s.wrong}
	s.show(st, now, &v)
	for _, c := range v.Choices {
		if c.Answer == v.Keep && v.KeepText == "" {
			v.KeepText = c.Text
		}
	}
	if v.KeepText == "" {
		v.KeepText = v.Keep
	}
	return v
}

// Answer takes the answer to the question of a revision: the text or the number
// of a choice, a text where View.Free, or nothing for what View.Keep says. The
// error is ErrStale, or says why the answer does not do; View.Wrong says so too.
func (s *Session) Answer(now time.Duration, revision int, text string) error {
	if revision != s.kept.Revision {
		return ErrStale
	}
	v := s.View(now)
	text = strings.Join(strings.Fields(text), " ")
	n, err := strconv.Atoi(text)
	switch {
	case text == "" && v.Keep != "":
		text = v.Keep
	case text == "":
		return s.refuse(errors.New("this needs an answer"))
	case err == nil && n >= 1 && n <= len(v.Choices):
		text = v.Choices[n-1].Answer
	case slices.ContainsFunc(v.Choices, func(c Choice) bool { return c.Answer == text }):
	case !v.Free:
		return s.refuse(fmt.Errorf("%q is not one of the answers: type its number", text))
	}
	st := s.now()
	if s.live != nil {
		err = s.live.answer(s, st, now, text)
		if err != nil {
			return s.refuse(err)
		}
		return nil
	}
	if text, err = s.check(st, text); err != nil {
		return s.refuse(err)
	}
	s.keep(st, text)
	return nil
}

func (s *Session) refuse(err error) error {
	s.wrong = err.Error()
	return err
}

// keep takes an answer that was checked and goes on.
func (s *Session) keep(st step, text string) {
	s.kept.Answers[st.id()] = text
	s.advance()
}

// changed begins a new question.
func (s *Session) changed() {
	s.kept.Revision++
	s.wrong = ""
}

// advance goes to the first step that has no answer that does.
func (s *Session) advance() {
	s.changed()
	list := s.steps()
	s.kept.At = list[len(list)-1].id()
	for _, st := range list {
		if !s.answered(st) {
			s.kept.At = st.id()
			break
		}
	}
	s.enter()
}

// answered reports whether a step has an answer that still does.
func (s *Session) answered(st step) bool {
	text, ok := s.kept.Answers[st.id()]
	if !ok {
		return false
	}
	again, err := s.check(st, text)
	return err == nil && again == text
}

// Back goes to the step before. Answers stay.
func (s *Session) Back(revision int) error {
	if revision != s.kept.Revision {
		return ErrStale
	}
	i := s.index()
	switch {
	case i <= 0:
		return s.refuse(errors.New("this is the first step"))
	case s.now().kind == ends:
		return s.refuse(errOver)
	}
	s.kept.At = s.steps()[i-1].id()
	s.changed()
	s.enter()
	return nil
}

// Go goes to a step that has been reached before.
func (s *Session) Go(revision int, id string) error {
	if revision != s.kept.Revision {
		return ErrStale
	}
	if s.now().kind == ends {
		return s.refuse(errOver)
	}
	for _, st := range s.steps() {
		if st.id() == id {
			s.kept.At = id
			s.changed()
			s.enter()
			return nil
		}
		if !s.answered(st) {
			break
		}
	}
	return s.refuse(fmt.Errorf("you cannot go to the step %q yet", id))
}

var errOver = errors.New("the new shop is already in use: to change it, swap two things or start a new move-in")

// Reached is a step that can be gone to.
type Reached struct{ Step, Title, Answer string }

// Done lists the steps that can be gone to, each with its answer.
func (s *Session) Done() []Reached {
	var out []Reached
	for _, st := range s.steps() {
		if !s.answered(st) {
			break
		}
		out = append(out, Reached{st.id(), s.title(st), s.said(st)})
	}
	return out
}

// Before is the shop before.
func (s *Session) Before() Before {
	return Before{File: s.kept.OldFile, Chosen: s.kept.Chosen, Text: []byte(s.kept.Old)}
}

// BackTo says that another shop has been in force since the move-in was begun:
// leaving goes back to that one. What is known of the machines stays.
func (s *Session) BackTo(b Before) {
	if b.File != s.kept.OldFile || b.Chosen != s.kept.Chosen {
		s.kept.OldFile, s.kept.Chosen = b.File, b.Chosen
		s.changed()
	}
}

// Answers are the answers so far, by step.
func (s *Session) Answers() map[string]string { return maps.Clone(s.kept.Answers) }

// get is the answer of a step, "" if there is none.
func (s *Session) get(id string) string { return s.kept.Answers[id] }
