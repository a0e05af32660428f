package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// moveInPage is the move-in as the page has it.
type moveInPage struct {
	kept  func() bool
	open  func() (*guide.Guide, error) // takes the one up that was left, or begins one
	leave func(context.Context, *guide.Guide) error
	said  func(error) // a notice

	mu    sync.Mutex
	g     *guide.Guide // nil: none is under way
	quiet *time.Timer  // nobody answers
}

// quietMost is how long nobody may answer: then the person has gone, and the
// machines of the shop before are served again. Our own choice.
const quietMost = 3 * time.Hour

var _ panel.MoveIn = (*moveInPage)(nil)

// Kept tells whether a move-in was left.
func (p *moveInPage) Kept() bool { return p.kept() }

// under is the move-in under way, nil if there is none.
func (p *moveInPage) under() *guide.Guide {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.g
}

// Begin takes the move-in up that was left, or begins one.
func (p *moveInPage) Begin(_ context.Context, anew bool) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.g != nil {
		return &panel.Refusal{Why: "a move-in is under way already: look at it"}
	}
	g, err := p.open()
	if err != nil {
		return err
	}
	if anew {
		if err := g.Fresh(); err != nil {
			g.Close()
			return err
		}
	}
	p.g = g
	p.quiet = time.AfterFunc(quietMost, func() {
		err := p.Leave(context.Background())
		p.said(errors.Join(fmt.Errorf("nobody has answered the move-in for %s: it is left, and the shop before is to be in force again. The answers are kept", config.FormatDuration(quietMost)), err))
	})
	return nil
}

// Leave ends the move-in for now.
func (p *moveInPage) Leave(ctx context.Context) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.g == nil {
		return nil
	}
	g := p.g
	p.g = nil
	p.quiet.Stop()
	g.Close()
	return p.leave(ctx, g)
}

// answering does something to the move-in under way.
func (p *moveInPage) answering(do func(*guide.Guide) error) error {
	p.mu.Lock()
	g := p.g
	if g != nil {
		p.quiet.Reset(quietMost)
	}
	p.mu.Unlock()
	if g == nil {
		return &panel.Refusal{Why: "no move-in is under way: begin one"}
	}
	if err := do(g); err != nil {
		return &panel.Mistake{Text: err.Error()}
	}
	return nil
}

// Answer answers the question of a revision.
func (p *moveInPage) Answer(revision int, text string) error {
	return p.answering(func(g *guide.Guide) error { return g.Answer(revision, text) })
}

// Back goes a step back.
func (p *moveInPage) Back(revision int) error {
	return p.answering(func(g *guide.Guide) error { return g.Back(revision) })
}

// Go goes to a step that was answered.
func (p *moveInPage) Go(revision int, step string) error {
	return p.answering(func(g *guide.Guide) error { return g.Go(revision, step) })
}

// Question is what is asked now.
func (p *moveInPage) Question() *panel.MoveInQuestion {
	g := p.under()
	if g == nil {
		return nil
	}
	v, _ := g.View()
	q := &panel.MoveInQuestion{Revision: v.Revision, Step: v.Step, Place: v.Place, First: v.First, Title: v.Title, Text: v.Text, Keep: v.Keep, KeepText: v.KeepText,
		Free: v.Free, Example: v.Example, Wrong: v.Wrong, Live: v.Live, Amps: v.Amps, Share: v.Share, Working: v.Working, Done: v.Done}
	for _, c := range v.Choices {
		q.Choices = append(q.Choices, panel.MoveInChoice{Answer: c.Answer, Text: c.Text})
	}
	for _, r := range g.Done() {
		q.Reached = append(q.Reached, panel.MoveInStep{Step: r.Step, Title: r.Title, Answer: r.Answer})
	}
	return q
}

// pageBench is the rig behind the page's move-in: the kerfwind that runs is this
// one. It outlives a change of the shop.
type pageBench struct {
	state  string // folder
	notice func(error)
	page   *moveInPage
	link   *benchLink

	mu       sync.Mutex
	shop     *daemon.Shop  // in force; nil: none just now
	bench    string        // text of the bench in force or on its way
	attached chan struct{} // closed when a shop comes in force
	back     *string       // the shop to choose then
}

func newPageBench(folder string, notice func(error)) *pageBench {
	b := &pageBench{state: folder, notice: notice, attached: make(chan struct{})}
	b.page = &moveInPage{kept: b.kept, open: b.open, leave: b.leave, said: notice}
	return b
}

// kept tells whether a move-in lies in the state folder.
func (b *pageBench) kept() bool {
	return guide.Left(b.state)
}

// attach tells of the shop that comes in force.
func (b *pageBench) attach(s *daemon.Shop) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.shop = s
	close(b.attached)
	b.attached = make(chan struct{})
	back := b.back
	b.back = nil
	go s.Guard(func() {
		if back != nil && onBench(s) {
			if _, err := s.Use(*back); err != nil {
				b.notice(notBack(err))
			}
		}
		if g := b.page.under(); g != nil && !onBench(s) {
			g.Lost()
		}
	})
}

// guard runs something of the move-in beside control, which goes on after a
// fault in it.
func (b *pageBench) guard(do func()) {
	defer func() {
		if r := recover(); r != nil {
			b.notice(fmt.Errorf("move-in: ended by a fault in the program: %v; control goes on without it\n%s", r, debug.Stack()))
		}
	}()
	do()
}

// notBack is that the shop before could not be chosen again.
func notBack(err error) error {
	return fmt.Errorf("the shop before is not in force again, and no machine is served: %w; choose one by kerfwind use", err)
}

// detach tells that it is left.
func (b *pageBench) detach(s *daemon.Shop) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.shop == s {
		b.shop = nil
	}
}

