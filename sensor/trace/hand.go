package trace

import (
	"math"
	"slices"
)

// Hand lets people act on a recording while it is made.
type Hand struct {
	// Work says by name what machines do, whatever the script says of them. Those
	// that are not in it follow the script.
	Work map[string]Work

	// Clamps says by name which channel's conductor a channel goes round: "" none.
	// Those that are not in it go round their own.
	Clamps map[string]string

	// Sensors says by name what is wrong with a channel, in the script's words:
	// unplugged, floating, no signal, frozen. Those that are not in it are well.
	Sensors map[string]string

	Mains float64 // hertz, as it is; 0: as the script says
	Dead  bool    // the mains is off
}

// Work says what a machine does.
type Work struct {
	On   bool
	Load float64 // of full load
}

// Obey puts people's doings in force from the next scan on, and makes frames of at
// most so many scans, so that what is done later shows soon.
func (m *Maker) Obey(h *Hand, scans int) {
	m.most = scans
	if h == m.hand {
		return
	}
	m.hand, m.hertz = h, m.s.Mains
	if h.Mains > 0 {
		m.hertz = h.Mains
	}
	for i := range m.s.channels {
		name := m.s.channels[i].name
		m.ails[i], m.clamps[i] = h.Sensors[name], i
		if round, moved := h.Clamps[name]; moved {
			m.clamps[i] = slices.IndexFunc(m.s.channels, func(c channel) bool { return c.name == round })
		}
	}
	for _, p := range m.players {
		p.by, p.touched = h.Work[p.name]
		p.by.On = p.by.On || p.always
		if h.Dead {
			p.by, p.touched = Work{}, true
		}
	}
}

// turn switches a machine on or off at time t.
func (p *player) turn(on bool, t float64) {
	switch {
	case on == p.on:
	case on:
		p.on, p.start, p.load = true, t, 0
		if p.always { // it was on all along but for a power cut
			p.start = math.Inf(-1)
		}
	default:
		p.on = false
		for k := range p.flowing {
			p.flowing[k] = true // a switch's arc lasts until the current's next zero
		}
	}
}

// Machines lists the machines of a script by name, without those that are always on.
func (s *Script) Machines() (out []string) {
	for _, m := range s.machines {
		if !m.always {
			out = append(out, m.name)
		}
	}
	return out
}

// Has reports whether the script has a machine of that name, one that is always on
// included.
func (s *Script) Has(name string) bool {
	return slices.ContainsFunc(s.machines, func(m *machine) bool { return m.name == name })
}
