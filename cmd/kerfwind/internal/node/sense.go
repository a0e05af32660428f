package node

import (
	"kerfwind/sensor"
)

// feed runs a frame through its detector, if a plan says how.
func (n *Node) feed(f *sensor.Frame) {
	if f.Source < len(n.detectors) {
		n.readings(n.detectors[f.Source].Feed(f, nil))
	}
}

func (n *Node) readings(list []sensor.Reading) {
	for _, r := range list {
		if len(n.tape) == maxList {
			n.report(n.o.Now())
		}
		if was, ok := n.channels[r.Channel]; !ok || was.Verdict != r.Verdict || was.Health != r.Health || (was.OtherHz != 0) != (r.OtherHz != 0) {
			n.changed = true
		}
		n.channels[r.Channel] = r
		if r.At < n.every && n.x.Connected() {
			n.tape = append(n.tape, r)
			n.changed = n.changed || len(n.tape) > maxList/2
		}
	}
}
