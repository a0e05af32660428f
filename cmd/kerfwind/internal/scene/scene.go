// Package scene makes of the state of a shop what people are shown: one sentence,
// its tone, and one state for every machine, gate and piece of duct. The page's
// parts, the wall and the terminal are drawn from it, so that they cannot
// contradict each other. It is never calmer than the shop.
package scene

import (
	"slices"
	"time"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
	"kerfwind/control/duct"
)

// Tone says how urgent a scene is. The zero value is invalid.
type Tone uint8

// The tones.
const (
	Fine Tone = iota + 1
	Wait      // something is on its way, in time
	Warn      // something is wrong, or is not known
	Bad       // dust goes nowhere, or somebody may be hurt
)

// String names the tone in one word.
func (t Tone) String() string { return [...]string{"", "fine", "wait", "warn", "bad"}[t] }

// In holds what a scene is made from.
type In struct {
	Now    time.Duration     // of the stream
	Snap   *control.Snapshot // nil: nothing is known yet
	Names  *timeline.Names
	Layout *Layout // nil: paths and ducts are not known
	Air    *Air    // the last solution; nil: none
	Lies   []int   // ducts in which chips probably lie from before
	Around Around
}

// Air is a solution for the ducts of a shop.
type Air struct {
	Open  uint64          // the gates it is for, gate 0 in bit 0
	Total float64         // at the collector, m³/s
	Carry []duct.Carrying // in each duct
}

// Around says what is wrong around the state machine.
type Around struct {
	Silent  bool     // control has said nothing for so long that its state is old
	Bare    []string // channels with current while no machine is served
	Missing []string // parts of the rig that cannot be reached
	Down    []string // parts of the program that do not work
	Over    uint64   // circuits above their breaker's rating, circuit 0 in bit 0
}

// Scene holds what people are shown.
type Scene struct {
	Say  string // one sentence or two, for somebody two metres away
	Do   string // what to do about it, as an order; may be empty
	Tone Tone

	Fan      Fan
	Flow     Flow
	Total    float64 // air at the collector, m³/s, as computed; 0: not known, or none moves
	Machines []Machine
	Gates    []Gate
	Pipes    []Pipe // of each node of the layout
}

// Flow says whether air moves now. The zero value is invalid.
type Flow uint8

// Whether air moves.
const (
	Still  Flow = iota + 1 // the fan is off, or known to be still
	Moves                  // the fan runs
	Unsure                 // the fan cannot be seen
)

// MachineState is the one state of a machine. The zero value is invalid.
type MachineState uint8

// The states of a machine.
const (
	MachineIdle        MachineState = iota + 1
	MachineClears                   // stopped; its duct is being cleared
	MachineStarts                   // runs, and its path or the collector is on its way, in time
	MachineCollected                // runs, and its dust is collected
	MachineHeld                     // cannot be seen, and is collected as if it ran
	MachineUncollected              // runs, or may run, and its dust goes nowhere
	MachineUnseen                   // cannot be seen, and is not served
)

var machineNames = [...]string{"", "idle", "clears", "starts", "collected", "held", "uncollected", "unseen"}

// String names the state in one word.
func (m MachineState) String() string { return machineNames[m] }

// Machine is a machine in a scene.
type Machine struct {
	State MachineState
	Word  string // the state, for people
	Cause control.Cause
	Runs  bool   // as far as is known
	Why   string // why it is not collected, to follow a colon
	Do    string // what to do about that
}

// GateState is the one state of a gate. The zero value is invalid.
type GateState uint8

// The states of a gate.
const (
	GateUnknown  GateState = iota + 1
	GateOpen               // believed open, and nothing is wrong with it
	GateShut               // believed shut, and nothing is wrong with it
	GateOpening            //
	GateShutting           //
	GateWanted             // shall be open, and does not move
	GateStuck              // it has a fault: see Word
	GateAside              // set aside, since hands are in it
)

var gateNames = [...]string{"", "unknown", "open", "shut", "opening", "shutting", "wanted", "stuck", "aside"}

// String names the state in one word.
func (g GateState) String() string { return gateNames[g] }

// Gate is a gate in a scene.
type Gate struct {
	State GateState
	Word  string // the state, for people
}

// PipeState is the one state of a piece of the way. The zero value is invalid.
type PipeState uint8

// The states of a pipe.
const (
	PipeShut   PipeState = iota + 1 // no open hood is behind it
	PipeWould                       // it is open; air would move if the fan ran
	PipeFlows                       // air moves
	PipeUnsure                      // perhaps: a gate or the fan is not known
)

var pipeNames = [...]string{"", "shut", "would", "flows", "unsure"}

// String names the state in one word.
func (p PipeState) String() string { return pipeNames[p] }

// Pipe is a node of the layout in a scene.
type Pipe struct {
	State PipeState
	Carry duct.Carrying // what the air does to chips; Idle where none moves or nothing is computed
	Lies  bool          // chips probably lie in it from before
}

// Class is the state in one word, with what happens to chips.
func (p Pipe) Class() string {
	switch {
	case p.Carry == duct.Settles:
		return "settles"
	case p.Lies:
		return "lies"
	case p.Carry == duct.Doubtful:
		return "doubtful"
	}
	return p.State.String()
}

