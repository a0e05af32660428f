package simrig

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/sim"
	"kerfwind/sensor/trace"
)

// word is one thing that people's hands can do. In its text %m is a machine,
// %c for a sensor, %g for a gate, %s for a stop contact, %b for a button and %n for a
// number.
type word struct {
	text string
	say  string // what it does, for the list
	do   func(w *World, a []string) error
}

// hands are the words, in the order of the list. What happens to gates, collector
// and wires is a fault of control/sim, where there is one.
var hands = []word{
	{"%m on", "switch the machine on", func(w *World, a []string) error { return w.turn(a[0], trace.Work{On: true}) }},
	{"%m off", "switch it off", func(w *World, a []string) error { return w.turn(a[0], trace.Work{}) }},
	{"%m cuts", "cut at 70 % of full load", func(w *World, a []string) error { return w.load(a[0], 0.7) }},
	{"%m cuts at %n %", "cut with a load of your own; 0 % is idling", func(w *World, a []string) error { return w.load(a[0], number(a[1])/100) }},
	{"block %m", "the blade jams: six times full load", func(w *World, a []string) error { return w.load(a[0], 6) }},
	{"unplug %c", "pull a sensor's plug out of its jack", ail("unplugged")},
	{"cut the cable of %c", "cut a sensor's cable", ail("floating")},
	{"freeze %c", "the converter repeats one code", ail("frozen")},
	{"mend %c", "plug it in, or mend its cable", ail("")},
	{"take off %c", "open its clamp and lay it down", func(w *World, a []string) error {
		w.clamps[w.channel(a[0])] = config.None
		return nil
	}},
	{"put back %c", "clamp it where it was", func(w *World, a []string) error {
		w.clamps[w.channel(a[0])] = w.channel(a[0])
		return nil
	}},
	{"swap sensors %c and %c", "clamp each round the other's conductor", func(w *World, a []string) error {
		i, j := w.channel(a[0]), w.channel(a[1])
		w.clamps[i], w.clamps[j] = w.clamps[j], w.clamps[i]
		return nil
	}},
	{"swap gates %g and %g", "swap the plugs of two gates, end switches too", func(w *World, a []string) error {
		w.swap(w.gate(a[0]), w.gate(a[1]), true)
		return nil
	}},
	{"swap plugs %g and %g", "swap their actuators' plugs alone", func(w *World, a []string) error {
		w.swap(w.gate(a[0]), w.gate(a[1]), false)
		return nil
	}},
	{"shuffle", "clamp sensors and plug gates in anyhow, as after a move", func(w *World, _ []string) error { return w.shuffle() }},
	{"jam %g", "the gate sticks where it is", gate(sim.GateSticks)},
	{"free %g", "it moves again", gate(sim.GateFrees)},
	{"slow %g", "it takes three times as long", gate(sim.GateSlows)},
	{"oil %g", "it is as fast as before", gate(sim.GateHurries)},
	{"push %g open", "push it by hand", gate(sim.GatePushedOpen)},
	{"push %g shut", "push it by hand", gate(sim.GatePushedShut)},
	{"cut the open switch of %g", "cut its wire", gate(sim.OpenSwitchDies)},
	{"cut the shut switch of %g", "cut its wire", gate(sim.ShutSwitchDies)},
	{"short the open switch of %g", "it is always made", gate(sim.OpenSwitchSticks)},
	{"short the shut switch of %g", "it is always made", gate(sim.ShutSwitchSticks)},
	{"mend the switches of %g", "both tell the truth again", func(w *World, a []string) error {
		return errors.Join(gate(sim.OpenSwitchHeals)(w, a), gate(sim.ShutSwitchHeals)(w, a))
	}},
	{"press %b", "press a button and let go of it", func(w *World, a []string) error { return w.press(a[0], true, true) }},
	{"hold %b", "press it and stay on it", func(w *World, a []string) error { return w.press(a[0], true, false) }},
	{"let go of %b", "", func(w *World, a []string) error { return w.press(a[0], false, true) }},
	{"open %s", "a stop contact opens: somebody presses the stop, or its wire breaks", stop(sim.StopOpens)},
	{"close %s", "it is closed again", stop(sim.StopCloses)},
	{"fill the bin", "", func(w *World, _ []string) error { return w.fill(true) }},
	{"empty the bin", "", func(w *World, _ []string) error { return w.fill(false) }},
	{"stand down", "turn the wired stand-down switch", shop(sim.StandDownOpens)},
	{"lift the stand-down", "turn it back", shop(sim.StandDownCloses)},
	{"turn the collector to hand", "its hand/off/auto switch", shop(sim.CollectorHand)},
	{"turn the collector to off", "", shop(sim.CollectorLocked)},
	{"turn the collector to auto", "", shop(sim.CollectorAuto)},
	{"trip the collector", "its overload opens: no current", shop(sim.CollectorTrips)},
	{"reset the collector", "its overload is closed again", shop(sim.CollectorResets)},
	{"weld the contactor", "it cannot open any more", shop(sim.ContactorWelds)},
	{"free the contactor", "it can", shop(sim.ContactorFrees)},
	{"cut the collector's sensor", "nobody sees whether it runs", shop(sim.FeedbackLost)},
	{"mend the collector's sensor", "", shop(sim.FeedbackBack)},
	{"break the outputs", "they answer: failed", shop(sim.OutputsFail)},
	{"cut the outputs", "they answer nothing", shop(sim.BusDies)},
	{"mend the outputs", "", func(w *World, _ []string) error {
		w.strike(sim.BusRecovers, 0)
		w.strike(sim.OutputsWork, 0)
		return nil
	}},
	{"mains %n Hz", "set the real frequency of the mains", func(w *World, a []string) error {
		if hz := number(a[0]); hz >= 40 && hz <= 70 {
			w.mains = hz
			return nil
		}
		return errors.New("the mains has 40 to 70 Hz: say for example mains 50 Hz")
	}},
	{"cut the power", "everything drops; what was switched on starts again by itself with it", func(w *World, _ []string) error {
		w.dead = true
		w.plant.PowerCut()
		return nil
	}},
	{"give the power back", "", func(w *World, _ []string) error {
		w.dead = false
		return nil
	}},
}

