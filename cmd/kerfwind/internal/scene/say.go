package scene

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
)

// say puts the scene into a sentence for somebody two metres away: the gravest
// first, and beside it what runs and is collected.
func (in *In) say(s *Scene) {
	snap := in.Snap
	put := func(tone Tone, say, do string) { s.Say, s.Do, s.Tone = sentence(say), sentence(do), tone }
	if in.Around.Silent {
		put(Bad, "no news from the control program: what is shown is old", "go and look")
		return
	}
	if list := s.of(MachineUncollected); len(list) > 0 {
		first := &s.Machines[list[0]]
		put(Bad, in.names(list)+are(list)+"NOT collected: "+first.Why, "stop the cut. "+upper(first.Do))
		return
	}
	if f := in.gravest(true); f != nil {
		what, do := in.Names.Trouble(*f)
		put(Bad, what, do)
		return
	}
	running := in.running(s)
	switch f := in.gravest(false); {
	case len(in.Around.Bare) > 0:
		put(Bad, "no dust is collected: current flows at "+list(in.Around.Bare)+", and no machine is served", "stop the cut. Finish the move-in or leave it")
	case snap.StoodDown:
		put(Warn, "stood down: nothing is commanded. Machines are not stopped", "lift it at the shop, with the wired switch or at the computer: kerfwind ask lift")
	case snap.Latched():
		put(Bad, "nothing starts until it is reset at the shop", "find the cause and put it right, then press the wired reset or type at the computer: kerfwind ask reset")
	case snap.MoveIn || len(snap.Machines) == 0:
		put(Warn, "no machine is served", "if a move-in is open, go on with it or stop it")
	case len(s.of(MachineHeld)) > 0:
		held := s.of(MachineHeld)
		put(Warn, join(running, in.names(held)+" cannot be seen, and"+are(held)+"collected as if "+those(held)+" ran"), "check the sensor's plug and cable")
	case f != nil:
		what, do := in.Names.Trouble(*f)
		put(Warn, join(running, what), do)
	case in.Around.Over != 0:
		put(Warn, join(running, in.over()+": more than its breaker carries"), "switch something off before the breaker trips")
	case s.Fan.State == FanStays || s.Fan.State == FanNoCurrent || s.Fan.State == FanUnseen:
		put(Warn, join(running, in.fanName()+" "+s.Fan.Word), "")
	case slices.ContainsFunc(s.of(MachineUnseen), func(m int) bool { return snap.Machines[m].Sensed != 0 }):
		put(Warn, join(running, in.names(s.of(MachineUnseen))+" cannot be seen"), "hold the gate there to start the collector")
	case slices.ContainsFunc(s.Gates, func(g Gate) bool { return g.State == GateAside }):
		put(Warn, join(running, in.aside(s)), "take it back at the shop")
	case snap.BinFull:
		put(Warn, join(running, "the bin is full"), "lock the collector's disconnect, then empty it")
	case len(in.Around.Missing) > 0:
		put(Warn, join(running, "missing: "+list(in.Around.Missing)), "")
	case len(in.Around.Down) > 0:
		put(Warn, join(running, "a part of the program does not work: "+list(in.Around.Down)), "run kerfwind doctor at the computer")
	case len(s.of(MachineStarts)) > 0:
		starts := s.of(MachineStarts)
		why := in.Names.Reason(control.Why{Cause: s.Machines[starts[0]].Cause, Machine: control.NoID})
		if s.Machines[starts[0]].Cause == control.ByMachine {
			why = in.fanName() + " is next"
		}
		put(Wait, join(running, in.names(starts)+verb(starts, " starts", " start")+": "+why), "")
	case len(s.of(MachineUnseen)) > 0:
		unseen := s.of(MachineUnseen)
		put(Wait, join(running, in.names(unseen)+verb(unseen, " has", " have")+" not reported yet"), "")
	case snap.Quiet:
		put(Wait, join(running, "nothing moves yet"), "switch a machine off and on, or hold a gate, to go on")
	case running != "":
		put(Fine, running, "")
	default:
		tone, say := in.calm(s)
		put(tone, say, "")
	}
}

