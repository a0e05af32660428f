package rig

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/sensor"
)

// Far senses and drives over other computers of the shop. Its methods are
// called by the loop and must not wait, but for Halt and Close.
type Far interface {
	// Drives reports whether the output of a command is at another computer.
	Drives(control.Command) bool
	Apply(control.Command)
	// Ready receives when there is something to take.
	Ready() <-chan struct{}
	Take([]drive.Report, []sensor.Reading) ([]drive.Report, []sensor.Reading)
	Beat() // after every completed step
	// AtRest says, now and then, whether the shop is at rest.
	AtRest(bool)
	// Listen has every reading of the others come for so long, not only changes
	// and the newest now and then. Any goroutine may call it.
	Listen(time.Duration)
	// Fares says how each computer fares. Any goroutine may call it.
	Fares() []Fare
	// Halt tells the others to make their outputs inert. It waits a second at
	// most for them to say so.
	Halt() error
	Close()
}

// Fare is how a computer fares: Down says why it is not at work, or is nil.
type Fare struct {
	Name string
	Down error
}

// Way is how long a command may take to a node, at most: then the node refuses
// it.
const Way = time.Second

// farAnswers gives control the patience that the drivers of nodes need, and the
// way there.
func farAnswers(p *control.Params, s *config.Shop) error {
	for n := range s.Rig.Nodes {
		j := JobOf(s, n+1)
		w, err := j.Wiring(s.Rig.Nodes[n].Rig)
		if err != nil {
			return fmt.Errorf("node %q: %w", s.Rig.Nodes[n].Name, err)
		}
		for _, g := range j.Gates {
			p.Gates[g.ID].Answer = w.GateAnswer(g.ID) + Way
		}
	}
	return nil
}

// withFar are outputs of this computer and of others.
type withFar struct {
	Outputs
	far Far
}

// Apply passes a command to where its output is.
func (w withFar) Apply(c control.Command) {
	if w.far.Drives(c) {
		w.far.Apply(c)
		return
	}
	w.Outputs.Apply(c)
}

// Beat passes the beat on.
func (w withFar) Beat() {
	w.Outputs.Beat()
	w.far.Beat()
}

// Halt makes all outputs inert, those of this computer whatever the others do.
func (w withFar) Halt() error {
	var far error
	var done sync.WaitGroup
	done.Go(func() { far = w.far.Halt() })
	err := w.Outputs.Halt()
	done.Wait()
	return errors.Join(err, far)
}

// Close lets go of all.
func (w withFar) Close() {
	w.far.Close()
	w.Outputs.Close()
}

// Job tells a node what to do with what is wired to it. IDs are those of the
// computer that decides.
type Job struct {
	Contactor string // actuator; "": it drives none
	Gates     []GateJob
	Outlets   []OutletJob
	Contacts  []ContactJob
}

// GateJob is a gate.
type GateJob struct {
	ID       control.ID
	Actuator string
	Travel   time.Duration
	Reversed bool // the actuator's open shuts it
}

// OutletJob is an outlet.
type OutletJob struct {
	ID       control.ID
	Actuator string
}

// ContactJob says what a contact is about.
type ContactJob struct {
	Name string
	ID   control.ID
	Hold time.Duration
}

// Wiring describes the job to the drivers. The error joins every name that the
// rig does not have.
func (j *Job) Wiring(r *config.Rig) (drive.Params, error) {
	var errs []error
	actuator := func(name string, use config.Use) *config.Actuator {
		for i := range r.Actuators {
			if a := &r.Actuators[i]; a.Name == name {
				if a.Kind.Serves(use) {
					return a
				}
				errs = append(errs, fmt.Errorf("actuator %q is a %s", name, a.Kind))
				return nil
			}
		}
		errs = append(errs, fmt.Errorf("there is no actuator %q", name))
		return nil
	}
	p := drive.Params{Heartbeat: heartbeat(r), Chips: chips(r)}
	used := map[string]bool{}
	if j.Contactor != "" {
		used[j.Contactor] = true
		if a := actuator(j.Contactor, config.ForContactor); a != nil {
			var err error
			p.Collector, err = contactor(a)
			errs = append(errs, err)
		}
	}
	for _, g := range j.Gates {
		used[g.Actuator] = true
		for int(g.ID) >= len(p.Gates) {
			p.Gates = append(p.Gates, drive.Gate{})
		}
		if a := actuator(g.Actuator, config.ForGate); a != nil {
			var err error
			p.Gates[g.ID], err = gate(a, g.Travel, g.Reversed)
			errs = append(errs, err)
		}
	}
	for _, o := range j.Outlets {
		used[o.Actuator] = true
		for int(o.ID) >= len(p.Outlets) {
			p.Outlets = append(p.Outlets, drive.Outlet{})
		}
		if a := actuator(o.Actuator, config.ForOutlet); a != nil {
			var err error
			p.Outlets[o.ID], err = outlet(a)
			errs = append(errs, err)
		}
	}
	for i := range r.Actuators {
		// A switch that the shop does not use is held off.
		if a := &r.Actuators[i]; a.Kind.Serves(config.ForOutlet) && a.Kind.Wired() && !used[a.Name] {
			o, err := outlet(a)
			errs = append(errs, err)
			p.Outlets = append(p.Outlets, o)
		}
	}
	for _, c := range j.Contacts {
		var found *config.Contact
		for i := range r.Contacts {
			if r.Contacts[i].Name == c.Name {
				found = &r.Contacts[i]
			}
		}
		if found == nil {
			errs = append(errs, fmt.Errorf("there is no contact %q", c.Name))
			continue
		}
		m := of(means[:], found.Kind)
		if m.Subject() == control.AGate && int(c.ID) < control.MaxGates {
			for int(c.ID) >= len(p.Gates) { // of a gate that another computer moves
				p.Gates = append(p.Gates, drive.Gate{})
			}
		}
		p.Contacts = append(p.Contacts, drive.Contact{Name: c.Name, Line: drive.Line{Chip: found.Chip, Offset: found.Line}, Debounce: found.Debounce,
			Closed: found.Active, Means: m, ID: c.ID, Hold: c.Hold})
	}
	return p, errors.Join(errs...)
}

// JobOf returns the job of node number n of a shop's rig, from 1.
func JobOf(s *config.Shop, n int) Job {
	node := &s.Rig.Nodes[n-1]
	name := func(a int) string { return node.Rig.Actuators[a-node.First.Actuator].Name }
	here := func(a int) bool { return a >= 0 && s.Rig.Actuators[a].Node == n }
	var j Job
	if here(s.Collector.Actuator) {
		j.Contactor = name(s.Collector.Actuator)
	}
	for i := range s.Gates {
		if g := &s.Gates[i]; here(g.Actuator) {
			j.Gates = append(j.Gates, GateJob{control.ID(i), name(g.Actuator), g.Travel, g.Reversed})
		}
	}
	for i := range s.Outlets {
		if o := &s.Outlets[i]; here(o.Actuator) {
			j.Outlets = append(j.Outlets, OutletJob{control.ID(i), name(o.Actuator)})
		}
	}
	for i, u := range s.Contacts() {
		if s.Rig.Contacts[i].Node == n && u.Kind != 0 {
			j.Contacts = append(j.Contacts, ContactJob{node.Rig.Contacts[i-node.First.Contact].Name, u.ID, u.Hold})
		}
	}
	return j
}
