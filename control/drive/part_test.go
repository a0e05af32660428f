package drive

import (
	"fmt"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/control"
	"kerfwind/testdata/chips"
)

// shops are rigs of every kind of part, alone, in pairs and beside each other.
func shops() map[string]Params {
	relay := func(chip string, n int) *Relay { return &Relay{Name: fmt.Sprint(chip, n), Line: Line{chip, n}} }
	servo := func(bus, addr, out int) Gate {
		return Gate{Servo: &Servo{Name: "s", Bus: fmt.Sprint("/dev/i2c-", bus), Address: addr, Output: out, Open: time.Millisecond, Shut: 2 * time.Millisecond, Release: time.Second}}
	}
	motor := func(chip string, n int) Gate {
		return Gate{Motor: &Motor{Name: fmt.Sprint("m", n), Open: Line{chip, n}, Shut: Line{chip, n + 1}, Longest: time.Second}}
	}
	contact := func(n int, m Means, id control.ID) Contact {
		return Contact{Name: fmt.Sprint("c", n), Line: Line{"switches", n}, Closed: true, Means: m, ID: id}
	}
	return map[string]Params{
		"barn": {
			Collector: relay("pins", 17), Heartbeat: &Heartbeat{Line: Line{"pins", 4}, Every: time.Millisecond},
			Outlets: []Outlet{{Relay: relay("pins", 1)}, {Relay: relay("expander", 1)}},
			Gates:   []Gate{servo(1, 0x40, 0), servo(1, 0x40, 3), servo(1, 0x41, 0), servo(3, 0x40, 0), motor("pins", 5), {Relay: relay("expander", 2)}, {}},
			Lamps:   []*Relay{relay("pins", 20), relay("expander", 3)},
			Chips:   []Chip{{Bus: "/dev/i2c-1", Address: 0x41, Enable: relay("pins", 9)}},
			Contacts: []Contact{contact(0, MachineRuns, 0), contact(1, StopActs, 0), contact(2, GateIsOpen, 4), contact(3, GateIsShut, 4), contact(4, StandDown, 0),
				contact(5, ButtonHolds, 1), contact(6, CollectorRuns, 0), contact(7, BinFull, 0)},
		},
		"servos alone":   {Gates: []Gate{servo(1, 0x40, 0), servo(1, 0x41, 15)}},
		"expander alone": {Collector: relay("expander", 0), Gates: []Gate{motor("expander", 1), {Relay: relay("expander", 3)}}, Contacts: []Contact{contact(0, MachineRuns, 1)}},
	}
}

// piece is something that may be pulled out of a rig.
type piece struct {
	name    string
	lines   []Line // that are gone with it
	bus     string // a bus, or a chip on it
	chip    int
	serves  []Thing // sorted
	nothing bool    // without it there is no driver
}

func (p *piece) add(t ...Thing) {
	for _, t := range t {
		if !slices.Contains(p.serves, t) {
			p.serves = append(p.serves, t)
		}
	}
}

// pieces are all of a rig, worked out from its description alone.
func pieces(p Params) []*piece {
	var list []*piece
	piecesOf := func(name string) *piece {
		for _, x := range list {
			if x.name == name {
				return x
			}
		}
		x := &piece{name: name}
		list = append(list, x)
		return x
	}
	line := func(l Line, t Thing, nothing bool) {
		for _, name := range []string{l.String(), "all of " + l.Chip} {
			x := piecesOf(name)
			x.lines = append(x.lines, l)
			x.add(t)
			x.nothing = x.nothing || nothing
		}
	}
	if p.Collector != nil {
		line(p.Collector.Line, Thing{control.ACollector, 0}, true)
	}
	if p.Heartbeat != nil {
		line(p.Heartbeat.Line, Thing{control.NoSubject, control.NoID}, false)
	}
	for i, o := range p.Outlets {
		line(o.Relay.Line, Thing{control.AnOutlet, control.ID(i)}, false)
	}
	for i, l := range p.Lamps {
		line(l.Line, Thing{control.AnIndicator, control.ID(i)}, false)
	}
	for i, g := range p.Gates {
		t := Thing{control.AGate, control.ID(i)}
		switch {
		case g.Relay != nil:
			line(g.Relay.Line, t, false)
		case g.Motor != nil:
			line(g.Motor.Open, t, false)
			line(g.Motor.Shut, t, false)
		case g.Servo != nil:
			for _, at := range []int{0, g.Servo.Address} {
				x := piecesOf(fmt.Sprintf("%s 0x%02x", g.Servo.Bus, at))
				x.bus, x.chip = g.Servo.Bus, at
				x.add(t)
			}
		}
	}
	for i := range p.Contacts {
		line(p.Contacts[i].Line, (&contact{p: p.Contacts[i]}).thing(), false)
	}
	return list
}