// current is the shop in force, and what is closed when another one is.
func (b *pageBench) current() (*daemon.Shop, <-chan struct{}) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.shop, b.attached
}

// onBench tells whether a shop is the bench.
func onBench(s *daemon.Shop) bool { return s != nil && filepath.Base(s.Choice.File) == guide.BenchFile }

// reading passes a reading on, if the bench is in force. It does not wait.
func (b *pageBench) reading(s *daemon.Shop, r sensor.Reading) {
	if onBench(s) {
		b.put(reading{Reading: r})
	}
}

func (b *pageBench) put(r reading) {
	b.mu.Lock()
	l := b.link
	b.mu.Unlock()
	if l != nil {
		l.put(r)
	}
}

// observe passes events on, if the bench is in force.
func (b *pageBench) observe(s *daemon.Shop, list []control.Event) {
	if !onBench(s) {
		return
	}
	for _, e := range list {
		if e.Kind != control.RequestRefused { // Ask is told of its own
			b.put(reading{event: e})
		}
	}
}

// open takes a move-in up.
func (b *pageBench) open() (*guide.Guide, error) {
	s, _ := b.current()
	if s == nil {
		return nil, &panel.Refusal{Why: "no shop is in force just now: try again in a moment"}
	}
	o := guide.Options{State: b.state, Rig: s.Rig, Link: b, Notice: b.notice, Guard: b.guard, Today: func() string { return time.Now().Format(time.DateOnly) },
		Use: func(file string) error {
			now, _ := b.current()
			if now == nil {
				return errors.New("no shop is in force just now")
			}
			_, err := now.Use(file)
			return err
		}}
	if s.Choice.File != "" && !onBench(s) {
		text, err := os.ReadFile(s.Choice.File)
		if err != nil {
			return nil, err
		}
		file, err := filepath.Abs(s.Choice.File)
		if err != nil {
			return nil, err
		}
		o.Before = movein.Before{File: file, Chosen: s.Choice.Chosen, Text: text}
	}
	b.mu.Lock()
	b.bench, b.back = "", nil
	b.mu.Unlock()
	g, err := guide.Open(o)
	if err != nil {
		return nil, err
	}
	l := &benchLink{rig: s.Rig, read: func(r reading) { r.to(g) }, notice: b.notice, guard: b.guard}
	l.begin()
	b.mu.Lock()
	b.link = l
	b.mu.Unlock()
	return g, nil
}

// leave puts the shop before in force again, where the bench is or waits to be.
func (b *pageBench) leave(_ context.Context, g *guide.Guide) error {
	chosen, err := benchChosen(b.state)
	back := g.GoBack()
	b.mu.Lock()
	l, s := b.link, b.shop
	b.link = nil
	if chosen && s == nil { // it comes in force just now
		b.back = &back
	}
	b.mu.Unlock()
	if l != nil {
		l.end()
	}
	if !chosen || s == nil {
		return err
	}
	if _, err = s.Use(back); err != nil {
		return notBack(err)
	}
	return nil
}

// benchChosen tells whether the bench is in force, or waits to be.
func benchChosen(folder string) (bool, error) {
	file, err := daemon.ActiveShop(folder)
	return filepath.Base(file) == guide.BenchFile, err
}

// Begin puts the bench in force, which happens at rest.
func (b *pageBench) Begin(ctx context.Context, bench []byte) error {
	s, _ := b.current()
	if s == nil {
		return errors.New("no shop is in force just now")
	}
	b.mu.Lock()
	same := b.bench == string(bench) && onBench(b.shop)
	b.mu.Unlock()
	if same {
		return nil
	}
	if err := state.Write(b.state, guide.BenchFile, bench); err != nil {
		return err
	}
	_, attached := b.current()
	if _, err := s.Use(guide.BenchFile); err != nil {
		return err
	}
	limit := time.NewTimer(benchWait)
	defer limit.Stop()
	for {
		select {
		case <-attached:
		case <-ctx.Done():
			return ctx.Err()
		case <-limit.C:
			return errors.New("the shop does not come to rest")
		}
		if s, attached = b.current(); onBench(s) {
			break
		}
	}
	b.mu.Lock()
	b.bench = string(bench)
	b.mu.Unlock()
	return nil
}

// Now is the clock of the shop in force.
func (b *pageBench) Now() time.Duration {
	s, _ := b.current()
	if s == nil {
		return 0
	}
	return s.Now()
}

// Ask asks for a test move or its end.
func (b *pageBench) Ask(r movein.Request) error {
	s, _ := b.current()
	if !onBench(s) {
		return errors.New("the rig is not open yet: try again in a moment")
	}
	in, err := (&benchLink{}).ask(s.Shop, r)
	if err != nil {
		return err
	}
	in.Origin = control.Page
	go s.Guard(func() {
		ctx, stop := context.WithTimeout(context.Background(), 5*time.Second)
		defer stop()
		err := s.Ask(ctx, in)
		if err == nil || r.Kind != movein.Move {
			return
		}
		no := reading{event: control.Event{Kind: control.RequestRefused, At: s.Now(), ID: in.ID}, why: fmt.Sprintf("refused: %v", err)}
		if snap := s.Live.Snapshot(); snap != nil && !rig.Rested(snap) {
			no.event.Cause = control.ByBusy // it passes
		}
		b.put(no)
	})
	return nil
}

// benchWatch lets the page's move-in look at a shop as well.
type benchWatch struct {
	*panel.Shop
	b *pageBench
	s *daemon.Shop
}

// Observe passes events on.
func (w benchWatch) Observe(snap *control.Snapshot, events []control.Event) {
	w.Shop.Observe(snap, events)
	w.b.observe(w.s, events)
}

var _ guide.Rig = (*pageBench)(nil)