func number(text string) float64 {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return math.NaN() // match lets none through
	}
	return v
}

func ail(what string) func(*World, []string) error {
	return func(w *World, a []string) error {
		w.sensors[w.channel(a[0])] = what
		return nil
	}
}

func gate(what sim.What) func(*World, []string) error {
	return func(w *World, a []string) error {
		w.strike(what, w.gate(a[0]))
		return nil
	}
}

func stop(what sim.What) func(*World, []string) error {
	return func(w *World, a []string) error {
		w.strike(what, slices.Index(w.names['s'], a[0]))
		return nil
	}
}

func shop(what sim.What) func(*World, []string) error {
	return func(w *World, _ []string) error {
		w.strike(what, 0)
		return nil
	}
}

// strike lets something happen to the plant.
func (w *World) strike(what sim.What, id int) {
	w.plant.Schedule([]sim.Fault{{At: w.time, What: what, ID: id}})
}

func (w *World) channel(name string) int { return slices.Index(w.names['c'], name) }
func (w *World) gate(name string) int    { return slices.Index(w.names['g'], name) }

func (w *World) turn(name string, x trace.Work) error {
	for i := range w.truth.Machines {
		if m := &w.truth.Machines[i]; m.Name == name && len(m.Channels)+len(m.Contacts) == 0 {
			return fmt.Errorf("%s is sensed by the topic %q alone: publish there", name, m.Topic)
		}
	}
	w.work[name] = x
	return nil
}

func (w *World) load(name string, share float64) error {
	if !(share >= 0 && share <= 10) {
		return errors.New("a load is from 0 to 1000 %")
	}
	x := w.work[name]
	if !x.On {
		return fmt.Errorf("%s is off: say first: %s on", name, name)
	}
	x.Load = share
	return w.turn(name, x)
}

// swap swaps the plugs of two gates.
func (w *World) swap(a, b int, switches bool) {
	other := map[int]int{a: b, b: a}
	for plug, g := range w.gateOn {
		if to, ours := other[g]; ours {
			w.gateOn[plug] = to
		}
	}
	if switches {
		for c, sw := range w.switches {
			if to, ours := other[sw.gate]; ours && w.hasSwitch(to, sw.open) {
				w.switches[c] = plug{to, sw.open}
			}
		}
	}
}

// hasSwitch reports whether a gate has such an end switch.
func (w *World) hasSwitch(g int, open bool) bool {
	if open {
		return w.truth.Gates[g].OpenSwitch >= 0
	}
	return w.truth.Gates[g].ShutSwitch >= 0
}

