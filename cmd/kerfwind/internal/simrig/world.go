package simrig

import (
	"cmp"
	"fmt"
	"maps"
	"math/bits"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/control/duct"
	"kerfwind/control/sim"
	"kerfwind/sensor/trace"
)

// World is a workshop: machines with their conductors, gates, a
// collector, buttons, and how clamps and plugs join them to a rig. A shop file only
// says what somebody takes them for; the world stays as it is when another file
// takes effect. People's hands are in it: see [World.Do].
type World struct {
	truth *config.Shop
	names map[byte][]string // what each placeholder of the words may stand for
	air   *duct.Solver      // nil: the duct is not described

	mu       sync.Mutex
	plant    *sim.Plant
	time     time.Duration // of the plant
	dead     bool          // the mains is off
	mains    float64       // Hz; 0 as the script says
	work     map[string]trace.Work
	clamps   []int        // the conductor that each channel goes round
	sensors  []string     // what ails each channel
	gateOn   map[int]int  // by actuator: the gate on its plug
	switches map[int]plug // by contact: the gate's switch on its plug
	shown    []control.Shown
	full     bool         // the bin
	scripted bool         // machines that nobody has touched do what a script says
	held     map[int]bool // buttons that are held down, by contact
	now      *Plant       // behind the shop in force; nil: none is
	rnd      *rand.Rand

	hand atomic.Pointer[trace.Hand] // what converters see of all that
}

// plug is a gate's end switch.
type plug struct {
	gate int
	open bool
}

// ownMotor is the collector's motor among the machines of a script.
const ownMotor = "the collector's motor"

// NewWorld is the workshop that a shop file describes truly. With a nil random
// generator nothing can be shuffled.
func NewWorld(truth *config.Shop, more []string, rnd *rand.Rand) *World {
	w := &World{truth: truth, work: map[string]trace.Work{}, gateOn: map[int]int{}, switches: map[int]plug{}, held: map[int]bool{}, rnd: rnd,
		scripted: len(more) > 0, sensors: make([]string, len(truth.Rig.Channels)), shown: make([]control.Shown, len(truth.Gates))}
	p := truth.Control()
	sp := sim.Default(p)
	sp.Collector.RunUp = cmp.Or(truth.Collector.RunUp, sp.Collector.RunUp)
	sp.Collector.Feedback = true // whether anybody sees it is for the shop in force
	w.plant = sim.New(sp)
	for i := range truth.Rig.Channels {
		w.clamps = append(w.clamps, i)
	}
	for i := range truth.Gates {
		g := &truth.Gates[i]
		if g.Actuator >= 0 {
			w.gateOn[g.Actuator] = i
		}
		for c, open := range map[int]bool{g.OpenSwitch: true, g.ShutSwitch: false} {
			if c >= 0 {
				w.switches[c] = plug{i, open}
			}
		}
	}
	if net := truth.Duct(); net != nil {
		w.air, _ = duct.NewSolver(net) // the daemon reports one that cannot be solved
	}
	w.name(more)
	w.seen()
	return w
}

// name lists what the words may speak of.
func (w *World) name(more []string) {
	w.names = map[byte][]string{}
	add := func(kind byte, name string) {
		if !slices.Contains(w.names[kind], name) {
			w.names[kind] = append(w.names[kind], name)
		}
	}
	for i := range w.truth.Machines {
		add('m', w.truth.Machines[i].Name)
	}
	for _, name := range more {
		add('m', name)
	}
	for i := range w.truth.Gates {
		add('g', w.truth.Gates[i].Name)
	}
	for i := range w.truth.Rig.Channels {
		add('c', w.truth.Rig.Channels[i].Name)
	}
	for i := range w.truth.Rig.Contacts {
		switch c := &w.truth.Rig.Contacts[i]; c.Kind {
		case config.StopContact:
			add('s', c.Name)
		case config.ButtonContact, config.ResetContact, config.AsideContact:
			add('b', c.Name)
		default:
		}
	}
}

