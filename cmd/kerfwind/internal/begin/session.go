// Package begin asks for what a first rig and a first shop are, question by question,
// and makes their files. It is pure: a terminal shows it, and keeps its answers.
package begin

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"strconv"
	"strings"
)

// Session holds the questions and answers so far. It belongs to one goroutine.
type Session struct {
	answers map[string]string
	at      string // question that is asked; "": the first without an answer
}

// New begins.
func New() *Session { return &Session{answers: map[string]string{}} }

// kept is a session in a file.
type kept struct {
	Format  int               `json:"format"`
	Answers map[string]string `json:"answers"` // by question
}

// Restore goes on where Encode left a session.
func Restore(data []byte) (*Session, error) {
	var k kept
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&k); err != nil || k.Format != 1 {
		return nil, errors.New("these are no answers that this program knows: move the file away, and begin again")
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("something follows the end of the answers: move the file away, and begin again")
	}
	s := New()
	for id, text := range k.Answers {
		s.answers[id] = text
	}
	return s, nil
}

// Encode is all that must outlive the program.
func (s *Session) Encode() ([]byte, error) {
	b, err := json.MarshalIndent(kept{1, s.answers}, "", "  ")
	return append(b, '\n'), err
}

// Choice is one of the answers that a question offers.
type Choice struct{ Answer, Text string }

// Question is one question, with its default.
type Question struct {
	ID      string
	Number  int    // from 1
	Of      int    // questions that the answers so far call for
	Title   string // the question
	Why     string // what it is for, in a sentence
	Choices []Choice
	Example string // where any text may be answered
	Default string // what an empty answer means; "": an answer is wanted
}

// question is one with what makes of an answer the one that is kept.
type question struct {
	Question
	check func(text string) (string, error)
}

// Next returns the question to ask now; false: everything is answered.
func (s *Session) Next() (Question, bool) {
	q, ok := s.now()
	if !ok {
		return Question{}, false
	}
	return q.Question, true
}

func (s *Session) now() (*question, bool) {
	list := s.questions()
	for i := range list {
		q := &list[i]
		q.Number, q.Of = i+1, len(list)
		text, ok := s.answers[q.ID]
		if ok && s.at != q.ID {
			if again, err := q.check(text); err == nil && again == text {
				continue
			}
		}
		if ok {
			q.Default = text // as it was answered before
		}
		return q, true
	}
	return nil, false
}

// Answer takes an answer: a text, the number of a choice, or nothing for the default.
// The error says why it does not do.
func (s *Session) Answer(text string) error {
	q, ok := s.now()
	if !ok {
		return errors.New("everything is answered")
	}
	text = strings.Join(strings.Fields(text), " ")
	if text == "" {
		text = q.Default
	}
	if text == "" {
		return errors.New("this needs an answer")
	}
	if n, err := strconv.Atoi(text); err == nil && n >= 1 && n <= len(q.Choices) {
		text = q.Choices[n-1].Answer
	}
	text, err := q.check(text)
	if err != nil {
		return err
	}
	was, had := s.answers[q.ID]
	s.answers[q.ID] = text
	if _, err := s.lines(); err != nil { // too much for the board
		delete(s.answers, q.ID)
		if had {
			s.answers[q.ID] = was
		}
		return err
	}
	s.at = ""
	return nil
}

// Back asks the question before again. It reports whether there is one.
func (s *Session) Back() bool {
	list := s.questions()
	q, asked := s.now()
	i := len(list)
	if asked {
		i = q.Number - 1
	}
	if i == 0 {
		return false
	}
	s.at = list[i-1].ID
	return true
}

func (s *Session) get(id string) string { return s.answers[id] }
