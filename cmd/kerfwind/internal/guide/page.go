package guide

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/config"
)

// Page is the move-in as the page has it. It outlives a change of the shop.
type Page struct {
	State  string                        // folder
	Open   func() (*Guide, Leave, error) // takes the one up that was left, or begins one
	Notice func(error)

	mu    sync.Mutex
	g     *Guide // nil: none is under way
	left  Leave
	quiet *time.Timer // nobody answers
}

// Leave gives the rig behind a move-in back.
type Leave interface{ Leave() error }

// quietMost is how long nobody may answer: then the person has gone, and the
// machines of the shop before are served again. Our own choice.
const quietMost = 3 * time.Hour

var _ panel.MoveIn = (*Page)(nil)

// Kept reports whether a move-in was left.
func (p *Page) Kept() bool { return Left(p.State) }

// Begin takes the move-in up that was left, or begins one.
func (p *Page) Begin(_ context.Context, anew bool) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.g != nil {
		return &panel.Refusal{Why: "a move-in is under way already: look at it"}
	}
	g, left, err := p.Open()
	if no := (*seam.Refused)(nil); errors.As(err, &no) {
		return &panel.Refusal{Why: no.Why}
	}
	if err != nil {
		return err
	}
	if anew {
		if err := g.Fresh(); err != nil {
			g.Close()
			return errors.Join(err, left.Leave())
		}
	}
	p.g, p.left = g, left
	p.quiet = time.AfterFunc(quietMost, func() {
		if ended, err := p.end(g); ended {
			p.Notice(errors.Join(fmt.Errorf("nobody has answered the move-in for %s: it has ended, and the earlier shop comes back. The answers are kept", config.FormatDuration(quietMost)), err))
		}
	})
	return nil
}

// Leave ends the move-in for now.
func (p *Page) Leave(context.Context) error {
	_, err := p.end(nil)
	return err
}

// end ends a move-in, if it is the one under way; nil is whichever is.
func (p *Page) end(which *Guide) (ended bool, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	g := p.g
	if g == nil || which != nil && which != g {
		return false, nil
	}
	p.g = nil
	p.quiet.Stop()
	g.Close()
	return true, p.left.Leave()
}

// answering does something to the move-in under way.
func (p *Page) answering(do func(*Guide) error) error {
	p.mu.Lock()
	g := p.g
	if g != nil {
		p.quiet.Reset(quietMost)
	}
	p.mu.Unlock()
	if g == nil {
		return &panel.Refusal{Why: "no move-in is under way: begin one"}
	}
	switch err := do(g); {
	case errors.Is(err, movein.ErrStale):
		return &panel.Refusal{Why: err.Error()}
	case err != nil:
		return &panel.Mistake{Text: err.Error()}
	}
	return nil
}

// Answer answers the question of a revision.
func (p *Page) Answer(revision int, text string) error {
	return p.answering(func(g *Guide) error { return g.Answer(revision, text) })
}

// Back goes a step back.
func (p *Page) Back(revision int) error {
	return p.answering(func(g *Guide) error { return g.Back(revision) })
}

// Go goes to a step that was answered.
func (p *Page) Go(revision int, step string) error {
	return p.answering(func(g *Guide) error { return g.Go(revision, step) })
}

// Question returns the question asked now.
func (p *Page) Question() *panel.MoveInQuestion {
	p.mu.Lock()
	g := p.g
	p.mu.Unlock()
	if g == nil {
		return nil
	}
	v, _ := g.View()
	return &panel.MoveInQuestion{View: v, Reached: g.Done()}
}

// Through opens a move-in on the rig of a kerfwind that runs.
func Through(ctx context.Context, shop seam.Shop, o Options) (*Guide, Leave, error) {
	st, err := shop.State(ctx)
	if err != nil {
		return nil, nil, err
	}
	if st.NoShop {
		return nil, nil, seam.ErrNoShop
	}
	if o.Before.File == "" && st.Shop.File != "" {
		b := movein.Before{Chosen: st.Shop.Chosen}
		if b.File, err = filepath.Abs(st.Shop.File); err != nil {
			return nil, nil, err
		}
		if b.Text, err = os.ReadFile(b.File); err != nil {
			return nil, nil, err
		}
		o.Before = b
	}
	b := &Bench{Shop: shop, Rig: o.Rig, Notice: o.Notice, Guard: o.Guard}
	o.Link = b
	o.Adopt = adopt(shop, o.State)
	b.begin()
	g, err := Open(o)
	if err != nil {
		return nil, nil, errors.Join(err, b.Leave())
	}
	b.tell(g)
	return g, b, nil
}

// adopt has a new shop file kept and chosen. It ends a bench.
func adopt(shop seam.Shop, folder string) func(name string, text []byte) (string, error) {
	return func(name string, text []byte) (string, error) {
		ctx, cancel := context.WithTimeout(context.Background(), askWait)
		defer cancel()
		t, err := shop.Adopt(ctx, seam.Adoption{File: seam.File{Text: text}, Name: name, Always: true})
		if err != nil {
			return "", err
		}
		if rel, err := filepath.Rel(folder, t.File); err == nil && filepath.IsLocal(rel) {
			return rel, nil
		}
		return t.File, nil
	}
}

// Beside runs something of a move-in beside control, which goes on after a fault in
// it: notice is told.
func Beside(notice func(error)) func(do func()) {
	return func(do func()) {
		defer func() {
			if r := recover(); r != nil {
				notice(fmt.Errorf("move-in: ended by a fault in the program: %v; control goes on without it\n%s", r, debug.Stack()))
			}
		}()
		do()
	}
}
