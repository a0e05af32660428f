package panel

import (
	"cmp"
	"fmt"
	"io"
	"net/http"
	"slices"
)

// shopsPart exchanges two things that are swapped, lists the shop
// files that are kept, goes back to one, and hands out the cabinet's sheet.
var shopsPart = Part{Path: "/shops", Title: "Swap, and kept shops", Role: Setup, File: "shops.html", Aside: true, Fields: []string{"kind", "a", "b"}, Data: shopsData,
	Routes: []Route{
		{Method: http.MethodPost, Path: "/swap", Role: Setup, Fields: []string{"kind", "a", "b", "mark"}, Do: shopsSwap},
		{Method: http.MethodPost, Path: "/use", Role: Setup, Fields: []string{"file"}, Do: shopsUse},
		{Method: http.MethodGet, Path: "/sheet", Role: Setup, Stream: true, Do: shopsSheet},
	}}

// Shops keeps shop files. Its calls may take their time. An error that is the
// visitor's is a *Mistake; one that would break what must hold, or comes
// because somebody else was quicker, is a *Refusal.
type Shops interface {
	// Plan works out a swap: of the gates or sensors a and b, or of machine a to
	// gate b. kind is one of swapKinds or "outputs". It changes nothing.
	Plan(kind, a, b string) (*SwapPlan, error)
	// Swap carries it out, if the shop is still the one of the mark, and says what
	// was done.
	Swap(kind, a, b, mark string) (said string, err error)
	// Kept lists the files, the newest first.
	Kept() (*KeptShops, error)
	// Use puts one of them to use, and says what was done.
	Use(file string) (said string, err error)
	// Sheet writes the cabinet's sheet as a page for paper.
	Sheet(w io.Writer) error
}

// SwapPlan is a swap worked out.
type SwapPlan struct {
	Changes, Mind []string // sentences
	Mark          string   // of the shop file that it starts from
}

// KeptShops are the shop files that there are.
type KeptShops struct {
	List []KeptShop
	Why  string // the shop in force is that one
}

// KeptShop is a shop file.
type KeptShop struct {
	File, Name, Shop, How string
	Before, BeforeName    string // the one that it came from, "" if it is gone or not known
	Changes               []string
	InForce               bool
	Trouble               string // it cannot be used
}

// swapKinds are the swaps as the page offers them.
var swapKinds = []swapKind{
	{"gates", "Gates", "Which gate is swapped with another?", "Swap with"},
	{"sensors", "Sensors", "Which machine's sensor is swapped with another's?", "Swap with"},
	{"gate-of", "Machine at another gate", "Which machine is at another gate now?", "Move to"},
}

type swapKind struct{ Name, Title, Ask, Do string }

// shopsMain holds what the template shows.
type shopsMain struct {
	None  bool // shop files are not kept
	Kinds []shopsKind
	Kind  *swapKind // chosen
	A     string
	With  []shopsPair
	Not   []string // with which it cannot be, and why

	Others []string // to choose from, where there are too many
	Kept   *KeptShops
	Back   *KeptShop // the one before that in force
}

type shopsKind struct {
	swapKind
	Things []string
}

type shopsPair struct {
	B        string
	Plan     *SwapPlan
	Switches bool // the gates have end switches, which could stay
}

