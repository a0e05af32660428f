package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/shopfiles"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/cmd/kerfwind/internal/wiresheet"
	"kerfwind/config"
)

// pageShops is the shop files of a state folder as the page sees them and
// chooses among them.
type pageShops struct {
	state string // folder
	shop  *config.Shop
	now   daemon.Choice // in force
	use   func(file string) (waits bool, err error)
	mu    sync.Mutex // one swap at a time
}

// base is the shop file that is in force or waits to be.
func (p *pageShops) base() (*shopfiles.Base, error) {
	file, err := daemon.ActiveShop(p.state)
	switch {
	case err != nil:
		return nil, err
	case file == "" && p.now.Chosen:
		return nil, &panel.Refusal{Why: "another shop waits to come in force: try again when it is"}
	case file == "":
		file = p.now.File
	}
	if file == "" {
		return nil, &panel.Refusal{Why: "kerfwind runs without a shop file: there is nothing to swap before a move-in"}
	}
	if filepath.Base(file) == guide.BenchFile {
		return nil, &panel.Refusal{Why: "a move-in is under way: end it first"}
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	return &shopfiles.Base{File: shopfiles.FromState(p.state, file), Text: text, Rig: p.shop.Rig}, nil
}

func (p *pageShops) plan(kind, a, b string) (*shopfiles.Plan, error) {
	base, err := p.base()
	if err != nil {
		return nil, err
	}
	learned, err := state.ReadLearned(p.state)
	if err != nil {
		return nil, err
	}
	plan, err := shopfiles.NewPlan(base, learned, shopfiles.Swap{Kind: shopfiles.KindOf(kind), A: a, B: b})
	if err != nil {
		return nil, &panel.Mistake{Text: err.Error()}
	}
	return plan, nil
}

func (p *pageShops) Plan(kind, a, b string) (*panel.SwapPlan, error) {
	plan, err := p.plan(kind, a, b)
	if err != nil {
		return nil, err
	}
	return &panel.SwapPlan{Changes: plan.Changes, Mind: plan.Mind, Mark: plan.Mark()}, nil
}

func (p *pageShops) Swap(kind, a, b, mark string) (string, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	plan, err := p.plan(kind, a, b)
	if err != nil {
		return "", err
	}
	if plan.Mark() != mark {
		return "", &panel.Refusal{Why: "the shop has changed meanwhile: look again at what the swap would change"}
	}
	made, err := plan.Write(p.state, time.Now().Format(time.DateOnly))
	if err != nil {
		return "", err
	}
	waits, err := p.use(made.Path())
	if err != nil {
		return "", fmt.Errorf("%s is written, but not in force: %w", made.Path(), err)
	}
	return fmt.Sprintf("%s: %s.%d %s", capitalised(plan.Swap.Words()), made.Name, made.Number, comes(waits)), nil
}

// comes says when a shop comes in force.
func comes(waits bool) string {
	if waits {
		return "waits until the shop is at rest."
	}
	return "comes in force now."
}

func (p *pageShops) list() ([]shopfiles.Kept, error) {
	more := []string{p.now.File} // wherever it lies
	if filepath.Base(p.now.File) == guide.BenchFile {
		more = nil
	}
	if before, ok := shopfiles.Previous(p.state, p.now.File); ok {
		more = append(more, shopfiles.At(p.state, before))
	}
	return shopfiles.List(p.state, filepath.Join(filepath.Dir(p.shop.Rig.File), "shops"), more...)
}

func (p *pageShops) Kept() (*panel.KeptShops, error) {
	list, err := p.list()
	if err != nil {
		return nil, err
	}
	out := &panel.KeptShops{Why: p.now.Why()}
	next, err := daemon.ActiveShop(p.state)
	if err != nil {
		return nil, err
	}
	same := func(a, b string) bool { return b != "" && shopfiles.Same(shopfiles.At(p.state, a), b) }
	for i := range list {
		k := &list[i]
		x := panel.KeptShop{File: k.File, Name: k.Name, Shop: k.Shop, InForce: same(k.File, p.now.File), Changes: k.Changes}
		if k.Trouble != nil {
			x.Trouble = k.Trouble.Error()
		}
		x.How = cmp.Or(k.How, "of "+k.Made.Format(time.DateOnly))
		if k.Owner {
			x.How = cmp.Or(k.How, "the owner's file of "+k.Made.Format(time.DateOnly))
		}
		if at := slices.IndexFunc(list, func(o shopfiles.Kept) bool { return k.Before != "" && same(o.File, shopfiles.At(p.state, k.Before)) }); at >= 0 {
			x.Before, x.BeforeName = list[at].File, list[at].Name
		}
		if next != "" && !x.InForce && same(k.File, next) {
			out.Waits = k.Name + " waits until the shop is at rest"
		}
		out.List = append(out.List, x)
	}
	return out, nil
}

func (p *pageShops) Use(file string) (string, error) {
	list, err := p.list()
	if err != nil {
		return "", err
	}
	at := slices.IndexFunc(list, func(k shopfiles.Kept) bool { return k.File == file })
	if at < 0 {
		return "", &panel.Mistake{Text: "there is no such shop file any more"}
	}
	if filepath.Base(p.now.File) == guide.BenchFile {
		return "", &panel.Refusal{Why: "a move-in is under way: end it first"}
	}
	waits, err := p.use(file)
	if bad := (config.Errors)(nil); errors.As(err, &bad) {
		return "", &panel.Refusal{Why: "it does not fit this rig: " + err.Error()}
	}
	if err != nil {
		return "", err
	}
	return list[at].Name + " " + comes(waits), nil
}

func (p *pageShops) Sheet(w io.Writer) error {
	return wiresheet.Cabinet(p.shop, false, time.Now().Format(time.DateOnly)).WriteHTML(w)
}
