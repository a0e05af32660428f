// Package shopfiles looks after an owner's files. It swaps two things in a new
// shop file, keeps older files and says how they differ, and erases what must go
// when a shop is given up. It writes to the state folder alone; the owner's files
// are only read.
//
// A backup is one ZIP file with rig, shops, learned levels and history. It lists
// its parts and their sums: any tool can open it, and a damaged one is noticed.
package shopfiles

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"unicode"

	"kerfwind/config"
	"kerfwind/sensor"
)

// Kind says what a Swap swaps. The zero value is invalid.
type Kind uint8

// The swaps.
const (
	Gates   Kind = iota + 1 // what moves two gates, with their end switches
	Outputs                 // what moves two gates; the end switches stay
	Sensors                 // what tells that two machines run
	GateOf                  // a machine comes to another gate: A is the machine, B the gate
)

var kindNames = [...]string{Gates: "gates", Outputs: "outputs", Sensors: "sensors", GateOf: "gate-of"}

// String is the kind in one word.
func (k Kind) String() string { return kindNames[k] }

// KindOf is the kind of that name, 0 if there is none.
func KindOf(name string) Kind {
	for k := Gates; k <= GateOf; k++ {
		if kindNames[k] == name {
			return k
		}
	}
	return 0
}

// Swap is a swap that is asked for.
type Swap struct {
	Kind Kind
	A, B string // names of the two things
}

// Words say what is swapped, as the end of a sentence.
func (s Swap) Words() string {
	switch s.Kind {
	case Gates:
		return fmt.Sprintf("gates %s and %s swapped", s.A, s.B)
	case Outputs:
		return fmt.Sprintf("outputs of gates %s and %s swapped, end switches left", s.A, s.B)
	case Sensors:
		return fmt.Sprintf("sensors of %s and %s swapped", s.A, s.B)
	default:
		return fmt.Sprintf("%s moved to gate %s", s.A, s.B)
	}
}

// Base is the shop file that a swap starts from.
type Base struct {
	File string // as state.ShopFile.Path or absolute
	Text []byte
	Rig  *config.Rig
}

// Mark tells one state of the file from another.
func (b *Base) Mark() string {
	sum := sha256.Sum256(b.Text)
	return hex.EncodeToString(sum[:8])
}

// Plan is a swap worked out, before anything is written.
type Plan struct {
	Swap    Swap
	Changes []string // what is different in the new file, a sentence each
	Mind    []string // what is doubtful after it, or to be looked at
	base    *Base
	name    string // of the shop
	text    []byte
}

// NewPlan works out a swap. learned may be nil. The error says in words why it
// cannot be.
func NewPlan(b *Base, learned *sensor.Learned, s Swap) (*Plan, error) {
	from, err := config.ParseDraft(b.File, b.Text)
	if err != nil {
		return nil, err
	}
	to, err := config.ParseDraft(b.File, b.Text)
	if err != nil {
		return nil, err
	}
	before, err := config.ParseShop(b.File, b.Text, b.Rig)
	if err != nil {
		return nil, err
	}
	// A file without a name of its own has that of the file, which changes.
	from.Name, to.Name = &before.Name, &before.Name
	p := &Plan{Swap: s, base: b, name: before.Name}
	var moved []string // machines
	switch s.Kind {
	case Gates, Outputs:
		err = to.SwapGates(s.A, s.B, s.Kind == Outputs)
	case Sensors:
		err = to.SwapSensors(s.A, s.B)
	case GateOf:
		moved = []string{s.A, ""}
		moved[1], err = to.MoveToGate(s.A, s.B)
	default:
		err = errors.New("no such swap")
	}
	if err != nil {
		return nil, err
	}
	p.text = to.Encode()
	after, err := config.ParseShop("the new shop", p.text, b.Rig)
	if err != nil {
		return nil, fmt.Errorf("the shop would not hold together: %w", err)
	}
	if p.Changes = config.Differences(from, to); len(p.Changes) == 0 {
		return nil, errors.New("the two are alike: nothing would change")
	}
	p.runOns(before, after, moved)
	if learned == nil {
		learned = &sensor.Learned{}
	}
	p.levels(before, after, learned)
	for _, w := range after.Warnings {
		if !slices.ContainsFunc(before.Warnings, func(o config.Problem) bool { return o.Message == w.Message }) {
			p.Mind = append(p.Mind, sentence(w.Message+": "+w.Remedy))
		}
	}
	return p, nil
}

