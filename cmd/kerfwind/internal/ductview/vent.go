package ductview

import (
	"fmt"
	"math"

	"kerfwind/config"
	"kerfwind/control/duct"
)

// vent is a hole that all the collector's air must pass: out of a cupboard, or into
// the room whose air is blown outdoors.
type vent struct {
	cupboard bool
	area     float64 // m²
}

// What a vent may cost, Pa: at 10 Pa a flue of natural draught has less than nothing
// left (its draught is 5 to 20 Pa), and a door of 1.6 m² needs the strength of a
// hand. From memory.
const (
	ventLimit = 10
	flueLimit = 2
	door      = 1.6 // m²
)

// newVent puts the loss of a hole of a diameter into a network, that of an orifice
// with a discharge coefficient of 0.6.
func newVent(n *duct.Network, key, value string) (vent, error) {
	d, err := config.Parse(config.Length, value)
	if err == nil && !(d >= 0.02 && d <= 3) {
		err = fmt.Errorf("write the width of one round hole as large as all openings, from 20 mm to 3 m")
	}
	v := vent{cupboard: key == "cupboard", area: math.Pi / 4 * d * d}
	k := n.Separator
	extra := v.loss(duct.StandardDensity, 1)
	n.Separator = duct.Guess(k.Value+extra, k.Low+extra, k.High+extra)
	return v, err
}

// loss is the pressure in Pa that a flow in m³/s costs.
func (v vent) loss(rho, flow float64) float64 {
	u := flow / (0.6 * v.area)
	return rho / 2 * u * u
}

// Notes says what else must be known of the changes of a study.
func (s *Study) Notes() []string {
	if len(s.vents) == 0 {
		return nil
	}
	flow := 0.0
	for _, open := range s.Main() {
		flow = math.Max(flow, s.cloud.Solve(open).Total().Middle)
	}
	rho := s.middle.Rho()
	hole := func(limit float64) string {
		return s.u(config.Length, math.Sqrt(4/math.Pi*flow/0.6*math.Sqrt(rho/2/limit)))
	}
	var out []string
	for _, v := range s.vents {
		p := v.loss(rho, flow)
		if v.cupboard {
			out = append(out, fmt.Sprintf("The cupboard is at %s above the room when %s pass its hole; that pushes a door of 1.6 m² with %.0f N. For 10 Pa and no more the hole must be %s wide, or several as large together. The motor needs the air to keep cool.",
				s.u(config.Pressure, p), s.u(config.Flow, flow), p*door, hole(ventLimit)))
			continue
		}
		out = append(out, fmt.Sprintf("The room is at %s below outdoors when %s are blown out and come in through the hole. For %d Pa and no more it must be %s wide.", s.u(config.Pressure, p), s.u(config.Flow, flow), flueLimit, hole(flueLimit)))
		out = append(out, "Beware: a stove, furnace, boiler or water heater that shares this air can draw its flue gas back into the room: carbon monoxide, which you do not smell. Read \"Air you breathe\" in SAFETY.md first.")
	}
	return out
}
