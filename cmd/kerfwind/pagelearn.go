package main

import (
	"bytes"
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/learning"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/sensor"
)

// Bounds of a session on the page: our own choice.
const (
	pageIdle     = 10 * time.Second // as at the terminal
	pageRun      = 8 * time.Second
	lessonMost   = 30 * time.Minute // of the stream; one that was left ends by itself
	pageReadings = 4096             // that may wait: some seconds of them
)

// pageLearn leads through the learning of a machine of a running shop.
type pageLearn struct {
	shop   *config.Shop
	list   []lesson
	folder string
	now    func() time.Duration
	clock  func() journal.Stamp
	reload func()              // the files are read again, at rest
	guard  func(do func())     // of the part
	listen func(time.Duration) // has every reading of the other computers come for so long

	feed atomic.Pointer[pageLessonFeed] // of the session; nil: none takes readings
	mu   sync.Mutex                     // of what follows
	run  *pageLesson                    // nil: none
	left bool                           // the shop is: a visitor may still have it
	jobs sync.WaitGroup
}

// pageLessonFeed is how readings come to a session.
type pageLessonFeed struct {
	readings chan sensor.Reading
	missed   atomic.Int64
	end      context.Context
}

// pageLesson is one session.
type pageLesson struct {
	lesson
	session  *learning.Session
	far      *farReadings
	cancel   context.CancelFunc
	done     bool
	report   string
	wrong    error
	channels []sensor.LearnedChannel
	machine  sensor.LearnedMachine
}

// newPageLearn lists what can be learned: nothing, where no sensor tells of any
// machine.
func newPageLearn(l *pageLearn) *pageLearn {
	l.list, _ = (&learnFlags{}).lessons(l.shop) // it names nothing, so all that it can miss is a sensor
	return l
}

func (l *pageLearn) Machines() []string {
	var out []string
	for _, x := range l.list {
		out = append(out, x.name)
	}
	return out
}

// Reading takes a reading. The loop calls it: it does not wait.
func (l *pageLearn) Reading(r sensor.Reading) {
	f := l.feed.Load()
	if f == nil {
		return
	}
	select {
	case f.readings <- r:
	default:
		f.missed.Add(1)
	}
}

func (l *pageLearn) Begin(machine string) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.left {
		return &panel.Refusal{Why: "another shop was taken up just now: look at the page again"}
	}
	if l.run != nil {
		return &panel.Refusal{Why: fmt.Sprintf("a session of the %s is under way: end that first", l.run.name)}
	}
	for _, x := range l.list {
		if x.name == machine {
			l.begin(x)
			return nil
		}
	}
	return &panel.Mistake{Text: "there is no such machine"}
}

// begin begins a session. The lock is held.
func (l *pageLearn) begin(x lesson) {
	p := learning.Params{Machine: x.name, Channels: x.channels, Idle: pageIdle, Run: pageRun, Coast: !x.collects}
	for i := range l.shop.Rig.Channels {
		p.Names = append(p.Names, l.shop.Rig.Channels[i].Name)
	}
	for _, ch := range x.channels {
		p.Step = max(p.Step, l.shop.Rig.Step(ch))
	}
	ctx, cancel := context.WithCancel(context.Background())
	began := l.now()
	run := &pageLesson{lesson: x, session: learning.New(p), far: farOf(l.shop.Rig, x.channels, began), cancel: cancel}
	feed := &pageLessonFeed{readings: make(chan sensor.Reading, pageReadings), end: ctx}
	l.run = run
	l.feed.Store(feed)
	l.jobs.Go(func() { l.guard(func() { l.attend(run, feed, began) }) })
}

// attend passes readings to the session until it is over.
func (l *pageLearn) attend(run *pageLesson, feed *pageLessonFeed, began time.Duration) {
	defer l.feed.CompareAndSwap(feed, nil)
	again := time.NewTicker(farLease / 3)
	defer again.Stop()
	l.listen(farLease) // also for the neighbours of what is learned
	for {
		select {
		case <-again.C:
			l.listen(farLease)
		case <-feed.end.Done():
			return
		case r := <-feed.readings:
			if l.take(run, feed, r, began) {
				return
			}
		}
	}
}