// Script returns what a converter of the rig reads while nobody touches anything: every
// conductor of the world, with a converter's rate and range. text goes before it; a
// script that says what converters are is taken as it is.
func (w *World) Script(adc int, name, text string) (*trace.Script, error) {
	r := w.truth.Rig
	var b strings.Builder
	b.WriteString(text)
	if text == "" {
		a := &r.ADCs[adc]
		fmt.Fprintf(&b, "length 8760h\nrate %g Hz\nmains %g Hz\nconverter %d bits, %g V\nseed 1847\n", a.Rate, cmp.Or(w.truth.Mains.Frequency, 60), bits.Len(uint(a.Chip.Codes()))-1, a.Vref)
		for i := range r.Channels {
			// The same amperes a count on each, whatever transformer and burden make it. Noise: as in the demo, our own choice.
			own := &r.ADCs[r.Channels[i].ADC]
			fmt.Fprintf(&b, "channel %q: %g A : 1 V, noise 1.2 counts\n", r.Channels[i].Name, r.Step(i)*own.Chip.Codes()/own.Vref)
		}
	}
	told, err := trace.ParseScript(name, strings.NewReader(b.String()))
	if err != nil {
		return nil, err
	}
	channels := trace.NewMaker(told, false).Layout().Names
	motor := func(name string, on []int, full float64) {
		var list []string
		for _, ch := range on {
			if !slices.Contains(channels, r.Channels[ch].Name) {
				return
			}
			list = append(list, fmt.Sprintf("%q", r.Channels[ch].Name))
		}
		if len(list) == 0 || len(list) > 3 || told.Has(name) {
			return
		}
		phases := ""
		if len(list) == 3 {
			phases = ", three-phase"
		}
		fmt.Fprintf(&b, "\nmachine %q on %s: induction motor%s, full load %g A, run-up 800ms\n", name, strings.Join(list, ", "), phases, full)
	}
	for i := range w.truth.Machines {
		m := &w.truth.Machines[i]
		motor(m.Name, m.Channels, ampsOf(m.FullLoad, m.Start))
	}
	if c := &w.truth.Collector; c.Channel >= 0 {
		motor(ownMotor, []int{c.Channel}, ampsOf(c.FullLoad, c.Start))
	}
	return trace.ParseScript(name, strings.NewReader(b.String()))
}

// ampsOf returns what a motor takes: its full load or, where nobody knows that, well above
// its start level (our own choice).
func ampsOf(full, start float64) float64 { return cmp.Or(full, 5*start) }

// seen publishes what the converters see, under the lock.
func (w *World) seen() {
	h := &trace.Hand{Work: maps.Clone(w.work), Clamps: map[string]string{}, Sensors: map[string]string{}, Mains: w.mains, Dead: w.dead}
	for i, name := range w.names['c'] {
		h.Clamps[name], h.Sensors[name] = "", w.sensors[i]
		if c := w.clamps[i]; c >= 0 {
			h.Clamps[name] = w.names['c'][c]
		}
	}
	h.Work[ownMotor] = trace.Work{On: w.plant.Powered(), Load: 0.8} // moving air is work: our own choice
	w.hand.Store(h)
}

// Outputs puts the world behind a shop that takes effect: outputs off, everything
// where it stood.
func (w *World) Outputs(s *config.Shop, params *control.Params) *Plant {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.plant.PowerCut() // the driver before is gone, with what it had under way
	w.plant.Report()
	p := &Plant{w: w, shop: s, base: w.time, ready: make(chan struct{}, 1), said: make([]control.Shown, len(s.Gates)), runs: make([]control.Verdict, len(s.Machines))}
	p.tell(w.bin())
	p.tell(control.InStandDown(control.Closed))
	if s.Collector.Hand >= 0 || s.Collector.Off >= 0 {
		p.tell(control.InSwitch(control.Auto))
	}
	if params.ResetButton {
		p.tell(control.InReset(control.Released))
	}
	for i := range s.Gates {
		if s.Gates[i].Aside >= 0 {
			p.tell(control.InAside(control.ID(i), control.Released))
		}
	}
	w.now = p
	p.contacts()
	return p
}

