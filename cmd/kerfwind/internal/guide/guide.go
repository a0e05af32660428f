// Package guide carries out a move-in or a lesson: it holds the session, keeps it
// in the state folder after every answer, and does what it asks for. In front of
// it is a terminal or the page, behind it the rig.
package guide

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/ductview"
	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// File is where a move-in is kept, in the state folder. An unreadable one is
// set aside under this name and asideEnd.
const (
	File     = "movein.json"
	asideEnd = ".unreadable"
)

// Rig is the hardware behind a move-in. Its readings and events go to
// Guide.Read and Guide.Event, from any goroutine but never from within a call.
type Rig interface {
	// Begin puts the bench shop to use, instead of an earlier one. It may take
	// its time.
	Begin(ctx context.Context, bench []byte) error
	// Ask asks for a test move or its end. It does not wait for it.
	Ask(movein.Request) error
	// Now is the clock of the readings.
	Now() time.Duration
}

// Options say what is moved in.
type Options struct {
	State string // folder
	Rig   *config.Rig
	Link  Rig

	// Before is the shop in force before, by its whole path. Without a file it is
	// not known: the bench is in force, or none was.
	Before movein.Before

	// Adopt keeps the new shop's file under a name and has it take effect at rest. It
	// returns the file, as seen from the state folder.
	Adopt func(name string, text []byte) (file string, err error)
	// Today is the date for people.
	Today func() string
	// Notice takes troubles in words. It must not wait.
	Notice func(error)
	// Guard runs what goes on by itself, so that a fault in it ends nothing else;
	// nil: it may end the program.
	Guard func(do func())
}

// Guide is a move-in under way. Its methods may be called from any goroutine.
type Guide struct {
	o    Options
	ctx  context.Context
	stop context.CancelFunc
	jobs sync.WaitGroup

	mu      sync.Mutex
	s       *movein.Session
	saved   []byte        // what the file holds
	rev     int           // that was told
	changed chan struct{} // closed at the next change
	bench   string        // in force, or on its way
	opening bool
	waiting string // what for, while it opens
	trouble string // of the rig, for people
}

// Left reports whether a move-in was left in a state folder that Open would go on
// with.
func Left(folder string) bool {
	var kept struct {
		At string `json:"at"`
	}
	data, err := state.Read(folder, File)
	return err == nil && json.Unmarshal(data, &kept) == nil && kept.At != "done"
}

// Open goes on with the move-in of a state folder, or begins one.
func Open(o Options) (*Guide, error) {
	g := &Guide{o: o, changed: make(chan struct{})}
	g.ctx, g.stop = context.WithCancel(context.Background())
	learned, err := state.ReadLearned(o.State)
	if err != nil {
		o.Notice(fmt.Errorf("the learned levels are not used: %w", err))
		learned = &sensor.Learned{}
	}
	data, err := state.Read(o.State, File)
	if err == nil {
		if g.s, err = movein.Restore(o.Rig, learned, data); err != nil {
			path := filepath.Join(o.State, File)
			o.Notice(fmt.Errorf("%s: %w; it is set aside as %s, and the move-in starts over", path, err, path+asideEnd))
			err = os.Rename(path, path+asideEnd)
		}
	}
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	switch {
	case g.s == nil || g.s.View(0).Done:
		if g.s, err = movein.New(o.Rig, learned, o.Before); err != nil {
			o.Notice(err)
		}
	case o.Before.File != "":
		g.s.BackTo(o.Before)
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	return g, g.after()
}

// Fresh throws away what was answered and begins again.
func (g *Guide) Fresh() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	learned, err := state.ReadLearned(g.o.State)
	if err != nil {
		return err
	}
	before := g.o.Before
	if before.File == "" { // the bench is in force
		before = g.s.Before()
	}
	if g.s, err = movein.New(g.o.Rig, learned, before); err != nil {
		g.o.Notice(err)
	}
	return g.after()
}

