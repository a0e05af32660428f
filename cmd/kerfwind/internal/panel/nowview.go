package panel

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/scene"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// nowIn is all that the part Now is made from.
type nowIn struct {
	Now   time.Duration
	Spoke time.Duration     // when the loop last did
	Speed float64           // of the stream
	Snap  *control.Snapshot // nil: nothing yet
	Shop  *config.Shop
	Names *timeline.Names
	Amps  []sensor.Reading // the latest of each channel of the rig; Verdict 0: none yet
	Down  []partDown       // parts of the program that do not work
	Lacks []lack           // parts of the rig that cannot be reached
	Over  uint64           // the circuits that are above their breaker's rating for longer than a motor starts
	Plan  *scene.Layout
	Air   *scene.Air // the last solution; nil: none
	Lies  []int      // ducts in which chips probably lie
}

// partDown is a part of the program that does not work.
type partDown struct{ Part, Why string }

// lack is a part of the rig that cannot be reached.
type lack struct {
	Name, Why string
	Serves    []string
}

// nowView holds what the part Now shows.
type nowView struct {
	Scene      *scene.Scene
	Air        string // whether air moves, and how much
	Begun      bool   // there is something to show
	Bare       bool   // no machine is served
	StoodDown  bool
	Note       string // what holds for all of it
	Troubles   []trouble
	Collectors []nowCollector
	Machines   []nowMachine
	Gates      []nowGate
	Outlets    []nowOutlet
	Circuits   []nowCircuit
}

// trouble is something wrong that a person has to put right.
type trouble struct {
	Key   string // tells it from the others, and stays
	What  string
	Do    string
	Clock clock // since when
}

type nowCollector struct {
	Key, Name string
	State     string // run, on, off, warn, lost
	Word      string
	Note      string // why
	Clock     clock  // since when it is commanded on
	Ends      clock  // when the reason ends
	Starts    string // left
	More      clock  // when there is one more
}

type nowMachine struct {
	Key, Name string
	State     string // run, clear, warn, lost, idle
	Word      string
	Amps      string
	Note      string
	Clock     clock // how long it has been running, or until when the duct is cleared
}

type nowGate struct {
	Key, Name string
	State     string // open, shut, opening, shutting, unknown; then held, fault
	Word      string
	Note      string
	Clock     clock // until when it is held or open
	Gate      control.ID
	Holds     []time.Duration // for which it may be held; none: in a main
}

type nowOutlet struct {
	Key, Name string
	State     string // on, off
	Word      string
	Clock     clock // until when
}

type nowCircuit struct {
	Key, Name string
	State     string // fits, near, over, lost, none
	Word      string
	Amps      string
	Breaker   string
	Part      int // of the breaker's rating, in per cent, 100 at most
}

// clock is an instant of the stream that is shown as a time which goes on.
type clock struct {
	At   time.Duration
	Kind clockKind
}

type clockKind uint8

const (
	noClock   clockKind = iota
	countUp             // the time since At
	countDown           // the time until At; nothing once it is past
)

func since(at time.Duration) clock { return clock{at, countUp} }

// until is a countdown, and nothing where there is no end.
func until(at time.Duration) clock {
	if at == 0 {
		return clock{}
	}
	return clock{at, countDown}
}

// Code is the clock as page.js reads it: "+12.3" counts up from an instant,
// "-12.3" down to it, "" is none.
func (c clock) Code() string {
	switch c.Kind {
	case countUp:
		return "+" + strconv.FormatFloat(c.At.Seconds(), 'f', 1, 64)
	case countDown:
		return "-" + strconv.FormatFloat(c.At.Seconds(), 'f', 1, 64)
	case noClock:
	}
	return ""
}

// Text returns what the clock shows at an instant; page.js does the same.
func (c clock) Text(now time.Duration) string {
	d := now - c.At
	switch {
	case c.Kind == noClock, c.Kind == countDown && d >= 0:
		return ""
	case c.Kind == countDown:
		d = (-d + time.Second - 1).Truncate(time.Second) // the last second is shown as 1
	}
	s := max(0, int(d/time.Second))
	if s >= 3600 {
		return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
	}
	return fmt.Sprintf("%d:%02d", s/60, s%60)
}

// notLocked is the sentence beside every stand-down.
const notLocked = "Not a lockout. Unplug or lock the disconnect before you reach in. Machines are not stopped."