// calm is the sentence of a shop in which no machine runs and nothing is wrong.
func (in *In) calm(s *Scene) (tone Tone, say string) {
	unknown := slices.IndexFunc(s.Gates, func(g Gate) bool { return g.State == GateUnknown })
	switch clears := s.of(MachineClears); {
	case s.Fan.State == FanMay:
		return Warn, in.fanName() + ": " + s.Fan.Word
	case len(clears) > 0:
		return Fine, in.names(clears) + " stopped: the duct is being cleared"
	case unknown >= 0:
		return Wait, "nothing runs. The position of gate " + in.Names.Name(control.AGate, control.ID(unknown)) + " is not known yet"
	case s.Flow == Moves:
		for i := range in.Snap.Gates {
			if in.Snap.Gates[i].Held != 0 && s.Gates[i].State == GateOpen {
				return Fine, "no machine runs. " + in.Names.Name(control.AGate, control.ID(i)) + " is held open and " + in.fanName() + " runs"
			}
		}
		return Fine, "no machine runs; " + in.fanName() + " is still on"
	case in.Snap.ShopClosed:
		return Fine, "nothing runs. The shop is closed: machines are still served"
	}
	return Fine, "nothing runs. kerfwind is ready"
}

// running says which machines run and are collected; "" none.
func (in *In) running(s *Scene) string {
	list := s.of(MachineCollected)
	if len(list) == 0 {
		return ""
	}
	return in.names(list) + verb(list, " runs; its", " run; their") + " dust is collected"
}

// because says why a machine is not collected, and what to do.
func (in *In) because(machine int, s *Scene) (why, do string) {
	const again = "; then switch it off, wait 3 s and switch it on"
	own := in.Names.Name(control.AMachine, control.ID(machine))
	switch c := s.Machines[machine].Cause; c {
	case control.ByGate, control.ByAside, control.ByUnconfirmed, control.ByPath:
		g := in.hinders(machine, s)
		if g < 0 {
			break
		}
		name := in.Names.Name(control.AGate, control.ID(g))
		it := "gate " + name
		if name == own {
			it = "its gate"
		}
		switch view := &in.Snap.Gates[g]; s.Gates[g].State {
		case GateAside:
			return it + " is set aside", "when no hand is in it, take it back at the shop: by its own button, or type at the computer: kerfwind ask return \"" + name + "\""
		case GateStuck:
			_, do := timeline.Trouble(view.Fault)
			return it + stuckWords[view.Fault], do
		case GateUnknown:
			return "the position of " + it + " is not known", "use the collector's disconnect, then look at the gate" + again
		case GateShut, GateWanted, GateShutting:
			return it + " is not open", "use the collector's disconnect, then look at the gate" + again
		case GateOpening, GateOpen:
			return "perhaps, since nothing shows that " + it + " is open", "look at the gate" + again
		}
	case control.ByStandDown:
		return "the shop is stood down", "lift it at the shop, with the wired switch or at the computer: kerfwind ask lift" + again
	case control.ByMoveIn:
		return "no machine is served while a move-in is open", "finish the move-in or leave it"
	case control.ByBudget:
		return "the collector has no start left", "once one is left it starts by itself"
	case control.ByStop:
		if !in.Snap.Kept.Stopped {
			return "a stop input cannot be read", "check its wire, or the computer that reads it" + again
		}
		return "a stop input acted", "remove the cause, then reset at the shop" + again
	case control.ByLimit:
		return "there is not enough air for more", "wait until another machine has stopped" + again
	case control.BySwitch:
		return "the collector's switch is in off", "turn it to auto" + again
	case control.ByBin:
		return "the bin is full", "lock the collector's disconnect, then empty the bin" + again
	case control.ByLeft:
		return "it must be switched off and on again", "switch it off, wait 3 s and switch it on"
	case control.ByFault, control.ByNoCurrent:
		for _, f := range in.Snap.Faults {
			if f.Fault.Subject() == control.ACollector {
				what, do := timeline.Trouble(f.Fault)
				return "the collector: " + what, do
			}
		}
		if c == control.ByNoCurrent {
			return "the collector takes no current", "open its disconnect, check its overload relay and contactor" + again
		}
		return "a fault keeps the collector off", "find the cause and put it right, then reset at the shop" + again
	default:
	}
	why = in.Names.Reason(control.Why{Cause: s.Machines[machine].Cause, Machine: control.NoID})
	if why == "" || s.Machines[machine].Cause == control.ByMachine {
		why = "its air does not move"
	}
	return why, "remove the cause" + again
}

