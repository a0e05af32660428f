package panel

import (
	"fmt"
	"html/template"
	"net/url"
	"strconv"
	"strings"
	"sync"

	"kerfwind/cmd/kerfwind/internal/ductview"
	"kerfwind/cmd/kerfwind/internal/scene"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/duct"
)

// airPart draws the ducts with the computed flow for the gates now open, and
// says what another gate or another filter would change.
var airPart = Part{Path: "/air", Title: "Air", Role: Look, File: "air.html", Fields: airFields(), Data: air,
	Routes: []Route{{Method: "GET", Path: "/now", Role: Look, Do: airNow}}}

// The fields of the question "what if": fieldIf is there in any question, since
// a gate that is shut has no field.
const (
	fieldIf     = "if"
	fieldFilter = "filter"
)

func airFields() []string {
	out := []string{fieldIf, fieldFilter}
	for g := range duct.MaxGates {
		out = append(out, gateField(g))
	}
	return out
}

func gateField(gate int) string { return "g" + strconv.Itoa(gate) }

// airFilters are the states of the filter that can be asked for, by the value
// of the field, and the change that ductview makes of each.
var airFilters = []struct{ value, words, change string }{
	{"", "as the shop file has it", ""},
	{"clean", "clean", "filter=clean"},
	{"half", "half loaded", "filter=50 %"},
	{"loaded", "loaded", "filter=loaded"},
}

// airMain holds what the template shows.
type airMain struct {
	None   string // nothing can be computed: what to enter
	Open   string // the gates now open
	Lost   string // the gates of which it is not known, and what is
	Moves  bool   // air does now
	Fan    string // what the fan does
	Wall   string // the time of day
	Scene  *scene.Scene
	If     string // what is asked, if something is
	Now    *airCase
	Then   *airCase // the answer; nil if nothing is asked
	Shown  *airCase // the one that is drawn
	Hoods  []airHood
	Change []airChange // what single changes would do
	Form   airForm
	Least  string // velocity
	Guess  []string
	Limit  string // the disclaimer
	Read   string // which readings the figures agree with; "" none

	Settled []Settled
}

// airCase is one set of open gates, solved and put into words.
type airCase struct {
	Figure   template.HTML
	Total    string
	Lift     string
	Filter   string
	Hoods    []airHood
	Ducts    []airDuct
	RunOns   []airRunOn
	Verdicts []string
	Unsure   bool // the operating point was not found

	by      map[int]airHood // by segment
	changes []airChange     // nil: not asked for yet
}

type airHood struct {
	segment                  int
	Name, Flow, Want, Word   string
	Sign                     string // its class
	Then, ThenWord, ThenSign string
}

type airDuct struct{ Name, Size, Speed, Least, Word, Sign string }

type airRunOn struct{ Machine, Time string }

// airChange is a single change and what comes of it.
type airChange struct {
	Words, Link string
	Hoods       []airHood
	Slow, Word  string
	Sign        string
}

type airForm struct {
	Gates   []airGate
	Filters []airFilter
}

type airGate struct {
	Field, Name string
	Open        bool
}

type airFilter struct {
	Value, Words string
	Chosen       bool
}

// ducts computes the air of a shop. Pages share it: one computes at a time.
type ducts struct {
	mu      sync.Mutex
	tried   bool
	err     error                      // why there is none
	byFilt  map[string]*ductview.Study // by the value of the field
	cases   map[airKey]*airCase
	flows   map[uint64]*scene.Air // by the gates that are open
	guesses []string
}

type airKey struct {
	open   uint64
	filter string
	doubt  uint64 // gates of which nobody knows where they stand; nothing that can be asked
	still  bool   // the fan is off
}

// mostCases bounds the cases that are kept.
const mostCases = 64