// shuffle joins sensors and gates to the rig anyhow.
func (w *World) shuffle() error {
	if w.rnd == nil {
		return errors.New("nothing can be shuffled here")
	}
	w.rnd.Shuffle(len(w.clamps), func(i, j int) { w.clamps[i], w.clamps[j] = w.clamps[j], w.clamps[i] })
	for i := len(w.truth.Gates) - 1; i > 0; i-- {
		if j := w.rnd.IntN(i + 1); i != j {
			w.swap(i, j, true)
		}
	}
	return nil
}

// pressTime is how long a finger is on a button: common practice, no source.
const pressTime = 300 * time.Millisecond

// press presses a button, lets go of it, or both.
func (w *World) press(name string, down, up bool) error {
	p := w.now
	if p == nil {
		return errors.New("no shop is taken up just now: try again")
	}
	used := false
	for c, u := range p.shop.Contacts() {
		if p.shop.Rig.Contacts[c].Name != name {
			continue
		}
		w.held[c] = down && !up
		push := func(state control.Press) control.Input {
			if u.Kind == control.AsideIs {
				return control.InAside(u.ID, state)
			}
			return control.InReset(state)
		}
		switch u.Kind {
		case control.Ask:
			if down {
				in := control.InAsk(control.AskHold, control.Wired, u.ID)
				in.For = u.Hold
				p.soon(0, in)
			}
			used = true
		case control.ResetIs, control.AsideIs:
			after := time.Duration(0)
			if down {
				p.soon(0, push(control.Pressed))
				after = pressTime
			}
			if up {
				p.soon(after, push(control.Released))
			}
			used = true
		default:
		}
	}
	if !used {
		return fmt.Errorf("the button %q does nothing in this shop: name it in the shop file", name)
	}
	return nil
}

func (w *World) fill(full bool) error {
	w.full = full
	if w.now != nil {
		w.now.soon(0, w.bin())
	}
	return nil
}

// Do does what a line says, in the words of [World.Words]. What is wrong with a line is
// in the error.
func (w *World) Do(line string) error {
	line = strings.Join(strings.Fields(strings.ReplaceAll(line, "%", " %")), " ")
	w.mu.Lock()
	defer w.mu.Unlock()
	for i := range hands {
		a, ok := w.match(hands[i].text, line)
		if !ok {
			continue
		}
		if err := hands[i].do(w, a); err != nil {
			return err
		}
		if p := w.now; p != nil {
			p.contacts()
			for _, in := range p.look(nil) {
				p.soon(0, in)
			}
		}
		w.seen()
		return nil
	}
	return fmt.Errorf("nobody can do %q here: say help for the words, and look for the names", line)
}

// match holds a line to a text with placeholders, and returns what fills them.
func (w *World) match(text, line string) (a []string, ok bool) {
	head, rest, more := strings.Cut(text, "%")
	if !more || rest == "" || rest[0] == ' ' {
		return nil, text == line
	}
	line, ok = strings.CutPrefix(line, head)
	if !ok {
		return nil, false
	}
	kind, tail := rest[0], rest[1:]
	for _, name := range w.candidates(kind, line) {
		if b, ok := w.match(tail, line[len(name):]); ok {
			return append([]string{name}, b...), true
		}
	}
	return nil, false
}

// candidates lists what may fill a placeholder at the beginning of a text.
func (w *World) candidates(kind byte, text string) (out []string) {
	if kind == 'n' {
		n := 0
		for n < len(text) && strings.IndexByte("0123456789.", text[n]) >= 0 {
			n++
		}
		if _, err := strconv.ParseFloat(text[:n], 64); err == nil {
			out = append(out, text[:n])
		}
		return out
	}
	for _, name := range w.names[kind] {
		if strings.HasPrefix(text, name) {
			out = append(out, name)
		}
	}
	return out
}

// Words lists what can be done here: the words, and what they do.
func (w *World) Words() (out [][2]string) {
	placeholders := strings.NewReplacer("%m", "MACHINE", "%c", "SENSOR", "%g", "GATE", "%s", "STOP", "%b", "BUTTON", "%n", "60")
	for i := range hands {
		t := hands[i].text
		usable := true
		for kind, names := range map[string]int{"%m": len(w.names['m']), "%c": len(w.names['c']), "%g": len(w.names['g']), "%s": len(w.names['s']), "%b": len(w.names['b'])} {
			usable = usable && (names > 0 || !strings.Contains(t, kind))
		}
		if usable {
			out = append(out, [2]string{placeholders.Replace(t), hands[i].say})
		}
	}
	return out
}

// Dead reports whether somebody has cut the power.
func (w *World) Dead() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.dead
}