var stuckWords = map[control.FaultKind]string{
	control.GateNotOpen: " is stuck", control.GateLost: " no longer shows open", control.GateOutput: " does not take commands",
	control.GateNotShut: " does not close", control.GateSwitches: "'s end switches disagree",
}

// hinders is the gate on a machine's paths that keeps its dust from being
// collected, one that somebody can put right before one that moves; -1 none.
func (in *In) hinders(machine int, s *Scene) int {
	found, rank := -1, 0
	for _, path := range in.Layout.paths(machine) {
		for _, g := range path {
			if g >= len(s.Gates) {
				continue
			}
			if r := [...]int{GateAside: 7, GateStuck: 6, GateUnknown: 5, GateShut: 4, GateWanted: 4, GateShutting: 3, GateOpening: 2, GateOpen: 0}[s.Gates[g].State]; r > rank {
				found, rank = g, r
			}
		}
	}
	return found
}

// gravest returns the gravest fault, grave or not; nil none.
func (in *In) gravest(grave bool) *control.FaultView {
	for i := range in.Snap.Faults {
		if f := &in.Snap.Faults[i]; f.Fault.Facts().Grave == grave {
			return f
		}
	}
	return nil
}

// of lists the machines in a state.
func (s *Scene) of(state MachineState) (list []int) {
	for i := range s.Machines {
		if s.Machines[i].State == state {
			list = append(list, i)
		}
	}
	return list
}

func (in *In) fanName() string { return "the " + in.Names.Name(control.ACollector, 0) }

func (in *In) over() string {
	for i := range in.Snap.Circuits {
		if in.Around.Over>>i&1 == 1 {
			return in.Names.Name(control.ACircuit, control.ID(i))
		}
	}
	return "a circuit"
}

func (in *In) aside(s *Scene) string {
	g := slices.IndexFunc(s.Gates, func(g Gate) bool { return g.State == GateAside })
	return "gate " + in.Names.Name(control.AGate, control.ID(g)) + " is set aside: nothing is collected there"
}

// names lists machines by name.
func (in *In) names(machines []int) string {
	var out []string
	for _, m := range machines {
		out = append(out, in.Names.Name(control.AMachine, control.ID(m)))
	}
	return list(out)
}

// mostNames is how many names are read in a glance.
const mostNames = 3

// list puts names in a row.
func list(names []string) string {
	if n := len(names); n > mostNames {
		names = append(slices.Clone(names[:mostNames-1]), fmt.Sprintf("%d more", n-mostNames+1))
	}
	if n := len(names); n > 1 {
		return strings.Join(names[:n-1], ", ") + " and " + names[n-1]
	}
	return strings.Join(names, "")
}

func verb(list []int, one, many string) string {
	if len(list) == 1 {
		return one
	}
	return many
}

func are(list []int) string { return verb(list, " is ", " are ") }

func those(list []int) string { return verb(list, "it", "they") }

// join puts two sentences together; either may be missing.
func join(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + ". " + upper(b)
}

func upper(text string) string {
	r, n := utf8.DecodeRuneInString(text)
	if n == 0 || r == utf8.RuneError {
		return text
	}
	return string(unicode.ToUpper(r)) + text[n:]
}

// sentence begins with a capital and ends with a stop, as far as there is one.
func sentence(text string) string {
	if text = upper(text); text == "" || strings.HasSuffix(text, ".") || strings.HasSuffix(text, `"`) {
		return text
	}
	return text + "."
}
