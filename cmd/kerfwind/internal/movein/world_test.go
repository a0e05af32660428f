package movein_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/movein/moveintest"
	"kerfwind/config"
	"kerfwind/sensor"
)

// world is a made shop with a session in front of it.
type world struct {
	*moveintest.World
	t       *testing.T
	s       *movein.Session
	kept    []movein.Request
	answers int
	restart bool // the session is rebuilt from its file in every step
	checked func(*config.Shop) (bool, []string)
	final   []byte
}

// pass lets time pass.
func (w *world) pass(d time.Duration) {
	w.To = w.s
	if err := w.Begin(w.t.Context(), w.s.Bench()); err != nil {
		w.t.Fatal(err)
	}
	for end := w.Now() + d; w.Now() < end; {
		w.Pass(10 * time.Millisecond)
		w.requests()
	}
}

// run switches a machine on for a while.
func (w *world) run(m string, d time.Duration) {
	w.Switch(m, true)
	w.pass(d)
	w.Switch(m, false)
}

// requests does what the session asks for.
func (w *world) requests() {
	for _, r := range w.s.Requests() {
		switch r.Kind {
		case movein.Move, movein.EndMove:
			if err := w.Ask(r); err != nil {
				w.t.Fatal(err)
			}
		case movein.Keep:
			w.kept = append(w.kept, r)
		case movein.Air, movein.DryRun:
			shop, err := config.ParseShop(r.Name, r.Data, w.Rig)
			if err != nil {
				w.s.Report(r.Kind, false, []string{err.Error()})
				continue
			}
			good, lines := w.checked(shop)
			w.s.Report(r.Kind, good, lines)
		case movein.Activate:
			w.final = r.Data
			w.s.Report(r.Kind, true, []string{"shops/garage.1.toml"})
		}
	}
}

// rebuild breaks the session off and goes on with what was kept.
func (w *world) rebuild() {
	data, err := w.s.Encode()
	if err != nil {
		w.t.Fatal(err)
	}
	was := w.s.View(w.Now())
	l := sensor.Learned{}
	for _, k := range w.kept {
		l.Add(k.Channels, []sensor.LearnedMachine{k.Machine})
	}
	s, err := movein.Restore(w.Rig, &l, data)
	if err != nil {
		w.t.Fatalf("%v\n%s", err, data)
	}
	w.s = s
	w.requests()
	if now := s.View(w.Now()); now.Step != was.Step || now.Place != was.Place || now.Revision <= was.Revision {
		w.t.Fatalf("after a restart at %s (%s, revision %d): %s (%s, revision %d)", was.Step, was.Place, was.Revision, now.Step, now.Place, now.Revision)
	}
	w.LetGo()
}

// answer gives an answer to the question as it is shown now.
func (w *world) answer(text string) error {
	w.answers++
	err := w.s.Answer(w.Now(), w.s.View(w.Now()).Revision, text)
	w.requests()
	return err
}

func (w *world) must(text string) {
	w.t.Helper()
	if err := w.answer(text); err != nil {
		w.t.Fatalf("%s", w.screen(text, err))
	}
}

func (w *world) screen(text string, err error) string {
	v := w.s.View(w.Now())
	return fmt.Sprintf("answer %q: %v\n%s: %s\n%s\n%v keep %q", text, err, v.Step, v.Title, strings.Join(v.Text, "\n"), v.Choices, v.Keep)
}

func (w *world) step() (what, of string) {
	what, of, _ = strings.Cut(w.s.View(w.Now()).Step, "/")
	return what, of
}