// Close ends what is under way. What was answered is kept.
func (g *Guide) Close() {
	g.stop()
	g.jobs.Wait()
}

// now is the session's clock.
func (g *Guide) now() time.Duration { return g.o.Link.Now() }

// View returns what to show, and what is closed at the next change.
func (g *Guide) View() (movein.View, <-chan struct{}) {
	g.mu.Lock()
	defer g.mu.Unlock()
	v := g.s.View(g.now())
	if v.Live {
		switch {
		case g.trouble != "":
			v.Wrong = g.trouble
			v.Choices, v.Keep, v.KeepText = []movein.Choice{{Answer: "again", Text: "Try again"}}, "again", "Try again"
		case g.opening:
			v.Text = append(v.Text, "kerfwind opens the rig once the shop is at rest. Gates may move: keep hands and tools away.")
			v.Working, v.Waits = true, g.waiting
		}
	}
	return v, g.changed
}

// Done lists the steps that can be gone to, each with its answer.
func (g *Guide) Done() []movein.Reached {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.s.Done()
}

// act does something to the session, unless another program has done so
// meanwhile.
func (g *Guide) act(do func(*movein.Session) error) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if data, err := state.Read(g.o.State, File); err == nil && string(data) != string(g.saved) {
		learned, err := state.ReadLearned(g.o.State)
		if err != nil {
			return err
		}
		s, err := movein.Restore(g.o.Rig, learned, data)
		if err != nil {
			return fmt.Errorf("%s: %w", filepath.Join(g.o.State, File), err)
		}
		g.s = s
		return errors.Join(movein.ErrStale, g.after())
	}
	err := do(g.s)
	return errors.Join(err, g.after())
}

// Answer answers the question of a revision; see movein.Session.Answer.
func (g *Guide) Answer(revision int, text string) error {
	return g.act(func(s *movein.Session) error {
		if g.trouble != "" && revision == s.Revision() && s.View(g.now()).Live { // try again
			g.bench = ""
			g.open()
			return nil
		}
		return s.Answer(g.now(), revision, text)
	})
}

// Back goes a step back.
func (g *Guide) Back(revision int) error {
	return g.act(func(s *movein.Session) error { return s.Back(revision) })
}

// Go goes to a step that was reached before.
func (g *Guide) Go(revision int, step string) error {
	return g.act(func(s *movein.Session) error { return s.Go(revision, step) })
}

// Read takes a reading of the bench.
func (g *Guide) Read(r sensor.Reading) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.s.Read(r)
	g.tell(g.after())
}

// Event takes an event of the bench; why says in words why a request was
// refused.
func (g *Guide) Event(e control.Event, why string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.s.Event(e, why)
	g.tell(g.after())
}

func (g *Guide) tell(err error) {
	if err != nil {
		g.o.Notice(err)
	}
}