func shopsData(v *Visit) (any, error) {
	m := &shopsMain{A: v.Field("a")}
	if v.Shop.Shops == nil {
		m.None = true
		return m, nil
	}
	if kind := v.Field("kind"); kind != "" {
		if kind == "outputs" {
			kind = "gates"
		}
		at := slices.IndexFunc(swapKinds, func(k swapKind) bool { return k.Name == kind })
		if at < 0 {
			return nil, &Mistake{"no such swap: load the page again"}
		}
		m.Kind = &swapKinds[at]
		return m, m.pairs(v.Shop, v.Field("b"))
	}
	for _, k := range swapKinds {
		if k.Name == "gates" && len(v.Shop.Gates) > 1 {
			m.Kinds = append(m.Kinds, shopsKind{k, v.Shop.gateNames()})
		}
		if k.Name != "gates" && len(v.Shop.Machines) > 0 {
			m.Kinds = append(m.Kinds, shopsKind{k, v.Shop.machineNames()})
		}
	}
	var err error
	if m.Kept, err = v.Shop.Shops.Kept(); err != nil {
		return nil, err
	}
	for i := range m.Kept.List {
		if k := &m.Kept.List[i]; k.InForce && k.Before != "" {
			at := slices.IndexFunc(m.Kept.List, func(o KeptShop) bool { return o.File == k.Before && o.Trouble == "" })
			if at >= 0 {
				m.Back = &m.Kept.List[at]
			}
		}
	}
	return m, nil
}

func (s *Shop) gateNames() (out []string) {
	for i := range s.Gates {
		out = append(out, s.Gates[i].Name)
	}
	return out
}

// mostPairs bounds how many swaps are worked out for one page. One takes 4 ms on
// a desktop in the demo's shop; a small computer is many times slower, and a
// large shop makes more of each.
const mostPairs = 12

// pairs works out all swaps of one thing, or that with b alone. Where there are
// too many, b is asked for.
func (m *shopsMain) pairs(s *Shop, b string) error {
	others, mine := s.gateNames(), s.machineNames()
	if m.Kind.Name == "gates" {
		mine = others
	}
	if m.Kind.Name == "sensors" {
		others = mine
		if s.Collector.Channel >= 0 {
			others = append(slices.Clone(mine), "collector")
		}
	}
	if !slices.Contains(mine, m.A) {
		return &Mistake{fmt.Sprintf("the shop has no %q", m.A)}
	}
	if m.Kind.Name != "gate-of" {
		others = slices.DeleteFunc(slices.Clone(others), func(o string) bool { return o == m.A })
	}
	if b != "" && !slices.Contains(others, b) {
		return &Mistake{fmt.Sprintf("the shop has no %q", b)}
	}
	if b != "" {
		others = []string{b}
	}
	if len(others) > mostPairs {
		m.Others = others
		return nil
	}
	for _, b := range others {
		p, err := s.Shops.Plan(m.Kind.Name, m.A, b)
		if err != nil {
			if _, ok := err.(*Mistake); !ok { //nolint:errorlint // as it comes from Plan
				return err
			}
			m.Not = append(m.Not, sentence(err.Error()))
			continue
		}
		m.With = append(m.With, shopsPair{b, p, m.Kind.Name == "gates" && (s.switched(m.A) || s.switched(b))})
	}
	return nil
}

// switched reports whether a gate has an end switch.
func (s *Shop) switched(gate string) bool {
	i := slices.Index(s.gateNames(), gate)
	return i >= 0 && (s.Gates[i].OpenSwitch >= 0 || s.Gates[i].ShutSwitch >= 0)
}

func shopsSwap(v *Visit) error {
	if v.Shop.Shops == nil {
		return &Mistake{"this program keeps no shop files here"}
	}
	said, err := v.Shop.Shops.Swap(v.Field("kind"), v.Field("a"), v.Field("b"), v.Field("mark"))
	if err == nil {
		v.Said(said)
	}
	return err
}

func shopsUse(v *Visit) error {
	if v.Shop.Shops == nil {
		return &Mistake{"this program keeps no shop files here"}
	}
	said, err := v.Shop.Shops.Use(v.Field("file"))
	if err == nil {
		v.Said(said)
	}
	return err
}

func shopsSheet(v *Visit) error {
	if v.Shop.Shops == nil {
		return &Mistake{"this program keeps no shop files here"}
	}
	w := v.download("cabinet.html", "text/html; charset=utf-8")
	return w.end(v.Shop.Shops.Sheet(w))
}

// Title says what is to be done with the other thing.
func (m *shopsMain) Title(b string) string { return cmp.Or(m.Kind.Do, "Swap with") + " " + b }
