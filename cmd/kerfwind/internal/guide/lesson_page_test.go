package guide

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/sensor"
	"kerfwind/testdata/barn"
)

// pupilPage is a session of the page on the demo's shop, in made-up time.
type pupilPage struct {
	*LessonPage
	t       *testing.T
	at      time.Duration
	reloads int
	listens atomic.Int64
}

func newPupilPage(t *testing.T) *pupilPage {
	t.Helper()
	p := &pupilPage{t: t}
	p.LessonPage = &LessonPage{Shop: barn.Shop(t), Folder: t.TempDir(), Guard: func(do func()) { do() }, Listen: func(time.Duration) { p.listens.Add(1) }, Reload: func() { p.reloads++ },
		Now: func() time.Duration { return p.at }, Today: func() time.Time { return time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC) }}
	return p
}

// show gives the band saw's channel a current for a while.
func (p *pupilPage) show(amps float64, long time.Duration) {
	for end := p.at + long; p.at < end; {
		p.at += 10 * time.Millisecond
		wobble := 0.002 * float64(p.at/(10*time.Millisecond)%7)
		for c := range p.Shop.Rig.Channels {
			r := sensor.Reading{Channel: c, At: p.at, Verdict: sensor.Idle, Health: sensor.Healthy, Amps: float32(wobble)}
			if c == 0 {
				r.Amps += float32(amps)
			}
			p.Reading(r)
		}
		if p.at%(100*time.Millisecond) == 0 {
			synctest.Wait() // the session has what it was given
		}
	}
	synctest.Wait()
}

func (p *pupilPage) want(text string) *panel.LearnState {
	p.t.Helper()
	s := p.State()
	if s == nil || !strings.Contains(s.Text, text) {
		p.t.Fatalf("at %v: %+v, want %q", p.at, s, text)
	}
	return s
}

// TestPageLearnLeft: a visitor who is late begins nothing on a shop that was
// left: nobody would end it.
func TestPageLearnLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPupilPage(t)
		if err := p.Begin("planer"); err != nil {
			t.Fatal(err)
		}
		p.Close()
		if err := p.Begin("planer"); !errors.As(err, new(*panel.Refusal)) || p.State() != nil {
			t.Errorf("%v, %+v", err, p.State())
		}
	})
}

func TestPageLearn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPupilPage(t)
		defer p.Close()
		if got := strings.Join(p.Machines(), ","); got != "band saw,planer,drum sander,router" {
			t.Fatal(got)
		}
		refused := func(what string, err error) {
			t.Helper()
			if !errors.As(err, new(*panel.Refusal)) {
				t.Errorf("%s: %v", what, err)
			}
		}
		refused("keep nothing", p.Keep(t.Context()))
		refused("mark nothing", p.Mark())
		refused("end nothing", p.End())
		if err := p.Begin("lathe"); !errors.As(err, new(*panel.Mistake)) {
			t.Error(err)
		}
		p.show(0.05, time.Second) // nobody asked yet
		if err := p.Begin("band saw"); err != nil {
			t.Fatal(err)
		}
		refused("a second session", p.Begin("planer"))
		p.want("Leave the band saw off")
		p.show(0.05, Idle+time.Second)
		if s := p.want("Switch the band saw on"); s.Mark == "" || s.Done {
			t.Errorf("%+v", s)
		}
		p.show(40, 300*time.Millisecond)
		p.show(8, 2*time.Second)
		if s := p.want("without work"); s.Share < 0.1 || s.Amps == "" {
			t.Errorf("%+v", s)
		}
		p.show(8, Run)
		p.want("Switch the band saw off")
		refused("keep too early", p.Keep(t.Context()))
		p.show(0.05, 4*time.Second)
		if s := p.want("Press the button"); s.Mark != "It has stopped" || !s.Skip {
			t.Errorf("%+v", s)
		}
		if err := p.Mark(); err != nil {
			t.Fatal(err)
		}
		s := p.want("Done")
		if !s.Done || s.Wrong != "" || s.Mark != "" || !strings.Contains(s.Report, "levels") || !strings.Contains(s.Report, "coast") {
			t.Fatalf("%+v", s)
		}
		refused("mark what is over", p.Mark())
		if err := p.Keep(t.Context()); err != nil || p.reloads != 1 || p.State() != nil {
			t.Fatalf("%v, read again %d times, %+v", err, p.reloads, p.State())
		}
		known, err := state.ReadLearned(p.Folder)
		if err != nil || len(known.Machines) != 1 || known.Machines[0].Machine != "band saw" || known.Machines[0].Learned != "2026-03-02" || known.Machines[0].Start < 1 || known.Machines[0].Start > 8 {
			t.Errorf("%+v %v", known, err)
		}
		refused("keep twice", p.Keep(context.Background()))
	})
}

// What another computer senses is learned from its readings, all of which are
// asked for as long as the session lasts; if some are missing, that is told.
func TestPageLearnNodes(t *testing.T) {
	for _, lost := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			p := newPupilPage(t)
			p.Shop.Rig.Channels[0].Node = 1
			if err := p.Begin("band saw"); err != nil {
				t.Fatal(err)
			}
			time.Sleep(10 * time.Second)
			if n := p.listens.Load(); n < 10 {
				t.Errorf("asked for every reading %d times in 10 s", n)
			}
			p.show(0.05, record.FarFirst+Idle+100*time.Millisecond)
			p.want("Switch the band saw on")
			if p.show(9, 3*time.Second); lost {
				p.at += 2 * record.FarGap
			}
			p.show(9, Run)
			s := p.State()
			if lost != (s.Wrong != "") || lost && !strings.Contains(s.Wrong, "lost on their way") {
				t.Errorf("%+v", s)
			}
			if err := p.End(); err != nil {
				t.Error(err)
			}
			synctest.Wait()
			n := p.listens.Load()
			time.Sleep(10 * time.Second)
			if p.listens.Load() != n {
				t.Error("still asks after the end")
			}
		})
	}
}

// What goes wrong is told, keeps nothing, and another session can begin.
func TestPageLearnFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPupilPage(t)
		begin := func() {
			t.Helper()
			if err := p.Begin("band saw"); err != nil {
				t.Fatal(err)
			}
		}
		wrong := func(want string) {
			t.Helper()
			s := p.want("Done")
			if !s.Done || !strings.Contains(s.Wrong, want) || s.Report != "" {
				t.Errorf("%+v, want %q", s, want)
			}
			if err := p.Keep(t.Context()); err == nil {
				t.Error("kept")
			}
			if err := p.End(); err != nil {
				t.Error(err)
			}
		}
		begin()
		p.show(0.05, Idle+time.Second)
		if err := p.Mark(); err != nil { // it runs, and nothing is seen of it
			t.Fatal(err)
		}
		wrong("channel c0")
		// Left alone.
		begin()
		p.show(0.05, Idle+time.Second)
		p.at += pageMost
		p.show(0.05, time.Second)
		wrong("nobody went on for 30 min")
		// More than the computer can take.
		begin()
		p.mu.Lock() // the session is held up
		for range 2 * pageReadings {
			p.Reading(sensor.Reading{Channel: 0, At: p.at, Verdict: sensor.Idle, Health: sensor.Healthy})
		}
		p.mu.Unlock()
		synctest.Wait()
		wrong("readings were lost")
		// The shop is left in the middle of it.
		begin()
		p.show(0.05, time.Second)
		p.Close()
		if p.State() != nil || p.intake.Load() != nil {
			t.Error("a session goes on in a shop that was left")
		}
	})
}