// after keeps a session that has changed and does what it asks for.
func (g *Guide) after() error {
	var errs []error
	for _, r := range g.s.Requests() {
		errs = append(errs, g.do(r))
	}
	if rev := g.s.Revision(); rev != g.rev {
		g.rev = rev
		if g.s.View(g.now()).Live {
			g.open()
		}
		close(g.changed)
		g.changed = make(chan struct{})
		data, err := g.s.Encode()
		if err == nil {
			err = state.Write(g.o.State, File, data)
		}
		if err == nil {
			g.saved = data
		}
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// open puts the bench to use.
func (g *Guide) open() {
	bench := string(g.s.Bench())
	if g.opening || bench == g.bench {
		return
	}
	g.bench, g.opening, g.trouble = bench, true, ""
	g.job(func() {
		err := g.o.Link.Begin(g.ctx, []byte(bench))
		g.mu.Lock()
		defer g.mu.Unlock()
		g.opening, g.waiting = false, ""
		if err != nil && g.ctx.Err() == nil {
			g.trouble = "The rig cannot be opened: " + err.Error() + ". Put that right, then try again."
		}
		close(g.changed)
		g.changed = make(chan struct{})
	})
}

// waits says what the bench waits for, and how long.
func (g *Guide) waits(why string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if why != g.waiting {
		g.waiting = why
		close(g.changed)
		g.changed = make(chan struct{})
	}
}

// Lost says that the rig is not looked at any more, and why.
func (g *Guide) Lost(why string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.bench == "" || g.opening {
		return
	}
	g.bench, g.trouble = "", "The rig is closed again: "+why+"."
	close(g.changed)
	g.changed = make(chan struct{})
}

// job does something beside.
func (g *Guide) job(do func()) {
	g.jobs.Go(func() {
		if g.o.Guard == nil {
			do()
			return
		}
		g.o.Guard(do)
	})
}

// do carries a request out. What takes its time goes on by itself.
func (g *Guide) do(r movein.Request) error {
	switch r.Kind {
	case movein.Move, movein.EndMove:
		return g.o.Link.Ask(r)
	case movein.Keep:
		r.Machine.Learned = g.o.Today()
		for i := range r.Channels {
			r.Channels[i].Learned = r.Machine.Learned
		}
		return state.ChangeLearned(g.o.State, func(l *sensor.Learned) { l.Add(r.Channels, []sensor.LearnedMachine{r.Machine}) })
	case movein.Air, movein.DryRun, movein.Activate:
		g.job(func() {
			good, lines := g.work(r)
			if g.ctx.Err() != nil {
				return
			}
			g.mu.Lock()
			defer g.mu.Unlock()
			g.s.Report(r.Kind, good, lines)
			g.tell(g.after())
		})
	}
	return nil
}

// work carries out what takes its time.
func (g *Guide) work(r movein.Request) (good bool, lines []string) {
	shop, err := config.ParseShop("the new shop", r.Data, g.o.Rig)
	if err != nil {
		return false, []string{err.Error()}
	}
	switch r.Kind {
	case movein.Air:
		return air(shop)
	case movein.DryRun:
		if learned, err := state.ReadLearned(g.o.State); err == nil {
			shop.Learn(learned)
		}
		res, err := DryRun(g.ctx, shop)
		if err != nil {
			return false, append(res.Lines, err.Error())
		}
		if res.Good {
			return true, append([]string{"A made recording ran through the new shop, machine after machine:"}, res.Lines...)
		}
		return false, append([]string{"A made recording ran through the new shop, and something is wrong:"}, res.Lines...)
	default:
		return g.activate(r)
	}
}

// activate keeps the new shop file and puts it to use.
func (g *Guide) activate(r movein.Request) (bool, []string) {
	head := "# Made by kerfwind at a move-in on " + g.o.Today() + ".\n"
	g.mu.Lock()
	before := g.s.Before().File
	g.mu.Unlock()
	if before != "" {
		head += "# The shop before: " + before + "\n"
	}
	file, err := g.o.Adopt(r.Name, append([]byte(head), r.Data...))
	if err != nil {
		return false, []string{err.Error()}
	}
	return true, []string{file}
}

// air says in words what each machine's hood gets.
func air(shop *config.Shop) (bool, []string) {
	n := shop.Duct()
	if n == nil {
		return true, []string{"kerfwind cannot compute the air without figures of the collector's fan. It uses fixed times."}
	}
	st, err := ductview.New(shop.Name, shop.Units, n)
	if err != nil {
		return false, []string{err.Error()}
	}
	good := true
	var lines []string
	for _, set := range st.Main() {
		c := st.Look(set)
		good = good && c.Converged
		verdicts := st.Verdicts(c)
		if len(verdicts) == 0 {
			verdicts = []string{"enough air"}
		}
		lines = append(lines, "- "+c.Title+": "+strings.Join(verdicts, ". ")+".")
	}
	if !good {
		lines = append(lines, "Fan and ducts found no balance for some sets of gates.")
	}
	return good, slices.Concat(lines, []string{ductview.Disclaimer})
}
