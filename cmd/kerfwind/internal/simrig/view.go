package simrig

import (
	"fmt"
	"strings"

	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/config"
)

// acts makes buttons from texts with %s for a name, each a label and its words.
func acts(name string, pairs ...string) (out []panel.HandAct) {
	for i := 0; i < len(pairs); i += 2 {
		out = append(out, panel.HandAct{Label: pairs[i], Do: strings.ReplaceAll(pairs[i+1], "%s", name)})
	}
	return out
}

// pick is a if yes, else b.
func pick(yes bool, a, b string) string {
	if yes {
		return a
	}
	return b
}

// Look is the workshop as it truly is, whatever sensors and switches say.
func (w *World) Look() []panel.HandGroup {
	w.mu.Lock()
	defer w.mu.Unlock()
	return []panel.HandGroup{w.lookMachines(), w.lookGates(), w.lookSensors(), w.lookWires()}
}

func (w *World) lookMachines() panel.HandGroup {
	g := panel.HandGroup{Title: "Machines"}
	flow := w.flows()
	for _, name := range w.names['m'] {
		x, touched := w.work[name]
		l := panel.HandLine{Name: name, State: pick(x.On, "on", "off")}
		switch {
		case !touched && w.scripted:
			l.State = "as the script says"
		case x.On && w.dead:
			l.State = "switched on, without power"
		case x.On && x.Load > 0:
			l.State = fmt.Sprintf("on, cuts at %g %%", 100*x.Load)
		}
		for i := range w.truth.Machines {
			m := &w.truth.Machines[i]
			if m.Name != name || flow == nil {
				continue
			}
			for _, h := range m.Hoods {
				l.State += fmt.Sprintf("; %s at its hood %s", w.truth.Units.Format(config.Flow, max(0, flow[h])), w.truth.Ducts[h].Name)
			}
		}
		if x.On {
			l.Acts = acts(name, "Off", "%s off", "Cut", "%s cuts at 70 %", "Idle", "%s cuts at 0 %", "Block", "block %s")
		} else {
			l.Acts = acts(name, "On", "%s on")
		}
		g.Lines = append(g.Lines, l)
	}
	return g
}

// flows is the air in each duct as the gates truly stand; nil where it is not known.
func (w *World) flows() []float64 {
	if w.air == nil {
		return nil
	}
	if !w.plant.Powered() {
		return make([]float64, len(w.truth.Ducts))
	}
	var open uint64
	for i := range w.truth.Gates {
		if !w.plant.Shut(i) {
			open |= 1 << i
		}
	}
	return w.air.Solve(open).Flow
}

func (w *World) lookGates() panel.HandGroup {
	g := panel.HandGroup{Title: "Gates"}
	for i := range w.truth.Gates {
		t := &w.truth.Gates[i]
		l := panel.HandLine{Name: t.Name, State: "half-way"}
		switch {
		case w.plant.Open(i):
			l.State = "open"
		case w.plant.Shut(i):
			l.State = "shut"
		}
		for a, on := range w.gateOn {
			if on == i {
				l.State += ", on output " + w.truth.Rig.Actuators[a].Name
			}
		}
		l.Acts = acts(t.Name, "Jam", "jam %s", "Free", "free %s", "Push open", "push %s open", "Push shut", "push %s shut")
		if t.OpenSwitch >= 0 {
			l.Acts = append(l.Acts, acts(t.Name, "Cut the open switch's wire", "cut the open switch of %s")...)
		}
		if t.ShutSwitch >= 0 {
			l.Acts = append(l.Acts, acts(t.Name, "Cut the shut switch's wire", "cut the shut switch of %s")...)
		}
		if t.OpenSwitch >= 0 || t.ShutSwitch >= 0 {
			l.Acts = append(l.Acts, acts(t.Name, "Mend the switches", "mend the switches of %s")...)
		}
		g.Lines = append(g.Lines, l)
	}
	return g
}

// conductorOf says whose conductor a channel's is.
func (w *World) conductorOf(ch int) string {
	if ch < 0 {
		return "round nothing"
	}
	for i := range w.truth.Machines {
		for _, c := range w.truth.Machines[i].Channels {
			if c == ch {
				return "round the " + w.truth.Machines[i].Name
			}
		}
	}
	if ch == w.truth.Collector.Channel {
		return "round the collector"
	}
	return "round the conductor of " + w.truth.Rig.Channels[ch].Name
}

func (w *World) lookSensors() panel.HandGroup {
	g := panel.HandGroup{Title: "Sensors"}
	for i, name := range w.names['c'] {
		l := panel.HandLine{Name: name, State: w.conductorOf(w.clamps[i])}
		if ail := w.sensors[i]; ail != "" {
			l.State += ", " + pick(ail == "floating", "cable cut", ail)
			l.Acts = acts(name, "Mend", "mend %s")
		} else {
			l.Acts = acts(name, "Unplug", "unplug %s", "Cut the cable", "cut the cable of %s", "Take off", "take off %s")
		}
		if w.clamps[i] < 0 {
			l.Acts = acts(name, "Put back", "put back %s")
		}
		g.Lines = append(g.Lines, l)
	}
	return g
}

func (w *World) lookWires() panel.HandGroup {
	g := panel.HandGroup{Title: "The rest"}
	add := func(name, state string, a ...panel.HandAct) {
		g.Lines = append(g.Lines, panel.HandLine{Name: name, State: state, Acts: a})
	}
	fan := pick(w.plant.Powered(), "runs", pick(w.plant.Turning(), "coasts down", "still"))
	add("collector", fan, acts("", "Hand", "turn the collector to hand", "Off", "turn the collector to off", "Auto", "turn the collector to auto",
		"Trip its overload", "trip the collector", "Reset its overload", "reset the collector")...)
	add("bin", pick(w.full, "full", "has room"), acts("", "Fill", "fill the bin", "Empty", "empty the bin")...)
	hz := w.mains
	if hz == 0 {
		hz = w.truth.Mains.Frequency
	}
	add("mains", pick(w.dead, "off", pick(hz > 0, fmt.Sprintf("%g Hz", hz), "60 Hz")), acts("", "50 Hz", "mains 50 Hz", "60 Hz", "mains 60 Hz",
		pick(w.dead, "Give the power back", "Cut the power"), pick(w.dead, "give the power back", "cut the power"))...)
	for _, s := range w.names['s'] {
		add(s, "", acts(s, "Open", "open %s", "Close", "close %s")...)
	}
	for _, b := range w.names['b'] {
		add(b, "", acts(b, "Press", "press %s")...)
	}
	for i := range w.truth.Rig.Contacts {
		if w.truth.Rig.Contacts[i].Kind == config.StandDownContact {
			add("stand-down switch", "", acts("", "Stand down", "stand down", "Lift", "lift the stand-down")...)
			break
		}
	}
	return g
}