// runOns says whose run-on becomes another.
func (p *Plan) runOns(before, after *config.Shop, moved []string) {
	for i := range after.Machines {
		if !slices.Contains(moved, after.Machines[i].Name) {
			continue
		}
		if was, is := before.RunOnAlone(i), after.RunOnAlone(i); was != is {
			p.Changes = append(p.Changes, fmt.Sprintf("Run-on of %s: was %s, is now %s.", after.Machines[i].Name, config.FormatDuration(was), config.FormatDuration(is)))
		}
	}
}

// levels says what becomes of the levels of machines with another sensor.
func (p *Plan) levels(before, after *config.Shop, learned *sensor.Learned) {
	for i := range after.Machines {
		m := &after.Machines[i]
		if !slices.Equal(m.Channels, before.Machines[i].Channels) {
			p.level(after, learned, m.Name, m.Channels, m.Circuit, m.Start, m.Stop, m.Given())
		}
	}
	if c := &after.Collector; c.Channel != before.Collector.Channel {
		p.level(after, learned, "collector", []int{c.Channel}, c.Circuit, c.Start, c.Stop, c.Given())
	}
}

func (p *Plan) level(s *config.Shop, learned *sensor.Learned, name string, channels []int, circuit int, start, stop float64, given bool) {
	if len(channels) == 0 {
		return
	}
	var on []string
	for _, ch := range channels {
		on = append(on, s.Rig.Channels[ch].Name)
	}
	where := strings.Join(on, " and ")
	sensors := s.Rig.Sensors(channels)
	volts, hertz := s.Supply(circuit)
	here, other := learned.Machine(name, sensors, volts, hertz)
	amps := func(a float64) string { return s.Units.Format(config.Current, a) }
	in := fmt.Sprintf("start %s, stop %s", amps(start), amps(stop))
	switch {
	case given:
		p.mind("The levels that the file gives %s stay (%s). Look once that it shows more than that on %s while it runs: on the page under Signals, or by kerfwind watch.", name, in, where)
	case here != nil:
		p.mind("What was learned of %s on %s %s holds again.", name, where, here.Learned)
	case other != nil:
		p.mind("The levels of %s were %s. They are doubtful on %s and not used: until kerfwind learn has learned them there, %s.", name, other.Doubt(sensors, volts, hertz), where, in)
	default:
		p.mind("Nothing was learned of %s on %s. Until kerfwind learn has done so, %s.", name, where, in)
	}
}

func (p *Plan) mind(format string, a ...any) {
	p.Mind = append(p.Mind, sentence(fmt.Sprintf(format, a...)))
}

// Mark is Base.Mark of the file that the plan starts from.
func (p *Plan) Mark() string { return p.base.Mark() }

// The first lines of a shop file that the program made. A move-in writes them
// too.
const (
	madeBy    = "# Made by kerfwind "
	cameFrom  = "# The shop before: "
	mostHeads = 8 // lines
)

// Text is the new shop file. today is the date for people.
func (p *Plan) Text(today string) []byte {
	head := madeBy + "by a swap on " + today + ": " + plainLine(p.Swap.Words()) + ".\n" + cameFrom + plainLine(p.base.File) + "\n"
	return append([]byte(head), p.text...)
}

// plainLine is a text without line breaks.
func plainLine(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, s)
}

// FromState is a file as it is seen from a state folder: relative if it lies
// within, else absolute. Links are followed, since one may lead elsewhere
// tomorrow.
func FromState(folder, file string) string {
	file, folder = resolved(file), resolved(folder)
	if rel, err := filepath.Rel(folder, file); err == nil && filepath.IsLocal(rel) {
		return rel
	}
	return file
}

// resolved is an absolute path without links, as far as that can be found out.
func resolved(path string) string {
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	if to, err := filepath.EvalSymlinks(path); err == nil {
		path = to
	}
	return path
}

// Same reports whether two paths lead to the same file.
func Same(a, b string) bool { return resolved(a) == resolved(b) }

// At is the path of a file that counts from a state folder.
func At(folder, file string) string {
	if filepath.IsAbs(file) {
		return file
	}
	return filepath.Join(folder, file)
}

func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" {
		return s
	}
	if !strings.HasSuffix(s, ".") {
		s += "."
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
