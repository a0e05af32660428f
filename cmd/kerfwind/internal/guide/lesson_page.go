package guide

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/config"
	"kerfwind/sensor"
)

// Bounds of a lesson on the page: our own choice.
const (
	pageMost     = 30 * time.Minute // of the stream; one that was left ends by itself
	pageReadings = 4096             // that may wait: some seconds of them
	listenFor    = 3 * time.Second  // for how long other computers are asked for every reading, each second
)

// LessonPage leads through lessons on the page of a running shop, one at a time.
type LessonPage struct {
	Shop   *config.Shop
	Folder string               // of what is kept
	Now    func() time.Duration // of the shop
	Today  func() time.Time
	Reload func()              // has the files read again, at rest
	Guard  func(do func())     // runs what may fail without harm to control
	Listen func(time.Duration) // has every reading of the other computers come for so long

	intake atomic.Pointer[intake] // of the lesson; nil: none takes readings
	mu     sync.Mutex             // of what follows
	run    *pageLesson            // nil: none
	left   bool                   // the shop is: a visitor may still have it
	jobs   sync.WaitGroup
}

var _ panel.Learner = (*LessonPage)(nil)

// intake is how readings come to a lesson.
type intake struct {
	readings chan sensor.Reading
	missed   atomic.Int64
	end      context.Context
}

// pageLesson is a lesson and what became of it.
type pageLesson struct {
	*Lesson
	began   time.Duration
	cancel  context.CancelFunc
	done    bool
	learned *Learned
	wrong   error
}

// Machines lists what can be learned.
func (p *LessonPage) Machines() []string {
	var out []string
	for _, x := range Subjects(p.Shop) {
		out = append(out, x.Name)
	}
	return out
}

// Reading takes a reading. The loop calls it: it does not wait.
func (p *LessonPage) Reading(r sensor.Reading) {
	in := p.intake.Load()
	if in == nil {
		return
	}
	select {
	case in.readings <- r:
	default:
		in.missed.Add(1)
	}
}

// Begin begins a lesson.
func (p *LessonPage) Begin(machine string) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.left {
		return &panel.Refusal{Why: "another shop was taken up just now: look at the page again"}
	}
	if p.run != nil {
		return &panel.Refusal{Why: fmt.Sprintf("a session of the %s is under way: end that first", p.run.Name)}
	}
	for _, x := range Subjects(p.Shop) {
		if x.Name == machine {
			p.begin(x)
			return nil
		}
	}
	return &panel.Mistake{Text: "there is no such machine"}
}

// begin begins a lesson. The lock is held.
func (p *LessonPage) begin(x Subject) {
	ctx, cancel := context.WithCancel(context.Background())
	run := &pageLesson{Lesson: NewLesson(p.Shop, x, LessonOptions{Idle: Idle, Run: Run}), began: p.Now(), cancel: cancel}
	in := &intake{readings: make(chan sensor.Reading, pageReadings), end: ctx}
	p.run = run
	p.intake.Store(in)
	p.jobs.Go(func() { p.Guard(func() { p.attend(run, in) }) })
}

// attend passes readings to the lesson until it is over.
func (p *LessonPage) attend(run *pageLesson, in *intake) {
	defer p.intake.CompareAndSwap(in, nil)
	again := time.NewTicker(listenFor / 3)
	defer again.Stop()
	p.Listen(listenFor) // also for the neighbours of what is learned
	for {
		select {
		case <-again.C:
			p.Listen(listenFor)
		case <-in.end.Done():
			return
		case r := <-in.readings:
			if p.take(run, in, r) {
				return
			}
		}
	}
}

// take passes one reading on and reports whether the lesson is over.
func (p *LessonPage) take(run *pageLesson, in *intake, r sensor.Reading) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	run.Read(r)
	switch {
	case run.Lost() != nil:
		p.finish(run, run.Lost())
	case in.missed.Load() > 0:
		p.finish(run, fmt.Errorf("the computer was too busy: %d readings were lost. Try again", in.missed.Load()))
	case r.At-run.began > pageMost:
		p.finish(run, fmt.Errorf("nobody went on for %s", config.FormatDuration(pageMost)))
	case run.Prompt(r.At).Step == movein.LearningDone:
		p.finish(run, nil)
	}
	return run.done
}

// finish works out what was learned. The lock is held.
func (p *LessonPage) finish(run *pageLesson, wrong error) {
	if run.done {
		return
	}
	run.done = true
	run.cancel()
	if run.wrong = wrong; wrong == nil {
		run.learned, run.wrong = run.Learned(p.Today())
	}
}

// State is where the lesson is; nil: there is none.
func (p *LessonPage) State() *panel.LearnState {
	p.mu.Lock()
	defer p.mu.Unlock()
	run := p.run
	if run == nil {
		return nil
	}
	now := run.Prompt(p.Now())
	s := &panel.LearnState{Machine: run.Name, Text: now.Text, Share: now.Share, Amps: config.Metric.Format(config.Current, now.Amps), Other: now.Other, Done: run.done}
	if run.learned != nil {
		s.Report = run.learned.Report
	}
	if run.wrong != nil {
		s.Wrong = run.wrong.Error()
	}
	if run.done {
		now.Step = movein.LearningDone
	}
	switch now.Step {
	case movein.SwitchOn:
		s.Mark = "It runs, but nothing is seen here"
	case movein.LearningRest:
		s.Text, s.Mark, s.Skip = "Press the button at the moment the tool has stopped.", "It has stopped", true
	case movein.LearningDone:
		s.Text = "Done."
	case movein.LearningQuiet, movein.LearningRuns, movein.SwitchOff:
	}
	return s
}

// on goes on with the lesson, if there is one that is not over.
func (p *LessonPage) on(do func(*pageLesson)) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.run == nil || p.run.done {
		return &panel.Refusal{Why: "no learning session is running"}
	}
	do(p.run)
	if p.run.Prompt(p.Now()).Step == movein.LearningDone {
		p.finish(p.run, nil)
	}
	return nil
}

// Mark says that what the button says has happened.
func (p *LessonPage) Mark() error {
	return p.on(func(run *pageLesson) { run.Mark(p.Now()) })
}

// Skip leaves the coasting out.
func (p *LessonPage) Skip() error {
	return p.on(func(run *pageLesson) { run.Skip(p.Now()) })
}

// End ends the lesson, and nothing is kept.
func (p *LessonPage) End() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.run == nil {
		return &panel.Refusal{Why: "there is no session to end"}
	}
	p.drop()
	return nil
}

// drop forgets the lesson. The lock is held.
func (p *LessonPage) drop() {
	p.run.cancel()
	p.intake.Store(nil)
	p.run = nil
}

// Keep keeps what was learned, and ends the lesson.
func (p *LessonPage) Keep(context.Context) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.run == nil || p.run.learned == nil {
		return &panel.Refusal{Why: "there is nothing to keep"}
	}
	if err := p.run.learned.Keep(p.Folder); err != nil {
		return err
	}
	p.drop()
	p.Reload()
	return nil
}

// Close ends the lesson: the shop is left.
func (p *LessonPage) Close() {
	p.mu.Lock()
	p.left = true
	if p.run != nil {
		p.drop()
	}
	p.mu.Unlock()
	p.jobs.Wait()
}