func (w *World) bin() control.Input {
	if w.full {
		return control.InBin(control.Full)
	}
	return control.InBin(control.Room)
}

// Plant takes the place of the drivers of the current shop. Its outcomes come at
// instants of the stream's time, by the loop's Timed.
type Plant struct {
	w    *World
	shop *config.Shop
	base time.Duration // the world's time at the stream's zero

	due   []later           // what people's hands do at contacts
	first []drive.Report    // what contacts say, of machines too
	said  []control.Shown   // of each gate of the shop
	runs  []control.Verdict // of each machine with contacts
	ready chan struct{}
}

// later is an input that comes at an instant of the stream.
type later struct {
	at time.Duration
	in control.Input
}

// tell has an input taken as from a contact's driver.
func (p *Plant) tell(in control.Input) {
	p.first = append(p.first, drive.Report{At: p.w.time - p.base, Input: in})
	select {
	case p.ready <- struct{}{}:
	default: // it is not taken yet
	}
}

// soon has an input come.
func (p *Plant) soon(after time.Duration, in control.Input) {
	p.due = append(p.due, later{p.w.time - p.base + after, in})
	slices.SortStableFunc(p.due, func(a, b later) int { return cmp.Compare(a.at, b.at) })
}

// contacts tells of machines that have contacts, where that is new.
func (p *Plant) contacts() {
	for i := range p.shop.Machines {
		if len(p.shop.Machines[i].Contacts) == 0 {
			continue
		}
		v := control.Idle
		for _, c := range p.shop.Machines[i].Contacts {
			for k := range p.w.truth.Machines {
				m := &p.w.truth.Machines[k]
				if slices.Contains(m.Contacts, c) && p.w.work[m.Name].On && !p.w.dead {
					v = control.Running
				}
			}
		}
		if v != p.runs[i] {
			p.runs[i] = v
			p.tell(control.InMachine(control.ID(i), v, p.w.time-p.base))
		}
	}
}

// Apply queues a command.
func (p *Plant) Apply(c control.Command) {
	p.w.mu.Lock()
	defer p.w.mu.Unlock()
	switch c.Kind {
	case control.GateOpen, control.GateShut, control.GateStop:
		g := &p.shop.Gates[c.ID]
		k, on := p.w.gateOn[g.Actuator]
		if !on { // nothing hangs on this output: the driver is content
			p.soon(0, control.InOutput(c, control.Done))
			return
		}
		if g.Reversed != p.w.truth.Gates[k].Reversed {
			switch c.Kind {
			case control.GateOpen:
				p.soon(0, control.InOutput(c, control.Done))
				c.Kind = control.GateShut
			case control.GateShut:
				p.soon(0, control.InOutput(c, control.Done))
				c.Kind = control.GateOpen
			default:
			}
		}
		c.ID = control.ID(k)
	case control.CollectorOn, control.CollectorOff:
		if p.shop.Collector.Actuator != p.w.truth.Collector.Actuator {
			p.soon(0, control.InOutput(c, control.Done))
			return
		}
	default:
	}
	p.w.plant.Apply(c)
}

// Halt brings everything to a stand.
func (p *Plant) Halt() error {
	p.w.mu.Lock()
	defer p.w.mu.Unlock()
	if p.w.now != p {
		return nil // another shop has the outputs
	}
	defer p.w.seen()
	return p.w.plant.Halt()
}

// Next is when the next outcome is due.
func (p *Plant) Next() (time.Duration, bool) {
	p.w.mu.Lock()
	defer p.w.mu.Unlock()
	at, ok := p.w.plant.Next()
	at -= p.base
	if len(p.due) > 0 && (!ok || p.due[0].at < at) {
		at, ok = p.due[0].at, true
	}
	return at, ok
}

