package trace

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
)

// Sources of the figures below.
//
//   - NEC: National Electrical Code tables 430.248 (full-load current of
//     single-phase motors; seen at paigewire.com and sparky-hq.com) and
//     430.251(A) (their locked-rotor current; seen at solar365.com).
//   - COOLL: 840 measured switch-ons of small machines at 230 V, peak current
//     over the rated peak; figures of the data set at
//     coolldataset.github.io.
//   - PLAID: measured start-ups and current cycles of household appliances.
//   - memory: from memory or common practice, no source.
//
// What is made is the current in the conductor. A transformer's own faults at
// low frequency and near saturation are not modelled.

// kind names a sort of machine.
type kind uint8

const (
	induction kind = iota + 1 // single-phase or three-phase induction motor
	rotary                    // rotary phase converter: an induction motor, always on
	universal                 // series motor with brushes
	vacuum                    // the same with a fan on it: loaded at once
	inverter                  // variable-frequency drive: rectifier with a capacitor
	heater                    // resistive
	charger                   // small switched supply that tapers off
	standby                   // electronics, always on
)

// kinds has the words of the script.
var kinds = map[string]kind{
	"induction motor": induction, "rotary converter": rotary, "universal motor": universal,
	"vacuum": vacuum, "inverter": inverter, "heater": heater, "charger": charger, "standby": standby,
}

// fullLoadHP is NEC table 430.248: amperes at 115 V and 230 V by horsepower.
var fullLoadHP = map[float64][2]float64{
	0.5: {9.8, 4.9}, 0.75: {13.8, 6.9}, 1: {16, 8}, 1.5: {20, 10}, 2: {24, 12}, 3: {34, 17}, 5: {56, 28},
}

const (
	lockedRotor    = 6    // times full load; NEC table 430.251(A)
	lockedPF       = 0.65 // power factor at standstill; memory
	runPF          = 0.85 // at full load; memory
	idlePF         = 0.20 // without load; memory
	idleInduction  = 0.50 // of full load, 0.4 to 0.6; memory
	rotorOverReact = 0.25 // rotor resistance over leakage reactance: slip of greatest torque; memory
	satH3, satH5   = 0.05, 0.02
	// satH3 and satH5 are the third and fifth harmonic of an idle induction
	// motor's magnetising current over the fundamental at full load; memory.

	inrushTool   = 5.0   // peak over rated peak; COOLL, router, drill 4.7, saw 5.5, grinder 5.1
	inrushVacuum = 2.8   // COOLL
	idleTool     = 0.35  // of the rating, 0.25 to 0.45; memory
	tauTool      = 0.09  // s, inrush under 0.3 s; memory
	tauVacuum    = 0.184 // s: 3.45 times the power falls below 1.2 times in 460 ms; PLAID
	// Running harmonics over the fundamental: drill 12 % and 2 %, vacuum 14 % and
	// 3 %, crest factor 1.7; measured, COOLL and PLAID.
	drillH3, drillH5   = 0.12, 0.02
	vacuumH3, vacuumH5 = 0.14, 0.03
	brushNoise         = 0.04 // standard deviation over the current at hand; memory
	softStart          = 0.6  // s from the first pulses to the full wave; memory

	// A rectifier with a capacitor draws pulses at the crests of the voltage. A
	// squared cosine of this half-width has 77 % third, 43 % fifth and 14 %
	// seventh harmonic; near what is commonly stated for such inputs; memory.
	pulseWidth    = 40 * math.Pi / 180
	inverterIdle  = 0.05 // of full load; memory
	inverterRamp  = 2.0  // s until the drive has run the motor up; memory
	chargerTaper  = 600  // s, time constant of the current's fall; memory
	chargerEnd    = 0.15 // of the rating, what is left then; memory
	loadFollow    = 0.08 // s, time constant of current after load; memory
	runUpDefault  = 0.4  // s, 0.1 to 1 for a tool; memory
	rotaryDefault = 0.5  // idle current of a rotary converter's idler; memory
)

