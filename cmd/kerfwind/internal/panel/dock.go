package panel

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"kerfwind/config"
	"kerfwind/control"
)

// waiting is a line on every part: what comes next, such as another shop or a move-in, and
// what it waits for.
type waiting struct {
	Text  string
	State string // "": nothing comes; waits; runs: it waits while a machine runs, which is a warning
}

// waits makes the line.
func (s *Shop) waits(snap *control.Snapshot) (w waiting) {
	if s.Waits == nil {
		return w
	}
	if w.Text = s.Waits(); w.Text == "" {
		return w
	}
	w.Text, w.State = sentence(w.Text), "waits"
	if snap != nil && slices.ContainsFunc(snap.Machines, func(m control.MachineView) bool { return m.Run }) {
		w.State = "runs"
	}
	return w
}

// dock holds what is at hand on every part: holding a gate and standing down.
type dock struct {
	State string // "hold": some gate can be held or is; "down": stood down
	Gates []dockGate
}

// dockGate is a gate that this shop lets people hold.
type dockGate struct {
	Key, Name string
	State     string        // can, held, or no: a request to hold it would be refused
	Long      time.Duration // for which it is held
}

// dock makes what is at hand.
func (in *nowIn) dock() *dock {
	d := &dock{}
	p := in.Shop.Control()
	mains := p.Mains()
	var state []string
	for i := range in.Snap.Gates {
		lengths := holdLengths(in.Shop.Gates[i].Hold, p.HoldLongest)
		if mains>>i&1 != 0 || len(lengths) == 0 {
			continue
		}
		g := dockGate{Key: key("h", i), Name: in.Names.Name(control.AGate, control.ID(i)), State: "no", Long: lengths[0]}
		switch {
		case in.Snap.Gates[i].Held != 0:
			g.State, state = "held", []string{"hold"}
		case in.Snap.Gates[i].NoHold == 0:
			g.State, state = "can", []string{"hold"}
		}
		d.Gates = append(d.Gates, g)
	}
	if in.Snap.StoodDown {
		state = append(state, "down")
	}
	d.State = strings.Join(state, " ")
	return d
}

// Lockout is the sentence beside every stand-down.
func (*dock) Lockout() string { return notLocked }

// Words is for how long the gate is held.
func (g dockGate) Words() string { return config.FormatDuration(g.Long) }

// Seconds is the same as a field of a form has it.
func (g dockGate) Seconds() string { return strconv.Itoa(int(g.Long / time.Second)) }