// Make makes a scene.
func Make(in In) *Scene {
	s := &Scene{}
	if in.Snap == nil {
		s.Say, s.Tone, s.Flow = "kerfwind is starting. Nothing is known yet.", Wait, Unsure
		return s
	}
	s.Fan = in.fan()
	s.Flow = s.Fan.flow()
	for i := range in.Snap.Gates {
		s.Gates = append(s.Gates, gate(&in.Snap.Gates[i]))
	}
	for i := range in.Snap.Machines {
		s.Machines = append(s.Machines, in.machine(i, s))
	}
	for _, i := range s.of(MachineUncollected) {
		s.Machines[i].Why, s.Machines[i].Do = in.because(i, s)
	}
	if in.Layout != nil {
		s.Pipes = in.pipes(s)
	}
	if in.solved() && s.Flow == Moves {
		s.Total = in.Air.Total
	}
	in.say(s)
	return s
}

// solved reports whether the solution is that of the gates which are open now.
func (in *In) solved() bool { return in.Air != nil && in.Air.Open == in.Snap.Open() }

var gateWords = map[control.FaultKind]string{
	control.GateNotOpen: "STUCK", control.GateLost: "unsure", control.GateOutput: "no answer", control.GateNotShut: "won't shut", control.GateSwitches: "unsure",
}

// gate never says open or shut of one that something is wrong with.
func gate(g *control.GateView) Gate {
	switch word := gateWords[g.Fault]; {
	case g.Aside:
		return Gate{GateAside, "set aside"}
	case word != "":
		return Gate{GateStuck, word}
	case g.Position == control.PositionOpening:
		return Gate{GateOpening, "opening"}
	case g.Position == control.PositionShutting:
		return Gate{GateShutting, "closing"}
	case g.Position == control.PositionOpen:
		return Gate{GateOpen, "open"}
	case g.Position == control.PositionShut && g.Wanted:
		return Gate{GateWanted, "waits"}
	case g.Position == control.PositionShut:
		return Gate{GateShut, "shut"}
	}
	return Gate{GateUnknown, "not known"}
}

// soon are the reasons for which a machine is not collected yet, in time.
func soon(c control.Cause) bool {
	switch c {
	case control.ByConfirm, control.ByPath, control.ByMachine, control.ByInrush, control.ByMinOff, control.ByPowerUp:
		return true
	default:
		return false
	}
}

var machineWords = [...]string{
	MachineIdle: "idle", MachineClears: "duct clearing", MachineStarts: "starts", MachineCollected: "runs, collected",
	MachineHeld: "not seen, served", MachineUncollected: "NOT collected", MachineUnseen: "cannot be seen",
}

func (in *In) machine(i int, s *Scene) Machine {
	m := &in.Snap.Machines[i]
	out := Machine{Cause: m.Why.Cause, Runs: m.Run || m.Sensed == control.Running}
	why, not := in.Snap.Uncollected(control.ID(i))
	collected := m.Served && (s.Flow == Moves || s.Fan.State == FanUnseen) && in.whole(i)
	switch {
	case not:
		out.State, out.Cause = MachineUncollected, why
	case out.Runs && collected && m.Sensed == control.Running:
		out.State = MachineCollected
	case out.Runs && collected:
		out.State = MachineHeld
	case out.Runs && m.Served && s.Fan.State == FanRising && in.whole(i):
		out.State, out.Cause = MachineStarts, control.ByMachine
	case out.Runs && m.Served: // control says so, and what is seen says otherwise
		out.State, out.Cause = MachineUncollected, control.ByUnconfirmed
	case out.Runs && m.Sensed != control.Unknown && soon(m.Why.Cause) && !m.Left && !in.Snap.StoodDown && !in.Snap.MoveIn && !in.Snap.Latched():
		out.State = MachineStarts
	case out.Runs:
		out.State = MachineUncollected
	case m.Sensed != control.Idle:
		out.State = MachineUnseen
	case m.RunOn > in.Now:
		out.State = MachineClears
	default:
		out.State = MachineIdle
	}
	out.Word = machineWords[out.State]
	if out.State == MachineUnseen && m.Sensed == 0 {
		out.Word = "not heard of yet"
	}
	return out
}

// whole reports whether the path of each of a machine's hoods is open, as far as
// the layout is known.
func (in *In) whole(machine int) bool {
	for _, path := range in.Layout.paths(machine) {
		for _, g := range path {
			if g >= len(in.Snap.Gates) || in.Snap.Gates[g].Position != control.PositionOpen || in.Snap.Gates[g].Aside {
				return false
			}
		}
	}
	return true
}

// pipes gives each node of the layout its state.
func (in *In) pipes(s *Scene) []Pipe {
	l := in.Layout
	out := make([]Pipe, len(l.Nodes))
	for i := range out {
		out[i].State = PipeShut
	}
	open := map[Flow]PipeState{Still: PipeWould, Moves: PipeFlows, Unsure: PipeUnsure}[s.Flow]
	for i := range l.Nodes {
		if !l.Nodes[i].End && len(l.Nodes[i].Machines) == 0 {
			continue
		}
		state := open
		for n := i; n != Collector && state != PipeShut; n = l.Nodes[n].To {
			g := l.Nodes[n].Gate
			if g < 0 || g >= len(s.Gates) {
				continue
			}
			switch s.Gates[g].State {
			case GateOpen:
			case GateShut, GateWanted:
				state = PipeShut
			case GateUnknown, GateOpening, GateShutting, GateStuck, GateAside:
				state = PipeUnsure
			}
		}
		for n := i; n != Collector && state != PipeShut; n = l.Nodes[n].To {
			if p := &out[n]; p.State == PipeShut || p.State == PipeUnsure {
				p.State = state
			}
		}
	}
	for i := range out {
		out[i].Lies = l.Nodes[i].Duct >= 0 && slices.Contains(in.Lies, l.Nodes[i].Duct)
		if d := l.Nodes[i].Duct; out[i].State == PipeFlows && in.solved() && d >= 0 && d < len(in.Air.Carry) {
			out[i].Carry = in.Air.Carry[d]
		}
	}
	return out
}