// cut is a stretch of load within a run.
type cut struct {
	span
	load float64
}

// machine is one load and what it does.
type machine struct {
	name     string
	line     int
	kind     kind
	channels []int
	names    []string // of the channels, until they are known
	full     float64  // A rms at full load
	inrush   float64  // peak over rated peak
	idle     float64  // of full load
	runUp    float64  // s
	fire     float64  // phase-cut: firing angle in radians
	soft     bool
	half     bool
	three    bool
	always   bool
	runs     []span
	cuts     []cut

	rotorA float64 // scale of the rotor's current
}

// machine takes a line "machine NAME on CHANNEL, ...: kind, option, ...".
func (p *scriptParser) machine() {
	name, ok := p.title()
	if !ok {
		return
	}
	m := &machine{name: name, line: p.line, idle: -1, inrush: -1, runUp: runUpDefault}
	for _, other := range p.s.machines {
		if other.name == name {
			p.fail("a second machine %q", name)
			return
		}
	}
	if !p.accept("on") {
		p.fail("machine: wanted is \"machine %s on c0: induction motor, 2 hp, 240 V\"", name)
		return
	}
	for more := true; more; more = p.accept(",") {
		c, ok := p.title()
		if !ok {
			return
		}
		m.names = append(m.names, c)
	}
	if !p.accept(":") {
		p.fail("machine %s: \":\" and what it is are missing", name)
		return
	}
	var hp, watts, volts float64
	var words []string
	for p.at < len(p.toks) && p.peek() != "," {
		words = append(words, p.peek())
		p.at++
	}
	if m.kind = kinds[strings.Join(words, " ")]; m.kind == 0 {
		p.fail("machine %s: %q is no kind: induction motor, rotary converter, universal motor, vacuum, inverter, heater, charger or standby", name, strings.Join(words, " "))
		return
	}
	for p.at < len(p.toks) {
		if !p.accept(",") {
			p.done()
			return
		}
		ok := true
		switch {
		case p.accept("full", "load"):
			m.full, ok = p.quantity("full load", unitAmperes)
		case p.accept("idle"):
			m.idle, ok = p.quantity("idle", unitPercent)
		case p.accept("inrush"):
			m.inrush, ok = p.quantity("inrush", unitTimes)
		case p.accept("run-up"):
			m.runUp, ok = p.seconds("run-up")
		case p.accept("speed"):
			var v float64
			if v, ok = p.quantity("speed", unitPercent); ok && (v <= 0 || v > 1) {
				p.fail("speed: from above 0 to 100 %%")
				return
			}
			m.fire = math.Pi * (1 - v)
		case p.accept("soft", "start"):
			m.soft = true
		case p.accept("half-wave"):
			m.half = true
		case p.accept("three-phase"):
			m.three = true
		case p.unitIs("hp"):
			hp, ok = p.quantity("power", unitHP)
		case p.unitIs("V"):
			volts, ok = p.quantity("voltage", unitVolts)
		default:
			watts, ok = p.quantity("power", unitWatts)
		}
		if !ok {
			return
		}
	}
	if err := m.rate(hp, watts, volts); err != nil {
		p.fail("machine %s: %v", name, err)
		return
	}
	p.s.machines = append(p.s.machines, m)
	p.later(func() {
		for _, c := range m.names {
			m.channels = append(m.channels, p.channelIndex(c))
		}
	})
}