// makeNow makes the view.
func makeNow(in nowIn) *nowView {
	s, show := in.Snap, scene.Make(in.scene())
	if s == nil {
		return &nowView{Scene: show, Air: in.air(show)}
	}
	v := &nowView{Scene: show, Air: in.air(show), Begun: true, StoodDown: s.StoodDown, Bare: s.MoveIn || len(s.Machines) == 0}
	switch {
	case s.StoodDown || s.Latched():
	case s.Quiet:
		v.Note = "Nothing moves yet. Switch a machine off and on, or hold a gate, to go on."
	case s.MoveIn:
		v.Note = "No machine is served while a move-in is open. Go on with it or stop it: then the earlier shop comes back."
	case v.Bare:
		v.Note = "No machine is served: the shop has none."
	case s.ShopClosed:
		v.Note = "The shop is closed: machines are still served, with a notice."
	}
	p := in.Shop.Control()
	v.Collectors = append(v.Collectors, in.collector(&s.Collector, &p.Collector, show.Fan))
	for i := range s.Machines {
		v.Machines = append(v.Machines, in.machine(control.ID(i), &s.Machines[i], show.Machines[i]))
	}
	mains := p.Mains()
	for i := range s.Gates {
		g := in.gate(control.ID(i), &s.Gates[i], show.Gates[i])
		if mains>>i&1 == 0 && s.Gates[i].NoHold == 0 {
			g.Holds = holdLengths(in.Shop.Gates[i].Hold, p.HoldLongest)
		}
		v.Gates = append(v.Gates, g)
	}
	for i := range s.Outlets {
		o := nowOutlet{Key: key("o", i), Name: in.Names.Name(control.AnOutlet, control.ID(i)), State: "off", Word: "off"}
		if s.Outlets[i].Commanded {
			o.State, o.Word, o.Clock = "on", "commanded on", until(s.Outlets[i].RunOn)
		}
		v.Outlets = append(v.Outlets, o)
	}
	v.Circuits = in.circuits()
	v.Troubles = in.troubles(v)
	return v
}

func key(kind string, i int) string { return kind + strconv.Itoa(i) }

// holdLengths are for how long a gate may be held: what its button does, and
// some more, up to the longest that the shop allows.
func holdLengths(button, longest time.Duration) []time.Duration {
	const usual = 5 * time.Minute
	if longest == 0 {
		return nil
	}
	if button <= 0 {
		button = usual
	}
	out := []time.Duration{min(button, longest)}
	for _, d := range []time.Duration{10 * time.Minute, 30 * time.Minute} {
		if d = min(d, longest); d > out[len(out)-1] {
			out = append(out, d)
		}
	}
	return out
}

// scene returns what the one sentence and the picture are made from.
func (in *nowIn) scene() scene.In {
	out := scene.In{Now: in.Now, Snap: in.Snap, Names: in.Names, Layout: in.Plan, Air: in.Air, Lies: in.Lies, Around: scene.Around{Silent: in.silent(), Over: in.Over, Bare: in.bare()}}
	for _, p := range in.Lacks {
		out.Around.Missing = append(out.Around.Missing, p.Name)
	}
	for _, p := range in.Down {
		out.Around.Down = append(out.Around.Down, p.Part)
	}
	return out
}

// air says whether air moves now, and how much as computed.
func (in *nowIn) air(s *scene.Scene) string {
	switch {
	case s.Flow == scene.Moves && s.Total > 0:
		return "moves about " + in.Shop.Units.Short(config.Flow, s.Total)
	case s.Flow == scene.Moves:
		return "air moves"
	case s.Flow == scene.Unsure:
		return "whether air moves is not known"
	}
	return "no air moves"
}

// bare lists the channels with current while no machine is served.
func (in *nowIn) bare() (out []string) {
	for i := range in.Amps {
		if in.Snap != nil && len(in.Snap.Machines) == 0 && in.Amps[i].Verdict == sensor.Running {
			out = append(out, in.Shop.Rig.Channels[i].Name)
		}
	}
	return out
}

// fanStates are the collector's states as the page's style knows them.
var fanStates = map[scene.FanState]string{
	scene.FanOff: "off", scene.FanRuns: "run", scene.FanCommanded: "on", scene.FanRising: "on", scene.FanNoCurrent: "warn", scene.FanUnseen: "lost",
	scene.FanStays: "warn", scene.FanHand: "run", scene.FanMay: "lost",
}