// study is the network with a state of the filter. The lock is held.
func (d *ducts) study(shop *config.Shop, filter string) (*ductview.Study, error) {
	if !d.tried {
		d.tried = true
		d.byFilt, d.cases, d.flows = map[string]*ductview.Study{}, map[airKey]*airCase{}, map[uint64]*scene.Air{}
		if n := shop.Duct(); n != nil {
			if d.byFilt[""], d.err = ductview.New(shop.Name, shop.Units, n); d.err == nil {
				d.guesses = d.byFilt[""].Guesses()
			}
		}
	}
	base := d.byFilt[""]
	if base == nil || d.err != nil {
		return nil, d.err
	}
	if s := d.byFilt[filter]; s != nil {
		return s, nil
	}
	for _, f := range airFilters {
		if f.value == filter {
			s, err := base.WhatIf(f.change)
			if err == nil {
				d.byFilt[filter] = s
			}
			return s, err
		}
	}
	return nil, &Mistake{fmt.Sprintf("the filter is clean, half or loaded, not %.40q", filter)}
}

// now is the air for the gates that are open; nil where nothing is computed, or
// something else is just being computed: nobody waits for it.
func (d *ducts) now(shop *config.Shop, snap *control.Snapshot) *scene.Air {
	if snap == nil || !d.mu.TryLock() {
		return nil
	}
	defer d.mu.Unlock()
	s, err := d.study(shop, "")
	if s == nil || err != nil {
		return nil
	}
	open := snap.Open()
	if a, ok := d.flows[open]; ok {
		return a
	}
	if len(d.flows) >= mostCases {
		clear(d.flows)
	}
	var a *scene.Air
	if total, carry, ok := s.Carries(open & (1<<uint(len(s.Net.Gates)) - 1)); ok {
		a = &scene.Air{Open: open, Total: total, Carry: carry}
	}
	d.flows[open] = a
	return a
}

// look is one case. The lock is held.
func (d *ducts) look(shop *config.Shop, k airKey) (*airCase, error) {
	if c := d.cases[k]; c != nil {
		return c, nil
	}
	s, err := d.study(shop, k.filter)
	if err != nil {
		return nil, err
	}
	c, err := newAirCase(s, k)
	if err != nil {
		return nil, err
	}
	if len(d.cases) >= mostCases {
		clear(d.cases)
	}
	d.cases[k] = c
	return c, nil
}

func newAirCase(s *ductview.Study, k airKey) (*airCase, error) {
	open, c := k.open, s.Look(k.open)
	c.Doubt, c.Still = k.doubt, k.still
	out := &airCase{Unsure: !c.Converged, by: map[int]airHood{}, Verdicts: append(s.Verdicts(c), s.Doubts(c)...),
		Total: s.Quantity(config.Flow, c.Spread.Total().Middle), Lift: s.Quantity(config.Pressure, c.Spread.Fan().Middle), Filter: s.Quantity(config.Pressure, c.Spread.Filter().Middle)}
	for i, text := range out.Verdicts {
		out.Verdicts[i] = sentence(text)
	}
	var err error
	if out.Figure, err = s.Figure(c); err != nil {
		return nil, err
	}
	for i := range c.Hoods {
		h := newAirHood(s, &c.Hoods[i])
		out.Hoods = append(out.Hoods, h)
		out.by[h.segment] = h
	}
	for i, k := range c.Carry {
		if k == duct.Idle {
			continue
		}
		g := &s.Net.Segments[i]
		out.Ducts = append(out.Ducts, airDuct{Name: g.Name, Size: s.Quantity(config.Length, g.Diameter), Speed: s.Span(config.Velocity, c.Speed[i]),
			Least: s.Quantity(config.Velocity, s.Minimum(i, open)), Word: carryWord(k), Sign: carrySign(k)})
	}
	for _, r := range c.RunOns {
		out.RunOns = append(out.RunOns, airRunOn{s.Net.Machines[r.Machine].Name, config.FormatDuration(r.Total)})
	}
	return out, nil
}

func newAirHood(s *ductview.Study, h *ductview.HoodView) airHood {
	sign := "bad"
	switch {
	case h.Odds >= 0.9:
		sign = "ok"
	case h.Odds > 0.1:
		sign = "warn"
	}
	return airHood{segment: h.Segment, Name: s.HoodName(h.Segment), Flow: s.Span(config.Flow, h.Flow), Want: s.Quantity(config.Flow, h.Want), Word: h.Word(), Sign: sign}
}