// rate works out the full-load current and the defaults of the kind.
func (m *machine) rate(hp, watts, volts float64) error {
	motor := m.kind == induction || m.kind == rotary
	brushes := m.kind == universal || m.kind == vacuum
	switch {
	case m.full == 0 && hp > 0 && motor && !m.three:
		amps, ok := fullLoadHP[hp]
		col := 0
		switch {
		case volts >= 220 && volts <= 240:
			col = 1
		case volts < 110 || volts > 120:
			return fmt.Errorf("%v hp needs 120 V or 240 V beside it, or give the full load in amperes", hp)
		}
		if !ok {
			return fmt.Errorf("the code's table has no %v hp motor: use 0.5, 0.75, 1, 1.5, 2, 3 or 5 hp, or give the full load in amperes", hp)
		}
		m.full = amps[col]
	case m.full == 0 && watts > 0 && volts > 0 && !motor:
		m.full = watts / volts
	case m.full == 0 && motor && watts > 0:
		return fmt.Errorf("a motor's size is its shaft power or its full load, and %v W may be either: write \"%.2g hp, 240 V\", or \"full load\" and the amperes of its plate", watts, watts/745.7)
	case m.full == 0 && motor:
		return fmt.Errorf("its size is missing: \"2 hp, 240 V\" (single-phase), or \"full load 9 A\"")
	case m.full == 0:
		return fmt.Errorf("its size is missing: \"1500 W, 120 V\", or \"full load 9 A\"")
	}
	most := 2
	if m.three {
		most = 3
	}
	switch {
	case m.full <= 0 || m.full > 1e4:
		return fmt.Errorf("a full load of %v A", m.full)
	case m.three && !motor:
		return fmt.Errorf("only induction motors and rotary converters can be three-phase")
	case len(m.names) > most:
		return fmt.Errorf("%d conductors: one, or both legs, or the three of three phases", len(m.names))
	case m.inrush != -1 && (!(brushes) || m.soft || m.inrush < 1 || m.inrush > 20):
		return fmt.Errorf("\"inrush\" is for motors with brushes and no soft start, from 1 to 20 times")
	case m.idle != -1 && (m.kind == heater || m.kind == charger || m.kind == standby || m.idle < 0 || m.idle > 1):
		return fmt.Errorf("\"idle\" is for motors and inverters, from 0 to 100 %%")
	case (m.soft || m.fire > 0) && !brushes:
		return fmt.Errorf("\"soft start\" and \"speed\" are for motors with brushes; an induction motor needs an inverter")
	case m.half && !brushes && m.kind != heater:
		return fmt.Errorf("\"half-wave\" is for heaters and motors with brushes")
	case m.runUp != runUpDefault && !motor:
		return fmt.Errorf("\"run-up\" is for induction motors")
	case m.runUp < 0.02 || m.runUp > 60:
		return fmt.Errorf("a run-up from 20 ms to a minute is wanted")
	}
	if m.idle == -1 {
		m.idle = map[kind]float64{
			induction: idleInduction, rotary: rotaryDefault, universal: idleTool, vacuum: 1,
			inverter: inverterIdle, heater: 1, charger: 1, standby: 1,
		}[m.kind]
	}
	if m.inrush == -1 {
		m.inrush = inrushTool
		if m.kind == vacuum {
			m.inrush = inrushVacuum
		}
	}
	m.always = m.kind == standby || m.kind == rotary
	// The rotor's share of the locked-rotor current adds to the idle current as a
	// phasor; its size makes the sum six times full load.
	u, r := m.rotor(1, 1), m.running(0)
	want := lockedRotor * m.full
	b := real(u)*real(r) + imag(u)*imag(r)
	n := real(u)*real(u) + imag(u)*imag(u)
	c := real(r)*real(r) + imag(r)*imag(r) - want*want
	m.rotorA = (-b + math.Sqrt(b*b-n*c)) / n
	return nil
}

// rotor is the phasor of the rotor's current at a slip, for a rotor branch of
// stator resistance, rotor resistance over slip and a leakage reactance of 1.
func (m *machine) rotor(slip, size float64) complex128 {
	if slip <= 0 {
		return 0
	}
	lockedR := lockedPF / math.Sqrt(1-lockedPF*lockedPF) // resistance over reactance at standstill
	return complex(size, 0) / complex(lockedR-rotorOverReact+rotorOverReact/slip, 1)
}