// Advance lets time pass and appends the outcomes.
func (p *Plant) Advance(now time.Duration, in []control.Input) []control.Input {
	p.w.mu.Lock()
	defer p.w.mu.Unlock()
	p.w.time = max(p.w.time, p.base+now)
	was := p.w.plant.Powered()
	for _, x := range p.w.plant.Advance(p.base+now, nil) {
		in = p.translate(x, in)
	}
	if was != p.w.plant.Powered() {
		p.w.seen()
	}
	n := 0
	for n < len(p.due) && p.due[n].at <= now {
		in = append(in, p.due[n].in)
		n++
	}
	p.due = slices.Delete(p.due, 0, n)
	return in
}

// translate puts what the world says in the numbers of the shop in force.
func (p *Plant) translate(x control.Input, in []control.Input) []control.Input {
	switch x.Kind {
	case control.GateIs:
		p.w.shown[x.ID] = control.Shown(x.State)
		return p.look(in)
	case control.OutputIs:
		switch x.What {
		case control.GateOpen, control.GateShut, control.GateStop:
			for i := range p.shop.Gates {
				g := &p.shop.Gates[i]
				if k, on := p.w.gateOn[g.Actuator]; on && k == int(x.ID) {
					if g.Reversed != p.w.truth.Gates[k].Reversed && x.What != control.GateStop {
						return in // it was answered at once
					}
					x.ID = control.ID(i)
					return append(in, x)
				}
			}
			return in
		default:
		}
	case control.CollectorIs:
		c, t := &p.shop.Collector, &p.w.truth.Collector
		byContact := c.Contact >= 0 && c.Contact == t.Contact
		byCurrent := c.Channel >= 0 && p.w.clamps[c.Channel] == t.Channel
		if !byContact && !byCurrent {
			return in
		}
	case control.SwitchIs:
		if p.shop.Collector.Hand < 0 && p.shop.Collector.Off < 0 {
			return in
		}
	default:
	}
	return append(in, x)
}

// look appends what the end switches of each gate of the shop show, where that is
// new.
func (p *Plant) look(in []control.Input) []control.Input {
	for i := range p.shop.Gates {
		g := &p.shop.Gates[i]
		if g.OpenSwitch < 0 && g.ShutSwitch < 0 {
			continue
		}
		open, read1 := p.made(g.OpenSwitch)
		shut, read2 := p.made(g.ShutSwitch)
		if show := control.Shows(open, shut, read1 && read2); show != p.said[i] {
			p.said[i] = show
			in = append(in, control.InGate(control.ID(i), show))
		}
	}
	return in
}

// made reports whether an end switch's contact is made, and whether it can be read.
func (p *Plant) made(contact int) (made, read bool) {
	sw, there := p.w.switches[contact]
	if !there {
		return false, true
	}
	switch p.w.shown[sw.gate] {
	case control.ShownUnknown:
		return false, false
	case control.ShownBoth:
		return true, true
	case control.ShownOpen:
		return sw.open, true
	case control.ShownShut:
		return !sw.open, true
	default:
		return false, true
	}
}

// Inert reports whether the collector is off.
func (p *Plant) Inert() bool {
	p.w.mu.Lock()
	defer p.w.mu.Unlock()
	return !p.w.plant.Powered()
}

// Ready receives when contacts have something to say.
func (p *Plant) Ready() <-chan struct{} { return p.ready }

// Take appends what contacts say.
func (p *Plant) Take(to []drive.Report) []drive.Report {
	p.w.mu.Lock()
	defer p.w.mu.Unlock()
	to = append(to, p.first...)
	p.first = nil
	return to
}

// Beat does nothing: no heartbeat line is simulated.
func (p *Plant) Beat() {}

// Close does nothing: nothing is held.
func (p *Plant) Close() {}
