package node

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// view holds what a node says of itself, as of its newest report.
type view struct {
	seam.Node
	ordered time.Duration // when the newest order came; 0: none of this session
}

// Status is the state of the node, half a second old at most. It may be called
// from any goroutine.
func (n *Node) Status() *seam.Node {
	v := n.shown.Load()
	if v == nil {
		return &seam.Node{Name: n.o.Rig.Name, State: "begins", Order: -1}
	}
	st := v.Node
	if st.Order = -1; v.ordered > 0 {
		st.Order = (n.o.Now() - v.ordered).Seconds()
	}
	return &st
}

// publish notes the state for Status.
func (n *Node) publish(now time.Duration) {
	v := &view{Node: seam.Node{Name: n.o.Rig.Name, Broker: n.x != nil && n.x.Connected(), Decides: n.session, Rest: n.rest, Quiet: n.quiet(now), Ready: n.ready, Running: n.running()}, ordered: n.ordered}
	switch {
	case n.plan == nil:
		v.State, v.Why, v.ordered = "waits for the computer that decides", n.why, 0
	case n.lost:
		v.State, v.Shop = "has lost the computer that decides", n.plan.Shop
	default:
		v.State, v.Shop = "at work", n.plan.Shop
	}
	if n.renew.Load() {
		v.Reload = "the node reads the rig file again once nothing is on or moves here and the shop is at rest"
	}
	if n.plan != nil {
		n.things(&v.Node, now)
	}
	n.shown.Store(v)
}

// things lists what the node senses and drives, in its own names.
func (n *Node) things(v *seam.Node, now time.Duration) {
	p := n.plan
	for _, c := range p.Channels {
		t := seam.Thing{Name: c.Name, State: "not heard yet"}
		if r, ok := n.channels[c.ID]; ok {
			t.State, t.Why = r.Verdict.String(), config.Metric.Format(config.Current, float64(r.Amps))
			if r.Health != sensor.Healthy {
				t.Why = r.Health.String()
			}
		}
		v.Senses = append(v.Senses, t)
	}
	byFact := map[said][]string{}
	for _, c := range p.Contacts {
		i := slices.IndexFunc(n.o.Rig.Contacts, func(x config.Contact) bool { return x.Name == c.Name })
		if i >= 0 { // the plan was adopted
			key := said{n.o.Rig.Contacts[i].Kind.About(), control.ID(c.ID)}
			byFact[key] = append(byFact[key], c.Name)
		}
	}
	for key, names := range byFact {
		t := seam.Thing{Name: strings.Join(names, " + "), State: "unknown"}
		if key.kind == control.Ask {
			t.State = "a button"
		} else if f, ok := factOf(n.facts[key]); ok {
			t.State = f.Is
		}
		if key.kind == control.StopIs {
			if n.stopped[key.id] {
				t.Why = "open: everything here stays off"
			}
			v.Stops = append(v.Stops, t)
		} else {
			v.Senses = append(v.Senses, t)
		}
	}
	for _, list := range [][]seam.Thing{v.Senses[len(p.Channels):], v.Stops} {
		slices.SortFunc(list, func(a, b seam.Thing) int { return strings.Compare(a.Name, b.Name) })
	}
	for _, g := range p.Gates {
		t := seam.Thing{Name: g.Actuator, State: "not commanded yet"}
		switch k, ok := n.sent[control.ID(g.ID)]; {
		case ok && k == control.GateStop:
			t.State = "stopped where it was"
		case ok && n.moving[control.ID(g.ID)] > now:
			t.State = map[control.CommandKind]string{control.GateOpen: "opening", control.GateShut: "shutting"}[k]
		case ok:
			t.State = "commanded " + map[control.CommandKind]string{control.GateOpen: "open", control.GateShut: "shut"}[k]
		}
		v.Drives = append(v.Drives, t)
	}
	switched := func(actuator string, key target) {
		t := seam.Thing{Name: actuator, State: "off"}
		if n.on[key] {
			t.State = "on"
		}
		if at, ok := n.off[key]; ok && n.on[key] {
			t.Why = fmt.Sprintf("goes off by itself in %s", config.FormatDuration(max(at-now, 0).Round(time.Second)))
		}
		v.Drives = append(v.Drives, t)
	}
	for _, o := range p.Outlets {
		switched(o.Actuator, target{'o', control.ID(o.ID)})
	}
	if p.Contactor != nil {
		switched(p.Contactor.Actuator, target{'c', 0})
	}
}

// running is how many machines run, as far as this node knows.
func (n *Node) running() (count int) {
	for _, r := range n.channels {
		if r.Verdict == sensor.Running {
			count++
		}
	}
	for key, in := range n.facts {
		if key.kind == control.MachineIs && control.Verdict(in.State) == control.Running {
			count++
		}
	}
	return count
}

// quiet reports whether this program may end and begin again: nothing is on, moves
// or runs here and, where somebody decides, the whole shop is at rest.
func (n *Node) quiet(now time.Duration) bool {
	for _, on := range n.on {
		if on {
			return false
		}
	}
	for _, until := range n.moving {
		if until > now {
			return false
		}
	}
	return n.running() == 0 && (n.plan == nil || n.lost || n.rest)
}

// Renew has Run end at the next quiet moment. It may be called from any goroutine.
func (n *Node) Renew() { n.renew.Store(true) }

// Renewed tells, after Run, whether it has ended for Renew.
func (n *Node) Renewed() bool { return n.renewed }

// ends reports whether the loop ends for Renew. A node that has a stop input goes on: its
// silence would count as that input broken, and latch the shop.
func (n *Node) ends(now time.Duration) bool {
	if !n.renew.Load() {
		return false
	}
	if n.plan != nil && len(n.stopped) > 0 {
		n.renew.Store(false)
		n.o.Notice(errors.New("the node does not read the rig file again: a stop input is wired to it, and its silence would lock the collector off; restart the service when that does no harm, then reset"))
		return false
	}
	n.renewed = n.quiet(now)
	return n.renewed
}