func (in *nowIn) collector(c *control.CollectorView, p *control.Collector, fan scene.Fan) nowCollector {
	v := nowCollector{Key: key("k", 0), Name: in.Names.Name(control.ACollector, 0), Note: in.Names.CollectorReason(c.Why, c.Commanded), Ends: until(c.Why.Until),
		State: fanStates[fan.State], Word: fan.Word}
	if c.Commanded {
		v.Clock = since(c.Since)
	}
	if c.StartsLeft >= 0 {
		v.Starts = fmt.Sprintf("%d of %d starts left", c.StartsLeft, p.Starts)
		if p.Window == time.Hour {
			v.Starts += " this hour"
		}
		v.More = until(c.NextStart)
	}
	return v
}

// machine never says idle of one that cannot be seen.
func (in *nowIn) machine(id control.ID, m *control.MachineView, show scene.Machine) nowMachine {
	v := nowMachine{Key: key("m", int(id)), Name: in.Names.Name(control.AMachine, id), Amps: in.amps(in.Shop.Machines[id].Channels)}
	switch show.State {
	case scene.MachineUncollected:
		v.State, v.Word, v.Note = "warn", "runs", "NOT collected: "+in.Names.Reason(control.Why{Cause: show.Cause, Machine: control.NoID})
		if m.Sensed == control.Unknown {
			v.Word = "cannot be seen"
		} else {
			v.Clock = since(m.Since)
		}
	case scene.MachineHeld:
		v.State, v.Word, v.Note, v.Clock = "lost", "cannot be seen", "served as if it ran", until(m.Why.Until)
	case scene.MachineUnseen:
		v.State, v.Word, v.Note = "lost", "cannot be seen", "it may be running: hold its gate to start the collector"
		if m.Sensed == 0 {
			v.Word, v.Note = "its sensor has not reported yet", ""
		}
	case scene.MachineStarts:
		v.State, v.Word, v.Note, v.Clock = "run", "runs", in.Names.Reason(m.Why), since(m.Since)
		if m.Why.Cause == control.ByMachine {
			v.Note = "waits for the collector"
		}
	case scene.MachineCollected:
		v.State, v.Word, v.Clock = "run", "runs", since(m.Since)
	case scene.MachineClears:
		v.State, v.Word, v.Note, v.Clock = "clear", "stopped", "the duct is being cleared", until(m.RunOn)
	case scene.MachineIdle:
		v.State, v.Word = "idle", "idle"
	}
	return v
}

// amps is the largest current of a machine's channels.
func (in *nowIn) amps(channels []int) string {
	most, known := 0.0, false
	for _, ch := range channels {
		if r := in.reading(ch); r.Verdict == sensor.Idle || r.Verdict == sensor.Running {
			most, known = max(most, float64(r.Amps)), true
		}
	}
	switch {
	case len(channels) == 0:
		return ""
	case !known:
		return "? A"
	}
	return amperes(most)
}

func (in *nowIn) reading(ch int) sensor.Reading {
	if ch < 0 || ch >= len(in.Amps) {
		return sensor.Reading{}
	}
	return in.Amps[ch]
}

// amperes writes a current as finely as people care.
func amperes(a float64) string {
	switch {
	case math.IsNaN(a) || math.IsInf(a, 0):
		return "? A"
	case a >= 99.95:
		return fmt.Sprintf("%.0f A", a)
	}
	return fmt.Sprintf("%.1f A", math.Abs(a))
}

// gateStates are a gate's states as the page's style knows them.
var gateStates = map[scene.GateState]string{
	scene.GateUnknown: "unknown", scene.GateOpen: "open", scene.GateShut: "shut", scene.GateOpening: "opening", scene.GateShutting: "shutting",
	scene.GateWanted: "wanted", scene.GateStuck: "stuck", scene.GateAside: "aside",
}

func (in *nowIn) gate(id control.ID, g *control.GateView, show scene.Gate) nowGate {
	v := nowGate{Key: key("g", int(id)), Name: in.Names.Name(control.AGate, id), State: gateStates[show.State], Word: show.Word, Note: in.Names.Reason(g.Why), Clock: until(g.Why.Until), Gate: id}
	if g.Held != 0 {
		v.State += " held"
		if g.Why.Cause != control.ByHold {
			v.Note += ", held by hand"
			v.Clock = until(g.Held)
		}
	}
	if g.Aside {
		v.Note = "set aside, so nothing is collected here. Take it back at the shop: by its own button, or type at the computer: kerfwind ask return \"" + v.Name + "\""
	}
	if g.Fault != 0 && !g.Aside {
		v.State += " fault"
		v.Note, _ = timeline.Trouble(g.Fault)
		v.Clock = clock{}
	}
	return v
}

