package daemon

import (
	"os"
	"time"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
)

// Status is the state of daemon and shop.
func (d *Daemon) Status() *socket.Status {
	st := &socket.Status{Program: d.o.Program, PID: os.Getpid(), Simulated: d.o.Simulated}
	st.StoodDown, _ = d.keep.now()
	d.mu.Lock()
	s := d.current
	st.Reload, st.Served = d.waits, d.served
	d.mu.Unlock()
	if s == nil {
		return st
	}
	st.File, st.FileWhy = s.choice.File, s.choice.Why()
	st.Shop, st.T, st.Ready = s.shop.Name, s.now().Seconds(), s.ready.Load()
	if p := s.shop.Rig.Page; p != nil {
		st.Page = p.Address()
	}
	for _, p := range s.parts {
		t := socket.Thing{Name: p.name, State: "well"}
		if err := p.down(); err != nil {
			t.State, t.Why = "down", err.Error()
		}
		st.Parts = append(st.Parts, t)
	}
	snap := s.live.Snapshot()
	if snap == nil {
		return st
	}
	n := &s.live.Names
	st.Running, st.Moving = running(snap), !rig.Rested(snap)
	st.StoodDown, st.Latched, st.BinFull, st.Closed = snap.StoodDown, snap.Latched, snap.BinFull, snap.ShopClosed
	for i := range snap.Machines {
		m := &snap.Machines[i]
		t := socket.Thing{Name: n.Name(control.AMachine, control.ID(i)), State: m.Sensed.String()}
		if m.Sensed == 0 {
			t.State = control.Unknown.String()
		}
		st.Machines = append(st.Machines, why(t, m.Why, n))
	}
	for i := range snap.Gates {
		g := &snap.Gates[i]
		st.Gates = append(st.Gates, why(socket.Thing{Name: n.Name(control.AGate, control.ID(i)), State: g.Position.String()}, g.Why, n))
	}
	for i := range snap.Collectors {
		c := &snap.Collectors[i]
		st.Collector = why(socket.Thing{Name: n.Name(control.ACollector, control.ID(i)), State: collector(c)}, c.Why, n)
		st.Collector.Why = n.CollectorReason(c.Why, c.Commanded)
		st.StartsIn = c.StartsLeft
	}
	for i := range snap.Outlets {
		t := socket.Thing{Name: n.Name(control.AnOutlet, control.ID(i)), State: "off", Until: seconds(snap.Outlets[i].RunOn)}
		if snap.Outlets[i].Commanded {
			t.State = "commanded on"
		}
		st.Outlets = append(st.Outlets, t)
	}
	for _, f := range snap.Faults {
		e := control.Event{Kind: control.FaultRaised, Fault: f.Fault, ID: f.ID, At: f.Since}
		st.Faults = append(st.Faults, socket.Thing{Name: n.Name(f.Fault.Subject(), f.ID), State: f.Fault.String(), Why: timeline.Sentence(e, n)})
	}
	return st
}

// Down calls tell with each part that does not work, and why. Control goes on
// without it.
func (d *Daemon) Down(tell func(part string, why error)) {
	d.mu.Lock()
	s := d.current
	d.mu.Unlock()
	if s == nil {
		return
	}
	for _, p := range s.parts {
		if err := p.down(); err != nil {
			tell(p.name, err)
		}
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

func why(t socket.Thing, w control.Why, n *timeline.Names) socket.Thing {
	t.Why, t.Until = n.Reason(w), seconds(w.Until)
	return t
}

func seconds(d time.Duration) float64 { return d.Seconds() }
