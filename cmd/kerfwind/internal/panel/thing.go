package panel

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/scene"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
)

// thingPart says of one gate or machine why it is as it is, what it did last and
// what would change it. The picture leads to it.
var thingPart = Part{Path: "/thing", Title: "Gate or machine", Role: Look, File: "thing.html", Aside: true, Fields: []string{"gate", "machine"}, Data: thing}

// thingMain holds what its template shows.
type thingMain struct {
	*nowMain
	Machine *nowMachine // nil: it is a gate
	Gate    *nowGate
	Gates   []*nowGate  // of a machine, from each hood to the collector
	Changes []string    // what would change its state
	NoHold  string      // why it cannot be held now
	Last    []thingMove // the newest first
}

// thingMove is something that it did.
type thingMove struct{ When, What string }

// mostMoves is how many of its last moves are told.
const mostMoves = 8

func thing(v *Visit) (any, error) {
	gate, isGate := v.fields["gate"]
	machine, isMachine := v.fields["machine"]
	if isGate == isMachine {
		return nil, &Mistake{"choose one gate or machine in the picture"}
	}
	m := &thingMain{nowMain: makeNowMain(v.Shop)}
	if !m.Begun {
		return m, nil
	}
	snap, subject, text := v.Shop.Snapshot(), control.AGate, strings.Join(append(gate, machine...), "")
	most := len(m.nowView.Gates)
	if isMachine {
		subject, most = control.AMachine, len(m.Machines)
	}
	id, err := strconv.Atoi(text)
	if err != nil || id < 0 || id >= most {
		return nil, &Mistake{fmt.Sprintf("no such thing here: %.20q. Choose it in the picture", text)}
	}
	if isMachine {
		m.Machine = &m.Machines[id]
		m.Changes = machineChanges(&m.Scene.Machines[id])
		for _, path := range v.Shop.Machines[id].Paths {
			for _, g := range path {
				if x := &m.nowView.Gates[g]; !slices.Contains(m.Gates, x) {
					m.Gates = append(m.Gates, x)
				}
			}
		}
	} else {
		m.Gate = &m.nowView.Gates[id]
		m.Changes = gateChanges(v.Shop, snap, m.Scene, id)
		if no := snap.Gates[id].NoHold; no != 0 && snap.Gates[id].Held == 0 {
			m.NoHold = v.Shop.Names.Reason(control.Why{Cause: no, Machine: control.NoID})
		}
	}
	m.Last = v.Shop.lastMoves(subject, control.ID(id))
	return m, nil
}

// lastMoves are the newest events of a thing.
func (s *Shop) lastMoves(of control.Subject, id control.ID) (out []thingMove) {
	list, now := s.Recent(), s.Now()
	wall, trusted := s.Wall()
	for i := len(list) - 1; i >= 0 && len(out) < mostMoves; i-- {
		e := list[i]
		if e.Subject() != of || e.ID != id {
			continue
		}
		ago := time.Duration(float64(now-e.At) / s.Speed)
		when := clock{e.At, countUp}.Text(now) + " ago"
		if trusted {
			when = wall.Add(-ago).Format("15:04:05")
		}
		out = append(out, thingMove{when, timeline.Sentence(e, s.Names)})
	}
	return out
}

// gateChanges says what would change a gate.
func gateChanges(s *Shop, snap *control.Snapshot, show *scene.Scene, id int) (out []string) {
	var users, run []string
	for i := range s.Machines {
		if slices.Contains(s.Machines[i].Gates, id) {
			name := s.Names.Name(control.AMachine, control.ID(i))
			if users = append(users, name); show.Machines[i].Runs {
				run = append(run, name)
			}
		}
	}
	g, some := &snap.Gates[id], strings.Join(users, " or ")
	switch show.Gates[id].State {
	case scene.GateAside:
		return []string{"It moves again once it is taken back at the shop and a machine there is started."}
	case scene.GateStuck:
		_, do := timeline.Trouble(g.Fault)
		return []string{sentence(do)}
	case scene.GateUnknown:
		return []string{"kerfwind finds out where it stands by moving it, when nothing runs there."}
	case scene.GateOpening, scene.GateShutting:
		return []string{"It is on its way."}
	case scene.GateWanted:
		return []string{"It shall be open and does not move: " + s.Names.Reason(g.Why) + "."}
	case scene.GateShut:
		if some != "" {
			out = append(out, "It opens when "+some+" starts.")
		}
		if s.plan.Main(id) {
			return append(out, "It lies in a main: it opens with what lies behind it.")
		}
	case scene.GateOpen:
		if len(run) > 0 {
			out = append(out, "It stays open until "+strings.Join(run, " and ")+" has stopped and the duct is clear.")
		}
		if g.Held != 0 {
			out = append(out, "It is held open until its time is over or somebody releases it.")
		}
		if len(out) == 0 && g.Why.Cause == control.ByRest {
			out = append(out, "It stays open at rest, until another way opens.")
		}
	}
	return out
}

// machineChanges says what would change a machine.
func machineChanges(m *scene.Machine) []string {
	switch m.State {
	case scene.MachineUncollected:
		return []string{sentence(m.Why), sentence("stop the cut. " + sentence(m.Do))}
	case scene.MachineStarts:
		return []string{"Its dust is collected once its gates are open and the collector runs."}
	case scene.MachineCollected:
		return []string{"When it stops, the collector runs on until its duct is clear."}
	case scene.MachineHeld:
		return []string{"kerfwind cannot see whether it runs, and collects its dust for a while. Check the sensor's plug and cable."}
	case scene.MachineUnseen:
		return []string{"kerfwind cannot see whether it runs. Hold its gate to start the collector; check the sensor's plug and cable."}
	case scene.MachineClears:
		return []string{"Its gates stay open until the duct is clear."}
	case scene.MachineIdle:
	}
	return []string{"Switch it on: its gates open and the collector starts."}
}
