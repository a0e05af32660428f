package replay

import (
	"fmt"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
	"kerfwind/control/sim"
)

// feedback says where the collector's own current comes from in a replay.
type feedback uint8

const (
	simulated feedback = iota // from the simulated motor
	recorded                  // from its channel of the recording
)

// plant makes the simulated gates and collector of a replay.
func plant(p *control.Params, o *Options, fb feedback, names timeline.Names) (*sim.Plant, error) {
	sp := sim.Default(*p)
	if o.Shop.Collector.RunUp > 0 {
		sp.Collector.RunUp = o.Shop.Collector.RunUp
	}
	if fb == recorded {
		sp.Collector.Feedback = false
	}
	var faults []sim.Fault
	if o.Plant != nil {
		var err error
		if faults, err = sim.ParseFaults(o.PlantName, o.Plant, sim.Names{Gates: names.Gates, Stops: names.Stops}); err != nil {
			return nil, fmt.Errorf("faults of the simulated plant:\n%w", err)
		}
	}
	s := sim.New(sp)
	s.Schedule(faults)
	return s, nil
}

// atFirst returns what the contacts of a healthy shop say when the stream begins:
// stop inputs closed, room in the bin, the switches where they serve.
func atFirst(p *control.Params) []control.Input {
	in := []control.Input{control.InBin(control.Room), control.InStandDown(control.Closed)}
	for i := range p.Stops {
		in = append(in, control.InStop(control.ID(i), control.Closed))
	}
	if p.Collector.Switch {
		in = append(in, control.InSwitch(control.Auto))
	}
	return in
}
