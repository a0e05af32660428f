package socket

import (
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
)

// Status is the state of the daemon and its shop, with words for people. Times
// are seconds of the stream unless a field says otherwise; 0 is "none".
type Status struct {
	Program   string  `json:"program"` // version
	PID       int     `json:"pid"`
	Shop      string  `json:"shop"`
	File      string  `json:"shop_file"`       // "": none
	FileWhy   string  `json:"shop_why"`        // why it is that one
	Bench     bool    `json:"bench,omitempty"` // a move-in looks at the rig: no machine is served
	Simulated bool    `json:"simulated,omitempty"`
	Page      string  `json:"page,omitempty"`   // its address
	T         float64 `json:"t"`                // since the shop was taken up
	Served    uint64  `json:"shops_taken_up"`   // since the start of the daemon, this one too: more than 1 after a reload
	Ready     bool    `json:"ready"`            // outputs are safe and the converters speak
	Running   int     `json:"machines_on"`      // machines that run
	Moving    bool    `json:"at_work"`          // not at rest: something runs, moves or is held
	StoodDown bool    `json:"stood_down"`       // nothing is commanded
	Latched   bool    `json:"latched"`          // a local act is wanted
	BinFull   bool    `json:"bin_full"`         //
	Closed    bool    `json:"closed"`           // out of hours
	Reload    string  `json:"reload,omitempty"` // why new files are not in force yet

	Collector Thing   `json:"collector"`
	StartsIn  int     `json:"starts_left"` // -1: no budget
	Machines  []Thing `json:"machines"`
	Gates     []Thing `json:"gates"`
	Outlets   []Thing `json:"outlets"`
	Faults    []Thing `json:"faults"`
	Missing   []Thing `json:"missing,omitempty"` // parts of the rig that cannot be reached; State says what they serve
	Ducts     []Thing `json:"ducts,omitempty"`   // in which chips probably lie, and what to do
	Parts     []Thing `json:"parts"`             // journal, metrics and so on: how they fare

	Node *Node `json:"node,omitempty"` // this computer is a node; of the rest, Program, PID, Ready, Running, Moving and Reload hold
}

// Node and Thing have the words of the seam.
type (
	Node  = seam.Node
	Thing = seam.Thing
)

// StatusOf is a state in words.
func StatusOf(h *seam.Hello, x *seam.State) *Status {
	snap := &x.Snapshot
	st := &Status{Program: h.Program, PID: h.PID, Simulated: h.Simulated, Reload: x.Shop.Waiting, Served: x.Shop.Revision, StoodDown: snap.StoodDown}
	if x.Node != nil {
		st.Node = x.Node
		st.Ready, st.Running, st.Moving, st.Reload = x.Node.Ready, x.Node.Running, !x.Node.Quiet, x.Node.Reload
		return st
	}
	for _, m := range x.Missing {
		t := Thing{Name: m.Name, State: "missing", Why: m.Why}
		if len(m.For) > 0 {
			t.State = "missing, not served: " + strings.Join(m.For, ", ")
		}
		st.Missing = append(st.Missing, t)
	}
	st.Latched = snap.Latched()
	if x.NoShop {
		return st
	}
	st.File, st.FileWhy, st.Bench = x.Shop.File, x.Shop.Why, x.Shop.Bench
	st.Shop, st.T, st.Ready, st.Page = x.Shop.Name, x.Now.Seconds(), x.Ready, x.Page
	for _, p := range x.Parts {
		t := Thing{Name: p.Name, State: "well"}
		if p.Down != "" {
			t.State, t.Why = "down", p.Down
		}
		st.Parts = append(st.Parts, t)
	}
	if !x.Begun {
		return st
	}
	n := timeline.Names(x.Names)
	st.Running, st.Moving = seam.Running(snap), !x.Rested
	st.BinFull, st.Closed = snap.BinFull, snap.ShopClosed
	st.things(snap, &n)
	for _, d := range x.Air.Settled {
		st.Ducts = append(st.Ducts, Thing{Name: d.Duct, State: d.Words})
	}
	return st
}

// things fills in machines, gates and all else that the shop has.
func (st *Status) things(snap *control.Snapshot, n *timeline.Names) {
	for i := range snap.Machines {
		m := &snap.Machines[i]
		t := Thing{Name: n.Name(control.AMachine, control.ID(i)), State: m.Sensed.String()}
		if m.Sensed == 0 {
			t.State = control.Unknown.String()
		}
		t = why(t, m.Why, n)
		if c, not := snap.Uncollected(control.ID(i)); not {
			t.Why = "NOT collected: " + n.Reason(control.Why{Cause: c, Machine: control.NoID})
		}
		st.Machines = append(st.Machines, t)
	}
	for i := range snap.Gates {
		g := &snap.Gates[i]
		st.Gates = append(st.Gates, why(Thing{Name: n.Name(control.AGate, control.ID(i)), State: g.Position.String()}, g.Why, n))
	}
	c := &snap.Collector
	st.Collector = why(Thing{Name: n.Name(control.ACollector, 0), State: collector(c)}, c.Why, n)
	st.Collector.Why = n.CollectorReason(c.Why, c.Commanded)
	st.StartsIn = c.StartsLeft
	for i := range snap.Outlets {
		t := Thing{Name: n.Name(control.AnOutlet, control.ID(i)), State: "off", Until: seconds(snap.Outlets[i].RunOn)}
		if snap.Outlets[i].Commanded {
			t.State = "commanded on"
		}
		st.Outlets = append(st.Outlets, t)
	}
	for _, f := range snap.Faults {
		e := control.Event{Kind: control.FaultRaised, Fault: f.Fault, Cause: f.Cause, ID: f.ID, At: f.Since}
		st.Faults = append(st.Faults, Thing{Name: n.Name(f.Fault.Subject(), f.ID), State: f.Fault.String(), Why: timeline.Sentence(e, n)})
	}
}

// collector says what is known of a collector: commanded is not running.
func collector(c *control.CollectorView) string {
	switch {
	case c.Sensed == control.Running && c.Commanded:
		return "running"
	case c.Sensed == control.Running:
		return "running, not commanded"
	case c.Sensed == control.Unknown && c.Commanded:
		return "commanded on, not seen"
	case c.Sensed == control.Idle && c.Commanded:
		return "commanded on, not running"
	case c.Commanded:
		return "commanded on"
	}
	return "off"
}

func why(t Thing, w control.Why, n *timeline.Names) Thing {
	t.Why, t.Until = n.Reason(w), seconds(w.Until)
	return t
}

func seconds(d time.Duration) float64 { return d.Seconds() }