// take passes one reading on and tells whether the session is over.
func (l *pageLearn) take(run *pageLesson, feed *pageLessonFeed, r sensor.Reading, began time.Duration) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	use, lost := run.far.take(r)
	if use {
		run.session.Read(r)
	}
	switch {
	case lost != nil:
		l.finish(run, lost)
	case feed.missed.Load() > 0:
		l.finish(run, fmt.Errorf("the computer was too busy: %d readings were lost. Try again", feed.missed.Load()))
	case r.At-began > lessonMost:
		l.finish(run, fmt.Errorf("nobody went on for %s", config.FormatDuration(lessonMost)))
	case run.session.Prompt(r.At).Step == learning.Done:
		l.finish(run, nil)
	}
	return run.done
}

// finish works out what was learned. The lock is held.
func (l *pageLearn) finish(run *pageLesson, wrong error) {
	if run.done {
		return
	}
	run.done = true
	run.cancel()
	result, err := run.session.Result()
	if wrong == nil {
		wrong = err
	}
	if run.wrong = wrong; wrong != nil {
		return
	}
	var b bytes.Buffer
	(&learnFlags{}).report(&b, l.shop, run.lesson, result)
	run.report = b.String()
	volts, hertz := l.shop.Supply(run.circuit)
	about := learning.About{Sensors: l.shop.Rig.Sensors(run.lesson.channels), Volts: volts, Hertz: hertz, When: l.clock().Wall.Format(time.DateOnly)}
	for _, ch := range run.lesson.channels {
		about.Calibrations = append(about.Calibrations, l.shop.Rig.Calibration(ch))
	}
	run.channels, run.machine = run.session.Learned(result, about)
}

func (l *pageLearn) State() *panel.LearnState {
	l.mu.Lock()
	defer l.mu.Unlock()
	run := l.run
	if run == nil {
		return nil
	}
	p := run.session.Prompt(l.now())
	s := &panel.LearnState{Machine: run.name, Text: p.Text, Share: p.Share, Amps: config.Metric.Format(config.Current, p.Amps), Other: p.Other, Done: run.done, Report: run.report}
	if run.wrong != nil {
		s.Wrong = run.wrong.Error()
	}
	if run.done {
		p.Step = learning.Done
	}
	switch p.Step {
	case learning.SwitchOn:
		s.Mark = "It runs, but nothing is seen here"
	case learning.Rest:
		s.Text, s.Mark, s.Skip = "Press the button at the moment the tool stands still.", "It stands still", true
	case learning.Done:
		s.Text = "Done."
	case learning.Quiet, learning.Runs, learning.SwitchOff:
	}
	return s
}

// on goes on with the session, if there is one that is not over.
func (l *pageLearn) on(do func(*pageLesson)) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.run == nil || l.run.done {
		return &panel.Refusal{Why: "there is no session that this could be said to"}
	}
	do(l.run)
	if l.run.session.Prompt(l.now()).Step == learning.Done {
		l.finish(l.run, nil)
	}
	return nil
}

func (l *pageLearn) Mark() error {
	return l.on(func(run *pageLesson) { run.session.Mark(l.now()) })
}

func (l *pageLearn) Skip() error {
	return l.on(func(run *pageLesson) { run.session.Skip(l.now()) })
}

func (l *pageLearn) End() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.run == nil {
		return &panel.Refusal{Why: "there is no session to end"}
	}
	l.drop()
	return nil
}

// drop forgets the session. The lock is held.
func (l *pageLearn) drop() {
	l.run.cancel()
	l.feed.Store(nil)
	l.run = nil
}

func (l *pageLearn) Keep(context.Context) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.run == nil || !l.run.done || l.run.wrong != nil {
		return &panel.Refusal{Why: "there is nothing to keep"}
	}
	err := state.ChangeLearned(l.folder, func(known *sensor.Learned) { known.Add(l.run.channels, []sensor.LearnedMachine{l.run.machine}) })
	if err != nil {
		return err
	}
	l.drop()
	l.reload()
	return nil
}

// Close ends the session: the shop is left.
func (l *pageLearn) Close() {
	l.mu.Lock()
	l.left = true
	if l.run != nil {
		l.drop()
	}
	l.mu.Unlock()
	l.jobs.Wait()
}
