package sim

import (
	"fmt"
	"strings"
	"time"

	"kerfwind/control"
)

// world is a shop in which a Core and a Plant play together.
type world struct {
	p      control.Params
	names  shopNames
	core   *control.Core
	plant  *Plant
	now    time.Duration
	out    control.Out
	off    bool // the power is off
	sensed []control.Verdict
	lines  []string                         // what happened, in words
	audit  func(w *world, in control.Input) // after each step; nil: none
	events int
}

type shopNames struct {
	machines, gates, outlets, circuits, stops []string
}

func newWorld(p control.Params, s Params) (*world, error) {
	w := &world{p: p, plant: New(s), sensed: make([]control.Verdict, len(p.Machines))}
	for i := range p.Machines {
		w.names.machines = append(w.names.machines, p.Machines[i].Name)
		w.sensed[i] = control.Idle
	}
	for i := range p.Gates {
		w.names.gates = append(w.names.gates, p.Gates[i].Name)
	}
	for i := range p.Outlets {
		w.names.outlets = append(w.names.outlets, p.Outlets[i].Name)
	}
	for i := range p.Circuits {
		w.names.circuits = append(w.names.circuits, p.Circuits[i].Name)
	}
	for i := range p.Stops {
		w.names.stops = append(w.names.stops, p.Stops[i].Name)
	}
	core, err := control.New(p)
	if err != nil {
		return nil, err
	}
	w.core = core
	return w, nil
}

// boot starts the core and lets every sensor say what it sees.
func (w *world) boot() {
	w.step(control.Input{Kind: control.Tick})
	w.settle(w.now)
	for i, v := range w.sensed {
		w.step(control.Input{Kind: control.MachineIs, ID: control.ID(i), State: uint8(v)})
	}
}

// step gives the core one input now and the plant what comes of it.
func (w *world) step(in control.Input) {
	if w.off {
		return
	}
	w.out.Reset()
	w.core.Step(w.now, in, &w.out)
	for _, c := range w.out.Commands {
		w.plant.Apply(c)
	}
	for _, e := range w.out.Events {
		w.lines = append(w.lines, fmt.Sprintf("%-9s %s", clock(e.At), w.say(e)))
	}
	w.events += len(w.out.Events)
	if w.audit != nil {
		w.audit(w, in)
	}
}

// settle lets time pass up to a moment, each deadline and outcome at its own instant.
func (w *world) settle(until time.Duration) {
	for {
		at, ok := w.plant.Next()
		if c, is := w.core.Next(); is && !w.off && (!ok || c < at) {
			at, ok = c, true
		}
		if !ok || at > until {
			break
		}
		w.now = max(w.now, at)
		ins := w.plant.Advance(w.now, nil)
		for _, in := range ins {
			w.step(in)
		}
		if len(ins) == 0 {
			w.step(control.Input{Kind: control.Tick})
		}
	}
	w.now = max(w.now, until)
	w.plant.Advance(w.now, nil)
}

// power cuts the power, or returns it to a new core.
func (w *world) power(on bool) error {
	if !on {
		w.off = true
		w.plant.PowerCut()
		return nil
	}
	core, err := control.New(w.p)
	if err != nil {
		return err
	}
	w.core, w.off = core, false
	w.plant.Report()
	w.boot()
	return nil
}

// clock writes a time as a person would.
func clock(d time.Duration) string {
	d = d.Round(time.Millisecond)
	s := d.String()
	s = strings.Replace(s, "m0s", "m", 1)
	return strings.Replace(s, "h0m", "h", 1)
}

// say puts an event in words.
func (w *world) say(e control.Event) string {
	names := map[control.Subject][]string{control.AMachine: w.names.machines, control.AGate: w.names.gates, control.ACollector: {"collector"},
		control.AnOutlet: w.names.outlets, control.ACircuit: w.names.circuits, control.AStop: w.names.stops}[e.Subject()]
	who := ""
	if int(e.ID) < len(names) {
		who = names[e.ID]
		if e.Subject() == control.AGate {
			who = "gate " + who
		}
	}
	text := strings.ReplaceAll(e.Kind.String(), "-", " ")
	switch {
	case e.Kind == control.FaultRaised:
		text = "FAULT " + strings.ReplaceAll(e.Fault.String(), "-", " ")
	case e.Kind == control.FaultCleared:
		text = "over: " + strings.ReplaceAll(e.Fault.String(), "-", " ")
	}
	// "machine started planer" reads better as "planer started".
	for _, kind := range []string{"machine ", "gate ", "collector ", "outlet ", "circuit ", "stop "} {
		if rest, ok := strings.CutPrefix(text, kind); ok && who != "" {
			text = rest
		}
	}
	text = strings.TrimSpace(who + " " + text)
	if e.Cause != 0 && e.Cause != control.BySensor {
		text += " (" + strings.ReplaceAll(e.Cause.String(), "-", " ") + ")"
	}
	if e.Until != 0 {
		text += ", until " + clock(e.Until)
	}
	return text
}