// pull takes a piece out of the rig, or puts it back as it is after power-on.
func (f *fake) pull(x *piece, out bool) {
	for _, l := range x.lines {
		f.mu.Lock()
		delete(f.missing, l)
		if out {
			f.missing[l] = syscall.ENODEV
			if o := f.lines[l]; o != nil {
				o.gone = true
			}
		}
		in := f.inputs[l]
		f.mu.Unlock()
		if out && in != nil {
			in.edges <- edge{err: syscall.ENODEV}
		}
	}
	if x.bus == "" {
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	b := f.buses[x.bus]
	b.set(func() {
		if x.chip == 0 {
			b.gone = out
		}
		for addr := range b.chips {
			if x.chip == 0 || x.chip == int(addr) {
				b.chips[addr] = chips.NewPCA9685(f.t, f.now)
			}
		}
		if x.chip != 0 && out {
			delete(b.chips, uint16(x.chip))
		} else if x.chip != 0 {
			b.chips[uint16(x.chip)] = chips.NewPCA9685(f.t, f.now)
		}
	})
}

// whatever is commanded on, with what it is called in a report.
func commands(p *Params) (all []control.Command, of []Thing) {
	add := func(k control.CommandKind, id int, s control.Subject) {
		all, of = append(all, control.Command{Seq: uint32(len(all) + 1), Kind: k, ID: control.ID(id)}), append(of, Thing{s, control.ID(id)})
	}
	if p.Collector != nil {
		add(control.CollectorOn, 0, control.ACollector)
	}
	for i := range p.Outlets {
		add(control.OutletOn, i, control.AnOutlet)
	}
	for i, g := range p.Gates {
		if g.Relay != nil || g.Motor != nil || g.Servo != nil {
			add(control.GateOpen, i, control.AGate)
		}
	}
	for i := range p.Lamps {
		add(control.IndicatorOn, i, control.AnIndicator)
	}
	return all, of
}

// works commands everything on and off again. What is broken fails, all else is carried
// out.
func works(t *testing.T, d *Driver, broken []Thing) {
	t.Helper()
	all, of := commands(&d.p)
	d.Take(nil)
	off := func(c control.Command) control.CommandKind {
		if c.Kind == control.GateOpen && d.p.Gates[c.ID].Relay != nil {
			return control.GateShut
		}
		return map[control.CommandKind]control.CommandKind{control.CollectorOn: control.CollectorOff, control.OutletOn: control.OutletOff, control.GateOpen: control.GateStop, control.IndicatorOn: control.IndicatorOff}[c.Kind]
	}
	for i, c := range all {
		for _, c := range []control.Command{c, {Seq: c.Seq + 100, Kind: off(c), ID: c.ID}} {
			d.Apply(c)
			wait(DeadTime)
			want := control.Done
			if slices.Contains(broken, of[i]) {
				want = control.Failed
			}
			for {
				got := d.Take(nil)
				if k := slices.IndexFunc(got, func(r Report) bool { return r.Input.Kind == control.OutputIs && r.Input.Seq == c.Seq }); k >= 0 {
					if got[k].Input.State != uint8(want) {
						t.Errorf("%v of %v: outcome %d, want %d (%v)", c.Kind, of[i], got[k].Input.State, want, got[k].Err)
					}
					break
				}
				wait(Stagger)
			}
		}
	}
}

// Each part of several rigs is missing at the start, or is pulled out later, and comes
// back: it is named with what it serves, what depends on it fails, all else is served,
// and once it is back what it drives is said to have started again, and works.
func TestEachPartMissing(t *testing.T) {
	for name, p := range shops() {
		for _, x := range pieces(p) {
			for _, later := range []bool{false, true} {
				t.Run(fmt.Sprintf("%s/%s/later=%v", name, x.name, later), func(t *testing.T) {
					synctest.Test(t, func(t *testing.T) { missing(t, p, x, later) })
				})
			}
		}
	}
}

func missing(t *testing.T, p Params, x *piece, later bool) {
	f := newFake(t)
	for _, g := range p.Gates {
		if s := g.Servo; s != nil {
			if f.buses[s.Bus] == nil {
				f.bus(s.Bus)
			}
			f.buses[s.Bus].chips[uint16(s.Address)] = chips.NewPCA9685(t, f.now)
		}
	}
	if !later {
		f.pull(x, true)
	}
	if x.nothing && !later {
		p.Now = f.now
		if _, err := Open(p, f); err == nil || !strings.Contains(err.Error(), p.Collector.Name) {
			t.Errorf("without the contactor: %v", err)
		}
		f.buses = nil // never asked for
		return
	}
	d := rig(t, f, p)
	if later {
		works(t, d, nil)
		f.pull(x, true)
		wait(lookEvery)
	}
	var named []Thing
	for _, m := range d.Missing() {
		for _, s := range m.For {
			if !slices.Contains(named, s) {
				named = append(named, s)
			}
		}
	}
	order := func(a, b Thing) int { return int(a.Subject)*1000 + int(a.ID) - int(b.Subject)*1000 - int(b.ID) }
	slices.SortFunc(named, order)
	serves := slices.SortedFunc(slices.Values(x.serves), order)
	if !slices.Equal(named, serves) {
		t.Errorf("missing are %v; it serves %v", named, serves)
	}
	// What a contact tells fails nothing that is commanded.
	broken := serves
	if x.lines != nil && x.lines[0].Chip == "switches" {
		broken = nil
	}
	works(t, d, broken)
	for i := range p.Contacts {
		c := &p.Contacts[i]
		if in := f.inputs[c.Line]; in != nil && f.missing[c.Line] == nil {
			f.contact(c.Line, true)
			if got := seen(d); len(got) == 0 {
				t.Errorf("contact %s is not heard", c.Name)
			}
			f.contact(c.Line, false)
		}
	}
	before := len(f.changes)
	d.Beat()
	synctest.Wait()
	if h := p.Heartbeat; h != nil && (len(f.changes) == before) != (f.missing[h.Line] != nil) {
		t.Error("the heartbeat")
	}
	seen(d)
	f.pull(x, false)
	wait(seekEvery)
	var back []Thing
	said := false
	for _, r := range d.Take(nil) {
		said = said || r.Err != nil && strings.HasSuffix(r.Err.Error(), " answers again")
		if r.Input.Kind != control.OutputIs {
			continue
		}
		tt := targetOf(control.Command{Kind: r.Input.What, ID: r.Input.ID}).thing()
		if r.Input.State != uint8(control.Lost) {
			t.Errorf("%v: outcome %d", tt, r.Input.State)
		}
		if !slices.Contains(back, tt) {
			back = append(back, tt)
		}
	}
	slices.SortFunc(back, order)
	if h := slices.Index(broken, Thing{control.NoSubject, control.NoID}); h >= 0 {
		broken = slices.Delete(slices.Clone(broken), h, h+1) // the heartbeat drives nothing
	}
	if !slices.Equal(back, broken) || said != (len(x.serves) > 0 && (x.bus != "" || x.lines[0].Chip != "switches")) {
		t.Errorf("said again: %v; back are %v of %v", said, back, broken)
	}
	if m := d.Missing(); len(m) > 0 {
		t.Errorf("still missing: %v", m)
	}
	works(t, d, nil)
}