func carryWord(k duct.Carrying) string {
	switch k {
	case duct.Carries:
		return "carries chips"
	case duct.Doubtful:
		return "doubtful"
	case duct.Settles:
		return "too slow: chips settle"
	case duct.Idle:
	}
	return "leaks only"
}

func carrySign(k duct.Carrying) string {
	switch k {
	case duct.Carries:
		return "ok"
	case duct.Doubtful:
		return "warn"
	case duct.Settles, duct.Idle:
	}
	return "bad"
}

// airNow is the answer to what follows by itself.
func airNow(v *Visit) error {
	m, err := air(v)
	if err != nil {
		return err
	}
	return v.fragment("air", m)
}

// air makes the view for the gates now open, and for those asked for.
func air(v *Visit) (any, error) {
	show := makeNow(v.Shop.nowIn())
	var open, doubt uint64
	var lost []string
	for i, g := range show.Scene.Gates {
		switch g.State {
		case scene.GateOpen:
			open |= 1 << i
		case scene.GateShut, scene.GateWanted:
		case scene.GateUnknown, scene.GateOpening, scene.GateShutting, scene.GateStuck, scene.GateAside:
			doubt |= 1 << i
			lost = append(lost, v.Shop.Names.Name(control.AGate, control.ID(i))+" ("+g.Word+")")
		}
	}
	m, err := v.Shop.air.view(v.Shop.Shop, airKey{open: open, doubt: doubt, still: show.Scene.Flow != scene.Moves}, v.fields)
	if err != nil {
		return nil, err
	}
	m.Scene, m.Moves = show.Scene, show.Scene.Flow == scene.Moves
	if len(show.Collectors) > 0 {
		m.Fan = sentence(show.Collectors[0].Name + ": " + show.Scene.Fan.Word)
	}
	if at, trusted := v.Shop.Wall(); trusted {
		m.Wall = at.Format("15:04:05")
	}
	m.Lost, m.Settled = strings.Join(lost, ", "), v.Shop.settled()
	return m, nil
}

func (d *ducts) view(shop *config.Shop, is airKey, ask url.Values) (*airMain, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	m := &airMain{Limit: ductview.Disclaimer}
	s, err := d.study(shop, "")
	if err != nil {
		return nil, err
	}
	if s == nil {
		m.None = "Nothing can be computed here yet. Enter the ducts in the shop file (duct = [...]) and, in [collector], the fan's curve (fan = [...]), or free_flow and shut_off from its plate, or its power."
		return m, nil
	}
	all := uint64(1)<<uint(len(s.Net.Gates)) - 1
	is.open, is.doubt = is.open&all, is.doubt&all
	open := is.open
	m.Open = airGates(s, open)
	m.Least = s.Quantity(config.Velocity, s.Minimum(0, 0))
	m.Guess, m.Read = d.guesses, s.Calibration()
	then, err := askedAir(s, open, ask)
	if err != nil {
		return nil, err
	}
	if m.Now, err = d.look(shop, is); err != nil {
		return nil, err
	}
	m.Shown, m.Hoods = m.Now, m.Now.Hoods
	if ask.Has(fieldIf) {
		if m.Then, err = d.look(shop, then); err != nil {
			return nil, err
		}
		m.Shown, m.Hoods = m.Then, beside(m.Now, m.Then)
		m.If, m.Read = ifWords(s, open, then), d.byFilt[then.filter].Calibration()
	}
	for i := range s.Net.Gates {
		m.Form.Gates = append(m.Form.Gates, airGate{gateField(i), s.Net.Gates[i].Name, then.open>>uint(i)&1 == 1})
	}
	for _, f := range airFilters {
		m.Form.Filters = append(m.Form.Filters, airFilter{f.value, f.words, f.value == then.filter})
	}
	if m.Now.changes == nil {
		if m.Now.changes, err = d.changes(shop, s, open); err != nil {
			return nil, err
		}
	}
	m.Change = m.Now.changes
	return m, nil
}

