package loop

import (
	"kerfwind/control"
	"kerfwind/sensor"
)

// A circuit's class falls back only when the current is this part below the
// limit, so that a load at the limit does not make events without end. Our
// own choice.
const classRelease = 0.95

// circuitState is the load of one circuit.
type circuitState struct {
	channels []int // whose currents it carries
	sent     control.Load
	amps     float64
}

// loads appends an input for every circuit whose class has changed at this
// instant. The load is the sum of the channels' RMS currents: of currents that
// are not in phase it is the most they can add up to, so the warning errs on
// the early side. While any of its channels is unknown so is the circuit,
// except that what is known may already be too much.
func (l *Loop) loads(in []control.Input) []control.Input {
	for id := range l.circuits {
		c := &l.circuits[id]
		if len(c.channels) == 0 {
			continue
		}
		sum, known, heard := 0.0, true, true
		for _, ch := range c.channels {
			s := &l.channels[ch]
			switch s.verdict {
			case sensor.Idle, sensor.Running:
				sum += float64(s.amps)
			case sensor.Unknown:
				known = false
			default:
				heard = false
			}
		}
		if !heard {
			continue
		}
		class := l.p.Circuits[id].Class(sum)
		if class < c.sent {
			// Falling: hold the higher class until well below its limit.
			class = min(c.sent, l.p.Circuits[id].Class(sum/classRelease))
		}
		if !known && class < control.Near {
			class = control.LoadUnknown
		}
		c.amps = sum
		if class == c.sent {
			continue
		}
		c.sent = class
		in = append(in, control.InCircuit(control.ID(id), class))
	}
	return in
}