// running is the phasor of an induction motor's current at full speed, in
// amperes rms against the voltage.
func (m *machine) running(load float64) complex128 {
	idle := m.idle * m.full
	p0, q0 := idle*idlePF, idle*math.Sqrt(1-idlePF*idlePF)
	p1, q1 := m.full*runPF, m.full*math.Sqrt(1-runPF*runPF)
	return complex(p0+(p1-p0)*load, -(q0 + (q1-q0)*load))
}

// moment is where a machine is within its run.
type moment struct {
	omega float64 // of the mains, radians a second
	since float64 // the switch closed, seconds; infinite if it is always on
	load  float64 // of full load, as the current follows it
}

// current is the current in a conductor at a phase of its voltage (radians, from
// 0 to 2 pi, zero at the rising crossing). began is the phase at which the
// switch closed.
func (m *machine) current(phase, began float64, at moment, rnd *rand.Rand) float64 {
	amp := math.Sqrt2 * m.full
	since := at.since
	level := m.idle + (1-m.idle)*at.load
	switch m.kind {
	case induction, rotary:
		i := m.running(at.load) + m.rotor(1-since/m.runUp, m.rotorA)
		v := math.Sqrt2 * cmplx.Abs(i) * math.Sin(phase+cmplx.Phase(i))
		sat := phase - math.Pi/2 // the magnetising current lags by a quarter
		v += amp * (satH3*math.Sin(3*sat) + satH5*math.Sin(5*sat))
		if !m.always {
			// At the instant of closing the current is zero: the difference dies
			// away with the time constant of the locked rotor.
			i0 := m.running(0) + m.rotor(1, m.rotorA)
			tan := math.Sqrt(1-lockedPF*lockedPF) / lockedPF
			angle := began - math.Pi/2
			first := math.Sqrt2*cmplx.Abs(i0)*math.Sin(began+cmplx.Phase(i0)) + amp*(satH3*math.Sin(3*angle)+satH5*math.Sin(5*angle))
			v -= first * math.Exp(-since*at.omega/tan)
		}
		return v
	case universal, vacuum:
		h3, h5, tau := drillH3, drillH5, tauTool
		if m.kind == vacuum {
			h3, h5, tau = vacuumH3, vacuumH5, tauVacuum
		}
		wave := (math.Sin(phase) - h3*math.Sin(3*phase) + h5*math.Sin(5*phase)) / math.Sqrt(1+h3*h3+h5*h5)
		fire := m.fire
		switch {
		case m.soft:
			fire = max(fire, math.Pi*0.8*(1-since/softStart))
		case !m.always:
			peak := (1 + h3 + h5) / math.Sqrt(1+h3*h3+h5*h5) // of the wave
			level += (m.inrush/peak - level) * math.Exp(-since/tau)
		}
		if half := math.Mod(phase, math.Pi); half < fire || m.half && wave < 0 {
			wave = 0
		}
		return amp * level * wave * (1 + brushNoise*rnd.NormFloat64())
	case heater:
		if s := math.Sin(phase); !m.half || s > 0 {
			return amp * s
		}
		return 0
	case inverter:
		level = m.idle + (level-m.idle)*min(since/inverterRamp, 1)
		return m.full * level * pulse(phase)
	case charger:
		level = chargerEnd + (1-chargerEnd)*math.Exp(-since/chargerTaper)
		return m.full * level * pulse(phase)
	default: // standby
		return m.full * pulse(phase)
	}
}

// pulse is a rectifier's input current of 1 A rms: squared cosines at the
// crests of the voltage.
func pulse(phase float64) float64 {
	x := math.Mod(phase, math.Pi) - math.Pi/2
	if math.Abs(x) >= pulseWidth {
		return 0
	}
	c := math.Cos(x * math.Pi / (2 * pulseWidth))
	v := c * c / math.Sqrt(3*pulseWidth/(4*math.Pi))
	if math.Mod(phase, 2*math.Pi) >= math.Pi {
		return -v
	}
	return v
}