// askedAir reads the question; without one it is the air now.
func askedAir(s *ductview.Study, open uint64, ask url.Values) (airKey, error) {
	k := airKey{open: open, filter: ask.Get(fieldFilter)}
	gates := uint64(0)
	for g := range duct.MaxGates {
		if !ask.Has(gateField(g)) {
			continue
		}
		if g >= len(s.Net.Gates) {
			return k, &Mistake{fmt.Sprintf("no gate %d in this shop: ask from the part Air", g)}
		}
		gates |= 1 << uint(g)
	}
	if ask.Has(fieldIf) {
		k.open = gates
	} else if gates != 0 || k.filter != "" {
		return k, &Mistake{"part of the question is missing: ask from the part Air"}
	}
	return k, nil
}

// link is the address that asks for a case.
func (k airKey) link() string {
	q := "?" + fieldIf + "=1"
	for _, g := range duct.GateList(k.open) {
		q += "&" + gateField(g) + "=on"
	}
	if k.filter != "" {
		q += "&" + fieldFilter + "=" + k.filter
	}
	return q
}

func airGates(s *ductview.Study, open uint64) string {
	if open == 0 {
		return "no gate"
	}
	return strings.Join(s.GateNames(open), ", ")
}

// ifWords says what is asked.
func ifWords(s *ductview.Study, now uint64, k airKey) string {
	words := "with " + airGates(s, k.open) + " open"
	if k.open == now {
		words = "with the gates as they are"
	}
	for _, f := range airFilters {
		if f.value == k.filter && f.value != "" {
			words += " and the filter " + f.words
		}
	}
	return words
}

// beside sets the hoods of two cases side by side.
func beside(now, then *airCase) []airHood {
	var out []airHood
	for _, h := range now.Hoods {
		h.Then, h.ThenWord, h.ThenSign = "shut", "", ""
		if t, ok := then.by[h.segment]; ok {
			h.Then, h.ThenWord, h.ThenSign = t.Flow, t.Word, t.Sign
		}
		out = append(out, h)
	}
	for _, t := range then.Hoods {
		if _, ok := now.by[t.segment]; !ok {
			t.Then, t.ThenWord, t.ThenSign = t.Flow, t.Word, t.Sign
			t.Flow, t.Word, t.Sign = "shut", "", ""
			out = append(out, t)
		}
	}
	return out
}

// changes returns what a clean filter and each further machine would change.
func (d *ducts) changes(shop *config.Shop, s *ductview.Study, open uint64) ([]airChange, error) {
	out := []airChange{}
	add := func(words string, k airKey) error {
		st, err := d.study(shop, k.filter)
		if err != nil {
			return err
		}
		b := st.Brief(k.open)
		c := airChange{Words: words, Link: k.link()}
		for i := range b.Hoods {
			h := newAirHood(st, &b.Hoods[i])
			c.Hoods = append(c.Hoods, h)
		}
		if b.Slowest >= 0 {
			c.Slow = fmt.Sprintf("%s in %s", st.Quantity(config.Velocity, b.Velocity), st.Net.Segments[b.Slowest].Name)
			c.Word, c.Sign = carryWord(b.Carry), carrySign(b.Carry)
		}
		if !b.Converged {
			c.Slow, c.Word, c.Sign = "", "not found", "bad"
		}
		out = append(out, c)
		return nil
	}
	if open != 0 && s.Net.Filter.Clean < 0.99*s.Net.Filter.Now.Value {
		if err := add("a clean filter", airKey{open: open, filter: "clean"}); err != nil {
			return nil, err
		}
	}
	seen := map[uint64]bool{open: true}
	for i := range s.Net.Machines {
		x := &s.Net.Machines[i]
		set := open | x.Gates
		if x.Gates == 0 || seen[set] {
			continue
		}
		seen[set] = true
		words := x.Name + " too"
		if open == 0 {
			words = x.Name
		}
		if err := add(words, airKey{open: set}); err != nil {
			return nil, err
		}
	}
	return out, nil
}
