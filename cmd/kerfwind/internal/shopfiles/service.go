package shopfiles

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/cmd/kerfwind/internal/wiresheet"
	"kerfwind/config"
)

// Service swaps things in the shop in force and chooses among the shop files that
// are kept: for a terminal and for the page alike.
type Service struct {
	Folder string // of the state
	Owner  string // folder of the owner's shop files
	Rig    *config.Rig
	Shop   seam.Shop
}

// Base is the shop file that is in force or waits to be.
func (v *Service) Base(ctx context.Context) (*Base, error) {
	st, err := v.Shop.State(ctx)
	if err != nil {
		return nil, err
	}
	file := cmp.Or(st.Shop.Next, st.Shop.File)
	switch {
	case st.Shop.Bench:
		return nil, &seam.Refused{Why: "a move-in is under way: end it first"}
	case st.Shop.Next == "" && st.Shop.Waiting != "":
		return nil, &seam.Refused{Why: "another shop waits to take effect: try again when it has"}
	case file == "":
		return nil, &seam.Refused{Why: "kerfwind runs without a shop file: there is nothing to swap before a move-in"}
	}
	return v.BaseOf(file)
}

// BaseOf is a shop file to start from.
func (v *Service) BaseOf(file string) (*Base, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	return &Base{File: FromState(v.Folder, file), Text: text, Rig: v.Rig}, nil
}

// Work works out a swap.
func (v *Service) Work(b *Base, s Swap) (*Plan, error) {
	learned, err := state.ReadLearned(v.Folder)
	if err != nil {
		return nil, err
	}
	return NewPlan(b, learned, s)
}

// Carry carries a swap out: a new file, that is chosen. The ticket names it.
func (v *Service) Carry(ctx context.Context, p *Plan) (seam.Ticket, error) {
	return v.Shop.Adopt(ctx, seam.Adoption{File: seam.File{Text: p.Text(today())}, Name: p.name})
}

// Page is the service as the page has it. Each call ends in time.
type Page struct {
	*Service
	Files *config.Shop
}

var _ panel.Shops = (*Page)(nil)

// pageWait bounds a call of the page.
const pageWait = 20 * time.Second

func inTime() (context.Context, context.CancelFunc) {
	return context.WithTimeout(context.Background(), pageWait)
}

// told makes of an error one that the page tells people.
func told(err error) error {
	if no := (*seam.Refused)(nil); errors.As(err, &no) {
		return &panel.Refusal{Why: no.Why}
	}
	if bad := (config.Errors)(nil); errors.As(err, &bad) {
		return &panel.Refusal{Why: "it does not fit this rig: " + err.Error()}
	}
	return err
}

func (p *Page) plan(kind, a, b string) (*Plan, error) {
	ctx, cancel := inTime()
	defer cancel()
	base, err := p.Base(ctx)
	if err != nil {
		return nil, told(err)
	}
	plan, err := p.Work(base, Swap{Kind: KindOf(kind), A: a, B: b})
	if err != nil {
		return nil, &panel.Mistake{Text: err.Error()}
	}
	return plan, nil
}

// Plan works out a swap.
func (p *Page) Plan(kind, a, b string) (*panel.SwapPlan, error) {
	plan, err := p.plan(kind, a, b)
	if err != nil {
		return nil, err
	}
	return &panel.SwapPlan{Changes: plan.Changes, Mind: plan.Mind, Mark: plan.Mark()}, nil
}

// Swap carries a swap out.
func (p *Page) Swap(kind, a, b, mark string) (string, error) {
	plan, err := p.plan(kind, a, b)
	if err != nil {
		return "", err
	}
	if plan.Mark() != mark {
		return "", &panel.Refusal{Why: "the shop has changed meanwhile: look again at what the swap would change"}
	}
	ctx, cancel := inTime()
	defer cancel()
	t, err := p.Carry(ctx, plan)
	if err != nil {
		return "", told(err)
	}
	words := plan.Swap.Words()
	return fmt.Sprintf("%s%s: %s %s", strings.ToUpper(words[:1]), words[1:], nameOf(t.File), comes(&t)), nil
}

// comes says when a shop takes effect.
func comes(t *seam.Ticket) string {
	if t.For != "" {
		return "waits until the shop is at rest."
	}
	return "takes effect now."
}

func (p *Page) list(f *seam.InForce) ([]Kept, error) {
	more := []string{f.File} // wherever it lies
	if before, ok := Previous(p.Folder, f.File); ok {
		more = append(more, At(p.Folder, before))
	}
	return List(p.Folder, p.Owner, more...)
}

// Kept lists the files that are kept.
func (p *Page) Kept() (*panel.KeptShops, error) {
	ctx, cancel := inTime()
	defer cancel()
	st, err := p.Shop.State(ctx)
	if err != nil {
		return nil, err
	}
	list, err := p.list(&st.Shop)
	if err != nil {
		return nil, err
	}
	out := &panel.KeptShops{Why: st.Shop.Why}
	same := func(a, b string) bool { return b != "" && Same(At(p.Folder, a), b) }
	for i := range list {
		k := &list[i]
		x := panel.KeptShop{File: k.File, Name: k.Name, Shop: k.Shop, InForce: same(k.File, st.Shop.File), Changes: k.Changes, How: k.Origin()}
		if k.Trouble != nil {
			x.Trouble = k.Trouble.Error()
		}
		if at := slices.IndexFunc(list, func(o Kept) bool { return k.Before != "" && same(o.File, At(p.Folder, k.Before)) }); at >= 0 {
			x.Before, x.BeforeName = list[at].File, list[at].Name
		}
		out.List = append(out.List, x)
	}
	return out, nil
}

// Origin says how the file was made.
func (k *Kept) Origin() string {
	switch {
	case k.How != "":
		return k.How
	case k.Owner:
		return "the owner's file of " + k.Made.Format(time.DateOnly)
	}
	return "of " + k.Made.Format(time.DateOnly)
}

// Use chooses one of the files that are kept.
func (p *Page) Use(file string) (string, error) {
	ctx, cancel := inTime()
	defer cancel()
	st, err := p.Shop.State(ctx)
	if err != nil {
		return "", err
	}
	list, err := p.list(&st.Shop)
	if err != nil {
		return "", err
	}
	at := slices.IndexFunc(list, func(k Kept) bool { return k.File == file })
	if at < 0 {
		return "", &panel.Mistake{Text: "there is no such shop file any more"}
	}
	t, err := p.Shop.Adopt(ctx, seam.Adoption{File: seam.File{Path: file}})
	if err != nil {
		return "", told(err)
	}
	return list[at].Name + " " + comes(&t), nil
}

// Sheet writes the cabinet's sheet.
func (p *Page) Sheet(w io.Writer) error {
	return wiresheet.Cabinet(p.Files, false, today()).WriteHTML(w)
}

// OwnerFolder is where the owner's shop files lie: beside the rig file.
func OwnerFolder(rigFile string) string { return filepath.Join(filepath.Dir(rigFile), "shops") }

func today() string { return time.Now().Format(time.DateOnly) }