// circuits adds up what hangs on each breaker, as the loop does it: RMS
// currents that are not in phase add up to at most this.
func (in *nowIn) circuits() []nowCircuit {
	out := make([]nowCircuit, len(in.Snap.Circuits))
	sums, lost, any := make([]float64, len(out)), make([]bool, len(out)), make([]bool, len(out))
	for ch, use := range in.Shop.Channels() {
		for _, c := range use.Circuits {
			switch r := in.reading(ch); r.Verdict {
			case sensor.Idle, sensor.Running:
				sums[c] += float64(r.Amps)
			default:
				lost[c] = true
			}
			any[c] = true
		}
	}
	for i := range out {
		rating := in.Shop.Circuits[i].Breaker
		v := &out[i]
		*v = nowCircuit{Key: key("c", i), Name: in.Names.Name(control.ACircuit, control.ID(i)), Breaker: fmt.Sprintf("%g A breaker", rating),
			Part: int(math.Round(100 * min(1, sums[i]/rating))), Amps: amperes(sums[i])}
		switch {
		case lost[i] && sums[i] < 0.05:
			v.Amps = "? A"
		case lost[i]:
			v.Amps = "at least " + v.Amps
		}
		switch load := in.Snap.Circuits[i]; {
		case load == control.Fits:
			v.State, v.Word = "fits", "fits"
		case load == control.Near:
			v.State, v.Word = "near", "nearly full"
		case load == control.Over && in.Over>>i&1 != 0:
			v.State, v.Word = "over", "TOO MUCH"
		case load == control.Over:
			v.State, v.Word = "near", "above its breaker for a moment"
		default:
			v.State, v.Word = "lost", "not known"
		}
		if !any[i] {
			v.State, v.Word, v.Amps, v.Part = "none", "not measured", "", 0
		}
	}
	return out
}

// silence is how long the loop may say nothing before what it said is old: it
// speaks once a second.
const silence = 5 * time.Second

// silent reports whether what is shown is old.
func (in *nowIn) silent() bool { return float64(in.Now-in.Spoke) > float64(silence)*in.Speed }

// troubles returns what is wrong, the gravest first.
func (in *nowIn) troubles(v *nowView) []trouble {
	s := in.Snap
	var out []trouble
	add := func(key, what, do string, c clock) { out = append(out, trouble{key, sentence(what), sentence(do), c}) }
	fault := func(f control.FaultView) {
		what, do := in.Names.Trouble(f)
		add(fmt.Sprintf("f%d-%d", f.Fault, f.ID), what, do, since(f.Since))
	}
	if in.silent() {
		add("silent", "no contact with the control program", "this page shows an earlier state: go and look", since(in.Spoke))
	}
	for _, name := range in.bare() {
		add("bare-"+name, "current flows at "+name+", and no dust is collected there: no machine is served", "stop the cut; then finish the move-in or leave it", clock{})
	}
	for _, f := range s.Faults {
		if f.Fault.Facts().Grave {
			fault(f)
		}
	}
	if s.Latched() {
		add("latched", "nothing starts until it is reset at the shop", "find the cause and put it right, then press the wired reset or type at the computer: kerfwind ask reset", clock{})
	}
	for i := range v.Circuits {
		if c := &v.Circuits[i]; c.State == "over" {
			add("over"+c.Key, c.Name+": more than its "+c.Breaker+" carries", "switch something off before the breaker trips", clock{})
		}
	}
	for _, f := range s.Faults {
		if !f.Fault.Facts().Grave {
			fault(f)
		}
	}
	for _, p := range in.Lacks {
		do := "everything else is served"
		if len(p.Serves) > 0 {
			do += ", but not " + strings.Join(p.Serves, ", ")
		}
		add("lack-"+p.Name, p.Name+" is missing: "+p.Why, do+"; it is taken up by itself when it answers", clock{})
	}
	for _, p := range in.Down {
		add("part-"+p.Part, "the program part \""+p.Part+"\" does not work: "+p.Why, "machines are served without it; run kerfwind doctor at the computer", clock{})
	}
	if s.BinFull {
		add("bin", "the bin is full", "lock the collector's disconnect, then empty it; if it is warm or smells of burning, leave it shut and call the fire service", clock{})
	}
	return out
}
