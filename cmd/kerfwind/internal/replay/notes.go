package replay

import (
	"fmt"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// Notes says what the recording shows of the sensors: another mains than the shop
// file says, channels that hear each other, and currents that stayed below their
// start level.
func (r *Replay) Notes() []string {
	var out []string
	d := r.Detector()
	if doubt := d.MainsDoubt(); doubt != "" {
		out = append(out, doubt)
	}
	rig := r.Shop.Rig
	for _, x := range d.Shares(nil) {
		if x.Size() >= sensor.HeardMuch {
			out = append(out, "Channel "+x.Words(rig.Channels[x.Channel].Name, rig.Channels[x.Of].Name)+".")
		}
	}
	for ch := range r.below {
		u := &r.Channels[ch]
		if u.Machine == control.NoID && u.Collector == control.NoID {
			continue
		}
		if words := config.BelowWords(rig.Channels[ch].Name, &r.below[ch], u.Start); words != "" {
			out = append(out, fmt.Sprintf("Channel %s.", words))
		}
	}
	return out
}
